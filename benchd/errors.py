"""Every error that benchd raises on purpose, in one tree. A user sees `message` and `hint`, never a traceback.

    BenchdError                      exit 1
    |-- InputError                   exit 2: what the user gave is wrong
    |   |-- FileProblems             all mistakes of one file, each as file:line:column
    |   |-- NotFound                 no such protocol, bench, specimen, run
    |   `-- DatabaseRefused          not ours, of a newer benchd, or not readable
    |-- InstrumentError              the instrument or its wire erred
    |   |-- NoAnswer                 nothing came back in time         (also a TimeoutError)
    |   |-- LinkLost                 there is no connection            (also a ConnectionError)
    |   |-- Garbled                  what came back makes no sense     (also a ValueError)
    |   `-- SettingRefused           a setpoint was not accepted or reads back otherwise
    |-- StoreError                   the database cannot be written: disk full, no right, locked by another
    |-- RunRefused                   the state table or the trip latch does not allow it
    `-- DaemonNeeded                 exit 3: a daemon is needed and none answers

The three questions an error answers: what happened, where, and what to do next (`hint`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class BenchdError(Exception):
    """Anything benchd says no to. `hint` tells what to do next and may be empty."""

    exit_code = 1

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint

    def __str__(self) -> str:
        return f"{self.message}\n  {self.hint}" if self.hint else self.message


class InputError(BenchdError):
    """What the user gave cannot be used."""

    exit_code = 2


@dataclass(frozen=True, order=True)
class Problem:
    """One mistake in a file, at a place a person can jump to. `line` and `column` count from 1."""

    line: int
    column: int
    where: str
    what: str

    def located(self, file: str) -> str:
        """The mistake as one line, `file:line:column: where: what`."""
        where = f"{self.where}: " if self.where else ""
        return f"{file}:{self.line}:{self.column}: {where}{self.what}"


class FileProblems(InputError):
    """All mistakes of one file at once, in the order of the file."""

    def __init__(self, file: str, problems: Sequence[Problem]) -> None:
        self.file = file
        self.problems = tuple(sorted(problems))
        super().__init__("\n".join(problem.located(file) for problem in self.problems))


class NotFound(InputError):
    """Nothing goes by that name; the hint lists what there is."""


class DatabaseRefused(InputError):
    """The file is not a database of benchd's, or one of a newer benchd."""


class InstrumentError(BenchdError):
    """The instrument or its wire erred; `message` names the instrument."""


class NoAnswer(InstrumentError, TimeoutError):
    """Nothing came back in time."""


class LinkLost(InstrumentError, ConnectionError):
    """There is no connection to the instrument."""


class Garbled(InstrumentError, ValueError):
    """Something came back that is not an answer to the question."""


class SettingRefused(InstrumentError):
    """A setpoint was not accepted, or reads back as something else."""


class StoreError(BenchdError):
    """The database cannot be written."""


class RunRefused(BenchdError):
    """A run cannot do that in its present state, or the bench is latched after a trip."""


class DaemonNeeded(BenchdError):
    """No daemon answers."""

    exit_code = 3
