"""`benchd results`: test points, or specimens side by side at equal noise."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection

from benchd.commands.output import console, show
from benchd.commands.tell import print_json, tell
from benchd.errors import InputError, NotFound
from benchd.places import bench_db, usual_db
from benchd.report.found import found_lines
from benchd.report.screen import hours
from benchd.report.side_by_side import equal_noise
from benchd.report.tables import comparison_lines, points_lines
from benchd.running.states import ALIVE, RunState
from benchd.store import queries
from benchd.store.lock import is_held
from benchd.store.records import PointRecord, RunRow


def results_command(
    numbers: tuple[int, ...],
    db: Path | None,
    at_dba: float | None,
    floor: float | None,
    heat: float | None,
    number: int | None,
    as_json: bool,
) -> None:
    """Print the points of runs, or compare them. Raises `NotFound` and `InputError` for questions without an answer."""
    if floor is not None and at_dba is None:
        raise InputError("--floor says over which background a comparison is stated", "give --at-dba L with it")
    path = db or default_db()
    with queries.reader(path) as connection:
        runs = [queries.run(connection, number) for number in dict.fromkeys(numbers)]
        runs = runs or queries.newest_runs(connection)
        if not runs:
            raise NotFound("no run stands in this database yet", "play one: benchd replay quick")
        if at_dba is not None:
            compared = equal_noise(connection, runs, at_dba, floor, heat)
            if as_json:
                print_json(compared.as_json())
            else:
                show(comparison_lines(compared))
            return
        asked = [_asked(connection, run, heat, number) for run in runs]
        _refuse_unless_any(asked)
        if as_json:
            print_json([point.as_json() for one in asked for point in one.chosen])
            return
        for one in asked:
            _print_run(connection, one, heat, lost=one.run.state in ALIVE and not is_held(path))


def default_db() -> Path:
    """The database when none is named; tells when it is that of rehearsals."""
    path = usual_db()
    if path != bench_db():
        tell(f"there is no {bench_db()} yet; shown are rehearsals from {path}")
    return path


@dataclass(frozen=True)
class _Asked:
    """What was asked of one run."""

    run: RunRow
    points: list[PointRecord]
    """All of the run."""
    chosen: list[PointRecord]
    lacks: NotFound | None
    """Why the point that was named is not among them."""


def _asked(connection: Connection, run: RunRow, heat: float | None, number: int | None) -> _Asked:
    points = queries.points(connection, [run.id])
    at_heat = [point for point in points if heat is None or point.heat_set_w == heat]
    if number is None:
        return _Asked(run, points, at_heat, None)
    try:
        named = queries.point(connection, run.id, number)
    except NotFound as error:
        return _Asked(run, points, [], error)
    if named in at_heat:
        return _Asked(run, points, [named], None)
    elsewhere = f"point {number} of run {run.id} is at {named.heat_set_w:g} W, not at {heat:g} W"
    return _Asked(run, points, [], NotFound(elsewhere, "leave out --heat"))


def _refuse_unless_any(asked: list[_Asked]) -> None:
    lacks = [one.lacks for one in asked if one.lacks is not None]
    if lacks and len(lacks) == len(asked):
        what, hints = [error.message for error in lacks], dict.fromkeys(error.hint for error in lacks)
        raise NotFound("; ".join(what), "; ".join(hints))


def _print_run(connection: Connection, asked: _Asked, heat: float | None, *, lost: bool) -> None:
    run, points = asked.run, asked.points
    bench_s = (queries.last_t_ms(connection, run.id) or 0) / 1000
    out = console()
    simulated = "simulated, " if run.simulated else ""
    out.print(
        f"Run {run.id}: {run.specimen}, mount {run.mount}, {simulated}protocol {run.protocol}: {run.state} after "
        f"{hours(bench_s)} of bench time",
        soft_wrap=True,
    )
    if lost:
        out.print("  but no engine is at work on it: it was killed, or the machine stopped")
    elif run.state is not RunState.COMPLETE and run.reason:
        out.print(f"  {run.reason}", soft_wrap=True)
    show(found_lines(connection, run.id, whole=not points))
    if asked.lacks is not None:
        out.print(f"  {asked.lacks.message}: {asked.lacks.hint}", soft_wrap=True)
    elif points and not asked.chosen:
        loads = ", ".join(f"{heat_w:g}" for heat_w in sorted({point.heat_set_w for point in points}))
        out.print(f"  no test points at {heat:g} W; there are some at {loads} W")
    show(points_lines(asked.chosen) if asked.chosen or not points else ())
    out.print()
