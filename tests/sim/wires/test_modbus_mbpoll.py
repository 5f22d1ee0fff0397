"""The simulated Modbus device against a master that is not ours: mbpoll, from Debian's package of that name."""

import os
import re
import shutil
import subprocess

import pytest

from sim.wires.base import Device, Wire
from sim.wires.loop_thread import loop_thread
from sim.wires.modbus import ModbusServer
from sim.wires.modbus_unit import Place, Unit

PLACES = {
    "ambient": Place(0, "input"),
    "coolant": Place(1, "input", "int16", scale=0.1),
    "heat": Place(2, "input", "float32"),
    "energy": Place(4, "input", "int32"),
    "lost": Place(6, "input", "float32"),
    "set": Place(0, scale=0.1),
    "fan": Place(1),
    "limit": Place(2, type="float32", word_order="little"),
}
SHOWN = {"ambient": 23.0, "coolant": 40.5, "heat": 199.25, "energy": -100_000.0, "lost": None}


@pytest.fixture(scope="module", autouse=True)
def _mbpoll_is_there():
    if shutil.which("mbpoll") is None:
        words = "mbpoll is not installed: apt-get install mbpoll"
        pytest.fail(words) if os.environ.get("BENCHD_NO_SKIPS") else pytest.skip(words)


class Served:
    def __init__(self):
        self.told = {"set": 0.0, "fan": 100.0, "limit": 5.0}
        self.wire = Wire("load")
        self.how = []

    def unit(self):
        shown = {name: (lambda name=name: SHOWN[name]) for name in SHOWN}
        told = {name: (lambda name=name: self.told[name]) for name in self.told}
        return Unit(Device(shown | told, {name: self.take(name) for name in self.told}), PLACES, device_id=17)

    def take(self, name):
        def take(value):
            if value > 300:
                raise ValueError("too much")
            self.told[name] = value

        return take

    def poll(self, kind, first, *values, count=1, device_id=17):
        """What mbpoll says, and the values in it."""
        command = ["mbpoll", "-0", "-1", "-B", "-o", "0.5", "-a", str(device_id), "-t", kind, "-r", str(first)]
        if not values:
            command += ["-c", str(count)]
        done = subprocess.run(
            [*command, *self.how, *map(str, values)], capture_output=True, text=True, timeout=20, check=False
        )
        said = done.stdout + done.stderr
        return said, [float(value) for value in re.findall(r"^\[\d+\]: \t(\S+)", said, re.MULTILINE)]


@pytest.fixture(params=["tcp", "rtu"])
def served(request):
    made = Served()
    paths = []

    async def start():
        server = ModbusServer([made.unit()], made.wire)
        if request.param == "rtu":
            await server.start_terminal(paths.append)
            made.how += ["-m", "rtu", "-b", "19200", "-P", "none", *paths]
        else:
            made.how += ["-m", "tcp", "-p", str(await server.start_tcp()), "127.0.0.1"]
        return server

    with loop_thread() as run:
        server = run(start())
        yield made
        run(server.close())


def test_it_reads_input_registers_of_every_type(served):
    assert served.poll("3", 0, count=2)[1] == [23, 405]
    assert served.poll("3:float", 2)[1] == [199.25]
    assert served.poll("3:int", 4)[1] == [-100_000]
    assert "nan" in served.poll("3:float", 6)[0].lower()


def test_it_writes_one_register_and_several_and_reads_them_back(served):
    assert "Written 1 references" in served.poll("4", 0, 1200)[0]
    assert served.told["set"] == 120.0
    assert "Written 2 references" in served.poll("4", 0, 505, 40)[0]
    assert served.told == {"set": 50.5, "fan": 40, "limit": 5.0}
    assert served.poll("4", 0, count=2)[1] == [505, 40]


def test_it_is_told_by_exceptions_what_cannot_be(served):
    assert "Illegal data address" in served.poll("4", 100)[0]
    assert "Illegal data value" in served.poll("4", 0, 3001)[0]
    assert "Illegal function" in served.poll("0", 0)[0]
    assert served.told["set"] == 0.0


def test_it_hears_nothing_from_a_device_that_is_not_there_and_a_fault_as_it_is(served):
    assert "timed out" in served.poll("3", 0, device_id=18)[0]
    # No late answer: mbpoll takes it for the next one on RTU. No other device: it does not look at that on TCP.
    for fault, words in (
        ("no_answer", "timed out"),
        ("cut", "timed out"),
        ("exception", "Slave device or server failure"),
    ):
        served.wire.fault = fault
        said, values = served.poll("3", 0)
        assert (words in said, values) == (True, []), said
    served.wire.fault = None
    assert served.poll("3", 0)[1] == [23]
