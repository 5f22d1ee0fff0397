"""What a bench file may say of an instrument that talks lines of text, and how mistakes are told."""

import tomllib

import pytest
from pydantic import ValidationError

from benchd.bench_file import parse_bench
from benchd.errors import FileProblems
from drivers.links.ports import serial_ports
from drivers.serial_line.driver import SerialLine
from drivers.serial_line.keys import SerialLineSpec

METER = {
    "driver": "serial_line",
    "serial": "/dev/serial/by-id/meter",
    "pattern": r"(?P<level>\d+\.\d) (?P<unit>dB[AC])",
    "channels": {"level_dba": {"group": "level", "unit_group": "unit", "unit": "dBA"}},
}
FAN = {"command": "F {value:.0f}", "accept": "OK", "range": [0, 100], "safe": 100}


def with_keys(**keys):
    return SerialLineSpec.model_validate(METER | keys)


def channel(**keys):
    return {"channels": {"level_dba": METER["channels"]["level_dba"] | keys}}


def setpoint(**keys):
    return {"ask": "R", "setpoints": {"fan_pct": FAN | keys}}


@pytest.mark.parametrize(
    ("keys", "what"),
    [
        ({"serial": None, "host": "10.0.0.1"}, "host needs a port"),
        ({"pattern": "("}, "no regular expression"),
        ({"pattern": "(?P<level>.)+"}, "repeats a group"),
        ({"pattern": ".*?(?P<level>[0-9]+).*?(?P<unit>[0-9]+).*?([0-9]+)x"}, "takes too long over a line like '000"),
        (
            {"pattern": r"(?P<noise>\d+)"},
            "level_dba: the pattern has no group 'level'; its named groups: noise",
        ),
        ({"pattern": r"(?P<level>\d+)"}, "no group 'unit'"),
        ({"pattern": None}, "channels.level_dba: no pattern says how its line looks"),
        (channel(unit_group=None), "unit_group and unit go together"),
        (channel(unit=""), "unit_group and unit go together"),
        (channel(scale=0.0), "scale must not be 0"),
        (channel(pattern="(?P<x>.)"), "no group 'level'"),
        ({"ask": "READ?\r\n"}, "one line of signs"),
        ({"ask": ""}, "at least 1"),
        ({"ask": "\u00b0?"}, 'say encoding = "latin-1"'),
        ({"ask": "\u20ac?", "encoding": "latin-1"}, "ascii or latin-1"),
        ({"line_end": ""}, "at least 1"),
        ({"line_end": "\u20ac"}, "pattern"),
        ({"checksum": "md5"}, "crc16_ccitt"),
        ({"checksum_after": "*"}, "need a checksum"),
        (
            {"ask": "READ?", "checksum": "xor", "checksum_start": "$", "checksum_sent": True},
            r"'READ\?' lacks '\$'",
        ),
        ({"longest": 4}, "greater than or equal to 8"),
        ({"stale_s": 0.0}, "greater than 0"),
        ({"setpoints": {"fan_pct": FAN}}, "can be asked or told nothing"),
        ({"identity_ask": "ID?"}, "can be asked or told nothing"),
        (setpoint(accept=None), "give accept or read_back"),
        (setpoint(read_back="F?"), "go together"),
        (setpoint(read_back="F?", read_back_pattern="F=(.*)"), "group named value"),
        (setpoint(command="F 50"), "hold {value} once"),
        (setpoint(command="F {value:.0f}\n"), "one line of signs"),
        (setpoint(scale=0.0), "scale must not be 0"),
    ],
)
def test_a_mistake_is_told_in_words(keys, what):
    with pytest.raises(ValidationError, match=what):
        with_keys(**keys)


def test_channels_share_a_wire_only_when_all_are_asked_for_or_none():
    two = {"level_dba": METER["channels"]["level_dba"] | {"ask": "L?"}, "peak_dba": METER["channels"]["level_dba"]}
    with pytest.raises(ValidationError, match="cannot share a wire"):
        with_keys(channels=two)
    assert not with_keys(channels=two, ask="P?").unasked


def test_channels_that_come_by_themselves_stand_on_one_line():
    own = METER["channels"]["level_dba"] | {"pattern": "L(?P<level>.) (?P<unit>.)"}
    with pytest.raises(ValidationError, match="stand on one line"):
        with_keys(channels=METER["channels"] | {"peak_dba": own})


def test_a_device_that_is_only_told_is_not_listened_to():
    assert not with_keys(channels={}, setpoints={"fan_pct": FAN}).unasked


def test_cautions():
    assert with_keys().cautions() == []
    (port,) = with_keys(serial="/dev/ttyUSB0").cautions()
    assert "/dev/serial/by-id" in port
    (unit,) = with_keys(**channel(unit_group=None, unit="")).cautions()
    assert "level_dba" in unit
    assert "C weighting" in unit
    assert with_keys(channels={"ambient_c": {"group": "level"}}).cautions() == []


HEAT = {"heat_w": {"command": "P {value:.0f}", "accept": "OK", "range": [0, 300], "safe": 0}}


def test_heat_without_a_time_out_of_the_device_is_cautioned():
    (caution,) = with_keys(ask="R", setpoints=HEAT).cautions()
    assert "heat_w stays as it was told" in caution
    assert with_keys(ask="R", setpoints=HEAT, at_opening=["TIMEOUT 5"]).cautions() == []
    assert with_keys(ask="R", setpoints={"fan_pct": FAN}).cautions() == []


def test_heat_that_cannot_be_told_to_be_none_is_refused():
    with pytest.raises(ValidationError, match=r"heat_w: safe = 0 is sent as 'P -0', which is 0\.4 W"):
        with_keys(ask="R", setpoints={"heat_w": HEAT["heat_w"] | {"offset": 0.4}})


BENCH = r"""
bench = "one meter"
[instruments.meter]
driver = "serial_line"
serial = "/dev/serial/by-id/meter"
line_end = "\r"
pattern = '(?P<level>\d+\.\d) dBA'
channels.level_dba = { group = "level", missing = ["---", ""] }
"""


def test_it_is_read_from_a_bench_file():
    meter = parse_bench(BENCH, "one.toml").instruments["meter"]
    assert isinstance(meter, SerialLineSpec)
    assert (meter.line_end, meter.channels["level_dba"].missing) == ("\r", ("---", ""))


def test_a_mistake_in_a_pattern_is_shown_at_its_line():
    with pytest.raises(FileProblems) as found:
        parse_bench(BENCH.replace("dBA'", "dBA('"), "one.toml")
    (problem,) = found.value.problems
    assert (problem.line, problem.where) == (7, "instruments.meter.pattern")
    assert "no regular expression" in problem.what


def test_what_is_found_can_be_pasted_into_a_bench_file(monkeypatch, tmp_path):
    (tmp_path / "usb-sound_meter_0001-if00").symlink_to("/dev/null")
    monkeypatch.setattr("drivers.serial_line.driver.serial_ports", lambda: serial_ports(tmp_path)[:1])
    (found,) = SerialLine.find()
    table = tomllib.loads(found.stanza)
    (name,) = table["instruments"]
    spec = SerialLineSpec.model_validate(table["instruments"][name])
    assert spec.serial == str(tmp_path / "usb-sound_meter_0001-if00")
    assert spec.cautions() == []
    parse_bench(f'bench = "found"\n{found.stanza}', "found.toml")
