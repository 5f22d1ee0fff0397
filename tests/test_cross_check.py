"""A protocol held against itself and against a bench: everything in the way, at its place in the protocol file."""

from __future__ import annotations

import pytest

from benchd.bench_file import BenchFile, parse_bench
from benchd.cross_check import cross_check
from benchd.errors import FileProblems
from benchd.instruments import Cooling
from benchd.named_files import find_bench, find_protocol
from benchd.protocol_file import load_protocol

FULL = find_bench("simulated").text
PROTOCOL = """protocol = "p"

[limits]
over_limit_c = 90

[[steps]]
kind = "background"
for_min = 5

[[steps]]
kind = "pump_sweep"
heat_w = 240
pump_pct = [40, 100]
loses_k = 0.5
equilibrium = { within_k = 0.2, at_most_min = 60 }
listen_s = 60

[[steps]]
kind = "fan_sweep"
fan_pct = [20, 60, 100]

[[steps]]
kind = "soak"
heat_w = [120, 240]
noise_dba = [34, 36]
equilibrium = { within_k = 0.2, at_most_min = 60 }
cool_down = "to_within_k"
to_within_k = 3
cool_at_most_min = 30
"""


def refusal(text: str, bench: BenchFile | None = None, cooling: Cooling | None = None) -> list[str]:
    with pytest.raises(FileProblems) as caught:
        cross_check(load_protocol(text, "p.toml"), bench, cooling)
    return str(caught.value).split("\n")


def without(table: str) -> BenchFile:
    """The simulated bench without one instrument's channel or setpoint."""
    start = FULL.index(f"[instruments.{table}]")
    end = FULL.index("\n\n", start)
    return parse_bench(FULL[:start] + FULL[end:], "b.toml")


def changed(old: str, new: str) -> BenchFile:
    assert old in FULL
    return parse_bench(FULL.replace(old, new), "b.toml")


@pytest.fixture
def bench() -> BenchFile:
    return parse_bench(FULL, "b.toml")


@pytest.mark.parametrize("cooling", [None, "liquid", "air"])
def test_a_right_protocol_passes(bench: BenchFile, cooling: Cooling | None) -> None:
    loaded = load_protocol(PROTOCOL, "p.toml")
    cross_check(loaded)
    cross_check(loaded, bench, cooling)


def test_what_needs_no_bench_is_found_without_one() -> None:
    swept_last = PROTOCOL.replace('"fan_sweep"\nfan_pct = [20, 60, 100]', '"dwell"\nname = "soak"\nfor_min = 3')
    assert refusal(swept_last) == [
        'p.toml:24:8: steps.4 (soak).kind: step 3 is called "soak" already; give this one a name of its own',
        "p.toml:26:13: steps.4 (soak).noise_dba: needs a fan_sweep before it, which finds the fan setting for each"
        " level; or give fan_pct",
    ]


def test_a_sweep_after_the_soak_does_not_count() -> None:
    steps = PROTOCOL.split("[[steps]]")
    moved = "[[steps]]".join([*steps[:3], steps[4] + "\n", steps[3]])
    assert [line.split(": ")[1] for line in refusal(moved)] == ["steps.3 (soak).noise_dba"]


@pytest.mark.parametrize(
    ("table", "line"),
    [
        ("load.setpoints.heat_w", "12:10: steps.2 (pump_sweep).heat_w: heat needs setpoint heat_w"),
        ("meter.channels.level_dba", "7:8: steps.1 (background).kind: a noise level needs channel level_dba"),
        ("fans.setpoints.fan_pct", "10:1: steps.2 (pump_sweep).fan_pct: a fan setting needs setpoint fan_pct"),
        ("fans.channels.fan_rpm", "10:1: steps.2 (pump_sweep).fan_pct: a fan setting needs channel fan_rpm"),
    ],
)
def test_what_the_bench_lacks_is_said_at_the_first_step_that_needs_it(table: str, line: str) -> None:
    assert refusal(PROTOCOL, without(table)) == [f'p.toml:{line}, which bench "simulated" does not have']


@pytest.mark.parametrize("channel", ["die_c", "ambient_c"])
def test_heat_needs_the_temperatures_that_make_the_rise(channel: str) -> None:
    elsewhere = channel.replace("_c", "_x_c")
    # Without die_c there is no interlock on it either, which is said as well.
    assert (
        f"p.toml:12:10: steps.2 (pump_sweep).heat_w: heat needs channel {channel},"
        ' which bench "simulated" does not have'
    ) in refusal(PROTOCOL, changed(channel, elsewhere))


def test_heat_needs_an_interlock_on_a_temperature() -> None:
    interlocks = FULL.index("[[interlocks]]")
    only_heat = (
        FULL[:interlocks]
        + '[[interlocks]]\nchannel = "heat_w"\nabove = 320\n[[interlocks]]\nchannel = "die_c"\nbelow = 1\n'
    )
    assert refusal(PROTOCOL, parse_bench(only_heat, "b.toml")) == [
        "p.toml:12:10: steps.2 (pump_sweep).heat_w: heat needs an interlock with die_c above a temperature;"
        ' bench "simulated" has none'
    ]


