"""A folder that looks like what Linux shows of chips and processors: hwmon, powercap, cpufreq and throttling.

Owns which files there are, what stands in them, and what a program's writing means. It shows and takes a `Device`;
it knows no plant. After Documentation/hwmon/sysfs-interface.rst, Documentation/power/powercap/powercap.rst and
Documentation/admin-guide/thermal/intel_thermal_throttle.rst of the Linux kernel:

    class/hwmon/hwmonN/         name, device, tempN_input, fanN_input, powerN_input, pwmN, pwmN_enable
    class/powercap/intel-rapl:0 name, enabled, energy_uj, max_energy_range_uj, constraint_0_*, constraint_1_*
    devices/system/cpu/cpuN/    topology/, cpufreq/, thermal_throttle/

A place in it is said as `CHIP/temp1`, `CHIP/fan1`, `CHIP/power1`, `CHIP/pwm1`; `package/power` [W], which the energy
counter counts in real time; `package/power_limit` [W]; `package/throttled` [s]; `package/clock` [%].

Faults of a `Wire` that make sense here: `unplugged`: the module is unloaded, and comes back with other numbers of its
chips and its outputs in automatic mode; `no_answer`: empty files (a plain file cannot give EIO); `exception`: the files
of values have gone; `garbage`: noise in them; `not_a_number`: the word nan. The others leave it sound.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import re
import time
from collections.abc import Mapping
from pathlib import Path

from sim.sensors import Reading
from sim.wires.base import Device, Wire
from sim.wires.sysfs_files import EnergyCounter, FanOutput, NumberFile, ThrottleCounter

#: What is read: type of input -> counts per unit.
_COUNTS = {"temp": 1000.0, "fan": 1.0, "power": 1e6, "in": 1000.0, "curr": 1000.0, "humidity": 1000.0}
_READ = re.compile(
    r"(?!package/)[a-z][a-z0-9_]*/(temp|fan|power|in|curr|humidity)[0-9]+|package/(power|throttled|clock)"
)
_WRITE = re.compile(r"(?!package/)[a-z][a-z0-9_]*/pwm[0-9]+|package/power_limit")
#: Range of the energy counter [uJ]: 32 bits of 61.035 uJ, as on many processors; from memory.
ENERGY_RANGE_UJ = 262_143_328_850
_USUAL_LIMIT_W = 250.0
_MAX_KHZ = 4_000_000
#: What changes slowly is shown anew this often [s].
_VALUES_S = 0.1


class SysfsFolder:
    """A device as files below a folder, made by `start`, kept up to date until `close`.

    Raises ValueError for a place that there is not, or a name that the device does not have.

    Args:
        folder: where; made if need be [no unit]
        device: what is shown and taken [each its own]
        wire: what is wrong with it [no unit]
        reads: place by the name of a reading [no unit]
        writes: place by the name of a setting [no unit]
        devices: end of the `device` link by chip; CHIP.0 unless given [no unit]
        labels: what the kernel calls a reading, by its name [no unit]
        cpus: number of processors in the package [1]
        automatic_pct: where the board turns its fans by itself [%]
        energy_uj: where the energy counter starts [uJ]
        energy_range_uj: its range, above 0 [uJ]
        refresh_s: from one look to the next [s], above 0

    >>> import tempfile
    >>> async def shown(place):
    ...     folder = SysfsFolder(place, Device({"die": lambda: 61.25}), Wire("x"), reads={"die": "coretemp/temp1"})
    ...     await folder.start()
    ...     text = (folder.hwmon / "hwmon0" / "temp1_input").read_text()
    ...     await folder.close()
    ...     return text
    >>> with tempfile.TemporaryDirectory() as place:
    ...     asyncio.run(shown(Path(place)))
    '61250\\n'
    """

    def __init__(
        self,
        folder: Path,
        device: Device,
        wire: Wire,
        reads: Mapping[str, str],
        writes: Mapping[str, str] | None = None,
        *,
        devices: Mapping[str, str] | None = None,
        labels: Mapping[str, str] | None = None,
        cpus: int = 2,
        automatic_pct: float = 60.0,
        energy_uj: int = 0,
        energy_range_uj: int = ENERGY_RANGE_UJ,
        refresh_s: float = 0.02,
    ) -> None:
        self._folder = folder
        self._device = device
        self._wire = wire
        self._writes = dict(writes or {})
        self._devices = dict(devices or {})
        self._labels = dict(labels or {})
        self._cpus = cpus
        self._automatic_pct = automatic_pct
        self._refresh_s = refresh_s
        _known(reads, device.reads, _READ)
        _known(self._writes, device.writes, _WRITE)
        self._inputs = {name: place for name, place in reads.items() if not _of_package(place)}
        self._package = {place.split("/")[1]: name for name, place in reads.items() if _of_package(place)}
        self._limit = next((name for name, place in self._writes.items() if _of_package(place)), None)
        self._energy = EnergyCounter(energy_uj, energy_range_uj)
        self._throttled = ThrottleCounter()
        self._files: dict[str, NumberFile] = {}
        self._outputs: dict[str, FanOutput] = {}
        self._limits: list[NumberFile] = []
        self._task: asyncio.Task[None] | None = None
        self._there = True

    @property
    def hwmon(self) -> Path:
        """What stands for /sys/class/hwmon."""
        return self._folder / "class" / "hwmon"

    @property
    def powercap(self) -> Path:
        """What stands for /sys/class/powercap."""
        return self._folder / "class" / "powercap"

    @property
    def cpu(self) -> Path:
        """What stands for /sys/devices/system/cpu."""
        return self._folder / "devices" / "system" / "cpu"

    async def start(self) -> None:
        """Make the folder with all its files, and keep them up to date from now on."""
        chips = sorted(
            {place.split("/")[0] for place in (*self._inputs.values(), *self._writes.values())} - {"package"}
        )
        for number, chip in enumerate(chips):
            self._make_chip(self.hwmon / f"hwmon{number}", chip)
        if self._package or self._limit:
            self._make_package()
        self._look_at_values()
        self._task = asyncio.create_task(self._keep())

    async def close(self) -> None:
        """Leave the files as they are; may be called twice. Raises what ended the keeping up, if anything did."""
        task, self._task = self._task, None
        if task is not None:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task

    def _make_chip(self, folder: Path, chip: str) -> None:
        folder.mkdir(parents=True)
        NumberFile(folder / "name", chip)
        device = self._folder / "devices" / "platform" / self._devices.get(chip, f"{chip}.0")
        device.mkdir(parents=True, exist_ok=True)
        (folder / "device").symlink_to(device)
        for name, place in self._inputs.items():
            if place.startswith(f"{chip}/"):
                input_ = place.split("/")[1]
                self._files[name] = NumberFile(folder / f"{input_}_input", "0")
                if name in self._labels:
                    NumberFile(folder / f"{input_}_label", self._labels[name])
        for name, place in self._writes.items():
            if place.startswith(f"{chip}/"):
                output = FanOutput(folder, place.split("/")[1], self._automatic_pct)
                self._outputs[name] = output
                self._device.writes[name](output.pct)

    def _make_package(self) -> None:
        zone = self.powercap / "intel-rapl:0"
        fixed = {"name": "package-0", "enabled": "1", "max_energy_range_uj": str(self._energy.range_uj)}
        if self._limit is not None:
            fixed |= {"constraint_0_name": "long_term", "constraint_1_name": "short_term"}
            fixed |= {"constraint_0_time_window_us": "27983872", "constraint_1_time_window_us": "2440"}
            limit = str(round(1e6 * _USUAL_LIMIT_W))
            self._limits = [NumberFile(zone / f"constraint_{number}_power_limit_uw", limit) for number in (0, 1)]
        for name, text in fixed.items():
            NumberFile(zone / name, text)
        self._files["energy_uj"] = NumberFile(zone / "energy_uj", str(self._energy.counter_uj))
        for number in range(self._cpus):
            cpu = self.cpu / f"cpu{number}"
            NumberFile(cpu / "topology" / "physical_package_id", "0")
            NumberFile(cpu / "cpufreq" / "cpuinfo_max_freq", str(_MAX_KHZ))
            for name in ("cpufreq/scaling_cur_freq", *ThrottleCounter.FILES):
                self._files[f"{number}/{name}"] = NumberFile(cpu / name, "0")

    async def _keep(self) -> None:
        values_s = -math.inf
        while True:
            self._plug(self._wire.fault != "unplugged")
            if self._there:
                self._look_at_energy()
                self._look_at_writes()
            if self._there and time.monotonic() - values_s >= _VALUES_S:
                values_s = time.monotonic()
                self._look_at_values()
            await asyncio.sleep(self._refresh_s)

    def _look_at_writes(self) -> None:
        for name, output in self._outputs.items():
            pct = output.look()
            if pct is not None:
                with contextlib.suppress(ValueError):  # the device refuses: its fans stay as they are
                    self._device.writes[name](pct)
        written = {file: number for file in self._limits if (number := file.written()) is not None}
        for file, number in written.items():
            file.show(str(number))
        if written and self._limit is not None:
            watts = min(int(file.path.read_text()) for file in self._limits) / 1e6
            with contextlib.suppress(ValueError):
                self._device.writes[self._limit](watts)

    def _look_at_energy(self) -> None:
        if "power" in self._package:
            watts = self._device.reads[self._package["power"]]()
            self._energy.advance(watts)
            self._show("energy_uj", None if watts is None else float(self._energy.counter_uj))

    def _look_at_values(self) -> None:
        for name, place in self._inputs.items():
            reading = self._device.reads[name]()
            counts = _COUNTS[re.sub(r"[0-9]+", "", place.split("/")[1])]
            self._show(name, None if reading is None else reading * counts)
        clock = self._read_package("clock", 100.0)
        self._throttled.advance(self._read_package("throttled", 0.0))
        for number in range(self._cpus if self._package else 0):
            self._show(f"{number}/cpufreq/scaling_cur_freq", None if clock is None else clock / 100 * _MAX_KHZ)
            for name, count in zip(ThrottleCounter.FILES, self._throttled.counts, strict=True):
                self._show(f"{number}/{name}", float(count))

    def _read_package(self, what: str, otherwise: float) -> Reading:
        return self._device.reads[self._package[what]]() if what in self._package else otherwise

    def _show(self, name: str, counts: Reading) -> None:
        """Let a reading stand in its file, as the wire lets it through."""
        file = self._files[name]
        match self._wire.fault:
            case "exception":
                file.remove()
            case "garbage":
                file.show(self._wire.spoil(b"12345"))
            case "no_answer":
                file.show("")
            case "not_a_number":
                file.show("nan")
            case _ if counts is None:
                file.show("")
            case _:
                file.show("nan" if math.isnan(counts) else str(round(counts)))

    def _plug(self, plugged: bool) -> None:
        """Let the folder come and go. What comes back has other numbers, and is as after loading the module."""
        class_, away = self._folder / "class", self._folder / "unloaded"
        if plugged == self._there:
            return
        self._there = plugged
        if not plugged:
            class_.rename(away)
            return
        self._renumber(away / "hwmon")
        away.rename(class_)
        for name, output in self._outputs.items():
            output.reset()
            self._device.writes[name](output.pct)

    def _renumber(self, hwmon: Path) -> None:
        """Each chip gets the number of the next one, and the last one a number beyond."""
        moved: dict[Path, Path] = {}
        for folder in sorted(hwmon.glob("hwmon*"), key=_number, reverse=True):
            fresh = folder.with_name(f"hwmon{_number(folder) + 1}")
            folder.rename(fresh)
            moved[self.hwmon / folder.name] = self.hwmon / fresh.name
        files = [*self._files.values()]
        files += [file for output in self._outputs.values() for file in (output.duty, output.mode)]
        for file in files:
            file.path = moved.get(file.path.parent, file.path.parent) / file.path.name


def _number(folder: Path) -> int:
    return int(folder.name.removeprefix("hwmon"))


def _of_package(place: str) -> bool:
    return place.startswith("package/")


def _known(places: Mapping[str, str], names: Mapping[str, object], form: re.Pattern[str]) -> None:
    for name, place in places.items():
        if name not in names:
            raise ValueError(f"the device has no {name}; it has: {', '.join(names)}")
        if not form.fullmatch(place):
            raise ValueError(
                f"{name}: there is no place {place!r}; say CHIP/temp1, CHIP/pwm1, package/power or the like"
            )
