"""Bench files: the file's own keys and its drivers' keys are checked alike, each mistake with its place."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import benchd
from benchd.bench_file import BenchFile, Interlock, load_bench, parse_bench
from benchd.errors import FileProblems, InputError
from benchd.instruments import driver_names

BENCH = """bench = "small"
tick_s = 0.5

[instruments.load]
driver = "simulated"
[instruments.load.setpoints.heat_w]
target = "heat"
range = [0, 300]
safe = 0
[instruments.load.channels.heat_w]
source = "heat"

[instruments.rest]
driver = "simulated"
[instruments.rest.setpoints.pump_pct]
target = "pump"
range = [0, 100]
safe = 100
cooling = "liquid"
[instruments.rest.channels.die_c]
source = "die"
[instruments.rest.channels.coolant_c]
source = "coolant"
cooling = "liquid"

[[interlocks]]
channel = "die_c"
above = 95
for_s = 2
"""


def refusal(text: str) -> list[str]:
    with pytest.raises(FileProblems) as caught:
        parse_bench(text, "b.toml")
    return str(caught.value).split("\n")


def test_a_bench_is_read_with_its_drivers_own_keys() -> None:
    bench = parse_bench(BENCH, "b.toml")
    assert bench.tick_s == 0.5
    assert list(bench.instruments) == ["load", "rest"]
    assert bench.instruments["load"].model_dump()["channels"]["heat_w"]["range"] is None
    assert getattr(bench.instruments["load"].channels["heat_w"], "source") == "heat"  # noqa: B009 - a driver's key


def test_channels_and_setpoints_are_those_of_the_specimen() -> None:
    bench = parse_bench(BENCH, "b.toml")
    assert list(bench.channels()) == ["heat_w", "die_c", "coolant_c"]
    assert list(bench.channels("air")) == ["heat_w", "die_c"]
    assert list(bench.setpoints("liquid")) == ["heat_w", "pump_pct"]
    assert list(bench.setpoints("air")) == ["heat_w"]
    owner, spec = bench.setpoints()["pump_pct"]
    assert (owner, spec.safe) == ("rest", 100)


def test_the_text_is_kept() -> None:
    assert load_bench(BENCH, "b.toml").text == BENCH


@pytest.mark.parametrize(
    ("interlock", "words"),
    [
        (Interlock(channel="die_c", above=95, for_s=2), "die_c above 95 degC for 2 s"),
        (Interlock(channel="pump_rpm", below=600), "pump_rpm below 600 1/min"),
    ],
)
def test_an_interlock_says_its_limit(interlock: Interlock, words: str) -> None:
    assert interlock.words == words


INSTALLED = ", ".join(driver_names())


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        (
            'driver = "simulated"\n[instruments.load.s',
            'driver = "simulatd"\n[instruments.load.s',
            f"5:10: instruments.load.driver: there is no driver 'simulatd'; installed: {INSTALLED}",
        ),
        (
            'driver = "simulated"\n[instruments.load.s',
            "[instruments.load.s",
            f"4:1: instruments.load.driver: must be the name of a driver, none is given; installed: {INSTALLED}",
        ),
        (
            'driver = "simulated"\n[instruments.load.s',
            "driver = 3\n[instruments.load.s",
            f"5:10: instruments.load.driver: must be the name of a driver, got 3; installed: {INSTALLED}",
        ),
        # a key of the driver's own
        (
            'target = "heat"',
            'target = "heet"',
            '7:10: instruments.load.setpoints.heat_w.target: must be "heat", "fans" or "pump", got "heet"',
        ),
        (
            'source = "heat"',
            'source = "heat"\nuncertianty = 1',
            "12:1: instruments.load.channels.heat_w.uncertianty: unknown key; allowed here: range, resolution, "
            'uncertainty, uncertainty_pct, cooling, source (did you mean "uncertainty"?)',
        ),
        (
            "range = [0, 300]",
            "range = [0]",
            "8:9: instruments.load.setpoints.heat_w.range: must be a list of 2 values, got 1",
        ),
        (
            "range = [0, 300]",
            "range = [300, 0]",
            "8:9: instruments.load.setpoints.heat_w.range: must rise from low to high, got [300.0, 0.0]",
        ),
        (
            "safe = 100",
            "safe = 200",
            "18:8: instruments.rest.setpoints.pump_pct.safe: must lie inside range [0.0, 100.0], got 200.0",
        ),
        ("tick_s = 0.5", "tick_s = 0.01", "2:10: tick_s: must be at least 0.05, got 0.01 [s]"),
        ("tick_s = 0.5", "tick_s = 61", "2:10: tick_s: must be at most 60, got 61 [s]"),
        ('bench = "small"', "bench = []", '1:9: bench: must be a "text" in quotes, got a list'),
        # names
        (
            "safe = 0\n",
            "safe = 5\n",
            "9:8: instruments.load.setpoints.heat_w.safe: must be 0: the safe state is de-energised, got 5 [W]",
        ),
        (
            "setpoints.pump_pct",
            "setpoints.valve_pct",
            "15:1: instruments.rest.setpoints.valve_pct: no such setpoint; allowed here: heat_w, fan_pct, pump_pct"
            ' (did you mean "fan_pct"?)',
        ),
        (
            "channels.die_c]\nsource",
            'channels.heat_w]\nsource = "heat"\n[instruments.rest.channels.die_c]\nsource',
            "20:1: instruments.rest.channels.heat_w: stands on load already; a name stands on one instrument only",
        ),
        # interlocks
        (
            "above = 95",
            "above = 95\nbelow = 3",
            "26:1: interlocks.1 (die_c): give either above or below, not both and not neither",
        ),
        (
            'channel = "die_c"',
            'channel = "dye_c"',
            '27:11: interlocks.1 (dye_c).channel: no channel "dye_c" here; there are: heat_w, die_c, coolant_c'
            ' (did you mean "die_c"?)',
        ),
        ("for_s = 2", "for_s = -2", "29:9: interlocks.1 (die_c).for_s: must be at least 0, got -2 [s]"),
        ("above = 95", "above = nan", "28:9: interlocks.1 (die_c).above: must be a finite number, got nan"),
    ],
)
def test_a_mistake_is_one_plain_line(old: str, new: str, line: str) -> None:
    assert old in BENCH
    assert refusal(BENCH.replace(old, new, 1)) == [f"b.toml:{line}"]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('bench = "b"', "1:1: instruments: missing; give a table"),
        ('bench = "b"\ninstruments = 3', "2:15: instruments: must be a table, got 3"),
        ('bench = "b"\n[instruments]', "2:1: instruments: must not be empty"),
        ('bench = "b"\n[instruments]\nload = 3', "3:8: instruments.load: must be a table, got 3"),
    ],
)
def test_a_bench_without_instruments_is_refused(text: str, line: str) -> None:
    assert refusal(text) == [f"b.toml:{line}"]


def test_mistakes_of_the_file_and_of_its_drivers_come_at_once() -> None:
    text = BENCH.replace("tick_s = 0.5", "tick_s = 0").replace('"heat"\n\n', '"heet"\n\n').replace("100]", '"all"]')
    assert [line.split(": ")[1] for line in refusal(text)] == [
        "tick_s",
        "instruments.load.channels.heat_w.source",
        "instruments.rest.setpoints.pump_pct.range.2",
    ]


MODBUS = """bench = "b"
[instruments.a]
driver = "modbus"
host = "127.0.0.1"
[instruments.a.channels.die_c]
register = 1
"""


def test_a_channel_without_a_unit_is_refused() -> None:
    assert refusal(MODBUS.replace("die_c", "die")) == [
        "b.toml:5:1: instruments.a.channels.die: the name must end in a unit:"
        " _c, _k, _w, _pct, _rpm, _dba, _hpa, _l_min, _v or _a"
    ]


def test_a_key_is_called_as_it_is_written_in_the_file() -> None:
    """The driver's name for the number is another than the key's."""
    assert refusal(MODBUS.replace("register = 1", "")) == [
        "b.toml:5:1: instruments.a.channels.die_c.register: missing; give a whole number"
    ]
    assert refusal(MODBUS.replace("= 1", "= -1")) == [
        "b.toml:6:12: instruments.a.channels.die_c.register: must be at least 0, got -1"
    ]
    [unknown] = refusal(MODBUS + "registre = 2")
    assert unknown.endswith('(did you mean "register"?)')


def test_a_file_of_very_many_instruments_does_not_hang() -> None:
    said = refusal('bench = "b"\n' + "".join(f'[instruments.a{n}]\ndriver = "x"\n' for n in range(20_000)))
    assert said == ["b.toml:2:1: instruments: must have at most 50 values, got 20000"]


SHIPPED = {path.stem: path.read_text() for path in (Path(benchd.__file__).parent / "benches").glob("*.toml")}


@pytest.mark.parametrize("name", sorted(SHIPPED))
def test_a_shipped_bench_is_right(name: str) -> None:
    assert isinstance(parse_bench(SHIPPED[name], name), BenchFile)


@settings(max_examples=200)
@given(st.data())
def test_a_bench_with_a_change_is_read_or_plainly_refused(data: st.DataObject) -> None:
    text = BENCH
    pieces = st.sampled_from(["nan", "true", "[]", "{}", '"x"', "\n", "[[interlocks]]", "=", "-1", "é", "driver"])
    for _ in range(data.draw(st.integers(1, 3))):
        start = data.draw(st.integers(0, len(text)))
        end = min(len(text), start + data.draw(st.integers(0, 30)))
        text = text[:start] + data.draw(pieces | st.text(max_size=5)) + text[end:]
    with contextlib.suppress(InputError):
        assert isinstance(parse_bench(text, "b.toml"), BenchFile)


TWO = """
bench = "two"
[instruments.one]
driver = "{one}"
{keys_one}
[instruments.other]
driver = "{other}"
{keys_other}
"""
REGISTERS = 'serial = "/dev/ttyS9"\ndevice_id = {id}\nchannels.{name} = {{ register = 0 }}'
OUTPUT = 'chip = "board"\nsetpoints.{name} = {{ pwm = {pwm}, range = [0, 100], safe = 100 }}'


def two(one: tuple[str, str], other: tuple[str, str]) -> str:
    return TWO.format(one=one[0], keys_one=one[1], other=other[0], keys_other=other[1])


@pytest.mark.parametrize(
    ("one", "other", "said"),
    [
        (
            ("scpi", 'serial = "/dev/ttyS9"\nchannels.a_v = {}'),
            ("modbus", REGISTERS.format(id=1, name="b_v")),
            "other): serial port /dev/ttyS9 is taken by one already",
        ),
        (
            ("hwmon", OUTPUT.format(name="fan_pct", pwm=1)),
            ("hwmon", OUTPUT.format(name="pump_pct", pwm="[2, 1]")),
            "output pwm1 of chip board in /sys/class/hwmon is taken by one already",
        ),
    ],
)
def test_two_instruments_cannot_hang_on_one_port_or_command_one_output(one, other, said) -> None:
    with pytest.raises(FileProblems) as refused:
        parse_bench(two(one, other), "two.toml")
    assert said.split("): ")[-1] in str(refused.value)


def test_several_modbus_devices_share_one_line_and_different_outputs_are_different() -> None:
    registers = [("modbus", REGISTERS.format(id=number, name=name)) for number, name in ((1, "a_v"), (2, "b_v"))]
    outputs = [("hwmon", OUTPUT.format(name=name, pwm=pwm)) for name, pwm in (("fan_pct", 1), ("pump_pct", 2))]
    for pair in (registers, outputs):
        assert len(parse_bench(two(*pair), "two.toml").instruments) == 2


def head_with(line: str) -> str:
    return f'bench = "b"\n{line}\n[instruments.load]\ndriver = "scpi"\nhost = "192.0.2.7"\nchannels.supply_v = {{}}\n'


def test_what_is_called_on_an_event_is_a_list_of_words() -> None:
    assert parse_bench(head_with('on_event = ["notify-me", "--loud"]'), "b.toml").on_event == ("notify-me", "--loud")
    assert parse_bench(head_with(""), "b.toml").on_event == ()


@pytest.mark.parametrize("line", ['on_event = "notify-me --loud"', 'on_event = ["notify-me", 3]', 'on_event = [""]'])
def test_anything_else_is_refused_with_its_place(line) -> None:
    with pytest.raises(FileProblems) as refused:
        parse_bench(head_with(line), "b.toml")
    assert "on_event" in str(refused.value)
    assert [problem.line for problem in refused.value.problems] == [2]
