"""The simulated heater load as a process of its own, on Modbus TCP: `python -m sim.modbus_load`.

It prints one line of JSON when it is listening, `{"modbus_port": ..., "wire_port": ...}`, and serves until
SIGTERM or SIGINT. Loopback only, unless told otherwise: there is no access control in Modbus. Device id 1,
registers from 0:

    table    register  type     unit   meaning
    holding  0         uint16   0.1 W  set point; above max_w: exception 03, nothing changed
    holding  1         uint16   0.1 s  communication time-out, 0.5 to 60 s; outside: exception 03
    input    10, 11    float32  W      measured power
    input    12, 13    float32  V      measured voltage
    input    14, 15    float32  A      measured current
    input    16        uint16   1      state: 0 off, 1 on, 2 off because nobody spoke to it
    input    17        uint16   1      identity: 19528

Of two registers the first is the more significant. Functions 03, 04, 06, 16 and 43/14 (identification). When
nothing was asked and answered without an exception for the communication time-out, the output is opened and
the set point is 0; it stays off until a new set point arrives.

Beside it, on a port of its own, the heat wire (`sim.heat_wire`) tells the watts that really flow, and pulls
cables.

Owns the registers and the life of the process; what the load does is `sim.heater_load`. `running` starts and
stops it.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import os
import selectors
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TypeAlias

from pymodbus.constants import ExcCodes
from pymodbus.exceptions import NoSuchIdException
from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.device import ModbusDeviceIdentification
from pymodbus.server import ModbusTcpServer
from pymodbus.server.requesthandler import ServerRequestHandler
from pymodbus.simulator import DataType, SimData, SimDevice

from sim.heat_wire import HeatWire, WireServer
from sim.heater_load import HeaterLoad

DEVICE_ID = 1
IDENTITY = 19528
SETPOINT, COMM_TIMEOUT, MEASURED = 0, 1, 10
_HOLDING = range(2)
_INPUT = range(10, 18)
_READ_HOLDING, _READ_INPUT, _WRITES = 3, 4, (6, 16)

Registers: TypeAlias = dict[int, int]


class Device:
    """The load behind its registers.

    Args:
        load: what is switched and measured [no unit]
    """

    def __init__(self, load: HeaterLoad) -> None:
        self._load = load
        self.plugged = True

    def set_plugged(self, plugged: bool) -> None:
        """Put the Modbus cable in, or pull it [no unit]."""
        self.plugged = plugged

    def watts(self) -> float:
        """The power [W] that flows into the heater now."""
        return self._load.watts(time.monotonic())

    def answered(self, sending: bool, pdu: ModbusPDU) -> ModbusPDU:
        """pymodbus shows each message: an answer without exception means that somebody sensible is there."""
        if sending and pdu.function_code < 0x80:
            self._load.hear(time.monotonic())
        return pdu

    async def act(
        self,
        function: int,
        start: int,
        address: int,
        count: int,
        registers: list[int],
        new: Sequence[int] | None,
    ) -> ExcCodes | None:
        """pymodbus asks before it answers: refuse, or take what is written and refresh what is read.

        Args:
            function: Modbus function code [1]
            start: address of the first of the registers [1]
            address: address of the first register asked for [1]
            count: how many are asked for [1]
            registers: what will be read, changed in place [1 a word]
            new: what is written, None when reading [1 a word]
        """
        if function not in (_READ_HOLDING, _READ_INPUT, *_WRITES):
            return ExcCodes.ILLEGAL_FUNCTION
        table = _INPUT if function == _READ_INPUT else _HOLDING
        if address not in table or address + count - 1 not in table:
            return ExcCodes.ILLEGAL_ADDRESS
        # The echo of function 06 comes a second time, without anything new.
        if new is not None and not self._take(dict(enumerate(new, address))):
            return ExcCodes.ILLEGAL_VALUE
        for register, word in self._registers().items():
            registers[register - start] = word
        return None

    def _take(self, new: Registers) -> bool:
        """Take all that is written, or nothing and say False."""
        timeout_s = new.get(COMM_TIMEOUT, round(10 * self._load.comm_timeout_s)) / 10
        set_w = new.get(SETPOINT, 0) / 10
        if not self._load.allows(set_w):
            return False
        try:
            self._load.set_comm_timeout(timeout_s)
        except ValueError:
            return False
        if SETPOINT in new:
            self._load.set_w(time.monotonic(), set_w)
        return True

    def _registers(self) -> Registers:
        now_s = time.monotonic()
        measured = self._load.watts(now_s), self._load.volts(now_s), self._load.amperes(now_s)
        words = struct.unpack(">6H", struct.pack(">3f", *measured))
        holding = round(10 * self._load.setpoint_w), round(10 * self._load.comm_timeout_s)
        return dict(enumerate(holding)) | dict(enumerate((*words, self._load.state, IDENTITY), MEASURED))


class _Handler(ServerRequestHandler):
    """One Modbus connection. While the cable is pulled whatever arrives is swallowed."""

    def __init__(self, server: _Server) -> None:
        super().__init__(server, None, server.device.answered, None)  # type: ignore[no-untyped-call]
        self._device = server.device

    def callback_data(self, data: bytes, addr: tuple[str, int] | None = None) -> int:
        return super().callback_data(data, addr) if self._device.plugged else len(data)


class _Server(ModbusTcpServer):
    def __init__(self, device: Device, host: str, port: int) -> None:
        map_ = [
            SimData(_HOLDING.start, values=[0] * len(_HOLDING), datatype=DataType.REGISTERS),
            SimData(_INPUT.start, values=[0] * len(_INPUT), datatype=DataType.REGISTERS),
        ]
        elsewhere = SimData(0, values=0, datatype=DataType.REGISTERS)
        super().__init__(
            [
                SimDevice(DEVICE_ID, map_, action=device.act),
                SimDevice(0, elsewhere, action=_nobody_there),  # pymodbus: id 0 stands for all other ids
            ],
            identity=ModbusDeviceIdentification(  # type: ignore[no-untyped-call]  # pymodbus gives no types
                {0x00: "benchd", 0x01: "simulated heater load", 0x02: "1"}
            ),
            address=(host, port),
        )
        self.device = device

    def callback_new_connection(self) -> _Handler:
        return _Handler(self)

    @property
    def port(self) -> int:
        assert isinstance(self.transport, asyncio.Server)
        return int(self.transport.sockets[0].getsockname()[1])


async def _nobody_there(*_: object) -> ExcCodes | None:
    raise NoSuchIdException


async def _serve(options: argparse.Namespace) -> signal.Signals | None:
    """Serve until told to stop; the signal that said so, or None for the end of standard input."""
    loop = asyncio.get_running_loop()
    stop: asyncio.Future[signal.Signals | None] = loop.create_future()

    def end(cause: signal.Signals | None) -> None:
        if not stop.done():
            stop.set_result(cause)

    def at_input() -> None:
        if not os.read(sys.stdin.fileno(), 1000):
            end(None)

    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, end, number)
    if options.stop_at_eof:
        loop.add_reader(sys.stdin.fileno(), at_input)

    device = Device(HeaterLoad(time.monotonic(), options.max_w, options.comm_timeout_s))
    wire = await loop.create_server(
        lambda: WireServer(device.watts, device.set_plugged), options.host, options.wire_port
    )
    server = _Server(device, options.host, options.port)
    await server.serve_forever(background=True)
    ports = {"modbus_port": server.port, "wire_port": wire.sockets[0].getsockname()[1]}
    print(json.dumps(ports), flush=True)
    try:
        return await stop
    finally:
        await server.shutdown()  # type: ignore[no-untyped-call]  # pymodbus leaves shutdown() without types
        wire.close()


def main(arguments: Sequence[str] | None = None) -> int:
    """Serve until told to stop. After a signal the process ends by it, so that its exit status is true."""
    parser = argparse.ArgumentParser(prog="python -m sim.modbus_load", description="A simulated heater load.")
    parser.add_argument("--host", default="127.0.0.1", help="address to listen at (default: this machine only)")
    parser.add_argument("--port", type=int, default=0, help="Modbus TCP port; 0 takes a free one")
    parser.add_argument("--wire-port", type=int, default=0, help="port of the heat wire; 0 takes a free one")
    parser.add_argument("--comm-timeout-s", type=float, default=3.0, help="silence after which it turns off")
    parser.add_argument("--max-w", type=float, default=400.0, help="highest set point")
    parser.add_argument("--stop-at-eof", action="store_true", help="stop when standard input ends as well")
    options = parser.parse_args(arguments)
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)
    try:
        ended_by = asyncio.run(_serve(options))
    except (OSError, RuntimeError, ValueError) as error:
        print(f"modbus_load: cannot serve at {options.host}: {error}", file=sys.stderr)
        return 1
    if ended_by is not None:
        signal.signal(ended_by, signal.SIG_DFL)
        signal.raise_signal(ended_by)
    return 0


@dataclass(frozen=True)
class RunningLoad:
    """A load process that is listening."""

    host: str
    modbus_port: int
    wire_port: int
    process: subprocess.Popen[bytes]

    def wire(self) -> HeatWire:
        """A heat wire to it; the caller closes it."""
        return HeatWire(self.host, self.wire_port)

    def kill(self) -> None:
        """End it at once, as a crash would, and wait until it is gone."""
        self.process.kill()
        self.process.wait()


@contextmanager
def running(
    *,
    host: str = "127.0.0.1",
    modbus_port: int = 0,
    wire_port: int = 0,
    comm_timeout_s: float = 3.0,
    max_w: float = 400.0,
    start_within_s: float = 30.0,
) -> Iterator[RunningLoad]:
    """Start the load as a process, give it when it is listening, and leave neither process nor pipe behind.

    It also ends when this process dies, however it dies.

    Args:
        host: address to listen at [no unit]
        modbus_port: Modbus TCP port, 0 for a free one [no unit]
        wire_port: heat wire port, 0 for a free one [no unit]
        comm_timeout_s: silence after which it turns its output off [s], 0.5 to 60
        max_w: highest set point [W], above 0
        start_within_s: how long it may take to start [s]; RuntimeError when it takes longer or fails

    >>> with running(max_w=250.0) as load:
    ...     load.process.poll() is None
    True
    >>> load.process.poll() == -signal.SIGTERM
    True
    """
    command = [sys.executable, "-m", "sim.modbus_load", "--stop-at-eof", f"--host={host}"]
    command += [f"--port={modbus_port}", f"--wire-port={wire_port}"]
    command += [f"--comm-timeout-s={comm_timeout_s}", f"--max-w={max_w}"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        try:
            ports = json.loads(_first_line(process, start_within_s))
            yield RunningLoad(host, ports["modbus_port"], ports["wire_port"], process)
        finally:
            process.terminate()
            try:
                process.wait(5)
            except subprocess.TimeoutExpired:
                process.kill()


def _first_line(process: subprocess.Popen[bytes], within_s: float) -> bytes:
    assert process.stdout is not None
    with selectors.DefaultSelector() as selector:
        selector.register(process.stdout, selectors.EVENT_READ)
        line = process.stdout.readline() if selector.select(within_s) else b""
    if not line:
        raise RuntimeError(f"the load did not start within {within_s:g} s (exit status {process.poll()})")
    return line


if __name__ == "__main__":
    sys.exit(main())
