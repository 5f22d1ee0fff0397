"""What is asked of the desk, and what it answers: plain frozen values. The API and the command line share them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from benchd.instruments import Cooling
from benchd.protocol_file import LoadedProtocol
from benchd.store.records import MountRow, SpecimenRow


@dataclass(frozen=True, kw_only=True)
class Order:
    """A run to be queued. The protocol has been read and checked."""

    protocol: LoadedProtocol
    specimen: str
    cooling: Cooling | None = None
    """How it cools, for a specimen that is not in the books yet."""
    mount: int | None = None
    """Number of the mount; None: the one that stands on the bench, else the next."""
    due_utc: datetime | None = None
    """When it may start at the earliest; None: at once."""
    quiet: str | None = None
    """Quiet window, "HH:MM-HH:MM" local time."""
    seed: int = 1


@dataclass(frozen=True, kw_only=True)
class Queued:
    """A run that was queued."""

    run: int
    mount: int
    says: tuple[str, ...]
    """What a person ought to know of it, a sentence each: a new mount, when it is expected to start and to end."""


class Desk(Protocol):
    """Where orders are carried out, on the thread that plays; `who` did it.

    All raise kinds of `BenchdError`: `NotFound` for what is not there, `InputError` for what is wrong in itself,
    `RunRefused` for what cannot be done now. The sentence that is given back says what was done.
    """

    def queue(self, order: Order, who: str) -> Queued:
        """Queue a run."""
        ...

    def repair(self, run: int, who: str) -> Queued:
        """Queue a run that has ended once more, for what is not good in it, while its mount still stands."""
        ...

    def hold(self, who: str) -> str:
        """Heat off, sampling goes on."""
        ...

    def resume(self, run: int | None, who: str) -> str:
        """A held run goes on, or one that tripped, failed, was interrupted or waits; None: the only such one."""
        ...

    def abort(self, run: int | None, who: str) -> str:
        """End a run for good; None: the one that is played now, else the only one that waits."""
        ...

    def confirm(self, text: str, run: int | None, who: str) -> str:
        """Answer what is asked of a person: a mount that a run waits for, a changed bench file, a prompt of a step.

        None: the only thing that is asked.
        """
        ...

    def clear(self, who: str) -> str:
        """Re-arm the bench after a trip."""
        ...

    def add_specimen(self, name: str, cooling: Cooling, note: str, who: str) -> SpecimenRow:
        """Enter a specimen."""
        ...

    def add_mount(self, specimen: str, note: str, who: str) -> MountRow:
        """A specimen has been mounted on the bench; the one that stood there has been taken off."""
        ...
