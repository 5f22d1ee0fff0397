"""A run enters the database, with everything that is needed to repeat it."""

from __future__ import annotations

import platform
from importlib.metadata import version

import benchd
from benchd.bench_file import LoadedBench
from benchd.clock import utc_now
from benchd.instruments import Cooling
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
    specimen: str,
    cooling: Cooling,
    seed: int,
    simulated: bool,
    mount: int | None = None,
    quiet: str | None = None,
) -> int:
    """Queue a run, and its id. The texts of protocol and bench are kept as they are now.

    mount: number of the mount, the latest that stands unless given. quiet: quiet window, "HH:MM-HH:MM" local time.
    """
    specimen_id = writer.specimen(specimen, cooling)
    return writer.new_run(
        NewRun(
            mount_id=writer.mount(specimen_id, mount),
            protocol=protocol.protocol.protocol,
            protocol_text=protocol.text,
            bench=bench.bench.bench,
            bench_text=bench.text,
            versions=versions(),
            seed=seed,
            simulated=simulated,
            queued_utc=utc_now(),
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
