"""Where a rise will end, as seen from the ticks of a soak: at the die, or through its sink where its sensor is coarse.

Behind a coarse sensor a slow change of the die hides for minutes in one step of its display. The coolant or the fins
tell it finely, and the die over them is soon at its end: their ends add, and so do the squares of their half widths.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.equilibrium import EquilibriumDetector
from benchd.analysis.judging import goes_by
from benchd.analysis.over_sink import Over, OverSink
from benchd.protocol_file import SINKS, Equilibrium, finer_sink
from benchd.running.found import Found
from benchd.running.steps.base import Hanging, SoakState, Tick, Wants

#: So much of the tolerance the sink's part may take [1], where the die is watched through it.
SINK_SHARE = 0.9
#: A look ahead takes so many steps [1].
GRID = 120


@dataclass(frozen=True, slots=True)
class Seen:
    """What is known of the end of a rise at one tick."""

    state: SoakState
    final_k: float
    """Where it will end [K], at the air's present temperature and the watts that were set; NaN: unknown."""
    half_width_k: float
    """Half width of its interval at the confidence asked for [K]; infinite: unknown."""
    left_k: float
    """The rise now less its end, without noise [K]; NaN: unknown."""
    remaining_s: float | None
    """Until it is within the tolerance of its end [s]; None: cannot be said."""
    reason: str
    """What stands in the way, or what it goes by."""
    holds: bool = False
    """Whether its curve fits, and an earlier one has held: the end may still be known too badly to stop at."""
    steps_k: float = 0.0
    """What the steps of a coarse display may shift the end by besides, as a standard uncertainty [K]: no waiting makes
    that smaller."""

    @property
    def is_known(self) -> bool:
        """Whether an end can be told at all, however widely."""
        return math.isfinite(self.final_k) and math.isfinite(self.half_width_k)


