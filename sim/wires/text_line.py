"""A device that talks lines of text, on TCP or a pseudo-terminal: a sound meter that sends by itself, a thermometer
that is asked, a fan controller that is told.

Owns how its lines are made (`TextDevice`), and how it stands on a wire and suffers its faults (`TextLineServer`). Knows
no plant: what it shows and takes it is given as a `Device`.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import re
from collections.abc import Callable, Coroutine, Mapping
from functools import reduce
from operator import xor
from string import Formatter
from typing import Literal, TypeAlias, get_args

from sim.sensors import Reading
from sim.wires.base import Device, Wire
from sim.wires.terminal import Terminal

#: A checksum of two hexadecimal digits: over the whole line, or as NMEA 0183 has it, between $ and *, which are put on.
TextCheck: TypeAlias = Literal["none", "sum", "nmea"]
TEXT_CHECKS: tuple[TextCheck, ...] = get_args(TextCheck)

_TAKEN, _REFUSED = "OK", "ERROR 3"
#: What another device would say: a thermometer in the wrong place.
_OTHER = "T1=+23.50 T2=+23.47 CELSIUS"
_NO_VALUE = "---"
_LONGEST = 4096
#: One sign is one byte on the wire.
_LAST_SIGN = 0xFF
#: Whoever does not read a stream over TCP gets so much of it [bytes], and then only what there is room for.
_MOST_UNREAD = 65536
#: How often a server looks whether the wire has been pulled [s].
_LOOK_S = 0.01


class TextDevice:
    """What a device says and does, as lines without their ends.

    Raises ValueError for a form or an order that names what the device neither shows nor takes, or that makes no sense.

    Args:
        device: what it shows and takes [no unit]
        form: the line of its readings, with a place for each by name, such as "{level:.1f} dBA" [no unit]
        ask: the question that brings that line; empty: it is sent unasked [no unit]
        also: other questions, and the form of the answer to each [no unit]
        orders: what a line looks like that sets something, by its name; the group `value` holds the number [no unit]
        check: checksum at the end of each line that it sends [no unit]

    >>> said = []
    >>> fan = TextDevice(Device({"speed": lambda: 812.0}, {"fan": said.append}), "{speed:.0f} rpm", ask="SPEED?",
    ...     orders={"fan": "F (?P<value>[0-9]+)"})
    >>> fan.answer("SPEED?"), fan.answer("F 40"), said, fan.answer("PUMP 3")
    ('812 rpm', 'OK', [40.0], 'ERROR 3')
    """

    def __init__(
        self,
        device: Device,
        form: str,
        *,
        ask: str = "",
        also: Mapping[str, str] | None = None,
        orders: Mapping[str, str] | None = None,
        check: TextCheck = "none",
    ) -> None:
        self._device = device
        self._form = form
        self._asks = {**({ask: form} if ask else {}), **(also or {})}
        self._orders = {name: _order(name, order) for name, order in (orders or {}).items()}
        self._check = check
        self.unasked = not ask
        """Whether it sends its readings by itself."""
        self.no_number = False
        """Whether it shows no value, whatever it has."""
        for one in (form, *self._asks.values()):
            _check_form(one)
            for name in names_in(one):
                if name not in device.reads:
                    raise ValueError(f"{one!r}: there is no reading {name}; there are: {', '.join(device.reads)}")
        for name in self._orders:
            if name not in device.writes:
                raise ValueError(f"there is no setting {name}; there are: {', '.join(device.writes)}")

    def line(self) -> str:
        """The line of its readings now.

        >>> meter = TextDevice(Device({"level": lambda: 41.23}), "{level:.1f},dBA", check="nmea")
        >>> meter.line()
        '$41.2,dBA*52'
        """
        return self.sealed(self._filled(self._form))

    def answer(self, line: str) -> str:
        """What it says to a line, having done it."""
        if line in self._asks:
            return self.sealed(self._filled(self._asks[line]))
        for name, order in self._orders.items():
            match = order.fullmatch(line)
            if match:
                return self.sealed(self._take(name, match["value"]))
        return self.sealed(_REFUSED)

    def sealed(self, line: str) -> str:
        """A line with its checksum."""
        data = line.encode("latin-1")
        match self._check:
            case "none":
                return line
            case "sum":
                return f"{line}{sum(data) % 256:02X}"
            case "nmea":
                counted = data.removeprefix(b"$")
                return f"${counted.decode('latin-1')}*{reduce(xor, counted, 0):02X}"

    def _filled(self, form: str) -> str:
        shown = {name: self._device.reads[name]() for name in names_in(form)}
        pieces = Formatter().parse(form)
        return "".join(text + (self._number(shown[name], how or "") if name else "") for text, name, how, _ in pieces)

    def _number(self, reading: Reading, how: str) -> str:
        return _NO_VALUE if reading is None or self.no_number else format(reading, how)

    def _take(self, name: str, number: str) -> str:
        try:
            value = float(number)
            if not math.isfinite(value):
                return _REFUSED
            self._device.writes[name](value)
        except ValueError:
            return _REFUSED
        return _TAKEN


class TextLineServer:
    """A text device on its wire. Start it once, on one of the two kinds; close it in the end.

    Raises ValueError for lines that never end or come without a pause.

    Args:
        device: what talks [no unit]
        wire: whose faults it suffers [no unit]
        every_s: from one unasked line to the next, in real seconds, above 0 [s]
        line_end: what ends a line, either way [no unit]

    >>> async def listen() -> bytes:
    ...     meter = TextDevice(Device({"level": lambda: 41.23}), "{level:.1f} dBA")
    ...     server = TextLineServer(meter, Wire("meter"), every_s=0.01)
    ...     reader, writer = await asyncio.open_connection("127.0.0.1", await server.start_tcp())
    ...     line = await reader.readline()
    ...     writer.close()
    ...     await server.close()
    ...     return line
    >>> asyncio.run(listen())
    b'41.2 dBA\\r\\n'
    """

    def __init__(self, device: TextDevice, wire: Wire, every_s: float = 1.0, line_end: str = "\r\n") -> None:
        if not 0 < every_s < math.inf:
            raise ValueError(f"every_s must be above 0 and finite, got {every_s:g}")
        if not line_end:
            raise ValueError("line_end must not be empty: a line has an end")
        _check_signs(line_end)
        self._device = device
        self._wire = wire
        self._every_s = every_s
        self._end = line_end.encode("latin-1")
        self._host = ""
        self._port = 0
        self._baud: int | None = None
        self._listener: asyncio.Server | None = None
        self._shows: Callable[[str | None], None] | None = None
        self._terminal: Terminal | None = None
        self._sends: list[Callable[[bytes], None]] = []
        self._talks: set[asyncio.Task[None]] = set()
        self._writers: set[asyncio.StreamWriter] = set()
        self._own: list[asyncio.Task[None]] = []

    async def start_tcp(self, host: str = "127.0.0.1", port: int = 0) -> int:
        """Listen, and give the port. Raises OSError when it is taken.

        Args:
            host: on which address [no unit]
            port: on which port, 0 for a free one [1]
        """
        self._host, self._port = host, port
        await self._start()
        return self._port

    async def start_terminal(self, shows: Callable[[str | None], None], baud: int | None = None) -> None:
        """Talk on a pseudo-terminal.

        Args:
            shows: is told its path, which changes when it was unplugged and is back, and None while it is out [no unit]
            baud: the device's speed; None: it understands any [bit/s]
        """
        self._shows, self._baud = shows, baud
        await self._start()

    async def close(self) -> None:
        """Let go of the wire and whoever is connected."""
        for task in self._own:
            await _ended(task)
        self._own = []
        await self._unplug()

    async def _start(self) -> None:
        await self._plug()
        self._own = [asyncio.create_task(self._watch_wire())]
        if self._device.unasked:
            self._own.append(asyncio.create_task(self._send_unasked()))

    async def _plug(self) -> None:
        if self._shows is None:
            self._listener = await asyncio.start_server(self._connected, self._host, self._port, limit=_LONGEST)
            self._port = self._listener.sockets[0].getsockname()[1]
            return
        reader = asyncio.StreamReader(limit=_LONGEST)
        self._terminal = Terminal(reader.feed_data, self._baud)
        self._begin(self._talk(reader, self._terminal.send))
        self._shows(self._terminal.path)

    async def _unplug(self) -> None:
        if self._listener is not None:
            self._listener.close()
            self._listener = None
        for talk in list(self._talks):
            await _ended(talk)
        for writer in self._writers:  # also of those whose talk had no time to begin
            writer.transport.abort()
        self._writers.clear()
        if self._terminal is not None and self._shows is not None:
            self._shows(None)
            self._terminal.close()
            self._terminal = None

    async def _watch_wire(self) -> None:
        plugged = True
        while True:
            await asyncio.sleep(_LOOK_S)
            wanted = self._wire.fault != "unplugged"
            if wanted and not plugged:
                await self._plug()
            if plugged and not wanted:
                await self._unplug()
            plugged = wanted
            if self._terminal is not None:
                self._terminal.listen(self._wire.fault != "deaf")

    async def _send_unasked(self) -> None:
        loop = asyncio.get_running_loop()
        due_s = loop.time()
        while True:
            due_s = max(due_s + self._every_s, loop.time())
            await asyncio.sleep(due_s - loop.time())
            await self._wire.answer(self._line(), self._send_all)

    def _send_all(self, line: bytes) -> None:
        for send in self._sends:
            send(line)

    def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._listener is None:  # it came while the listener was closed
            writer.transport.abort()
            return
        self._writers.add(writer)
        self._begin(self._talk_tcp(reader, writer))

    def _begin(self, work: Coroutine[None, None, None]) -> None:
        talk = asyncio.get_running_loop().create_task(work)
        self._talks.add(talk)
        talk.add_done_callback(self._talks.discard)

    async def _talk_tcp(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        def send(line: bytes) -> None:
            if not writer.is_closing() and writer.transport.get_write_buffer_size() < _MOST_UNREAD:
                writer.write(line)

        await self._talk(reader, send)
        writer.transport.abort()
        self._writers.discard(writer)

    async def _talk(self, reader: asyncio.StreamReader, send: Callable[[bytes], None]) -> None:
        """Obey one line after the other until the other side has gone."""
        self._sends.append(send)
        try:
            while True:
                line = await _line_from(reader, self._end)
                while self._wire.fault == "deaf":  # its program hangs; it will find the line when it wakes up
                    await asyncio.sleep(_LOOK_S)
                if line.strip():
                    await self._wire.answer(self._line(line.decode("latin-1").strip()), send)
        except (asyncio.IncompleteReadError, OSError):
            return
        finally:
            self._sends.remove(send)

    def _line(self, asked: str | None = None) -> bytes:
        """What it says to a line, or unasked, while the wire is as it is."""
        device = self._device
        device.no_number = self._wire.fault == "not_a_number"
        match self._wire.fault:
            case "exception":
                said = device.sealed(_REFUSED)
            case "other_device":
                said = device.sealed(_OTHER)
            case _:
                said = device.line() if asked is None else device.answer(asked)
        return said.encode("latin-1") + self._end


async def _line_from(reader: asyncio.StreamReader, end: bytes) -> bytes:
    """The next line without its end; of one that is far too long only a piece."""
    try:
        return (await reader.readuntil(end)).removesuffix(end)
    except asyncio.LimitOverrunError:
        return await reader.read(_LONGEST)


def names_in(form: str) -> list[str]:
    """The names of the readings in a form.

    >>> names_in("{level:.1f} dBA {battery:.0f} %")
    ['level', 'battery']
    """
    return [name for _, name, _, _ in Formatter().parse(form) if name]


def _check_form(form: str) -> None:
    """Raises ValueError for a form that could not be filled."""
    _check_signs(form)
    try:
        pieces = list(Formatter().parse(form))
    except ValueError as error:
        raise ValueError(f"{form!r}: the form cannot be understood: {error}") from None
    for _, name, how, conversion in pieces:
        if name == "":
            raise ValueError(f"{form!r}: a place without a name; say which reading")
        if conversion:
            raise ValueError(f"{form!r}: a reading cannot be converted, !{conversion}")
        try:
            format(0.0, how or "")
        except ValueError:
            raise ValueError(f"{form!r}: a reading cannot be written as {how}; a number is written as .1f") from None


def _check_signs(text: str) -> None:
    strange = next((sign for sign in text if ord(sign) > _LAST_SIGN), None)
    if strange is not None:
        raise ValueError(f"{text!r}: no line can carry {strange!r}, only signs of Latin-1")


def _order(name: str, order: str) -> re.Pattern[str]:
    try:
        pattern = re.compile(order)
    except re.error as error:
        raise ValueError(f"order {order!r} of {name}: {error}") from None
    if "value" not in pattern.groupindex:
        raise ValueError(f"order {order!r} of {name}: it has no group named value, (?P<value>...), for the number")
    return pattern


async def _ended(task: asyncio.Task[None]) -> None:
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
