"""Quiet windows and the time of `--at`: by the clock on the wall, on ordinary nights and on those of its change.

The changes of clocks are those of the IANA time zone database (tz, version 2025b; hours copied from its zdump output).
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from benchd.errors import InputError
from benchd.running.windows import QuietWindow, Span, at_time, moments

BERLIN, NEW_YORK, LORD_HOWE = map(ZoneInfo, ("Europe/Berlin", "America/New_York", "Australia/Lord_Howe"))
SAO_PAULO, CASABLANCA, TOKYO = map(ZoneInfo, ("America/Sao_Paulo", "Africa/Casablanca", "Asia/Tokyo"))
ZONES = (BERLIN, NEW_YORK, LORD_HOWE, SAO_PAULO, CASABLANCA, TOKYO)
NIGHT = QuietWindow.parse("22:00-06:00")


def local(text: str, zone: ZoneInfo = BERLIN, fold: int = 0) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=zone, fold=fold)


def shown(span: Span | None, zone: ZoneInfo = BERLIN) -> tuple[str, str] | None:
    """Begin and end as the clock in the zone shows them."""
    return span and tuple(f"{at.astimezone(zone):%d %H:%M}" for at in (span.begins, span.ends))


# What is written


@pytest.mark.parametrize("text", ["22:00-06:00", "00:00-23:59", "13:00-15:30"])
def test_a_window_is_read_and_printed_alike(text) -> None:
    assert str(QuietWindow.parse(text)) == text


@pytest.mark.parametrize(
    "text",
    [
        "",
        "22:00",
        "22:00-",
        "22-06",
        "22:00-24:00",
        "22:60-06:00",
        "6:00-8:00",
        "22:00 - 06:00",
        "22:00-06:00\n",
        "٢٢:00-06:00",
    ],
)
def test_what_is_no_window_is_refused_with_an_example(text) -> None:
    with pytest.raises(InputError, match="is not a quiet window") as caught:
        QuietWindow.parse(text)
    assert "22:00-06:00" in caught.value.hint


def test_a_window_without_length_is_refused() -> None:
    with pytest.raises(InputError, match="ends as it begins"):
        QuietWindow.parse("22:00-22:00")


# Open or not


@pytest.mark.parametrize(
    ("now", "open_then", "next_then"),
    [
        ("2026-11-25 21:59", None, ("25 22:00", "26 06:00")),
        ("2026-11-25 22:00", ("25 22:00", "26 06:00"), ("26 22:00", "27 06:00")),
        ("2026-11-26 02:00", ("25 22:00", "26 06:00"), ("26 22:00", "27 06:00")),
        ("2026-11-26 06:00", None, ("26 22:00", "27 06:00")),
    ],
)
def test_over_midnight_from_its_opening_on_until_its_closing(now, open_then, next_then) -> None:
    assert shown(NIGHT.around(local(now), BERLIN)) == open_then
    assert shown(NIGHT.next_opening(local(now), BERLIN)) == next_then


def test_within_one_day() -> None:
    noon = QuietWindow.parse("12:00-14:00")
    assert shown(noon.around(local("2026-11-25 13:00"), BERLIN)) == ("25 12:00", "25 14:00")
    assert noon.around(local("2026-11-25 14:00"), BERLIN) is None
    assert shown(noon.next_opening(local("2026-11-25 11:59"), BERLIN)) == ("25 12:00", "25 14:00")


def test_what_is_left_of_a_window() -> None:
    span = NIGHT.around(local("2026-11-26 02:00"), BERLIN)
    assert [span.left_s(local(at)) / 3600 for at in ("2026-11-25 20:00", "2026-11-26 02:00", "2026-11-26 07:00")] == [
        8,
        4,
        0,
    ]


def test_now_may_be_of_any_zone() -> None:
    now = datetime(2026, 11, 25, 21, 30, tzinfo=UTC)
    assert NIGHT.around(now, BERLIN) == NIGHT.around(now.astimezone(TOKYO), BERLIN)
    assert NIGHT.around(now, TOKYO) is None


# The nights on which the clock is changed


@pytest.mark.parametrize(
    ("zone", "evening", "hours"),
    [
        (BERLIN, "2026-03-28", 7),
        (BERLIN, "2026-10-24", 9),
        (NEW_YORK, "2026-03-07", 7),
        (NEW_YORK, "2026-10-31", 9),
        (LORD_HOWE, "2026-10-03", 7.5),
        (LORD_HOWE, "2026-04-04", 8.5),
        (SAO_PAULO, "2018-11-03", 7),
        (SAO_PAULO, "2018-02-17", 9),
        (CASABLANCA, "2026-02-14", 9),
        (CASABLANCA, "2026-03-21", 7),
    ],
    ids=lambda value: getattr(value, "key", value),
)
def test_a_night_is_as_long_as_the_clock_says(zone, evening, hours) -> None:
    before = NIGHT.next_opening(local(f"{evening} 12:00", zone), zone)
    assert before.lasts_s / 3600 == hours
    for part in (0.01, 0.5, 0.99):
        assert NIGHT.around(before.begins + part * (before.ends - before.begins), zone) == before
    assert [at.astimezone(zone).time() for at in (before.begins, before.ends)] == [time(22), time(6)]
    after = NIGHT.next_opening(before.begins, zone)
    assert after.lasts_s / 3600 == 8


def test_in_a_year_two_nights_differ_and_none_where_the_clock_is_never_changed() -> None:
    def odd(zone: ZoneInfo) -> list[float]:
        at, found = local("2026-01-01 12:00", zone), []
        for _ in range(365):
            span = NIGHT.next_opening(at, zone)
            found.append(span.lasts_s / 3600)
            at = span.begins
        return [hours for hours in found if hours != 8]

    assert (odd(BERLIN), odd(LORD_HOWE), odd(TOKYO)) == ([7, 9], [8.5, 7.5], [])


def test_an_opening_that_the_clock_jumps_over_is_the_jump() -> None:
    early = QuietWindow.parse("02:30-06:00")
    span = early.next_opening(local("2026-03-28 12:00"), BERLIN)
    assert (shown(span), span.lasts_s) == (("29 03:00", "29 06:00"), 3 * 3600)
    midnight = QuietWindow.parse("00:00-06:00")
    assert shown(midnight.next_opening(local("2018-11-03 12:00", SAO_PAULO), SAO_PAULO), SAO_PAULO) == (
        "04 01:00",
        "04 06:00",
    )


def test_a_closing_that_the_clock_jumps_over_is_the_jump() -> None:
    span = QuietWindow.parse("22:00-02:30").next_opening(local("2026-03-28 12:00"), BERLIN)
    assert (shown(span), span.lasts_s) == (("28 22:00", "29 03:00"), 4 * 3600)


def test_a_window_that_the_clock_jumps_over_is_not_there_that_night() -> None:
    short = QuietWindow.parse("02:10-02:50")
    assert shown(short.next_opening(local("2026-03-28 12:00"), BERLIN)) == ("30 02:10", "30 02:50")


def test_an_hour_that_comes_twice_counts_when_it_first_comes() -> None:
    late = QuietWindow.parse("02:30-06:00").next_opening(local("2026-10-24 12:00"), BERLIN)
    assert (shown(late), late.lasts_s) == (("25 02:30", "25 06:00"), 4.5 * 3600)
    closing = QuietWindow.parse("22:00-02:30")
    assert closing.next_opening(local("2026-10-24 12:00"), BERLIN).lasts_s == 4.5 * 3600
    assert closing.around(local("2026-10-25 02:15", fold=0), BERLIN)
    assert closing.around(local("2026-10-25 02:15", fold=1), BERLIN) is None


def test_a_day_that_the_clock_jumps_over_whole() -> None:
    """Samoa went from the 29th to the 31st of December 2011."""
    apia = ZoneInfo("Pacific/Apia")
    (jump,) = moments(datetime(2011, 12, 30, 5), apia)
    assert jump == datetime(2011, 12, 30, 10, tzinfo=UTC)
    noon = QuietWindow.parse("12:00-14:00")
    assert shown(noon.next_opening(local("2011-12-29 13:00", apia), apia), apia) == ("31 12:00", "31 14:00")


minutes = st.integers(0, 24 * 60 - 1).map(lambda minute: time(minute // 60, minute % 60))
instants = st.datetimes(datetime(2017, 1, 1), datetime(2035, 12, 31), timezones=st.just(UTC))
windows = st.builds(QuietWindow, minutes, minutes).filter(lambda window: window.begins != window.ends)


@given(window=windows, now=instants, zone=st.sampled_from(ZONES))
@example(QuietWindow(time(2, 30), time(2, 10)), datetime(2026, 10, 25, 1, 20, tzinfo=UTC), BERLIN)
def test_every_window_found_is_right(window, now, zone) -> None:
    here, following = window.around(now, zone), window.next_opening(now, zone)
    assert here is None or here.begins <= now < here.ends <= following.begins
    assert now < following.begins < now + timedelta(days=2)
    assert QuietWindow.parse(str(window)) == window
    for span in (here, following):
        if span is None:
            continue
        assert window.around(span.begins, zone) == span
        assert window.around(span.ends - timedelta(seconds=1), zone) == span
        for at, wall in ((span.begins, window.begins), (span.ends, window.ends)):
            before = (at - timedelta(seconds=1)).astimezone(zone)
            hands = at.astimezone(zone)
            jumped = hands.replace(tzinfo=None) - before.replace(tzinfo=None) != timedelta(seconds=1)
            assert hands.time() == wall or jumped
        said = datetime.combine(date.min, window.ends) - datetime.combine(date.min, window.begins)
        differs_s = span.lasts_s - said.total_seconds() % 86400
        jump_inside = any(
            first.astimezone(zone).utcoffset() != second.astimezone(zone).utcoffset()
            for first, second in pairwise((span.begins - timedelta(hours=2), span.ends + timedelta(hours=2)))
        )
        assert differs_s == 0 or jump_inside
        assert abs(differs_s) <= 3600


@given(window=windows, now=instants, zone=st.sampled_from(ZONES))
def test_the_window_is_open_when_the_hands_say_so_on_days_without_a_change(window, now, zone) -> None:
    offsets = {(now + timedelta(hours=hour)).astimezone(zone).utcoffset() for hour in range(-30, 31, 6)}
    assume(len(offsets) == 1)
    hands = now.astimezone(zone).time()
    if window.begins < window.ends:
        said = window.begins <= hands < window.ends
    else:
        said = hands >= window.begins or hands < window.ends
    assert (window.around(now, zone) is not None) is said


# When to start

NOW = local("2026-11-25 18:00")


@pytest.mark.parametrize(
    ("text", "starts"),
    [
        ("22:00", "25 22:00"),
        ("18:00", "25 18:00"),
        ("17:59", "26 17:59"),
        ("2026-11-25 22:00", "25 22:00"),
        ("2026-11-27T05:30", "27 05:30"),
        ("2026-11-25 18:00", "25 18:00"),
    ],
)
def test_a_time_to_start_at(text, starts) -> None:
    at = at_time(text, NOW, BERLIN)
    assert (at.tzinfo, f"{at.astimezone(BERLIN):%d %H:%M}") == (UTC, starts)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("2026-11-25 17:59", "is past, it is 2026-11-25 18:00 now"),
        ("2026-11-31 22:00", "is not a day of the calendar"),
        ("tonight", "is not a time to start at"),
        ("24:00", "is not a time to start at"),
        ("2026-11-25", "is not a time to start at"),
        ("2026-11-25 22:00+01:00", "is not a time to start at"),
        ("0001-01-01 00:00", "is not a time to start at"),
    ],
)
def test_what_is_no_time_to_start_at(text, says) -> None:
    with pytest.raises(InputError, match=says.replace("+", r"\+")) as caught:
        at_time(text, NOW, BERLIN)
    assert caught.value.hint


def test_a_start_that_the_clock_jumps_over_is_at_the_jump() -> None:
    at = at_time("02:30", local("2026-03-28 20:00"), BERLIN)
    assert at == local("2026-03-29 03:00")
    assert at_time("2026-03-29 02:30", local("2026-03-28 20:00"), BERLIN) == at


@pytest.mark.parametrize("text", ["02:30", "2026-10-25 02:30"])
def test_a_start_that_comes_twice_is_the_next_of_the_two(text) -> None:
    first, second = moments(datetime(2026, 10, 25, 2, 30), BERLIN)
    assert second - first == timedelta(hours=1)
    assert at_time(text, first - timedelta(minutes=1), BERLIN) == first
    assert at_time(text, first + timedelta(minutes=1), BERLIN) == second


@given(wall=minutes, now=instants, zone=st.sampled_from(ZONES))
def test_a_time_of_day_is_found_within_a_day_and_shows_on_the_clock(wall, now, zone) -> None:
    at = at_time(f"{wall:%H:%M}", now, zone)
    assert now <= at <= now + timedelta(hours=25)
    hands, before = at.astimezone(zone), (at - timedelta(seconds=1)).astimezone(zone)
    assert hands.time() == wall or hands.utcoffset() != before.utcoffset()
