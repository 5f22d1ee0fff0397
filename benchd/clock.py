"""The only place that asks for the time.

Two kinds of time must not be mixed up. Bench time is what samples, soaks and protocols count in: seconds since the
clock was made, and the three clocks differ in how it passes. Real time is what deadlines and communication time-outs
count in, and nothing here can speed it up: `real_s`.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Protocol

#: Whoever waits in this file says at least so often that it is still there [s of real time].
BEAT_S = 0.2

_beat: Callable[[], None] = lambda: None  # noqa: E731 - a function that does nothing


def on_beat(call: Callable[[], None]) -> None:
    """From now on `call` is made whenever this process waits for the time or for an instrument, and between.

    So a guard sees whether the loop that drives the bench makes progress. One process has one such loop.
    """
    global _beat
    _beat = call


def real_s() -> float:
    """Real monotonic time [s], for deadlines only; its zero means nothing."""
    return time.monotonic()


def wait_real(event: threading.Event, timeout_s: float) -> bool:
    """Wait for an event, at most timeout_s [s] of real time, and say whether it came."""
    due_s = time.monotonic() + timeout_s
    while True:
        _beat()
        left_s = due_s - time.monotonic()
        if event.wait(max(0.0, min(left_s, BEAT_S))):
            return True
        if left_s <= BEAT_S:
            return event.is_set()


def _sleep_until(due_s: float) -> None:
    _beat()
    while (left_s := due_s - time.monotonic()) > 0:
        time.sleep(min(left_s, BEAT_S))
        _beat()


def utc_now() -> datetime:
    """The wall clock now, in UTC, whatever bench time says."""
    return datetime.now(UTC)


class Clock(Protocol):
    """Bench time."""

    @property
    def virtual(self) -> bool:
        """Whether bench time passes without real time passing."""
        ...

    def now_s(self) -> float:
        """Bench time [s] since the clock was made; it never goes back."""
        ...

    def utc(self) -> datetime:
        """What a clock on the wall would show at this bench time. Unlike `now_s`, it may jump."""
        ...

    def wait_until(self, t_s: float) -> float:
        """Return when bench time t_s [s] has come, and the bench time [s] it then is: t_s, or later when late."""
        ...


class SystemClock:
    """Bench time is real time. Whoever comes late finds that time has gone on."""

    virtual = False

    def __init__(self) -> None:
        self._zero_s = time.monotonic()

    def now_s(self) -> float:
        return time.monotonic() - self._zero_s

    def utc(self) -> datetime:
        return utc_now()

    def wait_until(self, t_s: float) -> float:
        _sleep_until(self._zero_s + t_s)
        return max(self.now_s(), t_s)


class VirtualClock:
    """Bench time jumps to wherever it is waited for: a night in seconds, the same night every time."""

    virtual = True

    def __init__(self, started: datetime | None = None) -> None:
        self._started = started or utc_now()
        self._now_s = 0.0

    def now_s(self) -> float:
        return self._now_s

    def utc(self) -> datetime:
        return self._started + timedelta(seconds=self._now_s)

    def wait_until(self, t_s: float) -> float:
        self._now_s = max(self._now_s, t_s)
        return self._now_s


class PacedClock:
    """Bench time passes `speed` times as fast as real time, and only while it is waited for.

    While an instrument is being asked bench time stands still, so a tick that takes long comes late in real time but
    no bench second is skipped.
    """

    virtual = False

    def __init__(self, speed: float, started: datetime | None = None) -> None:
        if not speed > 0:
            raise ValueError(f"speed must be above 0, got {speed}")
        self._speed = speed
        self._started = started or utc_now()
        self._now_s = 0.0
        self._real_s = time.monotonic()

    def now_s(self) -> float:
        return self._now_s

    def utc(self) -> datetime:
        return self._started + timedelta(seconds=self._now_s)

    def wait_until(self, t_s: float) -> float:
        if t_s > self._now_s:
            due_s = self._real_s + (t_s - self._now_s) / self._speed
            _sleep_until(due_s)
            # A late tick starts the next interval when it ends: late, never skipping, never catching up in a burst.
            self._real_s = max(due_s, time.monotonic())
            self._now_s = t_s
        return self._now_s
