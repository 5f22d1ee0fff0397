"""The heat balance against closed forms, a published worked example and an independent library."""

import math

import pytest
from ht import effectiveness_from_NTU
from scipy.integrate import solve_ivp

from sim.thermal import TwoNodes, air_w_per_k, effectiveness, film_k_per_w, fins


def test_thermocouple_bead_reaches_99_percent_when_the_textbook_says():
    # Cengel, Heat Transfer, example 4-1 (companion code at git.fossee.in, Scilab-TBC-Uploads 587/CH4/EX4.1):
    # bead of 1 mm, rho 8500, cp 320, h 210: b = 0.462 1/s, 99 % after 10 s; exactly tau = 2.15873 s, 9.941 s.
    diameter_m = 1e-3
    capacity_j_per_k = 8500 * 320 * math.pi / 6 * diameter_m**3
    conductance_w_per_k = 210 * math.pi * diameter_m**2
    bead = TwoNodes(block_j_per_k=1e-12, sink_j_per_k=capacity_j_per_k, start_c=0.0)
    bead.couple(1e-3, conductance_w_per_k)
    bead.step(2.15873, 0.0, 100.0)
    assert bead.sink_c == pytest.approx(63.212, abs=0.001)
    bead.step(9.941 - 2.15873, 0.0, 100.0)
    assert bead.sink_c == pytest.approx(99.0, abs=0.001)


@pytest.mark.parametrize(("taus", "percent"), [(1, 63.212), (2, 86.466), (3, 95.021), (4, 98.168), (5, 99.326)])
def test_one_time_constant_after_the_other(taus, percent):
    body = TwoNodes(1e-12, 1000.0, 0.0)
    body.couple(1.0, 10.0)
    body.step(taus * 100.0, 0.0, 100.0)
    assert body.sink_c == pytest.approx(percent, abs=0.001)


def test_a_transient_agrees_with_a_numerical_solution():
    nodes = TwoNodes(190.0, 3000.0, 23.0)
    nodes.couple(5.7, 25.0)

    def slope(_t_s, temperatures_c):
        block_c, sink_c = temperatures_c
        flow_w = 5.7 * (block_c - sink_c)
        return (260.0 - flow_w) / 190.0, (flow_w - 25.0 * (sink_c - 22.0)) / 3000.0

    solved = solve_ivp(slope, (0.0, 90.0), (23.0, 23.0), rtol=1e-11, atol=1e-11)
    nodes.step(30.0, 260.0, 22.0)
    nodes.step(60.0, 260.0, 22.0)
    assert nodes.block_c == pytest.approx(solved.y[0, -1], abs=1e-6)
    assert nodes.sink_c == pytest.approx(solved.y[1, -1], abs=1e-6)


@pytest.mark.parametrize("h_s", [0.05, 1.0, 60.0, 3600.0])
def test_the_end_does_not_depend_on_the_steps(h_s):
    nodes = TwoNodes(190.0, 3000.0, 23.0)
    nodes.couple(5.7, 25.0)
    for _ in range(round(3600 / h_s)):
        nodes.step(h_s, 260.0, 22.0)
    whole = TwoNodes(190.0, 3000.0, 23.0)
    whole.couple(5.7, 25.0)
    whole.step(3600.0, 260.0, 22.0)
    assert nodes.block_c == pytest.approx(whole.block_c, abs=1e-8)
    assert nodes.rejected_j == pytest.approx(whole.rejected_j, rel=1e-9)


def test_effectiveness_agrees_with_an_independent_library():
    for ntu in (0.1, 0.5, 1.5, 4.0):
        assert effectiveness(ntu) == pytest.approx(effectiveness_from_NTU(ntu, Cr=0, subtype="boiler"), rel=1e-12)


def test_air_stream_carries_what_dry_air_of_25_degc_carries():
    # 1.18432 kg/m3 and 1006.308 J/(kg K) at 25 degC, 101.325 kPa: CoolProp 8.0.0.
    assert air_w_per_k(0.0167) == pytest.approx(0.0167 * 1191.79, rel=1e-5)


def test_inlet_air_is_the_mix_of_room_and_exhaust():
    stream_w_per_k, fins_c, room_c, recirculated = 30.0, 40.0, 23.0, 0.12
    conductance_w_per_k, share = fins(stream_w_per_k, 1.5, 0.7, recirculated)
    inlet_c = room_c + share * (fins_c - room_c)
    heat_w = conductance_w_per_k * (fins_c - room_c)
    exhaust_c = inlet_c + heat_w / (0.7 * stream_w_per_k)
    assert inlet_c == pytest.approx(room_c + recirculated * (exhaust_c - room_c))
    assert heat_w == pytest.approx(0.7 * stream_w_per_k * effectiveness(1.5 / math.sqrt(0.7)) * (fins_c - inlet_c))


def test_more_fan_always_cools_more_but_less_than_in_proportion():
    conductances = [fins(40.0, 1.5, speed, 0.1)[0] for speed in (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)]
    assert conductances == sorted(set(conductances))
    assert conductances[5] < 2.5 * conductances[2]


def test_beyond_half_flow_the_film_gains_almost_nothing():
    half_k_per_w, full_k_per_w = film_k_per_w(0.04, 0.5), film_k_per_w(0.04, 1.0)
    assert 0 < 260 * (half_k_per_w - full_k_per_w) < 0.2
    assert 260 * (film_k_per_w(0.04, 0.2) - full_k_per_w) > 2.0
    assert film_k_per_w(0.04, 0.0) < math.inf