def interlocked(*channels: str) -> BenchFile:
    """The simulated bench with an interlock above 60 on these channels and no other."""
    locks = "".join(f'[[interlocks]]\nchannel = "{channel}"\nabove = 60\n' for channel in channels)
    return parse_bench(FULL[: FULL.index("[[interlocks]]")] + locks, "b.toml")


@pytest.mark.parametrize("cooling", [None, "liquid", "air"])
@pytest.mark.parametrize("channels", [("coolant_c",), ("ambient_c",), ("inlet_c",), ("coolant_c", "ambient_c")])
def test_a_temperature_that_may_stay_cold_is_no_watch_over_heat(
    channels: tuple[str, ...], cooling: Cooling | None
) -> None:
    """A heat sink has no coolant at all; coolant behind a pump that has stopped, and ambient always, stay cold."""
    heats = 'protocol = "p"\n[[steps]]\nkind = "dwell"\nfor_min = 1\nheat_w = 20\n'
    assert refusal(heats, interlocked(*channels), cooling) == [
        'p.toml:5:10: steps.1 (dwell).heat_w: heat needs an interlock with die_c above a temperature; bench "simulated"'
        " has none"
    ]
    cross_check(load_protocol(heats, "p.toml"), interlocked(*channels, "die_c"), cooling)


def test_a_protocol_without_heat_needs_no_interlock() -> None:
    no_interlocks = FULL[: FULL.index("[[interlocks]]")]
    text = 'protocol = "p"\n[[steps]]\nkind = "dwell"\nfor_min = 1\n'
    cross_check(load_protocol(text, "p.toml"), parse_bench(no_interlocks, "b.toml"))
    assert "heat needs an interlock" in refusal(text + "heat_w = 1\n", parse_bench(no_interlocks, "b.toml"))[0]


def test_settings_outside_the_bench_are_refused_one_by_one() -> None:
    small = changed("range = [0, 300]", "range = [0, 200]")
    assert refusal(PROTOCOL, small) == [
        'p.toml:12:10: steps.2 (pump_sweep).heat_w: must be 0 to 200 on bench "simulated", got 240 [W]',
        'p.toml:24:16: steps.4 (soak).heat_w.2: must be 0 to 200 on bench "simulated", got 240 [W]',
    ]


def test_a_fan_that_cannot_stop_is_noticed_where_it_has_to() -> None:
    turning = changed('target = "fans"\nrange = [0, 100]', 'target = "fans"\nrange = [10, 100]')
    outside = 'fan_pct must be 10 to 100 on bench "simulated", got 0 [%]'
    assert refusal(PROTOCOL, turning) == [
        f"p.toml:7:8: steps.1 (background).kind: {outside}: a background stops the fans and the pump",
        f"p.toml:16:12: steps.2 (pump_sweep).listen_s: {outside}: listening to the pump stops the fans",
    ]


def test_a_pump_that_cannot_run_full_is_noticed_where_it_has_to() -> None:
    slow = changed('target = "pump"\nrange = [0, 100]\nsafe = 100', 'target = "pump"\nrange = [0, 80]\nsafe = 80')
    text = PROTOCOL.replace("[40, 100]", "[40, 80]")
    assert refusal(text, slow) == [
        'p.toml:27:13: steps.4 (soak).cool_down: pump_pct must be 0 to 80 on bench "simulated", got 100 [%]:'
        " a cool-down runs fans and pump at full speed"
    ]
    with pytest.raises(FileProblems):
        cross_check(load_protocol(PROTOCOL, "p.toml"), slow, "liquid")
    cross_check(load_protocol(text, "p.toml"), slow, "air")


def test_a_limit_that_the_interlock_comes_before_is_refused() -> None:
    assert refusal(PROTOCOL, changed("above = 95", "above = 90")) == [
        'p.toml:4:16: limits.over_limit_c: must be below the interlock "die_c above 90 degC" of bench "simulated",'
        " got 90 [degC]; else the run trips before the point ends"
    ]


def test_a_pump_must_be_chosen_where_there_is_one(bench: BenchFile) -> None:
    steps = PROTOCOL.split("[[steps]]")
    unswept = "[[steps]]".join([*steps[:2], *steps[3:]])
    what = "missing: give a number [%], such as 100 for full speed, or put a pump_sweep before this step"
    for cooling in (None, "liquid"):
        assert refusal(unswept, bench, cooling) == [
            f"p.toml:10:1: steps.2 (fan_sweep).pump_pct: {what}",
            f"p.toml:14:1: steps.3 (soak).pump_pct: {what}",
        ]
    cross_check(load_protocol(unswept, "p.toml"), bench, "air")
    said = unswept.replace("[34, 36]", "[34, 36]\npump_pct = 60").replace("60, 100]", "60, 100]\npump_pct = 60")
    cross_check(load_protocol(said, "p.toml"), bench)


