"""Air, water and water with glycol: what they weigh, hold, conduct and how thick they are, over temperature.

Plain floats, no iteration. Owns the correlations and nothing else. Where a correlation was fitted here, the
docstring says to what and how closely; CoolProp 8.0.0 stands for the published formulations:
air: Lemmon, Jacobsen, Penoncello, Friend, J. Phys. Chem. Ref. Data 29 (2000) 331, and Lemmon, Jacobsen,
Int. J. Thermophys. 25 (2004) 21; water: IAPWS-95, R12-08, R15-11; ethylene glycol: Melinder, Properties of
Secondary Working Fluids for Indirect Systems, IIR (2010).
"""

from __future__ import annotations

import math
from typing import NamedTuple

#: Molar masses of dry air with 400 ppm of carbon dioxide and of water [kg/mol], gas constant [J/(mol K)]: CIPM-2007.
_DRY_KG_MOL, _VAPOUR_KG_MOL, _GAS_J_PER_MOL_K = 28.96546e-3, 18.01528e-3, 8.314472
#: Heat capacity of water vapour [J/(kg K)]: ASHRAE Handbook Fundamentals, Psychrometrics; cited from memory.
_VAPOUR_J_PER_KG_K = 1860.0


class Fluid(NamedTuple):
    """What a fluid is like at one temperature."""

    density_kg_m3: float
    """Density [kg/m3]."""
    cp_j_per_kg_k: float
    """Heat capacity at constant pressure [J/(kg K)]."""
    k_w_per_m_k: float
    """Thermal conductivity [W/(m K)]."""
    mu_pa_s: float
    """Dynamic viscosity [Pa s]."""

    @property
    def prandtl(self) -> float:
        """Prandtl number [1]: cp mu / k.

        >>> round(water(25.0).prandtl, 2)
        6.14
        """
        return self.cp_j_per_kg_k * self.mu_pa_s / self.k_w_per_m_k

    def stream_w_per_k(self, flow_m3_s: float) -> float:
        """Capacity rate of a stream [W/K]: rho cp Q.

        Args:
            flow_m3_s: volume flow at this density, 0 or more [m3/s]

        >>> round(water(30.0).stream_w_per_k(1e-3 / 60.0), 2)
        69.36
        """
        return self.density_kg_m3 * self.cp_j_per_kg_k * flow_m3_s


def _vapour_share(t_c: float, pressure_pa: float, humidity_pct: float) -> float:
    """Mole fraction of water vapour [1], CIPM-2007: h f(p, t) p_sv(t) / p."""
    t_k = t_c + 273.15
    saturated_pa = math.exp((1.2378847e-5 * t_k - 1.9121316e-2) * t_k + 33.93711047 - 6343.1645 / t_k)
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * t_c * t_c
    return 0.01 * humidity_pct * enhancement * saturated_pa / pressure_pa


def _moist_density_kg_m3(t_c: float, pressure_pa: float, vapour: float) -> float:
    t_k = t_c + 273.15
    first = (
        1.58123e-6
        + (-2.9331e-8 + 1.1043e-10 * t_c) * t_c
        + (5.707e-6 - 2.051e-8 * t_c + (1.9898e-4 - 2.376e-6 * t_c) * vapour) * vapour
    )
    p_t = pressure_pa / t_k
    compressibility = 1.0 - p_t * first + p_t * p_t * (1.83e-11 - 0.765e-8 * vapour * vapour)
    lighter = 1.0 - vapour * (1.0 - _VAPOUR_KG_MOL / _DRY_KG_MOL)
    return pressure_pa * _DRY_KG_MOL / (compressibility * _GAS_J_PER_MOL_K * t_k) * lighter


