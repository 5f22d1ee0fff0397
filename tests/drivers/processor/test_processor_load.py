"""The processor load on a folder that looks like sysfs, with real workers."""

from __future__ import annotations

import math
import os
import re
import signal
import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import psutil
import pytest
from pydantic import ValidationError

from benchd.errors import LinkLost, SettingRefused
from benchd.instruments import Answer, SampleFlag, Setup
from drivers.processor.driver import ProcessorLoad, ProcessorLoadSpec, attached
from sim.wires.base import WIRE_FAULTS, Device, Wire
from sim.wires.loop_thread import loop_thread
from sim.wires.sysfs import SysfsFolder

IDLE_W, UNLIMITED_W = 9.0, 250.0
CHANNELS = {
    "heat_w": {"source": "power"},
    "die_c": {"source": "temperature"},
    "clock_pct": {"source": "clock"},
    "throttled_s": {"source": "throttled"},
    "throttle_count": {"source": "throttle_count"},
}
READS = {
    "power": "package/power",
    "die": "coretemp/temp1",
    "clock": "package/clock",
    "throttled": "package/throttled",
}


@dataclass
class Processor:
    """A package that keeps its limit badly: 4 % above, and with lag. Without a limit of ours it idles."""

    gain: float = 1.04
    lag_s: float = 0.4
    limit_w: float = UNLIMITED_W
    told: list[float] = field(default_factory=list)
    _w: float = IDLE_W
    _at_s: float = field(default_factory=time.monotonic)

    def limit(self, watts: float) -> None:
        self.told.append(watts)
        self.limit_w = watts

    def power(self) -> float:
        now_s = time.monotonic()
        target_w = IDLE_W if self.limit_w >= UNLIMITED_W else self.gain * self.limit_w
        self._w = target_w + (self._w - target_w) * math.exp(-(now_s - self._at_s) / self.lag_s)
        self._at_s = now_s
        return self._w


@dataclass
class Worked:
    """A package that takes what the workers of this process really work: idle, and so many watts a busy processor."""

    watts_a_processor: float = 50.0
    _seen_s: float = 0.0
    _at_s: float = field(default_factory=time.monotonic)

    def power(self) -> float:
        now_s, busy_s = time.monotonic(), max(self._seen_s, worked_s())
        share = (busy_s - self._seen_s) / max(now_s - self._at_s, 1e-6)
        self._seen_s, self._at_s = busy_s, now_s
        return IDLE_W + self.watts_a_processor * share


def workers() -> list[psutil.Process]:
    return [child for child in psutil.Process().children() if "spin.py" in " ".join(_line(child))]


def _line(process: psutil.Process) -> list[str]:
    try:
        return process.cmdline()
    except psutil.Error:
        return []


def worked_s() -> float:
    """Processor time of the workers [s]: /proc/PID/schedstat, its first number in ns."""
    total = 0.0
    for worker in workers():
        try:
            total += int(Path(f"/proc/{worker.pid}/schedstat").read_text().split()[0]) / 1e9
        except (OSError, IndexError):
            continue
    return total


@dataclass
class Served:
    folder: SysfsFolder
    wire: Wire
    values: dict[str, float]

    @property
    def roots(self) -> dict[str, str]:
        return {
            "powercap_root": str(self.folder.powercap),
            "cpu_root": str(self.folder.cpu),
            "hwmon_root": str(self.folder.hwmon),
        }


@contextmanager
def served(place: Path, power: Callable[[], float], limit: Callable[[float], None] | None, **keys) -> Iterator[Served]:
    wire = Wire("processor")
    values = {"die": 61.0, "clock": 75.0, "throttled": 3.0}
    reads = {name: lambda name=name: values[name] for name in values} | {"power": power}
    writes = {} if limit is None else {"limit": limit}
    places = {} if limit is None else {"limit": "package/power_limit"}
    with loop_thread() as run:
        folder = SysfsFolder(place, Device(reads, writes), wire, READS, places, refresh_s=0.01, **keys)
        run(folder.start())
        yield Served(folder, wire, values)
        run(folder.close())


@pytest.fixture
def processor() -> Processor:
    return Processor()


@pytest.fixture
def machine(tmp_path, processor) -> Iterator[Served]:
    with served(tmp_path / "sys", processor.power, processor.limit) as machine:
        yield machine


def spec(machine: Served, **keys) -> ProcessorLoadSpec:
    table = {"driver": "processor_load", "deadline_s": 0.9, "workers": 1, "channels": CHANNELS, **machine.roots}
    setpoints = {"heat_w": {"range": [0, 150], "safe": 0}}
    return ProcessorLoadSpec.model_validate(table | {"setpoints": setpoints} | keys)


