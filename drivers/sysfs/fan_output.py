"""One fan or pump output (pwmN) of a chip: taken at its first command, given back at the end.

Owns the order of things: what stood there is on the disk before manual mode is taken, a fan is set at once after it,
and the record goes when the former mode reads back. Standard: Documentation/hwmon/sysfs-interface.rst of the Linux
kernel, section PWM: pwmN from 0 to 255, 255 is 100 %; pwmN_enable 0: full speed, 1: manual, 2 and above: automatic.
"""

from __future__ import annotations

import contextlib
from pathlib import Path

from benchd.errors import SettingRefused
from drivers.sysfs.chips import Chip
from drivers.sysfs.former import Former, HeldByAnother
from drivers.sysfs.numbers import NoNumber, need_right, read_number, refused, write_checked, write_number

FULL_SPEED, MANUAL = 0, 1
MOST_COUNTS = 255


def counts_of(pct: float) -> int:
    """Per cent to the nearest count. Raises `ValueError` outside 0 to 100.

    >>> counts_of(0), counts_of(40), counts_of(100)
    (0, 102, 255)
    """
    if not 0 <= pct <= 100:
        raise ValueError(f"an output takes 0 to 100 %, not {pct:g}")
    return round(pct * MOST_COUNTS / 100)


class FanOutput:
    """Output `pwmN`; `former` is its record, `who` names it in messages."""

    def __init__(self, name: str, former: Former, who: str) -> None:
        self._name = name
        self._former = former
        self._who = who

    @property
    def taken(self) -> bool:
        """Whether there is something to give back."""
        return bool(self._former.values)

    def need_right(self, chip: Chip) -> None:
        """Raise `LinkLost` unless this process may set it. Changes nothing."""
        need_right(self._duty(chip), self._who, writing=True)
        if self._mode(chip).exists():
            need_right(self._mode(chip), self._who, writing=True)

    def recover(self, chip: Chip, least_pct: float) -> bool:
        """Give back what a program that was killed had taken; False when there was nothing of that kind."""
        if self.taken or not self._former.adopt():
            return False
        self.give_back(chip, least_pct)
        return True

    def command(self, chip: Chip, pct: float, tolerance_pct: float) -> None:
        """Turn it to so many per cent, and take it first if need be. Raises `SettingRefused`."""
        self._take(chip)
        self._set(chip, pct, tolerance_pct)

    def make_safe(self, chip: Chip, pct: float, tolerance_pct: float) -> None:
        """As `command`, but also without a record and whoever holds it; full speed if it takes nothing else.

        Raises `SettingRefused` when it takes neither.
        """
        with contextlib.suppress(SettingRefused):
            self._take(chip)
        try:
            self._set(chip, pct, tolerance_pct)
        except SettingRefused:
            with contextlib.suppress(OSError):
                write_number(self._mode(chip), FULL_SPEED)
            raise

    def give_back(self, chip: Chip, least_pct: float) -> None:
        """Put back the mode that stood there before it was taken. Raises `SettingRefused`, and then the record stays.

        A duty that somebody had set by hand is never put back below least_pct [%]: the block may still be hot.
        """
        former = self._former.values
        mode = former.get(self._mode(chip).name)
        if mode in (None, MANUAL) and self._name in former:
            write_checked(self._duty(chip), max(former[self._name], counts_of(least_pct)), self._who)
        if mode is not None:
            write_checked(self._mode(chip), mode, self._who)
        self._former.forget()

    def let_go(self) -> None:
        """Leave it to whoever opens it next."""
        self._former.let_go()

    def _take(self, chip: Chip) -> None:
        if not self.taken:
            self._keep(chip)

    def _keep(self, chip: Chip) -> None:
        files = [path for path in (self._mode(chip), self._duty(chip)) if path.exists()]
        try:
            self._former.keep({path.name: read_number(path) for path in files})
        except HeldByAnother as error:
            raise SettingRefused(
                f"{self._who}: {error} has taken this output", "end that program first, or is it another benchd?"
            ) from None
        except NoNumber as error:
            raise SettingRefused(f"{self._who}: {error}", "its former mode is unknown, so it is not taken") from None
        except OSError as error:
            raise SettingRefused(
                f"{self._who}: its former mode cannot be kept: {error}",
                "so it is not taken: mend the folder, or give another one as state_folder",
            ) from error

    def _set(self, chip: Chip, pct: float, tolerance_pct: float) -> None:
        """Manual mode anew each time: a sleep of the machine or the firmware may have ended it."""
        mode, duty = self._mode(chip), self._duty(chip)
        counts = counts_of(pct)
        if mode.exists():
            write_checked(mode, MANUAL, self._who)
        elif not duty.exists():
            raise refused(self._who, duty, FileNotFoundError(2, "there is no such output", str(duty)))
        write_checked(duty, counts, self._who, int(tolerance_pct * MOST_COUNTS / 100))

    def _duty(self, chip: Chip) -> Path:
        return chip.folder / self._name

    def _mode(self, chip: Chip) -> Path:
        return chip.folder / f"{self._name}_enable"
