"""Levels against published rows, and the magnitudes that the bench is meant to have."""

import math

import pytest

from sim.sound import energy, fans_dba, level_of, pump_dba


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
