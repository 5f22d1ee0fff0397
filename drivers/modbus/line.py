"""The line on which Modbus devices hang: one question at a time, and never the answer to another one.

Owns the stream, who may speak on it now, and the quiet that is kept after a failure. It does not know how frames are
made (`Frames`) or what they mean.

An RTU frame carries no number, so a late answer looks like a fresh one. What stands against it: after any failure
nobody speaks on the line until the device can no longer answer; then whatever has arrived is thrown away; an answer
must be of the device, function and length that were asked for, and nothing may come with it. A new program on an old
line listens first as well: another one may have asked just before it was killed. On TCP the connection is closed too.

Several instruments may share one line, each with a thread of its own.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Protocol

from benchd.errors import Garbled, InputError, LinkLost, NoAnswer
from drivers.links.patience import Patience
from drivers.links.stream import LONGEST, Stream, WireKeys, open_stream
from drivers.modbus.codec import USUAL_PORT

#: Bits of one character: start, 8 of data, parity or a second stop bit, stop (MODBUS over Serial Line V1.02, 2.5.1).
_BITS = 11
#: Silence before a frame, in characters, and its least in seconds (the same, 2.5.1.1; the latter above 19200 bit/s).
_SILENT_CHARACTERS, _SILENT_S = 3.5, 0.00175
#: Silence that ends a disturbance: adapters hand over what they received every 16 ms (common practice, no source).
_CALM_S = 0.02
#: A new program listens no longer than this [s]: opening has little time, and so has a heater that must go off.
_LISTEN_S = 2.0


class NonsenseError(Exception):
    """What came is no answer to the question; says why. Never leaves the driver."""


@dataclass(frozen=True)
class Question:
    """One request to one device."""

    device_id: int
    function: int
    pdu: bytes
    """Function and data, without what the line puts around them."""
    answer_bytes: int
    """The longest answer to it, counted like `pdu` [bytes]."""
    answer: bytes = b""
    """The only answer there is, counted like `pdu`, other than a refusal; empty when it tells something."""


class Frames(Protocol):
    """How questions and answers are packed on a line."""

    def pack(self, question: Question) -> bytes:
        """The question as it goes on the line."""

    def unpack(self, got: bytes, question: Question) -> bytes | None:
        """The answer's function and data, None while it is not all there. Raises `NonsenseError`."""


@dataclass(frozen=True)
class Asker:
    """Who asks: the instrument's name, the same with its line for messages, and whether there is no time to wait."""

    name: str
    who: str
    hurry: bool = False
    """Speak even if the quiet is not over in time: for the safe state only, where an order counts, not an answer."""


