"""The agent on the test computer: `python -m drivers.load_agent --listen HOST:PORT`, a SCPI socket that heats.

It offers the processor of the computer on which it runs as a heat source, with its temperature, clocks, throttling and
fans, to a bench that runs elsewhere; the driver `scpi` speaks to it:

    [instruments.processor]
    driver = "scpi"
    host = "192.168.1.30"
    port = 5025
    heats = "processor"
    at_open = ["SYST:COMM:TIM 5"]
    channels.heat_w = { uncertainty_pct = 5 }
    channels.die_c = {}
    channels.clock_pct = { query = "MEAS:CLOC?" }
    channels.throttled_s = { query = "MEAS:THR?" }
    channels.fan_rpm = { query = "MEAS:FAN?" }
    setpoints.heat_w = { range = [0, 120], safe = 0 }
    setpoints.fan_pct = { command = "SOUR:FAN {value}", range = [0, 100], safe = 100 }

Messages end with a line feed. A value that there is not is 9.91E37. `OUTP:PROT:TRIP?` is 1 after heat has gone off by
itself: nobody who holds it has said a word for the time-out, the energy counter could not be read, or the agent failed.
Then, at SIGTERM and at its end the load is off and the fans are full; at its end their former mode is given back, after
a SIGKILL by the next start (workers die with it at once). Several may be connected; see `drivers.processor.agent` for
who may heat.

There is no password: listen on a network that you trust. Owns the socket and the life of the process.
"""

from __future__ import annotations

import argparse
import asyncio
import ipaddress
import json
import math
import os
import signal
import socket
import sys
from collections.abc import Mapping, Sequence

from pydantic import ValidationError

from benchd.errors import BenchdError
from drivers.processor import clocks, powercap
from drivers.processor.agent import Agent
from drivers.processor.driver import ProcessorLoadSpec
from drivers.sysfs import chips
from drivers.sysfs.hwmon import HwmonSpec

USUAL_PORT = 5025
#: A message longer than this is none [bytes].
LONGEST = 4096
#: More than so many are not served at once: one more, and who has been silent longest and holds nothing is cut off.
MOST_CLIENTS = 8
#: A peer that has lost its supply says nothing: asked so often [s], and given up after so many questions.
ALIVE_AFTER_S, ALIVE_EVERY_S, ALIVE_TRIES = 10, 3, 3


def address(text: str) -> tuple[str, int]:
    """HOST:PORT, or HOST alone; an IPv6 address with a port stands in brackets. Raises `ValueError`.

    >>> address("127.0.0.1:6000"), address("192.0.2.7"), address("[::1]:0")
    (('127.0.0.1', 6000), ('192.0.2.7', 5025), ('::1', 0))
    """
    host, colon, port = text.rpartition(":")
    if not colon or (text.count(":") > 1 and not host.startswith("[")):
        host, port = text, str(USUAL_PORT)
    if not (port.isascii() and port.isdigit() and int(port) <= 65535 and host):
        raise ValueError(f"{text!r} is not HOST:PORT")
    return host.removeprefix("[").removesuffix("]"), int(port)


def is_loopback(host: str) -> bool:
    """Whether only this computer can reach that address.

    >>> is_loopback("127.0.0.1"), is_loopback("localhost"), is_loopback("0.0.0.0")
    (True, True, False)
    """
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def highest_w(text: str) -> float:
    """The highest set point [W]. Raises `argparse.ArgumentTypeError` unless it is above 0 and finite.

    >>> highest_w("120")
    120.0
    """
    try:
        watts = float(text)
    except ValueError:
        watts = math.nan
    if not 0 < watts < math.inf:
        raise argparse.ArgumentTypeError(f"{text} is no highest set point: above 0 and finite [W]")
    return watts


