"""The load agent as a process of its own on a folder that looks like sysfs: its commands, its dead-man, its ends."""

from __future__ import annotations

import io
import json
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import psutil
import pytest

from benchd.errors import SettingRefused
from benchd.instruments import Setup
from drivers.load_agent import MOST_CLIENTS, address
from drivers.processor.agent import Agent
from drivers.processor.driver import ProcessorLoadSpec
from drivers.scpi.driver import Scpi
from sim.wires.base import Device, Wire
from sim.wires.loop_thread import loop_thread
from sim.wires.sysfs import SysfsFolder

AUTOMATIC = "5"
NO_NUMBER = "9.91E37"
READS = {
    "power": "package/power",
    "die": "coretemp/temp1",
    "clock": "package/clock",
    "throttled": "package/throttled",
    "fan": "board/fan1",
    "pump": "board/fan2",
}
ROOTS = {"hwmon": "class/hwmon", "powercap": "class/powercap", "cpu": "devices/system/cpu"}


@dataclass
class Machine:
    """The test computer: its package takes what its limit is while one of ours holds it, and idles otherwise."""

    limit_w: float = 250.0
    fan_pct: float = 60.0
    values: dict[str, float | None] = field(
        default_factory=lambda: {"die": 61.0, "clock": 75.0, "throttled": 3.0, "fan": 1190.0, "pump": 2400.0}
    )
    folder: Path = Path()
    wire: Wire = field(default_factory=lambda: Wire("machine"))

    def device(self) -> Device:
        def limit(watts: float) -> None:
            self.limit_w = watts

        def fans(pct: float) -> None:
            self.fan_pct = pct

        reads: dict[str, Callable[[], float | None]] = {
            name: lambda name=name: self.values[name] for name in self.values
        }
        reads["power"] = lambda: 9.0 if self.limit_w >= 250.0 else self.limit_w
        return Device(reads, {"limit": limit, "fans": fans})

    def mode(self) -> str:
        return next(self.folder.glob("class/hwmon/hwmon*/pwm1_enable")).read_text().strip()

    def options(self) -> list[str]:
        return [f"--{name}-root={self.folder / place}" for name, place in ROOTS.items()]


@pytest.fixture
def machine(tmp_path) -> Iterator[Machine]:
    machine = Machine(folder=tmp_path / "sys")
    writes = {"limit": "package/power_limit", "fans": "board/pwm1"}
    with loop_thread() as run:
        folder = SysfsFolder(machine.folder, machine.device(), machine.wire, READS, writes, refresh_s=0.01)
        run(folder.start())
        yield machine
        run(folder.close())


@dataclass
class Running:
    process: subprocess.Popen[str]
    port: int
    what: str

    def workers(self) -> list[psutil.Process]:
        return psutil.Process(self.process.pid).children()


@contextmanager
def agent(machine: Machine, *options: str) -> Iterator[Running]:
    command = [sys.executable, "-m", "drivers.load_agent", "--listen=127.0.0.1:0", "--workers=1", "--stop-at-eof"]
    command += [*machine.options(), "--fans=board", "--tach", "fan1", "fan2", "--timeout-s=30", *options]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        try:
            assert process.stdout is not None
            said = json.loads(process.stdout.readline())
            yield Running(process, said["port"], said["what"])
        finally:
            process.terminate()
            process.wait(10)


class Client:
    """Anyone who is connected and speaks SCPI."""

    def __init__(self, running: Running) -> None:
        self._socket = socket.create_connection(("127.0.0.1", running.port), timeout=10)
        self._lines = self._socket.makefile("rb")

    def say(self, *commands: str) -> None:
        self._socket.sendall("".join(f"{command}\n" for command in commands).encode("ascii"))

    def ask(self, query: str) -> str:
        self.say(query)
        return self._lines.readline().decode("ascii").strip()

    def is_cut_off(self) -> bool:
        """Whether the other side closes the connection; waits for it."""
        try:
            return self._lines.read(1) == b""
        except ConnectionError:
            return True

    def error(self) -> str:
        return self.ask("SYST:ERR?")

    def close(self) -> None:
        self._lines.close()
        self._socket.close()


