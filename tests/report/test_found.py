"""What the steps of a run found, in lines."""

from __future__ import annotations

from benchd.report.found import found_lines
from benchd.running.steps.base import Finding
from benchd.store import queries

SWEPT = [Finding("swept_level_dba", 36.4, "dBA", 0.8)]


def test_a_soak_whose_levels_come_from_the_fan_sweep_says_so_once(books, made) -> None:
    run = books.begin(books.writer.plan_mount(books.writer.specimen("brook 2x140", "liquid"), 1))
    books.step(run, "background", [Finding("background_dba", 30.0, "dBA", 0.2)])
    for point in ("100w_36dba", "100w_38dba"):
        books.step(run, f"by_day/{point}", SWEPT, made(1000.0, 36.4, 20.0))
        books.step(run, f"by_night/{point}", [], made(1000.0, 36.4, 20.0))
    with queries.reader(books.path) as connection:
        lines = [str(line) for line in found_lines(connection, run, whole=False)]
    assert [line for line in lines if "by_" in line] == [
        "  by_day: level from the fan sweep, at the fan speed that was measured"
    ]
