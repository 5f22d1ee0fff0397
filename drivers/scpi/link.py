"""The link to one SCPI device: messages out, answers back, its error queue, and getting back into step with it.

Owns how messages end, and that an answer belongs to the question before it. It does not know what the questions mean.

SCPI answers do not say what they answer. So a question is asked only when everything that had arrived is thrown away;
what comes with an answer and was not asked for makes both worthless; and after any failure the link must be closed. A
new one begins with `settle`: the answer to `*IDN?` can be told from all others, and a device answers in order. A device
that is not asked who it is must be left alone until it can no longer answer.
"""

from __future__ import annotations

from typing import Literal, TypeAlias

from benchd.errors import Garbled, NoAnswer
from drivers.links.patience import Patience
from drivers.links.stream import Stream, collect, shown
from drivers.scpi.codec import error_entry, is_identity

LineEnd: TypeAlias = Literal["lf", "crlf", "cr"]

_SENT = {"lf": b"\n", "crlf": b"\r\n", "cr": b"\r"}
_RECEIVED = {"lf": b"\n", "crlf": b"\n", "cr": b"\r"}

#: More entries than any error queue holds: a device that still has some invents them.
_LONGEST_QUEUE = 100
#: Without `*IDN?` a link counts as settled when after the quiet time nothing has come for so long [s].
_QUIET_S = 0.1


class Link:
    """One open stream to one device; `who` names both in messages. `patience` is how long all that follows may take."""

    def __init__(self, stream: Stream, who: str, line_end: LineEnd, patience: Patience) -> None:
        self.patience = patience
        self.owed = False
        """Whether a question was not answered yet: its answer may come late, to whoever asks next."""
        self._stream = stream
        self._who = who
        self._sent = _SENT[line_end]
        self._received = _RECEIVED[line_end]

    def close(self) -> None:
        """Let go of the stream; never raises, may be called twice."""
        self._stream.close()

    def send(self, message: str) -> None:
        """Send one message that asks nothing."""
        self._stream.send(message.encode("ascii") + self._sent, self.patience)

    def ask(self, question: str) -> str:
        """The answer to one message that asks. Raises `NoAnswer`, or `Garbled` when more came than was asked for."""
        self._stream.discard()
        self.owed = True
        self.send(question)
        try:
            answer, rest = collect(self._stream, self._received, self._who, self.patience)
        except NoAnswer as error:
            raise NoAnswer(
                f"{error.message}, asked {question}",
                f"{error.hint}; does it know the question? `benchd instruments` tells what it says of itself",
            ) from error
        if rest.strip():
            raise Garbled(
                f"{self._who}: {shown(rest)} came unasked behind the answer to {question}",
                "does another program ask it too, or does it send by itself? a device that gives each query of a "
                "message a line of its own needs together = false",
            )
        self.owed = False
        return answer.decode("latin-1").strip()

    def errors(self, question: str) -> list[str]:
        """What the error queue says, oldest first; it is empty afterwards. Nothing where `question` is empty."""
        words: list[str] = []
        while question and (entry := self._entry(question)):
            words.append(entry)
            if len(words) > _LONGEST_QUEUE:
                raise Garbled(f"{self._who}: its error queue does not end: {words[-1]}", "switch the device off and on")
        return words

    def settle(self, question: str, quiet: Patience) -> str:
        """Get into step: throw away what comes until the device says who it is, and give that.

        Without such a question, throw away what comes until `quiet` is over and nothing comes any more.
        """
        if not question:
            self._wait_for_quiet(quiet)
            return ""
        self._stream.discard()
        self.send(question)
        answer, rest = b"", b""
        try:
            while not is_identity(answer.decode("latin-1").strip()):
                answer, rest = collect(self._stream, self._received, self._who, self.patience, begun=rest)
        except NoAnswer as error:
            raise NoAnswer(
                f"{error.message}, asked {question}",
                f"{error.hint}; is it a SCPI device? one that does not know the question needs identity_query = ''",
            ) from error
        self._stream.discard()
        return answer.decode("latin-1").strip()

    def _entry(self, question: str) -> str:
        answer = self.ask(question)
        try:
            return error_entry(answer)
        except ValueError:
            raise Garbled(
                f"{self._who}: {shown(answer.encode('latin-1'))} is no answer to {question}",
                "a device without an error queue needs error_query = ''",
            ) from None

    def _wait_for_quiet(self, quiet: Patience) -> None:
        while not quiet.over:
            self._stream.receive(quiet)
        while not self.patience.over and self._stream.receive(Patience(min(_QUIET_S, self.patience.left_s))):
            pass
