"""A sensor that hangs is watched over the whole run, not over one soak: no point is made of what it shows."""

from __future__ import annotations

import re

import pytest

from benchd.bench_file import LoadedBench, load_bench
from benchd.instruments import ChannelSpec
from benchd.named_files import find_bench, find_protocol
from benchd.protocol_file import load_protocol
from benchd.running.rehearsal import Played, Rehearsal
from benchd.running.sensors import Sensors
from benchd.running.soak_again import soak_again
from benchd.running.states import Flag, Quality, RunState
from benchd.running.steps.base import Wants

SOAKS = """
protocol = "four"

[[steps]]
kind = "soak"
heat_w = [100, 200]
fan_pct = [40, 80]
pump_pct = 60
equilibrium = {{ {until} }}
read_min = 2
order = "listed"
"""


def bench_with(fault: str = "", name: str = "simulated", guarded: bool = False) -> LoadedBench:
    """A shipped bench with a fault; if it is not guarded, its interlocks let a sensor hang for an hour."""
    found = find_bench(name)
    text = found.text.replace('driver = "simulated"', f'driver = "simulated"\nfaults = [{fault}]', 1)
    return load_bench(text if guarded else re.sub(r"missing_s = \d+", "missing_s = 3600", text), found.file)


def played(writer, bench: LoadedBench, text: str, specimen: str = "brook 2x120", seed: int = 1) -> Played:
    protocol = load_protocol(text, "four.toml")
    return Rehearsal(writer, protocol, bench, {specimen: "liquid"}, seed).play(specimen, "liquid")


def events(writer, kind: str) -> list[str]:
    with writer.reading() as connection:
        rows = connection.exec_driver_sql("SELECT what FROM event WHERE kind = ? ORDER BY id", (kind,)).all()
    return [row.what for row in rows]


@pytest.mark.parametrize("name", ["simulated", "simulated_processor"])
def test_the_interlock_of_a_die_that_hangs_is_blind_and_trips(writer, name) -> None:
    fault = '{ kind = "sensor_stuck", at_s = 300, source = "die" }'
    run = played(writer, bench_with(fault, name, guarded=True), SOAKS.format(until=FIXED))
    assert run.state is RunState.TRIPPED
    (said,) = events(writer, "sensor_hangs")
    assert said.startswith("die_c shows ")
    (why,) = events(writer, "trip")
    assert re.fullmatch(r"die_c shows .* although the (watts|fans|coolant) .*: its interlock is blind", why)
    assert [point.quality for point in run.points if point.rise_k is not None] == [Quality.GOOD][: len(run.points)]


FIXED, BRIEF = "for_min = 25", "for_min = 13"
PREDICTED = 'until = "predicted", within_k = 0.35, at_most_min = 14'
LOOSE = 'until = "settled", within_k = 2, at_most_min = 14'


@pytest.mark.parametrize(
    ("name", "until", "from_point"),
    [
        ("simulated", BRIEF, 2),
        ("simulated", PREDICTED, 2),
        ("simulated", LOOSE, 2),
        # What faster fans do to 100 W is, in so short a time, less than whole degrees show for sure.
        ("simulated_processor", BRIEF, 3),
        ("simulated_processor", PREDICTED, 3),
        ("simulated_processor", LOOSE, 3),
    ],
)
def test_no_soak_is_good_whose_die_sensor_has_hung_since_before_it(writer, name, until, from_point) -> None:
    """From 300 s on, in the first of four soaks."""
    fault = '{ kind = "sensor_stuck", at_s = 300, source = "die" }'
    run = played(writer, bench_with(fault, name), SOAKS.format(until=until))
    assert run.state is RunState.COMPLETE
    for point in run.points[from_point - 1 :]:
        assert (point.quality, Flag.SENSOR_HANGS in point.flags) == (Quality.VOID, True), point
        assert point.ended_by in ("fixed", "time_up")
        assert (point.rise_k, point.resistance_k_per_w) == (None, None)
    (said,) = events(writer, "sensor_hangs")
    assert said.startswith("die_c shows ")


def test_coolant_that_hangs_ends_no_soak_by_what_it_shows_and_spoils_no_rise(writer) -> None:
    """A die of whole degrees is watched through it; a fixed soak needs it not."""
    fault = '{ kind = "sensor_stuck", at_s = 300, source = "coolant" }'
    bench = bench_with(fault, "simulated_processor")
    early = played(writer, bench, SOAKS.format(until=PREDICTED))
    assert [point.ended_by for point in early.points[1:]] == ["time_up"] * 3
    assert {Flag.NOT_SETTLED in point.flags for point in early.points[1:]} == {True}
    whole = played(writer, bench, SOAKS.format(until=FIXED))
    assert all(point.rise_k is not None and Flag.SENSOR_HANGS not in point.flags for point in whole.points)
    assert all(said.startswith("coolant_c shows ") for said in events(writer, "sensor_hangs"))


def test_one_that_comes_back_is_told_and_the_points_after_it_are_good(writer) -> None:
    fault = '{ kind = "sensor_stuck", at_s = 300, until_s = 2400, source = "die" }'
    run = played(writer, bench_with(fault), SOAKS.format(until=FIXED))
    assert [Flag.SENSOR_HANGS in point.flags for point in run.points] == [True, False, False, False]
    assert all(point.quality is Quality.GOOD for point in run.points[2:])
    assert events(writer, "sensor_moves") == ["die_c moves again"]


