"""Effectiveness against an independent library, published rows and textbook cases."""

import pytest
from ht import effectiveness_from_NTU
from hypothesis import given
from hypothesis import strategies as st

from sim.exchanger import (
    counterflow,
    crossflow_cmax_mixed,
    crossflow_cmin_mixed,
    crossflow_unmixed,
    crossflow_unmixed_approximate,
    exchange,
    inlet_w_per_k,
    one_sided,
    parallel_flow,
    wall_w_per_k,
)

RELATIONS = (
    crossflow_unmixed,
    crossflow_unmixed_approximate,
    counterflow,
    parallel_flow,
    crossflow_cmax_mixed,
    crossflow_cmin_mixed,
)
# NTU, Cr, then one column for each of RELATIONS. The first by three ways that agree: ht 1.2.0, Mason's double series
# and a finite-difference solution; the others from their formulas (Incropera, table 11.3).
ROWS = [
    (0.5, 0.25, 0.375094, 0.372057, 0.377589, 0.371791, 0.374736, 0.375005),
    (1, 0.5, 0.547490, 0.544764, 0.564733, 0.517913, 0.541969, 0.544764),
    (1, 1, 0.476222, 0.468536, 0.500000, 0.432332, 0.468536, 0.468536),
    (2, 0.5, 0.732409, 0.738758, 0.774600, 0.633475, 0.702013, 0.717546),
    (2, 1, 0.614247, 0.615407, 0.666667, 0.490842, 0.578807, 0.578807),
    (3, 0.75, 0.749406, 0.755313, 0.817118, 0.568430, 0.679549, 0.696630),
    (4, 0.1, 0.965148, 0.968703, 0.975341, 0.897930, 0.935038, 0.962999),
    (5, 0.7, 0.844482, 0.844480, 0.920670, 0.588116, 0.715810, 0.749784),
]
HT_NAMES = {
    crossflow_unmixed: "crossflow",
    counterflow: "counterflow",
    parallel_flow: "parallel",
    crossflow_cmax_mixed: "crossflow, mixed Cmax",
    crossflow_cmin_mixed: "crossflow, mixed Cmin",
}


@pytest.mark.parametrize("row", ROWS)
def test_every_relation_has_the_published_rows(row):
    ntu, cr, *columns = row
    for relation, effectiveness in zip(RELATIONS, columns, strict=True):
        assert relation(ntu, cr) == pytest.approx(effectiveness, abs=6e-7), relation.__name__


@pytest.mark.parametrize("relation", HT_NAMES, ids=HT_NAMES.values())
@pytest.mark.parametrize("cr", [0.01, 0.2, 0.6, 0.95, 1.0])
@pytest.mark.parametrize("ntu", [0.01, 0.3, 1.5, 4.0, 8.0])
def test_agrees_with_an_independent_library(relation, ntu, cr):
    assert relation(ntu, cr) == pytest.approx(effectiveness_from_NTU(ntu, Cr=cr, subtype=HT_NAMES[relation]), abs=1e-6)


def test_the_textbook_approximation_is_up_to_eleven_thousandths_off():
    grid = [(0.5 + 0.25 * i, 0.05 + 0.05 * k) for i in range(19) for k in range(20)]
    worst = max(abs(crossflow_unmixed(*at) - crossflow_unmixed_approximate(*at)) for at in grid)
    assert 0.010 < worst < 0.0115


@given(ntu=st.floats(0.0, 400.0), cr=st.floats(0.0, 1.0))
def test_crossflow_lies_between_parallel_and_counterflow(ntu, cr):
    exact = crossflow_unmixed(ntu, cr)
    assert parallel_flow(ntu, cr) - 1e-7 <= exact <= counterflow(ntu, cr) + 1e-7
    assert exact <= 1.0 + 1e-9


