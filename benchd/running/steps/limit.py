"""When a die is over the limit of its protocol, or its end is sure to be, and which load would just be held."""

from __future__ import annotations

import math
from collections import deque
from statistics import median

from benchd.protocol_file import SINKS
from benchd.running.found import Found
from benchd.running.steps.base import Tick, Wants
from benchd.running.steps.watching import Seen

#: Ticks in a row that must agree before a step believes that a limit is passed.
IN_A_ROW = 10
#: An end counts as over the limit when it is known to within this part of the rise [1]: the load that would be held is
#: told from it.
SURE_PART = 0.1
#: A sink that is so much warmer than when the soak began [K], and has not been warmer since, is on its way up.
WARMED_K = 1.0


class Limit:
    """Whether the die is over its limit, or its end is sure to be. wants: the settings that are held."""

    def __init__(self, found: Found, wants: Wants) -> None:
        self._limit_c = found.over_limit_c
        self._heat_w = wants.heat_w
        self._k_per_w = found.resistance_at(wants.fan_pct, wants.pump_pct)
        self._ambient_c = math.nan
        self._over = 0
        self._will_be_over = 0
        self._rises_k: deque[float] = deque(maxlen=3)
        self._begun_k = -math.inf
        self._sinks: dict[str, _Warmed] = {}

    def passed(self, tick: Tick, seen: Seen) -> str:
        """Takes one tick and what is known of its end; why the limit is passed, empty while it is not."""
        limit_c = self._limit_c
        if limit_c is None:
            return ""
        self._remember(tick)
        die_c = tick["die_c"]
        self._over = self._over + 1 if die_c >= limit_c else 0
        if self._over >= IN_A_ROW:
            return f"die at {die_c:.1f} degC, limit {limit_c:g} degC{self._held(limit_c)}"
        final_c = self._ambient_c + seen.final_k
        known = seen.holds and seen.half_width_k <= SURE_PART * seen.final_k
        sure = known and final_c - seen.half_width_k > limit_c
        self._will_be_over = self._will_be_over + 1 if sure else 0
        if self._will_be_over < IN_A_ROW:
            return ""
        held_w = self._heat_w * (limit_c - self._ambient_c) / seen.final_k
        end = f"die would end at {final_c:.0f} ±{math.ceil(seen.half_width_k):.0f} degC, limit {limit_c:g} degC"
        return f"{end}; about {held_w:.0f} W would just be held"

    def _remember(self, tick: Tick) -> None:
        """What tells, when the die passes the limit before its end is known, how high that end is at least."""
        if not math.isnan(tick["ambient_c"]):
            self._ambient_c = tick["ambient_c"]
        sinks_k = {name: tick[name] - self._ambient_c for name in SINKS if not math.isnan(tick[name] - self._ambient_c)}
        for name, sink_k in sinks_k.items():
            self._sinks.setdefault(name, _Warmed(sink_k)).put(sink_k)
        rise_k = tick["die_c"] - self._ambient_c
        if not math.isnan(rise_k):
            self._rises_k.append(rise_k)
            if self._begun_k == -math.inf:
                self._begun_k = max(rise_k, *sinks_k.values(), 0.0)

    def _held(self, limit_c: float) -> str:
        """The load that would be held by what was measured before, else one that surely is more, in words.

        Empty where that is no less than what was tried.
        What was warm at the start adds no more to a later rise than its warmest part had then (heat flows only
        downhill), and fades; the rest is less than the watts make in the end. Where the sink itself still gets
        warmer, nothing of the rise fades.
        """
        if not self._rises_k:
            return ""
        rise_k = median(self._rises_k)
        if not any(sink.is_warming for sink in self._sinks.values()):
            rise_k -= self._begun_k
        room_k = limit_c - self._ambient_c
        if self._k_per_w is not None and 0 < room_k < self._k_per_w * self._heat_w:
            held_w = room_k / self._k_per_w
            return f"; about {held_w:.0f} W would just be held, by a point measured at this setting"
        if not 0 < room_k < rise_k:
            return ""
        return f"; less than about {math.ceil(self._heat_w * room_k / rise_k)} W would be held"


class _Warmed:
    """How a sink has got on since a soak began [K]."""

    def __init__(self, begun_k: float) -> None:
        self._begun_k = self._most_k = self._now_k = begun_k

    def put(self, now_k: float) -> None:
        self._now_k = now_k
        self._most_k = max(self._most_k, now_k)

    @property
    def is_warming(self) -> bool:
        return self._now_k >= self._begun_k + WARMED_K and self._now_k >= self._most_k - WARMED_K / 4
