"""Does the part of a run that needs a quiet room lie in its quiet window? Pure, on guesses of how long steps take.

Only the steps that are marked quiet must lie inside; what comes before and after them may run by day.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from benchd.protocol_file import AnyStep, Protocol, Soak
from benchd.running.forecast import guess_s, left_s, points_of
from benchd.running.schedule import Schedule, step_of
from benchd.running.windows import QuietWindow
from benchd.service.ready_facts import Window, clock_words


def left_by_step(
    protocol: Protocol, planned: Schedule, done: frozenset[str], took_s: Mapping[str, float]
) -> list[tuple[AnyStep, float]]:
    """The steps that are still to be played, in their order, with the bench time [s] that each will take.

    took_s [s]: how long finished stages took, by stage.
    """
    found = []
    for step in protocol.steps:
        stages = tuple(stage for stage in planned.stages if step_of(protocol, stage.key) is step)
        seconds = left_s(protocol, Schedule(stages, more_to_come=False), done, took_s)
        if planned.more_to_come and not stages and isinstance(step, Soak):
            seconds = points_of(step) * guess_s(step)
        if seconds:
            found.append((step, seconds))
    return found


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
    before_s, takes_s = _quiet_part(left)
    if not takes_s:
        return Window(fits=True, words="nothing that needs a quiet room is left")
    comes = starts.astimezone(UTC) + timedelta(seconds=before_s)
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


def _quiet_part(left: Sequence[tuple[AnyStep, float]]) -> tuple[float, float]:
    """How long it is until the first quiet step [s], and from there to the end of the last [s]; 0 without any."""
    marks = [index for index, (step, _) in enumerate(left) if step.quiet]
    if not marks:
        return 0.0, 0.0
    first, last = marks[0], marks[-1] + 1
    return sum(seconds for _, seconds in left[:first]), sum(seconds for _, seconds in left[first:last])


def _hours(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"{minutes // 60}:{minutes % 60:02d} h" if minutes >= 60 else f"{minutes} min"
