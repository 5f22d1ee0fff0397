"""Modbus requests and answers as bytes, and one device to be asked: the only module that knows pymodbus, which changes
with every version.

Owns how messages are packed for TCP and for RTU, which answers fit a request, and that an exception reply is the
device's own no (`RefusedError`). It does not know what registers mean, or when to speak (`line`).

Sources: MODBUS Application Protocol Specification V1.1b3; MODBUS Messaging on TCP/IP Implementation Guide V1.0b;
MODBUS over Serial Line V1.02 (modbus.org).
"""

from __future__ import annotations

import logging
import struct
from collections.abc import Sequence

from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.pdu.mei_message import ReadDeviceInformationRequest, ReadDeviceInformationResponse
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
    WriteMultipleRegistersRequest,
    WriteSingleRegisterRequest,
)

from benchd.errors import Garbled
from drivers.links.patience import Patience
from drivers.links.stream import WireKeys
from drivers.modbus.codec import Framing, Table, meaning
from drivers.modbus.line import Asker, Line, NonsenseError, Question

# pymodbus prints errors and its last frames; whatever matters of them is in the errors raised here.
logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)

_READS = (0x03, 0x04)
_IDENTIFY = 0x2B
_REFUSED = 0x80
#: The longest message without what the line puts around it [bytes].
_LONGEST_PDU = 253

_decoder = DecodePDU(is_server=False)


class RefusedError(Exception):
    """The device answered with an exception reply. Never leaves the driver."""

    def __init__(self, code: int) -> None:
        super().__init__(meaning(code))
        self.code = code


class TcpFrames:
    """Messages with the header of Modbus TCP: transaction, protocol 0, length, device. Late answers are skipped.

    >>> frames = TcpFrames()
    >>> frames.pack(Question(1, 3, bytes.fromhex("03006b0003"), 8)).hex(" ")
    '00 01 00 00 00 06 01 03 00 6b 00 03'
    """

    _HEADER = struct.Struct(">HHHB")

    def __init__(self) -> None:
        self._framer = FramerSocket(_decoder)
        self._transaction = 0

    def pack(self, question: Question) -> bytes:
        """The question with the next transaction number."""
        self._transaction = self._transaction % 0xFFFF + 1
        return self._framer.encode(question.pdu, question.device_id, self._transaction)

    def unpack(self, got: bytes, question: Question) -> bytes | None:
        """The answer with the same transaction number."""
        while len(got) >= self._HEADER.size:
            transaction, protocol, length, device_id = self._HEADER.unpack_from(got)
            if protocol != 0 or not 2 <= length <= _LONGEST_PDU + 1:
                raise NonsenseError(f"{got[:7].hex(' ')} does not begin a Modbus TCP message")
            frame, got = got[: 6 + length], got[6 + length :]
            if len(frame) < 6 + length:
                return None
            if transaction == self._transaction:
                return _whole_answer(device_id, frame[self._HEADER.size :], question)
        return None


class RtuFrames:
    """Messages between the device's number and a checksum, and nothing else: what comes beside an answer spoils it.

    >>> RtuFrames().pack(Question(2, 7, bytes([7]), 2)).hex(" ")  # MODBUS over Serial Line V1.02, appendix B
    '02 07 41 12'
    """

    def __init__(self) -> None:
        self._framer = FramerRTU(_decoder)

    def pack(self, question: Question) -> bytes:
        """The question with its device and checksum."""
        return self._framer.encode(question.pdu, question.device_id, 0)

    def unpack(self, got: bytes, question: Question) -> bytes | None:
        """The answer with the right device, function, length and checksum."""
        _same_device(got[0], question)
        try:
            size = _answer_bytes(got[1:], question)
        except NonsenseError:
            if len(got) > 2 and self.pack(question).startswith(got[:8]):
                raise NonsenseError("the request itself came back: switch off the adapter's echo") from None
            raise
        if size is None or len(got) < size + 3:
            return None
        if len(got) > size + 3:
            raise NonsenseError(f"more came than the answer: {got.hex(' ')}")
        if FramerRTU.compute_CRC(got[:-2]) != int.from_bytes(got[-2:], "big"):
            raise NonsenseError(f"wrong checksum: {got.hex(' ')}")
        return _to_the_point(got[1:-2], question)


