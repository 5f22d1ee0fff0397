"""The three clocks: what bench time does while it is waited for, and while it is not."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta

import pytest

from benchd.clock import Clock, PacedClock, SystemClock, VirtualClock

EVENING = datetime(2026, 11, 20, 21, 0, tzinfo=UTC)


def test_virtual_time_jumps_to_where_it_is_waited_for() -> None:
    clock, began_s = VirtualClock(EVENING), time.monotonic()
    assert clock.wait_until(36_000.0) == 36_000.0
    assert time.monotonic() - began_s < 1
    assert clock.now_s() == 36_000.0
    assert clock.utc() == EVENING + timedelta(hours=10)


@pytest.mark.parametrize("clock", [VirtualClock(), PacedClock(1000)], ids=["virtual", "paced"])
def test_bench_time_stands_still_while_nobody_waits_for_it(clock: Clock) -> None:
    clock.wait_until(1.0)
    time.sleep(0.02)
    assert clock.now_s() == 1.0


@pytest.mark.parametrize("clock", [VirtualClock(), PacedClock(1000), SystemClock()], ids=["virtual", "paced", "system"])
def test_bench_time_never_goes_back(clock: Clock) -> None:
    later_s = clock.wait_until(0.02)
    assert later_s >= 0.02
    assert clock.wait_until(0.01) >= later_s
    assert clock.now_s() >= later_s


def test_paced_time_passes_as_many_times_as_fast_as_asked() -> None:
    clock, began_s = PacedClock(100), time.monotonic()
    for t_s in range(1, 21):
        assert clock.wait_until(t_s) == t_s
    assert 0.2 <= time.monotonic() - began_s < 1


def test_paced_time_that_is_late_neither_skips_nor_catches_up_in_a_burst() -> None:
    clock = PacedClock(50)
    clock.wait_until(1.0)
    time.sleep(0.1)  # an instrument takes as long as five bench seconds
    assert clock.wait_until(2.0) == 2.0
    began_s = time.monotonic()
    assert clock.wait_until(3.0) == 3.0
    assert time.monotonic() - began_s >= 0.018


def test_system_time_goes_on_by_itself_and_says_how_late_it_is() -> None:
    clock = SystemClock()
    time.sleep(0.03)
    assert clock.wait_until(0.01) >= 0.03
    assert abs((clock.utc() - datetime.now(UTC)).total_seconds()) < 1


@pytest.mark.parametrize("speed", [0, -1, float("nan")])
def test_a_speed_that_is_no_speed_is_refused(speed: float) -> None:
    with pytest.raises(ValueError, match="speed must be above 0"):
        PacedClock(speed)