def test_all_that_is_in_the_way_comes_at_once(bench: BenchFile) -> None:
    text = find_protocol("overnight").text.replace("240", "400").replace("over_limit_c = 90", "over_limit_c = 120")
    said = refusal(text, bench)
    assert [line.split(": ")[1] for line in said] == [
        "limits.over_limit_c",
        "steps.2 (pump_sweep).heat_w",
        "steps.4 (soak).heat_w.3",
    ]


CHECK = 'protocol = "p"\n[[steps]]\nkind = "mount_check"\n'
CANNOT = "; the rise over ambient cannot stand for it, for it holds the whole cooler"


def test_a_mount_check_needs_the_coolant_or_the_fins() -> None:
    fins = '[instruments.more]\ndriver = "simulated"\n[instruments.more.channels.fin_c]\nsource = "ambient"\n'
    with_fins = parse_bench(FULL.replace("[[interlocks]]", f"{fins}\n[[interlocks]]", 1), "b.toml")
    loaded, bench = load_protocol(CHECK, "p.toml"), parse_bench(FULL, "b.toml")
    for cooling in (None, "liquid"):
        cross_check(loaded, bench, cooling)
    for cooling in (None, "liquid", "air"):
        cross_check(loaded, with_fins, cooling)


@pytest.mark.parametrize(
    ("bench", "cooling", "words"),
    [
        (
            parse_bench(FULL, "b.toml"),
            "air",
            'channel fin_c, which bench "simulated" does not have with a specimen of air',
        ),
        (changed("coolant_c", "other_c"), "liquid", 'channel coolant_c, which bench "simulated" does not have with a'),
        (
            changed("coolant_c", "other_c"),
            None,
            f'channel coolant_c or fin_c, which bench "simulated" does not have{CANNOT}',
        ),
    ],
)
def test_a_bench_without_either_cannot_check_a_mount_and_the_channel_is_named(bench, cooling, words) -> None:
    (line,) = [one for one in refusal(CHECK, bench, cooling) if "mount check" in one]
    assert line.startswith(f"p.toml:3:8: steps.1 (mount_check).kind: a mount check needs {words}")
    assert line.endswith(CANNOT)


def test_the_settings_of_a_question_must_be_settings_of_the_bench(bench: BenchFile) -> None:
    asks = 'protocol = "p"\n[[steps]]\nkind = "confirm"\nask = "on?"\nat_most_min = 5\nfan_pct = 0\n'
    cross_check(load_protocol(asks, "p.toml"), bench, "liquid")
    turning = changed('target = "fans"\nrange = [0, 100]', 'target = "fans"\nrange = [10, 100]')
    assert refusal(asks, turning) == [
        'p.toml:6:11: steps.1 (confirm).fan_pct: must be 10 to 100 on bench "simulated", got 0 [%]'
    ]


PROCESSOR = parse_bench(find_bench("simulated_processor").text, "b.toml")
SOAK = """protocol = "p"
[[steps]]
kind = "soak"
heat_w = [100]
fan_pct = [50]
pump_pct = 100
equilibrium = {equilibrium}
"""


def soaked(keys: str) -> str:
    return SOAK.replace("{equilibrium}", f"{{ {keys} }}")


def test_a_tolerance_finer_than_the_die_sensor_is_refused_where_nothing_finer_stands_behind_it() -> None:
    """The processor's own sensor shows whole degrees; behind a liquid specimen the coolant is shown to 0.1 K."""
    text = soaked("within_k = 0.2, at_most_min = 60")
    for cooling in (None, "liquid"):
        cross_check(load_protocol(text, "p.toml"), PROCESSOR, cooling)
    assert refusal(text, PROCESSOR, "air") == [
        "p.toml:7:28: steps.1 (soak).equilibrium.within_k: must be at least what die_c resolves on bench"
        ' "simulated_processor", 1 K, got 0.2; or use for_min, or a bench with a fin_c that resolves 0.2 K'
    ]
    # Where it is not written it is found at the table.
    assert refusal(soaked("at_most_min = 60"), PROCESSOR, "air")[0].startswith("p.toml:7:15: steps.1 (soak).equili")
    for cooling in (None, "liquid"):
        (line,) = refusal(soaked("within_k = 0.05, at_most_min = 60"), PROCESSOR, cooling)
        assert "coolant_c" in line
    sweep = PROTOCOL.replace("within_k = 0.2", "within_k = 0.05")
    assert [line.split(": ")[1] for line in refusal(sweep, PROCESSOR) if "resolves" in line] == [
        "steps.2 (pump_sweep).equilibrium.within_k",
        "steps.4 (soak).equilibrium.within_k",
    ]


def test_a_tolerance_that_the_sensor_shows_and_a_fixed_soak_pass(bench: BenchFile) -> None:
    for keys in ("within_k = 1, at_most_min = 60", "for_min = 25"):
        cross_check(load_protocol(soaked(keys), "p.toml"), PROCESSOR, "air")
    cross_check(load_protocol(soaked("within_k = 0.1, at_most_min = 60"), "p.toml"), bench, "air")
