"""The monitoring chips of this machine: which there are, what each offers, and one found by its name.

A chip is known by its `name` file and, where two share a name, by the end of its `device` link. The number in hwmonN
may be another one after each start of the machine and is never used. Standard: Documentation/hwmon/sysfs-interface.rst
of the Linux kernel. Knows no bench file and writes nothing.
"""

from __future__ import annotations

import contextlib
import re
from dataclasses import dataclass
from pathlib import Path

from benchd.errors import LinkLost
from benchd.instruments import Answer, SampleFlag
from drivers.sysfs.numbers import read_answer, read_number, read_text

ROOT = "/sys/class/hwmon"
#: What may be read: type -> (unit, by how much the number in its file is multiplied).
KINDS = {
    "temp": ("degC", 1e-3),
    "fan": ("1/min", 1.0),
    "pwm": ("%", 100 / 255),
    "in": ("V", 1e-3),
    "curr": ("A", 1e-3),
    "power": ("W", 1e-6),
    "humidity": ("%", 1e-3),
}
_INPUT = re.compile(r"(temp|fan|in|curr|power|humidity)[0-9]+_input|pwm[0-9]+")


@dataclass(frozen=True)
class Chip:
    """One chip, where it is at the moment."""

    folder: Path
    name: str
    device: str
    """End of its `device` link, empty when it has none."""

    @property
    def words(self) -> str:
        """The chip for a person."""
        return f"{self.name} ({self.device})" if self.device else self.name

    def inputs(self) -> list[str]:
        """What it offers to read: `temp1`, `fan2`, `pwm1`, in that order."""
        found = [path.name.removesuffix("_input") for path in self.folder.iterdir() if _INPUT.fullmatch(path.name)]
        return sorted(found, key=lambda name: (list(KINDS).index(kind_of(name)), number_of(name)))

    def label(self, name: str) -> str:
        """What the kernel calls an input, empty when it has no name for it."""
        try:
            return read_text(self.folder / f"{name}_label")
        except OSError:
            return ""

    def file(self, name: str) -> Path:
        """Where the number of an input stands."""
        return self.folder / (name if kind_of(name) == "pwm" else f"{name}_input")

    def read(self, name: str) -> Answer:
        """An input in its unit, or why there is no value; one that its chip declares faulty has none."""
        with contextlib.suppress(OSError, ValueError):
            if read_number(self.folder / f"{name}_fault") != 0:
                return SampleFlag.MISSING
        return read_answer(self.file(name), KINDS[kind_of(name)][1])


def kind_of(name: str) -> str:
    """The type of an input: `temp` of `temp1`."""
    return name.rstrip("0123456789")


def number_of(name: str) -> int:
    """The number of an input: 1 of `temp1`."""
    return int(name[len(kind_of(name)) :])


def chips(root: Path) -> list[Chip]:
    """All chips below the root, in the order of their names; none when there is no such folder."""
    found = []
    with contextlib.suppress(OSError):
        for folder in root.iterdir():
            with contextlib.suppress(OSError):
                found.append(Chip(folder, read_text(folder / "name"), _device(folder)))
    return sorted(found, key=lambda chip: (chip.name, chip.device))


def find_chip(root: Path, name: str, device: str | None, who: str) -> Chip:
    """The chip of that name, and of that device if one is given. Raises `LinkLost` unless there is exactly one."""
    all_ = chips(root)
    found = [chip for chip in all_ if chip.name == name and device in (None, chip.device)]
    if len(found) == 1:
        return found[0]
    wanted = f"{name} ({device})" if device else name
    if found:
        devices = ", ".join(chip.device or "without a device" for chip in found)
        raise LinkLost(f"{who}: {len(found)} chips are called {wanted}", f"say which one with device = ...: {devices}")
    there = ", ".join(chip.words for chip in all_) or "none"
    raise LinkLost(
        f"{who}: there is no chip {wanted} in {root}", f"there are: {there}; is the chip's kernel module loaded?"
    )


def still_there(chip: Chip) -> bool:
    """Whether its folder is still that chip's: after a loss the number may be another chip's."""
    try:
        return read_text(chip.folder / "name") == chip.name and _device(chip.folder) == chip.device
    except OSError:
        return False


def _device(folder: Path) -> str:
    link = folder / "device"
    return link.resolve().name if link.exists() else ""