@contextmanager
def driver(machine: Served, **keys) -> Iterator[ProcessorLoad]:
    made = ProcessorLoad(Setup("processor", spec(machine, **keys)))
    try:
        yield made
    finally:
        made.close()


@pytest.fixture
def opened(machine) -> Iterator[ProcessorLoad]:
    with driver(machine) as made:
        made.open()
        yield made


def until(true: Callable[[], bool], within_s: float = 10.0) -> None:
    end_s = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end_s, "it did not come"
        time.sleep(0.02)


def watts_over(made: ProcessorLoad, seconds: int) -> list[Answer]:
    """Readings of so many seconds, one a second, each the mean of the last second or little more."""
    seen = []
    for _ in range(seconds):
        time.sleep(1.0)
        seen.append(made.read(0.0)["heat_w"])
    return seen


def limit_file(machine: Served) -> Path:
    return machine.folder.powercap / "intel-rapl:0" / "constraint_0_power_limit_uw"


def holds(path: Path) -> int:
    return int(path.read_text().split("\n")[0])


def test_every_quantity_comes_in_its_unit(opened):
    until(lambda: isinstance(opened.read(0.0)["heat_w"], float))
    answers = opened.read(0.0)
    assert answers["heat_w"] == pytest.approx(IDLE_W, rel=0.1)
    assert {name: answers[name] for name in answers if name != "heat_w"} == {
        "die_c": 61.0,
        "clock_pct": 75.0,
        "throttled_s": 3.0,
        "throttle_count": 1.0,
    }


def test_it_says_what_it_is(opened):
    assert opened.identify() == "package-0 with 2 processors, watts held by power limit; off"


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"chip": "tooth"}, "no temperature: there is no chip tooth in "),
        ({"temperature": "temp9"}, "no temperature: chip coretemp (coretemp.0) has no temp9, it has temp1"),
    ],
)
def test_it_says_that_its_temperature_is_not_there(machine, keys, words):
    with driver(machine, **keys) as made:
        made.open()
        assert words in made.identify()
        assert made.read(0.0)["die_c"] is SampleFlag.MISSING


def test_watts_are_held_within_2_pct_by_the_limit_though_it_is_4_pct_off(machine, opened):
    opened.write({"heat_w": 80.0})
    assert len(workers()) == 1

    def corrected() -> bool:
        opened.read(0.0)
        return holds(limit_file(machine)) < 77.3e6  # of 76.9, where it ends

    until(corrected, within_s=60.0)
    assert watts_over(opened, 4) == pytest.approx([80.0] * 4, rel=0.02)


def test_watts_are_held_within_2_pct_by_the_share_of_work_where_no_limit_can_be_set(tmp_path):
    """A closed loop with real workers: what they really work is what the package takes."""
    with (
        served(tmp_path, Worked().power, limit=None, cpus=1) as machine,
        driver(machine, nice=0) as made,
    ):
        made.open()
        assert "watts held by share of time at work" in made.identify()
        time.sleep(2.2)
        made.write({"heat_w": 25.0})
        seen = watts_over(made, 4)

        def held() -> bool:
            seen.extend(watts_over(made, 1))
            return abs(sum(seen[-4:]) / 4 - 25.0) <= 0.02 * 25.0

        until(held, within_s=90.0)


def test_the_setting_takes_the_limit_and_heat_off_gives_it_back(machine, processor, opened):
    before = holds(limit_file(machine))
    opened.write({"heat_w": 80.0})
    assert holds(limit_file(machine)) == 80_000_000
    until(lambda: processor.told[-1:] == [80.0])
    opened.write({"heat_w": 0.0})
    assert workers() == []
    assert holds(limit_file(machine)) == before


def test_the_safe_state_ends_the_workers_also_where_the_counter_has_gone(machine, opened):
    opened.write({"heat_w": 80.0})
    machine.wire.fault = "unplugged"
    until(lambda: not machine.folder.powercap.exists())
    with pytest.raises(LinkLost):
        opened.read(0.0)
    opened.make_safe({"heat_w": 0.0})
    assert workers() == []
    machine.wire.fault = None


def test_a_worker_that_dies_gets_a_successor(opened):
    opened.write({"heat_w": 80.0})
    (first,) = workers()
    first.kill()
    until(lambda: [it.pid for it in workers()] not in ([first.pid], []))


