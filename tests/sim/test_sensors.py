"""Sensors do what their figures say."""

import math
import statistics

import pytest

from sim.benches import load_benches
from sim.sensors import KINDS, Sensor, SensorKind

LEVELS = {
    "die": 60.0,
    "heat": 200.0,
    "fan_speed": 1500.0,
    "pump_speed": 2000.0,
    "level": 40.0,
    "supply_current": 5.0,
}


def sensor(source, seed=1, specimen="brook 2x140", start=0.0, copy_number=1):
    return Sensor(source, KINDS[source], seed, specimen, start, copy_number)


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
    for copy_number in range(40):
        one = sensor(source, copy_number=copy_number)
        errors.append(statistics.fmean(one.show(true) for _ in range(100)) - true)
    assert max(map(abs, errors)) <= limit
    assert statistics.pstdev(errors) > 0 or kind.uncertainty == kind.uncertainty_pct == 0


def test_offset_belongs_to_the_bench_and_noise_to_the_night():
    plain = SensorKind(resolution=0.001, uncertainty=0.5)
    nights = [(7, "brook 1x120", 0.0, 1), (7, "slate tower", 0.0, 1), (8, "brook 1x120", 0.0, 1)]
    assert len({Sensor("die", plain, *night).show(60.0) for night in nights}) == 1
    assert Sensor("die", plain, 7, "brook 1x120", 0.0, copy_number=2).show(60.0) != 60.0
    noisy = [sensor("coolant", 7, specimen) for specimen in ("brook 1x120", "brook 2x140")]
    assert [noisy[0].show(30.0) for _ in range(20)] != [noisy[1].show(30.0) for _ in range(20)]


def test_never_shows_less_than_its_lower_limit():
    meter = sensor("level")
    assert min(meter.show(20.0) for _ in range(100)) == KINDS["level"].lowest


def test_follows_as_a_first_order_lag():
    # 63.212 % after one time constant, 95.021 % after three.
    one = sensor("ambient", start=20.0)
    lag_s = KINDS["ambient"].lag_s
    one.sense(0.0, 30.0)
    one.sense(lag_s, 30.0)
    assert one.followed == pytest.approx(26.3212)
    for tenth in range(1, 21):
        one.sense(lag_s + tenth * lag_s / 10, 30.0)
    assert one.followed == pytest.approx(29.5021)


# ---- sense and read: lag at any tick, drop-outs, faults ----


def exact(lag_s=2.0, **figures):
    return Sensor("die", SensorKind(resolution=1e-9, lag_s=lag_s, **figures), 1, "brook 2x140", 20.0)


def heating_c(t_s):
    return 60.0 - 40.0 * math.exp(-t_s / 8.0)


def test_a_slope_is_followed_exactly():
    # x = u - s tau (1 - exp(-t / tau)) for u = u0 + s t from rest: first-order response to a ramp.
    one = exact(lag_s=2.0)
    for second in range(1, 6):
        one.sense(float(second), 20.0 + 3.0 * second)
    assert one.followed == pytest.approx(35.0 - 6.0 * (1 - math.exp(-2.5)), abs=1e-12)


def test_a_curve_is_followed_closely_with_seconds_as_steps():
    # Lag 2 s behind 60 - 40 exp(-t/8), solved by hand: x = 60 - A exp(-t/8) + (A - 40) exp(-t/2), A = 40 / (1 - 2/8).
    one = exact(lag_s=2.0)
    for second in range(1, 31):
        one.sense(float(second), heating_c(second))
        by_hand_c = 60.0 - 160 / 3 * math.exp(-second / 8) + 40 / 3 * math.exp(-second / 2)
        assert one.followed == pytest.approx(by_hand_c, abs=0.05)


@pytest.mark.parametrize("ticks", [1, 3, 20])
def test_readings_between_the_seconds_disturb_nothing(ticks):
    read, unread = exact(), exact()
    for second in range(30):
        for tick in range(ticks):
            t_s = second + tick / ticks
            read.read(t_s, heating_c(t_s))
        for one in (read, unread):
            one.sense(second + 1.0, heating_c(second + 1.0))
    assert read.followed == unread.followed


