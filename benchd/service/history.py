"""What each channel showed of late: a mean a minute, for the small lines of `status`. Bounded; nothing is stored."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from math import floor

from benchd.instruments import SampleFlag
from benchd.running.sampler import Sample

MINUTE_S = 60.0
MINUTES_KEPT = 32


class _Line:
    def __init__(self) -> None:
        self.past: deque[float | None] = deque(maxlen=MINUTES_KEPT)
        self.sum = 0.0
        self.count = 0

    @property
    def mean(self) -> float | None:
        return self.sum / self.count if self.count else None

    def next_minute(self, empty: int) -> None:
        self.past.append(self.mean)
        self.past.extend([None] * min(empty, MINUTES_KEPT))
        self.sum, self.count = 0.0, 0


class History:
    """Fed with every reading. Bench time that goes back begins a new history."""

    def __init__(self) -> None:
        self._minute: int | None = None
        self._lines: dict[str, _Line] = {}

    def take(self, t_s: float, samples: Iterable[Sample]) -> None:
        """The samples of one reading at bench time t_s [s]."""
        minute = floor(t_s / MINUTE_S)
        if self._minute is None or minute < self._minute:
            self._lines.clear()
        elif minute > self._minute:
            for line in self._lines.values():
                line.next_minute(minute - self._minute - 1)
        self._minute = minute
        for sample in samples:
            line = self._lines.setdefault(sample.channel, _Line())
            if sample.flag is SampleFlag.OK and sample.value is not None:
                line.sum += sample.value
                line.count += 1

    def of(self, channel: str) -> list[float | None]:
        """Means of the last minutes of a channel [its unit], oldest first, the present minute last."""
        line = self._lines.get(channel)
        return [] if line is None else [*line.past, line.mean][-MINUTES_KEPT:]
