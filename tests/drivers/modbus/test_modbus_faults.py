"""The driver against the simulated device on each of its wires, and everything that can go wrong on them."""

import math
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from itertools import chain

import pytest

from benchd.errors import Garbled, InputError, InstrumentError, LinkLost, NoAnswer, SettingRefused
from benchd.instruments import SampleFlag, Setup
from drivers.modbus.driver import Modbus, ModbusSpec
from sim.wires.base import WIRE_FAULTS, Device, Wire
from sim.wires.loop_thread import loop_thread
from sim.wires.modbus import ModbusServer
from sim.wires.modbus_unit import Place, Unit

DEADLINE_S = 0.15
LATE_S = 0.2
#: A device that was deaf, or is late, answers what it was asked then: never later than this after the last question.
LATEST_REPLY_S = 0.3
WIRES = ("tcp", "rtu", "rtu over tcp")

PLACES = {
    "heat": Place(10, "input", "float32"),
    "volts": Place(12, "input", "float64"),
    "coolant": Place(20, "input", "int16", scale=0.1),
    "set": Place(0, scale=0.1),
    "fan": Place(1),
}
CHANNELS = {
    "heat_w": {"register": 10, "table": "input", "type": "float32"},
    "heat_v": {"register": 12, "table": "input", "type": "float64"},
    "coolant_c": {"register": 20, "table": "input", "type": "int16", "scale": 0.1, "no_value": -32768},
    "set_w": {"register": 0, "scale": 0.1},
}
SETPOINTS = {
    "heat_w": {"register": 0, "scale": 0.1, "range": [0, 300], "safe": 0},
    "fan_pct": {"register": 1, "range": [0, 100], "safe": 100},
}


class Load:
    """What stands behind the registers: every look at it gives other values, which agree with each other."""

    def __init__(self):
        self.looks = 0
        self.told = {"set": 0.0, "fan": 100.0}

    def device(self):
        def look():
            self.looks += 1
            return float(self.looks)

        def tell_heat(value):
            if value > 250:
                raise ValueError("more than it can give")
            self.told["set"] = value

        return Device(
            {
                "heat": look,
                "volts": lambda: 2.0 * self.looks,
                "coolant": lambda: 20.0 + self.looks % 100 / 10,
                "set": lambda: self.told["set"],
                "fan": lambda: self.told["fan"],
            },
            {"set": tell_heat, "fan": lambda value: self.told.__setitem__("fan", value)},
        )


class Served:
    """Devices on a wire, and how a bench file names that wire."""

    def __init__(self, run, kind, tmp_path, *units, baud=None):
        self.wire = Wire("load", late_s=LATE_S)
        self._run = run
        self._link = tmp_path / "line"
        self.server = run(self._make(kind, units))
        if kind == "rtu":
            run(self.server.start_terminal(self._show, baud))
            self.keys = {"serial": str(self._link), "latest_reply_s": LATEST_REPLY_S}
        else:
            self.keys = {"host": "127.0.0.1", "port": run(self.server.start_tcp())}
            self.keys |= {"framing": "rtu", "latest_reply_s": LATEST_REPLY_S} if kind != "tcp" else {}

    async def _make(self, kind, units):
        return ModbusServer(units, self.wire, "tcp" if kind == "tcp" else "rtu")

    def _show(self, path):
        self._link.unlink(missing_ok=True)
        if path is not None:
            self._link.symlink_to(path)

    def close(self):
        self._run(self.server.close())


@contextmanager
def driver(served, shared=None, name="load", **keys):
    table = {"driver": "modbus", "deadline_s": DEADLINE_S, "channels": CHANNELS} | served.keys | keys
    made = Modbus(Setup(name, ModbusSpec.model_validate(table), {} if shared is None else shared))
    try:
        yield made
    finally:
        made.close()


@pytest.fixture(scope="module")
def run():
    with loop_thread() as running:
        yield running


@pytest.fixture
def load():
    return Load()


@pytest.fixture(params=WIRES)
def served(request, run, load, tmp_path):
    made = Served(run, request.param, tmp_path, Unit(load.device(), PLACES))
    yield made
    made.close()


