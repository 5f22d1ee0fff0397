"""The power of a processor package as the Linux kernel shows it: its energy counter, and its power limits.

Owns finding a package's zone by its name, watts from a counter that wraps, and taking and giving back its limits.
Standard: the kernel's Documentation/power/powercap/powercap.rst and Documentation/ABI/testing/sysfs-class-powercap.
Knows no load.
"""

from __future__ import annotations

import contextlib
import re
from collections import deque
from dataclasses import dataclass
from pathlib import Path

from benchd.errors import LinkLost, SettingRefused
from benchd.instruments import Answer, SampleFlag
from drivers.sysfs.former import Former, HeldByAnother
from drivers.sysfs.numbers import NoNumber, lost, need_right, read_number, read_text, write_checked

ROOT = "/sys/class/powercap"
#: A package that takes more than this has had its counter reset, or was asleep [W].
MOST_W = 2000.0
#: Readings further apart than this are not compared: at 200 W the counter may wrap in some 20 min [s].
LONGEST_GAP_S = 60.0
#: Readings nearer to each other than this are not kept: so the kept ones always reach back some seconds [s].
_APART_S, _KEPT = 0.01, 1000
#: A limit is kept in steps of an eighth of a watt, usually: common practice, no source [uW].
_LIMIT_STEPS_UW = 500_000
#: Constraints that hold a package; a peak limit of some machines is left alone.
_HOLDING = ("long_term", "short_term")


@dataclass(frozen=True)
class Zone:
    """One power zone, where it is at the moment."""

    folder: Path
    name: str

    @property
    def energy(self) -> Path:
        """The file of its energy counter [uJ]."""
        return self.folder / "energy_uj"

    def limits(self) -> list[Path]:
        """The files of its limits [uW] that hold it; none where it has none."""
        found = sorted(self.folder.glob("constraint_*_power_limit_uw"))
        return [path for path in found if _constraint(path) in _HOLDING]

    def lowest_limit_w(self) -> float:
        """The lowest limit that it takes [W], as far as it says one."""
        lowest = [path.with_name(path.name.replace("power_limit", "min_power")) for path in self.limits()]
        with contextlib.suppress(OSError, ValueError):
            return max(read_number(path) / 1e6 for path in lowest)
        return 0.0


def zones(root: Path) -> list[Zone]:
    """All zones with an energy counter below the root; none when there is no such folder."""
    found = []
    with contextlib.suppress(OSError):
        for folder in sorted(root.iterdir()):
            with contextlib.suppress(OSError):
                if (folder / "energy_uj").exists():
                    found.append(Zone(folder, read_text(folder / "name")))
    return found


def find_zone(root: Path, name: str, who: str) -> Zone:
    """The zone of that name, or in the folder of that name. Raises `LinkLost` unless there is exactly one.

    Some machines show a package a second time through its memory-mapped registers: that one is meant only when it is
    named by its folder.
    """
    all_ = zones(root)
    found = [zone for zone in all_ if zone.folder.name == name]
    found = found or [zone for zone in all_ if zone.name == name and "mmio" not in zone.folder.name]
    if len(found) == 1:
        return found[0]
    if found:
        folders = ", ".join(zone.folder.name for zone in found)
        raise LinkLost(f"{who}: {len(found)} power zones are called {name}", f"name its folder instead: {folders}")
    there = ", ".join(zone.name for zone in all_) or "none"
    raise LinkLost(
        f"{who}: there is no power zone {name} in {root}", f"there are: {there}; is powercap in this kernel?"
    )


def used_uj(before: int, after: int, range_uj: int) -> int:
    """Energy between two readings of a counter that wraps at its range at most once in between.

    >>> used_uj(100, 350, 1000), used_uj(900, 150, 1000)
    (250, 250)
    """
    return after - before if after >= before else after - before + range_uj


