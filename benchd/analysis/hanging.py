"""Whether a sensor hangs: it shows the same value for minutes although something moved that it must follow.

A flat line alone is no sign: a sensor of whole degrees is flat at equilibrium. What moved is reckoned from the
reading's last change on, however long ago that was: a `Sensor` is to live as long as the one it watches. It must not
know what is done about it.
"""

from __future__ import annotations

import math
from collections import deque
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.lagged import Lagged, nearest

Floats = NDArray[np.float64]

_AIR_LAGS = nearest(240.0), nearest(1400.0)
"""Air reaches a die later than the first of these and sooner than the second: what both have seen counts."""
_FLAT_S = 120.0
"""It has so long to follow [s] what moved."""
_STEPS = 1.3
"""What moved must move the reading by so many of its steps [1]"""
_STEPS_BY_AIR = 2.0
"""(by so many where air moved: the end of a rise may go the other way meanwhile)"""
_MOVES_K = 0.1
"""and this besides [K]."""
_LATE_S = 600.0
"""What fans and watts do to the whole cooler comes about so late [s] (common practice, no source)."""
_LEAST_K_PER_W = 0.03
"""Every die's rise grows by this with each watt at least [K/W] within `_FLAT_S` (common practice, no source),"""
_LEAST_LATE_K_PER_W = 0.01
"""and the coolant's or the fins' by this, late [K/W] (common practice, no source)."""
_MOST_OVER_SINK_K_PER_W = 0.3
"""A die's rise over its coolant or fins grows by no more than this with each watt [K/W]."""
_FAN_POWER = 0.1
"""The rise falls at least with this power of the fans' speed [1] (common practice, no source)."""

_NOISY = 3
"""A reading that goes back and forth by so many of its steps is noisy [1]: on the edge of two steps it goes by two,"""
_NOISY_SHARE = 0.02
"""if it does so in this part of the samples [1],"""
_REMEMBERS = 300
"""of about so many samples [1];"""
_FEW = 20
"""of which more than so many of the same in a row [1] say nothing of the noise;"""
_STILL = 240
"""so many of the same in a row are then no chance [1]."""
_LEAST_STEP_K = 1e-5
"""The step that an exact sensor is taken to have [K]."""

_COURSES_S = tuple(5.0 * 2 ** (k / 2) for k in range(11))
"""How a reading went is looked at over so long before it stood still, twice [s]."""
_COURSE_STEPS = 3.5
"""What went so many steps in that time and comes to rest within one [1]"""
_SLOWED = 2.0
"""must have gone more than so many times faster the same time earlier [1]: exponentials make that 4.5;"""
_STEADY = 0.6
"""and in the second half of it less than so many times as fast as in the first [1]: exponentials make that 0.47."""
_LEAST_SAMPLES = 4
_KEPT = 700
"""So many samples are kept, at least a second apart [1]."""
_SAME_PART = 0.05
"""Watts, fans and pump that changed by no more than this part are the same [1]."""


class Around(NamedTuple):
    """What a reading has to follow, at one moment. NaN where it is not known; also where nothing follows it now."""

    air_c: tuple[float, float] = (math.nan, math.nan)
    """The air as it reaches the sensor by two lags [degC], `late_by`."""
    heat_w: float = math.nan
    """[W]"""
    told_w: float = math.nan
    """What the load was told [W]. Watts that changed by themselves may have held the die where it is: a processor that
    throttles does so."""
    fans: float = math.nan
    """Speed or setting of the fans [`fans_unit`]."""
    sink_c: float = math.nan
    """Coolant or fins behind it [degC]; of a die only."""
    fans_unit: str = "%"
    sink: str = "coolant"
    """What of the two it is."""
    pump: float = math.nan
    """Speed or setting of the pump, in whatever unit: only whether it changed counts."""

    def is_like(self, other: Around) -> bool:
        """Whether heat, fans and pump are about the same.

        `other`: to be compared with.

        >>> Around(heat_w=100.0).is_like(Around(heat_w=102.0)), Around(heat_w=100.0).is_like(Around(heat_w=60.0))
        (True, False)
        """
        mine, others = (self.heat_w, self.fans, self.pump), (other.heat_w, other.fans, other.pump)
        return all(math.isnan(a) or math.isnan(b) or _is_same(a, b) for a, b in zip(mine, others, strict=True))


def late_by(air: Lagged) -> tuple[float, float]:
    """The air as it reaches a sensor, at the earliest and at the latest [degC].

    `air` [degC] over its sensor.

    >>> late_by(Lagged())
    (nan, nan)
    """
    soon, late = _AIR_LAGS
    return float(air.values[soon]), float(air.values[late])