@contextmanager
def client(running: Running) -> Iterator[Client]:
    made = Client(running)
    try:
        yield made
    finally:
        made.close()


@pytest.fixture
def running(machine) -> Iterator[Running]:
    with agent(machine) as running:
        yield running


def until(true: Callable[[], bool], within_s: float = 15.0) -> None:
    end_s = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end_s, "it did not come"
        time.sleep(0.02)


def heat(one: Client, watts: float = 80.0) -> None:
    one.say(f"POW {watts:g}", "OUTP ON")
    assert one.error() == '0,"No error"'


def test_it_shows_what_the_computer_measures(running):
    with client(running) as one:
        assert one.ask("*IDN?") == "benchd,load agent,0,1"
        until(lambda: one.ask("MEAS:POW?") != NO_NUMBER)
        assert float(one.ask("MEASURE:SCALAR:POWER:DC?")) == pytest.approx(9.0, rel=0.2)
        assert one.ask("MEAS:TEMP?;CLOC?;THR?;FAN?;THR:COUN?") == "61;75;3;1190,2400;1"
        assert one.ask("POW?;:OUTP?;:OUTP:PROT:TRIP?;:SYST:COMM:TIM?") == "0;0;0;30"


def test_what_has_no_value_is_the_number_for_none(machine, running):
    with client(running) as one:
        machine.values["die"] = None
        until(lambda: one.ask("MEAS:TEMP?") == NO_NUMBER)
        machine.wire.fault = "unplugged"
        until(lambda: one.ask("MEAS:POW?;FAN?") == f"{NO_NUMBER};{NO_NUMBER}")
        machine.wire.fault = None
        until(lambda: NO_NUMBER not in one.ask("MEAS:POW?;FAN?"))


def test_it_says_what_it_drives(running):
    assert "package-0 with 2 processors, watts held by power limit" in running.what
    assert "chip board (board.0)" in running.what


def test_watts_are_held_within_2_pct(machine, running):
    with client(running) as one:
        heat(one)
        assert len(running.workers()) == 1
        until(lambda: machine.limit_w == pytest.approx(80.0, rel=0.05))
        time.sleep(3)
        for _ in range(3):
            time.sleep(1)
            assert float(one.ask("MEAS:POW?")) == pytest.approx(80.0, rel=0.02)
        one.say("OUTP OFF")
        assert one.ask("OUTP?;:POW?") == "0;80"
        assert running.workers() == []
        until(lambda: machine.limit_w == 250.0)


#: What is said, and the number of the error that it leaves.
NONSENSE = [
    ("POW 100.5", "-222"),
    ("POW -1", "-222"),
    ("POW 5 V", "-131"),
    ("POW much", "-104"),
    ("POW", "-109"),
    ("SOUR:FAN 101", "-222"),
    ("SYST:COMM:TIM 0.5", "-222"),
    ("SYST:COMM:TIM 61", "-222"),
    ("VOLT 5", "-113"),
    ("POW NAN", "-222"),
    ("OUTP 2", "-224"),
    ("OUTP NAN", "-224"),
]


def test_what_makes_no_sense_changes_nothing(running):
    with client(running) as one:
        for command, error in NONSENSE:
            one.say(command)
            assert one.error().startswith(f"{error},"), command
            assert one.ask("POW?;:OUTP?;:SYST:COMM:TIM?") == "0;0;30", command
        assert running.workers() == []


