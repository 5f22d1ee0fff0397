"""Sound levels: means, sums, background correction, A weighting.

Levels are averaged by energy, never arithmetically. Imports numpy only. It must not know where a level was
measured nor what made the noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, TypeAlias, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchd.analysis.uncertainty import Estimate, Part, combine, mean_of_series

Floats = NDArray[np.float64]

Bound: TypeAlias = Literal["value", "indicative", "upper"]
"""What a corrected level is worth: a value; only an indication (between 3 and 6 dB over the background); or
no more than a bound that the true level does not exceed."""

_DB_PER_RELATIVE = 10 / math.log(10)

#: Differences over the background [dB] at which the correction ends, counts in full, and is cut off.
NO_CORRECTION_ABOVE_DB = 15.0
FULL_GRADE_FROM_DB = 6.0
CUT_OFF_BELOW_DB = 3.0


def _k1(difference_db: float) -> float:
    return -10 * math.log10(1 - 10 ** (-difference_db / 10))


def energy_mean(levels_db: ArrayLike) -> float:
    """Mean of levels by energy: 10 lg( (1/n) sum 10^(L_i / 10) ).

    `levels_db` [dB] any number of levels of equal duration, in one dimension, NaN where one is missing. Gives
    the level [dB]; never below the arithmetic mean. Raises ValueError when there is none, or one is infinite.
    Source: ISO 1996-1:2016 3.6, equivalent continuous level.

    >>> round(energy_mean([60.0, 70.0]), 4)
    67.4036
    """
    levels = _levels(levels_db)
    top = float(levels.max())
    return top + 10 * math.log10(float(np.mean(10 ** ((levels - top) / 10))))


def energy_mean_estimate(levels_db: ArrayLike) -> Estimate:
    """Energy mean of correlated samples with the type A uncertainty of their scatter.

    The energies e_i = 10^(L_i/10) are averaged as `uncertainty.mean_of_series` averages any autocorrelated
    series; then u(L) = (10 / ln 10) u(e) / e. `levels_db` [dB] equally spaced samples, NaN where one is
    missing; at least two. Gives [dB]. Valid for a relative scatter of the mean energy well below 1, about u <
    1 dB. The meter's own uncertainty is not in it. Source: JCGM 100:2008 4.2 and 5.1.

    >>> level = energy_mean_estimate([31.2, 31.5, 33.0])
    >>> round(level.value, 2), round(level.u_std, 2)
    (31.97, 0.58)
    """
    levels = np.asarray(levels_db, dtype=float)
    top = float(_levels(levels).max())
    energy = mean_of_series(10 ** ((levels - top) / 10))
    return Estimate(top + 10 * math.log10(energy.value), _DB_PER_RELATIVE * energy.u_std / energy.value, energy.dof)


def level_sum(levels_db: ArrayLike) -> float:
    """Level of several incoherent sounds together: 10 lg( sum 10^(L_i / 10) ).

    `levels_db` [dB] the levels, in one dimension. Gives the level [dB]. Valid for sounds that do not
    interfere, as noise from different fans. Raises ValueError when there is none, or one is not finite.
    Source: ISO 3744:2010 annex, sum of levels; any text on acoustics.

    >>> round(level_sum([60.0, 60.0]), 4)
    63.0103
    """
    levels = np.asarray(levels_db, dtype=float)
    if np.isnan(levels).any():
        raise ValueError("a sum with a missing level has no value")
    return energy_mean(levels) + 10 * math.log10(levels.size)


@dataclass(frozen=True, slots=True)
class Corrected:
    """A level without its background.

    `level_db` [dB]; `bound` says what it is worth; `gain` [1] = d level / d total, by which the uncertainty
    of the total grows.
    """

    level_db: float
    bound: Bound
    gain: float

    @property
    def background_gain(self) -> float:
        """d level / d background [1], never positive: a louder background leaves less for the source."""
        return 1 - self.gain


def background_corrected(level_db: float, background_db: float) -> Corrected:
    """Takes the background out of a total level: L - K1, K1 = -10 lg(1 - 10^(-dL/10)), dL = level -
    background.

    | dL           | correction          | bound                                       |
    | above 15 dB  | none                | "value"                                     |
    | 6 to 15 dB   | K1                  | "value", grade 2 of ISO 3744                |
    | 3 to 6 dB    | K1                  | "indicative", grade 3 of ISO 3746           |
    | below 3 dB   | K1(3 dB) = 3.0 dB   | "upper": the source is at most this loud    |

    `level_db` [dB] source and background together; `background_db` [dB] the same place and meter without the
    source. A total at or under the background is "upper" too. The gain is 1 / (1 - 10^(-dL/10)), at most that
    of 3 dB: 2.0. Raises ValueError for levels that are not finite. Source: ISO 3744:2010 8.2.3 equation (16);
    ISO 3746:2010 8.4.1.

    >>> round(background_corrected(40.0, 30.0).level_db, 2)
    39.54
    >>> background_corrected(31.0, 30.0).bound
    'upper'
    """
    if not (math.isfinite(level_db) and math.isfinite(background_db)):
        raise ValueError(f"levels must be finite, got {level_db} and {background_db}")
    difference = level_db - background_db
    # The cut-off uses K1(3 dB) unrounded: 3.0206 dB. Rounded, a louder total could give a quieter source.
    counted = max(difference, CUT_OFF_BELOW_DB)
    gain = 1 / (1 - 10 ** (-counted / 10))
    if difference > NO_CORRECTION_ABOVE_DB:
        return Corrected(level_db, "value", gain)
    return Corrected(level_db - _k1(counted), _worth(difference), gain)


def _worth(difference_db: float) -> Bound:
    if difference_db >= FULL_GRADE_FROM_DB:
        return "value"
    return "indicative" if difference_db >= CUT_OFF_BELOW_DB else "upper"


@dataclass(frozen=True, slots=True)
class SourceLevel:
    """A level without its background, as an estimate: `level` [dB], and `bound`, what it is worth."""

    level: Estimate
    bound: Bound


def source_level(total: Estimate, background: Estimate) -> SourceLevel:
    """`background_corrected` with the uncertainties of both levels carried through.

    u^2 = (gain u_total)^2 + ((gain - 1) u_background)^2. `total` [dB] source and background together;
    `background` [dB] without the source. An error of the meter that both share is counted as if it were two,
    which errs wide. Validity and source: see `background_corrected`; JCGM 100:2008 5.1.

    >>> source = source_level(Estimate(36.0, 0.2), Estimate(30.0, 0.2)).level
    >>> round(source.value, 2), round(source.u_std, 2)
    (34.74, 0.28)
    """
    corrected = background_corrected(total.value, background.value)
    both = combine(
        [
            Part(total.u_std, corrected.gain, total.dof),
            Part(background.u_std, corrected.background_gain, background.dof),
        ]
    )
    return SourceLevel(Estimate(corrected.level_db, both.u_std, both.dof), corrected.bound)


def _corners() -> tuple[float, float, float, float]:
    """The four corner frequencies [Hz] of the A weighting, from the definition in IEC 61672-1:2013 annex
    E."""
    reference, low, high, a_low = 1000.0, 10**1.5, 10**3.9, 10**2.45
    half = math.sqrt(0.5)
    c = low**2 * high**2
    b = (reference**2 + c / reference**2 - half * (low**2 + high**2)) / (1 - half)
    root = math.sqrt(b**2 - 4 * c)
    f1, f4 = math.sqrt((-b - root) / 2), math.sqrt((-b + root) / 2)
    return f1, (3 - math.sqrt(5)) / 2 * a_low, (3 + math.sqrt(5)) / 2 * a_low, f4


_F1, _F2, _F3, _F4 = _corners()


def _unnormalised_db(frequency_hz: Floats) -> Floats:
    f2 = frequency_hz**2
    gain = _F4**2 * f2**2 / ((f2 + _F1**2) * np.sqrt(f2 + _F2**2) * np.sqrt(f2 + _F3**2) * (f2 + _F4**2))
    return np.asarray(20 * np.log10(gain), dtype=float)


@overload
def a_weighting_db(frequency_hz: float) -> float: ...
@overload
def a_weighting_db(frequency_hz: NDArray[np.floating]) -> Floats: ...
def a_weighting_db(frequency_hz: float | NDArray[np.floating]) -> float | Floats:
    """A weighting as the analytic function of IEC 61672-1.

    A(f) = 20 lg[ f4^2 f^4 / ((f^2 + f1^2) sqrt(f^2 + f2^2) sqrt(f^2 + f3^2) (f^2 + f4^2)) ] - A(1000 Hz).
    `frequency_hz` [Hz] above 0, a number or an array; the standard tabulates 10 Hz to 20 kHz at the EXACT
    frequencies 1000 * 10^(0.1 (n - 30)), of which 31.5 or 12 500 are only names. Gives the weighting [dB], in
    the same shape. Raises ValueError for frequencies not above 0. Source: IEC 61672-1:2013 annex E.

    >>> round(a_weighting_db(100.0), 1), a_weighting_db(1000.0)
    (-19.1, 0.0)
    """
    frequency = np.asarray(frequency_hz, dtype=float)
    if not (np.isfinite(frequency).all() and (frequency > 0).all()):
        raise ValueError("frequencies must be finite and above 0 Hz")
    weighting = _unnormalised_db(frequency) - _unnormalised_db(np.asarray(1000.0))
    return float(weighting) if frequency.ndim == 0 else weighting


def _levels(levels_db: ArrayLike) -> Floats:
    levels = np.asarray(levels_db, dtype=float)
    if levels.ndim != 1:
        raise ValueError(f"levels have one dimension, got {levels.ndim}")
    if np.isinf(levels).any():
        raise ValueError("a level is infinite; a missing one is NaN")
    there = levels[~np.isnan(levels)]
    if there.size == 0:
        raise ValueError("there is no level")
    return np.asarray(there, dtype=float)