def until_it_answers(call, within_s=10.0):
    """What a call gives as soon as it gives anything."""
    give_up_s = time.monotonic() + within_s
    while True:
        try:
            return call()
        except InstrumentError:
            if time.monotonic() > give_up_s:
                raise
        time.sleep(0.02)


def what_came(instrument, t_s):
    """What a read gives, nothing when it fails in the way in which it may."""
    try:
        return instrument.read(t_s)
    except (NoAnswer, LinkLost, Garbled) as error:
        told = error
    assert told.message.startswith("load ")
    assert told.hint
    return {}


def looked(found, load):
    """Whether the values are those of one and the newest look at the device."""
    look = found["heat_w"]
    return look == load.looks and found["heat_v"] == 2 * look and math.isclose(found["coolant_c"], 20 + look % 100 / 10)


def test_what_is_read_and_written_on_each_wire(served, load):
    with driver(served, setpoints=SETPOINTS, deadline_s=2) as instrument:
        instrument.open()
        assert looked(instrument.read(0.0), load)
        instrument.write({"heat_w": 120.5, "fan_pct": 40})
        assert load.told == {"set": 120.5, "fan": 40}
        assert instrument.read(1.0)["set_w"] == 120.5
        assert instrument.identify() == "benchd simulated device 1"
        with pytest.raises(SettingRefused, match="exception 03"):
            instrument.write({"heat_w": 260})
        assert looked(instrument.read(2.0), load)


@pytest.mark.parametrize("fault", WIRE_FAULTS)
def test_no_fault_of_the_wire_gives_a_wrong_value_and_all_is_well_after_it(served, load, fault):
    with driver(served) as instrument:
        instrument.open()
        assert looked(until_it_answers(lambda: instrument.read(0.0)), load)
        served.wire.fault = fault
        if fault in ("unplugged", "deaf"):
            time.sleep(0.1)  # until the server has seen it
        for t_s in (1, 2):
            began_s = time.monotonic()
            found = what_came(instrument, float(t_s))
            assert time.monotonic() - began_s < DEADLINE_S + 0.2
            measured = {name: found[name] for name in ("heat_w", "heat_v", "coolant_c") if name in found}
            if fault == "not_a_number":
                assert set(measured.values()) == {SampleFlag.MISSING}
            elif fault == "exception":
                assert set(found.values()) == {SampleFlag.MISSING}
            else:
                assert measured == {}
        served.wire.fault = None
        assert looked(until_it_answers(lambda: instrument.read(9.0)), load)


@pytest.mark.parametrize("fault", ["no_answer", "cut", "unplugged", "exception"])
def test_a_setting_that_is_not_confirmed_is_said(served, load, fault):
    with driver(served, setpoints=SETPOINTS) as instrument:
        instrument.open()
        until_it_answers(lambda: instrument.write({"heat_w": 50}))
        served.wire.fault = fault
        time.sleep(0.1)
        with pytest.raises(InstrumentError, match="load"):
            instrument.write({"heat_w": 100})
        served.wire.fault = None
        until_it_answers(lambda: instrument.write({"heat_w": 60}))
        assert load.told["set"] == 60


def test_the_safe_state_is_reached_on_a_link_that_broke_while_nobody_looked(served, load):
    with driver(served, setpoints=SETPOINTS, deadline_s=1.0) as instrument:
        instrument.open()
        instrument.write({"heat_w": 100, "fan_pct": 30})
        served.wire.fault = "unplugged"
        time.sleep(0.1)
        served.wire.fault = None
        time.sleep(0.1)
        instrument.make_safe({"heat_w": 0, "fan_pct": 100})
        assert load.told == {"set": 0, "fan": 100}


def test_the_safe_state_is_reached_by_a_program_that_has_opened_nothing(served, load):
    load.told["set"] = 200.0
    with driver(served, setpoints=SETPOINTS, deadline_s=1.0) as instrument:
        instrument.make_safe({"heat_w": 0, "fan_pct": 100})
    assert load.told["set"] == 0


