"""What single files of a simulated sysfs hold: a number shown and written, a fan output, counters that only go up.

Plain files are not sysfs. Each is rewritten in place, since a program may keep it open, with one write of all its bytes
and then cut: a reader that takes the first line finds a whole number, the old or the new one. What a program writes
is found when the file is looked at the next time. Which files there are is not known here.
"""

from __future__ import annotations

import contextlib
import math
import os
import re
import time
from pathlib import Path

from sim.sensors import Reading

FULL_SPEED, MANUAL, AUTOMATIC = 0, 1, 5


def number_written(text: str) -> int:
    """What the kernel makes of a number from 0 up that was written: strtoul, so that 0 stands for what is none.

    Args:
        text: as a program wrote it [no unit]

    >>> number_written("128\\n"), number_written("12 rpm"), number_written("full")
    (128, 12, 0)
    """
    found = re.match(r"\s*\+?([0-9]+)", text)
    return int(found[1]) if found else 0


class NumberFile:
    """One file; what stands in it, and whether a program has written into it since.

    Args:
        path: of the file [no unit]
        text: what stands in it at first [no unit]
    """

    def __init__(self, path: Path, text: str) -> None:
        self.path = path
        self._shown = b""
        path.parent.mkdir(parents=True, exist_ok=True)
        self.show(text)

    def show(self, text: str | bytes) -> None:
        """Let this stand in it, with an end of line unless it is nothing or noise.

        Args:
            text: what [no unit]
        """
        data = text if isinstance(text, bytes) else f"{text}\n".encode() if text else b""
        if data == self._shown and self.path.exists():
            return
        descriptor = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            os.pwrite(descriptor, data, 0)
            os.ftruncate(descriptor, len(data))
        finally:
            os.close(descriptor)
        self._shown = data

    def written(self) -> int | None:
        """The number that a program has written since the last look; None when none has, or is in the middle of it."""
        with contextlib.suppress(OSError):
            data = self.path.read_bytes()
            first = data.split(b"\n")[0] + b"\n"
            if data and first != self._shown:
                self._shown = first
                return number_written(first.decode("ascii", "replace"))
        return None

    def remove(self) -> None:
        """The file has gone."""
        self.path.unlink(missing_ok=True)


class FanOutput:
    """One fan output: its two files, and what they make of it. It begins in automatic mode.

    Args:
        folder: of its chip [no unit]
        name: such as pwm1 [no unit]
        automatic_pct: where the board turns it by itself [%], 0 to 100

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     output = FanOutput(Path(place), "pwm1", 60.0)
    ...     output.pct
    60.0
    """

    def __init__(self, folder: Path, name: str, automatic_pct: float) -> None:
        self.duty = NumberFile(folder / name, "0")
        self.mode = NumberFile(folder / f"{name}_enable", "0")
        self._automatic = round(255 * automatic_pct / 100)
        self._mode = AUTOMATIC
        self._counts = 0
        self.reset()

    def reset(self) -> None:
        """As after loading the module: automatic."""
        self._mode, self._counts = AUTOMATIC, self._automatic
        self._show()

    def look(self) -> float | None:
        """The duty that it has from now on [%], None when nothing has changed."""
        # The duty first: a program sets the mode before it, and a duty that was read is of the mode read after it.
        counts, mode = self.duty.written(), self.mode.written()
        if counts is None and mode is None:
            return None
        self._mode = self._mode if mode is None else mode
        if self._mode == MANUAL:
            self._counts = self._counts if counts is None else min(counts, 255)
        else:
            self._counts = 255 if self._mode == FULL_SPEED else self._automatic
        self._show()
        return self.pct

    @property
    def pct(self) -> float:
        """The duty that it has [%]."""
        return 100 * self._counts / 255

    def _show(self) -> None:
        self.duty.show(str(self._counts))
        self.mode.show(str(self._mode))


class EnergyCounter:
    """The energy counter, in real time; it starts anew at its range.

    Args:
        start_uj: what it shows at first [uJ], from 0 to below its range
        range_uj: its range [uJ], above 0

    >>> EnergyCounter(start_uj=5, range_uj=1000).counter_uj
    5
    """

    def __init__(self, start_uj: int, range_uj: int) -> None:
        if not 0 <= start_uj < range_uj:
            raise ValueError(f"the energy counter must start from 0 to below its range, {range_uj} uJ, got {start_uj}")
        self.range_uj = range_uj
        self._uj = float(start_uj)
        self._seen_s = time.monotonic()

    @property
    def counter_uj(self) -> int:
        """What the counter shows [uJ]."""
        return int(self._uj)

    def advance(self, watts: Reading) -> None:
        """Go on to now.

        Args:
            watts: the power since the last time [W]; None and NaN stand for none

        >>> counter = EnergyCounter(start_uj=5, range_uj=1000)
        >>> counter.advance(None)
        >>> counter.counter_uj
        5
        """
        now_s = time.monotonic()
        if watts is not None and math.isfinite(watts):
            self._uj = (self._uj + 1e6 * max(0.0, watts) * (now_s - self._seen_s)) % self.range_uj
        self._seen_s = now_s


class ThrottleCounter:
    """The counts of throttling: they go up only, and how often it began is counted as well."""

    FILES = ("thermal_throttle/package_throttle_count", "thermal_throttle/package_throttle_total_time_ms")

    def __init__(self) -> None:
        self._seen_s = 0.0
        self._total_s = 0.0
        self._times = 0
        self._throttling = False

    @property
    def counts(self) -> tuple[int, int]:
        """How often it began [1], how long it lasted altogether [ms]."""
        return self._times, round(1000 * self._total_s)

    def advance(self, throttled_s: Reading) -> None:
        """Go on to a count of the device, which may start anew.

        Args:
            throttled_s: how long it has throttled [s]

        >>> counter = ThrottleCounter()
        >>> for throttled_s in (1.0, 2.0, 2.0, 0.0, 3.0):
        ...     counter.advance(throttled_s)
        >>> counter.counts
        (2, 5000)
        """
        if throttled_s is None or math.isnan(throttled_s):
            return
        more_s = throttled_s - self._seen_s
        self._seen_s = throttled_s
        if more_s > 0:
            self._times += not self._throttling
            self._total_s += more_s
        self._throttling = more_s > 0
