"""The simulated bench as a whole: energy, equilibrium, determinism, and the magnitudes of a usual bench."""

import math

import pytest

from sim.plant import Plant
from sim.sound import energy, fans_dba, level_of, pump_dba
from sim.specimens import load_specimens

LIQUID = [name for name, specimen in load_specimens().items() if specimen.cooling == "liquid"]
BY_RADIATOR = ["brook 1x120", "brook 2x120", "brook 3x120"]
SOURCES = ["die", "coolant", "ambient", "inlet", "heat", "level", "fan_speed", "pressure"]


def plant_with(specimen, heat_w=0.0, fan_pct=100.0, pump_pct=100.0, seed=1, minutes=0.0):
    plant = Plant()
    plant.mount(specimen, seed)
    plant.set(heat_w=heat_w, fan_pct=fan_pct, pump_pct=pump_pct)
    plant.advance(0.0)
    plant.advance(60 * minutes)
    return plant


def rise_k(plant):
    return plant.true("die") - plant.true("ambient")


@pytest.mark.parametrize("specimen", ["brook 2x140", "slate tower"])
def test_heat_in_is_stored_or_rejected_over_a_night_of_changing_settings(specimen):
    plant = plant_with(specimen)
    largest_j = 0.0
    for quarter in range(32):
        plant.set(heat_w=(0, 260, 120, 60)[quarter % 4], fan_pct=(100, 40, 0, 70, 25)[quarter % 5], pump_pct=60)
        for minute in range(15):
            plant.advance(60.0 * (15 * quarter + minute + 1))
        balance = plant.energy()
        largest_j = max(largest_j, abs(balance.stored_j))
        assert balance.in_j == pytest.approx(balance.stored_j + balance.rejected_j, rel=1e-6, abs=1e-6)
    assert balance.in_j > 2e6
    assert largest_j > 1e4


def test_equilibrium_is_the_sum_of_the_resistances():
    plant = plant_with("slate tower", heat_w=120, fan_pct=60, minutes=30)
    tower = load_specimens()["slate tower"]
    stream_w_per_k = 1.18432 * 1006.308 * tower.airflow_m3_per_s * 0.6
    passed_on = 1 - math.exp(-tower.ntu / math.sqrt(0.6))
    back = tower.recirculated / (1 - tower.recirculated)
    to_room_k_per_w = 1 / (stream_w_per_k / (1 / passed_on + back) + tower.natural_w_per_k)
    low, high = (tower.paste_k_per_w * (1 + sign * 0.06) for sign in (-1, 1))
    heat_w = plant.true("heat")
    # Ambient drifts by some 0.5 K/h while the sink follows within a minute: 0.05 K.
    assert heat_w * (low + tower.spread_k_per_w + to_room_k_per_w) - 0.05 <= rise_k(plant)
    assert rise_k(plant) <= heat_w * (high + tower.spread_k_per_w + to_room_k_per_w) + 0.05


def test_ticks_of_one_and_of_ten_seconds_tell_the_same_story():
    # Both are cut into the same steps inside; only rounding differs.
    fine, coarse = plant_with("brook 2x120", 200, 40, 50), plant_with("brook 2x120", 200, 40, 50)
    for t_s in range(1, 1201):
        fine.advance(float(t_s))
    for t_s in range(10, 1201, 10):
        coarse.advance(float(t_s))
    assert fine.true("die") == pytest.approx(coarse.true("die"), abs=1e-9)


@pytest.mark.parametrize(("tick_s", "tolerance_k"), [(0.05, 0.03), (0.7, 0.03), (60.0, 1e-9)])
def test_other_ticks_hardly_matter(tick_s, tolerance_k):
    plant, reference = plant_with("brook 2x120", 200, 40, 50), plant_with("brook 2x120", 200, 40, 50)
    for tick in range(1, round(420 / tick_s) + 1):
        plant.advance(tick * tick_s)
    reference.advance(420.0)
    assert plant.true("die") == pytest.approx(reference.true("die"), abs=tolerance_k)


