"""A small bench of in-test instruments, and runs to play on it or on the simulated one.

Two drivers are found by entry point while a test runs, as a stranger's would be:

`slow`    has a thread, like any real instrument; a test says what it answers, how late, and whether it dies.
`quirky`  the simulated instrument itself, immediate; a test may let it fail before it reads or writes.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, ClassVar

import pytest
from sqlalchemy import text

import benchd.instruments
from benchd.bench_file import LoadedBench, load_bench
from benchd.clock import Clock, VirtualClock, utc_now
from benchd.instruments import Answer, ChannelSpec, Instrument, InstrumentSpec, SetpointSpec, Setup
from benchd.named_files import find_bench
from benchd.protocol_file import load_protocol
from benchd.running.bench import OpenBench
from benchd.running.book import RunBook
from benchd.running.engine import Engine
from benchd.running.enroll import enroll
from benchd.running.snapshot import Snapshot
from benchd.running.states import RunState
from benchd.store import queries
from benchd.store.records import EventRow, PointRecord, StepRow
from benchd.store.writer import Writer
from drivers.simulated import Simulated

EVENING = datetime(2026, 11, 20, 21, 0, tzinfo=UTC)

#: A real instrument's deadline in these tests [s].
DEADLINE_S = 0.05

BENCH = """\
bench = "trial"
tick_s = 1.0

[instruments.load]
driver = "quirky"
setpoints.heat_w = { target = "heat", range = [0, 400], safe = 0 }
channels.heat_w = { source = "heat", range = [0, 400], resolution = 0.1, uncertainty = 0.5 }

[instruments.fans]
driver = "quirky"
setpoints.fan_pct = { target = "fans", range = [0, 100], safe = 100 }
setpoints.pump_pct = { target = "pump", range = [0, 100], safe = 90, cooling = "liquid" }
channels.fan_rpm = { source = "fan_speed", range = [0, 5000], resolution = 10 }

[instruments.probe]
driver = "quirky"
channels.die_c = { source = "die", range = [0, 125], resolution = 0.1, uncertainty = 0.5 }
channels.ambient_c = { source = "ambient", range = [5, 45], resolution = 0.01, uncertainty = 0.15 }

[instruments.meter]
driver = "quirky"
channels.level_dba = { source = "level", range = [28, 130], resolution = 0.1, uncertainty = 0.7 }