def test_nobody_speaks_and_load_goes_off_and_fans_full(machine):
    with agent(machine, "--timeout-s=1") as running, client(running) as one:
        one.say("SOUR:FAN 20")
        heat(one)
        until(lambda: machine.fan_pct == pytest.approx(20.0, abs=0.3))
        until(lambda: not running.workers())
        until(lambda: machine.fan_pct == 100.0)
        until(lambda: one.ask("OUTP:PROT:TRIP?;:OUTP?;:POW?;:SOUR:FAN?") == "1;0;0;100")
        heat(one, 50.0)
        assert one.ask("OUTP:PROT:TRIP?;:OUTP?") == "0;1"


def test_fans_that_were_turned_down_are_turned_up_without_heat_too(machine):
    with agent(machine, "--timeout-s=1") as running, client(running) as one:
        one.say("SOUR:FAN 20")
        until(lambda: machine.fan_pct == pytest.approx(20.0, abs=0.3))
        until(lambda: machine.fan_pct == 100.0)


def test_words_keep_the_heat_on_but_nonsense_does_not(machine):
    with agent(machine, "--timeout-s=1.5") as running, client(running) as one:
        heat(one)
        for _ in range(30):
            one.ask("MEAS:POW?")
            time.sleep(0.1)
        assert len(running.workers()) == 1

        def goes_off() -> bool:
            one.say("WHAT")
            return not running.workers()

        until(goes_off)


def test_a_second_client_may_read_and_switch_off_but_not_heat(machine, running):
    with client(running) as one, client(running) as two:
        one.say("SOUR:FAN 40")
        heat(one)
        for command in ("POW 50", "OUTP ON", "SOUR:FAN 10", "SYST:COMM:TIM 60"):
            two.say(command)
            assert two.error() == '-221,"Settings conflict;another connection holds heat and fans"'
        assert one.error() == '0,"No error"', "errors of the one are not the other's"
        assert two.ask("POW?;:OUTP?") == "80;1"
        two.say("SOUR:FAN 100", "OUTP OFF")
        assert two.error() == '0,"No error"'
        assert one.ask("OUTP?") == "0"
        assert running.workers() == []
        until(lambda: machine.fan_pct == 100.0)


def test_who_only_watches_does_not_keep_the_heat_on(machine):
    with agent(machine, "--timeout-s=1.5") as running, client(running) as watches:
        with client(running) as one:
            heat(one)

        def goes_off() -> bool:
            watches.ask("MEAS:POW?")
            return not running.workers()

        until(goes_off)
        until(lambda: watches.ask("OUTP:PROT:TRIP?") == "1")


#: What a program says that looks and commands nothing, one in a connection of its own: at_open of a bench file first.
LOOKS = [["SYST:COMM:TIM 2", "MEAS:POW?"], ["SYST:COMM:TIM 60"], ["SOUR:FAN 100"], ["SOUR:FAN 30"], ["*IDN?"]]


@pytest.mark.parametrize("looks", LOOKS, ids=lambda looks: looks[0])
def test_who_opens_the_bench_again_and_again_does_not_keep_the_heat_on(machine, looks):
    with agent(machine, "--timeout-s=2") as running:
        with client(running) as one:
            one.say("SOUR:FAN 40")
            heat(one)

        def goes_off() -> bool:
            with client(running) as other:
                other.say(*looks)
                other.ask("OUTP?")
            time.sleep(0.1)
            return not running.workers()

        until(goes_off, within_s=6.0)
        until(lambda: machine.fan_pct == 100.0, within_s=2.0)


def test_who_switches_off_again_and_again_does_not_keep_the_fans_down(machine):
    with agent(machine, "--timeout-s=2") as running, client(running) as other:
        with client(running) as one:
            one.say("SOUR:FAN 20")
            assert one.error() == '0,"No error"'
        until(lambda: machine.fan_pct == pytest.approx(20.0, abs=0.3))

        def are_full() -> bool:
            other.say("OUTP OFF")
            return machine.fan_pct == 100.0

        until(are_full, within_s=6.0)


