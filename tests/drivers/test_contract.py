"""What every driver promises, checked on each that is installed, the real ones on something that answers."""

import math
import tempfile
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from pydantic import ValidationError

from benchd.errors import SettingRefused
from benchd.instruments import (
    Instrument,
    InstrumentSpec,
    RunAbout,
    SampleFlag,
    Setup,
    driver_names,
    find_driver,
)
from sim.wires.base import Device, Wire
from sim.wires.loop_thread import loop_thread
from sim.wires.scpi_supply import served_supply
from sim.wires.serving import served
from sim.wires.station import Pace
from sim.wires.sysfs import SysfsFolder
from sim.wires.table import load_table, shipped
from sim.wires.text_line import TextDevice, TextLineServer


@contextmanager
def modbus_device():
    table = load_table(shipped("load")).with_free_ports()
    with tempfile.TemporaryDirectory() as place, served(table, Path(place), Pace(100.0)) as bench:
        yield {
            "host": "127.0.0.1",
            "port": bench.places.ports["load"],
            "timeout_register": 1,
            "timeout_s": 3,
            "channels": {
                "heat_w": {"register": 10, "table": "input", "type": "float32"},
                "set_w": {"register": 0, "scale": 0.1},
            },
            "setpoints": {"heat_w": {"register": 0, "scale": 0.1, "range": [0, 300], "safe": 0}},
        }


@contextmanager
def simulated_device():
    yield {
        "channels": {"heat_w": {"source": "heat"}, "die_c": {"source": "die"}},
        "setpoints": {"heat_w": {"target": "heat", "range": [0, 300], "safe": 0}},
    }


@contextmanager
def hwmon_device():
    device = Device({"fan": lambda: 1190.0}, {"fans": lambda _: None})
    with tempfile.TemporaryDirectory() as place, loop_thread() as run:
        folder = SysfsFolder(Path(place), device, Wire("board"), {"fan": "board/fan1"}, {"fans": "board/pwm1"})
        run(folder.start())
        yield {
            "chip": "board",
            "root": str(folder.hwmon),
            "channels": {"fan_pct": {"input": "pwm1"}, "fan_rpm": {"input": "fan1"}},
            "setpoints": {"fan_pct": {"pwm": 1, "range": [0, 100], "safe": 100}},
        }
        run(folder.close())


@contextmanager
def processor():
    """A package that takes what its limit is while one of ours holds it, and idles otherwise."""
    limit = {"w": 250.0}
    reads = {"power": lambda: 9.0 if limit["w"] >= 250.0 else limit["w"]}
    device = Device(reads, {"limit": lambda watts: limit.update(w=watts)})
    with tempfile.TemporaryDirectory() as place, loop_thread() as run:
        places = {"power": "package/power"}, {"limit": "package/power_limit"}
        folder = SysfsFolder(Path(place), device, Wire("processor"), *places)
        run(folder.start())
        yield {
            "powercap_root": str(folder.powercap),
            "cpu_root": str(folder.cpu),
            "hwmon_root": str(folder.hwmon),
            "workers": 1,
            "channels": {"heat_w": {"source": "power"}, "clock_pct": {"source": "clock"}},
            "setpoints": {"heat_w": {"range": [0, 300], "safe": 0}},
        }
        run(folder.close())


@contextmanager
def scpi_device():
    with served_supply() as supply:
        yield {
            "host": "127.0.0.1",
            "port": supply.port,
            "at_open": ["SYST:COMM:TIM 3"],
            "channels": {"heat_w": {}, "heat_v": {}, "heat_a": {}},
            "setpoints": {"heat_w": {"range": [0, 300], "safe": 0}},
        }


