"""Protocol and findings in, stages out: a pure function, computed anew after every step and after a restart.

A stage is what is repeated as a whole: one step, or one test point with its steps. The schedule is never stored; which
of its stages are finished is read off the recorded steps.
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchd.analysis.curves import LevelCurve
from benchd.instruments import Cooling, Spec
from benchd.protocol_file import AnyStep, CoolDown, Protocol, PumpSweep, Soak
from benchd.running.found import FAN_LEVEL, OVER_LIMIT, PUMP_SETTING, SAME_PCT, Found, level_curve
from benchd.running.states import Quality
from benchd.running.steps.base import Finding, SoakPoint


@dataclass(frozen=True)
class Play:
    """One step to be played: its kind and its settings."""

    kind: str
    spec: Spec


@dataclass(frozen=True)
class Stage:
    """What is repeated as a whole."""

    key: str
    """Its name within the run, the same after every recomputation."""
    plays: tuple[Play, ...]
    point: SoakPoint | None = None
    """The test point that this stage measures."""
    skip: str = ""
    """Why it will not be measured; empty when it will."""
    skip_quality: Quality = Quality.VOID


@dataclass(frozen=True)
class Schedule:
    """The stages known so far, and whether a sweep will add more."""

    stages: tuple[Stage, ...]
    more_to_come: bool


def schedule(protocol: Protocol, findings: Sequence[Finding], *, seed: int, cooling: Cooling) -> Schedule:
    """The stages of a run. A pure function: same protocol, findings, seed and cooling, same stages.

    seed: shuffles the points of a soak with random order. cooling: a specimen without a pump skips pump sweeps.
    """
    found = Found(tuple(findings))
    stages: list[Stage] = []
    more = False
    for step in protocol.steps:
        if isinstance(step, PumpSweep) and cooling == "air":
            continue
        if not isinstance(step, Soak):
            stages.append(Stage(protocol.name_of(step), (Play(step.kind, step),)))
        elif _waits_for_sweep(protocol, step, found, cooling):
            more = True
        else:
            stages += _with_cool_downs(_points(protocol, step, found, seed), protocol, step, found)
    return Schedule(tuple(stages), more)


def plays_of(stage: Stage, attempt: int, protocol: Protocol) -> tuple[Play, ...]:
    """What is played in an attempt, the first being 1: a repeat starts from heat off and a small rise."""
    if attempt == 1:
        return stage.plays
    return (Play("cool_down", _cold(protocol)), *stage.plays)


def _cold(protocol: Protocol) -> CoolDown:
    return CoolDown(to_within_k=protocol.repeat_from_k, at_most_min=REPEAT_AT_MOST_MIN)


#: So the stage that cools down after a point over the limit is named after that point's.
COOLS_AFTER = "/cool_down"
#: A bench that has not come down in this time [min] will not; the stage goes on from there.
REPEAT_AT_MOST_MIN = 60.0


def _waits_for_sweep(protocol: Protocol, soak: Soak, found: Found, cooling: Cooling) -> bool:
    before = protocol.steps[: protocol.steps.index(soak)]
    needs_levels = soak.noise_dba is not None and not found.every(FAN_LEVEL)
    swept = any(isinstance(step, PumpSweep) for step in before)
    needs_pump = soak.pump_pct is None and cooling == "liquid" and swept and found.last(PUMP_SETTING) is None
    return needs_levels or needs_pump


def _points(protocol: Protocol, soak: Soak, found: Found, seed: int) -> list[Stage]:
    name = protocol.name_of(soak)
    settings = soak.noise_dba if soak.noise_dba is not None else soak.fan_pct or ()
    grid = [(heat_w, setting) for heat_w in soak.heat_w for setting in settings]
    if soak.order == "random":
        random.Random(f"{seed}/{name}").shuffle(grid)
    unit = "dba" if soak.noise_dba is not None else "pct"
    keyed = [(f"{name}/{heat_w:g}w_{setting:g}{unit}", heat_w, setting) for heat_w, setting in grid]
    if soak.repeat_first:
        key, heat_w, setting = keyed[0]
        keyed.append((f"{key}/again", heat_w, setting))
    return [_point(soak, key, heat_w, setting, found) for key, heat_w, setting in keyed]


def _with_cool_downs(points: list[Stage], protocol: Protocol, soak: Soak, found: Found) -> list[Stage]:
    """After a point that went over the limit the bench cools down, whatever comes next: what starts hot is over too."""
    # A fixed time says nothing of how cold it is after it.
    cold = soak.cools if isinstance(soak.cools, CoolDown) else _cold(protocol)
    overs = [over.detail for over in found.every(OVER_LIMIT)]
    stages = []
    for stage in points:
        stages.append(stage)
        over = next((seen for seen in overs if stage.point is not None and _same(stage.point, seen)), None)
        if over is not None:
            overs.remove(over)
            stages.append(Stage(f"{stage.key}{COOLS_AFTER}", (Play("cool_down", cold),)))
    return stages


def _same(point: SoakPoint, seen: Mapping[str, Any]) -> bool:
    settings = (point.heat_w, point.fan_pct, point.pump_pct)
    return settings == (seen["heat_w"], seen["fan_pct"], seen["pump_pct"])


def _point(soak: Soak, key: str, heat_w: float, setting: float, found: Found) -> Stage:
    noise_dba = setting if soak.noise_dba is not None else None
    fan_pct: float | None = setting
    skip, quality = "", Quality.VOID
    if noise_dba is not None:
        fan_pct, skip = setting_for_level(found.findings, noise_dba)
        quality = Quality.NOT_REACHED
    point = SoakPoint(
        heat_w=heat_w,
        noise_dba=noise_dba,
        fan_pct=fan_pct,
        pump_pct=found.pump_pct(soak.pump_pct),
        equilibrium=soak.equilibrium,
        read_min=soak.read_min,
        quiet=soak.quiet,
    )
    worse_than = _known_worse(point, found)
    if worse_than and not skip:
        skip, quality = worse_than, Quality.OVER_LIMIT
    cool = (Play("cool_down", soak.cools),) if soak.cools else ()
    return Stage(key, (*cool, Play("soak", point)), point, skip, quality)


def setting_for_level(findings: Sequence[Finding], level_dba: float) -> tuple[float | None, str]:
    """The fan setting [%] that makes a total level of level_dba [dBA] by the fan sweep, or None and why not."""
    sweep = [finding for finding in level_curve(findings) if (finding.detail["fan_rpm"] or 0) > 0]
    speeds = [finding.detail["fan_rpm"] for finding in sweep]
    try:
        curve = LevelCurve(speeds, [finding.value for finding in sweep])
    except ValueError as error:
        return None, f"not reached: {error}"
    speed_rpm = curve.speed_at(level_dba)
    if speed_rpm is None:
        return None, f"not reached: {curve.reach}"
    order = np.argsort(speeds)
    settings = [finding.detail["fan_pct"] for finding in sweep]
    return float(np.interp(speed_rpm, np.take(speeds, order), np.take(settings, order))), ""


def _known_worse(point: SoakPoint, found: Found) -> str:
    """Why a point need not be tried: no less heat, no more air and no more flow than one that went over the limit."""
    for over in found.every(OVER_LIMIT):
        seen = over.detail
        if (
            point.fan_pct is not None
            and point.heat_w >= seen["heat_w"]
            and point.fan_pct <= seen["fan_pct"] + SAME_PCT
            and point.pump_pct <= seen["pump_pct"] + SAME_PCT
        ):
            return f"over limit, not measured: {seen['heat_w']:g} W at fans {seen['fan_pct']:.0f} % already was"
    return ""


def background_stages(protocol: Protocol) -> list[str]:
    """The stages that measure the background, to be repeated after a long gap."""
    return [protocol.name_of(step) for step in protocol.steps if step.kind == "background"]


def step_of(protocol: Protocol, stage_key: str) -> AnyStep:
    """The protocol's step that a stage belongs to."""
    name = stage_key.split("/")[0]
    return next(step for step in protocol.steps if protocol.name_of(step) == name)
