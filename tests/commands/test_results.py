"""`benchd results`: test points, comparisons, and questions that have no answer."""

from __future__ import annotations

import json
import re
import sqlite3
from contextlib import closing

import pytest


def test_points_stand_in_tables_that_fit_80_columns(benchd, night):
    told = benchd("results", "--db", night)
    assert (told.status, told.err) == (0, "")
    heads = [line for line in told.out.splitlines() if line.startswith("Run ")]
    assert heads[0].startswith("Run 1: brook 2x120, mount 1, simulated, protocol quick: complete after ")
    assert heads[1].startswith("Run 2: brook 2x140, mount 1, simulated, protocol quick: complete after ")
    tables = [line for line in told.out.splitlines() if line not in heads]
    assert max(map(len, tables)) <= 80
    assert (
        len(
            re.findall(
                r"(?m)^ +[1-4] +1[05]0  [48]0 %  +\d\d\.\d ±\d\.\d  +\d\d\.\d\d ±\d\.\d\d  +0\.\d{4} ±", told.out
            )
        )
        == 8
    )
    assert told.out.count("Soaks: settled to within 2 K (") == 2


def test_json_lists_the_points_of_all_runs(benchd, night):
    points = json.loads(benchd("results", "--json", "--db", night).out)
    assert [(point["run"], point["point"]) for point in points] == [(run, at) for run in (1, 2) for at in (1, 2, 3, 4)]
    assert json.loads(benchd("results", 2, "--json", "--db", night).out) == points[4:]


def test_what_is_printed_is_what_json_says(benchd, night):
    (point, *_) = json.loads(benchd("results", 1, "--json", "--heat", 100, "--db", night).out)
    told = benchd("results", 1, "--heat", 100, "--db", night)
    assert f"{point['rise_k']:.2f} ±{point['rise_u_k']:.2f}" in told.out
    assert f"{point['level_dba']:.1f} ±{point['level_u_db']:.1f}" in told.out
    assert f"{point['resistance_k_per_w']:.4f} ±{point['resistance_u_k_per_w']:.4f}" in told.out


def test_one_heat_load(benchd, night):
    points = json.loads(benchd("results", "--heat", 150, "--json", "--db", night).out)
    assert [point["heat_set_w"] for point in points] == [150] * 4
    told = benchd("results", "--heat", 149, "--db", night)
    assert told.status == 0
    assert told.out.count("no test points at 149 W; there are some at 100, 150 W") == 2
    assert json.loads(benchd("results", "--heat", 149, "--json", "--db", night).out) == []


@pytest.mark.parametrize("as_json", [(), ("--json",)])
@pytest.mark.parametrize(
    ("words", "said", "hint"),
    [
        ((1, "--point", 99), "run 1 has no point 99", "it has points 1 to 4"),
        (("--point", 99), "run 1 has no point 99; run 2 has no point 99", "it has points 1 to 4"),
        ((1, "--point", 1, "--heat", 149), "point 1 of run 1 is at 100 W, not at 149 W", "leave out --heat"),
    ],
)
def test_a_point_that_there_is_not_is_wrong_input_and_what_does_not_match_is_said(
    benchd, night, words, said, hint, as_json
):
    told = benchd("results", *words, *as_json, "--db", night)
    assert (told.status, told.out) == (2, "")
    assert told.err == f"benchd: {said}\n  {hint}\n"


def test_why_and_the_table_refuse_the_same_point_alike(benchd, night):
    words = ("results", 1, "--point", 99, "--db", night)
    table, why = benchd(*words), benchd(*words, "--why")
    assert (table.status, table.out, table.err) == (why.status, why.out, why.err)


@pytest.mark.parametrize(
    ("state", "hint"),
    [("aborted", "it has no points"), ("tripped", "it has no points"), ("running", "it has no points yet")],
)
def test_points_are_still_to_come_only_of_a_run_that_goes_on(benchd, night, tmp_path, state, hint):
    db = tmp_path / "without.db"
    with closing(sqlite3.connect(night)) as whole, closing(sqlite3.connect(db)) as emptied, emptied:
        whole.backup(emptied)
        emptied.execute("DELETE FROM point")
        emptied.execute("UPDATE run SET state = ?", (state,))
    told = benchd("results", 1, "--point", 1, "--db", db)
    assert (told.status, told.out, told.err) == (2, "", f"benchd: run 1 has no point 1\n  {hint}\n")


def test_a_point_is_shown_of_each_run_that_has_it(benchd, night):
    points = json.loads(benchd("results", "--point", 3, "--heat", 150, "--json", "--db", night).out)
    assert [(point["run"], point["point"]) for point in points] == [(1, 3), (2, 3)]
    told = benchd("results", "--point", 3, "--heat", 150, "--db", night)
    assert told.status == 0
    assert len(re.findall(r"(?m)^ *3 +150 +40 %", told.out)) == 2


