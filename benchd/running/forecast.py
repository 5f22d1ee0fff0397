"""How long a run will still take: a guess from the protocol, mended by what the stages before have taken."""

from __future__ import annotations

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
    FanSweep,
    MountCheck,
    Protocol,
    PumpSweep,
    Soak,
)
from benchd.running.schedule import Schedule, step_of
from benchd.running.steps.pump import LISTEN_AFTER_S

#: A soak usually takes so many times the span over which its change is judged.
SOAK_SPANS = 3.0
#: After a change of one setting only, an equilibrium usually takes so many times that span.
CHANGE_SPANS = 1.5
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
            return len(step.pump_pct) * (listening_s + CHANGE_SPANS * step.equilibrium.in_min * 60)
        case Soak():
            soak_s = 60 * min(SOAK_SPANS * step.equilibrium.in_min, step.equilibrium.at_most_min)
            return _cools_s(step.cools) + soak_s
        case CoolDownStep():
            return _cools_s(step)
        case Dwell() | MountCheck():
            return step.for_min * 60
        case Confirm():
            # Nobody may come.
            return step.at_most_min * 60
        case BreakIn():
            return step.cycles * (step.on_min + step.off_min) * 60


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


def expected_s(protocol: Protocol, stage_key: str, took_s: Mapping[str, float]) -> float:
    """Bench time [s] that one stage will take: as others of its step have taken, else as is usual."""
    step = step_of(protocol, stage_key)
    name = protocol.name_of(step)
    same: Sequence[float] = [seconds for key, seconds in took_s.items() if key.split("/")[0] == name]
    return fmean(same) if same else guess_s(step)


def points_of(soak: Soak) -> int:
    """How many test points a soak asks for."""
    return len(soak.heat_w) * len(soak.noise_dba or soak.fan_pct or ()) + soak.repeat_first


def _left_of(
    step: AnyStep, protocol: Protocol, schedule: Schedule, done: frozenset[str], took_s: Mapping[str, float]
) -> float:
    stages = [stage for stage in schedule.stages if step_of(protocol, stage.key) is step]
    if schedule.more_to_come and isinstance(step, Soak) and not stages:
        return points_of(step) * guess_s(step)
    return sum(expected_s(protocol, stage.key, took_s) for stage in stages if stage.key not in done and not stage.skip)
