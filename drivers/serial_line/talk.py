"""Talking lines of text over an open wire: asking for one (`Talk`), or listening to a device that sends by itself
(`Listener`).

Owns when a line may be believed: whole, of this question, and not older than it may be. It does not know what a line
says.
"""

from __future__ import annotations

from benchd.errors import Garbled, NoAnswer
from drivers.links.patience import Patience
from drivers.links.stream import Stream, collect, on_silence, shown
from drivers.serial_line.codec import Encoding, LineCodec, Lines
from drivers.serial_line.keys import SerialLineSpec

#: Within a line the next byte comes at once; an adapter may keep it back a little. A longer gap [s] is the end of it.
_GAP_S = 0.2
#: The kernel keeps some 64 KiB of a serial port and then loses what comes: so much at once [bytes] may have holes.
_MAY_HAVE_HOLES = 32768
_SPEEDS = (2400, 4800, 9600, 19200, 38400, 57600, 115200)


def is_text(data: bytes, encoding: Encoding) -> bool:
    """Whether bytes could be letters of that encoding.

    >>> is_text(b"23.4 \\xb0C", "latin-1"), is_text(b"23.4 \\xb0C", "ascii"), is_text(b"\\xf8\\x86", "latin-1")
    (True, False, False)
    """
    high = range(0xA0, 0x100) if encoding == "latin-1" else range(0)
    return all(byte in range(0x20, 0x7F) or byte in b"\t\r\n" or byte in high for byte in data)


def what_to_try(spec: SerialLineSpec, data: bytes) -> str:
    """What a person can do about bytes that make no sense."""
    if is_text(data, spec.encoding):
        return "compare pattern, line_end and checksum with what came; is it this kind of device?"
    if spec.serial is None:
        return "these are no letters: is it this device's port, and a device that talks lines of text?"
    others = ", ".join(str(speed) for speed in _SPEEDS if speed != spec.baud)
    return f"these are no letters: baud = {spec.baud} may be wrong, try {others}; then parity and data_bits"


def what_silences(spec: SerialLineSpec) -> str:
    """What a person can do about a device that should send by itself and does not."""
    return f"{on_silence(spec)}; does it send by itself? one that must be asked needs `ask`"


class Talk:
    """Questions and answers, one at a time."""

    def __init__(self, stream: Stream, spec: SerialLineSpec, codec: LineCodec, who: str) -> None:
        self._stream = stream
        self._spec = spec
        self._codec = codec
        self._who = who
        self._end = spec.line_end.encode("latin-1")
        self._sent_end = (spec.sent_end or spec.line_end).encode("latin-1")

    def send(self, text: str, patience: Patience) -> None:
        """Send one line; whatever lies on the wire belongs to earlier ones and is thrown away."""
        line = text.encode(self._codec.encoding)
        if self._spec.checksum_sent and self._codec.check:
            line = self._codec.check.sealed(line)
        self._stream.discard()
        self._stream.send(line + self._sent_end, patience)

    def ask(self, text: str, patience: Patience) -> bytes:
        """The line that answers a question. Raises `NoAnswer`, and `Garbled` when more than one comes."""
        self.send(text, patience)
        answer, rest = b"", b""
        while not self._codec.counts(answer):
            if patience.over:
                raise NoAnswer(f"{self._who}: no answer, but lines to be ignored", "is `ignore` too wide?")
            answer, rest = collect(self._stream, self._end, self._who, patience, self._spec.longest, rest)
        *more, _ = rest.split(self._end)
        if any(self._codec.counts(line) for line in more):
            raise Garbled(
                f"{self._who}: more than one line came for {text!r}: {shown(answer)}, then {shown(more[0])}",
                "does the device send by itself, or does another program ask it? `ignore` passes over an echo",
            )
        return answer


class Listener:
    """What a device sends by itself.

    A line counts when it was seen whole: not the first after opening, not one that stalled midway, none that may have
    holes. Its age is taken from the last moment at which nothing lay on the wire before it: never younger than it is.
    """

    def __init__(self, stream: Stream, spec: SerialLineSpec, codec: LineCodec, who: str, speaks: bool) -> None:
        """`speaks`: whether the device counts as alive until it has been silent for `stale_s`."""
        self._stream = stream
        self._spec = spec
        self._who = who
        self._lines = Lines(spec.line_end.encode("latin-1"), spec.longest, codec.counts)
        self._stale_s = spec.stale_s
        self._emptied = Patience(spec.stale_s)
        self._fresh = Patience(0.0)
        self._alive = Patience(spec.stale_s if speaks else 0.0)
        self._heard = b""

    def newest(self, patience: Patience) -> bytes | None:
        """The newest whole line that is not stale; None: there is none, but the device has spoken lately.

        Raises `NoAnswer` when it has been silent for `stale_s`, `Garbled` when it sends no lines or no letters.
        """
        if self._lines.begun:
            self._lines.skip()
        self._take_what_is_there(patience)
        self._wait(patience)
        if not self._fresh.over:
            return self._lines.newest
        if not self._alive.over and is_text(self._heard, self._spec.encoding):
            return None
        raise self._silence()

    def _take_what_is_there(self, patience: Patience) -> None:
        half_s = patience.left_s / 2
        taken, came = 0, False
        while (piece := self._stream.receive(Patience(0.0))) and patience.left_s >= half_s:
            taken += len(piece)
            came |= self._take(piece)
        if piece:  # faster than it can be read: how old this is nobody knows, and the piece has no place any more
            self._lines.skip()
            self._fresh = Patience(0.0)
            return
        if came:
            self._fresh = self._emptied
        if taken > _MAY_HAVE_HOLES:
            self._lines.skip()
            self._fresh = Patience(0.0)
        self._emptied = Patience(self._stale_s)

    def _wait(self, patience: Patience) -> None:
        """For the rest of a line that has begun, or for a line when there is none."""
        gap_s = min(_GAP_S, patience.left_s / 4)
        while self._lines.begun or self._fresh.over:
            span_s = min(gap_s, patience.left_s) if self._lines.begun else patience.left_s
            piece = self._stream.receive(Patience(span_s))
            if not piece and (patience.over or not self._lines.begun):
                return
            if not piece:
                self._lines.skip()
                continue
            if self._take(piece):
                self._fresh = self._emptied
                return
            self._emptied = Patience(self._stale_s)

    def _take(self, piece: bytes) -> bool:
        came = self._lines.feed(piece)
        if came:
            self._alive = Patience(self._stale_s)
            self._heard = b""
        else:
            self._heard = (self._heard + piece)[: self._spec.longest]
        return came

    def _silence(self) -> NoAnswer | Garbled:
        if self._heard:
            heard, self._heard = self._heard, b""
            return Garbled(f"{self._who}: no whole line came, but {shown(heard)}", what_to_try(self._spec, heard))
        return NoAnswer(
            f"{self._who}: it sends nothing",
            what_silences(self._spec),
        )
