"""Levels against published rows, and the magnitudes that the bench is meant to have."""

import math

import pytest

from sim.benches import load_benches
from sim.meter import MeterKind
from sim.sound import (
    Auxiliaries,
    FanNoise,
    Hump,
    Noise,
    PumpNoise,
    energy,
    fans_dba,
    level_of,
    pump_dba,
)

QUIET = load_benches()["heater"].room


@pytest.mark.parametrize(
    ("levels_dba", "total_dba", "tolerance_db"),
    [
        ((60, 60), 63.0103, 1e-4),
        ((60, 60, 60), 64.7712, 1e-4),
        ((60, 50), 60.4139, 1e-4),
        # ecologycenter.us/wastewater-treatment/background-corrections.html: 85, 87 and 89 dB make 92 dB
        ((85, 87, 89), 92, 0.5),
    ],
)
def test_levels_add_by_energy(levels_dba, total_dba, tolerance_db):
    assert level_of(sum(energy(level) for level in levels_dba)) == pytest.approx(total_dba, abs=tolerance_db)


@pytest.mark.parametrize(
    ("ratio", "change_db"),
    [(0.5, -15.051), (0.8, -4.846), (0.9, -2.288), (1.1, 2.070), (1.25, 4.846), (1.5, 8.805), (2, 15.051)],
)
def test_fans_follow_the_50_lg_law(ratio, change_db):
    # Lw = 40 + 10 lg Q + 20 lg p (engineeringtoolbox.com, fan-noise-d_61, eq. 1b) with Q ~ n, p ~ n^2.
    assert fans_dba(1000 * ratio, 120, 1) - fans_dba(1000, 120, 1) == pytest.approx(change_db, abs=0.0006)


@pytest.mark.parametrize("count", [2, 3])
def test_equal_fans_add_10_lg_of_their_number(count):
    assert fans_dba(1500, 120, count) - fans_dba(1500, 120, 1) == pytest.approx(10 * math.log10(count))


def test_fan_diameter_counts_as_the_same_formula_says():
    # Q ~ D^3 and p ~ D^2 (affinity laws) in the same equation 1b.
    assert fans_dba(1500, 140, 1) - fans_dba(1500, 120, 1) == pytest.approx((10 * 3 + 20 * 2) * math.log10(140 / 120))


def test_fans_are_about_as_loud_as_usual():
    # Common practice, no source.
    assert fans_dba(2200, 120, 1) == pytest.approx(44, abs=0.5)
    assert 49 <= fans_dba(2000, 140, 2) <= 50


def test_the_pump_is_lost_in_the_background_up_to_60_percent_and_heard_at_full_speed():
    background_dba = 31.5

    def total_dba(speed_pct):
        return level_of(energy(background_dba) + energy(pump_dba(speed_pct, 60.0, 21.0, 0.2)))

    assert total_dba(60.0) - background_dba < 0.5
    assert total_dba(100.0) - background_dba > 5


# ---- Noise: what the microphone hears of the whole bench ----

PLAIN = FanNoise(1, 120.0)
NOTHING = Auxiliaries(supply_dba=-100.0, case_fans_dba=-100.0, coil_dba=-100.0)


def noise(fans=None, pump=None, auxiliaries=NOTHING, seed=1, specimen="brook 2x120"):
    return Noise(fans, pump, auxiliaries, seed, specimen)


def levels(source, rpms, **more):
    return [level_of(source.refresh(float(t), rpm, 0.0, 0.0, **more)) for t, rpm in enumerate(rpms)]


@pytest.mark.parametrize(
    ("fans", "rpm", "low_dba", "high_dba"),
    [
        (FanNoise(1, 120.0), 0.0, 33.5, 34.5),
        (FanNoise(1, 120.0), 2200.0, 43.0, 45.0),
        (FanNoise(2, 140.0), 2000.0, 49.0, 50.0),
    ],
)
def test_bench_and_room_read_what_is_usual(fans, rpm, low_dba, high_dba):
    # Common practice, no source. Averaged over the beat, by energy; the room and the meter's own noise are in it.
    source = noise(fans, PumpNoise(), Auxiliaries())
    energies = [source.refresh(float(t), rpm, 60.0, 0.0) for t in range(1800)]
    rest = energy(QUIET.background_dba) + energy(MeterKind().self_noise_dba)
    assert low_dba <= level_of(sum(energies) / len(energies) + rest) <= high_dba


