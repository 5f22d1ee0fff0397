"""What a look at a rise comes to, in one of four words: settling, predicted, settled, drifting.

A drift is what fools a prediction: for long it looks like a slow exponential. So an end that is known is believed only
when a drift is excluded, or when it has stayed known for a while without any sign of one. It must not know how the
curves were found.
"""

from __future__ import annotations

import math
from typing import Literal, TypeAlias

import numpy as np

from benchd.analysis.following import HELD, Look

State: TypeAlias = Literal["settling", "predicted", "settled", "drifting"]

_OFF = 0.25
"""A curve has also held when the mean since is off by less than this part of the tolerance [1]."""

_SURE = 3.5
"""A drift is seen beyond so many standard uncertainties [1], and"""
_LIKELY = 2.0
"""not excluded beyond so many."""
_OVER_S = 1000.0
"""A drift counts by what it moves the rise in this time [s], in tolerances; where those are loose, in units of this:"""
_COUNTS_K = 0.35
"""that an end is wanted loosely is no reason to take a crawl of many kelvins an hour for one [K]."""
_NOTHING = 0.5
"""Up to so many of them it is none [1];"""
_EXCLUDED = 4.0
"""when it is surely under so many [1], an end is believed at once,"""
_LATER = 1.3
"""else when it has been known since the time was shorter by this factor [1], and nothing looks like a drift."""
_NO_END_S = 900.0
"""A rise that has not bent for this long [s], or is seen to drift though its end is not known, drifts."""


def goes_by(state: Literal["predicted", "settled"], tolerance_k: float) -> str:
    """What a good verdict goes by, for a person.

    `tolerance_k` [K] how well the end is known, or how near the rise has come to it.

    >>> goes_by("settled", 0.2)
    'within 0.2 K of its end'
    """
    if state == "settled":
        return f"within {tolerance_k:g} K of its end"
    return f"its end is known to within {tolerance_k:g} K"


class Judge:
    """Judges the looks at one rise, in order.

    `tolerance_k` [K] how well its end must be known; `coverage` [1] standard uncertainties in a half width.

    >>> Judge(0.2, 1.96).tolerance_k
    0.2
    """

    def __init__(self, tolerance_k: float, coverage: float) -> None:
        self.tolerance_k = tolerance_k
        self._coverage = coverage
        self._counts_k = min(tolerance_k, _COUNTS_K)
        self._known_s = math.nan

    def minds_drift(self, age_s: float, half_width_k: float) -> bool:
        """Whether the next verdict may depend on a drift, so that one has to be looked for.

        `age_s` [s] since the start; `half_width_k` [K] of the end at the last look.

        >>> Judge(0.2, 1.96).minds_drift(300.0, 5.0)
        False
        """
        return half_width_k <= 2 * self.tolerance_k or age_s > _NO_END_S

    def judge(self, age_s: float, lasted_s: float, look: Look, half_width_k: float) -> tuple[State, str]:
        """The word, and why, for a person: without the end's figures, which are this rise's only, not its die's.

        `age_s` [s] since the start; `lasted_s` [s] since the first sample that is used; `half_width_k` [K] of the end.

        >>> from benchd.analysis.following import Following
        >>> following = Following(0.01, 0.0)
        >>> for t in range(900):
        ...     following.put(float(t), 40 - 40 * math.exp(-t / 60), None, None)
        >>> Judge(0.2, 1.96).judge(900.0, 900.0, following.look(900.0), 0.01)
        ('settled', 'within 0.2 K of its end')
        """
        tolerance_k = self.tolerance_k
        known = half_width_k <= tolerance_k
        if not known:
            self._known_s = math.nan
        elif math.isnan(self._known_s):
            self._known_s = age_s
        drifting = self._drifting(age_s, lasted_s, look, known)
        if drifting:
            return "drifting", drifting
        if not look.fits:
            return "settling", "no sum of two exponentials fits it"
        if look.held is not None and abs(look.held) > HELD and abs(look.off_k) > _OFF * tolerance_k:
            return "settling", f"the curve known before did not hold: {look.off_k:+.2f} K off"
        left_k, left_u_k = look.left
        there = known and abs(left_k) + self._coverage * left_u_k <= tolerance_k
        if known and not self._is_believed(age_s, look):
            return "settling", "its end looks known, but it may still drift"
        if there:
            return "settled", goes_by("settled", tolerance_k)
        if known and look.held is not None:
            return "predicted", goes_by("predicted", tolerance_k)
        return "settling", "its end looks known, but is not tested yet" if known else "its end is not known yet"

    def _drifting(self, age_s: float, lasted_s: float, look: Look, known: bool) -> str:
        if look.drift is not None and (known or age_s > _NO_END_S):
            drift, u = look.drift
            if abs(drift) > _SURE * u and abs(drift) * _OVER_S > _NOTHING * self._counts_k:
                return f"it drifts by {3600 * drift:+.1f} K/h"
        slow_s = float(np.exp(look.curves.log_tau_spread()[0].max()))
        if not known and lasted_s > _NO_END_S and slow_s > lasted_s and abs(look.left[0]) > self.tolerance_k:
            return "it goes on without bending"
        return ""

    def _is_believed(self, age_s: float, look: Look) -> bool:
        if look.drift is None:
            return False
        size, u = (abs(part) * _OVER_S / self._counts_k for part in look.drift)
        if size > _LIKELY * u and size > _NOTHING:
            return False
        return size + 2 * u <= _EXCLUDED or age_s > _LATER * self._known_s
