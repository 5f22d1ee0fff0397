"""Radiator, fin stack and cold plate: geometry by hand, scaling, an independent library, usual magnitudes."""

import dataclasses
import itertools
import math

import pytest
from ht import effectiveness_from_NTU

from sim.fluids import air, coolant, water
from sim.surfaces import ColdPlate, FinStack, Radiator

LITRE_MIN = 1e-3 / 60
AIR = air(27.0, 1000.0, 45.0)
WARM = water(40.0)
# Invented: 27 mm deep, aluminium, 12 tubes over 120 mm, 18 fins an inch.
SINGLE = Radiator(
    width_m=0.12,
    length_m=0.12,
    depth_m=0.025,
    tube_count=12,
    passes=2,
    tube_height_m=2e-3,
    wall_m=3e-4,
    fin_pitch_m=1.4e-3,
    fin_thickness_m=8e-5,
    louvre_pitch_m=1.2e-3,
    louvre_angle_deg=27.0,
)
TRIPLE = dataclasses.replace(SINGLE, length_m=0.36)
PLATE = ColdPlate(channel_count=50, gap_m=3e-4, height_m=3e-3, length_m=0.03, fin_thickness_m=2e-4)
TWIN = FinStack(fin_count=45, width_m=0.11, depth_m=0.045, gap_m=2e-3, thickness_m=4e-4, reach_m=0.015, rows=2)


def test_geometry_by_hand():
    assert SINGLE.fin_height_m == pytest.approx(8e-3)
    assert SINGLE.fin_m2 == pytest.approx(12 * (0.12 / 1.4e-3) * 2 * 8e-3 * 0.025)
    assert SINGLE.free_m2 == pytest.approx(0.12 * 0.12 * 0.8 * (1.4 - 0.08) / 1.4)
    assert SINGLE.tube_inside_m2 == pytest.approx(12 * 2 * (1.4e-3 + 24.4e-3) * 0.12)
    assert SINGLE.coolant_m3 == pytest.approx(12 * 1.4e-3 * 24.4e-3 * 0.12)
    shell_m3 = 12 * (2e-3 * 25e-3 - 1.4e-3 * 24.4e-3) * 0.12
    assert SINGLE.metal_m3 == pytest.approx(shell_m3 + SINGLE.fin_m2 / 2 * 8e-5)
    assert TWIN.fin_m2 == pytest.approx(2 * 45 * 2 * 0.11 * 0.045)
    assert TWIN.metal_m3 == pytest.approx(TWIN.fin_m2 / 2 * 4e-4)


def test_a_usual_radiator_has_one_to_two_transfer_units():
    # Common practice, no source: 60 m3/h of air and 1 l/min.
    ntu = SINGLE.ua_w_per_k(60 / 3600, LITRE_MIN, AIR, WARM) / AIR.stream_w_per_k(60 / 3600)
    assert 1.2 < ntu < 2.0


def test_three_times_the_length_with_three_times_the_air_is_three_times_the_fins():
    assert TRIPLE.fins_w_per_k(0.048, AIR) == pytest.approx(3 * SINGLE.fins_w_per_k(0.016, AIR))


def test_louvred_fins_gain_with_the_square_root_of_the_air():
    # Chang and Wang (1997): h ~ v^0.51; the efficiency takes a little of it.
    gain = SINGLE.fins_w_per_k(0.016, AIR) / SINGLE.fins_w_per_k(0.008, AIR)
    assert 2**0.46 < gain < 2**0.51