def test_a_second_fan_adds_about_3_db_in_the_room():
    rest = energy(QUIET.background_dba) + energy(MeterKind().self_noise_dba)
    read = []
    for count in (1, 2):
        source = noise(FanNoise(count, 120.0), None, Auxiliaries())
        energies = [source.refresh(float(t), 2200.0, 0.0, 0.0) for t in range(1800)]
        read.append(level_of(sum(energies) / len(energies) + rest))
    assert read[1] - read[0] == pytest.approx(3.0, abs=0.3)


def test_the_pump_is_not_heard_up_to_60_percent_and_its_tone_is_above():
    rest = energy(34.0)
    pump = PumpNoise()
    heard_db = {pct: level_of(rest + energy(pump.pump_dba(pct))) - 34.0 for pct in (20, 40, 60, 80, 100)}
    assert max(heard_db[pct] for pct in (20, 40, 60)) < 0.3
    assert heard_db[80] > 1.0
    assert heard_db[100] > 6.0
    # Below the knee it rises about as the 50 lg law says, above it much faster.
    assert pump.pump_dba(100) - pump.pump_dba(80) > 2 * 50 * math.log10(100 / 80)


def test_bubbles_add_noise_as_far_as_there_are_any():
    source = noise(pump=PumpNoise())
    none, half, full = (source.refresh(0.0, 0.0, 60.0, 0.0, bubbles=share) for share in (0.0, 0.5, 1.0))
    assert half - none == pytest.approx((full - none) / 2)
    assert level_of(full) - level_of(none) > 6


def test_one_fan_keeps_the_50_lg_law_and_is_silent_when_it_stands():
    fan = FanNoise(1, 120.0, hysteresis_db=0.0)
    low, high, still = levels(noise(fan), [1000.0, 1500.0, 0.0])
    assert high - low == pytest.approx(8.805, abs=0.0006)
    assert still < -90


def test_humps_stand_at_their_speeds():
    humped = FanNoise(1, 120.0, humps=(Hump(1300.0, 2.0, 60.0), Hump(1700.0, 3.0, 40.0)))
    for rpm, height_db in ((1300.0, 2.0), (1360.0, 2.0 / math.e), (1700.0, 3.0), (1000.0, 0.0)):
        assert humped.fan_dba(rpm) - PLAIN.fan_dba(rpm) == pytest.approx(height_db, abs=1e-3)


def beat(source, rpm, seconds=1200):
    return levels(source, [rpm] * seconds)


def upward_crossings_s(values):
    middle = (max(values) + min(values)) / 2
    return [t for t in range(1, len(values)) if values[t - 1] < middle <= values[t]]


@pytest.mark.parametrize("seed", range(6))
def test_two_fans_beat_by_about_a_decibel_over_tens_of_seconds(seed):
    heard = beat(noise(FanNoise(2, 120.0), seed=seed), 2000.0)
    swing_db = max(heard) - min(heard)
    assert swing_db == pytest.approx(10 * math.log10(1.23 / 0.77), abs=0.05)  # 1 + m over 1 - m
    crossings = upward_crossings_s(heard)
    period_s = (crossings[-1] - crossings[0]) / (len(crossings) - 1)
    assert 20 <= period_s <= 60.5  # the speeds differ by 0.05 to 0.15 %


def test_beating_changes_nothing_on_average():
    for count in (2, 3):
        source = noise(FanNoise(count, 120.0))
        energies = [source.refresh(float(t), 2000.0, 0.0, 0.0) for t in range(20000)]
        assert level_of(sum(energies) / len(energies)) - PLAIN.fan_dba(2000.0) == pytest.approx(
            10 * math.log10(count), abs=0.1
        )


