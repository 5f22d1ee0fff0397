"""The detector on single soaks: what it says when, and what must not fool it.

Plants are drawn here by formula, so that their end is known. What random ones show is `test_equilibrium_plants`, what
was measured by somebody `test_equilibrium_world`.
"""

from __future__ import annotations

import math
import tracemalloc
from collections.abc import Iterator

import numpy as np
import pytest
from numpy.typing import NDArray

from benchd.analysis.equilibrium import Equilibrium, EquilibriumDetector

Floats = NDArray[np.float64]

HOUR_S = np.arange(3600.0)
NOISE_K = np.random.default_rng(3).normal(0, 0.05, HOUR_S.size)


def heated(t_s: Floats, end_k: float = 40.0, fast_s: float = 10.0, slow_s: float = 200.0) -> Floats:
    return np.asarray(end_k * (1 - 0.25 * np.exp(-t_s / fast_s) - 0.75 * np.exp(-t_s / slow_s)))


def shown(x_k: Floats, step_k: float = 0.1) -> Floats:
    return np.asarray(np.round(x_k / step_k) * step_k)


def lagged(x: Floats, lag_s: float) -> Floats:
    """First-order lag at 1 Hz, from rest."""
    seen, out = x[0], []
    for value in x.tolist():
        seen += (value - seen) * -math.expm1(-1 / lag_s)
        out.append(seen)
    return np.array(out)


def told(
    t_s: Floats,
    rise_k: Floats,
    detector: EquilibriumDetector | None = None,
    ambient_c: Floats | None = None,
    heat_w: Floats | None = None,
    fan_pct: Floats | None = None,
) -> Iterator[Equilibrium]:
    watched = detector or EquilibriumDetector()
    beside = [series if series is not None else [None] * len(t_s) for series in (ambient_c, heat_w, fan_pct)]
    for t, x, *rest in zip(t_s, rise_k, *beside, strict=True):
        yield watched.update(float(t), float(x), *(None if value is None else float(value) for value in rest))


def ends(states: list[Equilibrium]) -> list[int]:
    """The samples at which an end is claimed."""
    return [at for at, now in enumerate(states) if now.state in ("predicted", "settled")]


# --- the interface


def test_nothing_is_known_before_anything_was_seen() -> None:
    first = EquilibriumDetector().update(0.0, 0.0)
    assert first.state == "settling"
    assert math.isnan(first.final_k)
    assert first.half_width_k == math.inf
    assert first.remaining_s is None


@pytest.mark.parametrize(
    ("option", "value"),
    [
        ("tolerance_k", 0.0),
        ("tolerance_k", math.inf),
        ("confidence", 0.5),
        ("confidence", 1.0),
        ("resolution_k", -0.1),
        ("slow_tail_k", -1.0),
        ("slow_tail_k", math.nan),
        ("heat_set_w", -5.0),
        ("heat_set_w", math.nan),
    ],
)
def test_what_makes_no_sense_is_refused(option: str, value: float) -> None:
    with pytest.raises(ValueError, match=option):
        EquilibriumDetector(**{option: value})


@pytest.mark.parametrize("then_s", [9.0, 10.0, math.nan, math.inf])
def test_time_must_advance(then_s: float) -> None:
    detector = EquilibriumDetector()
    detector.update(10.0, 1.0)
    with pytest.raises(ValueError, match="time has to advance"):
        detector.update(then_s, 1.0)


def test_a_restart_lies_not_before_the_last_sample() -> None:
    detector = EquilibriumDetector()
    detector.update(10.0, 1.0)
    detector.restart(10.0)
    with pytest.raises(ValueError, match="must not go back"):
        detector.restart(9.0)


def test_an_end_is_predicted_before_it_is_reached() -> None:
    states = list(told(HOUR_S, shown(heated(HOUR_S) + NOISE_K)))
    first = ends(states)[0]
    now = states[first]
    assert now.state == "predicted"
    assert abs(now.final_k - 40) <= now.half_width_k <= 0.2
    assert heated(HOUR_S)[first] < 39.5
    assert now.remaining_s is not None
    assert 0 < now.remaining_s < 1200
    assert states[-1].state == "settled"
    assert states[-1].remaining_s == 0
    assert abs(states[-1].final_k - 40) < 0.05