def test_told_once_more_from_the_recorded_samples_it_is_the_same(writer) -> None:
    """Point 4 begins 75 minutes after the die's last movement: only the samples before it tell."""
    fault = '{ kind = "sensor_stuck", at_s = 300, source = "die" }'
    run = played(writer, bench_with(fault), SOAKS.format(until=BRIEF))
    with writer.reading() as connection:
        whys = connection.exec_driver_sql("SELECT detail FROM finding WHERE name = 'hangs' ORDER BY id").all()
        for number, row in enumerate(whys, 1):
            soak = soak_again(connection, run.run, number)
            assert soak.hangs in row.detail
            assert soak.hangs
            assert not soak.seen[-1].is_known
    assert len(whys) == 4


def test_a_soak_is_not_over_before_its_sensor_had_time_to_follow(writer) -> None:
    """A tolerance so loose that a flat line would be enough in two minutes."""
    text = SOAKS.format(until='until = "settled", within_k = 5, at_most_min = 8').replace(
        "read_min = 2", "read_min = 0.2"
    )
    fault = '{ kind = "sensor_stuck", at_s = 0, source = "die" }'
    run = played(writer, bench_with(fault), text)
    assert {point.quality for point in run.points} == {Quality.VOID}


@pytest.mark.parametrize(
    "protocol", ["quick", "break_in", "mount_check", pytest.param("overnight", marks=pytest.mark.slow)]
)
@pytest.mark.parametrize("name", ["simulated", "simulated_processor"])
@pytest.mark.parametrize("specimen", ["brook 2x120", "brook 2x140"])
def test_no_sound_sensor_is_said_to_hang(writer, protocol, name, specimen) -> None:
    found = find_protocol(protocol)
    run = played(writer, bench_with("", name), found.text, specimen)
    assert run.state is RunState.COMPLETE
    assert events(writer, "sensor_hangs") == []
    assert all(Flag.SENSOR_HANGS not in point.flags for point in run.points)


@pytest.mark.slow
def test_a_night_of_a_processor_with_whole_degrees_tells_none_that_hangs(writer) -> None:
    run = played(writer, bench_with("", "simulated_processor"), find_protocol("overnight").text)
    assert len(run.points) == 13
    assert events(writer, "sensor_hangs") == []


WARM = Wants(100, 60, 80)
COARSE = {
    "die_c": ChannelSpec(resolution=1),
    "ambient_c": ChannelSpec(resolution=0.1),
    "coolant_c": ChannelSpec(resolution=0.1),
}


def told(sensors: Sensors, wants: Wants, from_s: int, for_s: int = 300, **changes: float):
    values = {"die_c": 45.0, "ambient_c": 22.0, "coolant_c": 36.0, **changes}
    given = {name: value for name, value in values.items() if value == value}
    for t in range(from_s, from_s + for_s):
        last = sensors.take(float(t), given, wants)
    return last


def test_what_was_commanded_counts_where_it_is_not_measured() -> None:
    sensors = Sensors(COARSE)
    assert told(sensors, WARM, 0) == {}
    hanging = told(sensors, Wants(0, 100, 100), 300)
    assert {name: one.sure for name, one in hanging.items()} == {"die_c": True, "coolant_c": True}
    assert hanging["die_c"].words == "die_c shows 45.00 degC for 10 min although the watts went from 100 to 0 W"


def test_what_was_commanded_does_not_count_where_it_is_measured() -> None:
    """A load that does not obey is no sensor that hangs."""
    sensors = Sensors({**COARSE, "heat_w": ChannelSpec(resolution=0.1)})
    told(sensors, WARM, 0, heat_w=100.0)
    assert told(sensors, Wants(200, 60, 80), 300, heat_w=100.0) == {}


def test_a_gap_is_no_news() -> None:
    sensors = Sensors({**COARSE, "heat_w": ChannelSpec(resolution=0.1)})
    told(sensors, WARM, 0, heat_w=100.0)
    for t in range(300, 600):
        given = {"die_c": 45.0, "ambient_c": 22.0, "coolant_c": 36.0, **({"heat_w": 200.0} if t % 3 else {})}
        hanging = sensors.take(float(t), given, Wants(200, 60, 80))
    assert hanging["die_c"].proven


def test_a_processor_that_throttles_holds_its_temperature_itself() -> None:
    sensors = Sensors({**COARSE, "heat_w": ChannelSpec(resolution=0.1), "throttled_s": ChannelSpec(resolution=1)})
    for t in range(3000):
        given = {"die_c": 95.0, "ambient_c": 22.0, "coolant_c": 50 + t / 300, "heat_w": 250 - t / 30, "throttled_s": t}
        hanging = sensors.take(float(t), given, WARM)
        assert "die_c" not in hanging


def test_one_that_is_held_by_its_firmware_and_says_nothing_of_it_is_not_proven_to_hang() -> None:
    """The watts fall by themselves, and the die stays where it is."""
    sensors = Sensors({**COARSE, "heat_w": ChannelSpec(resolution=0.1)})
    for t in range(3000):
        given = {"die_c": min(91.0 + t, 96.0), "ambient_c": 22.0, "coolant_c": 50.0, "heat_w": 234 - min(t, 900) / 25}
        hanging = sensors.take(float(t), given, WARM)
        assert "die_c" not in hanging
