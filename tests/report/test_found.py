"""What the steps of a run found, in lines."""

from __future__ import annotations

from benchd.report.found import found_lines
from benchd.running.states import Ending
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


def test_of_a_point_over_its_limit_it_is_told_which_load_would_just_be_held(books, made) -> None:
    run = books.begin(books.writer.plan_mount(books.writer.specimen("brook 1x120", "liquid"), 1))
    why = "die would end at 97 ±2 degC, limit 90 degC; about 205 W would just be held"
    books.step(run, "soak/240w_36dba", [], made(None, None, None), Ending.OVER_LIMIT, why)
    books.step(run, "soak/120w_36dba", [], made(1000.0, 36.0, 20.0), Ending.SETTLED, "settled to within 0.2 K")
    with queries.reader(books.path) as connection:
        lines = [str(line) for line in found_lines(connection, run, whole=False)]
    assert max(map(len, lines)) <= 80
    assert " ".join(" ".join(lines).split()) == f"soak/240w_36dba: {why}"
    assert [line[:4].strip() != "" for line in lines] == [True, False]
