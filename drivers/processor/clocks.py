"""One processor package as the Linux kernel shows it: which processors it has, clocks, throttling, temperature.

Standards: the kernel's Documentation/admin-guide/pm/cpufreq.rst (scaling_cur_freq, cpuinfo_max_freq, in kHz) and
Documentation/admin-guide/thermal/intel_thermal_throttle.rst (counts since the start of the machine, for each
processor). Knows no load and writes nothing.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from benchd.errors import LinkLost
from benchd.instruments import Answer, SampleFlag
from drivers.sysfs.chips import Chip, find_chip
from drivers.sysfs.numbers import read_answer, read_number

ROOT = "/sys/devices/system/cpu"


class Package:
    """One package. `root` is the folder of all processors, `number` the package's.

    Raises `LinkLost` when it has no processors.
    """

    def __init__(self, root: Path, number: int, who: str) -> None:
        self._folders = [folder for folder in _processors(root) if _package_of(folder) == number]
        if not self._folders:
            raise LinkLost(f"{who}: there is no processor of package {number} in {root}", "packages count from 0")

    @property
    def processors(self) -> Sequence[int]:
        """The numbers of its processors."""
        return [int(folder.name.removeprefix("cpu")) for folder in self._folders]

    def clock_pct(self) -> Answer:
        """Mean clock of its processors, each as a share of its highest [%]."""
        shares = []
        for folder in self._folders:
            now = read_answer(folder / "cpufreq" / "scaling_cur_freq")
            highest = read_answer(folder / "cpufreq" / "cpuinfo_max_freq")
            if isinstance(now, SampleFlag):
                return now
            if isinstance(highest, SampleFlag):
                return highest
            if highest <= 0:
                return SampleFlag.GARBLED
            shares.append(100 * now / highest)
        return sum(shares) / len(shares)

    def throttled_s(self) -> Answer:
        """How long it has throttled because of heat since the machine's start [s], whole package or one core."""
        return self._most("throttle_total_time_ms", 1e-3)

    def throttle_count(self) -> Answer:
        """How often that has begun [1]."""
        return self._most("throttle_count", 1.0)

    def _most(self, what: str, scale: float) -> Answer:
        names = [f"{level}_{what}" for level in ("package", "core")]
        answers = [read_answer(folder / "thermal_throttle" / name, scale) for folder in self._folders for name in names]
        values = [answer for answer in answers if not isinstance(answer, SampleFlag)]
        if SampleFlag.GARBLED in answers:
            return SampleFlag.GARBLED
        return max(values, default=SampleFlag.MISSING)


class Thermometer:
    """The package's temperature: an input of a chip. The chip is looked for at each reading, wherever it is then."""

    def __init__(self, root: Path, chip: str, device: str | None, input_: str, who: str) -> None:
        self._root = root
        self._chip = chip
        self._device = device
        self._input = input_
        self._who = who

    def read_c(self) -> Answer:
        """Its temperature [degC]."""
        try:
            return self._found().read(self._input)
        except LinkLost:
            return SampleFlag.MISSING

    @property
    def missing(self) -> str:
        """What of it is not there, for a person; empty when all of it is."""
        try:
            chip = self._found()
            inputs = chip.inputs()
        except LinkLost as error:
            return f"{error.message.removeprefix(f'{self._who}: ')}; {error.hint}"
        except OSError as error:  # it has gone meanwhile
            return f"chip {self._chip} cannot be read: {error.strerror}"
        has = ", ".join(inputs) or "nothing to read"
        return "" if self._input in inputs else f"chip {chip.words} has no {self._input}, it has {has}"

    def _found(self) -> Chip:
        return find_chip(self._root, self._chip, self._device, self._who)


def _processors(root: Path) -> Iterator[Path]:
    with contextlib.suppress(OSError):
        yield from sorted(
            (folder for folder in root.iterdir() if re.fullmatch(r"cpu[0-9]+", folder.name)),
            key=lambda folder: int(folder.name.removeprefix("cpu")),
        )


def _package_of(folder: Path) -> int | None:
    """The package of a processor; None when it is switched off, or in a machine that does not say."""
    try:
        return read_number(folder / "topology" / "physical_package_id")
    except (OSError, ValueError):
        return None
