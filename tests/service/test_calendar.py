"""The calendar: calls come again and again, the backup once a night, and nothing runs on after `stop`."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from benchd.service.calendar import Calendar

BERLIN = ZoneInfo("Europe/Berlin")


@dataclass
class Night:
    """What a calendar asks, and what it is told."""

    idle: bool = True
    made: bool = True
    backups: list[str] = field(default_factory=list)
    dispatched: int = 0
    during: Callable[[], None] = lambda: None
    now: datetime = datetime(2026, 1, 1, tzinfo=UTC)

    def calendar(self, zone: ZoneInfo = BERLIN, speed: float = 1.0) -> Calendar:
        return Calendar(
            dispatch=self._dispatch,
            back_up=self._back_up,
            remind=lambda: None,
            idle=lambda: self.idle,
            zone=zone,
            speed=speed,
        )

    def _dispatch(self) -> None:
        self.dispatched += 1
        self.during()

    def _back_up(self) -> bool:
        self.backups.append(self.now.isoformat(timespec="minutes"))
        return self.made

    def hourly(self, calendar: Calendar, begin: datetime, hours: int) -> None:
        """Half past each hour, as hours pass and not as clocks show them."""
        for hour in range(hours):
            self.now = (begin.astimezone(UTC) + timedelta(hours=hour)).astimezone(begin.tzinfo)
            calendar.night(self.now)


@pytest.mark.parametrize(
    ("zone", "begin", "expected"),
    [
        # An ordinary night.
        ("Europe/Berlin", datetime(2026, 11, 24, 22, 30), ["2026-11-25T03:30+01:00", "2026-11-26T03:30+01:00"]),
        # Clocks go forward at 02:00: 03:30 is there. And back at 03:00: 02:30 comes twice, 03:30 once.
        ("Europe/Berlin", datetime(2026, 3, 28, 22, 30), ["2026-03-29T03:30+02:00", "2026-03-30T03:30+02:00"]),
        ("Europe/Berlin", datetime(2026, 10, 24, 22, 30), ["2026-10-25T03:30+01:00", "2026-10-26T03:30+01:00"]),
        # Clocks go by half an hour, at 02:00.
        ("Australia/Lord_Howe", datetime(2026, 10, 3, 22, 30), ["2026-10-04T03:00+11:00", "2026-10-05T03:00+11:00"]),
        ("Australia/Lord_Howe", datetime(2026, 4, 4, 22, 30), ["2026-04-05T03:00+10:30", "2026-04-06T03:00+10:30"]),
        # Clocks go forward at midnight: that hour is not there.
        ("Africa/Cairo", datetime(2026, 4, 23, 22, 30), ["2026-04-24T03:30+03:00", "2026-04-25T03:30+03:00"]),
        # Clocks go back at 01:00 to midnight: 00:30 comes twice.
        ("Atlantic/Azores", datetime(2026, 10, 24, 22, 30), ["2026-10-25T03:30-01:00", "2026-10-26T03:30-01:00"]),
        # A quarter of an hour off.
        ("Asia/Kathmandu", datetime(2026, 11, 24, 22, 30), ["2026-11-25T03:30+05:45", "2026-11-26T03:30+05:45"]),
    ],
)
def test_a_night_has_one_backup_whatever_the_clocks_do(zone: str, begin: datetime, expected: list[str]):
    night = Night()
    calendar = night.calendar(ZoneInfo(zone))
    night.hourly(calendar, begin.replace(tzinfo=ZoneInfo(zone)), 36)
    # What was missed before is made up at once, in the evening.
    assert night.backups[0] == begin.replace(tzinfo=ZoneInfo(zone)).isoformat(timespec="minutes")
    assert night.backups[1:] == expected


def test_while_a_run_is_played_it_waits_for_a_later_hour():
    night = Night(idle=False)
    calendar = night.calendar()
    night.hourly(calendar, datetime(2026, 11, 25, 3, 30, tzinfo=BERLIN), 4)
    assert night.backups == []
    night.idle = True
    night.hourly(calendar, datetime(2026, 11, 25, 7, 30, tzinfo=BERLIN), 4)
    assert night.backups == ["2026-11-25T07:30+01:00"]


def test_one_that_could_not_be_made_is_tried_again_each_hour():
    night = Night(made=False)
    calendar = night.calendar()
    night.hourly(calendar, datetime(2026, 11, 25, 3, 30, tzinfo=BERLIN), 3)
    night.made = True
    night.hourly(calendar, datetime(2026, 11, 25, 6, 30, tzinfo=BERLIN), 3)
    assert night.backups == [f"2026-11-25T0{hour}:30+01:00" for hour in (3, 4, 5, 6)]


def test_a_machine_that_slept_through_the_night_makes_it_up():
    night = Night()
    calendar = night.calendar()
    night.hourly(calendar, datetime(2026, 11, 25, 1, 30, tzinfo=BERLIN), 1)
    night.hourly(calendar, datetime(2026, 11, 25, 11, 30, tzinfo=BERLIN), 2)
    assert night.backups == ["2026-11-25T11:30+01:00"]


def within(limit_s: float, seen: Callable[[], object]) -> None:
    until_s = time.monotonic() + limit_s
    while not seen():
        assert time.monotonic() < until_s
        time.sleep(0.01)


def test_dispatch_comes_again_and_again_and_never_after_stop():
    night = Night()
    calendar = night.calendar(speed=3600.0)
    calendar.start()
    within(5, lambda: night.dispatched >= 3)
    calendar.stop()
    there = night.dispatched
    time.sleep(0.6)
    assert night.dispatched == there


def test_nothing_is_called_before_start():
    night = Night()
    night.calendar(speed=3600.0)
    time.sleep(0.4)
    assert night.dispatched == 0


def test_however_fast_the_bench_it_wakes_a_few_times_a_second():
    night = Night()
    calendar = night.calendar(speed=1e6)
    calendar.start()
    time.sleep(1.1)
    calendar.stop()
    assert 2 <= night.dispatched <= 5


def test_after_stop_no_thread_is_left_even_when_a_call_was_under_way():
    before = set(threading.enumerate())
    begun, go_on = threading.Event(), threading.Event()

    def during() -> None:
        begun.set()
        go_on.wait(10)

    night = Night(during=during)
    calendar = night.calendar(speed=3600.0)
    calendar.start()
    assert begun.wait(5)
    threading.Timer(0.2, go_on.set).start()
    calendar.stop()
    within(1, lambda: set(threading.enumerate()) <= before)


def test_stop_without_start_and_twice_is_no_trouble():
    calendar = Night().calendar()
    calendar.stop()
    calendar.start()
    calendar.stop()
    calendar.stop()


def test_a_call_that_fails_is_logged_and_called_again(caplog: pytest.LogCaptureFixture):
    def during() -> None:
        if night.dispatched == 1:
            raise ZeroDivisionError

    night = Night(during=during)
    calendar = night.calendar(speed=3600.0)
    with caplog.at_level(logging.WARNING):
        calendar.start()
        within(5, lambda: night.dispatched >= 3)
        calendar.stop()
    (record,) = [record for record in caplog.records if record.levelno >= logging.ERROR]
    assert record.exc_info is not None
    assert record.exc_info[0] is ZeroDivisionError


def test_a_call_that_takes_long_is_not_made_twice_at_once():
    at_once = threading.Semaphore(1)
    twice: list[int] = []

    def during() -> None:
        if not at_once.acquire(blocking=False):
            twice.append(night.dispatched)
            return
        time.sleep(0.7)
        at_once.release()

    night = Night(during=during)
    calendar = night.calendar(speed=3600.0)
    calendar.start()
    within(5, lambda: night.dispatched >= 2)
    calendar.stop()
    assert twice == []
