"""Heat transfer coefficients against an independent library, a numerical solution and published values."""

import math

import numpy as np
import pytest
from ht.conv_internal import turbulent_Gnielinski
from scipy.linalg import eigh

from sim.convection import duct_w_per_m2_k, fin_efficiency, laminar_nusselt, louvred_colburn, turbulent_nusselt
from sim.fluids import water


# Shah and London (1978), table 42 for one wall temperature: aspect, Nu.
@pytest.mark.parametrize(
    ("aspect", "nusselt"), [(0.0, 7.541), (0.125, 5.597), (0.25, 4.439), (0.5, 3.391), (1.0, 2.976)]
)
def test_developed_flow_has_the_published_nusselt_numbers(aspect, nusselt):
    assert laminar_nusselt(aspect, 0.0) == pytest.approx(nusselt, rel=0.005)


def graetz_between_plates(graetz):
    """Mean Nusselt number of laminar flow into a gap of one wall temperature, from the equation itself.

    u(y) dT/dx = d2T/dy2 on 0 <= y <= 1 (half gap), u = 1.5 (1 - y^2), T = 1 at the inlet and 0 at the wall: finite
    volumes in y, exact in x by eigenvectors. With D = four half gaps, x runs to 16 / Gz and Nu = Gz/4 ln(1 / T_mean).
    """
    cells = 400
    y = (np.arange(cells) + 0.5) / cells
    u = 1.5 * (1 - y * y)
    diffusion = np.diag(np.r_[1.0, np.full(cells - 2, 2.0), 3.0])
    diffusion -= np.diag(np.ones(cells - 1), 1) + np.diag(np.ones(cells - 1), -1)
    decay, shapes = eigh(diffusion * cells**2, np.diag(u))
    rest = shapes @ (np.exp(-decay * 16 / graetz) * (shapes.T @ u))
    return graetz / 4 * math.log(1 / (float(u @ rest) / float(u.sum())))


@pytest.mark.parametrize("graetz", [1.0, 10.0, 60.0, 200.0, 3000.0])
def test_the_entrance_agrees_with_a_numerical_solution(graetz):
    assert laminar_nusselt(0.0, graetz) == pytest.approx(graetz_between_plates(graetz), rel=0.042)


@pytest.mark.parametrize(("reynolds", "prandtl"), [(4e3, 4.34), (1e4, 0.7), (1e5, 7.0)])
def test_turbulent_flow_agrees_with_an_independent_library(reynolds, prandtl):
    petukhov = (0.79 * math.log(reynolds) - 1.64) ** -2
    expected = turbulent_Gnielinski(Re=reynolds, Pr=prandtl, fd=petukhov)
    assert turbulent_nusselt(reynolds, prandtl) == pytest.approx(expected, rel=1e-9)


def test_a_duct_goes_from_laminar_to_turbulent_without_a_step():
    gap_m, breadth_m = 3e-3, 2e-2
    diameter_m = 2 * gap_m * breadth_m / (gap_m + breadth_m)
    fluid = water(40.0)
    flow_of_re_1 = fluid.mu_pa_s / fluid.density_kg_m3 / diameter_m * gap_m * breadth_m
    for reynolds in (2300, 4000):
        low, high = (
            duct_w_per_m2_k(near * reynolds * flow_of_re_1, gap_m, breadth_m, 0.3, fluid)
            for near in (1 - 1e-6, 1 + 1e-6)
        )
        assert high == pytest.approx(low, rel=1e-4)
    many = [duct_w_per_m2_k(100 * i * flow_of_re_1, gap_m, breadth_m, 0.3, fluid) for i in range(80)]
    assert many == sorted(many)


def test_louvred_fins_follow_their_exponents():
    # Chang and Wang (1997), equation 9; a typical core, calculated by hand to three figures: 0.0935 x 0.722 x 0.989 x
    # 0.577 x 0.497 x 3.16 x 0.552 x 1.145 = 0.0382.
    core = (27.0, 1.083, 6.667, 20.83, 5.417, 8.333, 0.0667)
    assert louvred_colburn(126.0, *core) == pytest.approx(0.0383, abs=2e-4)
    assert louvred_colburn(252.0, *core) / louvred_colburn(126.0, *core) == pytest.approx(2**-0.49)


def test_fin_efficiency_of_a_textbook_fin():
    # m L = 1: tanh(1) = 0.76159; a short fin counts whole.
    assert fin_efficiency(200.0, 400.0, 1e-3, math.sqrt(1e-3)) == pytest.approx(0.76159, abs=1e-5)
    assert fin_efficiency(0.0, 200.0, 1e-4, 0.01) == 1.0