def readings(seed, specimen="brook 2x140"):
    plant = plant_with(specimen, 200, 50, 60, seed)
    taken = []
    for t_s in range(1, 60):
        plant.advance(float(t_s))
        taken.append([plant.read(source) for source in SOURCES])
    return taken


def test_same_specimen_seed_and_calls_give_exactly_the_same_numbers():
    assert readings(3) == readings(3)


def test_other_seeds_and_other_specimens_give_other_numbers():
    assert readings(3) != readings(4)
    assert readings(3) != readings(3, "brook 3x120")


def test_a_new_mount_of_the_same_starts_the_same_night_again():
    plant = plant_with("brook 2x140", 200, minutes=5)
    first = plant.true("die")
    plant.mount("brook 2x140", 1)
    assert plant.energy().in_j == 0
    plant.set(heat_w=200)
    plant.advance(1000.0)
    plant.advance(1300.0)
    assert plant.true("die") == first


def test_mounts_differ_by_their_paste_by_some_percent():
    resistances_k_per_w = []
    for seed in range(12):
        plant = plant_with("brook 2x140", 260, seed=seed, minutes=25)
        resistances_k_per_w.append((plant.true("die") - plant.true("coolant")) / plant.true("heat"))
    spread_pct = 100 * (max(resistances_k_per_w) / min(resistances_k_per_w) - 1)
    assert 0.5 < spread_pct < 5


def test_a_new_mount_starts_with_heat_off_and_full_speed():
    plant = plant_with("brook 2x140", 200, 40, 40, minutes=5)
    plant.mount("brook 1x120", 1)
    plant.advance(0.0)
    plant.advance(10.0)
    assert plant.true("heat") == 0
    assert plant.true("fan_speed") == load_specimens()["brook 1x120"].fan_max_rpm
    assert plant.true("pump_speed") == 3000


@pytest.mark.parametrize("specimen", LIQUID)
@pytest.mark.parametrize("fan_pct", [40, 70, 100])
def test_25_minutes_bring_a_liquid_loop_to_within_half_a_kelvin(specimen, fan_pct):
    plant = plant_with(specimen, 260, fan_pct, 60, minutes=25)
    early_k = rise_k(plant)
    plant.advance(3 * 3600.0)
    assert rise_k(plant) == pytest.approx(early_k, abs=0.5)
    plant.set(heat_w=0, fan_pct=100, pump_pct=100)
    plant.advance(3 * 3600.0 + 1500.0)
    assert abs(rise_k(plant)) < 0.5


def test_magnitudes_at_260_w_and_full_speed():
    # What such coolers do: common practice, no source.
    assert plant_with("brook 2x140", 260, minutes=40).true("die") == pytest.approx(74, abs=2)
    assert plant_with("brook 1x120", 260, minutes=40).true("die") > 82


def duty_for(specimen, level_dba):
    low_pct, high_pct = 20.0, 100.0
    while high_pct - low_pct > 0.05:
        middle_pct = (low_pct + high_pct) / 2
        louder = plant_with(specimen, 0, middle_pct, 60, minutes=1).true("level") > level_dba
        low_pct, high_pct = (low_pct, middle_pct) if louder else (middle_pct, high_pct)
    return high_pct


def test_at_one_level_the_smallest_and_the_largest_differ_by_some_6_k():
    small, large = (
        rise_k(plant_with(specimen, 120, duty_for(specimen, 38.0), 60, minutes=40))
        for specimen in ("brook 1x120", "brook 2x140")
    )
    assert small - large == pytest.approx(6, abs=1)


@pytest.mark.parametrize("fan_pct", [30, 100])
def test_bigger_radiators_are_better(fan_pct):
    rises_k = [rise_k(plant_with(name, 150, fan_pct, 60, minutes=40)) for name in BY_RADIATOR]
    assert rises_k == sorted(rises_k, reverse=True)
    assert rises_k[0] - rises_k[2] > 3