def test_fans_are_not_turned_down_on_top_of_heat_that_nobody_holds(machine, running):
    with client(running) as one:
        heat(one)
    with client(running) as other:
        other.say("SOUR:FAN 30")
        assert other.error().startswith('-221,"Settings conflict;it heats and nobody holds it')
        other.say("OUTP OFF", "SOUR:FAN 30")
        assert other.error() == '0,"No error"'
        until(lambda: machine.fan_pct == pytest.approx(30.0, abs=0.3))


def test_fans_that_are_full_again_and_heat_off_trip_nothing(machine):
    with agent(machine, "--timeout-s=1") as running, client(running) as one:
        one.say("SOUR:FAN 20")
        heat(one)
        one.say("OUTP OFF", "SOUR:FAN 100")
        time.sleep(2.5)
        assert one.ask("OUTP:PROT:TRIP?") == "0"


def test_who_is_silent_with_heat_off_holds_no_longer_than_the_time_out(machine):
    with agent(machine, "--timeout-s=1") as running, client(running) as silent, client(running) as other:
        heat(silent)
        silent.say("OUTP OFF")
        assert silent.ask("OUTP?") == "0"
        other.say("SYST:COMM:TIM 2")
        assert other.error().startswith("-221")

        def may() -> bool:
            other.say("SYST:COMM:TIM 2")
            return other.error().startswith("0,")

        until(may, within_s=3.0)
        heat(other, 30.0)
        silent.say("OUTP ON")
        assert silent.error().startswith("-221"), "it is the other's now"


def test_one_too_many_takes_the_place_of_whoever_was_silent_longest_and_holds_nothing(running):
    with ExitStack() as connected:
        holds, silent, *others = [connected.enter_context(client(running)) for _ in range(MOST_CLIENTS)]
        heat(holds)
        for one in (silent, *others):
            assert one.ask("OUTP?") == "1"
        late = connected.enter_context(client(running))
        late.say("OUTP OFF")
        assert late.ask("OUTP?") == "0"
        assert silent.is_cut_off()
        assert [one.ask("OUTP?") for one in (holds, *others)] == ["0"] * (MOST_CLIENTS - 1)


def test_a_peer_that_has_lost_its_supply_is_noticed(running):
    with client(running) as one:
        assert one.ask("*OPC?") == "1"
        here = f"0100007F:{running.port:04X}"
        # In /proc/net/tcp: number, here, there, state (01: connected), queues, timer (02: keep-alive) and its end.
        rows = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()]
        timers = [row[5].split(":")[0] for row in rows if row[1] == here and row[3] == "01"]
    assert timers == ["02"]


def test_heat_that_is_switched_on_while_it_trips_is_off_after_it(machine, monkeypatch):
    """The trip is told on standard error before it is carried out: there the other one speaks."""
    options = {f"{name}_root": str(machine.folder / place) for name, place in ROOTS.items()}
    spec = ProcessorLoadSpec.model_validate({"driver": "processor_load", "workers": 1, "timeout_s": 3.0, **options})
    made = Agent(spec, None, 100.0)
    said: list[str] = []

    class Told(io.StringIO):
        def write(self, text: str) -> int:
            if not said:
                said.append(made.commands_for("other").answer("POW 60;:OUTP ON;:OUTP?") or "")
            return len(text)

    monkeypatch.setattr(sys, "stderr", Told())
    try:
        made.commands_for("one").answer("SYST:COMM:TIM 1;:POW 80;:OUTP ON")
        asks = made.commands_for("watches")
        until(lambda: asks.answer("OUTP:PROT:TRIP?") == "1")
        assert said == ["1"]
        assert asks.answer("OUTP?") == "0"
        assert [child for child in psutil.Process().children() if "spin.py" in " ".join(child.cmdline())] == []
        until(lambda: machine.limit_w == 250.0)
    finally:
        made.close()


