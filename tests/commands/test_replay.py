"""`benchd replay`: what it prints, what it records, and that the same seed gives the same."""

from __future__ import annotations

import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from benchd.named_files import find_bench

RUN_KEYS = ["run", "specimen", "state", "bench_s", "wall_s", "samples", "points"]
# fmt: off
POINT_KEYS = [
    "point", "run", "specimen", "mount", "heat_set_w", "heat_w", "heat_u_w", "noise_set_dba", "fan_pct",
    "pump_pct", "fan_rpm", "level_dba", "level_u_db", "level_corrected_dba", "level_corrected_u_db",
    "level_bound", "background_dba", "die_c", "ambient_c", "inlet_c", "rise_k", "rise_u_k",
    "resistance_k_per_w", "resistance_u_k_per_w", "until", "ended_by", "soak_s", "extrapolated_k", "quality",
    "flags",
]
# fmt: on
QUALITIES = {"good", "flagged", "over_limit", "not_reached", "void"}


def counted(db: Path, run: int) -> int:
    with closing(sqlite3.connect(db)) as connection:
        query = "SELECT count(*) FROM sample JOIN step ON step.id = sample.step_id WHERE run_id = ?"
        return connection.execute(query, (run,)).fetchone()[0]


def test_json_stands_alone_on_standard_output_with_exactly_the_keys_of_the_contract(process, tmp_path):
    db = tmp_path / "night.db"
    told = process("replay", "quick", "--json", "--db", db)
    assert (told.status, told.err) == (0, "")
    runs = json.loads(told.out)
    assert [list(run) for run in runs] == [RUN_KEYS, RUN_KEYS]
    assert [run["specimen"] for run in runs] == ["brook 2x120", "brook 2x140"]
    for run in runs:
        assert run["state"] == "complete"
        assert run["samples"] == counted(db, run["run"]) > 1000
        assert len(run["points"]) == 4
        for point in run["points"]:
            assert list(point) == POINT_KEYS
            assert point["run"] == run["run"]
            assert point["quality"] in QUALITIES
            assert point["noise_set_dba"] is None
            assert point["rise_k"] == pytest.approx(point["die_c"] - point["ambient_c"], abs=0.1)


def test_air_specimens_have_no_coolant_and_their_points_still_every_key(benchd, tmp_path):
    told = benchd("replay", "quick", "--json", "--db", tmp_path / "x.db", "--specimen", "slate tower")
    (run,) = json.loads(told.out)
    assert (told.status, run["specimen"], run["state"]) == (0, "slate tower", "complete")
    assert [list(point) for point in run["points"]] == [POINT_KEYS] * 4


def test_text_counts_the_samples_that_stand_in_the_database(benchd, tmp_path):
    db = tmp_path / "night.db"
    told = benchd("replay", "quick", "--db", db)
    assert (told.status, told.err) == (0, "")
    said = [int(number) for number in re.findall(r"(\d+) samples recorded", told.out)]
    assert said == [counted(db, 1), counted(db, 2)]
    assert "simulated" in told.out.splitlines()[0]
    assert told.out.splitlines()[-1].startswith(f"Next: benchd results 1 2 --db {db} --at-dba ")


def test_the_command_it_proposes_works(benchd, tmp_path):
    told = benchd("replay", "quick", "--db", tmp_path / "night.db")
    words = told.out.splitlines()[-1].removeprefix("Next: benchd ").split()
    compared = benchd(*words)
    assert (compared.status, compared.err) == (0, "")
    assert "brook 2x140 less brook 2x120" in compared.out


def test_a_protocol_without_points_says_so(benchd, tmp_path):
    told = benchd("replay", "fan_sweep", "--db", tmp_path / "x.db", "--specimen", "brook 2x120")
    assert told.status == 0
    assert "no test points" in told.out


def test_rehearsals_go_to_a_database_of_their_own(benchd, own_folders):
    told = benchd("replay", "quick", "--specimen", "brook 2x120")
    db = own_folders / "data" / "benchd" / "rehearsal.db"
    assert f"Database: {db}" in told.out.replace("\n", "")
    assert db.is_file()
    assert not (db.parent / "bench.db").exists()
    shown = benchd("results")
    assert shown.status == 0
    assert f"shown are rehearsals from {db}" in shown.err