def test_a_reading_between_the_seconds_is_the_same_whatever_was_read_before():
    often, once = exact(), exact()
    for one in (often, once):
        one.sense(1.0, heating_c(1.0))
    for tick in range(1, 15):
        often.read(1.0 + tick / 20, heating_c(1.0 + tick / 20))
    assert often.read(1.75, heating_c(1.75)) == once.read(1.75, heating_c(1.75))
    assert heating_c(1.0) > often.read(1.75, heating_c(1.75)) > 20.0


def test_a_sensor_without_lag_need_not_be_sensed():
    one = exact(lag_s=0.0)
    assert one.read(100.25, 55.5) == pytest.approx(55.5, abs=1e-6)


def test_a_processor_shows_whole_kelvins():
    one = Sensor("die", load_benches()["processor"].sensors["die"], 1, "brook 2x140", 60.0)
    assert all(one.read(0.0, 60.4).is_integer() for _ in range(50))


@pytest.mark.parametrize("source", ["leak", "smoke"])
def test_leak_and_smoke_answer_0_or_1_after_their_lag(source):
    one = sensor(source)
    answers = []
    for second in range(1, 61):
        one.sense(float(second), 0.0 if second < 20 else 1.0)
        answers.append(one.read(float(second), 0.0 if second < 20 else 1.0))
    # From the straight line between second 19 and 20; half of the way is passed ln 2 time constants later.
    passed_s = 19.5 + math.log(2) * KINDS[source].lag_s
    assert answers.index(1.0) + 1 == pytest.approx(passed_s, abs=1.0)
    assert set(answers) == {0.0, 1.0}
    assert answers == sorted(answers)


DROPPING = SensorKind(resolution=0.1, dropouts_per_h=30.0)


@pytest.mark.parametrize("tick_s", [1.0, 0.25])
def test_drop_outs_are_as_frequent_and_as_long_as_stated(tick_s):
    one = Sensor("die", DROPPING, 1, "brook 2x140", 20.0)
    readings = [one.read(tick * tick_s, 20.0) for tick in range(round(20 * 3600 / tick_s))]
    starts = [i for i in range(1, len(readings)) if readings[i] is None and readings[i - 1] is not None]
    # One in 120 s, and 3 s gone on average; some are shorter than a tick or end where the next begins.
    assert len(starts) == pytest.approx(600, rel=0.15)
    assert sum(reading is None for reading in readings) * tick_s == pytest.approx(1800, rel=0.15)


def test_drop_outs_come_at_the_same_times_at_any_tick():
    slow, fast = (Sensor("die", DROPPING, 1, "brook 2x140", 20.0) for _ in range(2))
    gone = [slow.read(float(second), 20.0) is None for second in range(3600)]
    gone_too = [fast.read(tick / 4, 20.0) is None for tick in range(4 * 3600)][::4]
    assert gone == gone_too
    assert any(gone)


def test_drop_outs_are_the_same_after_a_long_pause():
    watched = Sensor("die", DROPPING, 1, "brook 2x140", 20.0)
    gone = [watched.read(float(second), 20.0) is None for second in range(7200)]
    for second in range(7000, 7200):
        asked_once = Sensor("die", DROPPING, 1, "brook 2x140", 20.0)
        assert (asked_once.read(float(second), 20.0) is None) == gone[second]


def test_shipped_sensors_do_not_drop_out_unless_told():
    assert all(kind.dropouts_per_h == 0 for kind in KINDS.values())


def test_stuck_is_the_last_reading_for_ever():
    one = sensor("die", start=60.0)
    last = one.read(0.0, 60.0)
    one.fail("stuck")
    for second in range(1, 30):
        one.sense(float(second), 90.0)
    assert {one.read(float(second), 90.0) for second in range(29, 60)} == {last}
    one.mend()
    assert one.read(29.0, 90.0) == pytest.approx(90.0, abs=1.0)


def test_silent_is_none():
    one = sensor("die")
    one.fail("silent")
    assert one.faulty
    assert [one.read(0.0, 60.0) for _ in range(3)] == [None] * 3


def test_nonsense_is_wild_or_no_number_and_the_same_again():
    talk = []
    for _ in range(2):
        one = sensor("die")
        one.fail("nonsense")
        talk.append([one.read(0.0, 60.0) for _ in range(200)])
    assert repr(talk[0]) == repr(talk[1])
    no_number = [value for value in talk[0] if math.isnan(value)]
    assert 30 < len(no_number) < 100
    assert sum(abs(value) > 125 for value in talk[0]) > 60
