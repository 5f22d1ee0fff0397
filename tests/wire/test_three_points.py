"""Three test points over real wires: five instruments of a simulator in a process of its own, on the shipped drivers.

The cable of the supply is pulled in the middle of the second point, or the whole process killed. From then on the
supply's samples are missing and no one else's, the run has a defined end, and nothing is heated any more, whatever
could be said to the supply.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from benchd.cli import run as benchd
from benchd.clock import PacedClock, real_s, utc_now
from benchd.errors import RunRefused
from benchd.running.snapshot import Snapshot
from benchd.running.states import Flag, RunState
from benchd.store.records import CLEAR, EventRow
from sim.wires.control import Control
from sim.wires.serving import running

#: Bench seconds in a real one, here and in the simulator: a point takes some 3 min of bench time.
SPEED = 100
#: The supply turns itself off after so much silence, in real seconds: `at_open` of the bench file.
DEAD_MAN_S = 3.0
#: Bench seconds without a heat reading that trip the bench: its interlock.
MISSING_S = 10
#: Bench seconds into the second point at which the cable is pulled.
PULLED_AFTER_S = 60

PROTOCOL = """
protocol = "three points"
[limits]
over_limit_c = 90
[[steps]]
kind = "soak"
heat_w = [150]
fan_pct = [40, 60, 80]
pump_pct = 100
equilibrium = { within_k = 2, at_most_min = 6 }
read_min = 1
order = "listed"
"""


@pytest.fixture
def wires(tmp_path):
    with running("--free-ports", f"--folder={tmp_path / 'wires'}", f"--speed={SPEED}") as bench:
        yield bench


@pytest.fixture
def control(wires) -> Iterator[Control]:
    with wires.control() as control:
        yield control


@pytest.fixture
def night(wires, enrolled, at_these_places):
    return enrolled(PROTOCOL, at_these_places(wires.places))


def play(night, on_tick: Callable[[Snapshot], None] | None = None) -> RunState:
    return night.play(PacedClock(SPEED), on_tick)


def once_in_the_second_point(act: Callable[[], None]) -> Callable[[Snapshot], None]:
    """Watches the run and acts once, in the middle of its second point."""
    began_s: dict[str, float] = {}

    def watch(snapshot: Snapshot) -> None:
        first = snapshot.stage not in began_s
        since_s = snapshot.t_s - began_s.setdefault(snapshot.stage, snapshot.t_s)
        if first or len(began_s) != 2 or since_s < PULLED_AFTER_S or "acted" in began_s:
            return
        began_s["acted"] = snapshot.t_s
        act()

    return watch


@contextmanager
def at_most(seconds: float) -> Iterator[None]:
    begun_s = real_s()
    yield
    assert real_s() - begun_s < seconds


def cold_within(control: Control, seconds: float) -> bool:
    """Whether the supply lets nothing through before so many real seconds have passed."""
    until_s = real_s() + seconds
    while control.status()["set_w"] > 0 and real_s() < until_s:
        time.sleep(0.02)
    return control.status()["set_w"] == 0


def test_three_good_points_over_the_wires_and_no_heat_afterwards(night, control):
    heat_seen = []
    assert play(night, lambda _: heat_seen.append(control.status()["heat_w"])) is RunState.COMPLETE
    points = night.points()
    # Soaked for minutes only: that a rise may still move is all that is held against any of them.
    assert {flag for point in points for flag in point.flags} <= {Flag.STILL_MOVING}
    assert [point.fan_pct for point in points] == [40, 60, 80]
    for point in points:
        # The load may be 0.4 % off, and takes 0.02 % less for each kelvin below 60 degC; its meter has errors too.
        assert point.heat_w == pytest.approx(150, abs=3)
        assert point.rise_k == pytest.approx(point.die_c - point.ambient_c, abs=0.1)
        assert point.resistance_k_per_w == pytest.approx(point.rise_k / point.heat_w, rel=1e-6)
        assert 20 < point.rise_k < 40
    assert points[0].level_dba < points[1].level_dba < points[2].level_dba
    assert max(heat_seen) == pytest.approx(150, abs=3)
    assert cold_within(control, 1.0), "told, not by its dead-man"
    assert night.asked("SELECT count(*) FROM sample WHERE flag <> 0") == [(0,)]
    assert night.asked("SELECT count(*) FROM channel WHERE run_id = ?", night.run)[0][0] >= 20
    assert night.asked("SELECT what FROM event WHERE kind = 'safe'")[0] == ("supply: heat_w 0: confirmed",)
    assert night.asked("PRAGMA integrity_check") == [("ok",)]


SAMPLES = """
    SELECT count(*), sum(flag = 0), sum(flag = 1), sum(value IS NULL) FROM sample
    JOIN channel ON channel.id = channel_id WHERE channel.name = '{channel}' AND t_ms {when}