def test_a_run_without_the_point_says_so_beside_one_that_has_it(benchd, night, tmp_path):
    db = tmp_path / "fewer.db"
    with closing(sqlite3.connect(night)) as whole, closing(sqlite3.connect(db)) as fewer, fewer:
        whole.backup(fewer)
        fewer.execute("DELETE FROM point WHERE run_id = 2 AND number = 4")
    told = benchd("results", "--point", 4, "--db", db)
    assert told.status == 0
    assert told.out.count("  run 2 has no point 4: it has points 1 to 3\n") == 1
    assert len(json.loads(benchd("results", "--point", 4, "--json", "--db", db).out)) == 1


def test_a_run_named_twice_is_shown_once_and_in_the_order_asked(benchd, night):
    assert re.findall(r"(?m)^Run (\d)", benchd("results", 2, 1, 2, "--db", night).out) == ["2", "1"]
    compared = json.loads(benchd("results", 1, 1, "--at-dba", 40, "--json", "--db", night).out)
    assert [cell["heat_w"] for cell in compared["specimens"]] == [100, 150]


CELL_KEYS = (
    "run specimen mount heat_w pump_pct reached why reach_low_dba reach_high_dba fan_rpm fan_u_rpm rise_k rise_u_k"
    " resistance_k_per_w resistance_u_k_per_w level_bound"
)


def test_side_by_side(benchd, night):
    words = ("results", "--at-dba", 40, "--db", night)
    compared = json.loads(benchd(*words, "--json").out)
    assert list(compared) == ["at_dba", "floor_dba", "simulated", "specimens"]
    assert (compared["at_dba"], compared["simulated"]) == (40, True)
    assert [list(cell) for cell in compared["specimens"]] == [CELL_KEYS.split()] * 4
    told = benchd(*words)
    assert told.out.startswith(f"At equal noise, 40.0 dBA over {compared['floor_dba']:.1f} (their median background")
    assert "simulated" in told.out
    assert max(map(len, told.out.splitlines())) <= 80
    for cell in compared["specimens"]:
        assert cell["reached"]
        assert f"{cell['rise_k']:.2f} ±{cell['rise_u_k']:.2f}" in told.out
    assert told.out.count("brook 2x140 less brook 2x120 at ") == 2


def test_a_stated_floor_is_called_stated(benchd, night):
    told = benchd("results", "--at-dba", 40, "--floor", 30, "--db", night)
    assert told.out.startswith("At equal noise, 40.0 dBA over 30.0 (as stated)")


def test_levels_nobody_reached_are_a_result(benchd, night):
    told = benchd("results", "--at-dba", 80, "--db", night)
    assert (told.status, told.err) == (0, "")
    assert told.out.count("not reached:") == 4
    cells = json.loads(benchd("results", "--at-dba", 80, "--json", "--db", night).out)["specimens"]
    assert [(cell["reached"], cell["rise_k"], cell["level_bound"]) for cell in cells] == [(False, None, None)] * 4
    assert all(cell["why"].startswith("not reached: ") for cell in cells)


@pytest.mark.parametrize("as_json", [(), ("--json",)])
@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--at-dba", "nan"), "'--at-dba': 'nan' is not a number"),
        (("--at-dba", "inf"), "'--at-dba': inf is not in the range"),
        (("--at-dba", "-inf"), "'--at-dba': -inf is not in the range"),
        (("--at-dba", "1e308"), "is not in the range"),
        (("--at-dba", "1e400"), "is not in the range"),
        (("--at-dba", "10"), "10 dBA is not above the background of "),
        (("--at-dba", "43", "--floor", "nan"), "'--floor': 'nan' is not a number"),
        (("--at-dba", "43", "--floor", "-inf"), "'--floor': -inf is not in the range"),
        (("--at-dba", "43", "--floor", "43"), "43 dBA is not above the background of 43.0 dBA"),
        (("--at-dba", "43", "--floor", "50"), "43 dBA is not above the background of 50.0 dBA"),
        (("--floor", "30"), "give --at-dba L with it"),
        (("--heat", "0"), "'--heat': 0.0 is not in the range"),
        (("--heat", "-100"), "'--heat': -100.0 is not in the range"),
        (("--heat", "nan"), "'--heat': 'nan' is not a number"),
        (("--heat", "inf"), "'--heat': inf is not in the range"),
        (("7",), "there is no run 7\n  the newest: 2, 1"),
        (("1", "7"), "there is no run 7"),
    ],
)
def test_a_question_that_makes_no_sense_is_told_why(benchd, night, words, said, as_json):
    told = benchd("results", *words, *as_json, "--db", night)
    assert (told.status, told.out) == (2, "")
    assert said in told.err


def test_without_any_database_it_says_how_to_get_one(benchd, own_folders):
    told = benchd("results")
    assert (told.status, told.out) == (2, "")
    assert f"there is no database {own_folders / 'data' / 'benchd' / 'bench.db'}" in told.err
    assert "a run or a replay makes one" in told.err
    assert not (own_folders / "data").exists()