def test_remaining_time_is_until_the_tolerance_is_reached() -> None:
    states = list(told(HOUR_S, heated(HOUR_S), EquilibriumDetector(resolution_k=0.01, slow_tail_k=0.0)))
    first = next(at for at, now in enumerate(states) if now.state == "predicted")
    truth_s = 200 * math.log(30 / 0.2) - first
    assert states[first].remaining_s == pytest.approx(truth_s, rel=0.1)


def test_cooling_is_heating_upside_down() -> None:
    up = list(told(HOUR_S, heated(HOUR_S) + NOISE_K))
    down = list(told(HOUR_S, 60 - heated(HOUR_S) - NOISE_K))
    assert [now.state for now in up] == [now.state for now in down]
    assert down[-1].final_k == pytest.approx(60 - up[-1].final_k, abs=1e-6)


def test_a_restart_forgets() -> None:
    detector = EquilibriumDetector()
    list(told(HOUR_S[:1800], shown(heated(HOUR_S) + NOISE_K)[:1800], detector))
    detector.restart(1799.0)
    states = list(told(HOUR_S[1800:], shown(20 + heated(HOUR_S) / 2 + NOISE_K)[:1800], detector))
    assert states[0].state == "settling"
    assert ends(states)[0] > 300
    assert states[-1].final_k == pytest.approx(40, abs=0.1)


def test_a_stated_slow_mode_delays_an_end_and_none_does_not() -> None:
    rise = shown(heated(HOUR_S, slow_s=90.0) + NOISE_K)
    without = ends(list(told(HOUR_S, rise, EquilibriumDetector(slow_tail_k=0.0))))[0]
    usual = ends(list(told(HOUR_S, rise)))[0]
    large = ends(list(told(HOUR_S, rise, EquilibriumDetector(slow_tail_k=1.0))))[0]
    assert without < usual - 60 < large


def test_a_higher_confidence_takes_longer() -> None:
    rise = shown(heated(HOUR_S) + NOISE_K)
    firsts = [ends(list(told(HOUR_S, rise, EquilibriumDetector(confidence=c))))[0] for c in (0.8, 0.95, 0.999)]
    assert firsts == sorted(set(firsts))


@pytest.mark.parametrize("tick_s", [0.05, 0.5, 1.0, 5.0, 10.0])
def test_any_tick_will_do(tick_s: float) -> None:
    t_s = np.arange(0, 1500, tick_s)
    noise = np.random.default_rng(1).normal(0, 0.03, t_s.size)
    states = list(told(t_s, shown(heated(t_s, slow_s=120.0) + noise)))
    claimed = ends(states)
    assert claimed
    assert all(abs(states[at].final_k - 40) < 0.3 for at in claimed)


def test_gaps_are_allowed() -> None:
    rise = shown(heated(HOUR_S) + NOISE_K)
    rise[200:500] = math.nan
    rise[::7] = math.nan
    states = list(told(HOUR_S, rise))
    assert abs(states[-1].final_k - 40) < 0.05
    assert all(abs(states[at].final_k - 40) <= 0.3 for at in ends(states))


@pytest.mark.parametrize("nothing", [math.nan, math.inf])
def test_a_gap_in_what_is_told_beside_is_one(nothing: float) -> None:
    air_c, heat_w, fan_pct = (np.where(HOUR_S % 50 == 7, nothing, value) for value in (22.0, 200.0, 60.0))
    rise = shown(heated(HOUR_S) + NOISE_K)
    gapped = list(told(HOUR_S, rise, None, air_c, heat_w, fan_pct))[-1]
    assert gapped.state == "settled"
    assert abs(gapped.final_k - 40) < gapped.half_width_k


def test_nothing_but_gaps_says_nothing() -> None:
    states = list(told(HOUR_S, np.full(HOUR_S.size, math.nan)))
    assert {now.state for now in states} == {"settling"}


