"""Windows and times of day as a search minute by minute finds them, which knows nothing of how they are computed.

Many of the times tried lie near a change of clocks; the dates are those of the IANA time zone database.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.running.windows import QuietWindow, Span, at_time, moments

MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)

#: Evenings before a change of clocks. In Santiago the clock jumps at midnight, on Lord Howe by half an hour.
EVENINGS = {
    "Europe/Berlin": ("2026-03-28", "2026-10-24"),
    "America/New_York": ("2026-03-07", "2026-10-31"),
    "Australia/Lord_Howe": ("2026-10-03", "2026-04-04"),
    "America/Santiago": ("2026-09-05", "2026-04-04"),
    "Asia/Kolkata": (),
}
ZONES = st.sampled_from(sorted(EVENINGS)).map(ZoneInfo)
TIMES = st.times().map(lambda one: one.replace(second=0, microsecond=0))
WINDOWS = st.tuples(TIMES, TIMES).filter(lambda pair: pair[0] != pair[1]).map(lambda pair: QuietWindow(*pair))
#: Many of them within two days of a change.
NOWS = st.datetimes(datetime(2026, 1, 1), datetime(2027, 12, 31)) | st.tuples(
    st.sampled_from(sorted({one for evenings in EVENINGS.values() for one in evenings})), st.timedeltas(-DAY, 2 * DAY)
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
