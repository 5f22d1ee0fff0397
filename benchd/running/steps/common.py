"""What steps share, as sub-generators for `yield from`: wait, collect, soak; and how a channel's mean is estimated."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Generator, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.remainder import still_to_come
from benchd.analysis.uncertainty import Estimate
from benchd.protocol_file import Equilibrium
from benchd.running.found import Found
from benchd.running.states import Ending
from benchd.running.steps.base import Soaking, Tick, Wants
from benchd.running.steps.limit import IN_A_ROW, Limit
from benchd.running.steps.watching import Seen, Watch

Asking: TypeAlias = Generator[Wants, Tick, "Window"]

#: A rise is the difference of these.
RISE_OF = ("die_c", "ambient_c")
#: A load and fans have come to what they were set to after so long [s].
COMES_UP_S = 20.0
#: Where the detector cannot say what was left, the soak is judged by how changes over this time shrank [s].
SHAPE_S = 300.0
#: A rise without an end has been seen to drift through this last part of its soak [1]: for some looks many seem to.
DRIFTS_PART = 0.2


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

    def hangs(self, channels: Iterable[str]) -> str:
        """Which of some channels surely hung in it, in words, as of the latest; empty when none did."""
        for tick in reversed(self.ticks):
            for name in channels if tick.hanging else ():
                if name in tick.hanging and tick.hanging[name].sure:
                    return tick.hanging[name].words
        return ""


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
    """How a soak ended, its last stretch, and where the rise was to end."""

    ending: Ending
    reason: str
    window: Window
    seconds: float
    left_k: float
    """How far the mean rise of the window was from its end; of a predicted end its standard uncertainty [K]."""
    predicted: Estimate | None = None
    """Where the rise ends [K] at the watts that were measured, without what the sensors add; None: it is measured."""
    extrapolated_k: float | None = None
    """How far the rise still was from its predicted end when the soak was over [K]."""
    drifts: str = ""
    """Of a rise without an end: what was seen of it, in words."""
    hangs: str = ""
    """Of a sensor that hung, so that nothing is known of the rise: which, in words."""


def soak_until(wants: Wants, rule: Equilibrium, read_s: float, found: Found) -> Generator[Wants, Tick, Soaked]:
    """Hold settings until its rule ends the soak, time is up, or the die passes its limit, now or surely later.

    read_s [s]: how much of the end is given back. No soak is so short that the load's coming up would be in it.
    """
    watch, limit = Watch(rule, wants, found), Limit(found, wants)
    recent: deque[Tick] = deque()
    times_s: list[float] = []
    rises_k: list[float] = []
    enough, bent_s = 0, 0.0
    tick = yield wants
    begun_s, least_s = tick.t_s, COMES_UP_S + read_s
    while True:
        recent.append(tick)
        times_s.append(tick.t_s)
        rises_k.append(tick.rise_k)
        while recent[0].t_s < tick.t_s - read_s:
            recent.popleft()
        seen = watch.update(tick)
        elapsed_s = tick.t_s - begun_s
        bent_s = bent_s if seen.state == "drifting" else elapsed_s
        enough = enough + 1 if _suffices(rule, seen, watch, recent) else 0
        ended = _ended(rule, seen, limit.passed(tick, seen), enough >= IN_A_ROW and elapsed_s >= least_s, elapsed_s)
        if ended:
            break
        doing = f"{wants.doing}, rise {tick.rise_k:.1f} K"
        soaking = _soaking(rule, tick, seen, _ends_s(rule, tick.t_s, seen, watch, read_s), begun_s, least_s)
        tick = yield Wants(wants.heat_w, wants.fan_pct, wants.pump_pct, doing, soaking)
    window = Window(recent)
    hangs = window.hangs(RISE_OF)
    drifts = seen.reason if bent_s <= (1 - DRIFTS_PART) * elapsed_s and seen.state == "drifting" else ""
    if ended[0] in (Ending.PREDICTED, Ending.SETTLED) and rule.until == "predicted":
        end = _at_measured_watts(Estimate(seen.final_k, watch.u_std_k(seen)), window, wants.heat_w)
        return Soaked(*ended, window, elapsed_s, end.u_std, end, -seen.left_k, hangs=hangs)
    left_k = _left_k(seen, watch, recent)
    if seen.state not in ("predicted", "settled"):
        by_shape_k = still_to_come(times_s, rises_k, in_s=SHAPE_S, average_s=read_s)
        left_k = max(left_k, by_shape_k) if math.isfinite(left_k) else by_shape_k
    return Soaked(*ended, window, elapsed_s, left_k, drifts=drifts, hangs=hangs)


def _suffices(rule: Equilibrium, seen: Seen, watch: Watch, recent: Sequence[Tick]) -> bool:
    """Whether the soak could be over by its rule, were it so for some ticks more."""
    if rule.for_min is not None:
        return False
    if rule.until == "predicted":
        return seen.state in ("predicted", "settled")
    # What is reported is the mean of the last minutes: it too has to have come so near.
    return seen.state == "settled" and abs(watch.mean_left_k(recent, seen)) <= rule.within_k


def _ended(rule: Equilibrium, seen: Seen, over: str, enough: bool, elapsed_s: float) -> tuple[Ending, str] | None:
    if over:
        return Ending.OVER_LIMIT, over
    if enough:
        return (Ending.SETTLED if seen.state == "settled" else Ending.PREDICTED), rule.words
    if elapsed_s < rule.longest_min * 60:
        return None
    if rule.for_min is not None:
        return Ending.FIXED, rule.words
    thought = seen.is_known and seen.state == "settling"
    so_far = f", {seen.final_k:.2f} ±{seen.half_width_k:.2f} K so far, not proven" if thought else ""
    return Ending.TIME_UP, f"not {rule.words} in {rule.longest_min:g} min: {seen.reason}{so_far}"


def _ends_s(rule: Equilibrium, t_s: float, seen: Seen, watch: Watch, read_s: float) -> float | None:
    """When the rule will end the soak, in bench time of the run [s]; None while that cannot be said."""
    if rule.for_min is not None:
        return math.inf  # not before its time is up
    if rule.until == "predicted":
        return t_s if seen.state in ("predicted", "settled") else None
    return watch.reads_well_at_s(seen, t_s, read_s)


def _soaking(
    rule: Equilibrium, tick: Tick, seen: Seen, ends_s: float | None, begun_s: float, least_s: float
) -> Soaking:
    latest_s = begun_s + rule.longest_min * 60
    if ends_s is not None:
        ends_s = min(max(ends_s, begun_s + least_s), latest_s)
    final_k, half_k = (seen.final_k, seen.half_width_k) if seen.is_known else (None, None)
    return Soaking(seen.state, tick.rise_k, final_k, half_k, ends_s, latest_s, rule.words)


def _at_measured_watts(end: Estimate, window: Window, set_w: float) -> Estimate:
    """The end for the watts that really were there, so that it belongs to them and to no others."""
    heat_w = window.mean("heat_w")
    share = 1.0 if math.isnan(heat_w) or not set_w > 0 else heat_w / set_w
    return Estimate(share * end.value, share * end.u_std, end.dof)


def _left_k(seen: Seen, watch: Watch, recent: Sequence[Tick]) -> float:
    """How far the mean of the last stretch probably was from the end [K]; infinite where the detector cannot say."""
    left_k = math.hypot(watch.mean_left_k(recent, seen), watch.u_std_k(seen))
    return left_k if math.isfinite(left_k) else math.inf
