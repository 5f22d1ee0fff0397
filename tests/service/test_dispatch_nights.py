"""The queue night after night: what is planned comes true, nothing starts to be cut off, nothing waits for ever."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.running.forecast import Expectation
from benchd.running.states import RunState
from benchd.running.windows import QuietWindow
from benchd.service.dispatch import SPARE_S, Candidate, Decision, decide, fits_at_all, may_begin
from benchd.store.records import RunRow, WaitsFor

BERLIN = ZoneInfo("Europe/Berlin")
HOUR, MINUTE, SECOND = timedelta(hours=1), timedelta(minutes=1), timedelta(seconds=1)
HOUR_S = 3600.0
QUIET = "22:00-06:00"
NOON = datetime(2026, 11, 25, 12, 0, tzinfo=BERLIN)


def lasting(hours: float, quiet_from: float | None = None, quiet_until: float | None = None) -> Expectation:
    """How long a run lasts [h], and from when to when it needs a quiet room."""
    lasts, begins, ends = (None if value is None else value * HOUR_S for value in (hours, quiet_from, quiet_until))
    return Expectation(lasts or 0.0, begins, ends)


AN_HOUR = lasting(1)


def queued(
    number: int,
    expected: Expectation = AN_HOUR,
    *,
    due: datetime | None = None,
    quiet: str | None = None,
    on_bench: bool = True,
    bench_same: bool = True,
    waits_for: WaitsFor | None = None,
    reason: str = "",
) -> Candidate:
    row = RunRow(
        id=number,
        specimen="brook 2x140",
        cooling="liquid",
        mount=3,
        mount_id=7,
        protocol="overnight",
        protocol_text="",
        bench="garden",
        bench_text="",
        versions={},
        seed=1,
        simulated=False,
        queued_utc=NOON.astimezone(UTC),
        started_utc=None,
        ended_utc=None,
        due_utc=due and due.astimezone(UTC),
        quiet=quiet,
        state=RunState.QUEUED if waits_for is None else RunState.WAITING,
        waits_for=waits_for,
        reason=reason,
    )
    return Candidate(row, expected, on_bench, bench_same)


def decided(*candidates: Candidate, now: datetime, zone: ZoneInfo = BERLIN) -> dict[int, Decision]:
    return {one.row.id: decision for one, decision in decide(candidates, latch=None, now=now, zone=zone)}


def alone(candidate: Candidate, now: datetime, zone: ZoneInfo = BERLIN) -> Decision:
    return decided(candidate, now=now, zone=zone)[candidate.row.id]


def at(text: str) -> datetime:
    return datetime.fromisoformat(f"2026-11-{text}").replace(tzinfo=BERLIN)


def shown(decision: Decision) -> str:
    assert decision.starts_utc is not None
    return f"{decision.starts_utc.astimezone(BERLIN):%d %H:%M}"


# Hours and windows


def test_a_named_hour_comes_before_an_early_opening() -> None:
    """A run could begin at 20:30 for its window, but it was asked for 21:00; by then all that is quiet still fits."""
    run = queued(1, lasting(6, 1.5, 4), due=at("25 21:00"), quiet=QUIET)
    assert (shown(alone(run, NOON)), alone(run, NOON).why) == ("25 21:00", "starts at 21:00")
    assert alone(run, at("25 20:59")).kind == "later"
    assert alone(run, at("25 21:00")).kind == "start"


def test_due_while_the_machine_slept_it_starts_when_it_wakes_if_that_still_fits() -> None:
    run = queued(1, lasting(9, 0, 6), due=at("24 22:00"), quiet=QUIET)
    assert alone(run, at("25 00:00")).kind == "start"
    late = alone(run, at("25 00:01"))
    assert (late.kind, shown(late)) == ("later", "25 22:00")
    assert late.why.startswith(
        "the quiet window is too short for it now: 5:59 h are left, 6:00 h are needed; starts at"
    )


def test_due_in_the_morning_hours_with_too_little_left_by_then() -> None:
    found = alone(queued(1, lasting(3, 0, 2), due=at("26 04:30"), quiet=QUIET), NOON)
    assert (found.kind, shown(found)) == ("later", "26 22:00")
    assert found.why.startswith("the quiet window is too short for it then: 1:30 h are left, 2:00 h are needed; ")


def test_nothing_is_said_of_a_window_that_only_has_to_open() -> None:
    assert alone(queued(1, lasting(3, 0, 2), quiet=QUIET), at("25 18:00")).why == "starts at 22:00"


def test_without_quiet_steps_a_window_holds_up_nothing() -> None:
    assert alone(queued(1, lasting(20), quiet=QUIET), NOON).kind == "start"


def test_what_comes_long_before_the_quiet_part_does_not_hide_the_window() -> None:
    """Seventy hours of heat first: the window of the third night is the one that counts."""
    found = alone(queued(1, lasting(90, 70, 72), quiet=QUIET), at("23 12:00"))
    assert shown(found) == "24 00:00"


def test_the_hours_of_a_long_night_that_are_over_do_not_count() -> None:
    """Nine hours on the night of the change, two of them gone: no night to come holds eight and a half."""
    run = queued(1, lasting(12, 0, 8.5), quiet=QUIET)
    evening = datetime(2026, 10, 24, 18, 0, tzinfo=BERLIN)
    assert alone(run, evening).kind == "later"
    assert alone(run, evening + 4 * HOUR).kind == "start"
    late = alone(run, evening + 6 * HOUR)
    assert (late.kind, late.waits_for) == ("wait", WaitsFor.PERSON)
    assert "takes about 8:30 h, and 22:00-06:00 has room for 7:57 h" in late.why
    assert fits_at_all(run.expected, QUIET, evening + 6 * HOUR, BERLIN) == late.why


def test_a_short_night_is_left_out_by_what_needs_a_usual_one() -> None:
    run = queued(1, lasting(12, 0, 7.5), quiet=QUIET)
    found = alone(run, datetime(2026, 3, 28, 12, 0, tzinfo=BERLIN))
    assert (found.kind, shown(found)) == ("later", "29 22:00")


def test_a_plan_leaves_some_minutes_over_for_the_queue_is_not_looked_at_all_the_time() -> None:
    just = queued(1, lasting(9, 0, 8 - SPARE_S / HOUR_S), quiet=QUIET)
    assert alone(just, NOON).kind == "later"
    assert alone(just, at("25 22:00") + SPARE_S * SECOND).kind == "start"
    assert "has room for 7:57 h" in fits_at_all(lasting(9, 0, 8), QUIET, NOON, BERLIN)


def test_what_would_be_quiet_later_needs_nothing_left_over_once_it_can_begin() -> None:
    """Planned for 21:00 with an hour of warming first, looked at two minutes late."""
    run = queued(1, lasting(10, 1, 9 - SPARE_S / HOUR_S), quiet=QUIET)
    assert shown(alone(run, NOON)) == "25 21:00"
    assert alone(run, at("25 21:02")).kind == "start"


def test_a_window_shorter_than_what_is_left_over_has_room_for_nothing() -> None:
    assert "13:00-13:02 has room for 0:00 h" in fits_at_all(lasting(1, 0, 0.1), "13:00-13:02", NOON, BERLIN)


# Waiting


def test_a_run_that_waits_for_quiet_goes_on_by_itself() -> None:
    run = queued(1, lasting(3, 0, 2), quiet=QUIET, waits_for=WaitsFor.QUIET)
    assert (alone(run, NOON).kind, shown(alone(run, NOON))) == ("later", "25 22:00")
    assert alone(run, at("25 22:00")).kind == "start"


def test_what_waits_for_a_person_is_never_started_here() -> None:
    found = alone(queued(1, waits_for=WaitsFor.PERSON, reason="it was held"), NOON)
    assert (found.kind, found.why, found.waits_for) == ("wait", "it was held", WaitsFor.PERSON)


@pytest.mark.parametrize("missing", [{"on_bench": False}, {"bench_same": False}])
@pytest.mark.parametrize("waits_for", [None, WaitsFor.MOUNT, WaitsFor.BENCH_FILE])
def test_what_a_person_must_do_first_is_asked_for_before_the_hour_comes(missing, waits_for) -> None:
    found = alone(queued(1, due=at("26 22:00"), waits_for=waits_for, **missing), NOON)
    assert (found.kind, found.starts_utc) == ("wait", None)


# Order


def started(*candidates: Candidate, now: datetime) -> list[int]:
    return [number for number, one in decided(*candidates, now=now).items() if one.kind == "start"]


def test_due_first_goes_first_then_the_lower_number_and_what_has_no_hour_last() -> None:
    now = at("26 09:00")
    early, late = at("25 21:00"), at("25 22:00")
    assert started(queued(1), queued(2, due=late), queued(3, due=early), now=now) == [3]
    assert started(queued(1), queued(2, due=late), queued(4, due=late), now=now) == [2]
    assert started(queued(2), queued(1), now=now) == [1]


def test_all_are_told_in_the_order_in_which_they_come() -> None:
    due = [at("25 23:00"), at("25 21:00"), at("25 22:00")]
    there = [queued(number, due=when) for number, when in enumerate(due, 1)] + [queued(4)]
    assert list(decided(*there, now=NOON)) == [4, 2, 3, 1]


def test_what_has_no_hour_does_not_run_into_one_that_has() -> None:
    """Whichever was queued first: who named an hour counts on it."""
    filler, timed = queued(1, lasting(5)), queued(2, due=at("25 22:00"))
    assert decided(filler, timed, now=at("25 17:00"))[1].kind == "start"
    held = decided(filler, timed, now=at("25 17:01"))[1]
    assert (held.kind, held.starts_utc) == ("later", None)
    assert held.why == "it would last until about 22:01, and run 2 starts at 22:00"
    assert started(filler, timed, now=at("25 22:00")) == [2]


def test_what_was_due_first_does_not_make_way_for_a_later_hour() -> None:
    assert started(queued(2, lasting(3), due=at("25 21:00")), queued(1, due=at("25 22:00")), now=at("25 21:00")) == [2]


def test_a_window_is_kept_free_for_the_run_before_but_not_for_one_behind() -> None:
    night, filler = lasting(9, 0, 6), lasting(12)
    now = at("25 18:00")
    assert started(queued(1, night, quiet=QUIET), queued(2, filler), now=now) == []
    assert started(queued(2, night, quiet=QUIET), queued(1, filler), now=now) == [1]


def test_a_short_one_may_slip_in_before() -> None:
    found = started(
        queued(1, lasting(9, 0, 6), quiet=QUIET), queued(2, lasting(12)), queued(3, lasting(2)), now=at("25 18:00")
    )
    assert found == [3]


def test_one_that_waits_for_its_mount_keeps_nothing_free() -> None:
    assert started(queued(1, due=at("25 22:00"), on_bench=False), queued(2, lasting(12)), now=NOON) == [2]


# Whatever is queued

ZONES = st.sampled_from(
    ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "America/Santiago", "Asia/Kolkata"]
).map(ZoneInfo)
#: Many of them on a day on which the clock is changed somewhere.
DAYS = st.sampled_from(
    ["2026-03-28", "2026-10-24", "2026-03-07", "2026-10-31", "2026-04-04", "2026-10-03", "2026-09-05"]
)
NOWS = st.tuples(DAYS, st.integers(0, 48 * 60)).map(
    lambda pair: datetime.fromisoformat(pair[0]).replace(tzinfo=UTC) + pair[1] * MINUTE
)
QUIETS = st.none() | st.sampled_from([QUIET, "23:30-05:00", "02:30-09:00", "13:00-15:00", "02:15-02:45"])
MINUTES = st.integers(0, 12 * 60)


@st.composite
def expectations(draw) -> Expectation:
    lead, quiet, rest = (60.0 * draw(MINUTES) for _ in range(3))
    return Expectation(lead + quiet + rest, *((lead, lead + quiet) if quiet else (None, None)))


@st.composite
def queues(draw) -> tuple[datetime, list[Candidate]]:
    now = draw(NOWS)
    dues = st.none() | st.integers(-24 * 60, 24 * 60).map(lambda minutes: now + minutes * MINUTE)
    flags = st.integers(0, 9).map(bool)
    numbers = draw(st.permutations(range(1, draw(st.integers(2, 6)))))
    return now, [
        queued(
            number,
            draw(expectations()),
            due=draw(dues),
            quiet=draw(QUIETS),
            on_bench=draw(flags),
            bench_same=draw(flags),
        )
        for number in numbers
    ]


@settings(max_examples=200)
@given(queues(), ZONES)
def test_whatever_is_queued(there, zone) -> None:
    now, candidates = there
    found = decide(candidates, latch=None, now=now, zone=zone)
    assert sorted(one.row.id for one, _ in found) == sorted(one.row.id for one in candidates)
    assert sum(decision.kind == "start" for _, decision in found) <= 1
    for one, decision in found:
        assert decision.why
        assert (decision.kind == "wait") is (decision.waits_for is not None)
        if decision.kind == "start":
            assert one.on_bench
            assert one.bench_same
            assert one.row.due_utc is None or one.row.due_utc <= now
        starts = decision.starts_utc
        if starts is not None and one.row.quiet is not None and one.expected.quiet_from_s is not None:
            begins = starts + timedelta(seconds=one.expected.quiet_from_s)
            span = QuietWindow.parse(one.row.quiet).around(begins, zone)
            assert span is not None
            assert begins + timedelta(seconds=one.expected.quiet_s) <= span.ends
    # The order in which they were read does not matter, nor in which zone now is written.
    again = decide(candidates[::-1], latch=None, now=now.astimezone(zone), zone=zone)
    assert [(one.row.id, decision) for one, decision in again] == [(one.row.id, decision) for one, decision in found]
    # A latched bench starts nothing.
    assert all(decision.kind != "start" for _, decision in decide(candidates, latch="hot", now=now, zone=zone))


@given(NOWS, expectations(), QUIETS, ZONES)
def test_what_is_planned_comes_true_though_the_queue_is_looked_at_late(now, expected, quiet, zone) -> None:
    run = queued(1, expected, quiet=quiet)
    planned = alone(run, now, zone)
    if planned.starts_utc is None:
        assert planned.why == fits_at_all(expected, quiet, now, zone)
        return
    for late_s in (0.0, 20.0, SPARE_S):
        at = planned.starts_utc + timedelta(seconds=late_s if planned.kind == "later" else 0.0)
        assert alone(run, at, zone).kind == "start"
    if planned.kind == "later":
        assert alone(run, planned.starts_utc - SECOND, zone).starts_utc == planned.starts_utc


@given(NOWS, MINUTES, QUIETS, ZONES)
def test_a_stage_begins_when_a_run_of_it_alone_would(now, minutes, quiet, zone) -> None:
    stage = Expectation(60.0 * minutes, 0.0, 60.0 * minutes)
    would = alone(queued(1, stage, quiet=quiet), now, zone).kind == "start"
    assert (may_begin(True, stage.lasts_s, quiet, now, zone) == "") is would
