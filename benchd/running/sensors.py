"""Which sensors of a run hang: watched at every tick, whatever is played, from the run's first to its last.

What a soak cannot see, as it lies before it: a reading that did not follow when load, fans or air moved. A `Sensors`
lives as long as an engine plays its run. It must not know what is done about it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from benchd.analysis.hanging import Around, Sensor, late_by
from benchd.analysis.lagged import Lagged
from benchd.instruments import ChannelSpec
from benchd.protocol_file import SINKS
from benchd.running.steps.base import Hanging, Wants

#: Counts that go up while the load gives less than it is told, where the bench has them: in seconds, or in times.
THROTTLED = ("throttled_s", "throttled_count")
#: Channels that are watched, where the bench has them.
WATCHED = ("die_c", "ambient_c", *SINKS)
#: What they are held against, where the bench has it: these and what was commanded are all that has to be known.
HELD_AGAINST = ("heat_w", "fan_rpm", "pump_rpm", *THROTTLED)
#: Nothing tells whether an ambient sensor follows: only that it was noisy, and is no longer.
NOTHING = Around()


class Sensors:
    """Watches the temperatures of a run. `channels`: those of the bench."""

    def __init__(self, channels: Mapping[str, ChannelSpec]) -> None:
        self._watched = [
            (name, Sensor(channels[name].resolution, is_die=name == "die_c")) for name in WATCHED if name in channels
        ]
        self._sink = next((name for name in SINKS if name in channels), "")
        self._has_tach = "fan_rpm" in channels
        self._has_pump_tach = "pump_rpm" in channels
        self._has_watts = "heat_w" in channels
        self._counts = tuple(name for name in THROTTLED if name in channels)
        # A gap is no news: what was last known stands.
        self._known: dict[str, float] = {}
        self._last_s = math.nan
        # Until the tick before: what is told at this one no reading can show yet.
        self._told_w = math.nan
        self._air = Lagged()

    def take(self, t_s: float, values: Mapping[str, float], wants: Wants) -> Mapping[str, Hanging]:
        """What is wrong with which channel at one tick, later than the last one.

        t_s [s]: bench time of the run. values: the good samples by channel. wants: what is commanded.
        """
        known = self._known
        throttles = any(values.get(name, -math.inf) > known.get(name, math.inf) for name in self._counts)
        known.update(values)
        behind, die = self._around(t_s, wants)
        self._last_s, self._told_w = t_s, wants.heat_w
        hanging: dict[str, Hanging] = {}
        ambient_c = known.get("ambient_c", math.nan)
        for name, sensor in self._watched:
            around = die if name == "die_c" else NOTHING if name == "ambient_c" else behind
            if throttles:
                # A processor that throttles holds its temperature itself.
                sensor.excuse(t_s, around)
            value = values.get(name)
            if value is not None:
                sensor.put(t_s, value, value - ambient_c, around)
            if sensor.hangs:
                hanging[name] = Hanging(f"{name} {sensor.hangs}", sure=True, proven=sensor.proven)
            elif sensor.waits:
                hanging[name] = Hanging(f"{name} {sensor.waits}", sure=False)
        return hanging

    def _around(self, t_s: float, wants: Wants) -> tuple[Around, Around]:
        """What coolant and fins have to follow, and what the die has to."""
        known = self._known
        fans = known.get("fan_rpm", math.nan) if self._has_tach else wants.fan_pct
        flows = self._sink != "coolant_c" or (known.get("pump_rpm", 0.0) if self._has_pump_tach else wants.pump_pct) > 0
        heat_w = known.get("heat_w", math.nan) if self._has_watts else wants.heat_w
        self._air.put(t_s - self._last_s, known.get("ambient_c", math.nan))
        air_c = late_by(self._air) if fans > 0 and flows else NOTHING.air_c
        sink_c = known.get(self._sink, math.nan) if flows else math.nan
        unit = "1/min" if self._has_tach else "%"
        pump = known.get("pump_rpm", math.nan) if self._has_pump_tach else wants.pump_pct
        behind = Around(air_c, heat_w, self._told_w, fans, fans_unit=unit, pump=pump)
        return behind, behind._replace(sink_c=sink_c, sink=SINKS.get(self._sink, ""))