class EnergyMeter:
    """Mean watts from an energy counter. Each reading is told when it was made, by any steady clock.

    >>> meter = EnergyMeter(range_uj=100_000_000)
    >>> meter.add(0.0, 90_000_000), meter.add(1.0, 40_000_000)
    (None, 50.0)
    """

    def __init__(self, range_uj: int) -> None:
        self._range_uj = range_uj
        self._readings: deque[tuple[float, int]] = deque(maxlen=_KEPT)

    def add(self, t_s: float, counter_uj: int) -> float | None:
        """Take a reading made at t_s [s]; mean power since the one before [W], None when it cannot be told."""
        before = self._readings[-1] if self._readings else None
        if before is not None and t_s < before[0] + _APART_S:
            return None
        watts = None if before is None else self._between(before, (t_s, counter_uj))
        if watts is None:
            self._readings.clear()
        self._readings.append((t_s, counter_uj))
        return watts

    def mean_w(self, over_s: float, at_least_s: float | None = None) -> float | None:
        """Mean power [W] over the last over_s [s] or little more; None when the readings do not reach back so far.

        at_least_s [s]: so long is enough when they do not.
        """
        if not self._readings:
            return None
        last = self._readings[-1]
        first = next((one for one in reversed(self._readings) if last[0] - one[0] >= over_s), self._readings[0])
        enough_s = over_s if at_least_s is None else at_least_s
        return self._between(first, last) if last[0] - first[0] >= enough_s else None

    def _between(self, first: tuple[float, int], last: tuple[float, int]) -> float | None:
        span_s = last[0] - first[0]
        if not 0 < span_s <= LONGEST_GAP_S:
            return None
        watts = used_uj(first[1], last[1], self._range_uj) / 1e6 / span_s
        return watts if watts <= MOST_W else None


class PowerLimits:
    """The limits of one zone, taken at the first setting and given back at the end; `former` is their record."""

    def __init__(self, zone: Zone, former: Former, who: str) -> None:
        self._zone = zone
        self._former = former
        self._who = who
        self._files = zone.limits()

    def usable(self) -> bool:
        """Whether there are limits and this process may set them."""
        try:
            for path in self._files:
                need_right(path, self._who, writing=True)
        except LinkLost:
            return False
        return bool(self._files)

    def recover(self) -> bool:
        """Give back what a program that was killed had taken; False when there was nothing of that kind."""
        if self._former.values or not self._former.adopt():
            return False
        self.give_back()
        return True

    def set_w(self, watts: float) -> None:
        """Hold the package to so many watts. Raises `SettingRefused`; what another program has taken is left alone."""
        switch = self._zone.folder / "enabled"
        try:
            switched_off = switch.exists() and read_number(switch) == 0
            files = [switch, *self._files] if switched_off else self._files
            self._former.keep({path.name: read_number(path) for path in files})
        except HeldByAnother as error:
            raise SettingRefused(f"{self._who}: {error} has taken the power limits", "end that program first") from None
        except (OSError, NoNumber) as error:
            raise SettingRefused(
                f"{self._who}: the former power limits cannot be kept: {error}", "so they are not taken"
            ) from error
        for path in self._files:
            write_checked(path, round(1e6 * watts), self._who, _LIMIT_STEPS_UW)
        if switched_off:
            write_checked(switch, 1, self._who)

    def give_back(self) -> None:
        """Put back what stood there. Raises `SettingRefused`, and then the record stays."""
        for name, number in self._former.values.items():
            write_checked(self._zone.folder / name, number, self._who, _LIMIT_STEPS_UW if "limit" in name else 0)
        self._former.forget()

    def let_go(self) -> None:
        """Leave them to whoever opens them next."""
        self._former.let_go()


def read_energy(zone: Zone, who: str) -> int:
    """The energy counter [uJ]. Raises `LinkLost` with what to try when it cannot be read."""
    try:
        return read_number(zone.energy)
    except OSError as error:
        raise lost(who, zone.energy, error) from error
    except NoNumber as error:
        raise LinkLost(f"{who}: {error}", "is this really a power zone?") from error


def range_of(zone: Zone, who: str) -> int:
    """The range of the counter [uJ]. Raises `LinkLost`."""
    path = zone.folder / "max_energy_range_uj"
    try:
        range_uj = read_number(path)
    except OSError as error:
        raise lost(who, path, error) from error
    except NoNumber as error:
        raise LinkLost(f"{who}: {error}", "is this really a power zone?") from error
    if range_uj <= 0:
        raise LinkLost(f"{who}: {path} says {range_uj}, where a range is above 0", "is this really a power zone?")
    return range_uj


def as_answer(watts: float | None) -> Answer:
    """Watts as a channel gives them: missing when they cannot be told."""
    return SampleFlag.MISSING if watts is None else watts


def _constraint(path: Path) -> str:
    """What a constraint is called: its name, or after the kernel's usual order when it has none."""
    try:
        return read_text(path.with_name(path.name.replace("power_limit_uw", "name")))
    except OSError:
        number = int(re.findall(r"[0-9]+", path.name)[0])
        return _HOLDING[number] if number < len(_HOLDING) else ""
