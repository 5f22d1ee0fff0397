"""The folder that looks like sysfs: what a reader finds, what a writer reaches, how it comes and goes.

Forms of the files: Documentation/hwmon/sysfs-interface.rst and Documentation/power/powercap/powercap.rst of the Linux
kernel, the throttle counters Documentation/admin-guide/thermal/intel_thermal_throttle.rst.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.wires.base import Device, Wire
from sim.wires.loop_thread import loop_thread
from sim.wires.sysfs import SysfsFolder
from sim.wires.sysfs_files import AUTOMATIC, FULL_SPEED, MANUAL, EnergyCounter, NumberFile, number_written


@dataclass
class Rig:
    """Values that a test sets, and what it was told."""

    values: dict[str, float | None] = field(
        default_factory=lambda: {"die": 61.25, "fan": 1190.0, "heat": 100.0, "throttled": 0.0, "clock": 75.0}
    )
    told: dict[str, list[float]] = field(default_factory=lambda: {"fans": [], "limit": []})

    def device(self) -> Device:
        return Device(
            {name: lambda name=name: self.values[name] for name in self.values},
            {name: self.told[name].append for name in self.told},
        )


READS = {
    "die": "coretemp/temp1",
    "fan": "board/fan1",
    "heat": "package/power",
    "throttled": "package/throttled",
    "clock": "package/clock",
}
WRITES = {"fans": "board/pwm1", "limit": "package/power_limit"}


@contextmanager
def served(place: Path, rig: Rig, wire: Wire, **keys) -> Iterator[SysfsFolder]:
    with loop_thread() as run:
        folder = SysfsFolder(place, rig.device(), wire, READS, WRITES, refresh_s=0.01, **keys)
        run(folder.start())
        yield folder
        run(folder.close())


@pytest.fixture
def rig() -> Rig:
    return Rig()


@pytest.fixture
def wire() -> Wire:
    return Wire("sysfs")


@pytest.fixture
def folder(tmp_path, rig, wire) -> Iterator[SysfsFolder]:
    with served(tmp_path, rig, wire, labels={"die": "Package id 0"}) as folder:
        yield folder


def until(true: Callable[[], bool], within_s: float = 5.0) -> None:
    end_s = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end_s, "it did not come"
        time.sleep(0.005)


def chip(folder: SysfsFolder, name: str) -> Path:
    return next(path.parent for path in folder.hwmon.glob("hwmon*/name") if path.read_text() == f"{name}\n")


def text(path: Path) -> str:
    return path.read_text().split("\n")[0]


def test_values_stand_in_the_units_of_the_kernel(folder):
    core, board, cpu = chip(folder, "coretemp"), chip(folder, "board"), folder.cpu / "cpu1"
    assert text(core / "temp1_input") == "61250"
    assert text(core / "temp1_label") == "Package id 0"
    assert (core / "device").resolve().name == "coretemp.0"
    assert text(board / "fan1_input") == "1190"
    assert text(cpu / "cpufreq" / "scaling_cur_freq") == "3000000"
    assert text(cpu / "cpufreq" / "cpuinfo_max_freq") == "4000000"


def test_values_follow_in_the_same_file(folder, rig):
    with (chip(folder, "coretemp") / "temp1_input").open() as kept_open:
        assert kept_open.readline() == "61250\n"
        rig.values["die"] = 9.5

        def seen() -> bool:
            kept_open.seek(0)
            return kept_open.readline() == "9500\n"

        until(seen)


def test_a_reader_never_finds_less_than_a_whole_line(tmp_path):
    file = NumberFile(tmp_path / "temp1_input", "0")
    for number in (1, 100_000, 5, 99, 12_345_678, 0):
        file.show(str(number))
        assert (tmp_path / "temp1_input").read_text() == f"{number}\n"


def test_what_is_no_number_is_nan_and_what_is_not_there_is_empty(folder, rig):
    file = chip(folder, "coretemp") / "temp1_input"
    rig.values["die"] = math.nan
    until(lambda: file.read_text() == "nan\n")
    rig.values["die"] = None
    until(lambda: file.read_text() == "")


def test_energy_grows_with_power_in_real_time(folder):
    file = folder.powercap / "intel-rapl:0" / "energy_uj"
    before, at_s = int(text(file)), time.monotonic()
    time.sleep(0.5)
    watts = (int(text(file)) - before) / 1e6 / (time.monotonic() - at_s)
    assert watts == pytest.approx(100.0, rel=0.3)


def test_the_counter_wraps_at_its_range(tmp_path, rig, wire):
    with served(tmp_path, rig, wire, energy_uj=99_000_000, energy_range_uj=100_000_000) as folder:
        file = folder.powercap / "intel-rapl:0" / "energy_uj"
        until(lambda: int(text(file)) < 50_000_000)
        assert text(file.with_name("max_energy_range_uj")) == "100000000"


def test_a_counter_starts_below_its_range():
    with pytest.raises(ValueError, match="below its range"):
        EnergyCounter(100, 100)


def test_throttling_counts_how_often_and_how_long(folder, rig):
    count = folder.cpu / "cpu0" / "thermal_throttle" / "package_throttle_count"
    total = count.with_name("package_throttle_total_time_ms")
    rig.values["throttled"] = 2.0
    until(lambda: text(total) == "2000")
    time.sleep(0.3)
    rig.values["throttled"] = 0.0  # another mount: the kernel's counters never go back
    time.sleep(0.3)
    rig.values["throttled"] = 1.5
    until(lambda: text(total) == "3500")
    assert text(count) == "2"


def test_in_automatic_mode_the_board_turns_its_fans_and_undoes_what_is_written(folder, rig):
    board = chip(folder, "board")
    assert (text(board / "pwm1_enable"), text(board / "pwm1")) == (str(AUTOMATIC), "153")
    assert rig.told["fans"] == [pytest.approx(60.0)]
    (board / "pwm1").write_text("255\n")
    until(lambda: text(board / "pwm1") == "153")


def test_manual_mode_and_full_speed(folder, rig):
    board = chip(folder, "board")
    (board / "pwm1_enable").write_text(f"{MANUAL}\n")
    (board / "pwm1").write_text("51\n")
    until(lambda: rig.told["fans"][-1] == pytest.approx(20.0))
    (board / "pwm1_enable").write_text(f"{FULL_SPEED}\n")
    until(lambda: rig.told["fans"][-1] == pytest.approx(100.0))


def test_garbage_stops_a_fan_as_it_does_in_the_kernel(folder, rig):
    board = chip(folder, "board")
    (board / "pwm1_enable").write_text("1\n")
    (board / "pwm1").write_text("full\n")
    until(lambda: rig.told["fans"][-1] == 0.0)


@given(st.text(max_size=20))
def test_any_text_is_taken_as_a_number_from_0_up(written):
    assert number_written(written) >= 0


def test_the_lower_of_both_power_limits_reaches_the_device(folder, rig):
    zone = folder.powercap / "intel-rapl:0"
    (zone / "constraint_1_power_limit_uw").write_text("90000000\n")
    until(lambda: rig.told["limit"][-1:] == [90.0])
    (zone / "constraint_0_power_limit_uw").write_text("80500000\n")
    until(lambda: rig.told["limit"][-1:] == [80.5])


def test_a_refusal_of_the_device_does_not_end_the_folder(tmp_path, wire):
    def refuse(value: float) -> None:
        if value != pytest.approx(60.0):
            raise ValueError("never")

    device = Device({"die": lambda: 50.0}, {"fans": refuse})
    with loop_thread() as run:
        folder = SysfsFolder(tmp_path, device, wire, {"die": "coretemp/temp1"}, {"fans": "board/pwm1"})
        run(folder.start())
        (chip(folder, "board") / "pwm1_enable").write_text("0\n")
        until(lambda: text(chip(folder, "board") / "pwm1") == "255")
        run(folder.close())


@pytest.mark.parametrize(("fault", "found"), [("no_answer", ""), ("not_a_number", "nan\n"), ("late_answer", "61250\n")])
def test_faults_show_in_the_files_and_end(folder, wire, fault, found):
    file = chip(folder, "coretemp") / "temp1_input"
    wire.fault = fault
    until(lambda: file.read_text() == found)
    wire.fault = None
    until(lambda: file.read_text() == "61250\n")


def test_garbage_is_noise(folder, wire):
    file = chip(folder, "coretemp") / "temp1_input"
    wire.fault = "garbage"
    until(lambda: file.read_bytes() != b"61250\n")
    wire.fault = None
    until(lambda: file.read_bytes() == b"61250\n")


def test_an_exception_takes_the_values_away(folder, wire):
    file = chip(folder, "coretemp") / "temp1_input"
    wire.fault = "exception"
    until(lambda: not file.exists())
    wire.fault = None
    until(file.exists)


def test_unplugged_and_back_with_other_numbers_and_in_automatic_mode(folder, rig, wire):
    before = chip(folder, "board")
    (before / "pwm1_enable").write_text("1\n")
    (before / "pwm1").write_text("51\n")
    until(lambda: rig.told["fans"][-1] == pytest.approx(20.0))
    wire.fault = "unplugged"
    until(lambda: not folder.hwmon.exists() and not folder.powercap.exists())
    wire.fault = None
    until(folder.hwmon.exists)
    board = chip(folder, "board")
    assert board != before
    until(lambda: rig.told["fans"][-1] == pytest.approx(60.0))
    assert text(board / "pwm1_enable") == str(AUTOMATIC)
    rig.values["fan"] = 700.0
    until(lambda: text(board / "fan1_input") == "700")


@pytest.mark.parametrize(
    ("reads", "writes", "words"),
    [
        ({"die": "coretemp/pwm1"}, {}, "no place"),
        ({"die": "package/power_limit"}, {}, "no place"),
        ({"die": "package/temp1"}, {}, "no place"),
        ({"die": "../temp1"}, {}, "no place"),
        ({"dye": "coretemp/temp1"}, {}, "has no dye"),
        ({}, {"fans": "board/fan1"}, "no place"),
    ],
)
def test_places_that_there_are_not_are_refused(tmp_path, rig, wire, reads, writes, words):
    with pytest.raises(ValueError, match=words):
        SysfsFolder(tmp_path, rig.device(), wire, reads, writes)
