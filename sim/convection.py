"""Heat transfer coefficients: flow in narrow ducts, air over louvred fins, and how far a fin helps.

Owns the published correlations. Knows no radiator and no cold plate; surfaces.py puts them together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sim.fluids import Fluid

#: Laminar below, turbulent above: Gnielinski, Int. J. Heat Mass Transfer 63 (2013) 134 (from memory) [1].
_RE_LAMINAR, _RE_TURBULENT = 2300.0, 4000.0
#: Radiation of a painted surface to a room, both near 40 degC: 4 x 0.9 x 5.67e-8 x 313^3 (Stefan and Boltzmann).
_RADIATED_W_PER_M2_K = 6.3


@dataclass(frozen=True, slots=True)
class StillAir:
    """What a hot part gives to still air: its outside only, since air hardly moves between close fins."""

    area_m2: float
    """Its outside, 0 or more [m2]."""
    high_m: float = 0.12
    """How high it is, above 0 [m]."""

    def w_per_k(self, rise_k: float) -> float:
        """Conductance to the air around it [W/K]: A (1.42 (dT / L)^(1/4) + 6.3).

        Free convection at vertical surfaces, laminar, in air (Holman, Heat Transfer, table 7-2; from memory), and
        radiation. Valid to some 200 K; the same upwards and downwards.

        Args:
            rise_k: over the air, either way [K]

        >>> [round(StillAir(0.05).w_per_k(rise_k), 2) for rise_k in (0.0, 10.0, 40.0)]
        [0.32, 0.53, 0.62]
        """
        return self.area_m2 * (1.42 * math.pow(abs(rise_k) / self.high_m, 0.25) + _RADIATED_W_PER_M2_K)


def laminar_nusselt(aspect: float, graetz: float) -> float:
    """Mean Nusselt number of laminar flow into a rectangular duct of one wall temperature [1].

        Nu = (Nu_T^3 + 0.641^3 f Re Gz)^(1/3),  Gz = Re Pr D / L

    Nu_T and the Fanning f Re of fully developed flow: polynomials of Shah and London, Laminar Flow Forced Convection in
    Ducts (1978); the entrance is Leveque's solution, with the constant that gives its 1.849 Gz^(1/3) between parallel
    plates (same source; coefficients from memory). Joined by cubes (Churchill and Usagi), at most 4.2 % too high
    between parallel plates. The velocity profile is taken as developed.

    Args:
        aspect: shorter side by longer side, 0 (parallel plates) to 1 [1]
        graetz: Gz, 0 or more [1]

    >>> [round(laminar_nusselt(0.0, graetz), 3) for graetz in (0.0, 10.0, 100.0)]
    [7.541, 7.895, 10.199]
    """
    a = aspect
    developed = 7.541 * (1 - a * (2.610 - a * (4.970 - a * (5.119 - a * (2.702 - a * 0.548)))))
    friction = 24.0 * (1 - a * (1.3553 - a * (1.9467 - a * (1.7012 - a * (0.9564 - a * 0.2537)))))
    return math.pow(developed**3 + 0.2634 * friction * graetz, 1.0 / 3.0)


def turbulent_nusselt(reynolds: float, prandtl: float) -> float:
    """Nusselt number of turbulent flow in a smooth duct [1]: Gnielinski, Int. Chem. Eng. 16 (1976) 359.

        Nu = (f/8) (Re - 1000) Pr / (1 + 12.7 sqrt(f/8) (Pr^(2/3) - 1)),  f = (0.79 ln Re - 1.64)^-2 (Petukhov)

    Args:
        reynolds: with the hydraulic diameter, 2300 to 5e6 [1]
        prandtl: 0.5 to 2000 [1]

    >>> round(turbulent_nusselt(1e4, 4.34), 1)
    66.2
    """
    eighth = math.pow(0.79 * math.log(reynolds) - 1.64, -2.0) / 8.0
    return (
        eighth * (reynolds - 1000.0) * prandtl / (1.0 + 12.7 * math.sqrt(eighth) * (math.pow(prandtl, 2.0 / 3.0) - 1.0))
    )


def duct_w_per_m2_k(flow_m3_s: float, gap_m: float, breadth_m: float, length_m: float, fluid: Fluid) -> float:
    """Heat transfer coefficient of one rectangular duct, mean over its length [W/(m2 K)].

    Laminar below Re = 2300, turbulent above 4000, a straight line in Re between the two (Gnielinski 2013).

    Args:
        flow_m3_s: flow through this one duct, 0 or more [m3/s]
        gap_m: its shorter side [m]
        breadth_m: its longer side [m]
        length_m: its length [m]
        fluid: what flows [no unit]

    >>> from sim.fluids import water
    >>> [round(duct_w_per_m2_k(flow, 3e-4, 3e-3, 0.03, water(40.0))) for flow in (0.0, 3.3e-7, 6.6e-7)]
    [6811, 8045, 8985]
    """
    diameter_m = 2.0 * gap_m * breadth_m / (gap_m + breadth_m)
    velocity_m_s = flow_m3_s / (gap_m * breadth_m)
    reynolds = fluid.density_kg_m3 * velocity_m_s * diameter_m / fluid.mu_pa_s
    prandtl = fluid.prandtl
    per_nusselt = fluid.k_w_per_m_k / diameter_m
    if reynolds >= _RE_TURBULENT:
        return per_nusselt * turbulent_nusselt(reynolds, prandtl)
    graetz_each = prandtl * diameter_m / length_m
    aspect = gap_m / breadth_m
    if reynolds <= _RE_LAMINAR:
        return per_nusselt * laminar_nusselt(aspect, reynolds * graetz_each)
    turbulent = (reynolds - _RE_LAMINAR) / (_RE_TURBULENT - _RE_LAMINAR)
    low = laminar_nusselt(aspect, _RE_LAMINAR * graetz_each)
    return per_nusselt * ((1.0 - turbulent) * low + turbulent * turbulent_nusselt(_RE_TURBULENT, prandtl))


def louvred_colburn(
    reynolds: float,
    louvre_angle_deg: float,
    fin_pitch: float,
    fin_height: float,
    depth: float,
    louvre_length: float,
    tube_pitch: float,
    fin_thickness: float,
) -> float:
    """Colburn factor j of air over louvred fins between flat tubes [1].

        j = Re^-0.49 (angle/90)^0.27 F_p^-0.14 F_h^-0.29 T_d^-0.23 L_l^0.68 T_p^-0.28 d^-0.05

    Chang, Wang, Int. J. Heat Mass Transfer 40 (1997) 533, equation 9: nine in ten of its data within 15 %,
    Re 100 to 3000; Re and all lengths are by louvre pitch, the velocity is that between the fins. The shipped
    radiators are nearly always below that, at Re 20 to 120, where data flatten and this is optimistic.

    Args:
        reynolds: by louvre pitch, above 0 [1]
        louvre_angle_deg: angle of the louvres [deg]
        fin_pitch: F_p [louvre pitches]
        fin_height: F_h, tube to tube [louvre pitches]
        depth: T_d, of the tubes along the air [louvre pitches]
        louvre_length: L_l [louvre pitches]
        tube_pitch: T_p [louvre pitches]
        fin_thickness: d [louvre pitches]

    >>> round(louvred_colburn(126.0, 27.0, 1.08, 6.67, 20.8, 5.42, 8.33, 0.067), 4)
    0.0383
    """
    return (
        math.pow(reynolds, -0.49)
        * math.pow(louvre_angle_deg / 90.0, 0.27)
        * math.pow(fin_pitch, -0.14)
        * math.pow(fin_height, -0.29)
        * math.pow(depth, -0.23)
        * math.pow(louvre_length, 0.68)
        * math.pow(tube_pitch, -0.28)
        * math.pow(fin_thickness, -0.05)
    )


def fin_efficiency(h_w_per_m2_k: float, metal_w_per_m_k: float, thickness_m: float, reach_m: float) -> float:
    """How much of a straight fin counts [1]: tanh(m L) / (m L), m = sqrt(2 h / (k d)). Incropera, equation 3.94 (from
    memory); one-dimensional conduction, adiabatic tip.

    Args:
        h_w_per_m2_k: heat transfer coefficient, 0 or more [W/(m2 K)]
        metal_w_per_m_k: conductivity of the fin [W/(m K)]
        thickness_m: thickness of the fin [m]
        reach_m: from its root to its tip, or to the middle between two roots [m]

    >>> round(fin_efficiency(100.0, 200.0, 8e-5, 4e-3), 3)
    0.938
    """
    ml = reach_m * math.sqrt(2.0 * h_w_per_m2_k / (metal_w_per_m_k * thickness_m))
    return math.tanh(ml) / ml if ml > 1e-6 else 1.0
