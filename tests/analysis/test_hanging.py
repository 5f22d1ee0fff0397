"""A sensor that does not follow what it must: known soon, never wrongly, and not forgotten."""

from __future__ import annotations

import math
import random

import pytest

from benchd.analysis.hanging import Around, Sensor

STILL = Around(air_c=(22.0, 22.0), heat_w=100.0, fans=800.0, sink_c=35.0)


def fed(sensor: Sensor, for_s: int, around: Around = STILL, from_s: int = 0, reading_c: float = 44.0) -> Sensor:
    for t in range(from_s, from_s + for_s):
        sensor.put(float(t), reading_c, reading_c - 22.0, around)
    return sensor


def test_a_flat_line_is_none_while_nothing_moves() -> None:
    sensor = fed(Sensor(1.0), 10_000)
    assert (sensor.hangs, sensor.waits) == ("", "")


@pytest.mark.parametrize(
    ("change", "words", "within_s"),
    [
        ({"air_c": (19.0, 19.5)}, "the air moved by 2.5 K", 130),
        ({"heat_w": 200.0}, "the watts went from 100 to 200 W", 130),
        ({"heat_w": 0.0}, "the watts went from 100 to 0 W", 130),
        ({"sink_c": 38.0}, "the coolant moved by 3.0 K", 130),
        ({"fans": 3200.0}, "the fans went from 800 to 3200 %", 700),
    ],
)
def test_what_moved_long_after_the_reading_last_did_counts_once_there_was_time_to_follow(
    change, words, within_s
) -> None:
    sensor = fed(Sensor(1.0), 4000)
    fed(sensor, 110, STILL._replace(**change), 4000)
    assert sensor.hangs == ""
    assert sensor.waits == f"still shows 44.00 degC although {words}"
    fed(sensor, within_s - 110, STILL._replace(**change), 4110)
    assert words in sensor.hangs


def test_it_stays_until_the_reading_moves_though_all_is_as_it_was() -> None:
    sensor = fed(Sensor(1.0), 300)
    fed(sensor, 200, STILL._replace(heat_w=0.0), 300)
    fed(sensor, 600, STILL, 500)
    assert "shows 44.00 degC for 18 min although the watts went from 100 to 0 W" in sensor.hangs
    fed(sensor, 1, STILL, 1100, reading_c=45.0)
    assert (sensor.hangs, sensor.waits) == ("", "")


def test_a_change_that_does_not_last_or_is_too_small_to_show_is_none() -> None:
    sensor = fed(Sensor(1.0), 300)
    fed(sensor, 60, STILL._replace(heat_w=200.0), 300)
    fed(sensor, 600, STILL._replace(heat_w=104.0), 360)
    assert (sensor.hangs, sensor.waits) == ("", "")
    fed(sensor, 3000, STILL._replace(fans=900.0), 1000)
    assert sensor.hangs == ""


def test_coolant_that_moves_because_the_watts_did_proves_nothing_of_a_die() -> None:
    sensor = fed(Sensor(1.0), 300)
    fed(sensor, 600, STILL._replace(heat_w=110.0, sink_c=37.0), 300)
    assert "coolant" not in sensor.hangs + sensor.waits


def test_coolant_or_fins_come_late() -> None:
    sensor = fed(Sensor(0.1, is_die=False), 300)
    fed(sensor, 150, STILL._replace(heat_w=200.0, sink_c=float("nan")), 300)
    assert sensor.hangs == ""
    fed(sensor, 300, STILL._replace(heat_w=200.0, sink_c=float("nan")), 450)
    assert "the watts went from 100 to 200 W" in sensor.hangs


@pytest.mark.parametrize(("noise_steps", "hangs"), [(0.5, True), (1.0, True), (0.15, False), (0.0, False)])
def test_a_noisy_reading_that_falls_still_hangs_and_one_on_the_edge_of_a_step_does_not(noise_steps, hangs) -> None:
    noise, sensor = random.Random(2), Sensor(1.0)
    for t in range(2000):
        sensor.put(float(t), float(round(43.5 + noise.gauss(0, noise_steps))), 21.5, STILL)
    fed(sensor, 600, STILL, 2000)
    assert bool(sensor.hangs) is hangs
    assert hangs is ("it was noisy before" in sensor.hangs)