class _Course:
    """How a reading went lately. What follows its plant slows down before it stands still; what hangs stops dead."""

    def __init__(self) -> None:
        self._kept: deque[tuple[float, ...]] = deque(maxlen=_KEPT)

    def put(self, t_s: float, reading_c: float, around: Around) -> None:
        if not self._kept or t_s - self._kept[-1][0] >= 1.0 - 1e-9:
            self._kept.append((t_s, reading_c, around.heat_w, around.fans, around.pump))

    def clear(self) -> None:
        self._kept.clear()

    def stopped_dead(self, at_s: float, step_k: float) -> str:
        """How the reading went until a time at which it stopped in the middle of its way, in words; else empty.

        An exponential that is within a step of its end after h seconds in which it went M steps had gone faster by a
        factor of M + 1 in the h seconds before those, and by the root of that in the first half of them.
        """
        t, x, *settings = np.array(self._kept).T
        for course_s in _COURSES_S:
            if t[0] > at_s - 2 * course_s + 1:
                break
            if not all(_is_one(setting[t > at_s - 2 * course_s]) for setting in settings):
                break
            late = (t > at_s - course_s) & (t <= at_s)
            if late.sum() < 2 * _LEAST_SAMPLES:
                continue
            slopes = [
                _slope(t[part], x[part])
                for part in (
                    (t > at_s - 2 * course_s) & (t <= at_s - course_s),
                    late & (t <= at_s - course_s / 2),
                    late & (t > at_s - course_s / 2),
                )
            ]
            slope = _slope(t[late], x[late])
            off_k = float(np.std(x[late] - slope * t[late]))
            before, first, second = (one / slope if slope else 0.0 for one in slopes)
            if abs(slope) * course_s <= _COURSE_STEPS * (step_k + off_k):
                continue
            if 1 / _SLOWED < before < _SLOWED and second > _STEADY * first > 0:
                return f"it went by {60 * slope:+.2g} K a minute until then"
        return ""


def _slope(t_s: Floats, x_k: Floats) -> float:
    """Of the line through some readings [K/s]; 0 for none."""
    if len(t_s) < 2:
        return 0.0
    off_s = t_s - t_s.mean()
    return float(off_s @ x_k) / float(off_s @ off_s)


def _is_same(a: float, b: float) -> bool:
    """Whether two settings are about the same; not where one is not known."""
    return abs(a - b) <= _SAME_PART * max(abs(a), abs(b))


def _is_one(values: Floats) -> bool:
    """Whether a setting stood all the time; one that is not known did."""
    known = values[~np.isnan(values)]
    return not known.size or float(np.ptp(known)) <= _SAME_PART * float(np.abs(known).max())


