"""A run enters the database, with everything that is needed to repeat it."""

from __future__ import annotations

import platform
from datetime import datetime
from importlib.metadata import version

import benchd
from benchd.bench_file import LoadedBench
from benchd.protocol_file import LoadedProtocol
from benchd.store.records import NewRun
from benchd.store.writer import Writer

#: Libraries whose version may change a result.
COMPUTES_WITH = ("numpy", "scipy", "pydantic", "sqlalchemy")


def enroll(
    writer: Writer,
    protocol: LoadedProtocol,
    bench: LoadedBench,
    *,
    mount_id: int,
    seed: int,
    simulated: bool,
    utc: datetime,
    quiet: str | None = None,
    due_utc: datetime | None = None,
    queued_by: str | None = None,
) -> int:
    """Queue a run at `utc`, and its id. The texts of protocol and bench are kept as they are now.

    quiet: quiet window, "HH:MM-HH:MM" local time. due_utc: when it may start at the earliest; None: at once.
    """
    return writer.new_run(
        NewRun(
            mount_id=mount_id,
            protocol=protocol.protocol.protocol,
            protocol_text=protocol.text,
            bench=bench.bench.bench,
            bench_text=bench.text,
            versions=versions(),
            seed=seed,
            simulated=simulated,
            queued_utc=utc,
            queued_by=queued_by,
            due_utc=due_utc,
            quiet=quiet,
        )
    )


def versions() -> dict[str, str]:
    """Versions of benchd, of Python and of what results are computed with, and the kind of machine."""
    return {
        "benchd": benchd.__version__,
        "python": platform.python_version(),
        **{name: version(name) for name in COMPUTES_WITH},
        "machine": platform.machine(),
    }
