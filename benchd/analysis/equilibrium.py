"""Equilibrium: where a rise will end, how sure that is, and whether it is there yet.

Fed one sample at a time for a whole night, so memory is bounded and the curve is fitted anew only when time has grown
by some parts in a hundred. What can be known, the posterior of `two_exponentials` says. This file adds what a bench
does to a rise besides: air and watts that move (`lagged`), wrong samples, doors that open, sensors that hang, drifts.
It must not know what is heated, nor who waits for it.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from statistics import NormalDist
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.following import OLD, Following, Look
from benchd.analysis.hanging import Around, Sensor, late_by
from benchd.analysis.judging import Judge, State
from benchd.analysis.lagged import Lagged, Share
from benchd.analysis.noise import Noise
from benchd.analysis.two_exponentials import TAIL_S

Floats = NDArray[np.float64]
_Sample: TypeAlias = tuple[float, float, Floats | None, Floats | None]

FIRST_LOOK_S = 20.0
"""Nothing is said before this [s]."""
_LOOK_GROWTH = 1.035
"""The curve is fitted anew when time since the start has grown by this factor [1]."""
_LOOK_S = 2.0
"""But not sooner than this after the last time [s]."""

_WRONG = 6.0
"""A sample so many standard deviations off the curve is wrong [1], and so many of them in a row are a step:"""
_WRONG_IN_A_ROW = 5
_WRONG_FOR_S = 4.0
"""over at least this time [s]."""

_BROKEN_FROM = 0.25
"""A curve that broke off by less than this part of the tolerance is none of our business [1]."""
_FAR_S = 1e5
"""As far as anybody looks ahead [s]."""


class Equilibrium(NamedTuple):
    """What is known at one moment."""

    state: State
    final_k: float
    """Where the rise will end [K], at the air's present temperature and the set watts; NaN before anything is known."""
    half_width_k: float
    """Half width of its interval at the stated confidence [K]; infinite before anything is known."""
    remaining_s: float | None
    """Until the rise is within the tolerance of it [s]; None unless predicted or settled."""
    reason: str
    """What stands in the way, or what it goes by, in words."""
    left_k: float
    """Rise now less final, after noise is taken away [K]; NaN before anything is known."""


@dataclass(frozen=True)
class Account:
    """How the detector came to what it says, for a person who asks why."""

    since_s: float
    """Samples before this are not used [s], in the caller's time."""
    samples: float
    """How many are [1]."""
    tau_s: tuple[float, float]
    """Time constants of the likeliest curve [s]."""
    amplitude_k: tuple[float, float]
    """What each of them had to go at the start [K]."""
    tail_k: float
    """What the slow mode had to go at the start [K]."""
    noise: Noise
    lag_s: float | None
    """Lag at which the air's temperature is subtracted [s]; None where it is not known."""
    misfit: float
    """Chi squared over degrees of freedom [1]: about 1 where the curve fits."""
    held: float | None
    """How far off the curve known at 80 % of the time the mean since lies, in standard uncertainties [1]."""
    off_k: float | None
    """The same [K]."""
    drift_k_per_h: float | None
    """Drift besides the curve [K/h], where it was looked for, and its standard uncertainty:"""
    drift_u_k_per_h: float | None
    rejected: tuple[tuple[float, str], ...]
    """What was set aside, and why: time [s] in the caller's time, words."""


class _Expected(NamedTuple):
    """What the next samples will be, in plain numbers, as it is asked for each of them."""

    factors: list[float]
    """Of 1, of the slow mode, of two exponentials, and of the given columns."""
    tau_s: list[float]
    origin_s: float
    limit_k: float

    def misses(self, age_s: float, own_k: float, given_k: list[float]) -> bool:
        """Whether a sample is too far off to be noise."""
        final, b, a1, a2, *given = self.factors
        since_s = age_s - self.origin_s
        said = final + b * math.exp(-since_s / TAIL_S)
        said += a1 * math.exp(-since_s / self.tau_s[0]) + a2 * math.exp(-since_s / self.tau_s[1])
        said += sum(factor * column for factor, column in zip(given, given_k, strict=True))
        return abs(own_k - said) > self.limit_k


_NOTHING = Equilibrium("settling", math.nan, math.inf, None, "too early to say", math.nan)