@contextmanager
def text_device():
    taken = {"fan": 100.0}
    reads = {"fan": lambda: taken["fan"], "speed": lambda: 12.0 * taken["fan"]}
    device = Device(reads, {"fan": lambda pct: taken.update(fan=pct)})
    text = TextDevice(
        device, "F={fan:.1f} N={speed:.0f}", ask="READ?", orders={"fan": "F (?P<value>[0-9.]+)"}, check="sum"
    )
    with loop_thread() as run:
        server = TextLineServer(text, Wire("fans"))
        yield {
            "host": "127.0.0.1",
            "port": run(server.start_tcp()),
            "checksum": "sum",
            "ask": "READ?",
            "pattern": "F=(?P<fan>[0-9]+[.][0-9]) N=(?P<speed>[0-9]+)",
            "channels": {"fan_pct": {"group": "fan"}, "fan_rpm": {"group": "speed"}},
            "setpoints": {"fan_pct": {"command": "F {value:.1f}", "accept": "OK", "range": [0, 100], "safe": 100}},
        }
        run(server.close())


#: A driver's own keys for a device whose first setpoint is a channel too, and the device, as long as it is asked for.
DEVICES = {
    "hwmon": hwmon_device,
    "modbus": modbus_device,
    "processor_load": processor,
    "scpi": scpi_device,
    "serial_line": text_device,
    "simulated": simulated_device,
}


@dataclass
class Case:
    driver: type[Instrument]
    table: dict

    @property
    def commanded(self) -> str:
        return next(iter(self.table["setpoints"]))

    def spec(self) -> InstrumentSpec:
        return self.driver.Spec.model_validate(self.table)

    def make(self) -> Instrument:
        return self.driver(Setup("under test", self.spec(), {}))


@pytest.fixture(scope="module", params=sorted(DEVICES))
def case(request):
    with DEVICES[request.param]() as keys:
        yield Case(find_driver(request.param), {"driver": request.param} | keys)


@pytest.fixture
def instrument(case):
    """Open, and with a specimen mounted, as in a run."""
    made = case.make()
    made.open()
    name, cooling = next(iter(made.specimens().items()), ("a real cooler", "liquid"))
    made.begin(RunAbout(name, cooling, seed=1))
    yield made
    made.close()


def test_every_installed_driver_is_under_contract():
    assert driver_names() == sorted(DEVICES)


def test_unknown_keys_are_refused(case):
    with pytest.raises(ValidationError, match="Extra inputs"):
        case.driver.Spec.model_validate(case.table | {"colour": "red"})


def test_the_table_comes_back_as_it_was_written(case):
    assert case.driver.Spec.model_validate(case.spec().model_dump()) == case.spec()


def test_it_tells_a_person_what_it_is(instrument):
    assert instrument.identify().strip()


def test_every_channel_is_a_number_or_a_flag(case, instrument):
    answers = instrument.read(0.0)
    assert set(answers) == set(case.table["channels"])
    for answer in answers.values():
        assert isinstance(answer, SampleFlag) or (isinstance(answer, float) and math.isfinite(answer))
    assert isinstance(answers[case.commanded], float)


def test_what_is_measured_follows_its_setpoint(case, instrument):
    instrument.write({case.commanded: 100.0})
    seen = [instrument.read(float(t_s))[case.commanded] for t_s in range(1, 2000)]
    assert max(seen) > 1


def test_the_safe_state_can_be_commanded_again_and_again(case, instrument):
    safe = {name: spec.safe for name, spec in case.spec().setpoints.items()}
    instrument.make_safe(safe)
    instrument.make_safe(safe)


@pytest.mark.parametrize("value", [-1.0, 300.5, math.nan, math.inf])
def test_what_lies_outside_the_range_is_refused(case, instrument, value):
    with pytest.raises(SettingRefused, match="under test"):
        instrument.write({case.commanded: value})


def test_an_unknown_setpoint_is_refused(instrument):
    with pytest.raises(SettingRefused, match=r"under test.*there_is_none_w"):
        instrument.write({"there_is_none_w": 1.0})


def test_closing_never_raises(case):
    made = case.make()
    made.close()
    made.open()
    made.close()
    made.close()


def test_it_can_be_opened_again_and_again(case, instrument):
    instrument.open()
    instrument.close()
    instrument.open()
    assert set(instrument.read(0.0)) == set(case.table["channels"])


def test_specimens_are_liquid_or_air(instrument):
    assert set(instrument.specimens().values()) <= {"liquid", "air"}