class Server:
    """The socket: one `Commands` a connection, all over one agent."""

    def __init__(self, agent: Agent) -> None:
        self._agent = agent
        self._clients: list[asyncio.StreamWriter] = []
        """Who is connected; who has been silent longest comes first."""
        self._talks: set[asyncio.Task[None]] = set()

    def connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Serve one more connection, to its end."""
        # A task of our own: one that asyncio makes here is reported with a traceback when it is cancelled at the end.
        talk = asyncio.get_running_loop().create_task(self._serve(reader, writer))
        self._talks.add(talk)
        talk.add_done_callback(self._talks.discard)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._make_room()
        self._clients.append(writer)
        try:
            _ask_whether_alive(writer)
            await self._answer(reader, writer)
        except (OSError, ValueError, asyncio.IncompleteReadError):
            pass  # it has gone, or talks without an end
        finally:
            if writer in self._clients:
                self._clients.remove(writer)
            self._agent.gone(writer)
            writer.close()

    def _make_room(self) -> None:
        if len(self._clients) < MOST_CLIENTS:
            return
        silent = next(client for client in self._clients if not self._agent.is_held_by(client))
        self._clients.remove(silent)
        silent.transport.abort()

    async def _answer(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        commands = self._agent.commands_for(writer)
        while True:
            line = await reader.readline()
            if not line.endswith(b"\n") or writer not in self._clients:
                return
            self._clients.remove(writer)
            self._clients.append(writer)
            errors = commands.errors.ever
            answer = commands.answer(line.decode("latin-1").strip())
            if commands.errors.ever == errors:
                self._agent.heard(writer)
            if answer is not None:
                writer.write(f"{answer}\n".encode("latin-1"))
                await writer.drain()

    def close(self) -> None:
        """End all connections."""
        for writer in list(self._clients):
            writer.close()


def _ask_whether_alive(writer: asyncio.StreamWriter) -> None:
    connection: socket.socket = writer.get_extra_info("socket")
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, ALIVE_AFTER_S)
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, ALIVE_EVERY_S)
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT, ALIVE_TRIES)


async def _serve(agent: Agent, host: str, port: int, *, stop_at_eof: bool) -> signal.Signals | None:
    """Serve until told to stop; the signal that said so, or None for the end of standard input."""
    loop = asyncio.get_running_loop()
    stop: asyncio.Future[signal.Signals | None] = loop.create_future()

    def end(cause: signal.Signals | None) -> None:
        if not stop.done():
            stop.set_result(cause)

    def at_input() -> None:
        if not os.read(sys.stdin.fileno(), 1000):
            end(None)

    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        loop.add_signal_handler(number, end, number)
    if stop_at_eof:
        try:
            loop.add_reader(sys.stdin.fileno(), at_input)
        except PermissionError:  # a plain file, or /dev/null: it is at its end
            end(None)
    served = Server(agent)
    server = await asyncio.start_server(served.connected, host, port, limit=LONGEST)
    print(json.dumps({"port": server.sockets[0].getsockname()[1], "what": agent.words}), flush=True)
    try:
        return await stop
    finally:
        server.close()
        served.close()


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m drivers.load_agent", description="The processor of this computer as a heat source, over SCPI."
    )
    add = parser.add_argument
    add("--listen", default=f"127.0.0.1:{USUAL_PORT}", help="HOST:PORT; port 0 takes a free one (default: %(default)s)")
    add("--timeout-s", type=float, default=5.0, help="load off and fans full after so long without a word")
    add("--max-w", type=highest_w, default=100.0, help="highest set point")
    add("--package", type=int, default=0, help="number of the processor package")
    add("--zone", help="its power zone, where that is not package-N")
    add("--temperature", default="coretemp/temp1", help="CHIP/INPUT of its temperature (default: %(default)s)")
    add("--work", choices=("spin", "matrix"), default="spin", help="what the workers do; matrix heats more")
    add("--workers", type=int, help="how many; one on each processor unless given")
    add("--nice", type=int, default=10, help="how far they give way to other programs, 0 to 19")
    add("--no-limit", action="store_true", help="leave the package's power limits alone")
    add("--fans", metavar="CHIP", help="chip that turns the fans, as `benchd instruments --find` names it")
    add("--fan-device", metavar="END", help="end of its device link, where two chips share a name")
    add("--pwm", type=int, nargs="+", default=[1], help="its outputs that the fans hang on (default: 1)")
    add("--tach", nargs="+", default=["fan1"], metavar="INPUT", help="its inputs of their speeds (default: fan1)")
    add("--hwmon-root", default=chips.ROOT, help=argparse.SUPPRESS)
    add("--powercap-root", default=powercap.ROOT, help=argparse.SUPPRESS)
    add("--cpu-root", default=clocks.ROOT, help=argparse.SUPPRESS)
    add("--state-folder", help="where former modes and limits are kept while they are taken")
    add("--stop-at-eof", action="store_true", help="stop when standard input ends as well")
    return parser.parse_args(arguments)


def _heat_spec(options: argparse.Namespace) -> ProcessorLoadSpec:
    chip, _, input_ = options.temperature.partition("/")
    table: Mapping[str, object] = {
        "driver": "processor_load",
        "package": options.package,
        "zone": options.zone,
        "chip": chip,
        "temperature": input_,
        "work": options.work,
        "workers": options.workers,
        "nice": options.nice,
        "use_limit": not options.no_limit,
        "timeout_s": options.timeout_s,
        "powercap_root": options.powercap_root,
        "cpu_root": options.cpu_root,
        "hwmon_root": options.hwmon_root,
        "state_folder": options.state_folder,
    }
    return ProcessorLoadSpec.model_validate(table)


def _fan_spec(options: argparse.Namespace) -> HwmonSpec | None:
    if options.fans is None:
        return None
    table: Mapping[str, object] = {
        "driver": "hwmon",
        "chip": options.fans,
        "device": options.fan_device,
        "root": options.hwmon_root,
        "state_folder": options.state_folder,
        "channels": {f"{name}_rpm": {"input": name} for name in options.tach},
        "setpoints": {"fan_pct": {"pwm": options.pwm, "range": [0, 100], "safe": 100}},
    }
    return HwmonSpec.model_validate(table)


def main(arguments: Sequence[str] | None = None) -> int:
    """Serve until told to stop. After a signal the process ends by it, so that its exit status is true."""
    options = _options(arguments)
    try:
        host, port = address(options.listen)
        agent = Agent(_heat_spec(options), _fan_spec(options), options.max_w)
    except ValidationError as error:
        for problem in error.errors():
            where = f"{'.'.join(map(str, problem['loc']))}: " if problem["loc"] else ""
            print(f"load_agent: {where}{problem['msg'].removeprefix('Value error, ')}", file=sys.stderr)
        return 2
    except (BenchdError, ValueError) as error:
        print(f"load_agent: {error}", file=sys.stderr)
        return 1
    if agent.no_temperature:
        print(f"load_agent: warning: no temperature: {agent.no_temperature}", file=sys.stderr)
    if not is_loopback(host):
        print(
            f"load_agent: warning: listening on {host} without a password: whoever reaches it can heat this computer "
            "and turn its fans; trusted network only",
            file=sys.stderr,
        )
    try:
        ended_by = asyncio.run(_serve(agent, host, port, stop_at_eof=options.stop_at_eof))
    except OSError as error:
        print(f"load_agent: cannot listen on {options.listen}: {error.strerror or error}", file=sys.stderr)
        return 1
    finally:
        agent.close()
    if ended_by is not None:
        signal.signal(ended_by, signal.SIG_DFL)
        signal.raise_signal(ended_by)
    return 0


if __name__ == "__main__":
    sys.exit(main())
