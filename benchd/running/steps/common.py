"""What steps share, as sub-generators for `yield from`: wait, collect, soak; and how a channel's mean is estimated."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Generator, Iterable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.end_bound import EndBound
from benchd.analysis.equilibrium import PlainRule
from benchd.analysis.remainder import still_to_come
from benchd.protocol_file import Equilibrium
from benchd.running.found import Found
from benchd.running.states import Ending
from benchd.running.steps.base import Soaking, SoakState, Tick, Wants

Asking: TypeAlias = Generator[Wants, Tick, "Window"]

#: Ticks in a row that must agree before a step believes that a limit is passed.
IN_A_ROW = 10
#: A specimen with a rise up to this [K] counts as having been at rest.
COLD_K = 5.0
#: The bound of the end is renewed every minute; it must say the same twice [s].
BOUND_HOLDS_S = 61.0


class Window:
    """The ticks of one stretch of time."""

    def __init__(self, ticks: Iterable[Tick]) -> None:
        self.ticks = tuple(ticks)

    def series(self, channel: str) -> NDArray[np.float64]:
        """One value a tick [unit of the channel], NaN where there was none."""
        return np.array([tick[channel] for tick in self.ticks], dtype=np.float64)

    def mean(self, channel: str) -> float:
        """Mean of a channel [its unit], NaN when it gave nothing."""
        series = self.series(channel)
        valid = series[~np.isnan(series)]
        return float(valid.mean()) if valid.size else math.nan

    def missing(self, channel: str) -> float:
        """Which part of a channel's samples is missing [1]."""
        series = self.series(channel)
        return float(np.isnan(series).mean()) if series.size else 1.0


def collect(wants: Wants, for_s: float, keep_s: float = math.inf) -> Asking:
    """Hold settings for for_s [s] and give the ticks of the last keep_s [s] of it, at least the last one."""
    tick = yield wants
    ticks = deque([tick])
    ends_s = tick.t_s + for_s
    while tick.t_s < ends_s:
        tick = yield wants
        ticks.append(tick)
        while ticks[0].t_s < tick.t_s - keep_s:
            ticks.popleft()
    return Window(ticks)


def settle(wants: Wants, for_s: float) -> Generator[Wants, Tick, None]:
    """Hold settings for for_s [s]; what is measured meanwhile is recorded but not used."""
    if for_s > 0:
        yield from collect(wants, for_s, keep_s=0.0)


@dataclass(frozen=True)
class Soaked:
    """How a soak ended, and its last stretch."""

    ending: Ending
    reason: str
    window: Window
    seconds: float
    left_k: float
    """How far the rise of the window probably was from its end [K]."""


def soak_until(wants: Wants, rule: Equilibrium, read_s: float, found: Found) -> Generator[Wants, Tick, Soaked]:
    """Hold settings until the rise is in equilibrium, time is up, or the die passes its limit, now or surely later.

    read_s [s]: how much of the end is given back.
    """
    plain = PlainRule(change_k=rule.change_k, in_s=rule.in_min * 60)
    words = rule.words
    limit = Limit(found)
    recent: deque[Tick] = deque()
    times_s: list[float] = []
    rises_k: list[float] = []
    tick = yield wants
    begun_s = tick.t_s
    latest_s = begun_s + rule.at_most_min * 60
    while True:
        recent.append(tick)
        times_s.append(tick.t_s)
        rises_k.append(tick.rise_k)
        while recent[0].t_s < tick.t_s - read_s:
            recent.popleft()
        elapsed_s = tick.t_s - begun_s
        verdict = plain.update(tick.t_s, tick.rise_k)
        ended = _ended(limit.passed(tick), verdict.settled and elapsed_s >= read_s, elapsed_s, rule)
        if ended:
            # A plain rule sees nothing finer than its own change: slow parts of a cooler move less than that, for long.
            left_k = math.hypot(rule.change_k, still_to_come(times_s, rises_k, in_s=rule.in_min * 60, average_s=read_s))
            return Soaked(*ended, Window(recent), elapsed_s, left_k)
        state: SoakState = "settled" if verdict.settled else "settling"
        soaking = Soaking(state, tick.rise_k, verdict.change_k, None, None, None, latest_s, words)
        doing = _progress(wants.doing, tick, verdict.change_k)
        tick = yield Wants(wants.heat_w, wants.fan_pct, wants.pump_pct, doing, soaking)


def _ended(over: str, settled: bool, elapsed_s: float, rule: Equilibrium) -> tuple[Ending, str] | None:
    if over:
        return Ending.OVER_LIMIT, over
    if settled:
        return Ending.SETTLED, rule.words
    if elapsed_s >= rule.at_most_min * 60:
        return Ending.TIME_UP, f"not settled within {rule.at_most_min:g} min ({rule.words})"
    return None


def _progress(doing: str, tick: Tick, change_k: float | None) -> str:
    if change_k is None:
        return f"{doing}, rise {tick.rise_k:.1f} K"
    return f"{doing}, rise {tick.rise_k:.1f} K, changed {change_k:+.2f} K"


class Limit:
    """Whether the die is over its limit, or its end is sure to be."""

    def __init__(self, found: Found) -> None:
        self._limit_c = found.over_limit_c
        self._bound = EndBound(resolution_k=found.channel("die_c").resolution)
        self._cold: bool | None = None
        self._over = 0
        self._bound_over_since_s: float | None = None

    def passed(self, tick: Tick) -> str:
        """Takes one tick; why the limit is passed, empty while it is not."""
        if self._limit_c is None:
            return ""
        die_c = tick["die_c"]
        self._over = self._over + 1 if die_c >= self._limit_c else 0
        if self._over >= IN_A_ROW:
            return f"die at {die_c:.1f} degC, limit {self._limit_c:g} degC"
        return self._will_pass(tick.t_s, die_c, tick.rise_k, self._limit_c)

    def _will_pass(self, t_s: float, die_c: float, rise_k: float, limit_c: float) -> str:
        # The bound holds for a specimen that was at rest: what lingers from a hotter time could fool it.
        if self._cold is None and not math.isnan(rise_k):
            self._cold = rise_k <= COLD_K
        bound_c = self._bound.update(t_s, die_c) if self._cold else None
        if bound_c is None or bound_c < limit_c:
            self._bound_over_since_s = None
            return ""
        if self._bound_over_since_s is None:
            self._bound_over_since_s = t_s
        if t_s - self._bound_over_since_s < BOUND_HOLDS_S:
            return ""
        return f"die would end at {bound_c:.0f} degC or more, limit {limit_c:g} degC"
