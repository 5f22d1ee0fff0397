"""`benchd replay`: a night on the simulator, then its test points and a comparison at equal noise."""

from __future__ import annotations

from pathlib import Path
from shlex import quote

from benchd.bench_file import LoadedBench
from benchd.commands.output import console, show
from benchd.commands.progress import Progress
from benchd.commands.stopping import Stopper
from benchd.commands.tell import print_json
from benchd.errors import BenchdError
from benchd.places import rehearsal_db
from benchd.protocol_file import LoadedProtocol
from benchd.report.found import found_lines
from benchd.report.screen import hours
from benchd.report.side_by_side import equal_noise, shared_level
from benchd.report.tables import comparison_lines, points_lines
from benchd.running.rehearsal import Played, Rehearsal, chosen_specimens, twin_of
from benchd.running.states import RunState
from benchd.store import queries
from benchd.store.writer import Writer


def replay_command(
    protocol: LoadedProtocol,
    bench: LoadedBench,
    db: Path | None,
    specimens: tuple[str, ...],
    seed: int,
    as_json: bool,
) -> None:
    """Play a protocol for each specimen and print what came of it. Raises `BenchdError` when a run did not finish."""
    twin = twin_of(bench)
    chosen = chosen_specimens(twin, specimens)
    db = db or _default_db()
    stopper = Stopper()
    with stopper.listening(), Writer.open(db, durable=False) as writer:
        rehearsal = Rehearsal(writer, protocol, bench, chosen, seed)
        with Progress(len(chosen)) as progress:
            played = []
            for specimen, cooling in chosen.items():
                if stopper.stopped:
                    break
                progress.begin(specimen)
                played.append(rehearsal.play(specimen, cooling, progress.show, stopper.take))
    if as_json:
        print_json([run.as_json() for run in played])
    else:
        _print(played, protocol.protocol.protocol, twin.bench.bench, seed, db)
    _complain(played, list(chosen)[len(played) :])


def _default_db() -> Path:
    path = rehearsal_db()
    path.parent.mkdir(parents=True, exist_ok=True)
    return path


def _print(played: list[Played], protocol: str, bench: str, seed: int, db: Path) -> None:
    out = console()
    out.print(f"Protocol {protocol} on bench {bench}, seed {seed}. All figures are simulated.", soft_wrap=True)
    for run in played:
        out.print()
        out.print(
            f"Run {run.run}: {run.specimen}: {run.state} after {hours(run.bench_s)} of bench time", soft_wrap=True
        )
        out.print(f"  {run.samples} samples recorded in {run.wall_s:.1f} s")
        if run.state is not RunState.COMPLETE:
            out.print(f"  {run.reason}", soft_wrap=True)
        with queries.reader(db) as connection:
            show(found_lines(connection, run.run, whole=not run.points))
        show(points_lines(run.points))
    with queries.reader(db) as connection:
        runs = [queries.run(connection, run.run) for run in played]
        level_dba = shared_level(connection, runs)
        compared = None if level_dba is None else equal_noise(connection, runs, level_dba)
    out.print()
    if compared is not None:
        show(comparison_lines(compared))
        out.print()
    elif any(run.points for run in played):
        out.print("No level was reached by all of these runs: no comparison at equal noise.")
        out.print()
    numbers = " ".join(str(run.run) for run in played)
    at = f" --at-dba {level_dba:g}" if level_dba is not None else ""
    out.print(f"Database: {db}", soft_wrap=True)
    out.print(f"Next: benchd results {numbers} --db {quote(str(db))}{at}", soft_wrap=True)


def _complain(played: list[Played], left_out: list[str]) -> None:
    unfinished = [f"run {run.run} is {run.state}: {run.reason}" for run in played if run.state is not RunState.COMPLETE]
    unfinished += [f"{specimen} was not played" for specimen in left_out]
    if unfinished:
        raise BenchdError("; ".join(unfinished))