def test_a_rise_that_never_moved_is_settled_when_nothing_slow_can_come() -> None:
    states = list(told(HOUR_S, shown(20 + NOISE_K)))
    assert states[-1].state == "settled"
    assert ends(states)[0] > 300


def test_memory_is_bounded() -> None:
    x, held = shown(20 + NOISE_K), []
    tracemalloc.start()
    try:
        detector = EquilibriumDetector()
        for hour in range(6):
            for _ in told(hour * 3600 + HOUR_S, x, detector, 22 + 0 * x, 200 + 0 * x):
                pass
            held.append(tracemalloc.get_traced_memory()[0])
    finally:
        tracemalloc.stop()
    assert held[5] - held[1] < 100_000


def test_memory_is_bounded_when_much_is_forgotten() -> None:
    steps, held = np.tile(np.repeat([20.0, 25.0], 600), 3) + NOISE_K, []
    tracemalloc.start()
    try:
        detector = EquilibriumDetector()
        for hour in range(8):
            for _ in told(hour * 3600 + HOUR_S, shown(steps), detector):
                pass
            held.append(tracemalloc.get_traced_memory()[0])
    finally:
        tracemalloc.stop()
    assert held[7] - held[1] < 20_000


# --- air and watts that move


def ventilated(amplitude_k: float) -> Floats:
    return np.asarray(22 + amplitude_k * np.sin(2 * np.pi * HOUR_S / 1200 + 1))


def test_the_air_does_not_leak_into_the_end() -> None:
    """Die less air of the same second lets most of a 20-minute cycle through: with a lag of 200 s, 72 % of it."""
    air = ventilated(0.5)
    rise = shown(heated(HOUR_S) + lagged(air, 200.0) + NOISE_K) - shown(air, 0.01)
    swing = np.ptp(rise[1800:])
    assert swing > 0.65
    states = list(told(HOUR_S, rise, ambient_c=air))
    off = [abs(states[at].final_k - 40) for at in ends(states)]
    assert off
    assert max(off) < 0.25
    assert abs(states[-1].final_k - 40) < 0.05


def test_the_lag_of_the_plant_is_found() -> None:
    for lag_s in (100.0, 400.0):
        air = ventilated(1.0)
        rise = shown(heated(HOUR_S, slow_s=lag_s) + lagged(air, lag_s) + NOISE_K) - air
        detector = EquilibriumDetector()
        list(told(HOUR_S, rise, detector, air))
        account = detector.account
        assert account is not None
        assert account.lag_s == pytest.approx(lag_s, rel=0.3)


def test_air_that_is_not_told_keeps_an_end_from_being_known() -> None:
    """The same leak without the air beside it: no end within the first cycle is claimed wrongly."""
    air = ventilated(1.0)
    rise = shown(heated(HOUR_S) + lagged(air, 200.0) + NOISE_K) - air
    told_air = list(told(HOUR_S, rise, ambient_c=air))
    untold = list(told(HOUR_S, rise))
    assert len(ends(untold)) < len(ends(told_air)) / 2


def test_watts_that_creep_are_taken_off() -> None:
    """Watts 3 % too many by and by: the end is told for those that were set."""
    heat = 200 * (1 + 0.03 * -np.expm1(-HOUR_S / 1500))
    rise = shown(heated(HOUR_S) * lagged(heat, 200.0) / 200 + NOISE_K)
    assert rise[-1] > 40.9
    states = list(told(HOUR_S, rise, EquilibriumDetector(heat_set_w=200.0), heat_w=heat))
    claimed = ends(states)
    assert claimed
    assert max(abs(states[at].final_k - 40) for at in claimed) < 0.3
    assert abs(states[-1].final_k - 40) < 0.1


def plant(share: Floats, fast_s: float = 12.0, slow_s: float = 250.0, part: float = 0.3) -> Floats:
    """A rise of 40 K from rest, of two lags side by side, under watts that are not quite those set: linear, and no
    formula of the detector's."""
    return np.asarray(40 * (part * from_rest(share, fast_s) + (1 - part) * from_rest(share, slow_s)))


