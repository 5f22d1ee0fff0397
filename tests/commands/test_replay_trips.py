"""A rehearsal that trips: its result is shown like any other, and it latches neither the next run nor a replay."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from benchd.bench_file import LoadedBench, load_bench
from benchd.named_files import find_bench
from benchd.protocol_file import load_protocol
from benchd.running.enroll import enroll
from benchd.store.records import TRIP, EventRow
from benchd.store.writer import Writer

EVENING = datetime(2026, 11, 20, 21, 0, tzinfo=UTC)
#: 200 W bring `brook 1x120` to some 76 degC and `brook 3x120` to some 64 degC; the interlock lies between.
HOT = """protocol = "hot"
[[steps]]
kind = "soak"
heat_w = [200]
fan_pct = [60]
pump_pct = 100
equilibrium = { within_k = 1, at_most_min = 8 }
read_min = 0.5
"""
TRIPS = "brook 1x120"
HOLDS = "brook 3x120"
REASON = "die_c above 70 degC for 3 s: it is 70"


@pytest.fixture
def hot(tmp_path: Path) -> Path:
    file = tmp_path / "hot.toml"
    file.write_text(HOT)
    return file


@pytest.fixture
def garden(tmp_path: Path) -> LoadedBench:
    """A simulated bench with a low interlock on the die."""
    text = find_bench("simulated").text
    assert "above = 95" in text
    file = tmp_path / "garden.toml"
    file.write_text(text.replace('bench = "simulated"', 'bench = "garden"').replace("above = 95", "above = 70"))
    return load_bench(file.read_text(), str(file))


@pytest.fixture
def words(hot, garden, tmp_path):
    return ("replay", hot, "--bench", garden.file, "--db", tmp_path / "x.db")


def asked(db: Path, query: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(db)) as connection:
        return connection.execute(query).fetchall()


def test_a_run_that_trips_is_printed_with_its_reason_and_the_next_specimen_is_played(benchd, words):
    told = benchd(*words, "--specimen", TRIPS, "--specimen", HOLDS)
    assert told.status == 1
    first, second = told.out.split("\nRun ")[1:]
    assert first.startswith(f"1: {TRIPS}: tripped after ")
    assert f"\n  {REASON}" in first
    assert second.startswith(f"2: {HOLDS}: complete after ")
    assert "200  60 %" in second
    assert told.err.startswith(f"benchd: run 1 is tripped: {REASON}")
    assert "run 2" not in told.err


def test_as_json_it_stands_on_standard_output_all_the_same(benchd, words):
    told = benchd(*words, "--json", "--specimen", TRIPS, "--specimen", HOLDS)
    assert told.status == 1
    tripped, complete = json.loads(told.out)
    assert (tripped["specimen"], tripped["state"], tripped["points"]) == (TRIPS, "tripped", [])
    assert tripped["samples"] > 0
    assert (complete["specimen"], complete["state"], len(complete["points"])) == (HOLDS, "complete", 1)
    assert REASON in told.err


def test_a_later_replay_into_the_same_database_is_not_refused(benchd, words, tmp_path):
    for number in (1, 2):
        told = benchd(*words, "--specimen", TRIPS)
        assert told.status == 1
        assert f"Run {number}: {TRIPS}: tripped after " in told.out
    told = benchd(*words, "--specimen", HOLDS)
    assert (told.status, told.err) == (0, "")
    # The books say why: each trip was cleared before the next run, and by whom.
    latching = asked(
        tmp_path / "x.db", "SELECT run_id, kind, who FROM event WHERE kind IN ('trip', 'clear') ORDER BY id"
    )
    assert latching == [(1, "trip", None), (None, "clear", "benchd"), (2, "trip", None), (None, "clear", "benchd")]


def test_a_run_that_does_not_trip_clears_nothing(benchd, words, tmp_path):
    assert benchd(*words, "--specimen", HOLDS).status == 0
    assert asked(tmp_path / "x.db", "SELECT * FROM event WHERE kind = 'clear'") == []


def test_results_tell_the_reason_of_a_run_that_did_not_complete(benchd, words, tmp_path):
    benchd(*words, "--specimen", TRIPS, "--specimen", HOLDS)
    told = benchd("results", 1, 2, "--db", tmp_path / "x.db")
    assert told.status == 0
    tripped, complete = told.out.split("Run ")[1:]
    head, reason, *_ = tripped.splitlines()
    assert head.startswith(f"1: {TRIPS}, mount 1, simulated, protocol hot: tripped after ")
    assert reason.startswith(f"  {REASON}")
    assert "all stages are done" not in complete


@pytest.mark.parametrize("of_a_run", [True, False])
def test_a_latch_that_a_real_run_set_is_not_cleared_by_a_rehearsal(benchd, words, garden, tmp_path, of_a_run):
    """Nobody has looked at that bench yet, whatever is rehearsed meanwhile."""
    db = tmp_path / "x.db"
    with Writer.open(db, durable=False) as writer:
        run = enroll(
            writer,
            load_protocol(HOT, "hot.toml"),
            garden,
            mount_id=writer.mount(writer.specimen(TRIPS, "liquid")),
            seed=1,
            simulated=False,
            utc=EVENING,
        )
        writer.add_event(
            EventRow(
                bench="garden", utc=EVENING, kind=TRIP, what="a hose is off", run_id=run if of_a_run else None, t_ms=0
            )
        )
    told = benchd(*words, "--specimen", HOLDS)
    assert (told.status, told.out) == (1, "")
    assert "bench 'garden' tripped and has not been cleared: a hose is off" in told.err
    assert asked(db, "SELECT * FROM event WHERE kind = 'clear'") == []
