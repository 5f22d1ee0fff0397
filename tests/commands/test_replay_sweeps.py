"""Protocols that measure no test points: what their sweeps found is shown, setting by setting, with uncertainties."""

from __future__ import annotations

import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

import pytest


class Sweep(NamedTuple):
    """One table of a protocol."""

    finding: str
    heads: tuple[str, ...]
    setting: str
    digits: int


TABLES = {
    "fan_sweep": [Sweep("fan_level_dba", ("fans %", "level dBA", "1/min"), "fan_pct", 1)],
    "pump_sweep": [
        Sweep("pump_level_dba", ("pump %", "level dBA"), "pump_pct", 1),
        Sweep("pump_rise_k", ("pump %", "rise K", "1/min"), "pump_pct", 2),
    ],
    "break_in": [Sweep("cycle_rise_k", ("cycle", "rise K"), "cycle", 2)],
}


def expected(db: Path, sweep: Sweep) -> list[list[str]]:
    """The rows of a table, from the findings as a person with the sqlite3 shell sees them."""
    with closing(sqlite3.connect(db)) as connection:
        found = connection.execute(
            "SELECT value, u, detail FROM finding WHERE name = ? ORDER BY id", (sweep.finding,)
        ).fetchall()
    rows = []
    for value, u, detail in ((value, u, json.loads(detail)) for value, u, detail in found):
        row = [f"{detail[sweep.setting]:g}", f"{value:.{sweep.digits}f} ±{u:.{sweep.digits}f}"]
        speed = [f"{detail[key]:.0f}" for key in ("fan_rpm", "pump_rpm") if key in detail]
        rows.append(row + speed)
    return rows


def tables(text: str) -> list[list[list[str]]]:
    """The tables of a text: of each its lines by column, the head first."""
    blocks = re.split(r"\n *\n", text)
    framed = [block.splitlines() for block in blocks if "───" in block]
    return [
        [re.split(r" {2,}|(?<=\d) (?=\d)", line.strip()) for line in block if line.strip() and "───" not in line]
        for block in framed
    ]


@pytest.mark.parametrize("protocol", TABLES)
def test_a_sweep_prints_what_it_found_and_results_print_the_same(benchd, tmp_path, protocol):
    db = tmp_path / "x.db"
    told = benchd("replay", protocol, "--db", db, "--specimen", "brook 2x140")
    assert (told.status, told.err) == (0, "")
    wanted = [[list(sweep.heads), *expected(db, sweep)] for sweep in TABLES[protocol]]
    assert [[re.sub(r" +", " ", " | ".join(row)) for row in table] for table in tables(told.out)] == [
        [" | ".join(row) for row in table] for table in wanted
    ]
    assert all(len(table) > 5 for table in wanted)
    assert "no comparison at equal noise" not in told.out, "there is nothing to compare"
    shown = benchd("results", "--db", db)
    assert shown.status == 0
    assert tables(shown.out) == tables(told.out)
    assert max(map(len, told.out.splitlines()[:-3])) <= 80


def test_a_line_says_what_each_step_came_to(benchd, tmp_path):
    db = tmp_path / "x.db"
    told = benchd("replay", "pump_sweep", "--db", db, "--specimen", "brook 2x140")
    with closing(sqlite3.connect(db)) as connection:
        found = dict(connection.execute("SELECT name, value FROM finding ORDER BY id").fetchall())
        (u,) = connection.execute("SELECT u FROM finding WHERE name = 'background_dba'").fetchone()
    setting, heard = found["pump_pct"], found["pump_heard_pct"]
    lines = [
        f"  background: {found['background_dba']:.1f} ±{u:.1f} dBA",
        f"  pump_sweep: pump {setting:g} % loses at most 0.5 K against the best, heard from {heard:g} %",
    ]
    for text in (told.out, benchd("results", "--db", db).out):
        assert [line for line in text.splitlines() if line in lines] == lines


def test_where_there_are_points_the_line_stays_and_the_table_goes(benchd, night):
    told = benchd("results", 1, "--db", night)
    assert re.search(r"(?m)^  background: \d\d\.\d ±\d\.\d dBA$", told.out)
    assert re.search(r"(?m)^  fan_sweep: \d\d\.\d to \d\d\.\d dBA$", told.out)
    assert "fans %" not in told.out


def test_a_heat_sink_has_no_pump_sweep_to_show(benchd, tmp_path):
    told = benchd("replay", "pump_sweep", "--db", tmp_path / "x.db", "--specimen", "slate tower")
    assert told.status == 0
    assert tables(told.out) == []
    assert "pump" not in told.out.split("Database:")[0].split("\n", 1)[1]