def test_one_refused_safe_setpoint_does_not_keep_the_others_back(served, load):
    setpoints = SETPOINTS | {"heat_w": SETPOINTS["heat_w"] | {"safe": 260}}
    with driver(served, setpoints=setpoints, deadline_s=1.0) as instrument:
        instrument.open()
        instrument.write({"fan_pct": 30})
        with pytest.raises(SettingRefused, match="heat_w = 260 W"):
            instrument.make_safe({"heat_w": 260, "fan_pct": 100})
    assert load.told["fan"] == 100


@pytest.fixture(params=["rtu", "rtu over tcp"])
def line(request, run, tmp_path):
    """Two devices on one line."""
    loads = Load(), Load()
    loads[1].looks = 1000
    units = [Unit(load.device(), PLACES, number) for number, load in enumerate(loads, 1)]
    made = Served(run, request.param, tmp_path, *units)
    yield made, *loads
    made.close()


def test_two_instruments_share_a_line(line):
    served, first, second = line
    shared = {}
    with (
        driver(served, shared, "load", device_id=1, deadline_s=1.0) as one,
        driver(served, shared, "meter", device_id=2, deadline_s=1.0) as other,
    ):
        one.open()
        other.open()
        for t_s in range(5):
            assert looked(one.read(float(t_s)), first)
            assert looked(other.read(float(t_s)), second)
        one.close()
        assert looked(other.read(9.0), second)


def test_two_instruments_on_a_line_may_ask_at_the_same_time(line):
    served, *loads = line
    shared = {}
    with (
        driver(served, shared, "load", device_id=1, deadline_s=2.0) as one,
        driver(served, shared, "meter", device_id=2, deadline_s=2.0) as other,
        ThreadPoolExecutor(2) as threads,
    ):
        one.open()
        other.open()

        def read_often(instrument, load):
            return [looked(instrument.read(float(t_s)), load) for t_s in range(20)]

        assert all(chain(*threads.map(read_often, (one, other), loads)))


def test_a_loss_of_the_line_is_told_by_the_name_of_whoever_asks(line):
    served, *_ = line
    shared = {}
    with driver(served, shared, "load") as one, driver(served, shared, "meter", device_id=2) as other:
        one.open()
        other.open()
        served.wire.fault = "unplugged"
        time.sleep(0.1)
        with pytest.raises(LinkLost, match=r"^meter (on|at) "):
            other.read(0.0)
        with pytest.raises(LinkLost, match=r"^load (on|at) "):
            one.read(0.0)


def test_a_device_that_is_not_there_costs_the_other_one_on_its_line_only_the_quiet(line):
    served, first, _ = line
    shared = {}
    with driver(served, shared, "load") as one, driver(served, shared, "ghost", device_id=9) as ghost:
        one.open()
        ghost.open()
        with pytest.raises(NoAnswer, match="ghost"):
            ghost.read(0.0)
        with pytest.raises(NoAnswer, match=r"load .* kept quiet for another"):
            one.read(0.0)
        assert looked(until_it_answers(lambda: one.read(1.0)), first)


def test_instruments_on_one_line_must_agree_about_it(run, load, tmp_path):
    served = Served(run, "rtu", tmp_path, Unit(load.device(), PLACES))
    shared = {}
    with (
        driver(served, shared, "load", baud=9600),
        pytest.raises(InputError, match=r"meter: .* is to be used with 19200 bit/s"),
        driver(served, shared, "meter", device_id=2, baud=19200),
    ):
        pass
    served.close()


def test_a_wrong_speed_is_no_value_and_told_as_a_guess(run, load, tmp_path):
    served = Served(run, "rtu", tmp_path, Unit(load.device(), PLACES), baud=19200)
    with driver(served, baud=9600) as instrument:
        instrument.open()
        with pytest.raises((NoAnswer, Garbled)) as caught:
            instrument.read(0.0)
        assert "baud" in caught.value.hint
    with driver(served, baud=19200, deadline_s=2) as instrument:
        instrument.open()
        assert looked(instrument.read(0.0), load)
    served.close()