"""

LAST_ANSWER = """
    SELECT max(t_ms) FROM sample JOIN channel ON channel.id = channel_id WHERE name = 'heat_w' AND flag = 0
"""
OTHERS = ("die_c", "ambient_c", "fan_rpm", "pump_rpm", "level_dba")


def assert_tripped(night, others_answer: bool = True) -> None:
    """The one defined end, whatever became of the supply."""
    assert night.asked("SELECT state FROM run") == [("tripped",)]
    reason = night.asked("SELECT reason FROM run")[0][0]
    assert night.latch() is not None
    assert night.latch().what == reason
    # What could not be read is missing, and nothing else is.
    lost_ms = night.asked(LAST_ANSWER)[0][0]
    last_ms = night.asked("SELECT max(t_ms) FROM sample")[0][0]
    ticks = (last_ms - lost_ms) // 1000
    assert MISSING_S < ticks <= MISSING_S + 2
    assert night.asked(SAMPLES.format(channel="heat_w", when=f"> {lost_ms}")) == [(ticks, 0, ticks, ticks)]
    assert night.asked(SAMPLES.format(channel="heat_w", when=f"<= {lost_ms}"))[0][2:] == (0, 0)
    for channel in OTHERS if others_answer else ():
        assert night.asked(SAMPLES.format(channel=channel, when=f"> {lost_ms}")) == [(ticks, ticks, 0, 0)]
    assert night.asked("SELECT count(*) FROM event WHERE kind = 'instrument_lost'")[0][0] >= 1
    # The first point stands, the second does not.
    assert [point.fan_pct for point in night.points()] == [40]
    assert night.asked("SELECT ending FROM step ORDER BY id") == [("settled",), ("tripped",)]
    assert night.asked("PRAGMA integrity_check") == [("ok",)]


def told_safe(night) -> dict[str, str]:
    """What became of each instrument in the safe state."""
    query = "SELECT substr(what, 1, instr(what, ':') - 1), kind FROM event WHERE kind LIKE '%safe'"
    return {str(name): str(kind) for name, kind in night.asked(query)}


def test_a_pulled_cable_trips_the_run_and_the_same_run_goes_on_once_it_is_in_again(night, control, capsys):
    with at_most(30):
        assert play(night, once_in_the_second_point(lambda: control.fault("supply", "unplugged"))) is RunState.TRIPPED
    assert_tripped(night)
    assert night.asked("SELECT reason FROM run") == [(f"heat_w has not been readable for {MISSING_S} s (missing)",)]
    assert told_safe(night) == {"supply": "not_safe", "board": "safe", "controller": "safe"}
    (told,) = night.asked("SELECT what FROM event WHERE kind = 'not_safe'")
    assert told[0].startswith("supply: heat_w 0: NOT CONFIRMED: supply at 127.0.0.1:")
    assert cold_within(control, DEAD_MAN_S + 1)
    assert control.status()["supply"] == "silence"
    first = night.points()

    # Nobody can tell the bench to be safe while the cable is out, and that is said.
    assert benchd(["make-safe", "--bench", str(night.file)]) == 1
    said = capsys.readouterr()
    assert "supply: heat_w 0: NOT CONFIRMED: supply at 127.0.0.1:" in said.out
    assert "board: fan_pct 100: confirmed" in said.out
    assert "switch the heater off by hand at its mains switch" in said.err

    # With the cable in it can; but the latch holds until somebody clears it.
    control.mend("supply")
    assert benchd(["make-safe", "--bench", str(night.file)]) == 0
    assert capsys.readouterr().out.splitlines()[0] == "supply: heat_w 0: confirmed"
    with pytest.raises(RunRefused, match="has not been cleared: heat_w has not been readable") as refused:
        play(night)
    assert refused.value.hint
    assert control.status()["set_w"] == 0

    night.writer.add_event(EventRow(bench="wired", utc=utc_now(), kind=CLEAR, what="cable mended", who="a person"))
    assert play(night) is RunState.COMPLETE
    points = night.points()
    assert points[:1] == first, "the first point was not measured twice"
    assert [point.fan_pct for point in points] == [40, 60, 80]
    assert {flag for point in points for flag in point.flags} <= {Flag.STILL_MOVING}
    attempts = night.asked("SELECT stage, max(attempt) FROM step GROUP BY stage ORDER BY min(id)")
    assert [attempt for _, attempt in attempts] == [1, 2, 1]
    assert night.asked("SELECT count(*), count(DISTINCT from_ms) FROM span") == [(2, 2)]
    assert cold_within(control, 1.0)


def test_a_bench_that_dies_altogether_comes_to_the_same_end(night, wires):
    with at_most(40):
        assert play(night, once_in_the_second_point(wires.kill)) is RunState.TRIPPED
    assert_tripped(night, others_answer=False)
    assert told_safe(night)["supply"] == "not_safe"