def air_density(t_c: float, pressure_hpa: float = 1013.25, humidity_pct: float = 0.0) -> float:
    """Density of moist air [kg/m3], CIPM-2007: rho = p M_a / (Z R T) (1 - x_v (1 - M_v / M_a)).

    Picard, Davis, Glaeser, Fujii, Metrologia 45 (2008) 149, with 400 ppm of carbon dioxide; its authors give
    600 to 1100 hPa and 15 to 27 degC. Within 0.1 % of CoolProp's humid air from 0 to 60 degC and of its dry air up
    to 100 degC. 30 hPa less are 3 % less.

    Args:
        t_c: temperature, 0 to 100 [degC]
        pressure_hpa: 600 to 1100 [hPa]
        humidity_pct: relative humidity, 0 to 100; the dew point below 60 degC [%]

    >>> [round(air_density(25.0, p_hpa, h_pct), 4) for p_hpa, h_pct in ((1013.25, 0), (983.25, 0), (1013.25, 50))]
    [1.1843, 1.1492, 1.1773]
    """
    pressure_pa = 100.0 * pressure_hpa
    return _moist_density_kg_m3(t_c, pressure_pa, _vapour_share(t_c, pressure_pa, humidity_pct))


def air_cp_j_per_kg_k(t_c: float) -> float:
    """Heat capacity of dry air [J/(kg K)] at 1013 hPa. Within 0.01 % of CoolProp from 0 to 100 degC; fitted here.

    Args:
        t_c: temperature, 0 to 100 [degC]

    >>> round(air_cp_j_per_kg_k(25.0), 1)
    1006.3
    """
    return 1005.69 + (0.0141982 + 0.000411453 * t_c) * t_c


def air_k_w_per_m_k(t_c: float) -> float:
    """Thermal conductivity of dry air [W/(m K)]. Within 0.02 % of CoolProp from 0 to 100 degC; fitted here.

    Args:
        t_c: temperature, 0 to 100 [degC]

    >>> round(air_k_w_per_m_k(25.0), 5)
    0.02625
    """
    return 0.0243627 + (7.6257e-5 - 3.70559e-8 * t_c) * t_c


def air_mu_pa_s(t_c: float) -> float:
    """Viscosity of dry air [Pa s]. Within 0.02 % of CoolProp from 0 to 100 degC; fitted here.

    Args:
        t_c: temperature, 0 to 100 [degC]

    >>> round(1e6 * air_mu_pa_s(25.0), 2)
    18.45
    """
    return 1.72203e-5 + (4.98547e-8 - 3.11077e-11 * t_c) * t_c


def air(t_c: float, pressure_hpa: float = 1013.25, humidity_pct: float = 0.0) -> Fluid:
    """Moist air. Density as `air_density`; the heat capacity is the mass mean of dry air and vapour (1860 J/(kg K),
    ASHRAE), within 0.1 % of CoolProp below a dew point of 25 degC; conductivity and viscosity are those of dry air,
    at 25 degC and 50 % humidity 0.1 % and 0.5 % too high.

    Args:
        t_c: temperature, 0 to 100 [degC]
        pressure_hpa: 600 to 1100 [hPa]
        humidity_pct: relative humidity, 0 to 100 [%]

    >>> [round(value, 6) for value in air(25.0, 1013.25, 50.0)]
    [1.177315, 1014.691493, 0.026246, 1.8e-05]
    """
    pressure_pa = 100.0 * pressure_hpa
    vapour = _vapour_share(t_c, pressure_pa, humidity_pct)
    wet = vapour * _VAPOUR_KG_MOL / (_DRY_KG_MOL + vapour * (_VAPOUR_KG_MOL - _DRY_KG_MOL))
    dry_cp = air_cp_j_per_kg_k(t_c)
    return Fluid(
        _moist_density_kg_m3(t_c, pressure_pa, vapour),
        dry_cp + wet * (_VAPOUR_J_PER_KG_K - dry_cp),
        air_k_w_per_m_k(t_c),
        air_mu_pa_s(t_c),
    )


def water_density(t_c: float) -> float:
    """Density of water at 1013 hPa [kg/m3]: Kell, J. Chem. Eng. Data 20 (1975) 97, equation 16 (from memory).

    Within 0.002 % of IAPWS-95 from 5 to 90 degC.

    Args:
        t_c: temperature, 0 to 100 [degC]

    >>> round(water_density(40.0), 2)
    992.22
    """
    above = (((-280.54253e-12 * t_c + 105.56302e-9) * t_c - 46.170461e-6) * t_c - 7.9870401e-3) * t_c + 16.945176
    return (999.83952 + above * t_c) / (1.0 + 16.879850e-3 * t_c)


