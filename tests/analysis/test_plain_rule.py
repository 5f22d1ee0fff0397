"""The plain rule of equilibrium: what it judges, what it does with gaps, and how far from the end it lets a soak go."""

from __future__ import annotations

import math
import subprocess
import sys
import time
from collections.abc import Callable, Iterable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.analysis.equilibrium import PlainRule, Verdict


def heating(tau_s: float, end_k: float = 100.0) -> Callable[[float], float]:
    return lambda t: end_k * (1 - math.exp(-t / tau_s))


def first_settled(rule: PlainRule, curve: Callable[[float], float], until_s: int = 30_000) -> float:
    return next(float(t) for t in range(until_s) if rule.update(float(t), curve(t)).settled)


def feed(rule: PlainRule, samples: Iterable[tuple[float, float]]) -> Verdict:
    verdict = Verdict(False, None)
    for t_s, rise_k in samples:
        verdict = rule.update(t_s, rise_k)
    return verdict


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5])
def test_lumped_heating_curve(n: int) -> None:
    """1 - exp(-n) after n time constants, the textbook's lumped capacitance (for instance Cengel, Heat Transfer,
    chapter 4): this is the curve that the next test feeds."""
    share = {1: 0.63212, 2: 0.86466, 3: 0.95021, 4: 0.98168, 5: 0.99326}[n]
    assert heating(600.0, 1.0)(n * 600.0) == pytest.approx(share, abs=1e-5)


@pytest.mark.parametrize(
    ("tau_min", "change_k", "in_min", "remaining_k"),
    # How far from equilibrium a rule first passes with one time constant: change / (exp(in / tau) - 1), computed.
    # The rules are those of IEC 62368-1 B.1.6 (1 K in 5 min, 3 K in 30 min), IEC 60335-2-6 (1 K in 15 min),
    # IEC 60034-1 (2 K in 1 h) and IEC 60598 (1 K in 1 h).
    [
        (5, 1, 5, 0.58),
        (10, 1, 5, 1.54),
        (20, 1, 5, 3.52),
        (30, 1, 5, 5.51),
        (60, 1, 5, 11.51),
        (5, 1, 15, 0.05),
        (10, 1, 15, 0.29),
        (20, 1, 15, 0.90),
        (30, 1, 15, 1.54),
        (60, 1, 15, 3.52),
        (10, 1, 30, 0.05),
        (20, 1, 30, 0.29),
        (60, 1, 30, 1.54),
        (20, 3, 30, 0.86),
        (60, 3, 30, 4.62),
        (30, 2, 60, 0.31),
        (60, 2, 60, 1.16),
        (60, 1, 60, 0.58),
    ],
)
def test_how_far_from_equilibrium_it_first_passes(
    tau_min: float, change_k: float, in_min: float, remaining_k: float
) -> None:
    curve = heating(tau_min * 60)
    passed_s = first_settled(PlainRule(change_k, in_min * 60, average_s=5), curve)
    assert 100 - curve(passed_s) == pytest.approx(remaining_k, abs=0.01 + 0.01 * remaining_k)


def test_the_change_is_the_difference_of_two_means() -> None:
    verdict = feed(PlainRule(1.0, 300, average_s=60), ((float(t), 0.002 * t) for t in range(500)))
    assert verdict.change_k == pytest.approx(0.6, abs=1e-6)
    assert verdict.settled


def test_just_the_change_is_not_less_than_it() -> None:
    verdict = feed(PlainRule(0.5, 300, average_s=60), ((float(t), float(t >= 380) / 2) for t in range(500)))
    assert verdict == Verdict(False, 0.5)


def test_falling_counts_like_rising() -> None:
    assert not feed(PlainRule(1.0, 300), ((float(t), -0.01 * t) for t in range(1000))).settled


def test_says_nothing_before_both_windows_lie_after_the_start() -> None:
    rule = PlainRule(1.0, 300, average_s=60)
    assert not feed(rule, ((float(t), 40.0) for t in range(360))).settled
    assert rule.update(360.0, 40.0) == Verdict(True, 0.0)


