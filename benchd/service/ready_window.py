"""Does the part of a run that needs a quiet room lie in its quiet window? Pure, on guesses of how long steps take.

Only the steps that are marked quiet must lie inside; what comes before and after them may run by day.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from benchd.protocol_file import AnyStep
from benchd.running.forecast import expectation_of
from benchd.running.windows import QuietWindow, clock_words
from benchd.service.ready_facts import Window


def quiet_window(
    left: Sequence[tuple[AnyStep, float]], quiet: str | None, starts: datetime | None, zone: ZoneInfo
) -> Window:
    """Whether the quiet steps among those left lie in the quiet window, with the hours on the clock.

    left: steps with the time each takes [s]. quiet: "HH:MM-HH:MM". starts: when the first begins; None: not known.
    Raises `InputError` for a window that is none.
    """
    if quiet is None:
        return Window(fits=None, words="no quiet window was given: what needs a quiet room begins at any hour")
    if starts is None:
        return Window(fits=None, words="not known while the start is not")
    expected = expectation_of(left)
    takes_s = expected.quiet_s
    if expected.quiet_from_s is None:
        return Window(fits=True, words="nothing that needs a quiet room is left")
    comes = starts.astimezone(UTC) + timedelta(seconds=expected.quiet_from_s)
    hours = QuietWindow.parse(quiet)
    open_then = hours.around(comes, zone) or hours.next_opening(comes, zone)
    begins = max(open_then.begins, comes)
    ends = begins + timedelta(seconds=takes_s)
    part = f"the quiet part takes about {_hours(takes_s)}"
    if ends > open_then.ends:
        room = f"{_hours(open_then.left_s(comes))} of {quiet} are left"
        return Window(fits=False, words=f"{part}, and {room}: the rest would wait for the next night")
    first, last, shut = (clock_words(at.astimezone(zone), starts) for at in (begins, ends, open_then.ends))
    return Window(fits=True, words=f"{part}, {first} to {last}; quiet until {shut}")


def _hours(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"{minutes // 60}:{minutes % 60:02d} h" if minutes >= 60 else f"{minutes} min"
