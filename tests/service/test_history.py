"""The means of the last minutes of each channel: what was missing is a gap, and nothing grows."""

from __future__ import annotations

import pytest

from benchd.instruments import SampleFlag
from benchd.running.sampler import Sample
from benchd.service.history import MINUTES_KEPT, History


def sample(value: float | None, channel: str = "die_c", flag: SampleFlag = SampleFlag.OK) -> Sample:
    return Sample(channel, value, flag)


def fed(*readings: tuple[float, float | None]) -> History:
    history = History()
    for t_s, value in readings:
        history.take(t_s, [sample(value, flag=SampleFlag.OK if value is not None else SampleFlag.MISSING)])
    return history


def test_nothing_read_yet():
    assert History().of("die_c") == []


def test_each_minute_is_the_mean_of_its_readings():
    history = fed((0.0, 20.0), (30.0, 22.0), (59.9, 24.0), (60.0, 30.0), (119.0, 40.0), (120.0, 50.0))
    assert history.of("die_c") == [22.0, 35.0, 50.0]
    assert history.of("ambient_c") == []


def test_what_was_missing_is_a_gap():
    history = fed((0.0, 20.0), (60.0, None), (120.0, 30.0), (400.0, 40.0))
    assert history.of("die_c") == [20.0, None, 30.0, None, None, None, 40.0]


@pytest.mark.parametrize("flag", [SampleFlag.GARBLED, SampleFlag.OUT_OF_RANGE, SampleFlag.MISSING])
def test_only_good_values_count(flag: SampleFlag):
    history = History()
    history.take(0.0, [sample(20.0)])
    history.take(1.0, [sample(999.0, flag=flag)])
    assert history.of("die_c") == [20.0]


def test_no_more_than_the_last_minutes_are_kept():
    history = fed(*((60.0 * minute, float(minute)) for minute in range(100)))
    assert history.of("die_c") == [float(minute) for minute in range(100 - MINUTES_KEPT, 100)]


def test_a_long_pause_leaves_nothing_but_gaps_and_takes_no_time():
    history = fed((0.0, 20.0), (1e9, 30.0))
    assert history.of("die_c") == [None] * (MINUTES_KEPT - 1) + [30.0]


def test_a_channel_that_comes_later_begins_then():
    history = History()
    history.take(0.0, [sample(20.0)])
    history.take(60.0, [sample(21.0), sample(40.0, "coolant_c")])
    assert history.of("die_c") == [20.0, 21.0]
    assert history.of("coolant_c") == [40.0]


def test_a_channel_that_comes_no_more_is_gaps_and_then_gone():
    history = History()
    history.take(0.0, [sample(20.0), sample(40.0, "coolant_c")])
    for minute in range(1, MINUTES_KEPT + 2):
        history.take(60.0 * minute, [sample(20.0)])
    assert history.of("coolant_c") in ([], [None] * MINUTES_KEPT)


def test_bench_time_that_goes_back_begins_a_new_history():
    history = fed((0.0, 20.0), (600.0, 30.0), (5.0, 40.0))
    assert history.of("die_c") == [40.0]


def test_within_a_minute_it_may_go_back():
    assert fed((30.0, 20.0), (20.0, 40.0)).of("die_c") == [30.0]
