"""Follows one rise from a change of settings on: the curves that agree with it, and whether they are to be believed.

Takes out what is not the specimen's own: the air's movement, filtered by the lag of the plant, and watts that are not
quite those set. Judges a curve by its misfit and by what came after it was known. It must not know when a soak is over.
"""

from __future__ import annotations

import math
import operator
from collections import deque
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.lagged import LAGS_S, nearest
from benchd.analysis.noise import Noise, local_noise, noise_of, rounding_bias
from benchd.analysis.thinned import Thinned
from benchd.analysis.two_exponentials import TAIL_S, Curves, Series, TwoExponentials

Floats = NDArray[np.float64]
_Number = TypeVar("_Number", float, Floats)

LEAST_GROUPS = 12
"""A curve needs so many groups of samples."""
_FITTED = 6
"""Parameters of a curve."""
OLD = 0.8
"""Out of sample: judged is the curve known at this part of the time [1]."""
HELD = 3.0
"""A curve has held when the mean since lies within so many standard uncertainties [1]."""
_BROKEN = 6.0
"""Something has happened when the mean since lies so many standard uncertainties off the curves known then [1]."""
_KEPT_APART = 1.06
"""Curves are kept for that at times apart by this factor [1]."""
_EXCUSED = 20.0
"""Noise with a long memory may look so many times larger [1] than its samples scatter among themselves."""
_MISFIT = 4.0
"""A curve misses its samples when chi squared is so many standard deviations too large [1]."""
_FORGOTTEN = 0.15
"""Then this part of the time is forgotten, from the start [1]."""
_STATED = 2.5
"""A slow mode so many times larger than stated, or a drift so many times its uncertainty, is neither [1]."""
_OVER = 8.0
"""An exponential is over after so many time constants [1],"""
_HALF = 0.5
"""which must lie in the first part of the time [1]."""
_LAG_SPREAD = 0.5
"""The air's lag is the slow time constant within a factor e^0.5 [1], unless the samples say otherwise."""
_BETTER = 4.0
"""Another lag is taken when it is better by so much in chi squared [1]."""
_MANY = 8
"""A group of so many samples shows a misfit that noise of short memory does not."""
_SPREADS = np.array([0.15, 0.7, 0.4, 0.7])
"""How far each column of `_taken_off` may count, a standard deviation about 0 [1]: air may reach the die a little more
or less than its sensor, and by another lag; part of the watts comes through at once, the rest by another lag."""
_COUNTS_K = np.array([1e-3, 1e-3, 0.02, 0.02])
"""A column that never is larger is left out [K]."""


class Look(NamedTuple):
    """What one look at the samples found."""

    curves: Curves
    noise: Noise
    final: tuple[float, float]
    """Final rise and its standard uncertainty [K]."""
    left: tuple[float, float]
    """What separates the rise from it, and its standard uncertainty [K]."""
    misfit: float
    """Chi squared over degrees of freedom [1]."""
    fits: bool
    held: float | None
    """How far the mean since lies off the curve known earlier, in standard uncertainties [1]."""
    off_k: float
    """The same [K]."""
    broken: bool
    """Whether that is so far, also of the curve that may drift, that something must have happened."""
    origin_s: float
    """The curves' time counts from this age [s]."""
    bias_k: float
    """What rounding may shift it by, as a standard uncertainty [K]."""
    drift: tuple[float, float] | None
    """Drift besides the curve and its standard uncertainty [K/s], where it was looked for."""
    lag_s: float | None

    @property
    def holds(self) -> bool:
        """Whether the curve fits, and an earlier one has held."""
        return self.fits and self.held is not None and abs(self.held) <= HELD


class _Old(NamedTuple):
    """What was known at an earlier age."""

    age_s: float
    curves: Curves
    drifting: Curves | None
    lag: int
    columns: NDArray[np.intp]


