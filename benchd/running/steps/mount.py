"""The step `mount_check`: a few minutes of heat that tell how well the specimen is mounted."""

from __future__ import annotations

from collections import deque

import numpy as np

from benchd.analysis.mounting import mount_resistance
from benchd.protocol_file import SINKS, Equilibrium, MountCheck
from benchd.running.found import MOUNT, Found
from benchd.running.states import Ending
from benchd.running.steps.base import Finding, Outcome, Step, Wants
from benchd.running.steps.common import Window
from benchd.running.steps.limit import Limit
from benchd.running.steps.measured import MANY_DOF, mean_of
from benchd.running.steps.watching import Watch

#: What is read is the mean over the last so many seconds [s].
READ_S = 60.0
#: So much of the end is looked at [s], to see what still changes.
LOOKED_AT_S = 600.0


def mount_check(spec: MountCheck, found: Found) -> Step:
    """Constant watts for some minutes, then the resistance from the die to the coolant or, without one, to the fins."""
    sink = next((channel for channel in SINKS if channel in found.channels), None)
    if sink is None:
        return Outcome(Ending.FAILED, NO_SINK)
    doing = f"mount check at {spec.heat_w:g} W"
    wants = Wants(spec.heat_w, spec.fan_pct, spec.pump_pct, doing)
    watch, limit = Watch(Equilibrium(for_min=spec.for_min), wants, found), Limit(found, wants)
    tick = yield wants
    ends_s = tick.t_s + spec.for_min * 60
    ticks = deque([tick])
    while tick.t_s < ends_s:
        passed = limit.passed(tick, watch.update(tick))
        if passed:
            # More heat is to follow: what does not hold the little of a check must not be given it.
            return Outcome(Ending.FAILED, f"{passed}, at {spec.heat_w:g} W only: seat the specimen again")
        between = f"{doing}, die to {SINKS[sink]} {tick['die_c'] - tick[sink]:.2f} K"
        tick = yield Wants(spec.heat_w, spec.fan_pct, spec.pump_pct, between)
        ticks.append(tick)
        while ticks[0].t_s < tick.t_s - LOOKED_AT_S:
            ticks.popleft()
    return _outcome(spec, sink, Window(ticks), found)


#: Why a mount cannot be checked on a bench that measures neither.
NO_SINK = (
    f"a mount check needs channel {' or '.join(SINKS)}: the rise over ambient cannot stand for it, for it holds the "
    "whole cooler; put the sensor into the bench file"
)


def _outcome(spec: MountCheck, sink: str, looked_at: Window, found: Found) -> Outcome:
    ticks = looked_at.ticks
    last = Window(tick for tick in ticks if tick.t_s > ticks[-1].t_s - READ_S)
    heat = mean_of(last, "heat_w", found)
    if heat is None or not heat.value > 0:
        return Outcome(Ending.FAILED, "no watts were measured, so there is no resistance")
    hangs = looked_at.hangs(("die_c", sink))
    if hangs:
        return Outcome(Ending.FAILED, f"{hangs}: see to the sensor, then check the mount again")
    die, other = found.channel("die_c"), found.channel(sink)
    resistance = mount_resistance(
        np.array([tick.t_s for tick in ticks]),
        looked_at.series("die_c"),
        looked_at.series(sink),
        heat,
        die_u_k=die.uncertainty,
        sink_u_k=other.uncertainty,
        die_resolution_k=die.resolution,
        sink_resolution_k=other.resolution,
        average_s=READ_S,
    )
    if resistance is None:
        return Outcome(Ending.FAILED, f"die_c or {sink} gave nothing usable in the last minutes")
    detail = {
        "sink": sink,
        "heat_w": spec.heat_w,
        "fan_pct": spec.fan_pct,
        "pump_pct": spec.pump_pct,
        "missing": max(last.missing("die_c"), last.missing(sink)),
    }
    dof = resistance.dof if resistance.dof < MANY_DOF else None
    finding = Finding(MOUNT, resistance.value, "K/W", resistance.expanded, dof, detail)
    reason = f"die to {SINKS[sink]} {resistance.value:.4f} ±{resistance.expanded:.4f} K/W"
    return Outcome(Ending.DONE, reason, (finding,))
