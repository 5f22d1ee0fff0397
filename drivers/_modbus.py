"""The link to one Modbus device: the only module that touches pymodbus' client, which changes with every
version.

Owns connecting, sending one request, and sorting what can go wrong: nothing came (`NoAnswer`), no connection
(`LinkLost`), nonsense came (`Garbled`), the device said no (`RefusedError`). It does not know what registers
mean.

A link on which something went wrong must be closed and not used again: the old request may still be answered.
"""

from __future__ import annotations

import logging
import socket
from collections.abc import Callable, Sequence

from pymodbus.client import ModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException, ModbusIOException
from pymodbus.pdu import ExceptionResponse, ModbusPDU

from benchd.errors import Garbled, LinkLost, NoAnswer
from drivers.modbus_codec import Table, meaning

# pymodbus prints errors and its last frames; whatever matters of them is in the errors raised here.
logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)

_READ = {"holding": 0x03, "input": 0x04}
_WRITE_ONE = 0x06
_WRITE_MANY = 0x10
_IDENTIFY = 0x2B


class RefusedError(Exception):
    """The device answered with an exception reply. Never leaves the driver."""

    def __init__(self, code: int) -> None:
        super().__init__(meaning(code))
        self.code = code


class Link:
    """One open connection to one device; `who` names both in messages."""

    def __init__(self, client: ModbusTcpClient, device_id: int, who: str, timeout_s: float) -> None:
        self._client = client
        self._device_id = device_id
        self._who = who
        self._timeout_s = timeout_s

    def close(self) -> None:
        """Let go of the connection; never raises, may be called twice."""
        self._client.close()  # type: ignore[no-untyped-call]  # pymodbus leaves close() without types

    def wait_at_most(self, timeout_s: float) -> None:
        """From now on an answer may take `timeout_s` [s]."""
        self._timeout_s = timeout_s
        # pymodbus keeps two copies: how long it waits for bytes, and after what it gives up.
        self._client.comm_params.timeout_connect = timeout_s
        self._client.transaction.comm_params.timeout_connect = timeout_s

    def read(self, table: Table, register: int, count: int) -> Sequence[int]:
        """`count` registers [1] from `register` on, in one request (function 03 or 04)."""
        ask = self._client.read_holding_registers if table == "holding" else self._client.read_input_registers
        reply = self._ask(_READ[table], lambda: ask(register, count=count, device_id=self._device_id))
        if len(reply.registers) != count:
            raise self._garbled(f"asked for {count} registers, got {len(reply.registers)}")
        return reply.registers

    def write(self, register: int, words: Sequence[int]) -> None:
        """Write holding registers from `register` on: one with function 06, several with function 16."""
        if len(words) == 1:
            reply = self._ask(
                _WRITE_ONE,
                lambda: self._client.write_register(register, words[0], device_id=self._device_id),
            )
            echoed = reply.address == register and list(reply.registers) == list(words)
        else:
            reply = self._ask(
                _WRITE_MANY,
                lambda: self._client.write_registers(register, list(words), device_id=self._device_id),
            )
            echoed = reply.address == register and reply.count == len(words)
        if not echoed:
            raise self._garbled(f"the answer to writing register {register} does not repeat the request")

    def identification(self) -> str:
        """Maker, product and revision, as the device tells them (function 43, type 14)."""
        reply = self._ask(_IDENTIFY, lambda: self._client.read_device_information(device_id=self._device_id))
        objects: dict[int, bytes | list[bytes]] = getattr(reply, "information", {})
        texts = [found.decode("ascii", "replace") for _, found in sorted(objects.items()) if isinstance(found, bytes)]
        return " ".join(text.strip() for text in texts if text.strip())

    def _ask(self, function: int, send: Callable[[], ModbusPDU]) -> ModbusPDU:
        try:
            reply = send()
        except (ConnectionException, OSError) as error:
            raise LinkLost(
                f"{self._who}: the connection was lost",
                "is the device still on, and does no other program hold its connection?",
            ) from error
        except ModbusIOException as error:
            # pymodbus raises the same for silence, with the function asked, and for what it cannot decode.
            if error.fcode is None:
                raise self._garbled("the answer cannot be decoded") from error
            raise NoAnswer(
                f"{self._who}: no answer to function {function:02d} within {self._timeout_s:.3g} s",
                f"check its power and cable, and whether device_id {self._device_id} is its own; "
                "a slow device needs a longer deadline_s",
            ) from error
        except ModbusException as error:
            raise self._garbled(str(error)) from error
        if reply.function_code & 0x7F != function:
            raise self._garbled(f"asked function {function:02d}, answered {reply.function_code & 0x7F:02d}")
        if isinstance(reply, ExceptionResponse):
            raise RefusedError(reply.exception_code)
        return reply

    def _garbled(self, what: str) -> Garbled:
        return Garbled(f"{self._who}: {what}", "is it a Modbus TCP device, and do its registers fit the bench file?")


def connect_tcp(host: str, port: int, device_id: int, who: str, timeout_s: float) -> Link:
    """A link over Modbus TCP. Connecting, and each answer, may take `timeout_s` [s]. Raises `LinkLost`."""
    client = ModbusTcpClient(host, port=port, timeout=timeout_s, retries=0)
    try:
        # pymodbus would connect by itself, but keep the reason of a failure to itself as well.
        client.socket = socket.create_connection((host, port), timeout=timeout_s)
    except OSError as error:
        raise LinkLost(
            f"{who}: cannot connect: {error.strerror or error}",
            "is the device on and in the network, and are host and port right?",
        ) from error
    return Link(client, device_id, who, timeout_s)
