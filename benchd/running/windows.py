"""Wall times of one place as instants: quiet windows, and the time that `--at` names. Pure; it never asks for the time.

Everything is reckoned in UTC: two local times of one zone are compared and subtracted as the hands show, not as time
passes. A wall time that the clock jumps over is the moment of the jump. One that comes twice is, for a window, the
first of the two: a window opens when the clock first shows its opening, and closes when it first shows its closing.
So a window is as long as the clock says on that night, and on two nights of a year one of 8 hours has 7 or 9.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo

from benchd.errors import InputError

_TIME = r"(?:[01][0-9]|2[0-3]):[0-5][0-9]"
_DAY = timedelta(days=1)
#: A time of day without its day means the one that is nearer than this [s].
NEAR_S = 16 * 3600


@dataclass(frozen=True)
class Span:
    """A stretch of time: `begins` is in it, `ends` is not. Both in UTC."""

    begins: datetime
    ends: datetime

    @property
    def lasts_s(self) -> float:
        """How long it is [s], as time passes."""
        return (self.ends - self.begins).total_seconds()

    def left_s(self, now: datetime) -> float:
        """How much of it is left at `now`, an aware time [s]: all of it before it begins, 0 when it is over."""
        return max(0.0, (self.ends - max(self.begins, now)).total_seconds())


@dataclass(frozen=True)
class QuietWindow:
    """Hours of the day at which the room is quiet, by the clock on its wall; may go over midnight."""

    begins: time
    ends: time

    @classmethod
    def parse(cls, text: str) -> QuietWindow:
        """The window of "HH:MM-HH:MM". Raises `InputError`.

        >>> str(QuietWindow.parse("22:00-06:00"))
        '22:00-06:00'
        """
        if not re.fullmatch(f"{_TIME}-{_TIME}", text):
            raise InputError(
                f'"{text}" is not a quiet window', "give two times of day, from 00:00 to 23:59, such as 22:00-06:00"
            )
        begins, ends = (time.fromisoformat(part) for part in text.split("-"))
        if begins == ends:
            raise InputError(
                f'the quiet window "{text}" ends as it begins', "give two times that differ, or leave the window out"
            )
        return cls(begins, ends)

    def __str__(self) -> str:
        return f"{self.begins:%H:%M}-{self.ends:%H:%M}"

    def around(self, now: datetime, zone: tzinfo) -> Span | None:
        """The window that is open at `now`, an aware time; None when none is."""
        return next((span for span in self._near(now, zone) if span.begins <= now < span.ends), None)

    def next_opening(self, now: datetime, zone: tzinfo) -> Span:
        """The window that opens next after `now`, an aware time; never the one that is open at `now`.

        A night on which the clock jumps over the whole window has none, and is passed over.
        """
        return next(span for span in self._near(now, zone) if span.begins > now)

    def _near(self, now: datetime, zone: tzinfo) -> Iterator[Span]:
        """The windows of the nights around `now`, in their order."""
        today = now.astimezone(zone).date()
        for day in (today + offset * _DAY for offset in range(-2, 4)):
            span = self._of(day, zone)
            if span.begins < span.ends:
                yield span

    def _of(self, day: date, zone: tzinfo) -> Span:
        closes_on = day if self.begins < self.ends else day + _DAY
        opens, closes = datetime.combine(day, self.begins), datetime.combine(closes_on, self.ends)
        return Span(moments(opens, zone)[0], moments(closes, zone)[0])


def at_time(text: str, now: datetime, zone: tzinfo) -> datetime:
    """The instant in UTC that `--at` names: a time of day is the next such from `now` on, today or tomorrow.

    text: "22:00", "2026-11-25 22:00" or "2026-11-25T22:00", by the clock in `zone`. now: an aware time. Of a wall time
    that comes twice it is the first that is not past. Raises `InputError`, also for a date and time in the past.

    >>> from zoneinfo import ZoneInfo
    >>> now = datetime(2026, 11, 25, 22, 30, tzinfo=UTC)
    >>> f"{at_time('22:00', now, ZoneInfo('Europe/Berlin')):%Y-%m-%d %H:%M}"
    '2026-11-26 21:00'
    """
    if re.fullmatch(_TIME, text):
        today = now.astimezone(zone).date()
        walls = [datetime.combine(today + day * _DAY, time.fromisoformat(text)) for day in range(4)]
    else:
        walls = [_dated(text)]
    coming = [at for wall in walls for at in moments(wall, zone) if at >= now]
    if not coming:
        raise InputError(f"{text} is past, it is {now.astimezone(zone):%Y-%m-%d %H:%M} now", "give a time to come")
    return min(coming)


def _dated(text: str) -> datetime:
    try:
        if re.fullmatch(f"20[0-9]{{2}}-[0-9]{{2}}-[0-9]{{2}}[ T]{_TIME}", text):
            return datetime.fromisoformat(text)
    except ValueError:  # 31 November
        raise InputError(f'"{text}" is not a day of the calendar', "give a date that there is") from None
    raise InputError(
        f'"{text}" is not a time to start at', 'give a time of day such as 22:00, or a date too: "2026-11-25 22:00"'
    )


def moments(wall: datetime, zone: tzinfo) -> tuple[datetime, ...]:
    """When the clock in `zone` shows the wall time (without a zone): one or two instants in UTC, in their order.

    One that the clock jumps over is the moment of the jump.
    """
    before, after = (wall.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    if after < before:
        return (_jump(after, before, zone),)
    return (before,) if before == after else (before, after)


def _jump(early: datetime, late: datetime, zone: tzinfo) -> datetime:
    """The first instant after `early` with the offset of `late`, to the second. Both in UTC, one jump between them."""
    offset = late.astimezone(zone).utcoffset()
    while late - early > timedelta(seconds=1):
        middle = early + timedelta(seconds=(late - early) // timedelta(seconds=2))
        if middle.astimezone(zone).utcoffset() == offset:
            late = middle
        else:
            early = middle
    return late


def clock_words(when: datetime | str, now: datetime) -> str:
    """A local time for a person: `22:00`, with the day when it is not near.

    >>> now = datetime.fromisoformat("2026-11-25T18:00:00+01:00")
    >>> clock_words("2026-11-26T02:30:00+01:00", now), clock_words("2026-11-27T22:00:00+01:00", now)
    ('02:30', 'Fri 27 Nov 22:00')
    """
    at = datetime.fromisoformat(when) if isinstance(when, str) else when
    # Two times of one zone would be subtracted as the hands show, not as time passes.
    near = abs((at.astimezone(UTC) - now.astimezone(UTC)).total_seconds()) < NEAR_S
    return f"{at:%H:%M}" if near else f"{at:%a %d %b %H:%M}"
