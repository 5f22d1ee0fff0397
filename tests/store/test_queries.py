"""What was written is read as it was meant, by benchd and by a person with the sqlite3 shell."""

from __future__ import annotations

import math
import sqlite3
import threading
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from benchd.errors import InputError, NotFound, StoreError
from benchd.instruments import SampleFlag
from benchd.running.states import Ending, Flag, Quality, RunState
from benchd.running.steps.base import Finding
from benchd.store import queries, series
from benchd.store.records import CLEAR, REPEAT, TRIP, ChannelRow, EventRow, PointRecord
from benchd.store.writer import Writer

EVENING = datetime(2026, 10, 24, 20, 0, tzinfo=UTC)
POINT = PointRecord(
    heat_set_w=200.0,
    heat_w=199.4,
    heat_u_w=1.2,
    noise_set_dba=36.0,
    fan_pct=44.0,
    pump_pct=70.0,
    fan_rpm=1120.0,
    level_dba=36.2,
    level_u_db=0.7,
    level_corrected_dba=34.9,
    level_corrected_u_db=0.9,
    level_bound="value",
    background_dba=30.1,
    die_c=61.2,
    ambient_c=22.4,
    inlet_c=None,
    rise_k=38.8,
    rise_u_k=0.4,
    resistance_k_per_w=0.1946,
    resistance_u_k_per_w=0.0024,
    until="settled to within 0.2 K",
    ended_by="settled",
    soak_s=1840.0,
    extrapolated_k=None,
    quality=Quality.FLAGGED,
    flags=(Flag.AMBIENT_MOVED,),
)


def _event(kind: str, what: str = "", run_id: int | None = None, t_ms: int | None = None) -> EventRow:
    return EventRow(bench="garden", utc=EVENING, kind=kind, what=what, run_id=run_id, t_ms=t_ms)


