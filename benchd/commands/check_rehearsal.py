"""The rehearsal behind `benchd check`: what a protocol comes to on a bench, and what each way to cool down costs."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from textwrap import wrap
from typing import Any

from benchd.bench_file import LoadedBench
from benchd.commands.progress import Progress
from benchd.commands.stopping import Stopper
from benchd.errors import FileProblems
from benchd.instruments import Cooling
from benchd.protocol_file import LoadedProtocol
from benchd.report.screen import hours, wrapped
from benchd.report.tables import asked
from benchd.report.time_up import time_up_lines
from benchd.running.cool_ways import HABITS, Cooled, in_each_way
from benchd.running.rehearsal import Played, Rehearsal, chosen_specimens, twin_of
from benchd.running.states import Quality, RunState
from benchd.store import queries
from benchd.store.writer import Writer

#: Channels whose peak a rehearsal tells.
PEAKS = ("die_c", "coolant_c", "inlet_c")
#: A reason is broken into lines of so many letters.
REASON_WIDTH = 72


@dataclass(frozen=True)
class Cost:
    """What a night came to when its soaks cooled down in one way."""

    cooled: Cooled
    state: str
    """How the run ended; `refused` when the bench cannot do it."""
    reason: str
    bench_s: float | None
    """How long the whole run took [s]."""
    cooling_s: float | None
    """How much of it went into cooling down [s], the steps of that kind included."""

    def as_json(self) -> dict[str, Any]:
        """As `check --bench --json` prints it."""
        return {
            "cool_down": self.cooled.way,
            "chosen": self.cooled.chosen,
            **{key: self.cooled.keys.get(key) for key in HABITS},
            "taken": self.cooled.taken,
            "state": self.state,
            "reason": self.reason,
            "bench_s": self.bench_s,
            "cooling_s": self.cooling_s,
        }


@dataclass(frozen=True)
class Expected:
    """What a rehearsal of one specimen came to."""

    played: Played
    peaks_c: dict[str, float]
    """Channel -> highest reading [degC]."""
    time_up: tuple[str, ...]
    """What would not come to its end in its time, in sentences."""
    cool_downs: tuple[Cost, ...]
    """What it would cost to cool down in each way, none where nothing is soaked."""

    def unreached(self) -> list[str]:
        """The points that were not measured or ended over the limit, in words."""
        words = {Quality.NOT_REACHED: "not reached", Quality.OVER_LIMIT: "over limit", Quality.VOID: "void"}
        return [
            f"{point.heat_set_w:g} W at {asked(point)}: {words[point.quality]}"
            for point in self.played.points
            if point.quality in words
        ]

    def lines(self) -> Iterator[str]:
        """What to think over before a night is given to it, for a person."""
        yield from self.unreached()
        for sentence in self.time_up:
            yield from wrapped(sentence, REASON_WIDTH, "  ")
        yield from cost_lines(self.cool_downs)

    def as_json(self) -> dict[str, Any]:
        """As `check --bench --json` prints it."""
        return {
            "specimen": self.played.specimen,
            "state": str(self.played.state),
            "reason": self.played.reason,
            "bench_s": self.played.bench_s,
            "points": len(self.played.points),
            "peaks_c": self.peaks_c,
            "unreached": self.unreached(),
            "time_up": list(self.time_up),
            "cool_downs": [cost.as_json() for cost in self.cool_downs],
        }


def cost_lines(costs: Sequence[Cost]) -> Iterator[str]:
    """The costs for a person, a line each."""
    if not costs:
        return
    words = [f"{cost.cooled.words}{_mark(cost.cooled)}" for cost in costs]
    width = max(map(len, words))
    yield f"{'cool_down before each point':<{width + 2}}  {'whole run':>9}  {'of it cooling':>13}"
    for cost, said in zip(costs, words, strict=True):
        if cost.bench_s is None or cost.cooling_s is None:
            yield f"  {said:<{width}}  not on this bench"
            continue
        ended = "" if cost.state == RunState.COMPLETE else f"  {cost.state}"
        yield f"  {said:<{width}}  {hours(cost.bench_s):>9}  {hours(cost.cooling_s):>13}{ended}"
    for why in dict.fromkeys(cost.reason for cost in costs if cost.bench_s is None):
        yield from (f"  {line}" for line in wrap(f"not on this bench: {why}", REASON_WIDTH))
    if any(cost.cooled.taken for cost in costs):
        yield "  * the protocol gives no figures for it: taken as is usual"


def _mark(cooled: Cooled) -> str:
    return " (chosen)" if cooled.chosen else " *" if cooled.taken else ""


def rehearsed(protocol: LoadedProtocol, bench: LoadedBench, specimens: tuple[str, ...], seed: int) -> list[Expected]:
    """The protocol played on the bench's twin, once as it is and once more for each other way to cool down.

    Raises `FileProblems` when the bench cannot play it, KeyboardInterrupt when somebody stopped it.
    """
    chosen = chosen_specimens(twin_of(bench), specimens)
    ways = in_each_way(protocol)
    runs = len(chosen) * (1 + sum(not way.chosen for way in ways))
    stopper = Stopper()
    with stopper.listening(), tempfile.TemporaryDirectory(prefix="benchd-") as folder:
        db = Path(folder) / "rehearsal.db"
        with Writer.open(db, durable=False) as writer, Progress(runs) as progress:
            stage = _Stage(writer, bench, seed, stopper, progress)
            # With all specimens at once: whatever stands in the way of one is told before the first run.
            as_written = Rehearsal(writer, protocol, bench, chosen, seed)
            return [stage.expected(as_written, ways, specimen, cooling) for specimen, cooling in chosen.items()]


class _Stage:
    """Where the runs of a check are played."""

    def __init__(self, writer: Writer, bench: LoadedBench, seed: int, stopper: Stopper, progress: Progress) -> None:
        self._writer = writer
        self._bench = bench
        self._seed = seed
        self._stopper = stopper
        self._progress = progress

    def expected(self, as_written: Rehearsal, ways: Sequence[Cooled], specimen: str, cooling: Cooling) -> Expected:
        """A specimen's runs, as the protocol is written and in the other ways."""
        played = self._play(as_written, specimen, cooling, specimen)
        with self._writer.reading() as connection:
            peaks = queries.peaks(connection, played.run)
            late = time_up_lines(queries.steps(connection, played.run), queries.findings(connection, played.run))
        costs = [self._cost(way, played, specimen, cooling) for way in ways]
        highest = {name: peaks[name] for name in PEAKS if name in peaks}
        return Expected(played, highest, tuple(late), tuple(costs))

    def _cost(self, way: Cooled, as_written: Played, specimen: str, cooling: Cooling) -> Cost:
        if way.chosen:
            return self._came_to(way, as_written)
        try:
            rehearsal = Rehearsal(self._writer, way.protocol, self._bench, {specimen: cooling}, self._seed)
        except FileProblems as error:
            return Cost(way, "refused", error.problems[0].what, None, None)
        return self._came_to(way, self._play(rehearsal, specimen, cooling, f"{specimen}, cool_down {way.way}"))

    def _play(self, rehearsal: Rehearsal, specimen: str, cooling: Cooling, words: str) -> Played:
        self._progress.begin(words)
        played = rehearsal.play(specimen, cooling, self._progress.show, self._stopper.take)
        if self._stopper.stopped:
            raise KeyboardInterrupt
        return played

    def _came_to(self, way: Cooled, played: Played) -> Cost:
        with self._writer.reading() as connection:
            steps = queries.steps(connection, played.run)
        cooled = [(step.started_ms, step.ended_ms) for step in steps if step.kind == "cool_down"]
        cooling_s = sum((ended_ms - started_ms) / 1000 for started_ms, ended_ms in cooled if ended_ms is not None)
        return Cost(way, str(played.state), played.reason, played.bench_s, cooling_s)