class EquilibriumDetector:
    """Says at every moment where a rise will end and how sure that is.

    `tolerance_k` [K] how well the end has to be known, above 0; `confidence` [1] of the interval, between 0.5 and 1;
    `resolution_k` [K] step of the sensor, at least 0; `slow_tail_k` [K] standard deviation of a slow mode of about
    1000 s that may be present (case, room, soaked radiator) and that the first minutes cannot show, 0 for none;
    `heat_set_w` [W] watts the rise is told for, the first ones seen where None; `watches_sensor` [1] False where the
    caller does, as one who sees more of it than this rise. Raises ValueError otherwise.

    >>> detector = EquilibriumDetector(tolerance_k=0.2, resolution_k=0.01)
    >>> for t in range(1200):
    ...     noise = 0.01 * ((t * 7919) % 5 - 2)
    ...     now = detector.update(float(t), 40 - 10 * math.exp(-t / 10) - 30 * math.exp(-t / 200) + noise)
    >>> now.state, abs(now.final_k - 40) < now.half_width_k < 0.2
    ('settled', True)
    """

    def __init__(
        self,
        tolerance_k: float = 0.2,
        confidence: float = 0.95,
        resolution_k: float = 0.1,
        slow_tail_k: float = 0.3,
        heat_set_w: float | None = None,
        watches_sensor: bool = True,
    ) -> None:
        if not 0 < tolerance_k < math.inf:
            raise ValueError(f"tolerance_k must be above 0, got {tolerance_k}")
        if not 0.5 < confidence < 1:
            raise ValueError(f"confidence must be between 0.5 and 1, got {confidence}")
        if not 0 <= resolution_k < math.inf:
            raise ValueError(f"resolution_k must be at least 0, got {resolution_k}")
        if heat_set_w is not None and not 0 <= heat_set_w < math.inf:
            raise ValueError(f"heat_set_w must be at least 0, got {heat_set_w}")
        self.tolerance_k = tolerance_k
        self.confidence = confidence
        self.resolution_k = resolution_k
        self.slow_tail_k = slow_tail_k
        self._coverage = NormalDist().inv_cdf(0.5 + confidence / 2)
        self._given_heat_w = heat_set_w
        self._last_s = -math.inf
        self._start_s = math.nan
        self._look_at_s = FIRST_LOOK_S
        self._following = Following(resolution_k, slow_tail_k)
        self._watts = Share(heat_set_w)
        self._air = Lagged()
        self._sensor = Sensor(resolution_k) if watches_sensor else None
        self._rejected: deque[tuple[float, str]] = deque(maxlen=50)
        self._begin(math.nan)

    def restart(self, t_s: float) -> None:
        """Begins anew, after any change of a setpoint.

        `t_s` [s] when, at least the time of the last sample. Raises ValueError for an earlier one.

        >>> detector = EquilibriumDetector()
        >>> detector.restart(100.0)
        >>> detector.update(101.0, 5.0).state
        'settling'
        """
        if not self._last_s <= t_s < math.inf:
            raise ValueError(f"time must not go back: {t_s} s after {self._last_s} s")
        self._rejected.clear()
        self._begin(t_s)

    def update(
        self,
        t_s: float,
        rise_k: float,
        ambient_c: float | None = None,
        heat_w: float | None = None,
        fan_pct: float | None = None,
    ) -> Equilibrium:
        """Takes one sample.

        `t_s` [s] later than the last one; `rise_k` [K] over the air of the same moment; `ambient_c` [degC] that air,
        `heat_w` [W] the watts and `fan_pct` [%] the fan setting, where they are known; NaN or infinite is a gap in any.
        Raises ValueError for a time that does not advance.

        >>> EquilibriumDetector().update(0.0, 0.0).half_width_k
        inf
        """
        if not self._last_s < t_s < math.inf:
            raise ValueError(f"time has to advance: {t_s} s after {self._last_s} s")
        since_s = t_s - self._last_s if self._last_s > -math.inf else 0.0
        self._last_s = t_s
        if math.isnan(self._start_s):
            self._start_s = t_s
        age_s = t_s - self._start_s
        if ambient_c is not None:
            self._air.put(since_s, ambient_c)
        if heat_w is not None:
            self._watts.put(since_s, age_s, heat_w)
        if math.isfinite(rise_k):
            if self._sensor is not None:
                air = 0.0 if math.isnan(self._air.now) else self._air.now
                self._sensor.put(t_s, rise_k + air, rise_k, self._around(heat_w, fan_pct))
            # While a load comes up nobody knows its share.
            if heat_w is None or age_s >= Share.AFTER_S:
                self._take(age_s, rise_k)
        if age_s >= self._look_at_s and self._following.ready:
            self._look_at_s = max(age_s * _LOOK_GROWTH, age_s + _LOOK_S)
            self._now = self._judge(age_s)
        return self._now

    @property
    def holds(self) -> bool:
        """Whether the curve fits and an earlier one has held; its end may still be too uncertain for the tolerance."""
        return self._looked is not None and self._looked.holds

    @property
    def account(self) -> Account | None:
        """How it came to what it says; None before it has said anything."""
        look = self._looked
        if look is None:
            return None
        curves = look.curves
        _, tail_k, a1, a2 = curves.coefficient[curves.best, :4]
        tau1, tau2 = np.exp(curves.log_tau[curves.best])
        return Account(
            since_s=self._start_s + self._following.since_s,
            samples=self._following.sample_count,
            tau_s=(float(tau1), float(tau2)),
            amplitude_k=(float(a1), float(a2)),
            tail_k=float(tail_k),
            noise=look.noise,
            lag_s=look.lag_s,
            misfit=look.misfit,
            held=look.held,
            off_k=None if look.held is None else look.off_k,
            drift_k_per_h=None if look.drift is None else 3600 * look.drift[0],
            drift_u_k_per_h=None if look.drift is None else 3600 * look.drift[1],
            rejected=tuple(self._rejected),
        )

    def curve(self, t_s: Floats) -> Floats | None:
        """The likeliest curve [K] at times, to be drawn; None before there is one.

        `t_s` [s] in the caller's time.

        >>> EquilibriumDetector().curve(np.array([0.0])) is None
        True
        """
        look = self._looked
        return None if look is None else look.curves.best_at(t_s - self._start_s - look.origin_s)

    # --- samples

    def _begin(self, start_s: float) -> None:
        self._start_s = start_s
        self._following = Following(self.resolution_k, self.slow_tail_k)
        self._watts = Share(self._given_heat_w)
        self._looked: Look | None = None
        self._now = _NOTHING
        self._judging = Judge(self.tolerance_k, self._coverage)
        self._look_at_s = FIRST_LOOK_S
        self._suspects: list[_Sample] = []
        self._expects: _Expected | None = None

    def _around(self, heat_w: float | None, fan_pct: float | None) -> Around:
        return Around(
            air_c=late_by(self._air),
            heat_w=math.nan if heat_w is None else heat_w,
            fans=math.nan if fan_pct is None else fan_pct,
        )

    def _take(self, age_s: float, rise_k: float) -> None:
        air = self._air
        behind = None if math.isnan(air.now) else air.now - air.values
        share = self._watts.values
        if self._expects is None or not self._expects.misses(age_s, *self._following.own(rise_k, behind, share)):
            self._set_aside()
            self._following.put(age_s, rise_k, behind, share)
            return
        self._suspects.append((age_s, rise_k, behind, share))
        if len(self._suspects) >= _WRONG_IN_A_ROW and age_s - self._suspects[0][0] >= _WRONG_FOR_S:
            self._stepped()

    def _set_aside(self) -> None:
        """Wrong samples with good ones after them were wrong."""
        for age_s, rise_k, *_ in self._suspects:
            self._reject(age_s, f"a sample of {rise_k:.2f} K, far off the curve")
        self._suspects.clear()

    def _stepped(self) -> None:
        """So many in a row are no wrong samples: something has happened, and what was before it counts no more."""
        suspects = self._suspects
        age_s, first_k = suspects[0][:2]
        self._reject(age_s, f"a step to {first_k:.2f} K: what was before it is not used")
        self._following.break_at(age_s)
        for suspect in suspects:
            self._following.put(*suspect)
        self._lose("a step in the rise: starting anew")

    def _reject(self, age_s: float, why: str) -> None:
        self._rejected.append((self._start_s + age_s, why))

    def _lose(self, why: str) -> None:
        self._suspects = []
        self._expects = None
        self._looked = None
        self._now = _NOTHING._replace(reason=why)

    # --- judgement

    def _judge(self, age_s: float) -> Equilibrium:
        since_s = self._following.since_s
        lasted_s = age_s - since_s
        look = self._following.look(age_s, self._judging.minds_drift(age_s, self._now.half_width_k))
        self._looked = look
        self._expect(look)
        half_k = self._coverage * math.hypot(look.final[1], look.bias_k)
        state, reason = self._judging.judge(age_s, lasted_s, look, half_k)
        if self._sensor is not None and (self._sensor.hangs or self._sensor.waits):
            state, reason = "settling", f"the sensor {self._sensor.hangs or self._sensor.waits}"
        if self._following.since_s > since_s:
            self._reject(self._following.since_s, "no two exponentials fit what was before this: not used")
        elif look.broken and abs(look.off_k) > _BROKEN_FROM * self.tolerance_k:
            self._reject(age_s, f"{look.off_k:+.2f} K off what the curve said before: starting anew")
            self._following.break_at(max(OLD * age_s, since_s))
        remaining_s = self._remaining(age_s, look) if state in ("predicted", "settled") else None
        return Equilibrium(state, look.final[0], half_k, remaining_s, reason, look.left[0])

    def _expect(self, look: Look) -> None:
        """What the next samples will be, so that wrong ones are known at once; only by a curve that has held."""
        self._expects = None
        if look.holds:
            curves = look.curves
            factors = curves.coefficient[curves.best].tolist()
            tau_s = np.exp(curves.log_tau[curves.best]).tolist()
            limit_k = _WRONG * look.noise.sd_k + self.resolution_k / 2
            self._expects = _Expected(factors, tau_s, look.origin_s, limit_k)

    def _remaining(self, age_s: float, look: Look) -> float:
        """Until the likeliest curve is within the tolerance of its end."""
        curves = look.curves
        ahead_s = np.concatenate([[0.0], np.geomspace(1.0, _FAR_S, 160)])
        left_k = np.abs(curves.best_at(age_s - look.origin_s + ahead_s) - curves.coefficient[curves.best, 0])
        far = np.flatnonzero(left_k > self.tolerance_k)
        return float(ahead_s[min(far[-1] + 1, len(ahead_s) - 1)]) if far.size else 0.0