class Device:
    """One device, for one call of the driver: all its answers must come within `patience`, the first within `first`."""

    def __init__(self, line: Line, device_id: int, asker: Asker, patience: Patience, first: Patience) -> None:
        self._line = line
        self._device_id = device_id
        self._asker = asker
        self._patience = first
        self._then = patience

    def read(self, table: Table, register: int, count: int) -> Sequence[int]:
        """`count` registers [1] from `register` on, in one request (function 03 or 04)."""
        of = ReadHoldingRegistersRequest if table == "holding" else ReadInputRegistersRequest
        return self._ask(of(address=register, count=count), 2 + 2 * count).registers

    def write(self, register: int, words: Sequence[int]) -> None:
        """Write holding registers from `register` on: one with function 06, several with function 16."""
        if len(words) == 1:
            self._ask(WriteSingleRegisterRequest(address=register, registers=list(words)), 5, repeats=5)
        else:
            self._ask(WriteMultipleRegistersRequest(address=register, registers=list(words)), 5, repeats=5)

    def identification(self) -> str:
        """Maker, product and revision, as the device tells them (function 43, type 14)."""
        reply = self._ask(ReadDeviceInformationRequest(), _LONGEST_PDU)
        objects: dict[int, bytes | list[bytes]] = getattr(reply, "information", {})
        texts = [found.decode("ascii", "replace") for _, found in sorted(objects.items()) if isinstance(found, bytes)]
        return " ".join(text.strip() for text in texts if text.strip())

    def _ask(self, request: ModbusPDU, answer_bytes: int, repeats: int = 0) -> ModbusPDU:
        """`repeats`: the answer is so much of the request [bytes]."""
        pdu = bytes([request.function_code]) + request.encode()
        question = Question(self._device_id, request.function_code, pdu, answer_bytes, pdu[:repeats])
        answer = self._line.ask(self._asker, question, self._patience)
        self._patience = self._then
        reply = _decoder.decode(answer)
        if reply is None:
            raise Garbled(f"{self._asker.who}: {answer.hex(' ')} cannot be decoded", "is it a Modbus device?")
        if isinstance(reply, ExceptionResponse):
            raise RefusedError(reply.exception_code)
        return reply


def line_of(framing: Framing, keys: WireKeys) -> Line:
    """A line with one kind of messages on it, not opened yet."""
    return Line(keys, TcpFrames(), numbered=True) if framing == "tcp" else Line(keys, RtuFrames(), numbered=False)


def _same_device(device_id: int, question: Question) -> None:
    if device_id != question.device_id:
        raise NonsenseError(f"asked device {question.device_id}, device {device_id} answered")


def _whole_answer(device_id: int, pdu: bytes, question: Question) -> bytes:
    _same_device(device_id, question)
    if len(pdu) != _answer_bytes(pdu, question):
        raise NonsenseError(f"an answer to function {question.function:02d} is not so long: {pdu.hex(' ')}")
    return _to_the_point(pdu, question)


def _to_the_point(pdu: bytes, question: Question) -> bytes:
    if question.answer and not pdu[0] & _REFUSED and pdu != question.answer:
        raise NonsenseError(
            f"the answer does not repeat the request: wrote {question.pdu.hex(' ')}, {pdu.hex(' ')} came"
        )
    return pdu


def _answer_bytes(pdu: bytes, question: Question) -> int | None:
    """How long an answer is that begins so [bytes]; None while it does not say. Raises `NonsenseError`."""
    if not pdu:
        return None
    if pdu[0] & ~_REFUSED != question.function:
        raise NonsenseError(f"asked function {question.function:02d}, answered {pdu[0] & ~_REFUSED:02d}")
    if pdu[0] & _REFUSED:
        return 2
    if question.function in _READS and len(pdu) > 1 and pdu[1] + 2 != question.answer_bytes:
        raise NonsenseError(f"asked for {question.answer_bytes // 2 - 1} registers, got {pdu[1] / 2:g}")
    if question.function == _IDENTIFY:
        # pymodbus counts device and checksum as well, and gives more than there can be while the end is not there.
        size = ReadDeviceInformationResponse.calculateRtuFrameSize(b"\0" + pdu) - 3
        return size if size <= _LONGEST_PDU else None
    return question.answer_bytes