def test_one_fan_does_not_beat():
    heard = beat(noise(PLAIN), 2000.0)
    assert max(heard) == min(heard)


def test_slower_fans_beat_more_slowly():
    fast, slow = (upward_crossings_s(beat(noise(FanNoise(2, 120.0)), rpm, 4000)) for rpm in (2000.0, 1000.0))
    assert len(fast) == pytest.approx(2 * len(slow), abs=2)


def test_the_beat_is_integrated_over_time_and_does_not_depend_on_how_often_it_was_refreshed():
    often, rarely = noise(FanNoise(3, 120.0)), noise(FanNoise(3, 120.0))
    for t in range(601):
        last = often.refresh(float(t), 1500.0, 0.0, 0.0)
    for t in range(0, 601, 60):
        same = rarely.refresh(float(t), 1500.0, 0.0, 0.0)
    assert last == pytest.approx(same, rel=1e-9)


def test_seed_and_specimen_choose_the_beat():
    first, again = (beat(noise(FanNoise(2, 120.0)), 2000.0, 60) for _ in range(2))
    assert first == again
    assert first != beat(noise(FanNoise(2, 120.0), seed=2), 2000.0, 60)
    assert first != beat(noise(FanNoise(2, 120.0), specimen="brook 2x140"), 2000.0, 60)


def test_a_speed_is_louder_when_it_was_reached_from_above():
    fan = FanNoise(1, 120.0, hysteresis_db=0.4, play_rpm=40.0)
    from_below = levels(noise(fan), [800.0, 1000.0, 1200.0])[-1]
    from_above = levels(noise(fan), [1600.0, 1400.0, 1200.0])[-1]
    assert from_above - from_below == pytest.approx(0.4)
    assert (from_above + from_below) / 2 == pytest.approx(fan.fan_dba(1200.0))


def test_hysteresis_has_play():
    fan = FanNoise(1, 120.0, hysteresis_db=0.4, play_rpm=40.0)
    straight = levels(noise(fan), [800.0, 1200.0])[-1]
    wiggled = levels(noise(fan), [800.0, 1200.0, 1199.0, 1200.0])[-1]
    overshot = levels(noise(fan), [800.0, 1300.0, 1200.0])[-1]
    assert wiggled == pytest.approx(straight, abs=1e-9)
    assert overshot - straight == pytest.approx(0.4)


def test_fans_that_stalled_are_not_heard():
    both = noise(FanNoise(2, 120.0))
    assert level_of(both.refresh(0.0, 2000.0, 0.0, 0.0, turning=1)) == pytest.approx(PLAIN.fan_dba(2000.0))
    assert level_of(both.refresh(1.0, 2000.0, 0.0, 0.0, turning=0)) < -90


@pytest.mark.parametrize("turning", [1, 2, 3])
def test_fans_that_turn_beat_as_if_the_others_were_not_there(turning):
    three = noise(FanNoise(3, 120.0))
    heard = [level_of(three.refresh(float(t), 2000.0, 0.0, 0.0, turning=turning)) for t in range(6000)]
    # Between all tones against each other and all in step: for three, 1 - m and 1 + 2 m; for two, 1 -+ m.
    least, most = {1: (1.0, 1.0), 2: (2 * 0.77, 2 * 1.23), 3: (3 * 0.77, 3 * 1.46)}[turning]
    one_dba = PLAIN.fan_dba(2000.0)
    assert min(heard) - one_dba == pytest.approx(10 * math.log10(least), abs=0.05)
    assert max(heard) - one_dba == pytest.approx(10 * math.log10(most), abs=0.15)


def test_coil_whine_goes_with_the_square_of_the_watts():
    coil = Auxiliaries(supply_dba=-100.0, case_fans_dba=-100.0, coil_dba=14.0)
    assert coil.auxiliaries_dba(100.0) == pytest.approx(14.0)
    assert coil.auxiliaries_dba(200.0) == pytest.approx(14.0 + 20 * math.log10(2))
    assert Auxiliaries().auxiliaries_dba(300.0) > Auxiliaries().auxiliaries_dba(0.0)