def _people_ask(path: Path, question: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(question).fetchall()


# The books


def test_a_specimen_is_entered_once_and_keeps_its_cooling(writer: Writer, path: Path) -> None:
    assert writer.specimen("brook 2x140", "liquid", "bought in May") == writer.specimen("brook 2x140", "liquid")
    with pytest.raises(InputError, match="'brook 2x140' is in the books with liquid cooling, not air"):
        writer.specimen("brook 2x140", "air")
    with queries.reader(path) as connection:
        assert [(row.name, row.cooling, row.note) for row in queries.specimens(connection)] == [
            ("brook 2x140", "liquid", "bought in May")
        ]


def test_a_mount_is_the_one_that_stands_or_the_one_named(writer: Writer, path: Path) -> None:
    specimen_id = writer.specimen("brook 2x140", "liquid")
    other_id = writer.specimen("stone tower", "air")
    first = writer.mount(specimen_id, utc=EVENING)
    assert writer.mount(specimen_id) == first
    second = writer.add_mount(specimen_id, "paste anew", EVENING + timedelta(days=1))
    assert writer.mount(specimen_id) == second
    assert writer.mount(specimen_id, 1) == first
    assert writer.mount(other_id) not in (first, second)
    with pytest.raises(NotFound, match="has no mount 3") as missing:
        writer.mount(specimen_id, 3)
    assert missing.value.hint == "its mounts: 1, 2"
    with queries.reader(path) as connection:
        assert [(row.number, row.note, row.taken_off_utc) for row in queries.mounts(connection, specimen_id)] == [
            (1, "", EVENING + timedelta(days=1)),
            (2, "paste anew", None),
        ]


# Runs


def test_a_run_is_read_as_it_was_queued(writer: Writer, path: Path, queued) -> None:
    new = queued(writer.mount(writer.specimen("brook 2x140", "liquid")), quiet="22:00-06:00", reason="as every Friday")
    run_id = writer.new_run(new)
    with queries.reader(path) as connection:
        row = queries.run(connection, run_id)
    assert (row.specimen, row.cooling, row.mount, row.state) == ("brook 2x140", "liquid", 1, RunState.QUEUED)
    assert (row.started_utc, row.ended_utc, row.queued_utc) == (None, None, EVENING)
    for name in ("mount_id", "protocol_text", "bench_text", "versions", "seed", "simulated", "quiet", "reason"):
        assert getattr(row, name) == getattr(new, name)
    # What sha256sum of GNU coreutils says of the same bytes.
    fingerprint = "4bcb57088d1d3ebe5c5f4900f409a771e352a489b89dfd3723d7d3faeed6c0c1"
    assert _people_ask(path, "SELECT protocol_sha256 FROM run") == [(fingerprint,)]


def test_a_run_keeps_its_first_start_and_its_last_end(begun) -> None:
    def stands(state: RunState, hours: int, reason: str = ""):
        begun.writer.set_state(begun.run_id, state, EVENING + timedelta(hours=hours), reason)
        with queries.reader(begun.path) as connection:
            row = queries.run(connection, begun.run_id)
        assert (row.state, row.reason) == (state, reason)
        ended = row.ended_utc and (row.ended_utc - EVENING) / timedelta(hours=1)
        return row.started_utc and (row.started_utc - EVENING) / timedelta(hours=1), ended

    assert stands(RunState.WAITING, 1) == (None, None)
    assert stands(RunState.RUNNING, 2) == (2, None)
    assert stands(RunState.HELD, 3) == (2, None)
    assert stands(RunState.TRIPPED, 4, "die too hot") == (2, 4)
    assert stands(RunState.RUNNING, 5) == (2, None)
    assert stands(RunState.COMPLETE, 6) == (2, 6)


def test_runs_come_newest_first_and_the_newest_of_each_specimen_is_found(writer: Writer, path: Path, queued) -> None:
    brook, stone = writer.specimen("brook 2x140", "liquid"), writer.specimen("stone tower", "air")
    old = writer.new_run(queued(writer.mount(brook)))
    tower = writer.new_run(queued(writer.mount(stone)))
    again = writer.new_run(queued(writer.add_mount(brook, "", EVENING)))
    with queries.reader(path) as connection:
        assert [row.id for row in queries.runs(connection)] == [again, tower, old]
        assert [row.id for row in queries.runs(connection, 2)] == [again, tower]
        assert [(row.id, row.specimen, row.mount) for row in queries.newest_runs(connection)] == [
            (tower, "stone tower", 1),
            (again, "brook 2x140", 2),
        ]
        with pytest.raises(NotFound, match="there is no run 9") as missing:
            queries.run(connection, 9)
    assert missing.value.hint == "the newest: 3, 2, 1"


def test_channels_belong_to_a_run_and_are_entered_once(begun) -> None:
    changed = ChannelRow(name="die_c", unit="degC", instrument="another")
    extra = ChannelRow(name="inlet_c", unit="degC", instrument="probe")
    known = begun.writer.add_channels(begun.run_id, [changed, extra])
    assert {name: known[name] for name in begun.channels} == begun.channels
    with queries.reader(begun.path) as connection:
        found = queries.channels(connection, begun.run_id)
    assert list(found) == ["die_c", "ambient_c", "level_dba", "inlet_c"]
    assert found["die_c"] == ChannelRow(
        name="die_c", unit="degC", instrument="probe", resolution=0.1, uncertainty=0.3, id=begun.channels["die_c"]
    )
    assert found["level_dba"].uncertainty_pct == 1.0


# Samples


def test_samples_come_as_arrays_with_what_does_not_count(begun) -> None:
    die = begun.channels["die_c"]
    for t_ms, value, flag in [
        (0, 50.0, SampleFlag.OK),
        (1000, None, SampleFlag.MISSING),
        (2000, 250.0, SampleFlag.OUT_OF_RANGE),
        (3000, 52.0, SampleFlag.OK),
        (4000, 53.0, SampleFlag.OK),
    ]:
        begun.writer.record(begun.step_id, t_ms, [(die, value, flag.value)])
    begun.writer.commit()
    begun.writer.exclude(begun.step_id, 3000, 3500, "a door", die)
    begun.writer.exclude(begun.step_id, 4000, 9000, "fans", begun.channels["level_dba"])
    with queries.reader(begun.path) as connection:
        read = series.samples(connection, begun.step_id, "die_c")
        empty = series.samples(connection, begun.step_id, "ambient_c")
        assert queries.sample_count(connection, begun.run_id) == 5
        assert queries.peaks(connection, begun.run_id) == {"die_c": 53.0}
        assert queries.sample_count(connection, 9) == 0
    assert read.t_ms.tolist() == [0, 1000, 2000, 3000, 4000]
    np.testing.assert_array_equal(read.value, [50.0, math.nan, 250.0, 52.0, 53.0])
    assert read.flag.tolist() == [0, 1, 3, 0, 0]
    assert read.excluded.tolist() == [False, False, False, True, False]
    assert read.good.tolist() == [True, False, False, False, True]
    assert (empty.t_ms.dtype, empty.value.dtype, len(empty.good)) == (np.int64, np.float64, 0)


def test_a_person_reads_samples_by_name_with_the_time_on_the_wall(begun) -> None:
    begun.writer.add_span(begun.run_id, 0, EVENING)
    begun.writer.add_span(begun.run_id, 5000, datetime(2026, 10, 25, 1, 0, 0, 250_000, tzinfo=UTC))
    for t_ms in (0, 4999, 5000, 3_605_500):
        begun.tick(t_ms)
    begun.writer.commit()
    begun.writer.exclude(begun.step_id, 4000, 5000, "a door slams")
    rows = _people_ask(
        begun.path,
        "SELECT run, step, kind, t_s, utc, unit, value, flag, excluded FROM sample_named WHERE channel = 'die_c'",
    )
    assert rows == [
        (1, 1, "soak", 0.0, "2026-10-24T20:00:00.000Z", "degC", 50.0, "ok", 0),
        (1, 1, "soak", 4.999, "2026-10-24T20:00:04.999Z", "degC", 50.0, "ok", 1),
        (1, 1, "soak", 5.0, "2026-10-25T01:00:00.250Z", "degC", 50.0, "ok", 1),
        (1, 1, "soak", 3605.5, "2026-10-25T02:00:00.750Z", "degC", 50.0, "ok", 0),
    ]
    assert _people_ask(begun.path, "SELECT DISTINCT channel, value, flag FROM sample_named WHERE unit = 'dBA'") == [
        ("level_dba", None, "missing")
    ]


def test_a_span_entered_again_is_the_one_that_holds(begun) -> None:
    begun.writer.add_span(begun.run_id, 0, EVENING)
    begun.writer.add_span(begun.run_id, 0, EVENING + timedelta(seconds=3))
    with queries.reader(begun.path) as connection:
        assert [(row.from_ms, row.utc) for row in queries.spans(connection, begun.run_id)] == [
            (0, EVENING + timedelta(seconds=3))
        ]


def test_the_last_time_of_a_run_is_the_latest_anything_speaks_of(begun, queued) -> None:
    def last() -> int | None:
        with queries.reader(begun.path) as connection:
            return queries.last_t_ms(connection, begun.run_id)

    assert last() == 0
    begun.tick(7000)
    begun.writer.commit()
    assert last() == 7000
    begun.writer.end_step(begun.step_id, 8000, Ending.LOST, "")
    assert last() == 8000
    begun.writer.add_event(_event("hold", run_id=begun.run_id, t_ms=9000))
    assert last() == 9000
    begun.writer.add_span(begun.run_id, 10_000, EVENING)
    assert last() == 10_000
    other = begun.writer.new_run(queued(begun.mount_id))
    with queries.reader(begun.path) as connection:
        assert queries.last_t_ms(connection, other) is None


# Steps, findings, stages


def _play(begun, stage: str, attempt: int, from_ms: int, *endings: Ending, seq: int = 1) -> int:
    """Steps of a stage, each 1000 ms long; the id of the last."""
    step_id = 0
    for n, ending in enumerate(endings):
        started_ms = from_ms + 1000 * n
        step_id = begun.writer.begin_step(begun.run_id, stage, attempt, seq + n, "soak", "{}", started_ms)
        begun.writer.end_step(step_id, started_ms + 1000, ending, "")
    return step_id


def _finished(begun) -> set[str]:
    with queries.reader(begun.path) as connection:
        return set(queries.finished_stages(connection, begun.run_id))


def test_findings_come_in_the_order_of_steps_with_what_became_of_each(begun) -> None:
    first = Finding("background_dba", 30.5, "dBA", 0.6, 40.0, {"fans": "off", "at": [1, 2], "slope": math.nan})
    begun.writer.end_step(begun.step_id, 1000, Ending.HELD, "a person came in", [first, Finding("x", math.nan, "1")])
    again = begun.writer.begin_step(begun.run_id, "soak.1", 2, 1, "soak", "{}", 1000)
    begun.writer.end_step(again, 2000, Ending.DONE, "", [replace(first, value=30.1, u=None, dof=None)])
    with queries.reader(begun.path) as connection:
        rows = queries.findings(connection, begun.run_id)
        assert queries.attempts(connection, begun.run_id) == {"soak.1": 2}
    assert [(row.step.stage, row.step.attempt, row.step.ending) for row in rows] == [
        ("soak.1", 1, Ending.HELD),
        ("soak.1", 1, Ending.HELD),
        ("soak.1", 2, Ending.DONE),
    ]
    assert rows[0].finding == replace(first, detail={"fans": "off", "at": [1, 2], "slope": None})
    assert math.isnan(rows[1].finding.value)
    assert (rows[2].finding.value, rows[2].finding.u, rows[2].finding.dof) == (30.1, None, None)


def test_a_stage_is_finished_by_the_last_step_of_its_latest_attempt(begun) -> None:
    assert _finished(begun) == set()  # soak.1 is open
    begun.writer.end_step(begun.step_id, 1000, Ending.SETTLED, "")
    _play(begun, "a", 1, 1000, Ending.DONE, Ending.TIME_UP)
    _play(begun, "b", 1, 3000, Ending.DONE, Ending.HELD)
    _play(begun, "c", 1, 5000, Ending.HELD)
    _play(begun, "c", 2, 6000, Ending.DONE, Ending.OVER_LIMIT)
    _play(begun, "d", 1, 8000, Ending.DONE)
    _play(begun, "d", 2, 9000, Ending.LOST)
    _play(begun, "e", 1, 10_000, Ending.DONE, Ending.HELD)
    _play(begun, "e", 1, 12_000, Ending.HELD, seq=0)  # what is sampled while a run is held
    assert _finished(begun) == {"soak.1", "a", "c"}
    with queries.reader(begun.path) as connection:
        ended = queries.finished_stages(connection, begun.run_id)
    assert (ended["c"].attempt, ended["c"].seq, ended["c"].ending) == (2, 2, Ending.OVER_LIMIT)


def test_a_repeat_calls_off_the_attempt_that_had_begun(begun) -> None:
    begun.writer.end_step(begun.step_id, 1000, Ending.SETTLED, "")
    _play(begun, "background", 1, 1000, Ending.DONE)
    assert _finished(begun) == {"soak.1", "background"}
    begun.writer.add_event(_event(REPEAT, "background", begun.run_id, 2000))
    assert _finished(begun) == {"soak.1"}
    _play(begun, "background", 2, 2000, Ending.DONE)
    assert _finished(begun) == {"soak.1", "background"}


def test_steps_are_read_as_they_were_played(begun) -> None:
    begun.writer.end_step(begun.step_id, 61_000, Ending.TIME_UP, "not settled after 90 min")
    with queries.reader(begun.path) as connection:
        (step,) = queries.steps(connection, begun.run_id)
    assert (step.stage, step.attempt, step.seq, step.kind, step.spec) == ("soak.1", 1, 1, "soak", '{"heat_w": 200}')
    assert (step.started_ms, step.ended_ms, step.ending) == (0, 61_000, Ending.TIME_UP)
    assert step.reason == "not settled after 90 min"


# Test points


def test_a_test_point_comes_back_whole(begun) -> None:
    begun.writer.end_step(begun.step_id, 1000, Ending.SETTLED, "", point=POINT)
    with queries.reader(begun.path) as connection:
        (point,) = queries.points(connection, [begun.run_id])
        (place,) = queries.point_places(connection, begun.run_id)
    assert point == replace(POINT, point=1, run=begun.run_id, specimen="brook 2x140", mount=1)
    assert isinstance(point.quality, Quality)
    assert (place.point, place.stage, place.step_id) == (1, "soak.1", begun.step_id)


def test_points_are_numbered_in_each_run_and_asked_for_by_run(begun, queued) -> None:
    other = begun.writer.new_run(queued(begun.mount_id))
    for run_id, stage, heat_w in [(begun.run_id, "a", 100), (other, "a", 150), (begun.run_id, "b", 200)]:
        skipped = replace(POINT, heat_set_w=float(heat_w), quality=Quality.OVER_LIMIT, flags=(Flag.SKIPPED,))
        begun.writer.add_point(run_id, stage, skipped)
    with queries.reader(begun.path) as connection:
        assert [(p.run, p.point, p.heat_set_w) for p in queries.points(connection, [other, begun.run_id])] == [
            (other, 1, 150.0),
            (begun.run_id, 1, 100.0),
            (begun.run_id, 2, 200.0),
        ]
        assert queries.points(connection, []) == []
        assert [place.step_id for place in queries.point_places(connection, begun.run_id)] == [None, None]


def test_a_later_attempt_takes_the_place_of_the_point_it_repeats(begun) -> None:
    begun.writer.end_step(begun.step_id, 1000, Ending.SETTLED, "", point=POINT)
    begun.writer.add_point(begun.run_id, "soak.2", POINT)
    again = begun.writer.begin_step(begun.run_id, "soak.1", 2, 1, "soak", "{}", 1000)
    begun.writer.end_step(again, 2000, Ending.SETTLED, "", point=replace(POINT, die_c=60.0))
    with queries.reader(begun.path) as connection:
        assert [(p.point, p.die_c) for p in queries.points(connection, [begun.run_id])] == [(1, 60.0), (2, 61.2)]


def test_a_point_that_is_skipped_takes_the_place_of_the_one_that_was_called_off(begun) -> None:
    """A sweep measured anew may find that a level is not reached any more, at a stage that has its point already."""
    skipped = replace(POINT, quality=Quality.NOT_REACHED, die_c=None)
    begun.writer.end_step(begun.step_id, 1000, Ending.SETTLED, "", point=POINT)
    begun.writer.add_point(begun.run_id, "soak.2", POINT)
    begun.writer.add_event(_event(REPEAT, "soak.1", begun.run_id, 1500))
    begun.writer.add_point(begun.run_id, "soak.1", skipped)
    with queries.reader(begun.path) as connection:
        points = queries.points(connection, [begun.run_id])
        places = queries.point_places(connection, begun.run_id)
    assert [(p.point, p.die_c, p.quality) for p in points] == [(1, None, Quality.NOT_REACHED), (2, 61.2, POINT.quality)]
    assert [(place.stage, place.step_id) for place in places] == [("soak.1", None), ("soak.2", None)]


@pytest.mark.parametrize(
    ("stage", "t_ms", "other_run"), [("soak.2", 1500, False), ("soak.1", 0, False), ("soak.1", 1500, True)]
)
def test_a_point_that_was_not_called_off_is_not_replaced_by_a_skipped_one(begun, queued, stage, t_ms, other_run):
    """Called off is: this run, this stage, and after the attempt began."""
    run_id = begun.writer.new_run(queued(begun.mount_id)) if other_run else begun.run_id
    begun.writer.end_step(begun.step_id, 1000, Ending.SETTLED, "", point=POINT)
    begun.writer.add_event(_event(REPEAT, stage, run_id, t_ms))
    with pytest.raises(StoreError, match="UNIQUE"):
        begun.writer.add_point(begun.run_id, "soak.1", replace(POINT, die_c=None))
    with queries.reader(begun.path) as connection:
        assert [p.die_c for p in queries.points(connection, [begun.run_id])] == [61.2]


# Events


def test_a_bench_is_latched_from_its_trip_to_its_clear(begun) -> None:
    def latch(bench: str = "garden") -> EventRow | None:
        with queries.reader(begun.path) as connection:
            return queries.trip_latch(connection, bench)

    assert latch() is None
    begun.writer.add_event(_event(TRIP, "die_c above 95 degC", begun.run_id, 4000))
    tripped = latch()
    assert tripped is not None
    assert (tripped.what, tripped.run_id, tripped.t_ms) == ("die_c above 95 degC", begun.run_id, 4000)
    begun.writer.add_event(_event("hold", run_id=begun.run_id))
    assert latch() == tripped
    assert latch("cellar") is None
    begun.writer.add_event(_event(CLEAR))
    assert latch() is None
    begun.writer.add_event(_event(TRIP, "pump stands still"))
    assert latch() is not None


def test_events_of_a_run_come_as_they_were_entered(begun) -> None:
    event = replace(_event("hold", "asked to", begun.run_id, 5000), who="the night shift")
    begun.writer.add_event(_event("start"))
    number = begun.writer.add_event(event)
    with queries.reader(begun.path) as connection:
        assert queries.events(connection, begun.run_id) == [replace(event, id=number)]


def test_two_threads_share_a_writer(begun) -> None:
    def enter_events() -> None:
        for _ in range(100):
            begun.writer.add_event(_event("note", run_id=begun.run_id))

    other = threading.Thread(target=enter_events)
    other.start()
    for second in range(300):
        begun.tick(second * 1000)
        begun.writer.commit()
    other.join()

    with queries.reader(begun.path) as connection:
        assert queries.sample_count(connection, begun.run_id) == 900
        assert len(queries.events(connection, begun.run_id)) == 100


def test_a_time_without_its_zone_is_refused(begun) -> None:
    with pytest.raises(StoreError, match="a time without its zone is no instant"):
        begun.writer.add_span(begun.run_id, 0, datetime(2026, 10, 24, 22, 0))