class Watch:
    """Takes each tick of one soak. `rule`: how well the end has to be known; `wants`: the settings that are held."""

    def __init__(self, rule: Equilibrium, wants: Wants, found: Found) -> None:
        die, ambient = found.channel("die_c"), found.channel("ambient_c")
        coarse = rule.within_k < die.resolution
        self._rule = rule
        self._coverage = NormalDist().inv_cdf(0.5 + rule.confidence / 2)
        self.sink = finer_sink(found.channels, rule.within_k) if coarse else None
        """The channel through which the die is watched, None where its own sensor is fine enough."""
        # What case, room and radiator still add comes to the sink; the die over it knows none of them.
        self.detector = EquilibriumDetector(
            tolerance_k=rule.within_k if self.sink is None else SINK_SHARE * rule.within_k,
            confidence=rule.confidence,
            resolution_k=math.hypot(found.channel(self.sink or "die_c").resolution, ambient.resolution),
            slow_tail_k=rule.slow_tail_k,
            heat_set_w=wants.heat_w,
            watches_sensor=False,
        )
        """Of the die's rise, or of the sink's."""
        self._over = OverSink(die.resolution, wants.heat_w)
        self._now: tuple[float, Seen, Over | None] | None = None
        self.needs = ("die_c", "ambient_c") if self.sink is None else ("die_c", "ambient_c", self.sink)
        """The channels that the end goes by."""

    def update(self, tick: Tick) -> Seen:
        """Takes one tick, later than the last one."""
        air_c, shown_c = tick["ambient_c"], tick[self.sink or "die_c"]
        now = self.detector.update(tick.t_s, shown_c - air_c, air_c, tick["heat_w"])
        seen = Seen(
            now.state, now.final_k, now.half_width_k, now.left_k, now.remaining_s, now.reason, self.detector.holds
        )
        over = None if self.sink is None else self._look_over(self.sink, seen, tick)
        self._now = tick.t_s, seen, over
        if self.sink is not None:
            seen = self._through(self.sink, seen, over)
        return self._but_for(tick.hanging, seen) if tick.hanging else seen

    def u_std_k(self, seen: Seen) -> float:
        """Standard uncertainty of the end that was seen [K]."""
        return math.hypot(seen.half_width_k / self._coverage, seen.steps_k)

    def mean_left_k(self, ticks: Sequence[Tick], seen: Seen) -> float:
        """The mean rise of the last stretch less its end [K]; NaN where the curve does not reach back to its begin."""
        return float(self._left_k(seen.left_k, np.array([tick.t_s for tick in ticks]), ticks[-1].t_s).mean())

    def reads_well_at_s(self, seen: Seen, t_s: float, read_s: float) -> float | None:
        """When the mean of the last read_s [s] will be within the tolerance of the end [s]; None: cannot be said.

        t_s [s]: now. In the caller's time.
        """
        if seen.remaining_s is None:
            return None
        # By the end of this all of the stretch lies within.
        step_s = (read_s + seen.remaining_s + read_s) / GRID
        back = max(1, round(read_s / step_s))
        left_k = self._left_k(seen.left_k, t_s + step_s * np.arange(-back, GRID - back + 1.0), t_s)
        means_k = np.convolve(left_k, np.full(back + 1, 1 / (back + 1)), mode="valid")
        far = np.flatnonzero(~(np.abs(means_k) <= self._rule.within_k))
        return t_s + step_s * float(far[-1] + 1 if far.size else 0)

    def curve_k(self, t_s: NDArray[np.float64]) -> NDArray[np.float64] | None:
        """The likeliest curve of the die's rise at times [K], at the air's present temperature and the set watts.

        t_s [s]: in the caller's time; NaN before the first sample that is used. Through a sink it is the sink's curve
        and the line of the die over it. None before there is one.
        """
        if self._now is None:
            return None
        now_s, seen, over = self._now
        if not seen.is_known or (self.sink is not None and over is None):
            return None
        left_k = self._left_k(seen.left_k, t_s, now_s)
        if over is None:
            return seen.final_k + left_k
        return np.where(t_s < over.since_s, math.nan, seen.final_k + over.final_k + (1 + over.slope) * left_k)

    def _but_for(self, hanging: Mapping[str, Hanging], seen: Seen) -> Seen:
        """What is known of an end when some sensors do not follow: nothing, or nothing yet."""
        needed = [hanging[name] for name in self.needs if name in hanging]
        surely = next((one.words for one in needed if one.sure), "")
        if surely:
            return Seen("settling", math.nan, math.inf, math.nan, None, surely)
        if not needed:
            return seen
        return replace(seen, state="settling", remaining_s=None, reason=needed[0].words, holds=False)

    def _look_over(self, sink: str, seen: Seen, tick: Tick) -> Over | None:
        """What is known of the die over its sink, by this tick too."""
        die_c, sink_c, heat_w = tick["die_c"], tick[sink], tick["heat_w"]
        self._over.put(tick.t_s, die_c - sink_c, heat_w)
        return self._over.look(lambda t_s: self._left_k(seen.left_k, t_s, tick.t_s))

    def _through(self, sink: str, seen: Seen, over: Over | None) -> Seen:
        """What is known of the die by what is known of its sink."""
        if over is None:
            return Seen("settling", math.nan, math.inf, math.nan, None, "too early to say")
        half_k = math.hypot(seen.half_width_k, self._coverage * over.u_std_k)
        left_k = seen.left_k + over.left_k
        state, remaining_s, reason = seen.state, seen.remaining_s, seen.reason
        if state == "settled" and not abs(left_k) <= self._rule.within_k:
            state = "predicted"
        unsure = self._unsure(SINKS[sink], half_k, over)
        if state == "predicted" or state == "settled":
            if unsure:
                state, remaining_s, reason = "settling", None, unsure
            else:
                reason = goes_by(state, self._rule.within_k)  # the sink's own tolerance is smaller
        holds = seen.holds and over.fits
        return Seen(state, seen.final_k + over.final_k, half_k, left_k, remaining_s, reason, holds, over.steps_k)

    def _unsure(self, sink: str, half_k: float, over: Over) -> str:
        """Why the die's end is not known though its sink's is; empty when it is."""
        if not over.fits:
            return f"the die does not go as the {sink} does"
        return "" if half_k <= self._rule.within_k else "its end is not known yet"

    def _left_k(self, left_now_k: float, t_s: NDArray[np.float64], now_s: float) -> NDArray[np.float64]:
        """What the watched rise had left at times, or will have [K]; NaN before the curve that counts now began."""
        account, curve = self.detector.account, self.detector.curve(np.append(t_s, now_s))
        if account is None or curve is None:
            return np.full(t_s.shape, math.nan)
        return np.where(t_s < account.since_s, math.nan, curve[:-1] - curve[-1] + left_now_k)
