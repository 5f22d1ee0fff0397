"""The die over its sink, through a sensor of whole degrees: where it ends, how sure that is, and when it parts."""

from __future__ import annotations

import math
import tracemalloc

import numpy as np
import pytest

from benchd.analysis.over_sink import AFTER_S, Over, OverSink
from benchd.analysis.uncertainty import t95

SINK_K, SINK_S = 20.0, 250.0


def sink_left(t_s: np.ndarray) -> np.ndarray:
    """A sink on its way to an end 20 K above the air [K]."""
    return -SINK_K * np.exp(-np.asarray(t_s) / SINK_S)


def collected(
    seconds: int, seed: int, *, end_k: float = 24.3, follows: float = 0.02, noise_k: float = 0.5, step_k: float = 1.0
) -> OverSink:
    """A die that comes to its end as its sink does, but for the share that it follows it by."""
    over, rng = OverSink(step_k, 200.0), np.random.default_rng(seed)
    for t in range(seconds):
        true_k = end_k * (1 - math.exp(-t / 10)) + follows * float(sink_left(np.array(t)))
        over.put(float(t), step_k * round((true_k + rng.normal(0, noise_k)) / step_k), 200.0)
    return over


def known(over: OverSink) -> Over:
    found = over.look(sink_left)
    assert found is not None
    return found


def test_the_end_lies_in_its_interval_as_often_as_it_says() -> None:
    """Of 200 ends at random places between two steps of the display, 19 in 20; minutes before the sink is there."""
    rng, off, inside = np.random.default_rng(2), [], 0
    for seed in range(200):
        end_k, follows = rng.uniform(15, 40), rng.normal(0, 0.03)
        found = known(collected(420, seed, end_k=end_k, follows=follows, noise_k=rng.uniform(0.35, 1)))
        assert found.fits or seed not in range(100)
        u_k = math.hypot(found.u_std_k, found.steps_k)
        off.append((found.final_k - end_k) / u_k)
        inside += abs(found.final_k - end_k) <= t95(math.inf) * u_k
    assert inside >= 184
    assert 0.5 < np.std(off) < 1.1


def test_the_part_that_goes_as_the_sink_does_is_not_taken_for_an_end() -> None:
    found = known(collected(500, 1, follows=0.05))
    seen_k = 24.3 + 0.05 * float(sink_left(np.array(499.0)))
    assert found.final_k == pytest.approx(24.3, abs=0.2)
    assert found.left_k == pytest.approx(seen_k - 24.3, abs=0.1)
    assert found.fits


def test_a_die_that_goes_its_own_way_does_not_fit() -> None:
    over, rng = OverSink(1.0, 200.0), np.random.default_rng(3)
    for t in range(1200):
        parting_k = max(0.0, (t - 600) / 600)
        over.put(float(t), round(24.3 + parting_k + rng.normal(0, 0.5)), 200.0)
    assert not known(over).fits


def test_watts_that_creep_are_taken_off() -> None:
    """The end is told for the watts that were set, as the sink's is."""
    over, rng = OverSink(1.0, 200.0), np.random.default_rng(4)
    for t in range(900):
        heat_w = 200 * (1.03 + 0.02 * t / 900)
        over.put(float(t), round(24.3 * heat_w / 200 + rng.normal(0, 0.5)), heat_w)
    found = known(over)
    assert found.final_k == pytest.approx(24.3, abs=0.12)
    assert found.fits


def test_a_display_that_stands_still_tells_no_more_than_its_step() -> None:
    over = OverSink(1.0, 200.0)
    for t in range(900):
        over.put(float(t), 24.0, 200.0)
    found = known(over)
    assert found.final_k == pytest.approx(24.0)
    assert found.u_std_k < 0.15
    assert 0.2 < found.steps_k < 1 / math.sqrt(12)


def test_nothing_is_said_while_the_die_itself_warms_up_nor_where_the_sink_is_not_known() -> None:
    over = collected(int(AFTER_S) + 20, 5)
    assert over.look(sink_left) is None
    whole = collected(900, 5)
    assert whole.look(lambda t_s: np.full(t_s.shape, math.nan)) is None
    late = whole.look(lambda t_s: np.where(t_s < 600, math.nan, sink_left(t_s)))
    assert late is not None
    assert late.u_std_k > known(whole).u_std_k


def test_gaps_are_left_out() -> None:
    over, rng = OverSink(1.0, 200.0), np.random.default_rng(6)
    for t in range(900):
        shown = math.nan if t % 3 else round(24.3 + rng.normal(0, 0.5))
        over.put(float(t), shown, math.nan if t % 2 else 200.0)
    assert known(over).final_k == pytest.approx(24.3, abs=0.15)


def test_a_day_takes_no_more_memory_than_some_hours_and_loses_nothing() -> None:
    over, rng = OverSink(1.0, 200.0), np.random.default_rng(7)
    noise = rng.normal(0, 0.5, 86_400)
    tracemalloc.start()
    sizes = []
    for t in range(86_400):
        over.put(float(t), round(24.3 + noise[t]), 200.0)
        if t in (20_000, 86_399):
            sizes.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    assert sizes[1] < 1.5 * sizes[0]
    found = known(over)
    assert found.final_k == pytest.approx(24.3, abs=0.05)
    assert found.u_std_k < 0.005


def test_it_refuses_a_step_below_0() -> None:
    with pytest.raises(ValueError, match="resolution_k"):
        OverSink(-1.0, 200.0)
