"""An instrument that talks lines of text, over a serial port or a TCP socket: sound meter, thermometer, anemometer.

    [instruments.meter]
    driver = "serial_line"
    serial = "/dev/serial/by-id/usb-sound_meter_0001-if00"
    pattern = '(?P<level>[0-9]+\\.[0-9]|---) (?P<unit>dB[AC])'      # no `ask`: it sends by itself
    channels.level_dba = { group = "level", unit_group = "unit", unit = "dBA", missing = ["---"], resolution = 0.1 }

Owns the life of the wire and the budget of a call. Keys are in `keys`, what a line holds in
`codec`, when a line may be believed in `talk`. It does not know what its values are used for.

After a failed question nothing is asked for `quiet_s`, and what has come by then is thrown away: on a serial line a
late answer comes to whoever asks next, even over a port that was closed and opened again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import ClassVar

from benchd.errors import Garbled, InstrumentError, LinkLost, NoAnswer
from benchd.instruments import Answer, Attached, Instrument, InstrumentSpec, SampleFlag, Setup
from drivers.links.patience import Patience
from drivers.links.ports import serial_ports
from drivers.links.stream import Stream, open_stream, shown
from drivers.serial_line.codec import Check, Exchange, Field, LineCodec
from drivers.serial_line.keys import SerialLineSpec
from drivers.serial_line.orders import Order, order
from drivers.serial_line.patterns import compiled
from drivers.serial_line.talk import Listener, Talk, what_silences, what_to_try

#: Of its deadline: what is wrong must be told before nobody waits for it any more.
_SHARE = 0.9

_STANZA = """\
[instruments.text_line]
driver = "serial_line"
serial = "{path}"
baud = 9600
# ask = "READ?"              # only where it must be asked
pattern = '(?P<level>[0-9]+\\.[0-9]) (?P<unit>dB[AC])'
channels.level_dba = {{ group = "level", unit_group = "unit", unit = "dBA" }}
"""


class SerialLine(Instrument):
    """One instrument that talks lines of text. `deadline_s` is the budget of one call."""

    Spec: ClassVar[type[InstrumentSpec]] = SerialLineSpec

    def __init__(self, setup: Setup) -> None:
        super().__init__(setup)
        spec: SerialLineSpec = setup.spec
        self._spec = spec
        where = f"on {spec.serial}" if spec.serial else f"at {spec.host}:{spec.port}"
        self._who = f"{self.name} {where}"
        self._codec = _codec(spec)
        self._exchanges = _exchanges(spec)
        self._stream: Stream | None = None
        self._listener: Listener | None = None
        self._quiet = Patience(0.0)
        self._trouble = ""
        self._made_no_sense = False

    def open(self) -> None:
        self.close()
        with self._on_wire(Patience(_SHARE * self._spec.deadline_s), speaks=True):
            pass

    def close(self) -> None:
        if self._stream is not None:
            self._stream.close()
        self._stream = self._listener = None

    def identify(self) -> str:
        """What the device says of itself, or what a line of it looks like."""
        with self._connected() as (stream, patience):
            if self._listener:
                return self._heard(self._listener, patience)
            talk = self._talk(stream)
            if self._spec.identity_ask:
                return self._plain(talk.ask(self._spec.identity_ask, patience))
            for exchange in self._exchanges:
                text = self._plain(talk.ask(exchange.ask or "", patience))
                self._fitting(exchange, text)
                return f"a device that answers {exchange.ask!r} with {text!a}"
        return "a device that is told and not asked"

    def read(self, t_s: float) -> Mapping[str, Answer]:  # noqa: ARG002  # only a simulated device needs it
        answers: dict[str, Answer] = {}
        with self._connected() as (stream, patience):
            for exchange in self._exchanges:
                if self._listener:
                    answers |= self._newest(self._listener, exchange, patience)
                else:
                    answers |= self._asked(self._talk(stream), exchange, patience)
        return answers

    def write(self, values: Mapping[str, float]) -> None:
        orders = [self._order(name, value) for name, value in values.items()]
        with self._connected() as (stream, patience):
            for order in orders:
                self._command(self._talk(stream), order, patience)

    def make_safe(self, values: Mapping[str, float]) -> None:
        """Bring the device to its safe state; what it refuses never keeps the rest back."""
        troubles: list[InstrumentError] = []
        share_s = _SHARE * self._spec.deadline_s / max(1, len(values))
        for name, value in values.items():
            try:
                self._command_surely(name, value, share_s)
            except InstrumentError as error:
                troubles.append(error)
        if troubles:
            raise troubles[0]

    @classmethod
    def find(cls) -> list[Attached]:
        """The serial ports of this machine, by the name that stays where there is one."""
        return [Attached(port.what, _STANZA.format(path=port.path)) for port in serial_ports()]

    # --- the wire

    @contextmanager
    def _connected(self) -> Iterator[tuple[Stream, Patience]]:
        """An open wire, a new one if need be, and how long the call may take. Raises `NoAnswer` in quiet time."""
        if not self._quiet.over:
            raise NoAnswer(
                f"{self._who}: not asked now, since a late answer may still come; before that: {self._trouble}",
                "a device that is slow to answer needs a longer deadline_s",
            )
        with self._on_wire(Patience(_SHARE * self._spec.deadline_s)) as wire:
            yield wire

    @contextmanager
    def _on_wire(self, patience: Patience, speaks: bool = False) -> Iterator[tuple[Stream, Patience]]:
        """`speaks`: a device that sends by itself counts as alive at first."""
        try:
            if self._stream is None:
                self._stream = self._opened(patience, speaks)
            yield self._stream, patience
        except LinkLost:
            self.close()
            raise
        except (NoAnswer, Garbled) as error:
            self._failed(error)
            raise

    def _opened(self, patience: Patience, speaks: bool) -> Stream:
        stream = open_stream(self._spec, self.name, patience)
        try:
            self._let_late_answers_pass(stream, patience)
            for text in self._spec.at_opening:
                self._tell_at_opening(self._talk(stream), text, patience)
        except InstrumentError:
            stream.close()
            raise
        if self._spec.unasked:
            self._listener = Listener(stream, self._spec, self._codec, self._who, speaks)
        return stream

    def _failed(self, error: InstrumentError) -> None:
        """Its answer may still come. A device that sends by itself was asked nothing: it is only waited for."""
        if self._listener:
            return
        self._trouble = error.message.removeprefix(f"{self._who}: ")
        self._quiet = Patience(self._spec.quiet_s)
        # Over TCP a new connection is a new beginning. A serial port stays open: opening restarts some devices.
        if self._spec.serial is None:
            self.close()

    def _let_late_answers_pass(self, stream: Stream, patience: Patience) -> None:
        """For what cannot wait until the quiet time is over: half of its patience at most."""
        peace = Patience(min(self._quiet.left_s, patience.left_s / 2))
        while not peace.over:
            stream.receive(peace)

    def _talk(self, stream: Stream) -> Talk:
        return Talk(stream, self._spec, self._codec, self._who)

    def _tell_at_opening(self, talk: Talk, text: str, patience: Patience) -> None:
        if self._spec.opening_accept is None:
            talk.send(text, patience)
            return
        answer = self._plain(talk.ask(text, patience))
        if not compiled(self._spec.opening_accept).fullmatch(answer):
            raise Garbled(f"{self._who}: {text!r} was answered by {answer!r}", "compare it with opening_accept")

    # --- what is read

    def _heard(self, listener: Listener, patience: Patience) -> str:
        line = listener.newest(patience)
        if line is None:
            return f"a device that should send by itself and has not sent a whole line yet: {what_silences(self._spec)}"
        text = self._plain(line)
        self._fitting(self._exchanges[0], text)
        return f"a device that sends {text!a}"

    def _newest(self, listener: Listener, exchange: Exchange, patience: Patience) -> dict[str, Answer]:
        line = listener.newest(patience)
        if line is None:
            return exchange.all(SampleFlag.MISSING)
        try:
            return self._sensible(exchange, self._plain(line))
        except Garbled as error:
            return self._nonsense(exchange, error)

    def _asked(self, talk: Talk, exchange: Exchange, patience: Patience) -> dict[str, Answer]:
        line = talk.ask(exchange.ask or "", patience)
        try:
            text = self._plain(line)
        except Garbled as error:
            return self._nonsense(exchange, error)
        # Another kind of line answers something else, and what was asked may still come: that fails the question.
        return self._sensible(exchange, text)

    def _sensible(self, exchange: Exchange, text: str) -> dict[str, Answer]:
        answers = self._fitting(exchange, text)
        self._made_no_sense = False
        return answers

    def _nonsense(self, exchange: Exchange, error: Garbled) -> dict[str, Answer]:
        """One line that makes no sense costs its own values; the second in a row is told, since it is no accident."""
        if self._made_no_sense:
            raise error
        self._made_no_sense = True
        return exchange.all(SampleFlag.GARBLED)

    def _plain(self, line: bytes) -> str:
        try:
            return self._codec.text(line)
        except ValueError as error:
            raise Garbled(f"{self._who}: the line {shown(line)} {error}", what_to_try(self._spec, line)) from None

    def _fitting(self, exchange: Exchange, text: str) -> dict[str, Answer]:
        """What a line says. Raises `Garbled` when it is another kind of line."""
        answers = exchange.answers(text)
        if answers is None:
            line = text.encode("latin-1")
            raise Garbled(f"{self._who}: {shown(line)} does not fit the pattern", what_to_try(self._spec, line))
        return answers

    # --- what is told

    def _order(self, name: str, value: float) -> Order:
        self._spec.check_setting(name, value, self._who)
        return order(self._who, name, self._spec.setpoints[name], value, self._spec.decimal)

    def _command(self, talk: Talk, order: Order, patience: Patience) -> None:
        """Send, and raise `SettingRefused` unless the device says that it has taken it."""
        if order.spec.accept is None:
            talk.send(order.text, patience)
        else:
            order.check_answer(self._plain(talk.ask(order.text, patience)))
        if order.spec.read_back is not None:
            order.check_read_back(self._plain(talk.ask(order.spec.read_back, patience)))

    def _command_surely(self, name: str, value: float, share_s: float) -> None:
        """Command it also on a wire that was left in peace or has been lost: opened anew once."""
        order, patience = self._order(name, value), Patience(share_s)
        had_wire = self._stream is not None
        try:
            self._command_at_once(order, patience)
        except LinkLost:
            if not had_wire:
                raise
            self._command_at_once(order, patience)

    def _command_at_once(self, order: Order, patience: Patience) -> None:
        with self._on_wire(patience) as (stream, _):
            self._let_late_answers_pass(stream, patience)
            self._command(self._talk(stream), order, patience)


def _codec(spec: SerialLineSpec) -> LineCodec:
    check = None
    if spec.checksum is not None:
        check = Check(spec.checksum, spec.checksum_after.encode("latin-1"), spec.checksum_start.encode("latin-1"))
    return LineCodec(spec.encoding, check, compiled(spec.ignore) if spec.ignore else None, spec.longest)


def _exchanges(spec: SerialLineSpec) -> list[Exchange]:
    """The kinds of line that are read, each with its channels: those with the same question and pattern go together."""
    kinds: dict[tuple[str | None, str], dict[str, Field]] = {}
    for name, channel in spec.channels.items():
        kind = (channel.ask or spec.ask, channel.pattern or spec.pattern or "")
        kinds.setdefault(kind, {})[name] = Field(
            channel.group,
            channel.unit_group,
            channel.unit,
            channel.missing,
            channel.scale,
            channel.offset,
            spec.decimal,
        )
    return [Exchange(ask, compiled(pattern), fields) for (ask, pattern), fields in kinds.items()]
