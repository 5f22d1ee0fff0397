"""How long a run will still take: a guess from the protocol, mended by what the stages before have taken."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean

from benchd.protocol_file import (
    AnyStep,
    Background,
    BreakIn,
    Confirm,
    CoolDown,
    CoolDownStep,
    CoolFor,
    Dwell,
    Equilibrium,
    FanSweep,
    MountCheck,
    Protocol,
    PumpSweep,
    Soak,
)
from benchd.running.schedule import COOLS_AFTER, Schedule, Stage, step_of
from benchd.running.steps.common import COMES_UP_S
from benchd.running.steps.pump import LISTEN_AFTER_S

#: A rise is usually so far from its end [K] when a soak begins,
BEGINS_K = 30.0
#: and so far after a change of one setting only.
CHANGES_K = 3.0
#: Its slow part has usually this time constant [s].
SLOW_S = 250.0
#: And what may still come after it, as a protocol says, this one [s]; it counts by the half width of its interval.
TAIL_S, TWO_SIDED = 1000.0, 1.96
#: Its end is usually known after this part of the time that it takes to be reached.
KNOWN_PART = 0.5
#: A cool-down usually takes this part of its longest time.
COOL_PART = 0.4


def guess_s(step: AnyStep) -> float:
    """How long one stage of a step usually takes [s] of bench time."""
    match step:
        case Background():
            return step.settle_s + step.for_min * 60
        case FanSweep():
            return len(step.fan_pct) * (step.settle_s + step.for_s)
        case PumpSweep():
            listening_s = (LISTEN_AFTER_S + step.listen_s) * bool(step.listen_s)
            first_s, other_s = (_soaks_s(step.equilibrium, k, step.read_min) for k in (BEGINS_K, CHANGES_K))
            return len(step.pump_pct) * (listening_s + other_s) + first_s - other_s
        case Soak():
            return _cools_s(step.cools) + _soaks_s(step.equilibrium, BEGINS_K, step.read_min)
        case CoolDownStep():
            return _cools_s(step)
        case Dwell() | MountCheck():
            return step.for_min * 60
        case Confirm():
            # Nobody may come.
            return step.at_most_min * 60
        case BreakIn():
            return step.cycles * (step.on_min + step.off_min) * 60


def _soaks_s(rule: Equilibrium, begins_k: float, read_min: float) -> float:
    longest_s = rule.longest_min * 60
    if rule.for_min is not None:
        return longest_s
    settles_s = SLOW_S * math.log(max(1.0, begins_k / rule.within_k))
    # What may still come is told apart from what does by waiting for it.
    tail_s = TAIL_S * math.log(max(1.0, TWO_SIDED * rule.slow_tail_k / rule.within_k))
    usual_s = math.hypot(settles_s * (KNOWN_PART if rule.until == "predicted" else 1.0), tail_s)
    return min(max(usual_s, COMES_UP_S + read_min * 60), longest_s)


def _cools_s(spec: CoolDown | CoolFor | None) -> float:
    match spec:
        case CoolDown():
            return COOL_PART * spec.at_most_min * 60
        case CoolFor():
            return spec.for_min * 60
        case None:
            return 0.0


@dataclass(frozen=True)
class Expectation:
    """What is left of a run, in bench time from when it starts or goes on [s]. A guess."""

    lasts_s: float
    quiet_from_s: float | None
    """Until the first step begins that needs a quiet room; None when none is left."""
    quiet_until_s: float | None
    """Until the last such step has ended."""

    @property
    def quiet_s(self) -> float:
        """How long the room has to be quiet at a stretch [s]; what lies between two quiet steps counts."""
        if self.quiet_from_s is None or self.quiet_until_s is None:
            return 0.0
        return self.quiet_until_s - self.quiet_from_s


def expectation(
    protocol: Protocol, schedule: Schedule, done: frozenset[str], took_s: Mapping[str, float]
) -> Expectation:
    """What the stages not done yet will take, the points included that a sweep is still to add.

    took_s [s]: how long finished stages took, by stage; they mend the guess for others of the same step.
    """
    return expectation_of(left_by_step(protocol, schedule, done, took_s))


def left_by_step(
    protocol: Protocol, schedule: Schedule, done: frozenset[str], took_s: Mapping[str, float]
) -> list[tuple[AnyStep, float]]:
    """The steps of which something is left, in their order, each with the bench time [s] that it will take."""
    left = [(step, _left_of(step, protocol, schedule, done, took_s)) for step in protocol.steps]
    return [(step, seconds) for step, seconds in left if seconds]


def expectation_of(left: Iterable[tuple[AnyStep, float]]) -> Expectation:
    """The same of steps played one after the other, each with the time that it takes [s]."""
    at_s, quiet = 0.0, []
    for step, seconds in left:
        if step.quiet:
            quiet += [at_s, at_s + seconds]
        at_s += seconds
    return Expectation(at_s, quiet[0] if quiet else None, quiet[-1] if quiet else None)


def left_s(protocol: Protocol, schedule: Schedule, done: frozenset[str], took_s: Mapping[str, float]) -> float:
    """Bench time [s] that the stages not done yet will take; as `expectation`."""
    return expectation(protocol, schedule, done, took_s).lasts_s


def expected_s(protocol: Protocol, stage: Stage, took_s: Mapping[str, float]) -> float:
    """Bench time [s] that one stage will take: as others like it of its step have taken, else as is usual."""
    like = _like(stage.key)
    same: Sequence[float] = [seconds for key, seconds in took_s.items() if _like(key) == like]
    if same:
        return fmean(same)
    ends_with = stage.plays[-1].spec
    return _cools_s(ends_with) if isinstance(ends_with, CoolDown) else guess_s(step_of(protocol, stage.key))


def _like(stage_key: str) -> tuple[str, bool]:
    """Its step, and whether it only cools down after a point of that."""
    return stage_key.split("/")[0], stage_key.endswith(COOLS_AFTER)


def points_of(soak: Soak) -> int:
    """How many test points a soak asks for."""
    return len(soak.heat_w) * len(soak.noise_dba or soak.fan_pct or ()) + soak.repeat_first


def _left_of(
    step: AnyStep, protocol: Protocol, schedule: Schedule, done: frozenset[str], took_s: Mapping[str, float]
) -> float:
    stages = [stage for stage in schedule.stages if step_of(protocol, stage.key) is step]
    if schedule.more_to_come and isinstance(step, Soak) and not stages:
        return points_of(step) * guess_s(step)
    return sum(expected_s(protocol, stage, took_s) for stage in stages if stage.key not in done and not stage.skip)
