"""The simulated bench as its instruments see it: mounting, setpoints, time, and where the watts come from."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.faults import Fault
from sim.plant import Plant
from sim.specimens import load_specimens


def plant_with(specimen, heat_w=0.0, fan_pct=100.0, pump_pct=100.0, seed=1, minutes=0.0, planned=()):
    plant = Plant()
    plant.planned = tuple(planned)
    plant.mount(specimen, seed)
    plant.set(heat_w=heat_w, fan_pct=fan_pct, pump_pct=pump_pct)
    plant.advance(0.0)
    plant.advance(60 * minutes)
    return plant


def rise_k(plant):
    return plant.true("die") - plant.true("ambient")


def test_a_new_mount_starts_with_heat_off_full_speed_and_all_at_ambient():
    plant = plant_with("brook 2x140", 200, 40, 40, minutes=5)
    plant.mount("brook 1x120", 1)
    plant.advance(0.0)
    assert rise_k(plant) == 0.0
    plant.advance(10.0)
    assert plant.true("heat") == 0
    assert plant.true("fan_speed") == 2200.0
    assert plant.true("pump_speed") == 3000.0


def test_mounting_again_before_time_goes_on_changes_nothing_and_after_that_mounts_anew():
    plant = Plant()
    plant.mount("brook 2x120", 1)
    plant.set(fan_pct=40.0)
    plant.mount("brook 2x120", 1)
    plant.advance(0.0)
    plant.advance(60.0)
    assert plant.true("fan_speed") < 1000.0
    plant.mount("brook 2x120", 1)
    assert plant.true("fan_speed") == 2200.0


def test_a_new_mount_is_the_same_again_and_other_specimens_are_other_nights():
    assert plant_with("brook 2x140", 200, minutes=9).true("die") == plant_with("brook 2x140", 200, minutes=9).true(
        "die"
    )
    ambients_c = {plant_with(name).true("ambient") for name in load_specimens()}
    assert len(ambients_c) == len(load_specimens())


@pytest.mark.parametrize("specimen", load_specimens())
def test_a_night_in_the_room_stays_between_22_and_24_degc(specimen):
    plant = plant_with(specimen, 100, 60, 60)
    for minute in range(1, 600, 7):
        plant.advance(60.0 * minute)
        assert 22 < plant.true("ambient") < 24


def test_volts_times_amperes_are_the_watts():
    plant = plant_with("brook 2x120", 180, minutes=30)
    assert plant.true("supply_voltage") * plant.true("supply_current") == pytest.approx(plant.true("heat"))
    # The heater is up to 0.4 % off, and takes 0.02 % more for each kelvin above 60 degC.
    assert plant.true("heat") == pytest.approx(180, rel=0.008)


def test_a_heat_sink_has_neither_coolant_nor_pump_nor_leak():
    plant = plant_with("slate tower", 100, pump_pct=50)
    assert not {"coolant", "pump_speed", "leak"} & plant.shown.keys()
    with pytest.raises(KeyError):
        plant.read("coolant")


def test_planned_faults_happen_to_every_mount():
    plant = plant_with("brook 2x120", 100, minutes=2, planned=[Fault("pump_stalls", 60.0)])
    assert plant.true("pump_speed") == 0.0
    plant.mount("brook 1x120", 2)
    plant.advance(0.0)
    assert plant.true("pump_speed") > 2000.0
    plant.advance(61.0)
    assert plant.true("pump_speed") == 0.0


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


@given(
    zero_s=st.floats(0.0, 1e5),
    steps_s=st.lists(st.floats(1e-9, 2e-3).map(lambda late_s: 1.0 + late_s), min_size=1, max_size=8),
)
@settings(max_examples=40, deadline=None)
def test_every_instrument_may_ask_at_one_time_however_late_a_tick_comes(zero_s, steps_s):
    """A real clock gives no whole ticks, and the instruments of a bench ask one after another at the same time."""
    plant = Plant()
    plant.mount("slate tower", 1)
    plant.set(heat_w=100.0)
    plant.advance(zero_s)
    t_s = zero_s
    for step_s in steps_s:
        t_s += step_s
        plant.advance(t_s)
        before = plant.true("die")
        plant.advance(t_s)
        assert plant.true("die") == before
        with pytest.raises(ValueError, match="went back"):
            plant.advance(math.nextafter(t_s, 0.0))
        plant.advance(t_s)


def test_nothing_is_known_before_the_first_mount():
    plant = Plant()
    plant.set(heat_w=0.0, fan_pct=100.0, pump_pct=100.0)
    assert plant.mounted is None
    assert plant.shown == {}
    with pytest.raises(RuntimeError, match="nothing is mounted"):
        plant.advance(0.0)


def test_an_unknown_specimen_cannot_be_mounted():
    with pytest.raises(KeyError):
        Plant().mount("brook 9x999", 1)
