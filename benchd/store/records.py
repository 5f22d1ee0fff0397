"""What goes into the store and comes out of it, as plain frozen values. Nothing here touches the database."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import datetime
from enum import StrEnum
from typing import Any, TypeAlias

from benchd.analysis.acoustics import Bound
from benchd.instruments import Cooling
from benchd.running.states import Ending, Flag, Quality, RunState
from benchd.running.steps.base import Finding

#: Kinds of event that the store itself reads. Others are words for people.
TRIP, CLEAR, REPEAT = "trip", "clear", "repeat"
#: What is said of a run when an engine takes it.
TAKEN = "the engine takes the run"
#: A run goes on by itself; `what` is the stage at which it lost its engine.
AUTO_RESUME = "auto_resume"

#: One sample of a tick: channel id, value [unit of the channel] or None, code of the `SampleFlag`.
SampleRow: TypeAlias = tuple[int, float | None, int]


def finite(value: Any) -> Any:
    """The value with every number in it that is not finite turned into None: JSON has no word for them."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): finite(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [finite(inner) for inner in value]
    return value


def json_text(value: Any) -> str:
    """The value as JSON that every reader takes."""
    return json.dumps(finite(value), allow_nan=False)


@dataclass(frozen=True, kw_only=True)
class PointRecord:
    """A test point, key for key what `results --json` prints. None is unknown; `*_u_*` are expanded, 95 %."""

    point: int = 0
    """Number of the point in its run, from 1. The store fills in this and the next three."""
    run: int = 0
    specimen: str = ""
    mount: int = 0
    heat_set_w: float
    heat_w: float | None = None
    heat_u_w: float | None = None
    noise_set_dba: float | None = None
    fan_pct: float | None = None
    pump_pct: float | None = None
    fan_rpm: float | None = None
    level_dba: float | None = None
    level_u_db: float | None = None
    level_corrected_dba: float | None = None
    level_corrected_u_db: float | None = None
    level_bound: Bound | None = None
    background_dba: float | None = None
    die_c: float | None = None
    ambient_c: float | None = None
    inlet_c: float | None = None
    rise_k: float | None = None
    rise_u_k: float | None = None
    resistance_k_per_w: float | None = None
    resistance_u_k_per_w: float | None = None
    until: str | None = None
    ended_by: str | None = None
    soak_s: float | None = None
    extrapolated_k: float | None = None
    quality: Quality
    flags: tuple[Flag, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Every key, in the order above; unknown is None, no key is absent, `flags` is a list of words."""
        return {key.name: finite(_plain(getattr(self, key.name))) for key in fields(self)}

    def measured(self) -> dict[str, Any]:
        """The columns of table `point` that are the point's own."""
        values = self.as_json()
        for key in ("point", "run", "specimen", "mount"):
            del values[key]
        return {**values, "flags": json_text(values["flags"])}


def _plain(value: Any) -> Any:
    if isinstance(value, tuple):
        return [str(flag) for flag in value]
    return str(value) if isinstance(value, str) else value


class WaitsFor(StrEnum):
    """What a waiting run waits for."""

    PERSON = "person"  # to decide whether it goes on
    MOUNT = "mount"  # to be mounted, and confirmed
    BENCH_FILE = "bench_file"  # which was changed since it was queued, to be confirmed
    QUIET = "quiet"  # the quiet window to open; it then goes on by itself


@dataclass(frozen=True, kw_only=True)
class NewRun:
    """A run as it is queued. The texts are kept as they are now, whatever becomes of the files."""

    mount_id: int
    protocol: str
    """Its name."""
    protocol_text: str
    bench: str
    """Its name."""
    bench_text: str
    versions: Mapping[str, str]
    """Of benchd and of what it computes with."""
    seed: int
    simulated: bool
    queued_utc: datetime
    state: RunState = RunState.QUEUED
    quiet: str | None = None
    """Quiet hours of the room, local time, such as "22:00-06:00"."""
    queued_by: str | None = None
    due_utc: datetime | None = None
    """When it may start at the earliest; None: at once."""
    waits_for: WaitsFor | None = None
    """What would let it go on, in state waiting."""
    campaign_id: int | None = None
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class RunRow(NewRun):
    """A run as it stands."""

    id: int
    specimen: str
    cooling: Cooling
    mount: int
    """Number of the mount, from 1 for each specimen."""
    started_utc: datetime | None
    ended_utc: datetime | None


@dataclass(frozen=True, kw_only=True)
class SpecimenRow:
    """A specimen of the bench's books."""

    id: int
    name: str
    cooling: Cooling
    note: str


@dataclass(frozen=True, kw_only=True)
class MountRow:
    """One mounting of a specimen."""

    id: int
    specimen_id: int
    number: int
    note: str
    bench: str | None
    """On which it stands or stood."""
    mounted_utc: datetime | None
    """None while it is only planned."""
    taken_off_utc: datetime | None


@dataclass(frozen=True, kw_only=True)
class ChannelRow:
    """One channel as it was during a run."""

    name: str
    unit: str
    instrument: str
    resolution: float = 0.0
    """[unit]"""
    uncertainty: float = 0.0
    """Expanded, 95 % [unit]."""
    uncertainty_pct: float = 0.0
    """The same as a part of the reading [%]; the two add as squares."""
    id: int | None = None
    """None until it is stored."""


@dataclass(frozen=True, kw_only=True)
class StepRow:
    """One step as it was played. `ended_ms` and `ending` are None while it is open."""

    id: int
    run_id: int
    stage: str
    attempt: int
    seq: int
    """Which step of the stage it is."""
    kind: str
    spec: str
    """JSON."""
    started_ms: int
    ended_ms: int | None
    ending: Ending | None
    reason: str


@dataclass(frozen=True, kw_only=True)
class FindingRow:
    """A finding and the step it came from."""

    step: StepRow
    finding: Finding


@dataclass(frozen=True, kw_only=True)
class PointPlace:
    """Where a test point was measured."""

    point: int
    stage: str
    step_id: int | None
    """None when the point was skipped."""


@dataclass(frozen=True, kw_only=True)
class EventRow:
    """Something that happened. `what` is for people, but with `REPEAT` and `AUTO_RESUME` it is a stage."""

    bench: str
    utc: datetime
    kind: str
    what: str
    run_id: int | None = None
    t_ms: int | None = None
    who: str | None = None
    id: int | None = None
    """None until it is stored."""

    def __post_init__(self) -> None:
        if self.kind == REPEAT and (self.run_id is None or self.t_ms is None):
            raise ValueError(f"an event of kind {REPEAT!r} needs run_id and t_ms: they say which attempt it calls off")


@dataclass(frozen=True, kw_only=True)
class PromptRow:
    """What a run asks a person."""

    id: int
    run_id: int
    step_id: int | None
    what: str
    asked_utc: datetime
    limit_utc: datetime | None
    """Not answered by then it is pending: it can be answered later."""
    answered_utc: datetime | None
    answer: str | None
    who: str | None


@dataclass(frozen=True, kw_only=True)
class SpanRow:
    """What the wall clock showed at bench time `from_ms`, from there on."""

    from_ms: int
    utc: datetime
