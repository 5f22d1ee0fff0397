"""The morning page: what a night was worth, and the one command to type next."""

from __future__ import annotations

from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest

from benchd.errors import NotFound
from benchd.report.morning import morning_page
from benchd.running.states import Ending, Quality, RunState
from benchd.running.steps.base import Finding
from benchd.store import queries
from benchd.store.records import EventRow, WaitsFor
from tests.report.conftest import EVENING, point

BERLIN = ZoneInfo("Europe/Berlin")
GOOD = point(1000, 36.0, 30.0)
FLAGGED = point(1000, 36.0, 30.0, quality=Quality.FLAGGED)
OVER = point(1000, 36.0, None, quality=Quality.OVER_LIMIT)
VOID = point(1000, 36.0, None, quality=Quality.VOID)


def page(books, run):
    with queries.reader(books.path) as connection:
        return morning_page(connection, run, BERLIN)


def on_bench(books, specimen="brook 2x140"):
    mount = books.writer.mount(books.writer.specimen(specimen, "liquid"))
    books.writer.stand(mount, "garden", EVENING)
    return mount


def test_it_counts_what_the_points_are_worth(books):
    run = books.enter("brook 2x140", [GOOD, GOOD, FLAGGED, OVER])
    shown = page(books, run)
    assert shown["says"] == "2 of 4 good, 1 flagged, 1 over limit"
    assert shown["counts"] == {"good": 2, "flagged": 1, "over_limit": 1, "not_reached": 0, "void": 0}
    assert [one["stage"] for one in shown["points"]] == ["soak.1", "soak.2", "soak.3", "soak.4"]
    assert shown["started_local"] == "2026-10-24T22:00:00+02:00"


@pytest.mark.parametrize("bad", [FLAGGED, VOID])
def test_what_is_not_good_is_repaired_while_the_mount_stands(books, bad):
    run = books.enter("brook 2x140", [GOOD, bad])
    on_bench(books)
    assert page(books, run)["next"] == f"benchd queue --repair {run}"
    books.writer.stand(books.writer.plan_mount(books.writer.specimen("brook 2x120", "liquid"), 1), "garden", EVENING)
    assert page(books, run)["next"] == f"benchd results {run}"


def test_over_limit_is_a_result_and_is_not_repaired(books):
    run = books.enter("brook 2x140", [GOOD, OVER])
    on_bench(books)
    assert page(books, run)["next"] == f"benchd results {run}"


def test_a_run_that_is_played_gives_no_reason(books):
    run = books.enter("brook 2x140", [GOOD, OVER])
    books.writer.set_state(run, RunState.RUNNING, EVENING)
    assert page(books, run)["says"] == "running, 1 of 2 good, 1 over limit"
    books.writer.set_state(run, RunState.FAILED, EVENING, "because")
    assert page(books, run)["says"] == "failed: because; 1 of 2 good, 1 over limit"


@pytest.mark.parametrize(
    ("state", "command"),
    [
        (RunState.RUNNING, "benchd watch"),
        (RunState.HELD, "benchd watch"),
        (RunState.QUEUED, "benchd status"),
        (RunState.FAILED, "benchd resume 1"),
        (RunState.INTERRUPTED, "benchd resume 1"),
        (RunState.TRIPPED, "benchd resume 1"),
    ],
)
def test_a_run_that_has_not_ended_says_what_takes_it_further(books, state, command):
    run = books.begin(on_bench(books))
    books.writer.set_state(run, state, EVENING, "because")
    assert page(books, run)["next"] == command


@pytest.mark.parametrize(
    ("waits_for", "command"),
    [
        (None, "benchd status"),
        (WaitsFor.QUIET, "benchd status"),
        (WaitsFor.MOUNT, "benchd confirm --run 1"),
        (WaitsFor.BENCH_FILE, "benchd confirm --run 1"),
        (WaitsFor.PERSON, "benchd resume 1"),
    ],
)
def test_a_run_that_waits_says_what_it_waits_for(books, waits_for, command):
    run = books.begin(on_bench(books))
    books.writer.set_state(run, RunState.WAITING, EVENING, "because", waits_for)
    assert page(books, run)["next"] == command


def test_a_trip_is_cleared_first(books):
    run = books.begin(on_bench(books))
    books.writer.add_event(EventRow(bench="garden", utc=EVENING, kind="trip", what="hot", run_id=run, t_ms=0))
    books.writer.set_state(run, RunState.TRIPPED, EVENING, "hot")
    shown = page(books, run)
    assert shown["next"] == f"benchd clear, then benchd resume {run}"
    assert shown["says"] == "tripped, no test points: hot"
    assert [event["kind"] for event in shown["events"]] == ["trip"]


def test_what_is_still_asked_comes_first(books):
    run = books.enter("brook 2x140", [FLAGGED])
    on_bench(books)
    step = books.writer.begin_step(run, "confirm", 1, 1, "confirm", "{}", 0)
    books.writer.ask(run, step, "is the calibrator back in its box?", EVENING, EVENING + timedelta(minutes=5))
    books.writer.end_step(step, 0, Ending.PENDING, "nobody answered")
    shown = page(books, run)
    assert [one["what"] for one in shown["prompts"]] == ["is the calibrator back in its box?"]
    assert shown["next"] == f"benchd confirm --run {run} TEXT"


def test_the_check_of_a_mount_is_held_against_the_earlier_ones(books):
    checks = []
    for number, k_per_w in ((1, 0.100), (2, 0.102), (3, 0.140)):
        mount = books.writer.plan_mount(books.writer.specimen("brook 2x140", "liquid"), number)
        run = books.begin(mount)
        detail = {"sink": "coolant_c", "pump_pct": 100.0, "fan_pct": 100.0, "heat_w": 60.0}
        books.step(run, "mount_check", [Finding("mount_k_per_w", k_per_w, "K/W", 0.01, 50, detail=detail)])
        checks.append(page(books, run)["mount_check"])
    assert checks[0].endswith("first mount of this specimen that was checked")
    assert "0.04 K/W worse than the last two: seat it again?" in checks[2]


def test_a_run_that_there_is_not(books):
    with pytest.raises(NotFound, match="there is no run 7"):
        page(books, 7)
