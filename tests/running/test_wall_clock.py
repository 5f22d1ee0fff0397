"""Design part 7: `t_ms` counts bench time and never goes back; `span` says what the wall clock showed when."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta

import pytest

import benchd.running.engine
from benchd.clock import SystemClock, VirtualClock
from benchd.errors import BenchdError
from benchd.running.states import RunState
from benchd.store import queries

EVENING = datetime(2026, 11, 20, 21, 0, tzinfo=UTC)
DWELL = '[[steps]]\nkind = "dwell"\nfor_min = 0.5\nheat_w = 20\n'


class JumpingClock(VirtualClock):
    """A clock whose wall time jumps at a bench time."""

    def __init__(self, at_s: float, by: timedelta) -> None:
        super().__init__(EVENING)
        self._at_s, self._by = at_s, by

    def utc(self) -> datetime:
        return super().utc() + (self._by if self.now_s() >= self._at_s else timedelta())


def spans(night) -> list[tuple[int, datetime]]:
    with queries.reader(night.path) as connection:
        return [(row.from_ms, row.utc) for row in queries.spans(connection, night.run_id)]


def shown(night) -> dict[int, datetime]:
    """Bench time [ms] -> the wall time that `sample_named` shows."""
    rows = night.ask(
        "SELECT round(t_s * 1000), utc FROM sample_named WHERE run = :run AND channel = 'die_c' ORDER BY t_s",
        run=night.run_id,
    )
    return {int(t_ms): datetime.fromisoformat(utc) for t_ms, utc in rows}


@pytest.mark.parametrize("by", [timedelta(hours=1), timedelta(hours=-1), timedelta(seconds=-5)])
def test_a_clock_jump_gives_a_new_span_and_an_event_and_bench_time_goes_on(night, by) -> None:
    night.enroll(DWELL)
    assert night.play(JumpingClock(10.0, by)) is RunState.COMPLETE
    ten = EVENING + timedelta(seconds=10)
    assert spans(night) == [(0, EVENING), (10_000, ten + by)]
    assert night.said("clock_jump") == [f"the wall clock jumped by {by.total_seconds():+.1f} s"]
    assert list(shown(night)) == list(range(0, 31_000, 1000))


def test_utc_is_right_in_sample_named_before_and_after_a_jump(night) -> None:
    night.enroll(DWELL)
    night.play(JumpingClock(10.0, timedelta(hours=-1)))
    utc = shown(night)
    assert utc[9000] == EVENING + timedelta(seconds=9)
    assert utc[10_000] == EVENING + timedelta(seconds=10, hours=-1)
    assert utc[30_000] == EVENING + timedelta(seconds=30, hours=-1)


def test_events_after_a_jump_carry_the_new_wall_time(night) -> None:
    night.enroll(DWELL)
    night.play(JumpingClock(10.0, timedelta(hours=1)))
    assert next(e.utc for e in night.events if e.kind == "complete") == EVENING + timedelta(seconds=30, hours=1)


def test_a_wall_clock_that_is_set_by_less_than_two_seconds_is_no_jump(night) -> None:
    night.enroll(DWELL)
    night.play(JumpingClock(10.0, timedelta(seconds=1.5)))
    assert len(spans(night)) == 1


def test_a_restart_gives_a_new_span_and_bench_time_goes_on_after_what_is_there(night) -> None:
    def fails(snapshot, _engine) -> None:
        if snapshot.t_s == 12:
            raise BenchdError("an engine ends here")

    night.enroll(DWELL)
    with pytest.raises(BenchdError):
        night.play(on_tick=fails)
    later = EVENING + timedelta(minutes=20)
    assert night.play(VirtualClock(later)) is RunState.COMPLETE
    assert spans(night) == [(0, EVENING), (13_000, later)]
    times = list(shown(night).items())
    assert [t_ms for t_ms, _ in times] == sorted({t_ms for t_ms, _ in times})
    assert times[12] == (12_000, EVENING + timedelta(seconds=12))
    assert times[13] == (13_000, later)


def test_bench_time_never_goes_back_even_when_a_restart_finds_an_earlier_wall_clock(night) -> None:
    def fails(snapshot, _engine) -> None:
        if snapshot.t_s == 12:
            raise BenchdError("an engine ends here")

    night.enroll(DWELL)
    with pytest.raises(BenchdError):
        night.play(on_tick=fails)
    assert night.play(VirtualClock(EVENING - timedelta(days=1))) is RunState.COMPLETE
    started = [step.started_ms for step in night.steps]
    assert started == sorted(started)
    assert started[1] == 13_000


@pytest.mark.parametrize(
    ("slow", "shown_then"), [("load", {"heat_w": 100.0}), ("probe", {"die_c": 40.0, "ambient_c": 22.0})]
)
def test_an_instrument_that_answers_late_makes_no_clock_jump(
    parts, real_night, bench_of, monkeypatch, slow, shown_then
) -> None:
    """Bench time and wall time go on while it is asked: read at two moments, they would seem to part."""
    monkeypatch.setattr(benchd.running.engine, "JUMP_S", 0.3)

    def late(_t_s: float) -> dict[str, float]:
        time.sleep(0.5)
        return shown_then

    parts[slow].read = late
    real_night.bench = bench_of(("deadline_s = 0.05", "deadline_s = 0.9"), real=True)
    real_night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 0.02\n')
    assert real_night.play(SystemClock()) is RunState.COMPLETE
    assert real_night.said("clock_jump") == []
    assert len(spans(real_night)) == 1
    for channel in shown_then:
        samples = real_night.samples(channel)
        assert len(samples) >= 2
        assert {flag for _, _, flag in samples} == {"ok"}, "late, but within its deadline"