def test_heat_goes_off_when_nobody_reads(machine):
    with driver(machine, timeout_s=1.0) as made:
        made.open()
        made.write({"heat_w": 80.0})
        until(lambda: bool(workers()))
        until(lambda: not workers())
        with pytest.raises(LinkLost, match="nobody has said a word"):
            made.read(0.0)
        until(lambda: isinstance(made.read(0.0)["heat_w"], float))
        assert made.identify().endswith("off")


def test_reading_keeps_the_heat_on(machine):
    with driver(machine, timeout_s=1.0) as made:
        made.open()
        made.write({"heat_w": 80.0})
        for _ in range(25):
            made.read(0.0)
            time.sleep(0.1)
        assert len(workers()) == 1


def test_heat_goes_off_when_watts_cannot_be_measured(machine):
    with driver(machine) as made:
        made.open()
        made.write({"heat_w": 80.0})
        machine.wire.fault = "not_a_number"
        until(lambda: not workers())
        machine.wire.fault = None
        with pytest.raises(LinkLost, match=r"it has failed: .*energy_uj holds 'nan'"):
            made.read(0.0)


def test_workers_die_with_a_parent_that_is_killed(machine):
    program = """
import sys, time, tomllib
from benchd.instruments import Setup
from drivers.processor.driver import ProcessorLoad
made = ProcessorLoad(Setup("processor", ProcessorLoad.Spec.model_validate(tomllib.loads(sys.argv[1]))))
made.open()
made.write({"heat_w": 80.0})
print("heats", flush=True)
time.sleep(60)
"""
    roots = "\n".join(f"{key} = '{root}'" for key, root in machine.roots.items())
    table = f"driver = 'processor_load'\nworkers = 2\nsetpoints.heat_w = {{ range = [0, 150], safe = 0 }}\n{roots}"
    before = holds(limit_file(machine))
    with subprocess.Popen([sys.executable, "-c", program, table], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "heats\n"
        children = psutil.Process(process.pid).children()
        assert len(children) == 2
        process.send_signal(signal.SIGKILL)
        process.wait()
        gone, alive = psutil.wait_procs(children, timeout=5)
    assert (len(gone), alive) == (2, [])
    assert holds(limit_file(machine)) == 80_000_000
    with driver(machine) as made:
        made.open()
        assert holds(limit_file(machine)) == before
        assert "power limits were given back after a program that was killed" in made.identify()


def test_workers_rest_when_their_parent_hangs():
    program = Path(sys.modules["drivers.processor.driver"].__file__ or "").with_name("spin.py")
    with subprocess.Popen([sys.executable, "-I", "-S", str(program), "spin", "0"], stdin=subprocess.PIPE) as worker:
        assert worker.stdin is not None
        os.write(worker.stdin.fileno(), b"1.0\n")
        watched = psutil.Process(worker.pid)
        until(lambda: watched.cpu_times().user > 0.3)

        def rests() -> bool:
            before = watched.cpu_times().user
            time.sleep(0.3)
            return watched.cpu_times().user - before < 0.1

        until(rests)
        assert worker.poll() is None
        worker.stdin.close()
        assert worker.wait(5) == 0


@pytest.mark.parametrize("said", [b"nan\n", b"2\n", b"-1\n", b"full\n", b"0.9"])
def test_a_worker_that_is_told_nonsense_does_not_heat(said):
    program = Path(sys.modules["drivers.processor.driver"].__file__ or "").with_name("spin.py")
    with subprocess.Popen([sys.executable, "-I", "-S", str(program), "spin", "0"], stdin=subprocess.PIPE) as worker:
        assert worker.stdin is not None
        os.write(worker.stdin.fileno(), said)
        time.sleep(0.6)
        assert psutil.Process(worker.pid).cpu_times().user < 0.3
        worker.kill()


def test_matrices_heat_too(machine):
    with driver(machine, work="matrix") as made:
        made.open()
        made.write({"heat_w": 80.0})
        (worker,) = workers()
        until(lambda: worker.cpu_times().user > 0.5)
        assert worker.nice() == 10
        assert worker.num_threads() == 1


def test_of_each_call_no_thread_is_left(machine):
    before = threading.active_count()
    for _ in range(3):
        with driver(machine) as made:
            made.open()
            made.write({"heat_w": 80.0})
    assert threading.active_count() == before


@pytest.mark.parametrize("fault", WIRE_FAULTS)
def test_no_fault_of_the_wire_gives_wrong_watts_and_all_end(machine, opened, fault):
    until(lambda: isinstance(opened.read(0.0)["heat_w"], float))
    machine.wire.fault = fault
    for _ in range(30):
        time.sleep(0.02)
        try:
            answers = opened.read(0.0)
        except LinkLost:
            continue
        heat, die = answers["heat_w"], answers["die_c"]
        assert isinstance(heat, SampleFlag) or heat == pytest.approx(IDLE_W, rel=0.15)
        assert isinstance(die, SampleFlag) or die == 61.0
    machine.wire.fault = None

    def mended() -> bool:
        try:
            return isinstance(opened.read(0.0)["heat_w"], float)
        except LinkLost:
            return False

    until(mended)


def test_a_limit_that_the_firmware_has_locked_leaves_the_share_of_work(machine, monkeypatch):
    plain = os.write

    def write(descriptor: int, data: bytes) -> int:
        if re.search(r"constraint_\d_power_limit_uw$", os.readlink(f"/proc/self/fd/{descriptor}")):
            raise PermissionError(13, "Permission denied")
        return plain(descriptor, data)

    with driver(machine) as made:
        made.open()
        monkeypatch.setattr(os, "write", write)
        made.write({"heat_w": 80.0})
        assert len(workers()) == 1
        assert "Permission denied" in made.identify()


def test_a_zone_that_is_there_twice_is_the_one_without_mmio(machine):
    second = machine.folder.powercap / "intel-rapl-mmio:0"
    second.mkdir()
    for name, text in {"name": "package-0", "energy_uj": "5", "max_energy_range_uj": "100"}.items():
        (second / name).write_text(f"{text}\n")
    with driver(machine) as made:
        made.open()
        assert made.identify().startswith("package-0 with")
    with driver(machine, zone="intel-rapl-mmio:0") as made:
        made.open()
        assert "share of time at work" in made.identify()


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"package": 1}, "no power zone package-1(?s:.*)there are: package-0"),
        ({"package": 1, "zone": "package-0"}, "no processor of package 1"),
        ({"powercap_root": "/nowhere"}, "no power zone package-0 in /nowhere"),
    ],
)
def test_what_is_not_there_is_said_with_what_is(machine, keys, words):
    with driver(machine, **keys) as made, pytest.raises(LinkLost, match=words):
        made.open()


