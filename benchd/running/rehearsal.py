"""A protocol played on the simulated twin of a bench, in virtual time, by the same engine, steps and writer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from benchd.bench_file import LoadedBench, load_bench
from benchd.clock import VirtualClock, real_s, utc_now
from benchd.cross_check import cross_check
from benchd.errors import InputError, NotFound
from benchd.instruments import Cooling
from benchd.named_files import find_bench
from benchd.protocol_file import LoadedProtocol
from benchd.running.bench import OpenBench
from benchd.running.book import RunBook
from benchd.running.engine import Engine, Snapshot
from benchd.running.enroll import enroll
from benchd.running.recovery import recover
from benchd.running.states import RunState
from benchd.store import queries
from benchd.store.records import PointRecord
from benchd.store.writer import Writer


@dataclass(frozen=True)
class Played:
    """One run of a rehearsal."""

    run: int
    specimen: str
    state: RunState
    reason: str
    bench_s: float
    """Bench time [s]."""
    wall_s: float
    """Real time [s]."""
    samples: int
    """How many stand in the database."""
    points: tuple[PointRecord, ...]

    def as_json(self) -> dict[str, object]:
        """The run as `replay --json` prints it."""
        return {
            "run": self.run,
            "specimen": self.specimen,
            "state": str(self.state),
            "bench_s": self.bench_s,
            "wall_s": round(self.wall_s, 3),
            "samples": self.samples,
            "points": [point.as_json() for point in self.points],
        }


def twin_of(bench: LoadedBench) -> LoadedBench:
    """The simulated bench that stands for a bench. Raises `InputError` when it names none, or a real one."""
    if bench.bench.twin is None:
        raise InputError(
            f"{bench.file}: bench {bench.bench.bench!r} names no twin, so nothing can be rehearsed on it",
            'add the line  twin = "simulated"  to it',
        )
    found = find_bench(bench.bench.twin)
    twin = bench if found.text == bench.text else load_bench(found.text, found.file)
    if not _immediate(twin):
        raise InputError(f"{twin.file}: a twin may only have simulated instruments, for it is played in virtual time")
    return twin


def _immediate(bench: LoadedBench) -> bool:
    opened = OpenBench(bench.bench)
    try:
        return opened.immediate
    finally:
        opened.close()


def known_specimens(twin: LoadedBench) -> dict[str, Cooling]:
    """The specimens that a simulated bench can mount."""
    with OpenBench(twin.bench) as bench:
        return bench.specimens()


def chosen_specimens(twin: LoadedBench, named: tuple[str, ...]) -> dict[str, Cooling]:
    """The specimens to be played: the named ones, else those of the bench file. Raises `NotFound` with the list."""
    known = known_specimens(twin)
    names = named or twin.bench.specimens or tuple(known)[:1]
    for name in names:
        if name not in known:
            raise NotFound(f"there is no simulated specimen {name!r}", f"there are: {', '.join(sorted(known))}")
    return {name: known[name] for name in names}


class Rehearsal:
    """Plays runs one after the other on one twin, into one database."""

    def __init__(self, writer: Writer, protocol: LoadedProtocol, twin: LoadedBench, seed: int) -> None:
        cross_check(protocol, twin.bench)
        # Whoever holds the writer knows that no engine is at work: a run that is still "running" has lost its own.
        with OpenBench(twin.bench) as bench:
            recover(writer, bench, utc_now().astimezone())
        self._writer = writer
        self._protocol = protocol
        self._twin = twin
        self._seed = seed

    def play(
        self,
        specimen: str,
        cooling: Cooling,
        on_tick: Callable[[Snapshot], None] | None = None,
        on_engine: Callable[[Engine], None] | None = None,
    ) -> Played:
        """Play one run. `on_engine` is given the engine before it starts, to ask it to stop from a signal handler."""
        begun_s = real_s()
        run_id = enroll(
            self._writer,
            self._protocol,
            self._twin,
            specimen=specimen,
            cooling=cooling,
            seed=self._seed,
            simulated=True,
        )
        with OpenBench(self._twin.bench, cooling) as bench:
            engine = Engine(RunBook(self._writer, run_id, bench), bench, VirtualClock(), on_tick)
            if on_engine is not None:
                on_engine(engine)
            engine.play()
        return self._played(run_id, real_s() - begun_s)

    def _played(self, run_id: int, wall_s: float) -> Played:
        with self._writer.reading() as connection:
            row = queries.run(connection, run_id)
            return Played(
                run=run_id,
                specimen=row.specimen,
                state=row.state,
                reason=row.reason,
                bench_s=(queries.last_t_ms(connection, run_id) or 0) / 1000,
                wall_s=wall_s,
                samples=queries.sample_count(connection, run_id),
                points=tuple(queries.points(connection, [run_id])),
            )