def test_who_comes_back_in_time_holds_the_heat_again(running):
    with client(running) as one:
        heat(one)
    with client(running) as again:
        until(lambda: again.ask("OUTP?") == "1")

        def taken() -> bool:
            again.say("POW 60")
            return again.error().startswith("0,")

        until(taken)
        assert again.ask("POW?;:OUTP?") == "60;1"


def test_an_ordinary_stop_with_clients_connected_prints_nothing(machine):
    with agent(machine) as running, client(running) as one, client(running) as two:
        assert one.ask("*OPC?") + two.ask("*OPC?") == "11"
        running.process.terminate()
        assert running.process.stderr is not None
        assert running.process.stderr.read() == ""


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_ends_load_and_gives_fans_and_limits_back(machine, number):
    with agent(machine) as running, client(running) as one:
        one.say("SOUR:FAN 20")
        heat(one)
        children = running.workers()
        until(lambda: machine.fan_pct == pytest.approx(20.0, abs=0.3))
        running.process.send_signal(number)
        assert running.process.wait(10) == -number
        assert all(not child.is_running() for child in children)
        until(lambda: machine.limit_w == 250.0)
        assert machine.mode() == AUTOMATIC


def test_it_ends_with_whoever_started_it(machine):
    with agent(machine) as running:
        assert running.process.stdin is not None
        running.process.stdin.close()
        assert running.process.wait(10) == 0


def test_after_a_sigkill_the_workers_are_gone_and_the_next_start_gives_back(machine):
    with agent(machine) as running, client(running) as one:
        one.say("SOUR:FAN 20")
        heat(one)
        children = running.workers()
        running.process.kill()
        running.process.wait(10)
        _, alive = psutil.wait_procs(children, timeout=5)
        assert alive == []
        assert machine.mode() == "1"
        until(lambda: machine.limit_w == 80.0)
    with agent(machine) as running:
        assert machine.mode() == AUTOMATIC
        until(lambda: machine.limit_w == 250.0)
        assert "given back after a program that was killed" in running.what


def test_a_failure_turns_load_off_and_fans_full(machine):
    with agent(machine) as running, client(running) as one:
        one.say("SOUR:FAN 20")
        heat(one)
        machine.wire.fault = "not_a_number"
        until(lambda: machine.fan_pct == 100.0)
        assert running.workers() == []
        until(lambda: one.ask("OUTP:PROT:TRIP?") == "1")


def test_without_fans_it_says_so(machine):
    command = [sys.executable, "-m", "drivers.load_agent", "--listen=127.0.0.1:0", *machine.options()]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        said = json.loads(process.stdout.readline())
        with client(Running(process, said["port"], said["what"])) as one:
            one.say("SOUR:FAN 20")
            assert one.error().startswith("-240,")
            assert one.ask("SOUR:FAN?;:MEAS:FAN?") == f"{NO_NUMBER};{NO_NUMBER}"
        process.terminate()


def started(*options: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "drivers.load_agent", "--stop-at-eof", *options]
    return subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=30, check=False)


def test_anything_but_loopback_is_warned_of(machine):
    quiet = started("--listen=127.0.0.1:0", *machine.options())
    loud = started("--listen=0.0.0.0:0", *machine.options())
    assert (quiet.returncode, quiet.stderr) == (0, "")
    assert loud.returncode == 0
    assert "without a password" in loud.stderr
    assert "trusted network only" in loud.stderr