def test_without_the_right_to_the_counter_a_rule_is_named(machine, monkeypatch):
    """Since 2020 the kernel lets only root read it."""
    plain = os.open

    def guarded(path, flags, *more, **keys) -> int:
        if str(path).endswith("energy_uj") and not flags & os.O_WRONLY:
            raise PermissionError(13, "Permission denied")
        return plain(path, flags, *more, **keys)

    (machine.folder.powercap / "intel-rapl:0" / "energy_uj").chmod(0o400)
    monkeypatch.setattr(os, "open", guarded)
    words = r"cannot read .*energy_uj: Permission denied(?s:.*)SUBSYSTEM==\"powercap\".*energy_uj; chmod g\+r"
    with driver(machine) as made, pytest.raises(LinkLost, match=words):
        made.open()


def test_it_warns_that_the_heated_computer_runs_the_bench(machine):
    (caution,) = spec(machine).cautions()
    assert "also runs the bench" in caution
    assert "drivers.load_agent" in caution


def test_what_is_found_can_be_pasted(machine):
    (found,) = attached(machine.folder.powercap)
    assert found.what == "power zone package-0 (intel-rapl:0)"
    table = tomllib.loads(found.stanza)["instruments"]["processor"]
    made = ProcessorLoad(Setup("pasted", ProcessorLoadSpec.model_validate(table | machine.roots)))
    made.open()
    assert set(made.read(0.0)) == {"heat_w", "die_c", "clock_pct", "throttled_s"}
    made.close()


def test_find_looks_at_this_machine_and_never_fails():
    assert all("[instruments." in one.stanza for one in ProcessorLoad.find())


@pytest.mark.parametrize("value", [-1.0, 150.5, math.nan, math.inf])
def test_nothing_runs_after_a_refusal(opened, value):
    with pytest.raises(SettingRefused, match="outside its range 0 to 150 W"):
        opened.write({"heat_w": value})
    assert workers() == []


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"channels": {"heat_c": {"source": "power"}}}, "unit of what it is here, W"),
        ({"setpoints": {"fan_pct": {"range": [0, 100], "safe": 0}}}, "W"),
        ({"timeout_s": 1.0, "deadline_s": 1.0}, "above deadline_s"),
        ({"temperature": "../temp1"}, "pattern"),
    ],
)
def test_mistakes_of_the_bench_file_are_refused(machine, keys, words):
    with pytest.raises(ValidationError, match=words):
        spec(machine, **keys)
