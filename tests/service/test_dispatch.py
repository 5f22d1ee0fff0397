"""What becomes of the runs in the queue: due times, quiet windows, mounts, order, nights on which the clock changes."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from benchd.running.forecast import Expectation
from benchd.running.states import RunState
from benchd.service.dispatch import SPARE_S, Candidate, decide, fits_at_all, may_begin
from benchd.store.records import RunRow, WaitsFor

BERLIN = ZoneInfo("Europe/Berlin")
HOUR = 3600.0
EVENING = datetime(2026, 11, 25, 18, 0, tzinfo=BERLIN)
#: Quiet from the start on for two hours, nine in all.
NIGHT = Expectation(lasts_s=9 * HOUR, quiet_from_s=0.0, quiet_until_s=2 * HOUR)
SHORT = Expectation(lasts_s=HOUR, quiet_from_s=None, quiet_until_s=None)


def candidate(number=1, expected=SHORT, on_bench=True, bench_same=True, due=None, quiet=None, state=RunState.QUEUED):
    row = RunRow(
        id=number,
        specimen="brook 2x140",
        cooling="liquid",
        mount=2,
        mount_id=7,
        protocol="overnight",
        protocol_text="",
        bench="garden",
        bench_text="",
        versions={},
        seed=1,
        simulated=False,
        queued_utc=EVENING,
        started_utc=None,
        ended_utc=None,
        due_utc=due,
        quiet=quiet,
        state=state,
    )
    return Candidate(row, expected, on_bench, bench_same)


def decided(*candidates, latch=None, now=EVENING, zone=BERLIN):
    return {one.row.id: decision for one, decision in decide(candidates, latch=latch, now=now, zone=zone)}


def local(decision, zone=BERLIN):
    return f"{decision.starts_utc.astimezone(zone):%d %H:%M}"


def test_what_is_due_and_complete_starts():
    assert decided(candidate())[1].kind == "start"


def test_one_at_a_time_and_those_due_first_come_first():
    early, late = EVENING - timedelta(hours=2), EVENING - timedelta(hours=1)
    found = decided(candidate(1, due=late), candidate(2, due=early), candidate(3))
    assert [number for number, one in found.items() if one.kind == "start"] == [2]
    assert [found[1].why, found[3].why] == ["after run 2", "after run 2"]


def test_a_time_that_has_not_come_is_waited_for():
    decision = decided(candidate(due=EVENING.replace(hour=22)))[1]
    assert (decision.kind, decision.why, local(decision)) == ("later", "starts at 22:00", "25 22:00")


@pytest.mark.parametrize(
    ("facts", "waits_for", "why"),
    [
        ({"on_bench": False}, WaitsFor.MOUNT, "mount 2 of brook 2x140 is to be on the bench"),
        ({"bench_same": False}, WaitsFor.BENCH_FILE, "the bench file was changed since it was queued"),
    ],
)
def test_what_a_person_has_to_do_first(facts, waits_for, why):
    decision = decided(candidate(**facts))[1]
    assert (decision.kind, decision.waits_for, decision.why) == ("wait", waits_for, why)


def test_one_that_waits_for_somebody_holds_up_none_behind_it():
    found = decided(candidate(1, on_bench=False), candidate(2))
    assert (found[1].kind, found[2].kind) == ("wait", "start")


def test_a_latched_bench_starts_nothing():
    decision = decided(candidate(), latch="die_c above 95 degC")[1]
    assert (decision.kind, decision.starts_utc) == ("later", None)
    assert decision.why == "the bench tripped and has not been cleared: die_c above 95 degC"


def test_only_the_quiet_part_has_to_lie_in_the_window():
    found = decided(candidate(expected=NIGHT, quiet="22:00-06:00"))
    assert (found[1].kind, local(found[1])) == ("later", "25 22:00")
    at_half_past_three = EVENING.replace(hour=3, minute=30)
    assert decided(candidate(expected=NIGHT, quiet="22:00-06:00"), now=at_half_past_three)[1].kind == "start"


def test_a_run_begins_early_so_that_its_quiet_part_begins_when_the_window_opens():
    expected = Expectation(lasts_s=9 * HOUR, quiet_from_s=1.5 * HOUR, quiet_until_s=4 * HOUR)
    assert local(decided(candidate(expected=expected, quiet="22:00-06:00"))[1]) == "25 20:30"


def test_what_is_left_of_a_window_may_be_too_short_and_is_told_so():
    """Due while the machine slept."""
    now = EVENING.replace(hour=4, minute=40)
    decision = decided(candidate(expected=NIGHT, quiet="22:00-06:00", due=EVENING.replace(day=24, hour=22)), now=now)[1]
    assert (decision.kind, local(decision)) == ("later", "25 22:00")
    assert (
        decision.why
        == "the quiet window is too short for it now: 1:20 h are left, 2:00 h are needed; starts at Wed 25 Nov 22:00"
    )


def test_a_quiet_part_that_no_window_can_hold_is_a_persons_business():
    expected = Expectation(lasts_s=9 * HOUR, quiet_from_s=0.0, quiet_until_s=8.5 * HOUR)
    decision = decided(candidate(expected=expected, quiet="22:00-06:00"))[1]
    assert (decision.kind, decision.waits_for) == ("wait", WaitsFor.PERSON)
    assert "takes about 8:30 h, and 22:00-06:00 has room for 7:57 h" in decision.why


def test_a_run_behind_does_not_eat_the_night_of_one_whose_hour_is_fixed():
    night = candidate(1, expected=NIGHT, quiet="22:00-06:00")
    fits = candidate(2, expected=Expectation(3 * HOUR, None, None))
    too_long = candidate(3, expected=Expectation(5 * HOUR, None, None))
    assert decided(night, fits)[2].kind == "start"
    decision = decided(night, too_long)[3]
    assert decision.kind == "later"
    assert decision.why == "it would last until about 23:00, and run 1 starts at 22:00"


#: (zone, an instant in the evening before, hours that 22:00 to 06:00 has on that night)
CHANGES = [
    ("Europe/Berlin", datetime(2026, 3, 28, 18, 0), 7.0),
    ("Europe/Berlin", datetime(2026, 10, 24, 18, 0), 9.0),
    ("America/New_York", datetime(2026, 3, 7, 18, 0), 7.0),
    ("America/New_York", datetime(2026, 10, 31, 18, 0), 9.0),
    ("Australia/Lord_Howe", datetime(2026, 10, 3, 18, 0), 7.5),
    ("Australia/Lord_Howe", datetime(2026, 4, 4, 18, 0), 8.5),
    ("America/Santiago", datetime(2026, 9, 5, 18, 0), 7.0),
    ("America/Santiago", datetime(2026, 4, 4, 18, 0), 9.0),
]


@pytest.mark.parametrize(("name", "evening", "hours"), CHANGES)
def test_the_nights_on_which_the_clock_is_changed(name, evening, hours):
    zone = ZoneInfo(name)
    now = evening.replace(tzinfo=zone)
    just = Expectation(12 * HOUR, 0.0, hours * HOUR - SPARE_S)
    decision = decided(candidate(expected=just, quiet="22:00-06:00"), now=now, zone=zone)[1]
    assert (decision.kind, f"{decision.starts_utc.astimezone(zone):%d %H:%M}") == ("later", f"{evening.day:02d} 22:00")
    longer = Expectation(12 * HOUR, 0.0, hours * HOUR - SPARE_S + 1)
    found = decided(candidate(expected=longer, quiet="22:00-06:00"), now=now, zone=zone)[1]
    # The usual night may be longer than this one: then it is tomorrow's; else no night of the coming ones will do.
    assert found.kind == ("later" if hours < 8 else "wait")
    if hours < 8:
        assert found.starts_utc.astimezone(zone).day != evening.day


def test_fits_at_all_says_nothing_where_nothing_needs_quiet():
    assert fits_at_all(SHORT, "22:00-06:00", EVENING, BERLIN) == ""
    assert fits_at_all(NIGHT, None, EVENING, BERLIN) == ""


@pytest.mark.parametrize(
    ("hour", "minute", "takes_s", "said"),
    [
        (23, 0, HOUR, ""),
        (5, 0, HOUR, ""),
        (5, 1, HOUR, "needs a quiet room for 1:00 h, 0:59 h are left"),
        (18, 0, HOUR, "its window 22:00-06:00 opens at 22:00"),
    ],
)
def test_a_quiet_stage_begins_only_when_it_ends_before_the_window_does(hour, minute, takes_s, said):
    now = EVENING.replace(hour=hour, minute=minute)
    why = may_begin(True, takes_s, "22:00-06:00", now, BERLIN)
    assert (said in why) if said else why == ""
    assert may_begin(False, takes_s, "22:00-06:00", now, BERLIN) == ""
    assert may_begin(True, takes_s, None, now.astimezone(UTC), BERLIN) == ""
