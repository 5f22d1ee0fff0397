"""Where things are on this machine: the XDG folders, the database, and whether the packages in use are our own."""

from __future__ import annotations

import importlib.util
import os
from pathlib import Path

import benchd


def data_folder() -> Path:
    """Where databases are kept: `$XDG_DATA_HOME/benchd`, by default `~/.local/share/benchd`."""
    return Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share") / "benchd"


def bench_db() -> Path:
    """The database of the real bench, when none is named."""
    return data_folder() / "bench.db"


def rehearsal_db() -> Path:
    """The database of rehearsals, when none is named: they must never stand among real measurements."""
    return data_folder() / "rehearsal.db"


def usual_db() -> Path:
    """Which of the two is looked at when none is named: the real bench's, or rehearsals where there is nothing else."""
    return bench_db() if bench_db().exists() or not rehearsal_db().exists() else rehearsal_db()


def foreign_drivers() -> str:
    """What is wrong with the package `drivers` that Python finds, empty when it is benchd's own.

    Another distribution of that name may lie over it; it is looked at without importing it.
    """
    spec = importlib.util.find_spec("drivers")
    if spec is None or spec.origin is None:
        return "benchd's package `drivers` is missing"
    if f'__benchd__ = "{benchd.__version__}"' in Path(spec.origin).read_text(encoding="utf-8"):
        return ""
    return f"the package `drivers` at {spec.origin} is not the one of benchd {benchd.__version__}"