def from_rest(x: Floats, lag_s: float) -> Floats:
    return lagged(np.concatenate([[0.0], x]), lag_s)[1:]


@pytest.mark.parametrize(
    "share",
    [
        1 + 0.03 * -np.expm1(-HOUR_S / 300),
        1 - 0.03 * -np.expm1(-HOUR_S / 600),
        1 + 0.01 * np.sin(2 * np.pi * HOUR_S / 1200),
        1 + 0.01 * np.sin(2 * np.pi * HOUR_S / 1200 + 2.0),
    ],
    ids=["up", "down", "swinging", "swinging otherwise"],
)
@pytest.mark.parametrize("part", [0.1, 0.4])
def test_watts_that_move_as_quickly_as_the_plant_are_taken_off(share: Floats, part: float) -> None:
    heat_w = 200 * share + np.random.default_rng(5).normal(0, 0.1, HOUR_S.size)
    detector = EquilibriumDetector(heat_set_w=200.0)
    states = list(told(HOUR_S, shown(plant(share, part=part) + NOISE_K), detector, heat_w=heat_w))
    first = states[ends(states)[0] + 9]
    assert abs(first.final_k - 40) < first.half_width_k
    assert max(abs(states[at].final_k - 40) for at in ends(states)) < 0.2
    assert states[-1].state == "settled"


def test_without_set_watts_the_first_ones_count() -> None:
    heat = np.where(HOUR_S < 3, 0.0, 200 * (1 + 0.03 * -np.expm1(-HOUR_S / 1500)))
    rise = shown(heated(HOUR_S) * lagged(np.maximum(heat, 200), 200.0) / 200 + NOISE_K)
    states = list(told(HOUR_S, rise, heat_w=heat))
    assert abs(states[-1].final_k - 40) < 0.15


# --- what happens in the middle


@pytest.mark.parametrize("size_k", [-3.0, 1.0, 3.0])
def test_a_step_in_the_middle_is_seen_and_started_anew_from(size_k: float) -> None:
    """A door opened, a side panel off: the curve known before ends, and the new end is told."""
    rise = heated(HOUR_S) + np.where(HOUR_S > 900, size_k * -np.expm1(-(HOUR_S - 900) / 120), 0.0)
    detector = EquilibriumDetector()
    states = list(told(HOUR_S, shown(rise + NOISE_K), detector))
    assert states[890].state in ("predicted", "settled")
    assert not [at for at in ends(states) if 960 < at < 1200]
    assert states[-1].state == "settled"
    assert states[-1].final_k == pytest.approx(40 + size_k, abs=0.1)
    account = detector.account
    assert account is not None
    assert account.since_s > 850
    assert account.rejected


def test_a_step_before_an_end_is_known_fools_nobody() -> None:
    rise = heated(HOUR_S) + np.where(HOUR_S > 400, 3 * -np.expm1(-(HOUR_S - 400) / 150), 0.0)
    states = list(told(HOUR_S, shown(rise + NOISE_K)))
    assert all(abs(states[at].final_k - 43) < 0.3 for at in ends(states))
    assert states[-1].state == "settled"


def test_wrong_samples_are_set_aside_and_named() -> None:
    rise = shown(heated(HOUR_S) + NOISE_K)
    clean = list(told(HOUR_S, rise))
    rise[[300, 301, 700, 701, 702, 900]] = [99, 0, 20, 20, 20, 500]
    detector = EquilibriumDetector()
    states = list(told(HOUR_S, rise, detector))
    assert abs(ends(states)[0] - ends(clean)[0]) < 60
    assert states[-1].final_k == pytest.approx(clean[-1].final_k, abs=0.01)
    account = detector.account
    assert account is not None
    assert [t for t, why in account.rejected if "far off" in why] == [300, 301, 700, 701, 702, 900]