def test_what_is_excused_need_not_have_followed() -> None:
    sensor = fed(Sensor(1.0), 300)
    for t in range(300, 900):
        sensor.put(float(t), 44.0, 22.0, STILL._replace(heat_w=300.0 - t / 10))
        sensor.excuse(float(t), STILL._replace(heat_w=300.0 - t / 10))
    assert (sensor.hangs, sensor.waits) == ("", "")


def climbed(sensor: Sensor, stuck_s: float, step_k: float, tau_s: float = 200.0, around: Around = STILL) -> Sensor:
    """A reading that goes to 40 K over the air and is stuck from a moment on."""
    noise = random.Random(7)
    for t in range(1800):
        if t <= stuck_s:
            shown_k = round((40 * -math.expm1(-t / tau_s) + noise.gauss(0, step_k / 3)) / step_k) * step_k
        sensor.put(float(t), 22 + shown_k, shown_k, around)
    return sensor


@pytest.mark.parametrize("stuck_s", [60, 120, 200, 333, 450, 600])
@pytest.mark.parametrize("step_k", [0.01, 0.1])
def test_what_stops_dead_in_the_middle_of_its_way_hangs(step_k: float, stuck_s: float) -> None:
    assert " K a minute until then" in climbed(Sensor(step_k), stuck_s, step_k).hangs


@pytest.mark.parametrize("tau_s", [2.0, 5.0, 15.0, 40.0, 120.0])
@pytest.mark.parametrize("step_k", [0.1, 1.0])
def test_what_comes_to_rest_does_not(step_k: float, tau_s: float) -> None:
    sensor = Sensor(step_k)
    for t in range(1800):
        shown_k = round(40 * -math.expm1(-t / tau_s) / step_k) * step_k
        sensor.put(float(t), 22 + shown_k, shown_k, STILL)
    assert sensor.hangs == ""


def test_what_turns_as_its_watts_change_does_not_hang() -> None:
    """A die that cools is heated a little in the middle of its way, and stands still there for some minutes."""
    sensor = Sensor(1.0)
    for t in range(400):
        sensor.put(float(t), round(62 - t / 20), round(40 - t / 20), STILL)
    fed(sensor, 300, STILL._replace(heat_w=115.0), 400, 42.0)
    assert sensor.hangs == ""


@pytest.mark.parametrize("seed", range(20))
def test_what_was_at_rest_goes_another_way_and_comes_to_rest_again_does_not_hang(seed: int) -> None:
    """A pump that is set lower, seen in whole degrees that flicker; whether the change itself is known or not."""
    noise = random.Random(seed)
    told = Sensor(1.0), Sensor(1.0)
    for t in range(900):
        shown_c = round(69.3 + 3.8 * -math.expm1(-max(t - 500, 0) / 12) + noise.gauss(0, 0.3 if t < 580 else 0.1))
        for sensor, pump in zip(told, (600.0, 600.0 if t >= 500 else 900.0), strict=True):
            sensor.put(float(t), shown_c, shown_c - 22.0, STILL._replace(pump=pump))
            assert sensor.hangs == ""


def test_noise_that_comes_with_a_load_goes_with_it() -> None:
    noise, sensor = random.Random(2), Sensor(1.0)
    for t in range(1200):
        shown_c = round(70.2 + noise.gauss(0, 2.0))
        sensor.put(float(t), shown_c, shown_c - 22.0, STILL._replace(heat_w=200.0))
    for t in range(1200, 3000):
        shown_c = round(40.2 + 30 * math.exp(-(t - 1200) / 20))
        sensor.put(float(t), shown_c, shown_c - 22.0, STILL._replace(heat_w=60.0))
    assert sensor.hangs == ""
