"""The driver against a device that is not ours: a small server on libmodbus, from Debian's package libmodbus5."""

import ctypes
import os
import subprocess
import sys
from pathlib import Path

import pytest

from benchd.errors import NoAnswer, SettingRefused
from benchd.instruments import SampleFlag, Setup
from drivers.modbus.driver import Modbus, ModbusSpec

SERVER = Path(__file__).with_name("libmodbus_server.py")
DEVICE_ID = 17
CHANNELS = {
    "heat_w": {"register": 0, "table": "input", "type": "float32"},
    "heat_v": {"register": 2, "table": "input", "type": "float32", "word_order": "little"},
    "coolant_c": {"register": 4, "table": "input", "type": "int16", "scale": 0.1},
    "set_w": {"register": 0, "scale": 0.1},
}
SETPOINTS = {
    "heat_w": {"register": 0, "scale": 0.1, "range": [0, 300], "safe": 0},
    "fan_pct": {"register": 2, "type": "float32", "range": [0, 100], "safe": 100},
}
SHOWN = {"heat_w": 200.25, "heat_v": 200.25, "coolant_c": -1.5}


@pytest.fixture(scope="module", autouse=True)
def _libmodbus_is_there():
    try:
        ctypes.CDLL("libmodbus.so.5")
    except OSError:
        words = "libmodbus is not installed: apt-get install libmodbus5"
        pytest.fail(words) if os.environ.get("BENCHD_NO_SKIPS") else pytest.skip(words)


@pytest.fixture(scope="module", params=["tcp", "rtu"])
def wire(request):
    """How a bench file names the wire."""
    command = [sys.executable, str(SERVER), request.param]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        place = process.stdout.readline().strip()
        if request.param == "tcp":
            yield {"host": "127.0.0.1", "port": int(place)}
        else:
            yield {"serial": place, "baud": 19200, "latest_reply_s": 0.3}
        process.stdin.close()
        process.wait(10)


@pytest.fixture
def driver(wire):
    made = []

    def make(**keys):
        table = {"driver": "modbus", "device_id": DEVICE_ID, "deadline_s": 2, "channels": CHANNELS} | wire | keys
        made.append(Modbus(Setup("load", ModbusSpec.model_validate(table))))
        made[-1].open()
        return made[-1]

    yield make
    for instrument in made:
        instrument.close()


def test_it_reads_numbers_of_one_and_two_registers_in_either_order(driver):
    found = driver().read(0.0)
    assert {name: found[name] for name in SHOWN} == SHOWN


def test_it_writes_one_register_and_several_and_libmodbus_shows_them(driver):
    instrument = driver(setpoints=SETPOINTS)
    instrument.write({"heat_w": 120.5, "fan_pct": 33.3})
    assert instrument.read(0.0)["set_w"] == 120.5
    instrument.make_safe({"heat_w": 0, "fan_pct": 100})
    assert instrument.read(1.0)["set_w"] == 0


def test_a_time_out_register_is_written_and_read_back(driver):
    instrument = driver(timeout_register=5, timeout_s=3, channels={"silence_s": {"register": 5, "scale": 0.1}})
    assert instrument.read(0.0) == {"silence_s": 3.0}


def test_registers_that_libmodbus_refuses_are_missing_and_the_others_are_not(driver):
    found = driver(channels=CHANNELS | {"ambient_c": {"register": 50}}).read(0.0)
    assert found["ambient_c"] is SampleFlag.MISSING
    assert {name: found[name] for name in SHOWN} == SHOWN


def test_a_setting_that_libmodbus_refuses_is_refused(driver):
    setpoints = {"fan_pct": {"register": 60, "range": [0, 100], "safe": 100}}
    with pytest.raises(SettingRefused, match="exception 02, illegal data address"):
        driver(setpoints=setpoints).write({"fan_pct": 50})


def test_many_readings_one_after_the_other(driver):
    instrument = driver()
    for t_s in range(100):
        found = instrument.read(float(t_s))
        assert {name: found[name] for name in SHOWN} == SHOWN


def test_libmodbus_does_not_tell_what_it_is_and_is_there_all_the_same(driver):
    assert driver().identify() in (
        "a device that does not tell what it is",
        "a device that is silent about what it is",
    )


def test_a_device_with_another_number_is_silent_on_a_serial_line_and_answers_on_tcp(driver, wire):
    """On TCP libmodbus answers for every number, with the number that it was asked by."""
    instrument = driver(device_id=18, deadline_s=0.3)
    if "host" in wire:
        assert instrument.read(0.0)["coolant_c"] == -1.5
    else:
        with pytest.raises(NoAnswer):
            instrument.read(0.0)