def test_beyond_half_speed_the_pump_gains_almost_nothing():
    quarter, half, full = (rise_k(plant_with("brook 2x140", 260, 100, pct, minutes=40)) for pct in (25, 50, 100))
    assert 0 < half - full < 0.25
    assert quarter - half > 1


def test_fans_are_heard_over_the_room_and_the_pump_is_not_below_60_percent():
    silent = plant_with("brook 2x140", 0, 0, 0, minutes=2)
    pump = plant_with("brook 2x140", 0, 0, 60, minutes=2)
    fans = plant_with("brook 2x140", 0, 100, 60, minutes=2)
    assert 31 < silent.true("level") < 32
    assert pump.true("level") - silent.true("level") < 0.5
    assert 49 < fans.true("level") < 50


@pytest.mark.parametrize("fan_pct", [30, 60, 100])
def test_the_level_is_that_of_room_fans_and_pump_together(fan_pct):
    plant = plant_with("brook 2x140", 0, fan_pct, 70, minutes=2)
    room_dba = plant_with("brook 2x140", 0, 0, 0, minutes=2).true("level")
    parts_dba = room_dba, fans_dba(20 * fan_pct, 140, 2), pump_dba(70, 60, 21.0, 0.2)
    assert plant.true("level") == pytest.approx(level_of(sum(map(energy, parts_dba))))


def test_the_inlet_is_warmer_than_the_room_only_when_there_is_heat():
    warm, cold = plant_with("brook 1x120", 260, minutes=30), plant_with("brook 1x120", 0, minutes=30)
    assert 0.5 < warm.true("inlet") - warm.true("ambient") < 4
    assert abs(cold.true("inlet") - cold.true("ambient")) < 0.05


def test_a_night_in_the_room_stays_between_22_and_24_degc_and_around_31_5_dba():
    for seed in range(3):
        plant = plant_with("slate tower", 0, 0, seed=seed)
        for minute in range(1, 600, 7):
            plant.advance(60.0 * minute)
            assert 22 < plant.true("ambient") < 24
            assert 31 < plant.true("level") < 32


def test_supply_volts_times_amperes_are_the_watts():
    plant = plant_with("brook 2x120", 180, minutes=1)
    assert plant.true("supply_voltage") * plant.true("supply_current") == pytest.approx(plant.true("heat"))
    assert plant.true("heat") == pytest.approx(180, rel=0.004)


def test_a_heat_sink_has_neither_coolant_nor_pump():
    plant = plant_with("slate tower", 100, pump_pct=50)
    assert "coolant" not in plant.shown
    assert "pump_speed" not in plant.shown
    with pytest.raises(KeyError):
        plant.read("coolant")


def test_heat_may_come_from_elsewhere():
    plant = Plant(heat_source=lambda: 90.0)
    plant.mount("brook 2x140", 1)
    with pytest.raises(ValueError, match="comes from elsewhere"):
        plant.set(heat_w=100.0)
    plant.advance(0.0)
    plant.advance(10.0)
    assert plant.energy().in_j == pytest.approx(900.0)
    assert plant.true("heat") == 90.0


@pytest.mark.parametrize("wrong", [{"heat_w": -1.0}, {"heat_w": math.nan}, {"fan_pct": 101.0}, {"pump_pct": -0.1}])
def test_impossible_setpoints_are_refused(wrong):
    with pytest.raises(ValueError, match="must be"):
        plant_with("brook 2x140").set(**wrong)


def test_time_stands_or_goes_on_but_never_back():
    plant = plant_with("brook 2x140", 200, minutes=1)
    before = plant.true("die")
    plant.advance(60.0)
    assert plant.true("die") == before
    with pytest.raises(ValueError, match="went back"):
        plant.advance(59.0)


def test_nothing_is_known_before_the_first_mount():
    plant = Plant()
    plant.set(heat_w=0.0, fan_pct=100.0, pump_pct=100.0)
    assert plant.mounted is None
    with pytest.raises(RuntimeError, match="nothing is mounted"):
        plant.advance(0.0)