class Line:
    """One line, opened when it is needed. `numbered`: its frames carry a number, so that no quiet has to be kept."""

    def __init__(self, keys: WireKeys, frames: Frames, numbered: bool) -> None:
        self._keys = keys
        self._frames = frames
        self._numbered = numbered
        self._latest_reply_s = 0.0
        self._quiet = Patience(0.0)
        self._lock = threading.Lock()
        self._stream: Stream | None = None
        self._opened_by = ""
        self._users: set[str] = set()
        self.openings = 0
        """How often it has been opened; another number means that a device may have lost what it was told."""

    def join(self, name: str, keys: WireKeys, latest_reply_s: float) -> None:
        """One more instrument hangs on it. Raises `InputError` when it would have the line otherwise."""
        ours, theirs = _manner(self._keys), _manner(keys)
        if ours != theirs:
            raise InputError(
                f"{name}: {keys.serial or keys.host} is to be used with {theirs}, by another instrument with {ours}",
                "instruments on one line need the same speed, parity and stop bits",
            )
        self._latest_reply_s = max(self._latest_reply_s, latest_reply_s)

    def open(self, asker: Asker, patience: Patience) -> None:
        """Connect if need be. Raises `LinkLost`, or `NoAnswer` while another instrument needs all the time there is."""
        with self._alone(asker, patience):
            self._opened(asker, patience)

    def listen(self, asker: Asker) -> None:
        """Wait until the quiet is over, however long it lasts. Raises `LinkLost`."""
        whole = Patience(2 * self._quiet.left_s + 1.0)
        with self._alone(asker, whole):
            self._calm(self._opened(asker, whole), asker, whole)

    def leave(self, name: str) -> None:
        """An instrument lets go of it; without any the line is closed. Never raises, may be called twice."""
        self._users.discard(name)
        if not self._users:
            self._close()

    def ask(self, asker: Asker, question: Question, patience: Patience) -> bytes:
        """The answer to a question: its function and data. Raises `NoAnswer`, `LinkLost` or `Garbled`."""
        with self._alone(asker, patience):
            stream = self._opened(asker, patience)
            self._calm(stream, asker, patience)
            frame = self._frames.pack(question)
            # Whoever had no time to wait has spoken over an answer that may still come.
            before, in_hurry = self._quiet, not self._quiet.over
            self._quiet = self._until_no_answer(question, before)
            stream.send(frame, patience)
            self._quiet = self._until_no_answer(question, before)
            answer = self._collect(stream, asker, question, patience)
            if not in_hurry:  # else it may be the late answer to the same order before, and its own still to come
                self._quiet = before
            return answer

    @contextmanager
    def _alone(self, asker: Asker, patience: Patience) -> Iterator[None]:
        if not self._lock.acquire(timeout=patience.left_s):
            raise NoAnswer(
                f"{asker.who}: another instrument needs the line all the time",
                "is that one dead? a shorter deadline_s for it, or a line of its own, helps the others",
            )
        try:
            yield
        except LinkLost as error:
            self._close()
            raise self._said_of(asker, error) from error
        except (NoAnswer, Garbled) as error:
            if self._keys.host is not None:
                self._close()
            raise self._said_of(asker, error) from error
        finally:
            self._lock.release()

    def _said_of(self, asker: Asker, error: LinkLost | NoAnswer | Garbled) -> LinkLost | NoAnswer | Garbled:
        """The stream names whoever opened it; its errors belong to whoever asks."""
        if asker.name == self._opened_by or not error.message.startswith(f"{self._opened_by} "):
            return error
        return type(error)(asker.name + error.message.removeprefix(self._opened_by), error.hint)

    def _opened(self, asker: Asker, patience: Patience) -> Stream:
        self._users.add(asker.name)
        if self._stream is None:
            self._opened_by = asker.name
            self._stream = open_stream(self._keys, asker.name, patience, USUAL_PORT)
            if self.openings == 0 and not self._numbered:
                self._quiet = Patience(min(self._latest_reply_s, _LISTEN_S))
            self.openings += 1
        return self._stream

    def _close(self) -> None:
        if self._stream is not None:
            self._stream.close()
        self._stream = None

    def _until_no_answer(self, question: Question, before: Patience) -> Patience:
        """As long as neither this question nor one before it can be answered any more."""
        if self._numbered:
            return before
        travels = len(question.pdu) + question.answer_bytes + 6
        return Patience(max(before.left_s, self._latest_reply_s + travels * _BITS / self._keys.baud))

    def _calm(self, stream: Stream, asker: Asker, patience: Patience) -> None:
        """Keep the quiet that is due, and throw away what comes until the line is silent."""
        due_s, room_s = self._quiet.left_s, patience.left_s / 2
        if due_s > room_s and not asker.hurry:
            raise NoAnswer(
                f"{asker.who}: not asked, the line is kept quiet for another {due_s:.2g} s after a failure",
                "a late answer must not be taken for the next one: see latest_reply_s",
            )
        quiet = Patience(min(due_s, room_s))
        while not quiet.over:
            stream.receive(quiet)
        stream.discard()
        silent_s = _CALM_S if due_s > 0 else self._silent_s
        while silent_s and stream.receive(Patience(silent_s)):
            if patience.over:
                raise Garbled(f"{asker.who}: the line is never silent", "does another program or master speak on it?")

    @property
    def _silent_s(self) -> float:
        """The silence between two frames [s]; behind a socket whoever has the serial line keeps it."""
        if self._keys.serial is None:
            return 0.0
        return max(_SILENT_S, _SILENT_CHARACTERS * _BITS / self._keys.baud)

    def _collect(self, stream: Stream, asker: Asker, question: Question, patience: Patience) -> bytes:
        asked, within_s, got = f"function {question.function:02d}", patience.left_s, b""
        while piece := stream.receive(patience):
            got += piece
            try:
                answer = self._frames.unpack(got, question)
            except NonsenseError as nonsense:
                raise Garbled(f"{asker.who}: {nonsense}", self._what_garbles) from None
            if answer is not None:
                return answer
            if len(got) > LONGEST:
                raise Garbled(f"{asker.who}: {len(got)} bytes without an answer to {asked}", self._what_garbles)
        if got:
            raise NoAnswer(
                f"{asker.who}: an answer to {asked} began and did not end within {within_s:.2g} s: {got[:20].hex(' ')}",
                self._what_garbles,
            )
        raise NoAnswer(
            f"{asker.who}: no answer to {asked} within {within_s:.2g} s",
            f"check its power and cable, and whether device_id {question.device_id} is its own; {self._what_silences}"
            "a slow device needs a longer deadline_s",
        )

    @property
    def _what_garbles(self) -> str:
        if self._numbered:
            return "is it a Modbus TCP device, and do its registers fit the bench file?"
        return "is baud or parity wrong, does another master speak, or do two devices have one device_id?"

    @property
    def _what_silences(self) -> str:
        return "" if self._numbered else "on a serial line also baud, parity and which wire is A and which B; "


def _manner(keys: WireKeys) -> str:
    return f"{keys.baud} bit/s, parity {keys.parity}, {keys.stop_bits} stop bits"
