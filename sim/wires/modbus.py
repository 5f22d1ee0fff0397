"""Simulated Modbus devices on their wire: Modbus TCP, RTU on a pseudo-terminal, RTU over TCP.

Owns frames, connections and what a fault of the wire does to them; what a device says is in modbus_unit.py. Knows no
plant.

Faults: `deaf` takes connections and reads nothing, and wakes up with all that was sent meanwhile; `unplugged` closes
the port, or takes the pseudo-terminal away, and gives back another one; `other_device` answers with the number of
another device; `exception` refuses everything with exception 04; `not_a_number` has only NaN, or what stands for it.

Sources: MODBUS Messaging on TCP/IP Implementation Guide V1.0b; MODBUS over Serial Line V1.02 (modbus.org).
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable, Sequence
from typing import Literal, TypeAlias

from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU

from sim.wires.base import Wire
from sim.wires.modbus_unit import Unit
from sim.wires.terminal import Terminal

Framing: TypeAlias = Literal["tcp", "rtu"]

# pymodbus prints what it cannot decode; a device keeps silent.
logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)

#: How often the wire's faults are looked at [s].
_LOOK_S = 0.02
#: A silence in which half a request is forgotten [s]; the 3.5 characters of the standard cannot be seen from here.
_FORGET_S = 0.05
#: The longest RTU frame [bytes].
_LONGEST = 256
_BROADCAST = 0
_HEADER = 8
_CHECKSUM = 2

_decoder = DecodePDU(is_server=True)


class ModbusServer:
    """Devices on one wire. Start it once, on one of the two kinds; close it in the end.

    Args:
        units: the devices [no unit]
        wire: whose faults they suffer [no unit]
        framing: "tcp", or "rtu" for RTU over TCP; a pseudo-terminal always carries RTU [no unit]

    >>> from sim.wires.base import Device
    >>> from sim.wires.modbus_unit import Place
    >>> async def ask() -> str:
    ...     unit = Unit(Device({"die": lambda: 40.0}), {"die": Place(0, "input")})
    ...     server = ModbusServer([unit], Wire("load"))
    ...     reader, writer = await asyncio.open_connection("127.0.0.1", await server.start_tcp())
    ...     writer.write(bytes.fromhex("0001 0000 0006 01 04 0000 0001"))
    ...     answer = await reader.readexactly(11)
    ...     writer.close()
    ...     await server.close()
    ...     return answer.hex(" ")
    >>> asyncio.run(ask())
    '00 01 00 00 00 05 01 04 02 00 28'
    """

    def __init__(self, units: Sequence[Unit], wire: Wire, framing: Framing = "tcp") -> None:
        self._units = {unit.device_id: unit for unit in units}
        if len(self._units) < len(units):
            raise ValueError("two devices of one wire have the same device_id")
        self._wire = wire
        self._framing: Framing = framing
        self._host = ""
        self._port = 0
        self._shows: Callable[[str | None], None] | None = None
        self._baud: int | None = None
        self._listener: asyncio.Server | None = None
        self._terminal: Terminal | None = None
        self._talks: set[_Talk] = set()
        self._watch: asyncio.Task[None] | None = None

    async def start_tcp(self, host: str = "127.0.0.1", port: int = 0) -> int:
        """Listen, and give the port. Raises OSError when it is taken.

        Args:
            host: on which address [no unit]
            port: on which port, 0 for a free one [1]
        """
        self._host, self._port = host, port
        await self._plug()
        self._watch = asyncio.create_task(self._watch_wire())
        return self._port

    async def start_terminal(self, shows: Callable[[str | None], None], baud: int | None = None) -> None:
        """Answer on a pseudo-terminal.

        Args:
            shows: is told its path, which changes when it was unplugged and is back, and None while it is out [no unit]
            baud: the devices' speed; None: they understand any [bit/s]
        """
        self._shows, self._baud, self._framing = shows, baud, "rtu"
        await self._plug()
        self._watch = asyncio.create_task(self._watch_wire())

    async def close(self) -> None:
        """Let go of the wire and whoever is connected."""
        if self._watch is not None:
            self._watch.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._watch
            self._watch = None
        await self._unplug()

    async def _plug(self) -> None:
        if self._shows is None:
            loop = asyncio.get_running_loop()
            self._listener = await loop.create_server(self._connected, self._host, self._port)
            self._port = self._listener.sockets[0].getsockname()[1]
            return
        talk = self._begin()
        self._terminal = Terminal(talk.take, self._baud)
        talk.send = self._terminal.send
        talk.listen = self._terminal.listen
        self._shows(self._terminal.path)

    async def _unplug(self) -> None:
        if self._listener is not None:
            self._listener.close()
            self._listener = None
        for talk in list(self._talks):
            await talk.end()
        if self._terminal is not None and self._shows is not None:
            self._shows(None)
            self._terminal.close()
            self._terminal = None

    async def _watch_wire(self) -> None:
        plugged = True
        while True:
            await asyncio.sleep(_LOOK_S)
            fault = self._wire.fault
            if plugged != (fault != "unplugged"):
                plugged = not plugged
                await (self._plug() if plugged else self._unplug())
            for talk in self._talks:
                talk.listen(fault != "deaf")

    def _begin(self) -> _Talk:
        talk = _Talk(self._framing, self._units, self._wire, self._talks)
        self._talks.add(talk)
        return talk

    def _connected(self) -> _Connection:
        return _Connection(self._begin(), self._wire)


class _Talk:
    """Requests in, answers out, one after the other, as a device does it that has one processor."""

    def __init__(self, framing: Framing, units: dict[int, Unit], wire: Wire, talks: set[_Talk]) -> None:
        self.send: Callable[[bytes], None] = lambda _: None
        self.listen: Callable[[bool], None] = lambda _: None
        self.hang_up: Callable[[], None] = lambda: None
        self._framing = framing
        self._units = units
        self._wire = wire
        self._talks = talks
        self._got = b""
        self._loop = asyncio.get_running_loop()
        self._forget: asyncio.TimerHandle | None = None
        self._requests: asyncio.Queue[tuple[int, int, bytes]] = asyncio.Queue()
        self._answering = self._loop.create_task(self._answer_all())

    def take(self, data: bytes) -> None:
        """Bytes that have arrived."""
        self._got += data
        if self._forget is not None:
            self._forget.cancel()
        while self._got and (size := self._next()):
            self._got = self._got[size:]
        if self._framing == "rtu" and self._got:
            self._forget = self._loop.call_later(_FORGET_S, self._fall_silent)

    async def end(self) -> None:
        """Nobody is there any more."""
        self._talks.discard(self)
        self.hang_up()
        if self._forget is not None:
            self._forget.cancel()
        self._answering.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self._answering

    def _next(self) -> int:
        """Take one request, and give its length [bytes]; 0 while it is not all there."""
        if self._framing == "rtu":
            return self._next_rtu(_request_bytes(self._got))
        if self._got[2:4] not in (b"", b"\0", b"\0\0"):
            self.hang_up()
            return len(self._got)
        size, device_id, transaction, pdu = FramerSocket(_decoder).decode(self._got)
        if size > _HEADER - 1 and pdu:
            self._requests.put_nowait((device_id, transaction, pdu))
        return size

    def _next_rtu(self, size: int) -> int:
        if not _HEADER // 2 <= size <= len(self._got):
            return 0
        frame = self._got[:size]
        if FramerRTU.compute_CRC(frame[:-_CHECKSUM]) != int.from_bytes(frame[-_CHECKSUM:], "big"):
            return 0
        self._requests.put_nowait((frame[0], 0, frame[1:-_CHECKSUM]))
        return size

    def _fall_silent(self) -> None:
        """What is there was all: a request that only its checksum delimits, or nothing."""
        self._next_rtu(len(self._got))
        self._got = b""

    async def _answer_all(self) -> None:
        while True:
            device_id, transaction, pdu = await self._requests.get()
            fault = self._wire.fault
            if device_id == _BROADCAST and self._framing == "rtu":
                for unit in self._units.values():
                    unit.answer(pdu, fault)
            elif device_id in self._units:
                answer = self._units[device_id].answer(pdu, fault)
                says_id = device_id % 247 + 1 if fault == "other_device" else device_id
                await self._wire.answer(self._frame(answer, says_id, transaction), self.send)

    def _frame(self, answer: bytes, device_id: int, transaction: int) -> bytes:
        if self._framing == "rtu":
            return FramerRTU(_decoder).encode(answer, device_id, 0)
        return FramerSocket(_decoder).encode(answer, device_id, transaction)


class _Connection(asyncio.Protocol):
    """One connection of a master."""

    def __init__(self, talk: _Talk, wire: Wire) -> None:
        self._talk = talk
        self._wire = wire

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._talk.send = lambda answer: None if transport.is_closing() else transport.write(answer)
        self._talk.listen = lambda listens: transport.resume_reading() if listens else transport.pause_reading()
        self._talk.hang_up = transport.abort
        if self._wire.fault == "deaf":
            transport.pause_reading()

    def data_received(self, data: bytes) -> None:
        self._talk.take(data)

    def connection_lost(self, _: Exception | None) -> None:
        self._ending = asyncio.get_running_loop().create_task(self._talk.end())


def _request_bytes(got: bytes) -> int:
    """How long a request is that begins so, with device and checksum [bytes]; 0 when its function is not known."""
    if len(got) < _HEADER - 1:
        return 0
    kind = _decoder.lookupPduClass(got)
    return min(kind.calculateRtuFrameSize(got), _LONGEST) if kind is not None else 0
