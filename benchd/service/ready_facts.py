"""What is known before a person goes home: plain values, gathered by `ready_gather`, judged by `ready_items`.

It must not know the database, the disk, nor what is concluded.
"""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from benchd.bench_file import HEAT_SETPOINT, BenchFile, Interlock
from benchd.cross_check import HEATED
from benchd.instruments import ChannelSpec, Cooling
from benchd.protocol_file import SINKS, AnyStep, Dwell, MountCheck, Protocol, PumpSweep, Soak
from benchd.service.board import Document


@dataclass(frozen=True, kw_only=True)
class Background:
    """The latest background that was measured on the bench."""

    level_dba: float
    u_db: float | None
    """Expanded, 95 % [dB]."""
    measured: datetime
    run: int


@dataclass(frozen=True, kw_only=True)
class Standing:
    """What stands on the bench."""

    specimen: str
    mount: int


@dataclass(frozen=True, kw_only=True)
class MountTried:
    """What the latest check of the mount came to."""

    words: str
    """The resistance with its uncertainty and how it compares with earlier mounts, a sentence."""
    worse: bool
    """Whether it is so much worse than earlier mounts that it had better be seated again."""


@dataclass(frozen=True, kw_only=True)
class Asking:
    """A question that a step will ask, and about when."""

    what: str
    comes: datetime | None
    waits_min: float
    """How long the run waits for an answer [min]."""
    later: bool
    """Nobody answers: the run goes on, else it fails there."""


@dataclass(frozen=True, kw_only=True)
class Window:
    """Whether the part of the run that needs a quiet room fits into the quiet window."""

    fits: bool | None
    """None: not known."""
    words: str


@dataclass(frozen=True, kw_only=True)
class Facts:
    """Everything that is looked at. Times are local."""

    now: datetime
    bench: BenchFile
    document: Document
    """The status, which has everything live."""
    protocol: Protocol
    typed: str
    """How the protocol is named on a command line."""
    problems: tuple[str, ...] = ()
    """Why the protocol cannot be played on the bench."""
    specimen: str
    cooling: Cooling | None
    """None while the specimen is not in the books."""
    mount: int
    taken_off: datetime | None = None
    """When the mount was taken off the bench; such a mount does not come back."""
    standing: Standing | None = None
    mount_check: MountTried | None = None
    background: Background | None = None
    run: int | None
    """The queued run that is meant; None when there is none yet."""
    due: datetime | None = None
    quiet: str | None = None
    starts: datetime | None = None
    """About when it starts; None: not known."""
    takes_s: float
    """About how long it will take from its start [s]."""
    ends: datetime | None = None
    window: Window
    askings: tuple[Asking, ...] = ()
    free_bytes: int

    @property
    def before(self) -> list[Mapping[str, Any]]:
        """The entries of the queue that come before this run."""
        queue: Sequence[Mapping[str, Any]] = self.document["queue"]
        if self.run is None:
            return [one for one in queue if _due(one, self.now) <= (self.due or self.now)]
        return [one for one in queue if one["run"] != self.run][: self._place()]

    def _place(self) -> int:
        runs = [one["run"] for one in self.document["queue"]]
        return runs.index(self.run) if self.run in runs else 0

    @property
    def channels(self) -> dict[str, ChannelSpec]:
        """The channels there are with the specimen."""
        return {name: spec for name, (_, spec) in self.bench.channels(self.cooling).items()}

    def owner_of(self, channel: str) -> str:
        """The instrument that has a channel, empty when none has."""
        return self.bench.channels().get(channel, ("", ChannelSpec()))[0]

    def channels_of(self, instrument: str) -> list[str]:
        """The channels of an instrument that there are with the specimen."""
        return [name for name, (owner, _) in self.bench.channels(self.cooling).items() if owner == instrument]

    @property
    def heats(self) -> bool:
        """Whether the protocol heats."""
        return any(step.needs_heat or (isinstance(step, Dwell) and step.heat_w > 0) for step in self.protocol.steps)

    @property
    def listens(self) -> bool:
        """Whether the protocol measures a level."""
        return bool(self.levels_dba) or any(_listens(step) for step in self.protocol.steps)

    @property
    def checks_mount(self) -> bool:
        """Whether the protocol itself tries the mount."""
        return any(isinstance(step, MountCheck) for step in self.protocol.steps)

    @property
    def levels_dba(self) -> tuple[float, ...]:
        """The total levels that test points ask for [dBA], lowest first."""
        soaks = [step for step in self.protocol.steps if isinstance(step, Soak)]
        return tuple(sorted({level for soak in soaks for level in soak.noise_dba or ()}))

    @property
    def interlocks(self) -> list[Interlock]:
        """The interlocks of the bench that watch with the specimen."""
        return [lock for lock in self.bench.interlocks if lock.channel in self.channels]

    @property
    def needed(self) -> set[str]:
        """The channels without which the run cannot be played or would trip."""
        wanted = {lock.channel for lock in self.interlocks}
        if self.heats:
            wanted |= {HEATED, "ambient_c", HEAT_SETPOINT}
        if self.listens:
            wanted.add("level_dba")
        if self.levels_dba or any(getattr(step, "fan_pct", None) is not None for step in self.protocol.steps):
            wanted.add("fan_rpm")
        if self.checks_mount:
            wanted |= set(SINKS)
        return wanted & set(self.channels)

    @property
    def wanted_bytes(self) -> float:
        """Room that the samples of the run may take [bytes]: twice what is expected, and some for the rest."""
        samples = self.takes_s / self.bench.tick_s * len(self.channels)
        return 2 * samples * SAMPLE_BYTES + SPARE_BYTES

    def queue_command(self, protocol: str = "") -> str:
        """The command that queues a protocol on this specimen: another one, or this one with all that was asked for."""
        words = ["benchd", "queue", protocol or self.typed, "--specimen", self.specimen]
        if not protocol:
            words += ["--mount", str(self.mount)]
            words += ["--at", self.due.strftime("%H:%M")] if self.due else []
            words += ["--quiet", self.quiet] if self.quiet else []
        return shlex.join(words)


#: One sample in the database, with its share of the log [bytes]; a replay of `quick` takes 27 with all else.
SAMPLE_BYTES = 25
#: What a backup, the log and other programs may want [bytes].
SPARE_BYTES = 200e6


def _listens(step: AnyStep) -> bool:
    return step.needs_level or (isinstance(step, PumpSweep) and step.listen_s > 0)


def _due(entry: Mapping[str, Any], now: datetime) -> datetime:
    return datetime.fromisoformat(entry["due_local"]) if entry["due_local"] else now