@pytest.mark.parametrize(
    ("options", "status", "words"),
    [
        (["--listen=127.0.0.1:x"], 1, "is not HOST:PORT"),
        (["--timeout-s=0.1"], 2, "timeout_s: Input should be greater than or equal to 1"),
        (["--powercap-root=/nowhere"], 1, "no power zone package-0 in /nowhere"),
        (["--fans=nothing"], 1, "fans: there is no chip nothing"),
        (["--fans=board", "--tach=temp1"], 2, "load_agent: temp1_rpm does not name the unit"),
        (["--fans=board", "--pwm", "1", "1"], 2, "load_agent: setpoints.fan_pct: pwm names an output twice"),
        (["--temperature=coretemp/fan1"], 2, "load_agent: temperature: String should match"),
        (["--max-w=nan"], 2, "nan is no highest set point: above 0 and finite [W]"),
        (["--max-w=inf"], 2, "inf is no highest set point"),
        (["--max-w=-5"], 2, "-5 is no highest set point"),
        (["--max-w=much"], 2, "much is no highest set point"),
    ],
)
def test_what_is_wrong_is_said_without_a_traceback(machine, options, status, words):
    done = started("--listen=127.0.0.1:0", *machine.options(), *options)
    assert done.returncode == status
    assert words in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("temperature", "words"),
    [("tooth/temp1", "no chip tooth"), ("coretemp/temp9", "chip coretemp (coretemp.0) has no temp9")],
)
def test_a_temperature_that_is_not_there_is_said_at_the_start(machine, temperature, words):
    done = started("--listen=127.0.0.1:0", *machine.options(), f"--temperature={temperature}")
    assert done.returncode == 0
    assert words in json.loads(done.stdout)["what"]
    assert f"load_agent: warning: no temperature: {words}" in done.stderr.replace("there is ", "")


def test_a_port_that_is_taken_is_said(machine):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        done = started(f"--listen=127.0.0.1:{taken.getsockname()[1]}", *machine.options())
    assert done.returncode == 1
    assert "cannot listen on" in done.stderr


@pytest.mark.parametrize("text", ["", ":5", "host:", "host:99999", "host:-1", "host:\u0665"])
def test_what_is_no_address_is_refused(text):
    with pytest.raises(ValueError, match="HOST:PORT"):
        address(text)


def test_a_message_without_an_end_is_not_waited_for_for_ever(running):
    with client(running) as one, client(running) as two:
        one.say("X" * 100_000)
        assert one.is_cut_off()
        assert two.ask("*OPC?") == "1"


def test_the_driver_scpi_drives_it(machine, running):
    table = {
        "driver": "scpi",
        "host": "127.0.0.1",
        "port": running.port,
        "heats": "processor",
        "deadline_s": 5.0,
        "at_open": ["SYST:COMM:TIM 20"],
        "channels": {
            "heat_w": {},
            "die_c": {},
            "clock_pct": {"query": "MEAS:CLOC?"},
            "throttled_s": {"query": "MEAS:THR?"},
            "fan_rpm": {"query": "MEAS:FAN?", "field": 1},
            "pump_rpm": {"query": "MEAS:FAN?", "field": 2},
        },
        "setpoints": {
            "heat_w": {"range": [0, 100], "safe": 0},
            "fan_pct": {"command": "SOUR:FAN {value}", "range": [0, 100], "safe": 100},
        },
    }
    driver = Scpi(Setup("processor", Scpi.Spec.model_validate(table)))
    try:
        driver.open()
        assert "load agent" in driver.identify()
        until(lambda: isinstance(driver.read(0.0)["heat_w"], float))
        assert {name: value for name, value in driver.read(0.0).items() if name != "heat_w"} == {
            "die_c": 61.0,
            "clock_pct": 75.0,
            "throttled_s": 3.0,
            "fan_rpm": 1190.0,
            "pump_rpm": 2400.0,
        }
        driver.write({"fan_pct": 40.0})
        driver.write({"heat_w": 80.0})
        assert len(running.workers()) == 1
        until(lambda: driver.read(0.0)["heat_w"] == pytest.approx(80.0, rel=0.02))
        with client(running) as other:
            assert other.ask("SYST:COMM:TIM?") == "20"
            other.say("OUTP ON")
            assert other.error().startswith("-221")
        with pytest.raises(SettingRefused):
            driver.write({"heat_w": 100.5})
        driver.make_safe({"heat_w": 0.0, "fan_pct": 100.0})
        assert running.workers() == []
        until(lambda: machine.fan_pct == 100.0)
    finally:
        driver.close()
