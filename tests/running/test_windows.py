"""Quiet windows and the time of --at: what the clock on the wall shows, also on the nights on which it is changed.

The dates of the changes are those of the IANA time zone database, which zoneinfo reads. What is computed is held
against a search minute by minute, which knows nothing of how it is computed.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.errors import InputError
from benchd.running.windows import QuietWindow, Span, at_time, moments

BERLIN = ZoneInfo("Europe/Berlin")
NIGHT = QuietWindow.parse("22:00-06:00")
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)


def at(text: str, zone: ZoneInfo = BERLIN) -> datetime:
    """A local time as an instant; for times that the clock shows once."""
    return datetime.fromisoformat(text).replace(tzinfo=zone).astimezone(UTC)


def shown(when: datetime, zone: ZoneInfo = BERLIN) -> str:
    return f"{when.astimezone(zone):%Y-%m-%d %H:%M}"


# Windows as they are typed


@pytest.mark.parametrize("text", ["22:00-06:00", "00:00-23:59", "13:30-15:00"])
def test_a_window_is_shown_as_it_is_typed(text) -> None:
    assert str(QuietWindow.parse(text)) == text


@pytest.mark.parametrize(
    "text",
    ["", "22:00", "22-06", "9:00-10:00", "24:00-06:00", "22:60-06:00", "22:00-06:00 ", "22:00-06:00\n", "22:00 06:00"],
)
def test_what_is_no_window_is_refused_with_an_example(text) -> None:
    with pytest.raises(InputError, match="is not a quiet window") as refused:
        QuietWindow.parse(text)
    assert "such as 22:00-06:00" in refused.value.hint


def test_a_window_may_not_end_as_it_begins() -> None:
    with pytest.raises(InputError, match='the quiet window "22:00-22:00" ends as it begins'):
        QuietWindow.parse("22:00-22:00")


# Ordinary nights


@pytest.mark.parametrize(
    ("now", "night"),
    [
        ("2026-11-25 21:59", None),
        ("2026-11-25 22:00", "2026-11-25 22:00"),
        ("2026-11-25 23:59", "2026-11-25 22:00"),
        ("2026-11-26 00:00", "2026-11-25 22:00"),
        ("2026-11-26 05:59", "2026-11-25 22:00"),
        ("2026-11-26 06:00", None),
    ],
)
def test_a_window_over_midnight_is_open_from_its_evening_to_its_morning(now, night) -> None:
    span = NIGHT.around(at(now), BERLIN)
    assert (span and shown(span.begins)) == night
    if span:
        assert shown(span.ends) == "2026-11-26 06:00"


def test_a_window_of_one_day() -> None:
    noon = QuietWindow.parse("13:00-15:00")
    assert noon.around(at("2026-11-25 14:59"), BERLIN) == Span(at("2026-11-25 13:00"), at("2026-11-25 15:00"))
    assert noon.around(at("2026-11-25 15:00"), BERLIN) is None
    assert noon.around(at("2026-11-25 23:00"), BERLIN) is None


@pytest.mark.parametrize(
    ("now", "opens"),
    [("25 21:59", "25 22:00"), ("25 22:00", "26 22:00"), ("26 03:00", "26 22:00"), ("26 06:00", "26 22:00")],
)
def test_the_next_opening_is_never_the_one_that_is_open(now, opens) -> None:
    assert shown(NIGHT.next_opening(at(f"2026-11-{now}"), BERLIN).begins) == f"2026-11-{opens}"


def test_spans_are_in_utc_and_tell_their_lengths() -> None:
    span = NIGHT.next_opening(at("2026-11-25 12:00"), BERLIN)
    assert (span.begins.tzinfo, span.ends.tzinfo) == (UTC, UTC)
    assert span.lasts_s == span.left_s(span.begins) == span.left_s(span.begins - HOUR) == 8 * 3600
    assert span.left_s(at("2026-11-26 05:15")) == 45 * 60
    assert span.left_s(span.ends) == span.left_s(span.ends + HOUR) == 0


# The nights on which the clock is changed

#: (zone, evening, hours that 22:00 to 06:00 has on that night)
CHANGES = [
    ("Europe/Berlin", "2026-03-28", 7.0),
    ("Europe/Berlin", "2026-10-24", 9.0),
    ("America/New_York", "2026-03-07", 7.0),
    ("America/New_York", "2026-10-31", 9.0),
    ("Australia/Lord_Howe", "2026-10-03", 7.5),
    ("Australia/Lord_Howe", "2026-04-04", 8.5),
    ("America/Santiago", "2026-09-05", 7.0),  # changes at midnight
    ("America/Santiago", "2026-04-04", 9.0),
]


@pytest.mark.parametrize(("name", "evening", "hours"), CHANGES)
def test_a_window_is_as_long_as_the_clock_says_on_that_night(name, evening, hours) -> None:
    zone = ZoneInfo(name)
    noon = at(f"{evening} 12:00", zone)
    nights = [NIGHT.next_opening(noon + n * DAY, zone) for n in (-1, 0, 1)]
    assert [span.lasts_s / 3600 for span in nights] == [8.0, hours, 8.0]
    assert shown(nights[1].begins, zone) == f"{evening} 22:00"
    assert shown(nights[1].ends, zone)[11:] == "06:00"
    before_closing = nights[1].ends - MINUTE
    assert NIGHT.around(before_closing, zone) == nights[1]
    assert nights[1].left_s(nights[1].begins + HOUR) == (hours - 1) * 3600


@pytest.mark.parametrize("name", ["Asia/Kolkata", "UTC"])
def test_where_the_clock_is_never_changed_every_night_has_its_eight_hours(name) -> None:
    zone = ZoneInfo(name)
    noon = at("2026-01-01 12:00", zone)
    assert {NIGHT.next_opening(noon + n * DAY, zone).lasts_s for n in range(365)} == {8 * 3600}


def test_berlin_has_one_short_and_one_long_night_a_year() -> None:
    lengths = [NIGHT.next_opening(at("2026-01-01 12:00") + n * DAY, BERLIN).lasts_s / 3600 for n in range(365)]
    assert (lengths.count(7), lengths.count(8), lengths.count(9)) == (1, 363, 1)


@pytest.mark.parametrize(
    ("text", "day", "begins", "lasts_min"),
    [
        # 02:00 becomes 03:00: what the clock jumps over is the moment of the jump.
        ("02:30-03:30", "2026-03-29", datetime(2026, 3, 29, 1, 0), 30),
        ("01:30-02:30", "2026-03-29", datetime(2026, 3, 29, 0, 30), 30),
        # 03:00 becomes 02:00: a time that comes twice is the first of the two.
        ("02:30-03:30", "2026-10-25", datetime(2026, 10, 25, 0, 30), 120),
        ("01:30-02:30", "2026-10-25", datetime(2026, 10, 24, 23, 30), 60),
        ("02:15-02:45", "2026-10-25", datetime(2026, 10, 25, 0, 15), 30),
    ],
)
def test_a_window_that_begins_or_ends_in_the_hour_of_the_change(text, day, begins, lasts_min) -> None:
    span = QuietWindow.parse(text).next_opening(at(f"{day} 00:00"), BERLIN)
    assert (span.begins, span.lasts_s / 60) == (begins.replace(tzinfo=UTC), lasts_min)


def test_when_its_hour_comes_again_a_window_does_not_open_again() -> None:
    again = datetime(2026, 10, 25, 1, 30, tzinfo=UTC)
    window = QuietWindow.parse("02:15-02:45")
    assert shown(again)[11:] == "02:30"
    assert window.around(again - HOUR, BERLIN) is not None
    assert window.around(again, BERLIN) is None


def test_a_night_without_its_window_is_passed_over() -> None:
    window = QuietWindow.parse("02:00-03:00")
    span = window.next_opening(at("2026-03-28 12:00"), BERLIN)
    assert (shown(span.begins), span.lasts_s) == ("2026-03-30 02:00", 3600)
    assert window.around(at("2026-03-29 03:00"), BERLIN) is None


# Any window, any zone, any time

ZONES = st.sampled_from(sorted({name for name, _, _ in CHANGES} | {"Asia/Kolkata"})).map(ZoneInfo)
TIMES = st.times().map(lambda one: one.replace(second=0, microsecond=0))
WINDOWS = st.tuples(TIMES, TIMES).filter(lambda pair: pair[0] != pair[1]).map(lambda pair: QuietWindow(*pair))
#: Half of them within two days of a change.
NOWS = st.datetimes(datetime(2026, 1, 1), datetime(2027, 12, 31)) | st.tuples(
    st.sampled_from([evening for _, evening, _ in CHANGES]), st.timedeltas(-DAY, 2 * DAY)
).map(lambda pair: datetime.fromisoformat(pair[0]) + pair[1])
NOWS = NOWS.map(lambda one: one.replace(microsecond=0, tzinfo=UTC))


def first_shown(wall: datetime, zone: ZoneInfo) -> datetime:
    """The first minute at which the clock shows a wall time or a later one, found by looking at every minute."""
    minute = wall.replace(tzinfo=UTC) - 15 * HOUR
    while minute.astimezone(zone).replace(tzinfo=None) < wall:
        minute += MINUTE
    return minute


def searched(window: QuietWindow, day: date, zone: ZoneInfo) -> tuple[datetime, datetime]:
    over_midnight = timedelta(days=window.ends < window.begins)
    opens, closes = datetime.combine(day, window.begins), datetime.combine(day + over_midnight, window.ends)
    return first_shown(opens, zone), first_shown(closes, zone)


@settings(max_examples=60)
@given(WINDOWS, NOWS, ZONES)
def test_the_window_that_is_open_is_the_one_that_a_search_finds(window, now, zone) -> None:
    today = now.astimezone(zone).date()
    nights = [searched(window, today + n * DAY, zone) for n in (-1, 0)]
    found = [Span(*night) for night in nights if night[0] <= now < night[1]]
    assert window.around(now, zone) == (found[0] if found else None)


@settings(max_examples=40)
@given(WINDOWS, NOWS, ZONES)
def test_the_next_opening_is_the_one_that_a_search_finds(window, now, zone) -> None:
    today = now.astimezone(zone).date()
    nights = [searched(window, today + n * DAY, zone) for n in (0, 1, 2)]
    assert window.next_opening(now, zone) == next(Span(*one) for one in nights if one[0] > now and one[0] < one[1])


@given(WINDOWS, NOWS, ZONES)
def test_openings_follow_each_other_and_never_overlap(window, now, zone) -> None:
    first = window.next_opening(now, zone)
    second = window.next_opening(first.begins, zone)
    assert now < first.begins < first.ends <= second.begins
    assert window.around(first.begins, zone) == first
    assert window.around(first.ends, zone) in (None, second)
    if first.begins - now > timedelta(seconds=1):
        assert window.next_opening(first.begins - timedelta(seconds=1), zone) == first


@given(WINDOWS, NOWS, ZONES, ZONES)
def test_it_does_not_matter_in_which_zone_now_is_written(window, now, zone, other) -> None:
    written = now.astimezone(other)
    assert window.around(written, zone) == window.around(now, zone)
    assert window.next_opening(written, zone) == window.next_opening(now, zone)
    assert at_time(str(window)[:5], written, zone) == at_time(str(window)[:5], now, zone)


# The time that --at names


@pytest.mark.parametrize(
    ("text", "now", "starts"),
    [
        ("22:00", "2026-11-25 21:59", "2026-11-25 22:00"),
        ("22:00", "2026-11-25 22:00", "2026-11-25 22:00"),
        ("22:00", "2026-11-25 22:01", "2026-11-26 22:00"),
        ("00:00", "2026-12-31 18:00", "2027-01-01 00:00"),
        ("2026-11-27 01:30", "2026-11-25 18:00", "2026-11-27 01:30"),
        ("2026-11-27T01:30", "2026-11-25 18:00", "2026-11-27 01:30"),
    ],
)
def test_a_time_to_start_at_is_the_next_such_on_the_clock(text, now, starts) -> None:
    found = at_time(text, at(now), BERLIN)
    assert (shown(found), found.tzinfo) == (starts, UTC)


@pytest.mark.parametrize(
    ("text", "now", "starts"),
    [
        # Jumped over: the moment of the jump.
        ("02:30", datetime(2026, 3, 28, 12, 0), datetime(2026, 3, 29, 1, 0)),
        ("2026-03-29 02:30", datetime(2026, 3, 28, 12, 0), datetime(2026, 3, 29, 1, 0)),
        # Twice: the first that is not past.
        ("02:30", datetime(2026, 10, 24, 12, 0), datetime(2026, 10, 25, 0, 30)),
        ("02:30", datetime(2026, 10, 25, 0, 31), datetime(2026, 10, 25, 1, 30)),
        ("2026-10-25 02:30", datetime(2026, 10, 25, 0, 31), datetime(2026, 10, 25, 1, 30)),
        ("02:30", datetime(2026, 10, 25, 1, 31), datetime(2026, 10, 26, 1, 30)),
    ],
)
def test_a_time_to_start_at_in_the_hour_of_the_change(text, now, starts) -> None:
    assert at_time(text, now.replace(tzinfo=UTC), BERLIN) == starts.replace(tzinfo=UTC)


def test_half_an_hour_is_jumped_over_on_lord_howe() -> None:
    zone = ZoneInfo("Australia/Lord_Howe")
    found = at_time("02:15", at("2026-10-03 18:00", zone), zone)
    assert (found, shown(found, zone)) == (datetime(2026, 10, 3, 15, 30, tzinfo=UTC), "2026-10-04 02:30")


@pytest.mark.parametrize(
    "text", ["", "tonight", "22", "9:00", "24:00", "2026-11-25", "2026-11-25  22:00", "26-11-25 22:00"]
)
def test_what_is_no_time_is_refused_with_an_example(text) -> None:
    with pytest.raises(InputError, match="is not a time to start at") as refused:
        at_time(text, at("2026-11-20 12:00"), BERLIN)
    assert '"2026-11-25 22:00"' in refused.value.hint


@pytest.mark.parametrize("text", ["2026-02-29 22:00", "2026-11-31T22:00", "2026-13-01 22:00"])
def test_a_day_that_there_is_not_is_refused(text) -> None:
    with pytest.raises(InputError, match="is not a day of the calendar"):
        at_time(text, at("2026-01-01 12:00"), BERLIN)


def test_a_date_in_the_past_is_refused_and_told_the_time() -> None:
    with pytest.raises(InputError, match="2026-11-25 21:59 is past, it is 2026-11-25 22:00 now"):
        at_time("2026-11-25 21:59", at("2026-11-25 22:00"), BERLIN)


@settings(max_examples=60)
@given(TIMES, NOWS, ZONES)
def test_no_earlier_minute_from_now_on_shows_the_time_named(wall, now, zone) -> None:
    found = at_time(f"{wall:%H:%M}", now, zone)
    minute = now + (-now.second % 60) * timedelta(seconds=1)
    while minute < found:
        assert minute.astimezone(zone).time() != wall
        minute += MINUTE
    just_before = (found - timedelta(seconds=1)).astimezone(zone).replace(tzinfo=None)
    assert now <= found <= now + 25 * HOUR
    assert just_before < datetime.combine(found.astimezone(zone).date(), wall) or found.astimezone(zone).time() == wall


@given(st.datetimes(datetime(2026, 1, 1), datetime(2027, 12, 31)), ZONES)
def test_the_moments_of_a_wall_time_are_all_that_show_it(wall, zone) -> None:
    wall = wall.replace(second=0, microsecond=0)
    found = moments(wall, zone)
    around = (wall.replace(tzinfo=UTC) + n * MINUTE for n in range(-14 * 60, 14 * 60))
    showing = tuple(one for one in around if one.astimezone(zone).replace(tzinfo=None) == wall)
    assert found == showing or (not showing and found == (first_shown(wall, zone),))


def test_a_wall_time_has_one_moment_or_two() -> None:
    twice = datetime(2026, 10, 25, 2, 30)
    assert moments(twice, BERLIN) == tuple(datetime(2026, 10, 25, hour, 30, tzinfo=UTC) for hour in (0, 1))
    assert moments(datetime.combine(date(2026, 3, 29), time(2, 30)), BERLIN) == (datetime(2026, 3, 29, 1, tzinfo=UTC),)