class Following:
    """The curve of one soak.

    `resolution_k` [K] step of the sensor; `slow_tail_k` [K] as in `TwoExponentials`.

    >>> following = Following(0.01, 0.3)
    >>> for t in range(900):
    ...     following.put(float(t), 40 - 40 * math.exp(-t / 100), None, None)
    >>> look = following.look(900.0)
    >>> look.fits, abs(look.final[0] - 40) < 0.2
    (True, True)
    """

    def __init__(self, resolution_k: float, slow_tail_k: float) -> None:
        self._resolution_k = resolution_k
        self._slow_tail_k = slow_tail_k
        self._model = TwoExponentials(slow_tail_k)
        self._samples = Thinned(2 * len(LAGS_S))
        self._companions = np.zeros(2 * len(LAGS_S))
        self._companions[len(LAGS_S) :] = 1.0
        self._air_moved = False
        self._lag = nearest(240.0)
        self._columns: NDArray[np.intp] = np.zeros(0, dtype=np.intp)
        self._variance = resolution_k**2 / 6 + 1e-8
        self._old: deque[_Old] = deque(maxlen=24)
        self.since_s = 0.0
        self._origin_s = 0.0
        self._bias_k = 0.0

    def put(self, age_s: float, rise_k: float, air_behind_k: Floats | None, heat_share: Floats | None) -> None:
        """Takes a sample.

        `age_s` [s] since the start; `rise_k` [K]; `air_behind_k` [K] air now less air as each lag of `LAGS_S` sees it,
        None where it is not known; `heat_share` [1] watts over set watts, likewise.

        >>> Following(0.1, 0.3).put(0.0, 1.0, None, None)
        """
        lags = len(LAGS_S)
        if air_behind_k is not None:
            self._companions[:lags] = air_behind_k
            self._air_moved = True
        if heat_share is not None:
            self._companions[lags:] = heat_share
        self._samples.put(age_s, rise_k, self._companions)

    @property
    def ready(self) -> bool:
        """Whether there are samples enough for a curve."""
        return len(self._samples.t_s) >= LEAST_GROUPS

    @property
    def sample_count(self) -> int:
        """How many samples are used [1]."""
        return int(self._samples.count.sum())

    def own(self, rise_k: float, air_behind_k: Floats | None, heat_share: Floats | None) -> tuple[float, list[float]]:
        """A rise without what air and watts did to it [K], and the columns that go with it in the latest curves [K].

        `rise_k` [K]; `air_behind_k` [K] and `heat_share` [1] as in `put`.

        >>> Following(0.1, 0.3).own(20.0, None, None)
        (20.0, [])
        """
        lag = self._lag
        air = (0.0, 0.0, 0.0) if air_behind_k is None else air_behind_k[lag - 1 : lag + 2].tolist()
        share = (1.0, 1.0, 1.0, 1.0) if heat_share is None else heat_share[[0, lag - 1, lag, lag + 1]].tolist()
        own_k, given_k = _taken_off(rise_k, *air, *share)
        return own_k, [given_k[column] for column in self._columns]

    def look(self, age_s: float, for_drift: bool = True) -> Look:
        """Fits anew and judges.

        `age_s` [s] now; for_drift: whether to look for a drift as well, which takes as long again. Only when `ready`.

        >>> following = Following(0.1, 0.3)
        >>> for t in range(100):
        ...     following.put(float(t), 20.0, None, None)
        >>> round(following.look(100.0).final[0], 1)
        20.0
        """
        series = self._series(self._lag)
        if not self._old and not self.since_s:
            # The first time nothing is known of the noise: the curves are found twice.
            self._variance = self._noise(self._model.fit(series, self._variance)).variance
        curves = self._model.fit(series, self._variance)
        if self._choose_lag(curves):
            series = self._series(self._lag)
            curves = self._model.fit(series, self._variance)
        drifting = self._model.with_drift(series, self._variance) if for_drift else None
        # Around the curve that may drift: what a drift leaves beside the other would be taken for noise.
        noise = self._noise(drifting or curves)
        self._bias_k = rounding_bias(noise.sd_k, self._resolution_k)
        misfit, limit, birge = self._misfit(curves, series, noise)
        self._variance = noise.variance * birge
        held, off_k, broken = self._held(age_s)
        over_s = self._over(curves, drifting, age_s)
        if over_s > self.since_s:
            self._forget(over_s)
        # What fits with a drift is no reason to forget: it drifts.
        elif misfit > limit and (drifting is None or operator.gt(*self._misfit(drifting, series, noise)[:2])):
            self._forget(self.since_s + _FORGOTTEN * (age_s - self.since_s))
        elif not self._old or age_s >= _KEPT_APART * self._old[-1].age_s:
            self._old.append(_Old(age_s, curves, drifting, self._lag, self._columns))
        final_k, u_k = curves.final()
        return Look(
            curves=curves,
            noise=noise,
            final=(final_k, math.hypot(u_k, curves.tail_off(age_s - self._origin_s))),
            left=curves.left(age_s - self._origin_s),
            misfit=misfit,
            fits=misfit <= limit,
            held=held,
            off_k=off_k,
            broken=broken,
            origin_s=self._origin_s,
            bias_k=self._bias_k,
            drift=None if drifting is None else drifting.drift(),
            lag_s=float(LAGS_S[self._lag]) if self._air_moved else None,
        )

    def break_at(self, age_s: float) -> None:
        """Begins anew at a time at which something happened: the slow mode may have been stirred as well.

        `age_s` [s] when.

        >>> following = Following(0.1, 0.3)
        >>> for t in range(100):
        ...     following.put(float(t), 20.0, None, None)
        >>> following.break_at(90.0)
        >>> following.ready
        False
        """
        self._forget(age_s)
        self._origin_s = age_s

    def _over(self, curves: Curves, drifting: Curves | None, age_s: float) -> float:
        """The age before which samples only keep an exponential busy that is wanted elsewhere; 0 when none is.

        A third mode shows as a slow mode far beyond what was stated, or as a drift. When the faster exponential is over
        by now, leaving out what it was for frees it.
        """
        _, tail_k = curves.coefficient[curves.best, :2]
        drift, u = drifting.drift() if drifting is not None else (0.0, 1.0)
        if abs(tail_k) <= _STATED * max(self._slow_tail_k, 1e-3) and abs(drift) <= _STATED * u:
            return 0.0
        over_s = _OVER * float(np.exp(curves.log_tau[curves.best].min()))
        return self._origin_s + over_s if over_s < _HALF * (age_s - self._origin_s) else 0.0

    def _forget(self, before_s: float) -> None:
        self._samples = self._samples.since(before_s)
        self._old.clear()
        self.since_s = before_s

    def _series(self, lag: int, columns: NDArray[np.intp] | None = None) -> Series:
        """All samples, with the columns that count or those that are asked for."""
        samples = self._samples
        own, given = self._own(samples.x, samples.companions, lag)
        if columns is None:
            columns = self._columns = np.flatnonzero(np.abs(given).max(axis=0) > _COUNTS_K)
        t_s = samples.t_s - self._origin_s
        return Series(t_s, samples.spread_s2, samples.count, own, given[:, columns], _SPREADS[columns])

    def _own(self, x: Floats, companions: Floats, lag: int) -> tuple[Floats, Floats]:
        """As `own`, for many and any of the lags, with all columns (n, 4)."""
        air, share = companions[:, : len(LAGS_S)].T, companions[:, len(LAGS_S) :].T
        sooner, behind, later = air[lag - 1 : lag + 2]
        own, given = _taken_off(x, sooner, behind, later, share[0], share[lag - 1], share[lag], share[lag + 1])
        return own, np.stack(given, axis=1)

    def _noise(self, curves: Curves) -> Noise:
        """The noise around a curve; where that is far more than the samples scatter among themselves, the latter: the
        curve does not fit, and what it leaves must not excuse it."""
        t, x, companions = self._samples.recent()
        own, given = self._own(x, companions, self._lag)
        around = noise_of(
            own - curves.best_at(t - self._origin_s, 0.0, given[:, self._columns]), _FITTED, self._resolution_k
        )
        local = local_noise(own, self._resolution_k)
        return local if local is not None and around.variance > _EXCUSED * local.variance else around

    def _misfit(self, curves: Curves, series: Series, noise: Noise) -> tuple[float, float, float]:
        """Chi squared over degrees of freedom, its limit, and the Birge ratio by which uncertainties are widened."""
        off = series.x_k - curves.best_at(series.t_s, series.spread_s2, series.given_k)
        chi = off**2 / (noise.variance_of_mean(series.number) + self._bias_k**2)
        memory = (1 + noise.r) / (1 - noise.r)
        free = max(len(chi) - _FITTED, 1)
        limit = 1 + _MISFIT * math.sqrt(2 / free * memory)
        large = chi[series.number >= _MANY]
        birge = max(float(large.mean()), 1.0) if large.size > _MANY else 1.0
        return float(chi.sum()) / free, limit, birge

    def _held(self, age_s: float) -> tuple[float | None, float, bool]:
        """What the latest curve that is old enough said of the samples since, against them."""
        old = next((one for one in reversed(self._old) if one.age_s <= OLD * age_s), None)
        if old is None:
            return None, 0.0, False
        series = self._series(old.lag, old.columns)
        part = series.rows(series.t_s > old.age_s - self._origin_s)
        total = float(part.number.sum())
        if total < 2:
            return None, 0.0, False
        weights = part.number / total
        mean_k = float(part.x_k @ weights)
        own = math.hypot(math.sqrt(self._variance / total), self._bias_k)
        offs = []
        for curves in (old.curves, old.drifting):
            said, u = curves.mean_over(part, weights) if curves is not None else (math.inf, 1.0)
            offs.append((mean_k - said) / math.hypot(u, own))
        return offs[0], mean_k - old.curves.mean_over(part, weights)[0], min(map(abs, offs)) > _BROKEN

    def _choose_lag(self, curves: Curves) -> bool:
        """The lag with which the air, taken off, leaves the smoothest rise; whether it is another than before."""
        before, tau_s = self._lag, np.exp(curves.log_tau[curves.best])
        expected = math.log(float(tau_s.max()))
        cost = ((np.log(LAGS_S) - expected) / _LAG_SPREAD) ** 2
        if self._air_moved:
            samples, lags = self._samples, len(LAGS_S)
            t, root = samples.t_s - self._origin_s, np.sqrt(samples.count / self._variance)
            design = np.stack([np.ones_like(t), np.exp(-t / TAIL_S), *np.exp(-t / tau_s[:, None])]).T * root[:, None]
            x = (samples.x[:, None] + samples.companions[:, :lags]) / samples.companions[:, lags:] * root[:, None]
            fitted, *_ = np.linalg.lstsq(design, x, rcond=None)
            cost += ((x - design @ fitted) ** 2).sum(axis=0)
        # Its neighbours are looked at as well, so it is neither the first nor the last.
        best = 1 + int(np.argmin(cost[1:-1]))
        if cost[best] < cost[before] - _BETTER:
            self._lag = best
        return self._lag != before


def _taken_off(
    rise_k: _Number,
    air_sooner_k: _Number,
    air_k: _Number,
    air_later_k: _Number,
    share_at_once: _Number,
    share_sooner: _Number,
    share: _Number,
    share_later: _Number,
) -> tuple[_Number, tuple[_Number, _Number, _Number, _Number]]:
    """Rises without what air and watts did to them by one lag, and what that may have missed: air behind, and by the
    neighbouring lags; watts that come through at once, and by the neighbouring lags."""
    own_k = (rise_k + air_k) / share
    per_share_k = own_k / share
    at_once_k, by_lag_k = per_share_k * (share_at_once - share), per_share_k * (share_later - share_sooner)
    return own_k, (air_k, air_later_k - air_sooner_k, at_once_k, by_lag_k)
