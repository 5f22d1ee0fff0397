"""The status document and the list of `ready`, described for whoever reads /openapi.json. Every key is always there.

The documents are made elsewhere (`status`, `ready`) and sent as they are; a test holds them against this description.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict


class Part(BaseModel):
    """Base of what is shown; unknown is null, local times are ISO 8601 with their offset."""

    model_config = ConfigDict(extra="forbid")


class SoakingPart(Part):
    """How near a soak is to equilibrium."""

    state: Literal["settling", "predicted", "settled", "drifting"]
    rise_k: float | None
    final_k: float | None
    half_width_k: float | None
    remaining_s: float | None
    ends_local: str | None
    latest_local: str | None
    until: str


class RunPart(Part):
    """The run that is played."""

    run: int
    protocol: str
    specimen: str
    mount: int
    state: str
    stage: str
    step: str
    attempt: int
    doing: str
    points_done: int
    points_known: int
    more_to_come: bool
    t_s: float
    left_s: float
    done_part: float
    ends_local: str | None
    quiet: str | None
    soaking: SoakingPart | None


class ChannelPart(Part):
    """What a channel shows; of its history one mean a minute, oldest first."""

    channel: str
    value: float | None
    unit: str
    flag: Literal["ok", "missing", "garbled", "out_of_range"]
    history: list[float | None]


class InterlockPart(Part):
    """A limit, and how far its channel is from it."""

    limit: str
    channel: str
    value: float | None
    margin: float | None
    unit: str


class HotPart(Part):
    """Too hot to be touched; no value: not known, so it counts as hot."""

    limit_c: float
    channel: str | None
    value: float | None


class LatchPart(Part):
    """The trip that latches the bench until it is cleared."""

    run: int | None
    what: str
    local: str


class SilentPart(Part):
    """An instrument that does not answer."""

    instrument: str
    why: str


class AskedPart(Part):
    """What a person is asked, and the command that answers it."""

    kind: Literal["mount", "bench_file", "prompt", "decision"]
    run: int
    what: str
    local: str | None
    limit_local: str | None
    pending: bool
    how: str


class QueuedPart(Part):
    """A run that is to be played, or waits for something."""

    run: int
    protocol: str
    specimen: str
    mount: int
    state: str
    due_local: str | None
    quiet: str | None
    why: str
    starts_local: str | None


class EventPart(Part):
    """Something that happened; `event` counts up."""

    event: int
    local: str
    run: int | None
    kind: str
    what: str
    who: str | None


class StatusAnswer(Part):
    """What is going on."""

    benchd: str
    bench: str
    simulated: bool
    speed: float
    database: str
    local: str
    started_local: str
    state: Literal["idle", "running", "held", "starting", "stopping"]
    run: RunPart | None
    setpoints: dict[str, float] | None
    channels: list[ChannelPart]
    channels_local: str | None
    interlocks: list[InterlockPart]
    hot: HotPart | None
    latch: LatchPart | None
    silent: list[SilentPart]
    asked: list[AskedPart]
    queue: list[QueuedPart]
    events: list[EventPart]
    wal_bytes: int
    wal_too_large: bool


class ReadyItem(Part):
    """One thing to look at before going home."""

    name: str
    verdict: Literal["yes", "no", "not proven", "asked"]
    sentence: str
    do: str


class ReadyAnswer(Part):
    """The list: you may leave, or why not."""

    may_leave: bool
    headline: str
    run: int | None
    protocol: str
    specimen: str
    mount: int
    starts_local: str | None
    ends_local: str | None
    items: list[ReadyItem]
