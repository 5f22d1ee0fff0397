"""Sensors do what their figures say."""

import math
import statistics

import pytest

from sim.sensors import KINDS, Sensor, SensorKind

LEVELS = {
    "die": 60.0,
    "heat": 200.0,
    "fan_speed": 1500.0,
    "pump_speed": 2000.0,
    "level": 40.0,
    "supply_current": 5.0,
}


def sensor(source, seed=1, specimen="brook 2x140", start=0.0):
    return Sensor(source, KINDS[source], seed, specimen, start)


@pytest.mark.parametrize("source", KINDS)
def test_shows_whole_steps_of_its_display(source):
    shown = [sensor(source).show(LEVELS.get(source, 30.0) * (1 + share / 97)) for share in range(50)]
    steps = [value / KINDS[source].resolution for value in shown]
    assert all(step == pytest.approx(round(step), abs=1e-6) for step in steps)
    assert all(value == float(f"{value:.6g}") for value in shown), "digits beyond the display"


@pytest.mark.parametrize("source", ["die", "coolant", "ambient", "heat", "level", "pressure"])
def test_scatters_as_stated(source):
    one = sensor(source)
    shown = [one.show(LEVELS.get(source, 30.0)) for _ in range(4000)]
    kind = KINDS[source]
    # Rounding to steps adds step^2 / 12 (JCGM 100:2008 F.2.2.1), evenly only while the noise spans a step.
    expected = math.hypot(kind.noise, kind.resolution / math.sqrt(12))
    assert statistics.stdev(shown) == pytest.approx(expected, rel=0.25)


@pytest.mark.parametrize("source", KINDS)
def test_is_off_by_no_more_than_its_uncertainty(source):
    kind, true = KINDS[source], LEVELS.get(source, 30.0)
    limit = kind.uncertainty + true * kind.uncertainty_pct / 100 + kind.resolution / 2 + 0.5 * kind.noise
    errors = []
    for seed in range(40):
        one = sensor(source, seed)
        errors.append(statistics.fmean(one.show(true) for _ in range(100)) - true)
    assert max(map(abs, errors)) <= limit
    assert statistics.pstdev(errors) > 0 or kind.uncertainty == kind.uncertainty_pct == 0


def test_offset_belongs_to_the_bench_and_noise_to_the_night():
    plain = SensorKind(resolution=0.001, uncertainty=0.5)
    nights = [Sensor("die", plain, 7, specimen, 0.0).show(60.0) for specimen in ("brook 1x120", "slate tower")]
    assert nights[0] == nights[1]
    noisy = [sensor("coolant", 7, specimen) for specimen in ("brook 1x120", "brook 2x140")]
    assert [noisy[0].show(30.0) for _ in range(20)] != [noisy[1].show(30.0) for _ in range(20)]


def test_never_shows_less_than_its_lower_limit():
    meter = sensor("level")
    assert min(meter.show(20.0) for _ in range(100)) == KINDS["level"].lowest


def test_follows_as_a_first_order_lag():
    # 63.212 % after one time constant, 95.021 % after three.
    one = sensor("ambient", start=20.0)
    lag_s = KINDS["ambient"].lag_s
    one.follow(30.0, lag_s)
    assert one.followed == pytest.approx(26.3212)
    for _ in range(20):
        one.follow(30.0, lag_s / 10)
    assert one.followed == pytest.approx(29.5021)