def water_cp_j_per_kg_k(t_c: float) -> float:
    """Heat capacity of water at 1013 hPa [J/(kg K)]. Within 0.02 % of IAPWS-95 from 5 to 90 degC; fitted here.

    Args:
        t_c: temperature, 5 to 90 [degC]

    >>> round(water_cp_j_per_kg_k(40.0), 1)
    4179.3
    """
    return 4216.12 + (-2.68014 + (0.06664 + (-0.000681009 + 2.85662e-6 * t_c) * t_c) * t_c) * t_c


def water_k_w_per_m_k(t_c: float) -> float:
    """Thermal conductivity of water [W/(m K)]. Within 0.02 % of IAPWS R15-11 from 5 to 90 degC; fitted here.

    Args:
        t_c: temperature, 5 to 90 [degC]

    >>> round(water_k_w_per_m_k(40.0), 4)
    0.6285
    """
    return 0.556138 + (0.00245121 + (-2.01485e-5 + (1.19527e-7 - 4.26163e-10 * t_c) * t_c) * t_c) * t_c


def water_mu_pa_s(t_c: float) -> float:
    """Viscosity of water at 1013 hPa [Pa s]: IAPWS SR6-08, Supplementary Release on Properties of Liquid Water at
    0.1 MPa (coefficients from memory): sum of a_i (T / 300 K)^b_i. Within 0.01 % of IAPWS R12-08 from 5 to 90 degC.

    Args:
        t_c: temperature, 0 to 100 [degC]

    >>> round(1e3 * water_mu_pa_s(40.0), 4)
    0.6527
    """
    t = (t_c + 273.15) / 300.0
    power = math.pow
    return 1e-6 * (
        280.68 * power(t, -1.9) + 511.45 * power(t, -7.7) + 61.131 * power(t, -19.6) + 0.45903 * power(t, -40.0)
    )


def water(t_c: float) -> Fluid:
    """Water at 1013 hPa.

    Args:
        t_c: temperature, 5 to 90 [degC]

    >>> [round(value, 4) for value in water(40.0)]
    [992.2158, 4179.2668, 0.6285, 0.0007]
    """
    return Fluid(water_density(t_c), water_cp_j_per_kg_k(t_c), water_k_w_per_m_k(t_c), water_mu_pa_s(t_c))


def coolant(t_c: float, glycol: float = 0.0) -> Fluid:
    """Water with ethylene glycol; exactly `water` at 0.

    Each property of water times 1 + x (a + b s + c s^2) + x^2 (d + e s) with s = (t - 40 degC) / 100 K, fitted here to
    Melinder (2010) as CoolProp gives it (INCOMP::MEG): density within 0.2 %, heat capacity 0.5 %, conductivity 1 %,
    viscosity 2 %.

    Args:
        t_c: temperature, 5 to 90 [degC]
        glycol: mass fraction x, 0 to 0.4 [kg/kg]

    >>> [round(value, 4) for value in coolant(40.0, 0.3)]
    [1028.8549, 3774.3109, 0.4839, 0.0013]
    """
    pure = water(t_c)
    if glycol == 0.0:
        return pure
    s = 0.01 * (t_c - 40.0)
    x = glycol
    return Fluid(
        pure.density_kg_m3 * (1.0 + x * (0.11978 + (-0.020053 + 0.037743 * s) * s + x * (0.011029 - 0.07024 * s))),
        pure.cp_j_per_kg_k * (1.0 + x * (-0.25139 + (0.21829 - 0.13079 * s) * s + x * (-0.23866 + 0.025399 * s))),
        pure.k_w_per_m_k * (1.0 + x * (-0.80708 + (-0.084814 + 0.32897 * s) * s + x * (0.13398 - 0.02373 * s))),
        pure.mu_pa_s * (1.0 + x * (1.7228 + (-0.95237 + 2.8627 * s) * s + x * (5.1466 - 5.4787 * s))),
    )
