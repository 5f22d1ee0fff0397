"""What may stand in the table of a SCPI instrument, and what a person is cautioned about."""

import socket

import pytest
from pydantic import ValidationError

from drivers.links.own_address import is_own_address
from drivers.scpi.driver import ScpiSpec

BASE = {"driver": "scpi", "host": "192.0.2.1"}
HEAT = {"heat_w": {"range": [0, 300], "safe": 0}}


def spec(**keys):
    return ScpiSpec.model_validate(BASE | keys)


@pytest.mark.parametrize(
    ("keys", "where"),
    [
        ({"port": 0}, "port"),
        ({"line_end": "none"}, "line_end"),
        ({"at_open": ["SYST:COMM:TIM 3\n"]}, "at_open.0"),
        ({"at_open": [""]}, "at_open.0"),
        ({"off": "OUTP ÖFF"}, "off"),
        ({"heats": "water"}, "heats"),
        ({"channels": {"heat_v": {"query": "MEAS:VOLT"}}}, "channels.heat_v"),
        ({"channels": {"heat_v": {"query": "MEAS:VOLT?;CURR?"}}}, "channels.heat_v"),
        ({"channels": {"heat_w": {"times": "MEAS:CURR?"}}}, "channels.heat_w"),
        ({"channels": {"heat_v": {"scale": 0}}}, "channels.heat_v"),
        ({"channels": {"heat_v": {"field": 0}}}, "channels.heat_v.field"),
        ({"channels": {"fan_rpm": {}}}, ""),
        ({"setpoints": {"heat_w": {"range": [0, 9], "safe": 0, "command": "POW"}}}, "setpoints.heat_w"),
        ({"setpoints": {"heat_w": {"range": [0, 9], "safe": 0, "command": "POW? {value}"}}}, "setpoints.heat_w"),
        ({"setpoints": {"heat_w": {"range": [0, 9], "safe": 0, "command": "APPL {value},5"}}}, "setpoints.heat_w"),
        ({"setpoints": {"heat_w": {"range": [0, 9], "safe": 0, "volts": "VOLT {value}"}}}, "setpoints.heat_w"),
        ({"setpoints": {"heat_w": {"range": [0, 9], "safe": 0, "ohm": 0}}}, "setpoints.heat_w.ohm"),
        ({"setpoints": {"heat_w": {"range": [-1, 9], "safe": 0, "ohm": 8}}}, "setpoints.heat_w"),
        (
            {"setpoints": {"heat_w": {"range": [0, 9], "safe": 0, "ohm": 8, "command": "POW {value}"}}},
            "setpoints.heat_w",
        ),
        ({"setpoints": {"heat_v": {"range": [0, 9], "safe": 0, "ohm": 8}}}, ""),
        ({"setpoints": {"fan_pct": {"range": [0, 9], "safe": 0}}}, ""),
        ({"at_open": ["SYST:REM?"]}, ""),
        ({"on": "OUTP ON?"}, ""),
        ({"off": ""}, ""),
        ({"error_query": "SYST:ERR"}, ""),
    ],
)
def test_mistakes_are_refused_where_they_are(keys, where):
    with pytest.raises(ValidationError) as caught:
        spec(**keys)
    assert [".".join(map(str, error["loc"])) for error in caught.value.errors()] == [where]


def test_it_hangs_on_one_wire():
    with pytest.raises(ValidationError, match="either host or serial"):
        spec(serial="/dev/ttyUSB0")


def test_what_is_usual_need_not_be_said():
    table = spec(
        channels={"heat_v": {}, "heat_a": {}, "heat_w": {}, "die_c": {}},
        setpoints={name: {"range": [0, 9], "safe": 0} for name in ("heat_w", "bias_v", "bias_a")},
    )
    assert [table.query_of(name) for name in table.channels] == ["MEAS:VOLT?", "MEAS:CURR?", "MEAS:POW?", "MEAS:TEMP?"]
    assert [table.command_of(name) for name in table.setpoints] == ["POW {value}", "VOLT {value}", "CURR {value}"]
    assert [name for name in table.setpoints if table.switches(name)] == ["heat_w"]
    assert table.asks_output == "OUTP?"


def test_only_a_device_that_is_not_asked_who_it_is_needs_a_quiet_time():
    assert spec().quiet_s == 0
    assert spec(identity_query="").quiet_s == 1.0
    assert spec(identity_query="", deadline_s=2).quiet_s == 4.0
    assert spec(identity_query="", latest_reply_s=0.2).quiet_s == 0.2


def test_a_device_without_a_switch():
    table = spec(setpoints=HEAT, on="", off="")
    assert not table.switches("heat_w")
    assert table.asks_output == ""


def test_what_is_read_from_a_file_is_written_the_same_way():
    keys = {"channels": {"heat_w": {"query": "MEAS:VOLT?", "times": "MEAS:CURR?"}}, "together": False}
    assert spec(**keys).model_dump(exclude_unset=True) == BASE | keys
    assert ScpiSpec.model_validate(spec(**keys).model_dump()) == spec(**keys)


@pytest.mark.parametrize(
    "host", ["127.0.0.1", "127.0.0.7", "::1", "localhost", "LOCALHOST.", "bench.localhost", "0.0.0.0"]
)
def test_this_computer_is_known_by_its_numbers_and_names(host):
    assert is_own_address(host)


def test_this_computer_is_known_by_its_own_name():
    assert is_own_address(socket.gethostname())


@pytest.mark.parametrize("host", ["192.0.2.1", "203.0.113.77", "2001:db8::1", "load.example", "127.0.0.1.example"])
def test_others_are_not_this_computer(host):
    """Addresses for documentation: RFC 5737, RFC 3849; names: RFC 2606."""
    assert not is_own_address(host)


def test_a_name_that_the_hosts_file_gives_to_this_computer(tmp_path):
    hosts = tmp_path / "hosts"
    hosts.write_text("127.0.1.1 rig.example rig # this one\n192.0.2.9 other.example\n# 127.0.0.1 gone.example\n")
    assert is_own_address("Rig.example", hosts)
    assert not is_own_address("other.example", hosts)
    assert not is_own_address("gone.example", hosts)


def test_no_name_server_is_asked(monkeypatch):
    asked = []
    real = socket.getaddrinfo

    def noted(host, *rest, flags=0, **keys):
        asked.append(flags)
        return real(host, *rest, flags=flags, **keys)

    monkeypatch.setattr(socket, "getaddrinfo", noted)
    assert not is_own_address("load.example")
    assert asked
    assert all(flags & socket.AI_NUMERICHOST for flags in asked)


def test_a_processor_that_runs_its_own_bench_is_cautioned_about():
    at_open = ["SYST:COMM:TIM 5"]
    (caution,) = spec(host="127.0.0.1", heats="processor", at_open=at_open, setpoints=HEAT).cautions()
    assert "this very computer" in caution
    assert spec(heats="processor", at_open=at_open, setpoints=HEAT).cautions() == []
    assert spec(host="127.0.0.1", at_open=at_open, setpoints=HEAT).cautions() == []


def test_heat_without_a_communication_time_out_is_cautioned_about():
    (caution,) = spec(setpoints=HEAT).cautions()
    assert "communication time-out" in caution
    assert spec(channels={"heat_w": {}}).cautions() == []