class Sensor:
    """Watches one temperature.

    `resolution_k` [K] its step, at least 0; `is_die`: what is heated itself, and so follows its watts within seconds.

    >>> sensor = Sensor(0.1)
    >>> for t in range(600):
    ...     sensor.put(float(t), 45.0, 25.0, Around(air_c=(20.0 + 0.003 * t, 20.0 + 0.003 * t)))
    >>> sensor.hangs
    'shows 45.00 degC for 10 min although the air moved by 1.8 K'
    """

    def __init__(self, resolution_k: float, is_die: bool = True) -> None:
        self._resolution_k = resolution_k
        self._is_die = is_die
        self._same = 0.01 * resolution_k + 1e-6
        self._step_k = max(resolution_k, _LEAST_STEP_K)
        self._value = math.nan
        self._before = math.nan
        self._since_s = self._last_s = math.nan
        self._still = 0
        self._noisy = 0.0
        self._noisy_at: Around | None = None
        self._then = Around()
        self._why = ""
        self._why_since_s = math.nan
        self._course = _Course()
        self._stopped: str | None = None
        self.hangs = ""
        """What is surely wrong, in words; empty while nothing is. It stays until the reading moves."""
        self.proven = False
        """Whether it hangs as something moved that it must have followed; not only by how it went itself."""
        self.waits = ""
        """What moved that the reading has not followed yet, in words: nothing can be said of it until it has."""

    def put(self, t_s: float, reading_c: float, rise_k: float, around: Around) -> None:
        """Takes one reading and what it must follow.

        `t_s` [s] later than the last one; `reading_c` [degC] a number; `rise_k` [K] the same over the air, NaN where
        that is not known.

        >>> sensor = Sensor(0.1)
        >>> sensor.put(0.0, 20.0, 0.0, Around())
        >>> sensor.hangs, sensor.waits
        ('', '')
        """
        self._last_s = t_s
        self._course.put(t_s, reading_c, around)
        if self._noisy_at is None or not self._noisy_at.is_like(around):
            self._noisy, self._noisy_at = 0.0, around
        step_k = reading_c - self._value
        if not abs(step_k) <= self._same:
            back_and_forth = self._before * step_k < 0 and abs(step_k - self._before) > (_NOISY - 0.5) * self._step_k
            self._noisy += (back_and_forth - self._noisy) / _REMEMBERS
            self._before = step_k
            self._value = reading_c
            self._moves(t_s, around)
            return
        self._before = 0.0
        if self._still < _FEW:
            self._noisy -= self._noisy / _REMEMBERS
        self._still += 1
        if self.proven:
            self.hangs = self._words()
        else:
            self._judge(t_s, rise_k, around)

    def excuse(self, t_s: float, around: Around) -> None:
        """Whatever moved until now the reading need not follow: it has, or it was held by something else.

        `t_s` [s] now.

        >>> Sensor(0.1).excuse(0.0, Around(heat_w=100.0))
        """
        self._course.clear()
        self._moves(t_s, around)

    def _moves(self, t_s: float, around: Around) -> None:
        self._stopped = None
        self._since_s, self._then, self._still = t_s, around, 0
        self._why, self._why_since_s = "", math.nan
        self.hangs = self.waits = ""
        self.proven = False

    def _judge(self, t_s: float, rise_k: float, around: Around) -> None:
        moved, sure, proof = self._moved(t_s, rise_k, around)
        if not moved:
            self._why_since_s = math.nan
            self.waits = ""
        else:
            if math.isnan(self._why_since_s):
                self._why_since_s = t_s
            self.waits = f"still shows {self._value:.2f} degC although {moved}"
        self._why = moved if sure else ""
        self.proven = sure and proof
        if not sure and self._noisy > _NOISY_SHARE and self._still >= _STILL and t_s - self._since_s >= _FLAT_S:
            self._why = "it was noisy before"
        if not self._why and t_s - self._since_s >= _FLAT_S:
            if self._stopped is None:
                self._stopped = self._course.stopped_dead(self._since_s, self._step_k)
            self._why = self._stopped
        self.hangs = self._words() if self._why else ""

    def _words(self) -> str:
        minutes = f"{(self._last_s - self._since_s) / 60:.0f} min"
        return f"shows {self._value:.2f} degC for {minutes} although {self._why}"

    def _moved(self, t_s: float, rise_k: float, now: Around) -> tuple[str, bool, bool]:
        """What moved, in words; whether the reading has had time enough to follow it; and whether that is proof: how
        slowly air comes through is not known well."""
        then = self._then
        waited_s = 0.0 if math.isnan(self._why_since_s) else t_s - self._why_since_s
        late = -math.expm1(-waited_s / _LATE_S)
        least_k = _STEPS * self._resolution_k + _MOVES_K
        enough = waited_s >= _FLAT_S
        soon_k, late_k = (one - before for one, before in zip(now.air_c, then.air_c, strict=True))
        by_air_k = min(abs(soon_k), abs(late_k)) if soon_k * late_k > 0 else 0.0
        if by_air_k > _STEPS_BY_AIR * self._resolution_k + _MOVES_K:
            return f"the air moved by {by_air_k:.1f} K", enough, False
        change_w = abs(now.heat_w - then.heat_w)
        told_w = 0.0 if _is_same(now.told_w, then.told_w) else change_w
        at_once_k, in_the_end_k = self._by_heat_k(told_w, rise_k, then)
        if in_the_end_k > least_k:
            sure = enough and max(at_once_k, late * in_the_end_k) > least_k
            return f"the watts went from {then.heat_w:.0f} to {now.heat_w:.0f} W", sure, True
        by_sink_k = abs(now.sink_c - then.sink_c) - _MOST_OVER_SINK_K_PER_W * change_w
        if by_sink_k > least_k:
            return f"the {then.sink} moved by {by_sink_k:.1f} K", enough, True
        if now.fans > 0 and then.fans > 0:
            by_fan_k = _FAN_POWER * abs(rise_k * math.log(now.fans / then.fans))
            if by_fan_k > least_k:
                words = f"the fans went from {then.fans:.0f} to {now.fans:.0f} {now.fans_unit}"
                return words, enough and late * by_fan_k > least_k, True
        return "", False, False

    def _by_heat_k(self, change_w: float, rise_k: float, then: Around) -> tuple[float, float]:
        """What watts do at least: within `_FLAT_S`, and in the end [K]."""
        if not change_w > 0:
            return 0.0, 0.0
        if not self._is_die:
            return 0.0, _LEAST_LATE_K_PER_W * change_w
        at_once_k = _LEAST_K_PER_W * change_w
        by_rise_k = change_w * rise_k / then.heat_w if then.heat_w > 1 else 0.0
        return at_once_k, max(at_once_k, by_rise_k)  # NaN is no larger
