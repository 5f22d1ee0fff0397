"""No value is ever recorded that is not of its channel and of its tick, whatever the wires do over a whole run.

Each channel of each instrument shows a number that no other channel ever shows, and another one at each tick. So a late
answer, one to another question, or one kept from before can be told from the right one.
"""

from __future__ import annotations

import random
import time
from collections import Counter
from contextlib import ExitStack
from pathlib import Path

import pytest

from benchd.bench_file import parse_bench
from benchd.instruments import SampleFlag
from benchd.running.bench import OpenBench
from benchd.running.sampler import Sampler
from sim.wires.base import Device, Wire
from sim.wires.loop_thread import loop_thread
from sim.wires.modbus import ModbusServer
from sim.wires.modbus_unit import Place, Unit
from sim.wires.scpi import ScpiDevice, ScpiServer
from sim.wires.text_line import TextDevice, TextLineServer

DEADLINE_S = 0.12
#: How late an answer may come: within the deadline, or by more, but sooner than each driver asks again.
LATE_S = (0.03, 0.3)
TICKS = 300
#: What can come between a question and its answer, or another answer in its place.
FAULTS = ("late_answer", "late_answer", "late_answer", "no_answer", "cut", "deaf", "garbage", "unplugged", None, None)

BENCH = """
bench = "codes"
tick_s = 1.0

[instruments.tcp]
driver = "modbus"
host = "127.0.0.1"
port = {tcp}
deadline_s = {deadline_s}
channels.a_count = {{ register = 0, table = "input" }}
channels.b_count = {{ register = 10, table = "input" }}

[instruments.over_tcp]
driver = "modbus"
host = "127.0.0.1"
port = {over_tcp}
framing = "rtu"
deadline_s = {deadline_s}
latest_reply_s = 0.4
channels.c_count = {{ register = 0, table = "input" }}
channels.d_count = {{ register = 10, table = "input" }}

[instruments.rtu]
driver = "modbus"
serial = "{folder}/rtu"
deadline_s = {deadline_s}
latest_reply_s = 0.4
channels.e_count = {{ register = 0, table = "input" }}
channels.f_count = {{ register = 10, table = "input" }}

[instruments.scpi]
driver = "scpi"
host = "127.0.0.1"
port = {scpi}
deadline_s = {deadline_s}
together = false
on = ""
off = ""
channels.g_count = {{ query = "MEAS:FIRS?" }}
channels.h_count = {{ query = "MEAS:SEC?" }}

[instruments.lines]
driver = "serial_line"
serial = "{folder}/lines"
deadline_s = {deadline_s}
quiet_s = 0.4
pattern = '(?P<value>[0-9]+)'
channels.i_count = {{ ask = "I?", group = "value" }}
channels.j_count = {{ ask = "J?", group = "value" }}
"""
CHANNELS = "abcdefghij"


def code(channel: str, tick: int) -> int:
    """What this channel shows at this tick, and no other one at any."""
    return 1000 * (CHANNELS.index(channel) + 1) + tick


class Served:
    """Five devices on five wires, all of them showing the tick."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self.tick = 0
        self.wires = {name: Wire(name) for name in ("tcp", "over_tcp", "rtu", "scpi", "lines")}
        run = stack.enter_context(loop_thread())
        tcp = ModbusServer([self._unit("ab")], self.wires["tcp"])
        over_tcp = ModbusServer([self._unit("cd")], self.wires["over_tcp"], "rtu")
        rtu = ModbusServer([self._unit("ef")], self.wires["rtu"])
        headers = {"g": "MEASure:FIRSt", "h": "MEASure:SECond"}
        scpi = ScpiServer(ScpiDevice(self._device("gh"), headers, {}), self.wires["scpi"])
        text = TextDevice(self._device("ij"), "{i:.0f}", ask="I?", also={"J?": "{j:.0f}"})
        lines = TextLineServer(text, self.wires["lines"])
        for server in (tcp, over_tcp, rtu, scpi, lines):
            stack.callback(lambda server=server: run(server.close()))
        self.ports = {"tcp": run(tcp.start_tcp()), "over_tcp": run(over_tcp.start_tcp()), "scpi": run(scpi.start_tcp())}
        run(rtu.start_terminal(self._linking(folder / "rtu")))
        run(lines.start_terminal(self._linking(folder / "lines")))

    def _device(self, channels: str) -> Device:
        return Device({one: lambda one=one: float(code(one, self.tick)) for one in channels})

    def _unit(self, channels: str) -> Unit:
        # Far apart, so that each is asked for by a request of its own, of the same length.
        places = {one: Place(10 * at, "input") for at, one in enumerate(channels)}
        return Unit(self._device(channels), places)

    @staticmethod
    def _linking(path: Path):
        def shows(target: str | None) -> None:
            path.unlink(missing_ok=True)
            if target is not None:
                path.symlink_to(target)

        return shows


@pytest.fixture
def served(tmp_path):
    with ExitStack() as stack:
        yield Served(tmp_path, stack)


def test_late_replies_never_land_under_another_channel_or_tick(served, tmp_path):
    bench = parse_bench(BENCH.format(**served.ports, folder=tmp_path, deadline_s=DEADLINE_S), "codes.toml")
    draw, came, missed = random.Random(1), Counter(), Counter()
    with OpenBench(bench) as opened:
        sampler = Sampler(opened)
        for tick in range(1, TICKS + 1):
            served.tick = tick
            if tick % 5 == 0:
                wire = served.wires[draw.choice(list(served.wires))]
                wire.late_s, wire.fault = draw.uniform(*LATE_S), draw.choice(FAULTS)
            if tick > TICKS - 60:
                for wire in served.wires.values():
                    wire.fault = None
            time.sleep(0.01)  # real time for what is late to arrive
            for channel, value, flag in sampler.take(float(tick)):
                if flag is SampleFlag.OK:
                    assert value == code(channel[0], tick), (channel, tick)
                    came[channel] += 1
                else:
                    assert value is None
                    missed[channel] += 1
                    if tick == TICKS:
                        pytest.fail(f"{channel} has not come back: {opened.silent}")
    # Neither has been always sound nor always lost.
    assert all(came[channel] > 50 and missed[channel] > 10 for channel in opened.channels), (came, missed)