@pytest.mark.parametrize("air_m3_s", [0.004, 0.016, 0.03])
@pytest.mark.parametrize("litres", [0.02, 0.5, 2.0])
def test_heat_agrees_with_an_independent_library(air_m3_s, litres):
    flows = air_m3_s, litres * LITRE_MIN
    streams = AIR.stream_w_per_k(flows[0]), WARM.stream_w_per_k(flows[1])
    fins, tubes = SINGLE.fins_w_per_k(flows[0], AIR), SINGLE.tubes_w_per_k(flows[1], WARM)
    ntu = 1 / (1 / fins + 1 / tubes) / min(streams)
    effectiveness = effectiveness_from_NTU(ntu, Cr=min(streams) / max(streams), subtype="crossflow")
    assert SINGLE.inlet_w_per_k(*flows, AIR, WARM) == pytest.approx(effectiveness * min(streams), rel=1e-6)


def test_altitude_costs_heat():
    # 30 hPa are 3 % of the mass; the transfer units rise a little, so the heat loses somewhat less.
    thin = air(27.0, 970.0, 45.0)
    share = SINGLE.inlet_w_per_k(0.016, LITRE_MIN, thin, WARM) / SINGLE.inlet_w_per_k(0.016, LITRE_MIN, AIR, WARM)
    assert 0.975 < share < 0.985


def test_more_air_has_diminishing_returns():
    heat = [SINGLE.inlet_w_per_k(0.004 * i, LITRE_MIN, AIR, WARM) for i in range(1, 9)]
    steps = [b - a for a, b in itertools.pairwise(heat)]
    assert min(steps) > 0
    assert steps == sorted(steps, reverse=True)


def test_without_a_stream_no_heat_goes_over():
    assert SINGLE.inlet_w_per_k(0.0, LITRE_MIN, AIR, WARM) == 0.0
    assert SINGLE.inlet_w_per_k(0.016, 0.0, AIR, WARM) == 0.0
    assert TWIN.inlet_w_per_k(0.0, AIR) == 0.0
    assert PLATE.inlet_w_per_k(0.0, WARM) == 0.0


def plate_over_room_k(heat_w, litres, air_m3_s):
    """Cold plate over the room's air: round the loop, steady."""
    flow = litres * LITRE_MIN
    over_inlet_k = heat_w / PLATE.inlet_w_per_k(flow, WARM)
    hot_k = heat_w / TRIPLE.inlet_w_per_k(air_m3_s, flow, AIR, WARM)
    return hot_k - heat_w / WARM.stream_w_per_k(flow) + over_inlet_k


def test_coolant_beyond_half_flow_gains_little():
    # Laminar channels: the film hardly changes, and what the plate gains by a cooler outlet the radiator loses.
    assert 1.0 < PLATE.film_w_per_k(LITRE_MIN, WARM) / PLATE.film_w_per_k(0.5 * LITRE_MIN, WARM) < 1.1
    crawl, half, full, double = (plate_over_room_k(260.0, litres, 0.048) for litres in (0.2, 0.5, 1.0, 2.0))
    assert crawl - half > 4 * (half - full) > 8 * (full - double) > 0
    assert half - full < 0.008 * 260.0


def test_glycol_costs_a_little():
    mixed = coolant(40.0, 0.3)
    assert 0.75 < PLATE.film_w_per_k(LITRE_MIN, mixed) / PLATE.film_w_per_k(LITRE_MIN, WARM) < 0.95


def test_wide_plates_tend_to_parallel_plates():
    # Shah and London: Nu = 7.541 developed; a long stack of wide gaps with hardly any flow.
    slow = dataclasses.replace(TWIN, gap_m=1e-3, reach_m=1e-6)
    h = slow.fins_w_per_k(1e-6, AIR) / slow.fin_m2
    assert h * 2e-3 / AIR.k_w_per_m_k == pytest.approx(7.541, rel=0.04)


def test_a_usual_twin_tower_passes_most_of_what_its_air_can_carry():
    # Common practice, no source: 70 m3/h through a twin tower.
    flow = 70 / 3600
    share = TWIN.inlet_w_per_k(flow, AIR) / AIR.stream_w_per_k(flow)
    assert 0.75 < share < 0.95
    assert share == pytest.approx(1 - math.exp(-TWIN.fins_w_per_k(flow, AIR) / AIR.stream_w_per_k(flow)))