[[interlocks]]
channel = "die_c"
above = 95
for_s = 3
missing_s = 10
"""

#: The same, with every instrument behind a thread.
REAL_BENCH = BENCH.replace('driver = "quirky"', f'driver = "slow"\ndeadline_s = {DEADLINE_S}')


class TrialChannel(ChannelSpec):
    source: str


class TrialSetpoint(SetpointSpec):
    target: str


class TrialSpec(InstrumentSpec):
    channels: Mapping[str, TrialChannel] = {}
    setpoints: Mapping[str, TrialSetpoint] = {}


@dataclass
class Part:
    """What one in-test instrument does, and what was done to it."""

    read: Callable[[float], Mapping[str, Answer]] | None = None
    """What it answers at bench time t_s; may sleep, block, or raise. None: fixed good values."""
    write: Callable[[Mapping[str, float]], None] | None = None
    make_safe: Callable[[Mapping[str, float]], None] | None = None
    open: Callable[[], None] | None = None
    reads: list[float] = field(default_factory=list)
    writes: list[dict[str, float]] = field(default_factory=list)
    safes: list[dict[str, float]] = field(default_factory=list)
    threads: set[str] = field(default_factory=set)
    calling: int = 0
    most_calling: int = 0
    """How many calls were in it at once."""

    def enter(self) -> None:
        self.calling += 1
        self.most_calling = max(self.most_calling, self.calling)
        self.threads.add(threading.current_thread().name)


GOOD = {"heat_w": 100.0, "fan_rpm": 1500.0, "die_c": 40.0, "ambient_c": 22.0, "level_dba": 35.0}


class Parts(dict[str, Part]):
    """The in-test instruments of one test, by name."""

    def __init__(self) -> None:
        super().__init__()
        self.released = threading.Event()
        self.order: list[tuple[str, str, dict[str, float]]] = []
        """Every write and make_safe on the bench, in order: (instrument, which, values)."""

    def __missing__(self, name: str) -> Part:
        self[name] = Part()
        return self[name]

    def block(self, *_: object) -> Any:
        """Hang until the test is over."""
        self.released.wait(30)
        return {}


def drivers_of(parts: Parts) -> dict[str, type[Instrument]]:
    """The two drivers, tied to the parts of one test."""

    class Slow(Instrument):
        Spec: ClassVar[type[InstrumentSpec]] = TrialSpec

        def __init__(self, setup: Setup) -> None:
            super().__init__(setup)
            self.part = parts[setup.name]
            self.channels = tuple(setup.spec.channels)

        def open(self) -> None:
            if self.part.open is not None:
                self.part.open()

        def close(self) -> None: ...

        def identify(self) -> str:
            return "in-test instrument"

        def read(self, t_s: float) -> Mapping[str, Answer]:
            part = self.part
            part.enter()
            try:
                part.reads.append(t_s)
                return part.read(t_s) if part.read else {name: GOOD[name] for name in self.channels}
            finally:
                part.calling -= 1

        def write(self, values: Mapping[str, float]) -> None:
            part = self.part
            part.enter()
            try:
                parts.order.append((self.name, "write", dict(values)))
                part.writes.append(dict(values))
                if part.write is not None:
                    part.write(values)
            finally:
                part.calling -= 1

        def make_safe(self, values: Mapping[str, float]) -> None:
            part = self.part
            part.enter()
            try:
                parts.order.append((self.name, "make_safe", dict(values)))
                part.safes.append(dict(values))
                if part.make_safe is not None:
                    part.make_safe(values)
            finally:
                part.calling -= 1

    class Quirky(Simulated):
        def __init__(self, setup: Setup) -> None:
            super().__init__(setup)
            self.part = parts[setup.name]

        def open(self) -> None:
            if self.part.open is not None:
                self.part.open()
            super().open()

        def read(self, t_s: float) -> Mapping[str, Answer]:
            self.part.enter()
            self.part.calling -= 1
            self.part.reads.append(t_s)
            shown = super().read(t_s)
            return {**shown, **self.part.read(t_s)} if self.part.read else shown

        def write(self, values: Mapping[str, float]) -> None:
            parts.order.append((self.name, "write", dict(values)))
            self.part.writes.append(dict(values))
            if self.part.write is not None:
                self.part.write(values)
            super().write(values)

        def make_safe(self, values: Mapping[str, float]) -> None:
            parts.order.append((self.name, "make_safe", dict(values)))
            self.part.safes.append(dict(values))
            if self.part.make_safe is not None:
                self.part.make_safe(values)
            super().write(values)

    return {"slow": Slow, "quirky": Quirky}


@dataclass
class Point:
    """An entry point."""

    name: str
    value: str
    found: type[Instrument]

    def load(self) -> type[Instrument]:
        return self.found


@pytest.fixture(autouse=True)
def parts(monkeypatch: pytest.MonkeyPatch) -> Iterator[Parts]:
    """The in-test instruments; their drivers are found by entry point beside the installed ones."""
    parts = Parts()
    ours = [Point(name, f"tests:{name}", found) for name, found in drivers_of(parts).items()]
    installed = benchd.instruments.entry_points

    def entry_points(*, group: str, name: str | None = None) -> list[Any]:
        named = {} if name is None else {"name": name}
        return [point for point in ours if name in (None, point.name)] + list(installed(group=group, **named))

    monkeypatch.setattr(benchd.instruments, "entry_points", entry_points)
    before = set(threading.enumerate())
    yield parts
    parts.released.set()
    for thread in set(threading.enumerate()) - before:
        thread.join(5)
    assert set(threading.enumerate()) <= before, "a test left a thread behind"


@dataclass
class Night:
    """One database, and runs on one bench in it."""

    writer: Writer
    path: Path
    bench: LoadedBench
    run_id: int = 0

    def enroll(
        self,
        steps: str,
        specimen: str = "brook 2x140",
        quiet: str | None = None,
        head: str = "",
        simulated: bool = False,
    ) -> int:
        """Queue a run of a protocol with these steps; as one of a real bench, whatever it is played on."""
        protocol = load_protocol(f'protocol = "trial"\n{head}\n{steps}', "trial.toml")
        self.run_id = enroll(
            self.writer,
            protocol,
            self.bench,
            mount_id=self.writer.mount(
                self.writer.specimen(specimen, "air" if specimen == "slate tower" else "liquid")
            ),
            seed=1,
            simulated=simulated,
            utc=utc_now(),
            quiet=quiet,
        )
        return self.run_id

    def play(
        self,
        clock: Clock | None = None,
        on_tick: Callable[[Snapshot, Engine], None] | None = None,
        opened: OpenBench | None = None,
    ) -> RunState:
        """An engine takes the run and plays it to an end."""
        with self.opened(opened) as bench:
            engine = Engine(
                RunBook(self.writer, self.run_id, bench),
                bench,
                clock or VirtualClock(EVENING),
                None if on_tick is None else lambda snapshot: on_tick(snapshot, engine),
            )
            return engine.play()

    def opened(self, bench: OpenBench | None = None) -> OpenBench:
        """The bench, not yet entered."""
        return bench or OpenBench(self.bench.bench, self.row.cooling)

    def ask(self, query: str, **values: object) -> list[Any]:
        """Rows of a plain SQL query, as a second program would see them."""
        with queries.reader(self.path) as connection:
            return list(connection.execute(text(query), values).all())

    @property
    def row(self) -> Any:
        with queries.reader(self.path) as connection:
            return queries.run(connection, self.run_id)

    @property
    def state(self) -> RunState:
        return self.row.state  # type: ignore[no-any-return]  # `row` is untyped to keep the tests short

    @property
    def steps(self) -> list[StepRow]:
        with queries.reader(self.path) as connection:
            return queries.steps(connection, self.run_id)

    @property
    def played(self) -> list[tuple[str, int, int, str, str]]:
        """(stage, attempt, seq, kind, ending) of each step."""
        return [(s.stage, s.attempt, s.seq, s.kind, str(s.ending)) for s in self.steps]

    @property
    def events(self) -> list[EventRow]:
        with queries.reader(self.path) as connection:
            return queries.events(connection, self.run_id)

    def said(self, kind: str) -> list[str]:
        """What the events of a kind say."""
        return [event.what for event in self.events if event.kind == kind]

    @property
    def points(self) -> list[PointRecord]:
        with queries.reader(self.path) as connection:
            return queries.points(connection, [self.run_id])

    def samples(self, channel: str) -> list[tuple[int, float | None, str]]:
        """(t_ms, value, flag) of a channel over the run."""
        rows = self.ask(
            "SELECT round(t_s * 1000), value, flag FROM sample_named WHERE run = :run AND channel = :channel"
            " ORDER BY t_s",
            run=self.run_id,
            channel=channel,
        )
        return [(int(t_ms), value, flag) for t_ms, value, flag in rows]


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[Writer]:
    with Writer.open(tmp_path / "bench.db", durable=False) as opened:
        yield opened


@pytest.fixture
def night(writer: Writer) -> Night:
    """The simulated plant behind quirky instruments."""
    return Night(writer, writer.path, load_bench(BENCH, "trial.toml"))


@pytest.fixture
def real_night(writer: Writer) -> Night:
    """In-test instruments behind threads, as on a real bench."""
    return Night(writer, writer.path, load_bench(REAL_BENCH, "trial.toml"))


@pytest.fixture
def shipped_night(writer: Writer) -> Night:
    """The shipped simulated bench."""
    found = find_bench("simulated")
    return Night(writer, writer.path, load_bench(found.text, found.file))


@pytest.fixture
def bench_of() -> Callable[..., LoadedBench]:
    """The trial bench with changes: pairs of (what stands there, what shall stand there)."""

    def made(*changes: tuple[str, str], real: bool = False) -> LoadedBench:
        bench = REAL_BENCH if real else BENCH
        for old, new in changes:
            assert old in bench
            bench = bench.replace(old, new)
        return load_bench(bench, "trial.toml")

    return made
