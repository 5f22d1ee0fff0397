"""`benchd serve`: the daemon of one bench. This process becomes its guard and stays small: `benchd.service.guard`."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import click

from benchd.bench_file import LoadedBench
from benchd.commands.tell import tell
from benchd.errors import StoreError
from benchd.places import bench_db, rehearsal_db
from benchd.service.bench_lock import BenchLock
from benchd.service.guard import Guard, check_speed
from benchd.service.logs import set_up
from benchd.service.socket_place import bind, socket_path
from benchd.store.lock import is_held


def serve_command(loaded: LoadedBench, bench: str, db: Path | None, speed: float | None, socket: Path | None) -> None:
    """Serve a bench until asked to stop; `bench` is the name or path it was found by. Raises `BenchdError`."""
    simulated = loaded.bench.immediate
    check_speed(loaded, speed)
    database = (db or (rehearsal_db() if simulated else bench_db())).absolute()
    database.parent.mkdir(parents=True, exist_ok=True)
    path = socket_path(socket)
    set_up()
    if is_held(database):
        raise StoreError(f"{database} is being written by another process", "one daemon a database: see benchd status")
    lock = BenchLock.take(loaded.bench)
    try:
        with bind(path) as listening:
            what = "simulated bench" if simulated else "bench"
            tell(f"serving {what} {loaded.bench.bench} at {path}; see: benchd status; Ctrl-C stops it safely")
            options = {
                "bench": _found_again(bench),
                "bench_file": loaded.file,
                "db": str(database),
                "speed": speed,
            }
            guard = Guard(loaded, lock, listening, options)
            try:
                status = guard.run()
            finally:
                path.unlink(missing_ok=True)
    finally:
        lock.release()
    if status:
        raise click.exceptions.Exit(status)  # why, it has logged
    if guard.stopped_by is not None:
        # So that whoever started it sees how it ended.
        signal.signal(guard.stopped_by, signal.SIG_DFL)
        os.kill(os.getpid(), guard.stopped_by)


def _found_again(bench: str) -> str:
    """What leads to the same file whatever folder the child is in."""
    return str(Path(bench).absolute()) if os.sep in bench or bench.endswith(".toml") else bench