@pytest.mark.parametrize(("missing", "settled"), [(10, True), (14, False)])
def test_a_fifth_of_a_window_may_be_missing(missing: int, settled: bool) -> None:
    """12 of 60 samples may be gaps; in the recent window, then the same gaps in the earlier one."""
    rule = PlainRule(1.0, 300, average_s=60)
    gap = range(500, 500 + missing)
    samples = ((float(t), math.nan if t in gap else 40.0) for t in range(530))
    assert feed(rule, samples).settled is settled
    assert feed(rule, ((float(t), 40.0) for t in range(530, 600))).settled
    assert feed(rule, ((float(t), 40.0) for t in range(600, 830))).settled is settled


def test_ticks_that_never_came_are_missing_too() -> None:
    rule = PlainRule(1.0, 300, average_s=60)
    assert feed(rule, ((float(t), 40.0) for t in range(500))).settled
    assert not rule.update(550.0, 40.0).settled


def test_an_infinite_reading_is_a_gap() -> None:
    rule = PlainRule(1.0, 300, average_s=60)
    assert feed(rule, ((float(t), math.inf if t == 480 else 40.0) for t in range(500))) == Verdict(True, 0.0)


def test_windows_may_overlap() -> None:
    verdict = feed(PlainRule(0.5, 30, average_s=60), ((float(t), 0.01 * t) for t in range(300)))
    assert verdict.change_k == pytest.approx(0.3, abs=1e-6)


@pytest.mark.parametrize("t_s", [9.0, 10.0, math.nan, math.inf, -math.inf])
def test_time_has_to_advance(t_s: float) -> None:
    rule = PlainRule(1.0, 300)
    rule.update(10.0, 1.0)
    with pytest.raises(ValueError, match="advance"):
        rule.update(t_s, 1.0)


@pytest.mark.parametrize("arguments", [(0, 300, 60), (1, 0, 60), (1, 300, -1), (math.nan, 300, 60), (1, math.inf, 60)])
def test_refuses(arguments: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="must be above 0"):
        PlainRule(*arguments)


@settings(max_examples=20)
@given(
    st.lists(st.one_of(st.floats(-50, 150), st.just(math.nan)), min_size=80, max_size=160),
    st.lists(st.sampled_from([0.5, 1.0, 2.0]), min_size=160, max_size=160),
)
def test_agrees_with_the_definition(rises: list[float], gaps_s: list[float]) -> None:
    """Every verdict against the two means taken anew from all samples."""
    rule = PlainRule(5.0, 40, average_s=20)
    history: list[tuple[float, float]] = []
    t_s = 0.0
    for rise_k, gap_s in zip(rises, gaps_s, strict=False):
        t_s += gap_s
        history.append((t_s, rise_k))
        change_k = rule.update(t_s, rise_k).change_k
        if change_k is None:
            continue
        recent = [x for t, x in history if t_s - 20 < t and not math.isnan(x)]
        earlier = [x for t, x in history if t_s - 60 < t <= t_s - 40 and not math.isnan(x)]
        assert change_k == pytest.approx(sum(recent) / len(recent) - sum(earlier) / len(earlier), abs=2e-6)


def test_does_not_drift_after_a_wild_reading() -> None:
    """Sums that are added to and taken from remember nothing of a value that has left the window."""
    rule = PlainRule(0.5, 300, average_s=60)
    feed(rule, ((float(t), 1e12 if t == 100 else 0.1) for t in range(1000)))
    assert rule.update(1000.0, 0.1) == Verdict(True, 0.0)


def test_is_cheap_enough_for_every_tick_of_a_night() -> None:
    """A tenth of a night, with room for a busy machine: some 2 us are usual."""
    rule = PlainRule(0.5, 900)
    begun = time.process_time()
    for t in range(8000):
        rule.update(float(t), 40.0)
    assert (time.process_time() - begun) / 8000 < 20e-6


def test_equilibrium_and_acoustics_are_light_to_import() -> None:
    code = (
        "import sys, benchd.analysis.equilibrium, benchd.analysis.over_sink, benchd.analysis.acoustics;"
        "print([name for name in sys.modules if name.split('.')[0] in {'scipy', 'matplotlib', 'pydantic'}])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
