"""A SCPI device on a TCP socket or a pseudo-terminal: common commands, an error queue, and a table of headers.

Owns what the device answers (`ScpiDevice`) and how it stands on a wire and suffers its faults (`ScpiServer`). How
messages are read is in scpi_messages.py. Knows no plant: what it shows and takes it is given as a `Device`.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Coroutine, Iterator, Mapping

from sim.wires.base import Device, Wire
from sim.wires.scpi_messages import ErrorReply, Status, Unit, is_spelling, numeral, parameter, units
from sim.wires.terminal import Terminal

IDENTITY = "benchd,simulated supply,0,1"
#: What stands on the wire when another device has answered: a thermometer with three inputs.
_OTHER_IDENTITY = "benchd,simulated thermometer,0,1"
_OTHER_ANSWER = "+2.310000E+01,+2.350000E+01,+2.290000E+01"
#: The longest message [bytes].
_LONGEST = 4096
#: How often a server looks whether the wire has been pulled [s].
_LOOK_S = 0.01


class ScpiDevice:
    """What a device answers to a message, and does.

    Raises KeyError when a header is given for what the device neither shows nor takes.

    Args:
        device: what it shows and takes [no unit]
        reads: header in SCPI notation by the name of a reading; its query shows it [no unit]
        writes: header by the name of a setting; its query shows what was taken last, unless a reading has it [no unit]
        identity: what it says of itself, four fields [no unit]
        suffixes: unit that may stand behind the number of a setting, by its name [no unit]

    >>> said = []
    >>> supply = ScpiDevice(
    ...     Device({"heat": lambda: 99.8}, {"set": said.append}), {"heat": "MEASure:POWer"}, {"set": "[SOURce:]POWer"}
    ... )
    >>> supply.answer("POW 100;:MEAS:POW?;:SOUR:POW?"), said
    ('+9.980000E+01;+1.000000E+02', [100.0])
    >>> supply.answer("POWR 100"), supply.answer("SYST:ERR?")
    ('', '-113,"Undefined header"')
    """

    def __init__(
        self,
        device: Device,
        reads: Mapping[str, str],
        writes: Mapping[str, str],
        *,
        identity: str = IDENTITY,
        suffixes: Mapping[str, str] | None = None,
    ) -> None:
        self.status = Status()
        """Its error queue and registers."""
        self.no_number = False
        """Whether it has no value for anything that it measures."""
        self.refuses = False
        """Whether it does nothing that it is asked or told, with an execution error."""
        self._identity = identity
        self._reads = [(header, device.reads[name]) for name, header in reads.items()]
        self._writes = [(header, name, device.writes[name]) for name, header in writes.items()]
        self._suffixes = suffixes or {}
        self._taken: dict[str, float] = {}
        self._common: Mapping[str, Callable[[], object]] = {
            "*IDN?": lambda: self._identity,
            "*CLS": self.status.clear,
            "*RST": lambda: None,
            "*WAI": lambda: None,
            "*TST?": lambda: "0",
            "*OPC": self.status.complete,
            "*OPC?": lambda: "1",
            "*ESR?": lambda: str(self.status.take_events()),
            "*ESE?": lambda: str(self.status.enabled),
            "*SRE?": lambda: "0",
            "*STB?": lambda: str(self.status.byte),
        }

    def answer(self, message: str) -> str:
        """Do what a message says, and give the answers of its queries, empty when it has none.

        After what it cannot understand it leaves the rest of the message undone; after what it cannot carry out it goes
        on. Errors go on its queue.

        Args:
            message: without its end [no unit]

        >>> ScpiDevice(Device({}), {}, {}).answer("*IDN?;*OPC?")
        'benchd,simulated supply,0,1;1'
        """
        return ";".join(answer for answer in self._answers(message) if answer is not None)

    def _answers(self, message: str) -> Iterator[str | None]:
        try:
            for unit in units(message):
                yield self._guarded(unit)
        except ErrorReply as error:
            self.status.put(error)

    def _guarded(self, unit: Unit) -> str | None:
        try:
            return self._do(unit)
        except ErrorReply as error:
            if error.is_command_error:
                raise
            self.status.put(error)
            return None

    def _do(self, unit: Unit) -> str | None:
        if unit.header.startswith("*"):
            return self._common_command(unit)
        if unit.is_query and is_spelling(unit.header, "SYSTem:ERRor[:NEXT]"):
            return self.status.next_error()
        if self.refuses:
            raise ErrorReply(-200)
        if unit.is_query:
            return self._show(unit)
        self._take(unit)
        return None

    def _common_command(self, unit: Unit) -> str | None:
        if unit.header in ("*ESE", "*SRE") and not unit.is_query:
            mask = parameter(unit.argument)
            if not 0 <= mask <= 255:
                raise ErrorReply(-222)
            self.status.enabled = int(mask) if unit.header == "*ESE" else self.status.enabled
            return None
        act = self._common.get(unit.header + "?" * unit.is_query)
        if act is None:
            raise ErrorReply(-113)
        if unit.argument is not None:
            raise ErrorReply(-108)
        given = act()
        return given if isinstance(given, str) else None

    def _show(self, unit: Unit) -> str:
        for header, read in self._reads:
            if is_spelling(unit.header, header):
                value = read()
                return numeral(float("nan") if value is None or self.no_number else value)
        for header, name, _ in self._writes:
            if is_spelling(unit.header, header):
                if name not in self._taken:
                    raise ErrorReply(-230)
                return numeral(self._taken[name])
        raise ErrorReply(-113)

    def _take(self, unit: Unit) -> None:
        for header, name, write in self._writes:
            if is_spelling(unit.header, header):
                value = parameter(unit.argument, self._suffixes.get(name, ""))
                try:
                    write(value)
                except ValueError:
                    raise ErrorReply(-222) from None
                self._taken[name] = value
                return
        raise ErrorReply(-113)


class ScpiServer:
    """A SCPI device on its wire. Start it once, on one of the two kinds; close it in the end.

    Args:
        device: what answers [no unit]
        wire: whose faults it suffers [no unit]

    >>> async def ask() -> bytes:
    ...     server = ScpiServer(ScpiDevice(Device({}), {}, {}), Wire("supply"))
    ...     reader, writer = await asyncio.open_connection("127.0.0.1", await server.start_tcp())
    ...     writer.write(b"*OPC?\\n")
    ...     answer = await reader.readline()
    ...     writer.close()
    ...     await server.close()
    ...     return answer
    >>> asyncio.run(ask())
    b'1\\n'
    """

    def __init__(self, device: ScpiDevice, wire: Wire) -> None:
        self._device = device
        self._wire = wire
        self._host = ""
        self._port = 0
        self._listener: asyncio.Server | None = None
        self._talks: set[asyncio.Task[None]] = set()
        self._shows: Callable[[str | None], None] | None = None
        self._baud: int | None = None
        self._terminal: Terminal | None = None
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
            baud: its speed; None: it understands any [bit/s]
        """
        self._shows, self._baud = shows, baud
        await self._plug()
        self._watch = asyncio.create_task(self._watch_wire())

    async def close(self) -> None:
        """Let go of the wire and whoever is connected."""
        if self._watch is not None:
            await _ended(self._watch)
            self._watch = None
        await self._unplug()

    async def _plug(self) -> None:
        if self._shows is None:
            self._listener = await asyncio.start_server(self._talk, self._host, self._port, limit=_LONGEST)
            self._port = self._listener.sockets[0].getsockname()[1]
            return
        reader = asyncio.StreamReader(limit=_LONGEST)
        self._terminal = Terminal(reader.feed_data, self._baud)
        self._shows(self._terminal.path)
        self._begin(self._answer_all(reader, self._terminal.send))

    async def _unplug(self) -> None:
        if self._listener is not None:
            listener, self._listener = self._listener, None
            await _stop_listening(listener)
        for talk in list(self._talks):
            await _ended(talk)
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
            if self._terminal is not None:
                self._terminal.listen(self._wire.fault != "deaf")
            plugged = wanted

    def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        def send(answer: bytes) -> None:
            if not writer.is_closing():
                writer.write(answer)

        if self._listener is None:  # it was on its way when the plug was pulled
            writer.transport.abort()
            return
        talk = self._begin(self._answer_all(reader, send))
        talk.add_done_callback(lambda _: writer.transport.abort())  # also when it was cancelled before it began

    def _begin(self, work: Coroutine[None, None, None]) -> asyncio.Task[None]:
        talk = asyncio.get_running_loop().create_task(work)
        self._talks.add(talk)
        talk.add_done_callback(self._talks.discard)
        return talk

    async def _answer_all(self, reader: asyncio.StreamReader, send: Callable[[bytes], None]) -> None:
        """Answer one message after the other until the other side has gone."""
        while True:
            try:
                message = await reader.readuntil(b"\n")
            except asyncio.LimitOverrunError:
                self._device.status.put(ErrorReply(-363))
                await reader.read(_LONGEST)
                continue
            except (asyncio.IncompleteReadError, OSError):
                return
            while self._wire.fault == "deaf":  # its program hangs; it will find the message when it wakes up
                await asyncio.sleep(_LOOK_S)
            answer = self._obey(message.decode("latin-1").strip())
            if answer:
                await self._wire.answer(answer.encode("ascii") + b"\n", send)

    def _obey(self, message: str) -> str:
        self._device.refuses = self._wire.fault == "exception"
        self._device.no_number = self._wire.fault == "not_a_number"
        if self._wire.fault != "other_device":
            return self._device.answer(message)
        if message.upper().startswith("*IDN?"):
            return _OTHER_IDENTITY
        return _OTHER_ANSWER if "?" in message else ""


async def _stop_listening(listener: asyncio.Server) -> None:
    """Close it, and leave no connection that it is just about to accept: asyncio forgets those (CPython 3.11)."""
    for socket in listener.sockets:
        asyncio.get_running_loop().remove_reader(socket)
    for _ in range(3):  # what has been accepted gets to `_talk` meanwhile
        await asyncio.sleep(0)
    listener.close()


async def _ended(task: asyncio.Task[None]) -> None:
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