@pytest.mark.parametrize("per_h", [4.0, 8.0, -8.0])
@pytest.mark.parametrize("slow_s", [80.0, 200.0, 350.0])
def test_a_drift_is_no_end(per_h: float, slow_s: float) -> None:
    """With one noise. With others 4 K/h is taken for an end now and then, 8 K/h hardly ever: below."""
    rise = shown(heated(HOUR_S, slow_s=slow_s) + per_h * HOUR_S / 3600 + NOISE_K)
    states = list(told(HOUR_S, rise))
    assert ends(states) == []
    assert states[-1].state == "drifting"


@pytest.mark.parametrize(("per_h", "most"), [(4.0, 3), (-8.0, 1), (20.0, 0)])
def test_how_often_a_drift_is_taken_for_an_end(per_h: float, most: int) -> None:
    """Of ten noises: at the bound 4 K/h can hardly be told from the slow mode that is stated."""
    t_s, fooled = HOUR_S[:2000], 0
    for seed in range(10):
        noise_k = np.random.default_rng((21, seed)).normal(0, 0.05, t_s.size)
        rise = shown(heated(t_s, slow_s=350.0) + per_h * t_s / 3600 + noise_k)
        fooled += bool(ends(list(told(t_s, rise))))
    assert fooled <= most


def test_a_weak_drift_is_seen_in_the_end() -> None:
    """2 K/h cannot be told from the slow mode within the first quarter of an hour, but in the first hour."""
    rise = shown(heated(HOUR_S) + 2 * HOUR_S / 3600 + NOISE_K)
    states = list(told(HOUR_S, rise))
    assert states[-1].state == "drifting"
    assert len([at for at in ends(states) if at > 1500]) == 0


@pytest.mark.parametrize("slope", [0.5, 6.0, 60.0])
def test_a_straight_line_drifts(slope: float) -> None:
    states = list(told(HOUR_S, shown(20 + slope * HOUR_S / 3600 + NOISE_K)))
    assert "drifting" in {now.state for now in states[1500:]}
    assert not [at for at in ends(states) if slope > 0.5]


def test_a_random_walk_has_no_end() -> None:
    for seed in range(3):
        walk = 20 + np.cumsum(np.random.default_rng(seed).normal(0, 0.03, HOUR_S.size))
        assert len(ends(list(told(HOUR_S, walk)))) < 0.02 * HOUR_S.size


def test_a_very_slow_plant_is_waited_for() -> None:
    t_s = np.arange(9000.0)
    noise = np.random.default_rng(2).normal(0, 0.05, t_s.size)
    states = list(told(t_s, shown(heated(t_s, slow_s=1500.0) + noise)))
    claimed = ends(states)
    assert claimed
    assert all(abs(states[at].final_k - 40) < 0.3 for at in claimed)


def test_three_modes_are_not_two() -> None:
    modes = ((5, 3), (10, 25), (20, 150), (5, 500))
    rise = 40 - sum(a * np.exp(-HOUR_S / tau) for a, tau in modes)
    states = list(told(HOUR_S, shown(np.asarray(rise) + NOISE_K)))
    claimed = ends(states)
    assert claimed
    assert all(abs(states[at].final_k - 40) < 0.3 for at in claimed)


# --- sensors


def test_a_flat_line_of_whole_degrees_is_normal() -> None:
    states = list(told(HOUR_S, np.round(heated(HOUR_S)), EquilibriumDetector(tolerance_k=1.0, resolution_k=1.0)))
    assert states[-1].state == "settled"
    assert all(abs(states[at].final_k - 40) <= states[at].half_width_k for at in ends(states))


def test_no_half_width_is_under_what_rounding_hides() -> None:
    """Without noise to dither it, a mean of whole degrees may be off by half of one."""
    states = list(told(HOUR_S, np.full(HOUR_S.size, 40.0), EquilibriumDetector(tolerance_k=1.0, resolution_k=1.0)))
    assert states[-1].half_width_k > 0.4


