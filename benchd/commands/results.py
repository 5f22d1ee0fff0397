"""`benchd results`: test points, or specimens side by side at equal noise."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection

from benchd.commands.output import console, show
from benchd.commands.tell import print_json, tell
from benchd.errors import InputError, NotFound
from benchd.places import bench_db, rehearsal_db
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
        if as_json:
            points = queries.points(connection, [run.id for run in runs])
            print_json([point.as_json() for point in _chosen(points, heat, number)])
            return
        for run in runs:
            _print_run(connection, run, heat, number, lost=run.state in ALIVE and not is_held(path))


def default_db() -> Path:
    if bench_db().exists() or not rehearsal_db().exists():
        return bench_db()
    tell(f"there is no {bench_db()} yet; shown are rehearsals from {rehearsal_db()}")
    return rehearsal_db()


def _chosen(points: list[PointRecord], heat: float | None, number: int | None) -> list[PointRecord]:
    at_heat = [point for point in points if heat is None or point.heat_set_w == heat]
    return [point for point in at_heat if number is None or point.point == number]


def _print_run(connection: Connection, run: RunRow, heat: float | None, number: int | None, *, lost: bool) -> None:
    points = queries.points(connection, [run.id])
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
    shown = _chosen(points, heat, number)
    if number is not None and points and not shown:
        out.print(f"  no such point; there are {len(points)}")
    elif points and not shown:
        loads = ", ".join(f"{heat_w:g}" for heat_w in sorted({point.heat_set_w for point in points}))
        out.print(f"  no test points at {heat:g} W; there are some at {loads} W")
    show(points_lines(shown) if shown or not points else ())
    out.print()
