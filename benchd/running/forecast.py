"""How long a run will still take: a guess from the protocol, mended by what the stages before have taken."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from statistics import fmean

from benchd.protocol_file import (
    AnyStep,
    Background,
    BreakIn,
    Confirm,
    CoolDownStep,
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
            cool_min = COOL_PART * step.cool_down.at_most_min if step.cool_down else 0.0
            return 60 * (cool_min + min(SOAK_SPANS * step.equilibrium.in_min, step.equilibrium.at_most_min))
        case CoolDownStep():
            return COOL_PART * step.at_most_min * 60
        case Dwell() | MountCheck():
            return step.for_min * 60
        case Confirm():
            # Nobody may come.
            return step.at_most_min * 60
        case BreakIn():
            return step.cycles * (step.on_min + step.off_min) * 60


def left_s(protocol: Protocol, schedule: Schedule, done: frozenset[str], took_s: Mapping[str, float]) -> float:
    """Bench time [s] that the stages not done yet will take.

    took_s [s]: how long finished stages took, by stage; they mend the guess for others of the same step.
    """
    to_do = [stage for stage in schedule.stages if stage.key not in done and not stage.skip]
    total = sum(_expected_s(step_of(protocol, stage.key), protocol, took_s) for stage in to_do)
    known = {stage.key.split("/")[0] for stage in schedule.stages}
    for step in protocol.steps:
        if schedule.more_to_come and isinstance(step, Soak) and protocol.name_of(step) not in known:
            total += points_of(step) * guess_s(step)
    return total


def points_of(soak: Soak) -> int:
    """How many test points a soak asks for."""
    return len(soak.heat_w) * len(soak.noise_dba or soak.fan_pct or ()) + soak.repeat_first


def _expected_s(step: AnyStep, protocol: Protocol, took_s: Mapping[str, float]) -> float:
    name = protocol.name_of(step)
    same: Sequence[float] = [seconds for key, seconds in took_s.items() if key.split("/")[0] == name]
    return fmean(same) if same else guess_s(step)
