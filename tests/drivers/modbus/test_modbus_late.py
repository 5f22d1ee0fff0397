"""A late answer on an RTU line never lands under another channel: first the trap itself, then the driver in it.

Then a property in virtual time: whatever a device does to its answers, as long as it gives each within its latest reply
time, a value that is read is the value of that channel at that moment.
"""

import contextlib
import time

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, precondition, rule
from pymodbus.client import ModbusSerialClient
from pymodbus.exceptions import ModbusIOException

import drivers.links.patience
import drivers.modbus.line
from benchd.errors import InstrumentError, NoAnswer
from benchd.instruments import Setup
from drivers.modbus.driver import Modbus, ModbusSpec
from drivers.modbus.line import Question
from drivers.modbus.messages import RtuFrames
from sim.wires.base import Device, Wire
from sim.wires.loop_thread import loop_thread
from sim.wires.modbus import ModbusServer
from sim.wires.modbus_unit import Place, Unit

LATE_S = 0.5
TIME_OUT_S = 0.3


@pytest.fixture
def line():
    """A device whose register n holds 1000 + n, on a pseudo-terminal: its path, and its wire."""
    names = {f"r{number}": Place(number) for number in range(10, 14)}
    device = Device({name: (lambda place=place: 1000.0 + place.register) for name, place in names.items()})
    wire = Wire("late", late_s=LATE_S)
    paths = []

    async def make():
        server = ModbusServer([Unit(device, names)], wire, "rtu")
        await server.start_terminal(paths.append)
        return server

    with loop_thread() as run:
        server = run(make())
        yield paths[0], wire
        run(server.close())


def test_the_trap_is_real(line):
    """A client that just asks on after a time-out is given the answer for register 10 as that of register 11."""
    path, wire = line
    client = ModbusSerialClient(path, timeout=TIME_OUT_S, retries=0)
    assert client.connect()
    wire.fault = "late_answer"
    with pytest.raises(ModbusIOException):
        client.read_holding_registers(10, count=1)
    wire.fault = None
    assert client.read_holding_registers(11, count=1).registers == [1010]
    client.close()


def test_the_driver_does_not_fall_into_it(line):
    path, wire = line
    keys = {"driver": "modbus", "serial": path, "deadline_s": TIME_OUT_S, "latest_reply_s": 1.0}
    ten = {"ten_count": {"register": 10}}
    shared = {}
    one = Modbus(Setup("one", ModbusSpec.model_validate(keys | {"channels": ten}), shared))
    other = Modbus(
        Setup("other", ModbusSpec.model_validate(keys | {"channels": {"eleven_count": {"register": 11}}}), shared)
    )
    one.open()
    wire.fault = "late_answer"
    with pytest.raises(NoAnswer):
        one.read(0.0)
    wire.fault = None
    found = []
    give_up_s = time.monotonic() + 10
    while not found and time.monotonic() < give_up_s:
        try:
            found.append(other.read(1.0))
        except NoAnswer:
            time.sleep(0.01)
    assert found == [{"eleven_count": 1011.0}]
    one.close()
    other.close()


LATEST_REPLY_S = 2.0
DEADLINE_S = 1.0
BITS = 11
BAUD = 1200
#: What may become of an answer, beside being late.
SPOIL = {
    "whole": lambda frame: frame,
    "lost": lambda _: b"",
    "cut": lambda frame: frame[:-3],
    "flipped": lambda frame: frame[:3] + bytes([frame[3] ^ 4]) + frame[4:],
    "other device": lambda frame: RtuFrames().pack(Question(frame[0] + 1, 0, frame[1:-2], 0)),
    "another length": lambda frame: RtuFrames().pack(Question(frame[0], 0, bytes([frame[1], 2, 0, 7]), 0)),
    "refused": lambda frame: RtuFrames().pack(Question(frame[0], 0, bytes([frame[1] | 0x80, 4]), 0)),
}


class VirtualLine:
    """The stream of a line with two devices on it, and its time: both stand still but while somebody waits on it."""

    def __init__(self):
        self.now_s = 0.0
        self.moment = 0
        self.set_w = {1: 0.0, 2: 0.0}
        self.spoken_over = False
        self.delay_s, self.spoil = 0.0, "whole"
        self._answers = []
        self._units = {number: self._unit(number) for number in (1, 2)}

    def _unit(self, number):
        """Registers 0 to 3 and 10 to 13 as two requests of one length; values tell device, register and moment."""
        places = {f"r{at}": Place(at) for at in (0, 1, 2, 3, 10, 11, 12, 13)} | {"set": Place(20)}
        reads = {name: (lambda at=place.register: float(self.value(number, at))) for name, place in places.items()}
        reads["set"] = lambda: self.set_w[number]
        return Unit(Device(reads, {"set": lambda value: self.set_w.__setitem__(number, value)}), places, number)

    def value(self, number, register):
        return (self.moment * 64 + number * 32 + register) % 0x10000

    def send(self, frame, _):
        self.spoken_over |= any(answer for _, answer in self._answers)
        answer = self._units[frame[0]].answer(frame[1:-2])
        passed = SPOIL[self.spoil](RtuFrames().pack(Question(frame[0], 0, answer, 0)))
        travels_s = (len(frame) + len(answer) + 3) * BITS / BAUD
        self._answers.append((self.now_s + self.delay_s + travels_s, passed))

    def receive(self, patience):
        ends_s = self.now_s + patience.left_s
        coming = [due_s for due_s, answer in self._answers if answer]
        if not coming or min(coming) > ends_s:
            self.now_s = ends_s
            return b""
        self.now_s = max(self.now_s, min(coming))
        return self.discard()

    def discard(self):
        arrived = b"".join(answer for due_s, answer in sorted(self._answers) if due_s <= self.now_s)
        self._answers = [(due_s, answer) for due_s, answer in self._answers if due_s > self.now_s]
        return arrived

    def close(self):
        pass


