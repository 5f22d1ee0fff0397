"""Design part 4, rule 2: time is a parameter; the three clocks run the same engine, steps and writer."""

from __future__ import annotations

import re
import time
from datetime import UTC, datetime
from itertools import pairwise

import pytest

from benchd.clock import PacedClock, SystemClock, VirtualClock
from benchd.running.states import RunState
from benchd.store.writer import Writer

EVENING = datetime(2026, 11, 20, 21, 0, tzinfo=UTC)

TWO_STEPS = """
[[steps]]
kind = "dwell"
for_min = 0.1
heat_w = 100
[[steps]]
kind = "cool_down"
to_within_k = 90
at_most_min = 1
"""


def test_virtual_and_paced_time_give_the_same_samples(night, tmp_path) -> None:
    night.enroll(TWO_STEPS)
    assert night.play(VirtualClock(EVENING)) is RunState.COMPLETE
    with Writer.open(tmp_path / "other.db", durable=False) as writer:
        other = type(night)(writer, writer.path, night.bench)
        other.enroll(TWO_STEPS)
        assert other.play(PacedClock(200, EVENING)) is RunState.COMPLETE
        for channel in ("die_c", "level_dba", "heat_w"):
            assert other.samples(channel) == night.samples(channel)
        assert other.played == night.played
        assert [s.started_ms for s in other.steps] == [s.started_ms for s in night.steps]


TENTHS = ("tick_s = 1.0", "tick_s = 0.1")


def test_system_time_gives_the_same_steps_and_ticks(bench_of, night) -> None:
    night.bench = bench_of(TENTHS)
    steps = '[[steps]]\nkind = "dwell"\nfor_min = 0.015\nheat_w = 100\n'
    night.enroll(steps)
    night.play(VirtualClock(EVENING))
    virtual = night.played, [t_ms for t_ms, _, _ in night.samples("die_c")]
    night.enroll(steps)
    night.play(SystemClock())
    assert night.played == virtual[0]
    ticks = [t_ms for t_ms, _, _ in night.samples("die_c")]
    # Real ticks come some ms late, so the last may fall just short of the end, and one more is needed.
    assert len(ticks) - len(virtual[1]) in (0, 1)
    assert ticks[: len(virtual[1])] == pytest.approx(virtual[1], abs=90)


def test_system_time_skips_the_ticks_that_something_took_and_says_so(bench_of, real_night) -> None:
    real_night.bench = bench_of(TENTHS, real=True)
    real_night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 0.015\n')
    ticks_seen = []

    def once_slow(*_: object) -> None:
        ticks_seen.append(1)
        if len(ticks_seen) == 3:
            time.sleep(0.36)

    assert real_night.play(SystemClock(), on_tick=once_slow) is RunState.COMPLETE
    ticks = [t_ms for t_ms, _, _ in real_night.samples("level_dba")]
    assert max(later - earlier for earlier, later in pairwise(ticks)) >= 360
    assert len(ticks) <= 9  # of 11, had none been skipped
    # After the gap the ticks fall on the grid again, where they would have fallen anyway.
    assert all(abs(t_ms - 100 * round(t_ms / 100)) < 50 for t_ms in ticks[5:])
    (said,) = real_night.said("ticks_late")
    late, ticks_in_all, at_most_ms, skipped = map(int, re.findall(r"[0-9]+", said))
    assert 1 <= late < ticks_in_all == len(ticks)
    assert 150 <= at_most_ms < 360
    assert skipped in (2, 3)


def test_ticks_in_time_are_not_said_to_be_late(night) -> None:
    night.enroll(TWO_STEPS)
    night.play(PacedClock(200, EVENING))
    night.enroll(TWO_STEPS)
    night.play(VirtualClock(EVENING))
    assert night.said("ticks_late") == []


def test_an_instrument_that_stops_answering_costs_the_others_no_tick(bench_of, parts, real_night) -> None:
    real_night.bench = bench_of(TENTHS, real=True)
    real_night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 0.03\n')
    parts["meter"].read = lambda _t_s: parts.block() if len(parts["meter"].reads) > 3 else {"level_dba": 35.0}
    assert real_night.play(SystemClock()) is RunState.COMPLETE
    ticks = [t_ms for t_ms, _, _ in real_night.samples("die_c")]
    assert max(later - earlier for earlier, later in pairwise(ticks)) < 200
    assert all("skipped" not in said for said in real_night.said("ticks_late"))


@pytest.mark.parametrize("clock", [VirtualClock, lambda at: PacedClock(200, at)], ids=["virtual", "paced"])
def test_bench_time_stands_still_until_every_instrument_has_answered(clock, parts, real_night) -> None:
    real_night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 0.1\n')

    def in_its_own_time(t_s: float):
        time.sleep(0.03)  # six bench seconds of paced time
        return {"level_dba": t_s}

    parts["meter"].read = in_its_own_time
    assert real_night.play(clock(EVENING)) is RunState.COMPLETE
    assert [t_ms for t_ms, _, _ in real_night.samples("level_dba")] == [1000 * s for s in range(7)]


def test_deadlines_are_real_seconds_under_the_virtual_clock(parts, real_night) -> None:
    real_night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 0.05\n')
    parts["meter"].read = parts.block
    began_s = time.monotonic()
    assert real_night.play(VirtualClock(EVENING)) is RunState.COMPLETE
    # One real deadline of 0.05 s, then the meter is known to be busy and costs nothing more.
    assert 0.05 <= time.monotonic() - began_s < 0.5
    assert [(t_ms, flag) for t_ms, _, flag in real_night.samples("level_dba")] == [
        (1000 * s, "missing") for s in range(4)
    ]


def test_drivers_are_given_the_bench_time_of_each_tick(parts, real_night) -> None:
    real_night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 0.05\n')
    real_night.play(VirtualClock(EVENING))
    assert parts["meter"].reads == parts["probe"].reads == [0.0, 1.0, 2.0, 3.0]