def stuck(ambient_c: Floats | None = None, heat_w: Floats | None = None, fan_pct: Floats | None = None) -> Equilibrium:
    """After half an hour of one value of whole degrees."""
    t_s = HOUR_S[:1800]
    rise = np.full(t_s.size, 45.0) - (ambient_c if ambient_c is not None else 0.0)
    detector = EquilibriumDetector(tolerance_k=1.0, resolution_k=1.0)
    return list(told(t_s, rise, detector, ambient_c, heat_w, fan_pct))[-1]


def test_a_sensor_that_does_not_follow_hangs() -> None:
    half_s = HOUR_S[:1800]
    flat = np.full(half_s.size, 22.0)
    assert stuck(flat, 0 * flat + 200, 0 * flat + 50).state == "settled"
    for moving in (
        stuck(ambient_c=flat + half_s / 200),
        stuck(flat, heat_w=np.where(half_s < 5, 0.0, 200.0)),
        stuck(flat, heat_w=np.where(half_s < 900, 100.0, 200.0)),
        stuck(flat, fan_pct=np.where(half_s < 600, 30.0, 90.0)),
    ):
        assert moving.state == "settling"
        assert "the sensor shows 45.00 degC" in moving.reason


def test_watts_before_a_restart_count() -> None:
    detector = EquilibriumDetector(tolerance_k=1.0, resolution_k=1.0)
    half_s = HOUR_S[:1800]
    list(told(half_s, np.full(half_s.size, 20.0), detector, heat_w=np.full(half_s.size, 100.0)))
    detector.restart(1799.0)
    now = list(told(1800 + half_s, np.full(half_s.size, 20.0), detector, heat_w=np.full(half_s.size, 200.0)))[-1]
    assert now.state == "settling"
    assert "100 to 200 W" in now.reason


@pytest.mark.parametrize("at_s", [40, 90, 120, 200, 320, 400, 500])
def test_a_sensor_that_stops_in_the_middle_of_a_rise_hangs(at_s: int) -> None:
    rise = shown(heated(HOUR_S) + NOISE_K)
    rise[at_s:] = rise[at_s]
    states = list(told(HOUR_S, rise))
    assert ends(states) == []
    assert "the sensor shows" in states[-1].reason


def test_a_sensor_that_was_noisy_and_fell_still_at_its_end_hangs() -> None:
    rise = shown(heated(HOUR_S) + NOISE_K)
    rise[1800:] = rise[1800]
    states = list(told(HOUR_S, rise))
    assert "was noisy before" in states[-1].reason


def test_an_exact_sensor_that_comes_to_rest_does_not_hang() -> None:
    states = list(told(HOUR_S, heated(HOUR_S, slow_s=90.0), EquilibriumDetector(resolution_k=0.0)))
    assert states[-1].state == "settled"


@pytest.mark.parametrize("size", [1e-3, 1e3, 1e6])
def test_large_and_small_rises_are_no_matter(size: float) -> None:
    rise = size * (heated(HOUR_S) + NOISE_K)
    states = list(told(HOUR_S, rise, EquilibriumDetector(0.2 * size, resolution_k=0.1 * size, slow_tail_k=0.3 * size)))
    assert states[-1].state == "settled"
    assert states[-1].final_k == pytest.approx(40 * size, rel=2e-3)


# --- why


def test_it_says_how_it_came_to_it() -> None:
    detector = EquilibriumDetector()
    assert detector.account is None
    list(told(HOUR_S, shown(heated(HOUR_S) + NOISE_K), detector))
    account = detector.account
    assert account is not None
    assert account.tau_s == pytest.approx((10, 200), rel=0.1)
    assert account.amplitude_k == pytest.approx((-10, -30), rel=0.1)
    assert account.noise.sd_k == pytest.approx(0.058, rel=0.15)
    assert account.noise.r < 0.15
    assert 0.5 < account.misfit < 1.5
    assert account.held is not None
    assert abs(account.held) < 3
    assert account.samples == pytest.approx(3600, rel=0.05)
    drawn = detector.curve(np.array([0.0, 3600.0]))
    assert drawn is not None
    assert drawn == pytest.approx([0, 40], abs=0.3)