class LateAnswers(RuleBasedStateMachine):
    """Two instruments on a line read, set and make safe, in any order, while answers are late, spoilt or lost."""

    def __init__(self):
        super().__init__()
        self.line = VirtualLine()
        self.patch = pytest.MonkeyPatch()
        self.patch.setattr(drivers.links.patience, "monotonic", lambda: self.line.now_s)
        self.patch.setattr(drivers.modbus.line, "open_stream", lambda *_: self.line)
        shared = {}
        self.instruments = {number: self.make(number, shared) for number in (1, 2)}
        for instrument in self.instruments.values():
            instrument.open()

    def make(self, number, shared):
        table = {
            "driver": "modbus",
            "serial": "/dev/serial/by-id/line",
            "baud": BAUD,
            "device_id": number,
            "deadline_s": DEADLINE_S,
            "latest_reply_s": LATEST_REPLY_S,
            "channels": {f"r{at}_count": {"register": at} for at in (0, 1, 2, 3, 10, 11, 12, 13)},
            "setpoints": {"heat_w": {"register": 20, "range": [0, 300], "safe": 0}},
        }
        return Modbus(Setup(f"instrument {number}", ModbusSpec.model_validate(table), shared))

    def teardown(self):
        for instrument in self.instruments.values():
            instrument.close()
        self.patch.undo()

    numbers = st.sampled_from([1, 2])

    @rule(delay_s=st.sampled_from([0.0, 0.2, 0.6, 1.0, 1.4, LATEST_REPLY_S]), spoil=st.sampled_from(sorted(SPOIL)))
    def the_device_turns(self, delay_s, spoil):
        self.line.delay_s, self.line.spoil = delay_s, spoil

    @rule()
    def the_device_is_well(self):
        self.line.delay_s, self.line.spoil = 0.0, "whole"

    @rule(wait_s=st.sampled_from([0.02, 0.4, 1.0, 2.2]))
    def time_passes(self, wait_s):
        self.line.now_s += wait_s

    @rule(number=numbers)
    def read(self, number):
        """Also whether it was spoken over an answer that was still to come."""
        self.line.moment += 1
        self.line.spoken_over = False
        try:
            found = self.instruments[number].read(0.0)
        except InstrumentError:
            found = {}
        values = {name: value for name, value in found.items() if isinstance(value, float)}
        registers = {name: int(name.removeprefix("r").removesuffix("_count")) for name in values}
        assert values == {name: self.line.value(number, at) for name, at in registers.items()}
        assert not self.line.spoken_over

    @rule(number=numbers, heat_w=st.integers(0, 300))
    def write(self, number, heat_w):
        self.line.spoken_over = False
        with contextlib.suppress(InstrumentError):
            self.instruments[number].write({"heat_w": float(heat_w)})
            assert self.line.set_w[number] == heat_w
        assert not self.line.spoken_over

    @rule(number=numbers)
    def make_safe(self, number):
        """It may speak over a late answer; but what it says is done is done."""
        with contextlib.suppress(InstrumentError):
            self.instruments[number].make_safe({"heat_w": 0.0})
            assert self.line.set_w[number] == 0

    @precondition(lambda self: (self.line.delay_s, self.line.spoil) == (0.0, "whole"))
    @rule(number=numbers)
    def a_line_that_is_well_again_is_read_when_the_quiet_is_over(self, number):
        self.line.now_s += LATEST_REPLY_S + 0.3
        assert len(self.instruments[number].read(0.0)) == 8


TestLateAnswers = LateAnswers.TestCase
TestLateAnswers.settings = settings(max_examples=200, stateful_step_count=40, deadline=None)


def test_what_was_spoken_over_for_the_safe_state_is_still_waited_for():
    """Found by the machine above: the second order is confirmed while the answer to the first is still to come."""
    state = LateAnswers()
    state.the_device_turns(delay_s=LATEST_REPLY_S, spoil="another length")
    state.make_safe(number=1)
    state.the_device_is_well()
    state.make_safe(number=1)
    state.read(number=1)
    state.write(number=1, heat_w=100)
    state.teardown()


def test_an_order_that_was_confirmed_by_the_late_answer_to_the_same_one_before_is_still_waited_for():
    """Found by the machine above: its own answer is still to come."""
    state = LateAnswers()
    state.the_device_turns(delay_s=0.0, spoil="another length")
    state.make_safe(number=1)
    state.the_device_turns(delay_s=1.4, spoil="whole")
    state.make_safe(number=1)
    state.the_device_turns(delay_s=0.6, spoil="whole")
    for _ in range(4):
        state.make_safe(number=1)
    state.write(number=1, heat_w=0)
    state.teardown()