@pytest.mark.parametrize("relation", RELATIONS, ids=lambda relation: relation.__name__)
@pytest.mark.parametrize("cr", [0.0, 1e-13, 1e-9, 2e-7])
def test_all_agree_where_one_stream_keeps_its_temperature(relation, cr):
    for ntu in (1e-9, 0.2, 1.5, 5.0):
        assert relation(ntu, cr) == pytest.approx(one_sided(ntu), rel=1e-6)


def test_effectiveness_grows_with_transfer_units_without_a_step():
    # Across the end of the one-sided form, at Cr NTU = 1e-7.
    below, above = crossflow_unmixed(1.0, 0.99e-7), crossflow_unmixed(1.0, 1.01e-7)
    assert above == pytest.approx(below, rel=1e-7)
    many = [crossflow_unmixed(0.1 * i, 0.6) for i in range(100)]
    assert many == sorted(many)


def test_oil_and_steam_of_the_textbook():
    # Introduction to Heat Transfer, example 10-9 (as in ht): U 275, A 10.82, oil 0.725 kg/s of 1900 J/(kg K) at 15,
    # steam 5.2 kg/s of 1860 at 130 degC, the larger stream mixed.
    oil, steam = 0.725 * 1900, 5.2 * 1860
    assert 275 * 10.82 / oil == pytest.approx(2.1600726, rel=1e-7)
    assert crossflow_cmax_mixed(275 * 10.82 / oil, oil / steam) == pytest.approx(0.8312180, abs=1e-7)
    got = exchange(275 * 10.82, steam, oil, 130.0, 15.0, crossflow_cmax_mixed)
    assert got == pytest.approx((131675.327, 116.3859, 110.5901), rel=1e-6)


def test_oil_of_the_next_example():
    # Example 10-8 (as in ht): 1.45 kg/s of oil heated from 15 to 85 degC; UA 3041.7512 W/K, steam leaves at 110.0610.
    oil, steam = 1.45 * 1900, 5.2 * 1860
    assert crossflow_cmax_mixed(1.1040839, oil / steam) == pytest.approx(0.6086957, abs=1e-7)
    got = exchange(3041.7512, steam, oil, 130.0, 15.0, crossflow_cmax_mixed)
    assert got == pytest.approx((192850.0, 110.0610, 85.0), rel=1e-6)


def test_three_arrangements_at_five_transfer_units():
    # ht docstrings: NTU 5, Cr 0.7.
    for relation, effectiveness in ((parallel_flow, 0.5881156), (counterflow, 0.9206704)):
        assert relation(5.0, 0.7) == pytest.approx(effectiveness, abs=1e-6)
    assert crossflow_unmixed(5.0, 0.7) == pytest.approx(0.8444822, abs=1e-6)


@pytest.mark.parametrize(
    ("relation", "p1"), [(crossflow_unmixed, 0.1698702), (counterflow, 0.1733826), (parallel_flow, 0.1638529)]
)
def test_the_p_ntu_form_of_the_same(relation, p1):
    # ht docstrings: R1 = C1/C2 = 3.5107078, NTU1 = UA/C1 = 0.2978667; P1 = Q / (C1 (T_hot - T_cold)).
    r1, ntu1 = 3.5107078, 0.2978667
    assert inlet_w_per_k(ntu1 * r1, r1, 1.0, relation) / r1 == pytest.approx(p1, abs=2e-7)


def test_heat_is_what_one_stream_loses_and_the_other_gains():
    got = exchange(40.0, 70.0, 20.0, 40.0, 24.0)
    assert got.heat_w == pytest.approx(70.0 * (40.0 - got.hot_out_c))
    assert got.heat_w == pytest.approx(20.0 * (got.cold_out_c - 24.0))


def test_no_stream_no_heat():
    assert inlet_w_per_k(40.0, 0.0, 20.0, crossflow_unmixed) == 0.0
    assert inlet_w_per_k(0.0, 70.0, 20.0, crossflow_unmixed) == 0.0
    assert wall_w_per_k(40.0, 0.0) == 0.0
    assert wall_w_per_k(40.0, 1e9) == pytest.approx(40.0)