# --- the same seed


def comparable(text: str) -> str:
    """A replay's text but for run numbers, file names and how long it took."""
    text = re.sub(r"(?m)^(Database|Next): .*$", "", text)
    text = re.sub(r"samples recorded\s+in\s+[0-9.]+ s", "samples recorded", text)
    return re.sub(r"([Rr]un) \d+", r"\1 N", text)


def without_numbers(text: str) -> list[dict[str, object]]:
    runs = json.loads(text)
    for run in runs:
        del run["run"], run["wall_s"]
        for point in run["points"]:
            del point["run"]
    return runs


def test_the_same_seed_gives_the_same_in_another_database_and_in_the_same_one_again(benchd, tmp_path):
    one, other = tmp_path / "one.db", tmp_path / "other.db"
    first = benchd("replay", "quick", "--seed", 5, "--db", one).out
    again = benchd("replay", "quick", "--seed", 5, "--db", one).out
    elsewhere = benchd("replay", "quick", "--seed", 5, "--db", other).out
    assert comparable(again) == comparable(first)
    assert comparable(elsewhere) == comparable(first)
    assert benchd("results", 1, 2, "--db", one).out == benchd("results", 1, 2, "--db", other).out
    assert comparable(benchd("results", 3, 4, "--db", one).out) == comparable(benchd("results", 1, 2, "--db", one).out)


def test_json_is_the_same_for_the_same_seed_and_another_for_another(process, tmp_path):
    told = [
        without_numbers(process("replay", "quick", "--json", "--seed", seed, "--db", tmp_path / f"{at}.db").out)
        for at, seed in enumerate((5, 5, 6))
    ]
    assert told[0] == told[1]
    assert told[0] != told[2]
    assert told[0][0]["points"] != told[2][0]["points"]


# --- wrong input


@pytest.mark.parametrize(
    ("words", "said", "hint"),
    [
        (("quik",), "there is no protocol named 'quik'", "did you mean quick? by name there are: break_in,"),
        (("simulated",), "there is no protocol named 'simulated'", "quick"),
        (("nowhere/x.toml",), "there is no file nowhere/x.toml", "or give a path ending in .toml"),
        (("quick", "--bench", "simulate"), "there is no bench named 'simulate'", "did you mean simulated?"),
        (("quick", "--specimen", "brook 2x12"), "there is no simulated specimen 'brook 2x12'", "slate tower"),
    ],
)
def test_what_is_not_there_is_told_with_what_there_is(benchd, own_folders, words, said, hint):
    told = benchd("replay", *words)
    assert (told.status, told.out) == (2, "")
    assert told.err.startswith(f"benchd: {said}\n")
    assert hint in told.err
    assert not (own_folders / "data").exists()


def test_a_bench_without_a_twin_cannot_be_rehearsed(benchd, tmp_path):
    real = tmp_path / "real.toml"
    real.write_text('bench = "real"\n[instruments.load]\ndriver = "modbus"\nhost = "127.0.0.1"\n')
    told = benchd("replay", "quick", "--bench", real, "--db", tmp_path / "x.db")
    assert told.status == 2
    assert f"{real}: bench real names no twin" in told.err
    assert 'add the line  twin = "simulated"' in told.err
    assert not (tmp_path / "x.db").exists()


def test_a_bench_is_no_protocol(benchd):
    file = find_bench("simulated").file
    told = benchd("replay", file)
    assert (told.status, told.out) == (2, "")
    assert told.err.startswith(f"benchd: {file} is a bench file, and a protocol is wanted here\n")


def test_names_are_shown_as_they_are_and_never_read_as_markup(benchd, tmp_path):
    file = tmp_path / "odd.toml"
    file.write_text('protocol = "[/x] :smile: [bold]"\n[[steps]]\nkind = "dwell"\nfor_min = 1\n')
    db = tmp_path / "x.db"
    for words in (("check", file), ("replay", file, "--db", db), ("results", "--db", db)):
        told = benchd(*words)
        assert told.status == 0
        assert "[/x] :smile: [bold]" in told.out
