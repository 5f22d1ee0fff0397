"""Flows of a specimen: what they depend on, when they are worked out anew, what a missing fan or hose does."""

import pytest

from sim.specimens import load_specimens
from sim.streams import Setting, Streams

SPECIMENS = load_specimens()
USUAL = Setting(
    fan_speed=0.6, turning=2, air_c=23.0, pressure_hpa=1012.0, humidity_pct=50.0, pump_speed=0.6, coolant_c=34.0
)


def flows(name="brook 2x120", **changed):
    return Streams(SPECIMENS[name]).at(USUAL._replace(**changed))


def passed_w_per_k(found):
    return found.effectiveness * found.smaller_w_per_k


def test_small_moves_change_nothing_and_large_ones_do():
    streams = Streams(SPECIMENS["brook 2x120"])
    first = streams.at(USUAL)
    assert streams.at(USUAL._replace(air_c=23.2, pressure_hpa=1012.9, humidity_pct=54.0, coolant_c=34.9)) is first
    for moved in ({"air_c": 24.0}, {"pressure_hpa": 980.0}, {"coolant_c": 50.0}, {"fan_speed": 0.61}):
        assert streams.at(USUAL._replace(**moved)) != first


def test_they_depend_on_the_setting_alone_and_not_on_the_way_to_it():
    streams = Streams(SPECIMENS["brook 3x120"])
    straight = streams.at(USUAL)
    streams.at(USUAL._replace(air_c=30.0, fan_speed=1.0))
    assert streams.at(USUAL) == straight


def test_thirty_hectopascals_less_are_three_percent_of_the_air():
    # Mass flow goes with density at equal volume flow, and density with pressure: ideal gas.
    ratio = flows(pressure_hpa=982.0).air_w_per_k / flows(pressure_hpa=1012.0).air_w_per_k
    assert ratio == pytest.approx(982.0 / 1012.0, abs=0.008)


def test_a_stalled_fan_takes_its_part_of_the_radiator_out():
    whole, half = flows(), flows(turning=1)
    assert half.air_w_per_k == pytest.approx(whole.air_w_per_k / 2, rel=1e-6)
    assert 0.4 < passed_w_per_k(half) / passed_w_per_k(whole) < 0.6


@pytest.mark.parametrize("name", ["brook 2x120", "slate tower"])
@pytest.mark.parametrize("still", [{"turning": 0}, {"fan_speed": 0.0}])
def test_without_fans_no_air(name, still):
    found = flows(name, **{"turning": 1} | still)
    assert found.air_w_per_k == 0.0
    assert found.effectiveness == 0.0


@pytest.mark.parametrize("stopped", [{"pump_speed": 0.0}, {"air_lock": 1.0}])
def test_without_pressure_no_coolant(stopped):
    found = flows(**stopped)
    assert found.coolant_w_per_k == 0.0
    assert found.loop_share == 0.0
    assert found.effectiveness == 0.0


def test_a_kink_leaves_a_trickle():
    assert 0.0 < flows(kink=1.0).coolant_w_per_k < 0.1 * flows().coolant_w_per_k
    assert flows(kink=0.5).coolant_w_per_k > flows(kink=0.9).coolant_w_per_k > flows(kink=1.0).coolant_w_per_k


def test_bubbles_at_the_pump_cost_flow():
    assert 0.7 < flows(at_pump=0.5).coolant_w_per_k / flows().coolant_w_per_k < 0.99


@pytest.mark.parametrize("name", SPECIMENS)
def test_faster_fans_move_more_air_of_which_each_kelvin_is_used_less(name):
    turning = SPECIMENS[name].fans.count
    slow, fast = (flows(name, fan_speed=speed, turning=turning) for speed in (0.4, 1.0))
    assert fast.air_w_per_k > 2.2 * slow.air_w_per_k
    assert 0.2 < fast.effectiveness < slow.effectiveness < 1.0


def test_bigger_radiators_pass_more_on():
    passed = [passed_w_per_k(flows(f"brook {count}x120", turning=count)) for count in (1, 2, 3)]
    assert passed == sorted(passed)
    assert passed[1] > 1.5 * passed[0]
