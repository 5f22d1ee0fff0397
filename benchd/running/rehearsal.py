"""A protocol played on the simulated twin of a bench, in virtual time, by the same engine, steps and writer."""

from __future__ import annotations

from collections.abc import Callable, Mapping
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
from benchd.running.engine import Command, Engine
from benchd.running.enroll import enroll
from benchd.running.recovery import recover
from benchd.running.snapshot import Snapshot
from benchd.running.states import RunState
from benchd.store import queries
from benchd.store.records import CLEAR, EventRow, PointRecord
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
    """The simulated bench that stands for a bench: itself when all its instruments are simulated, else its twin.

    Raises `InputError` when it names none, or one with real instruments.
    """
    if bench.bench.immediate:
        return bench
    if bench.bench.twin is None:
        raise InputError(
            f"{bench.file}: bench {bench.bench.bench} names no twin, so nothing can be rehearsed on it",
            'add the line  twin = "simulated"  to it',
        )
    found = find_bench(bench.bench.twin)
    twin = load_bench(found.text, found.file)
    if not twin.bench.immediate:
        raise InputError(f"{twin.file}: a twin may only have simulated instruments, for it is played in virtual time")
    return twin


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
    """Plays runs one after the other on the twin of a bench, into one database.

    Raises `FileProblems` when the bench or its twin cannot play the protocol with one of the specimens.
    """

    def __init__(
        self,
        writer: Writer,
        protocol: LoadedProtocol,
        bench: LoadedBench,
        specimens: Mapping[str, Cooling],
        seed: int,
    ) -> None:
        self._twin = twin_of(bench)
        # What the twin forgives the real bench may lack: an interlock, a meter, a range.
        for cooling in dict.fromkeys(specimens.values()):
            cross_check(protocol, bench.bench, cooling)
            cross_check(protocol, self._twin.bench, cooling)
        # Whoever holds the writer knows that no engine is at work: a run that is still "running" has lost its own.
        with OpenBench(self._twin.bench) as opened:
            recover(writer, opened, utc_now().astimezone(), never="it is a rehearsal: play it again")
        self._writer = writer
        self._protocol = protocol
        self._seed = seed

    def play(
        self,
        specimen: str,
        cooling: Cooling,
        on_tick: Callable[[Snapshot], None] | None = None,
        on_engine: Callable[[Engine], None] | None = None,
    ) -> Played:
        """Play one run. `on_engine` is given the engine before it starts, to ask it to stop from a signal handler.

        What a step asks a person is answered at once.
        """
        begun_s = real_s()
        self._re_arm()
        run_id = enroll(
            self._writer,
            self._protocol,
            self._twin,
            mount_id=self._writer.mount(self._writer.specimen(specimen, cooling)),
            seed=self._seed,
            simulated=True,
            utc=utc_now(),
        )

        def tick(snapshot: Snapshot) -> None:
            if snapshot.wants.asks:
                engine.ask(Command.ANSWER, "benchd", "rehearsed")  # nobody else is there to answer
            if on_tick is not None:
                on_tick(snapshot)

        with OpenBench(self._twin.bench, cooling) as bench:
            engine = Engine(RunBook(self._writer, run_id, bench), bench, VirtualClock(), tick)
            if on_engine is not None:
                on_engine(engine)
            engine.play()
        return self._played(run_id, real_s() - begun_s)

    def _re_arm(self) -> None:
        """A simulated bench is made anew for every run: a trip of the one before is no reason to refuse this one."""
        bench = self._twin.bench.bench
        with self._writer.reading() as connection:
            trip = queries.trip_latch(connection, bench)
            simulated = trip is not None and trip.run_id is not None and queries.run(connection, trip.run_id).simulated
        if simulated:
            self._writer.add_event(
                EventRow(bench=bench, utc=utc_now(), kind=CLEAR, what="the simulated bench is made anew", who="benchd")
            )

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
