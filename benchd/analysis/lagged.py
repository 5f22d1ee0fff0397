"""A quantity as a sluggish body sees it: filtered by a lag, for many lags at once.

What warms the air or feeds the heater reaches the die late and smoothed. How late, a fit finds out; until then the
quantity is kept for every lag that may be asked for. It must not know what the quantity is.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LAGS_S: Floats = 15.0 * 2.0 ** (np.arange(14) / 2)
"""Two for each octave, from 15 to 1358 s [s]."""


def nearest(lag_s: float) -> int:
    """Which of the lags is nearest to one, by ratio.

    `lag_s` [s] above 0. Gives the index [1].

    >>> round(float(LAGS_S[nearest(250.0)]), 0)
    240.0
    """
    return int(np.argmin(np.abs(np.log(LAGS_S) - math.log(lag_s))))


class Lagged:
    """The first-order lag of a quantity, y' = (x - y) / lag, for all of `LAGS_S`, exact for a value held over a step.

    Starts as if the first value had stood for ever.

    >>> air = Lagged()
    >>> air.put(0.0, 20.0)
    >>> air.put(240.0, 21.0)
    >>> round(float(air.values[nearest(240.0)]), 2)
    20.63
    """

    def __init__(self) -> None:
        self.now = math.nan
        self.values: Floats = np.full(LAGS_S.shape, math.nan)
        self._step_s = math.nan
        self._share: Floats = np.zeros_like(LAGS_S)

    def put(self, since_s: float, x: float) -> None:
        """Takes the value that held since the last one; what is no number keeps the last one.

        `since_s` [s] time since the last one; `x` [any unit].

        >>> air = Lagged()
        >>> air.put(0.0, 20.0)
        >>> air.put(1.0, math.nan)
        >>> air.now
        20.0
        """
        if not math.isfinite(x):
            x = self.now
        if math.isnan(self.now):
            self.values = np.full(LAGS_S.shape, x)
        elif not math.isnan(x):
            if since_s != self._step_s:
                self._step_s, self._share = since_s, -np.expm1(-since_s / LAGS_S)
            self.values = self.values + self._share * (x - self.values)
        self.now = x


class Share:
    """Watts over the watts they were set to, as each lag of `LAGS_S` sees them.

    `set_w` [W] what they were set to; None: what was seen after `AFTER_S`. Tells nothing before that, as a load needs
    some seconds to come up, nor for less than a watt. The plant is taken to have seen those watts from the start on.

    >>> share = Share(200.0)
    >>> for t in range(3000):
    ...     share.put(1.0, float(t), 202.0)
    >>> round(float(share.values[0]), 3)
    1.01
    """

    AFTER_S = 5.0
    _LEAST_W = 1.0
    _FAR = (0.5, 2.0)

    def __init__(self, set_w: float | None) -> None:
        self.set_w = set_w
        self._lagged = Lagged()
        self.values: Floats | None = None

    def put(self, since_s: float, age_s: float, heat_w: float) -> None:
        """Takes a value; what is no number keeps the last one.

        `since_s` [s] time since the last one; `age_s` [s] since the watts were set; `heat_w` [W].

        >>> share = Share(200.0)
        >>> share.put(1.0, 1.0, 150.0)
        >>> share.values is None
        True
        """
        if age_s < self.AFTER_S:
            return
        self._lagged.put(since_s, heat_w)
        if self.set_w is None and math.isfinite(heat_w):
            self.set_w = heat_w
        if self.set_w is not None and self.set_w >= self._LEAST_W and not math.isnan(self._lagged.now):
            self.values = np.clip(self._lagged.values / self.set_w, *self._FAR)
