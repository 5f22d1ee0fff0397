"""The random plants are what they are said to be: the others' tests stand on them."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from benchd.analysis.uncertainty import lag1_correlation
from tests.equilibrium.plants import FAMILIES, Plant, random_plants

PLANTS = random_plants(800, seed=1)


def test_the_same_seed_gives_the_same_plants_however_many() -> None:
    assert random_plants(40, seed=1) == PLANTS[:40]
    assert random_plants(40, seed=2) != PLANTS[:40]
    first, again = (plants[7].series(900) for plants in (PLANTS, random_plants(8, seed=1)))
    assert np.array_equal(first, again)


def test_a_longer_series_begins_like_a_shorter_one() -> None:
    for plant in PLANTS[:16]:
        assert np.array_equal(plant.series(5000)[1][:300], plant.series(300)[1])


def test_every_family_has_its_share() -> None:
    assert len(FAMILIES) == 8
    assert set(Counter(plant.family for plant in PLANTS).values()) == {100}


def test_every_plant_lies_within_what_was_asked_for() -> None:
    for plant in PLANTS:
        assert 5 <= plant.fast_s <= 30
        assert 80 <= plant.slow_s <= 600
        assert 0.01 <= plant.resolution_k <= 1
        assert 0.3 - 1e-9 <= plant.noise_sd_k / plant.resolution_k <= 3 + 1e-9
        assert plant.noise_sd_k <= 0.5
        two = plant.fast_k / (plant.fast_k + plant.slow_k)
        assert 0.1 <= two <= 0.6
        assert 10 <= abs(plant.start_k - plant.final_k) <= 70
        assert plant.rise_at(np.zeros(1))[0] == pytest.approx(plant.start_k)
        assert plant.rise_at(np.array([1e6]))[0] == pytest.approx(plant.final_k)
        heating, correlated = "heating" in plant.family, "correlated" in plant.family
        assert heating == (plant.start_k == 0.0)
        assert heating == (plant.final_k > plant.start_k)
        assert correlated == (0.2 <= plant.correlation <= 0.9)
        assert correlated or plant.correlation == 0.0
        assert ("without" in plant.family) == (plant.tail_k == 0.0)


def test_what_is_drawn_reaches_both_ends() -> None:
    for name, least, most in [("fast_s", 5, 30), ("slow_s", 80, 600), ("resolution_k", 0.01, 1)]:
        share = np.log([getattr(plant, name) / least for plant in PLANTS]) / np.log(most / least)
        assert np.histogram(share, bins=4, range=(0, 1))[0].min() > 150, name
    tails = [plant.tail_k for plant in PLANTS if plant.tail_k]
    assert np.std(tails) == pytest.approx(0.3, rel=0.15)
    assert np.std(np.log([plant.tail_s / 1000 for plant in PLANTS])) == pytest.approx(0.15, rel=0.15)


@pytest.mark.parametrize("index", range(8))
def test_noise_is_as_wide_as_correlated_and_as_stepped_as_it_is_said(index: int) -> None:
    plant = PLANTS[index]
    t_s, shown = plant.series(20_000)
    steps = shown / plant.resolution_k
    assert np.allclose(steps, np.round(steps), atol=1e-6)
    off = shown - plant.rise_at(t_s)
    assert np.std(off) ** 2 == pytest.approx(plant.noise_sd_k**2 + plant.resolution_k**2 / 12, rel=0.15)
    whole = plant.noise_sd_k**2 / (plant.noise_sd_k**2 + plant.resolution_k**2 / 12)
    assert lag1_correlation(off) == pytest.approx(plant.correlation * whole, abs=0.05)


def test_the_noise_of_two_plants_has_nothing_in_common() -> None:
    white = [plant for plant in PLANTS if plant.correlation == 0][:12]
    off = [plant.series(5000)[1] - plant.rise_at(np.arange(5000.0)) for plant in white]
    common = np.corrcoef(off) - np.eye(len(off))
    assert np.abs(common).max() < 5 / np.sqrt(5000)


def test_a_plant_can_be_made_by_hand() -> None:
    plant = Plant("by hand", 0.0, 30.0, 10.0, 100.0, 1000.0, -10.0, -20.0, 0.0, 1e-9, 0.0, 0.1, (1, 2))
    assert plant.series(3)[1] == pytest.approx(np.round(plant.rise_at(np.arange(3.0)), 1))
