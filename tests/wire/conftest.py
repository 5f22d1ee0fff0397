"""A run on the shipped bench `wired`, its addresses those of a simulator that the test has started."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import ExitStack, closing
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

import pytest

from benchd.bench_file import LoadedBench, load_bench
from benchd.clock import Clock, utc_now
from benchd.protocol_file import load_protocol
from benchd.running.bench import OpenBench
from benchd.running.book import RunBook
from benchd.running.engine import Engine
from benchd.running.enroll import enroll
from benchd.running.snapshot import Snapshot
from benchd.running.states import RunState
from benchd.store import queries
from benchd.store.records import EventRow, PointRecord
from benchd.store.writer import Writer
from sim.wires.folder import USUAL_FOLDER
from sim.wires.serving import Places
from sim.wires.table import load_table, shipped


def addressed(places: Places) -> str:
    """The shipped bench file with the addresses of this simulator."""
    text = (files("benchd") / "benches" / "wired.toml").read_text(encoding="utf-8")
    for name, instrument in load_table(shipped()).instruments.items():
        if "port" in instrument.keys:
            usual = f"\nport = {instrument.keys['port']}\n"
            assert usual in text, f"the bench file names the usual port of {name}"
            text = text.replace(usual, f"\nport = {places.ports[name]}\n")
    assert str(USUAL_FOLDER) in text
    return text.replace(str(USUAL_FOLDER), str(places.folder))


@dataclass
class Night:
    """One run on the wired bench."""

    db: Path
    file: Path
    bench: LoadedBench
    writer: Writer
    run: int

    def play(self, clock: Clock, on_tick: Callable[[Snapshot], None] | None = None) -> RunState:
        """Plays the run to an end with an engine and a bench of its own."""
        with OpenBench(self.bench.bench, "liquid") as bench:
            return Engine(RunBook(self.writer, self.run, bench), bench, clock, on_tick).play()

    def asked(self, query: str, *values: object) -> list[tuple[object, ...]]:
        """What a person with the sqlite3 shell sees."""
        with closing(sqlite3.connect(self.db)) as connection:
            return connection.execute(query, values).fetchall()

    def points(self) -> list[PointRecord]:
        with self.writer.reading() as connection:
            return queries.points(connection, [self.run])

    def latch(self) -> EventRow | None:
        with self.writer.reading() as connection:
            return queries.trip_latch(connection, "wired")


@pytest.fixture
def enrolled(tmp_path: Path):
    """Enrolls a protocol on a bench file: (text of the protocol, text of the bench file) to a night."""
    with ExitStack() as stack:

        def enrolled(protocol: str, bench: str) -> Night:
            file, db = tmp_path / "wired.toml", tmp_path / "bench.db"
            file.write_text(bench)
            loaded = load_bench(bench, str(file))
            writer = stack.enter_context(Writer.open(db, durable=True))
            run = enroll(
                writer,
                load_protocol(protocol, "protocol.toml"),
                loaded,
                mount_id=writer.mount(writer.specimen("brook 2x140", "liquid")),
                seed=1,
                simulated=True,
                utc=utc_now(),
            )
            return Night(db, file, loaded, writer, run)

        yield enrolled


@pytest.fixture
def at_these_places():
    """The shipped bench file with the addresses of a simulator."""
    return addressed
