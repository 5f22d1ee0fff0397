"""A device that speaks SCPI (IEEE 488.2) on a TCP socket or a serial port: programmable supply, meter, load agent.

Owns the order in which the device is asked and told. The keys of its table in a bench file are in `keys`, the text
of messages in `codec`, the link in `link`. It does not know what its values are used for.

A supply that can hold watts; one that tells volts and amperes only, and is given the heater's resistance:

    [instruments.load]
    driver = "scpi"
    host = "192.168.1.30"
    at_open = ["SYST:COMM:TIM 3"]          # as the device has it: output off after 3 s without a word
    channels.heat_w = {}                   # MEAS:POW?
    setpoints.heat_w = { range = [0, 300], safe = 0 }                     # POW 200, POW?, OUTP ON

    [instruments.other_load]
    driver = "scpi"
    serial = "/dev/serial/by-id/usb-supply-if00"
    channels.heat_w = { query = "MEAS:VOLT?", times = "MEAS:CURR?" }
    setpoints.heat_w = { ohm = 8.0, range = [0, 300], safe = 0 }          # VOLT 40, CURR 5.25, OUTP ON

A processor as its own heat source is behind the load agent on the test computer: `drivers.load_agent` has its stanza.

SCPI has no check sum: a bit that flips inside a digit cannot be seen here. TCP has one; use parity on a serial line.

A communication time-out in the device turns a heater off when computer, cable or program fail. It does not replace the
thermal cut-out and the fuse in the heater's own circuit; local electrical codes come first.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial
from typing import ClassVar

from benchd.errors import Garbled, InstrumentError, LinkLost, NoAnswer, SettingRefused
from benchd.instruments import Answer, Instrument, InstrumentSpec, SampleFlag, Setup, unit_of
from drivers.links.patience import Patience
from drivers.links.stream import open_stream
from drivers.scpi.codec import SUFFIXES, join_queries, number, split_outside_quotes
from drivers.scpi.keys import USUAL_PORT, ScpiSpec
from drivers.scpi.link import Link
from drivers.scpi.orders import Order, Setting, order_of

#: A new program listens no longer than this [s]: opening has little time, and so has a heater that must go off.
_LISTEN_S = 2.0
#: The part of a deadline after which the driver gives up, so that its own words are heard [1].
_PART = 0.9


class Scpi(Instrument):
    """One SCPI device. `deadline_s` is the budget of one call, whatever it waits for.

    `open` takes the wire only. The device is brought into step and told `at_open` before it is first asked or told
    anything else: so even one that refuses them can be made safe.
    """

    Spec: ClassVar[type[InstrumentSpec]] = ScpiSpec

    def __init__(self, setup: Setup) -> None:
        super().__init__(setup)
        spec: ScpiSpec = setup.spec
        self._spec = spec
        place = spec.serial if spec.host is None else f"{spec.host}:{spec.port or USUAL_PORT}"
        self._who = f"{self.name} {'on' if spec.host is None else 'at'} {place}"
        self._asked = {name: _queries(spec, name) for name in spec.channels}
        self._queries = list(dict.fromkeys(query for queries in self._asked.values() for query in queries))
        self._link: Link | None = None
        self._identity: str | None = None
        self._quiet = Patience(0.0)
        # A serial port brings what another program asked for just before it was killed.
        self._to_hear_s = min(spec.quiet_s, _LISTEN_S) if spec.serial is not None else 0.0

    def open(self) -> None:
        """Take the device. One on a serial line that is not asked who it is is listened to first."""
        self.close()
        with self._linked(prepared=False) as link:
            link.settle("", Patience(self._to_hear_s))
        self._to_hear_s = 0.0

    def close(self) -> None:
        if self._link is not None:
            self._link.close()
        self._link = None
        self._identity = None

    def identify(self) -> str:
        """What the device says of itself; queries of the bench file that it does not answer are named as well."""
        lines = []
        with self._linked() as link:
            lines.append(self._identity or "a device that is not asked who it is")
            whole = link.patience
            for at, query in enumerate(self._queries):
                link.patience = Patience(whole.left_s / (len(self._queries) - at + 1))
                try:
                    link.ask(query)
                except NoAnswer:
                    if not self._spec.identity_query:
                        raise
                    link.patience = whole
                    link.settle(self._spec.identity_query, self._quiet)
                    words = ", ".join(link.errors(self._spec.error_query)) or "nothing about it"
                    names = ", ".join(name for name, queries in self._asked.items() if query in queries)
                    lines.append(f"does not answer {query} ({names}), and says {words}")
        return "; ".join(lines)

    def read(self, t_s: float) -> Mapping[str, Answer]:  # noqa: ARG002  # only a simulated device needs it
        with self._linked() as link:
            answers = self._ask_all(link)
        values: dict[str, Answer] = {}
        for name in self._asked:
            try:
                value = self._value(name, answers)
            except ValueError:
                self._abandon()  # no number where one belongs may be an answer to something else
                values[name] = SampleFlag.GARBLED
            else:
                values[name] = _answer(value)
        return values

    def write(self, values: Mapping[str, float]) -> None:
        orders = [order_of(self._spec, self._who, name, value) for name, value in values.items()]
        patience = self._patience()
        if any(order.output is False for order in orders):
            with self._linked(patience, prepared=False) as link:
                link.send(self._spec.off)  # whatever comes up next does not keep it back
        with self._linked(patience) as link:
            for order in orders:
                self._command(link, order)

    def make_safe(self, values: Mapping[str, float]) -> None:
        """Switch the output off, then command the safe setpoints, all of it before any answer is waited for."""
        whole = self._patience()
        if self._link is not None:
            try:
                self._bring_down(values, Patience(whole.left_s / 2))
            except (NoAnswer, LinkLost, Garbled):
                pass  # the device may only have dropped an idle connection
            else:
                return
        self._bring_down(values, whole)

    def _patience(self) -> Patience:
        return Patience(_PART * self._spec.deadline_s)

    @contextmanager
    def _linked(self, patience: Patience | None = None, prepared: bool = True) -> Iterator[Link]:
        """An open link, new if need be, in step with the device and told `at_open` if it is to be `prepared`."""
        patience = patience or self._patience()
        if prepared and self._identity is None:
            self._check_quiet(patience)
        try:
            if self._link is None:
                stream = open_stream(self._spec, self.name, patience, USUAL_PORT)
                self._link = Link(stream, self._who, self._spec.line_end, patience)
            self._link.patience = patience
            if prepared and self._identity is None:
                self._prepare(self._link)
            yield self._link
        except Garbled:
            self._abandon()
            raise
        except (NoAnswer, LinkLost):
            if self._link is not None and self._link.owed:
                self._abandon()
            self.close()
            raise

    def _abandon(self) -> None:
        """Let go of a link on which an answer to an earlier question may still come."""
        self._quiet = Patience(self._spec.quiet_s)
        self.close()

    def _check_quiet(self, patience: Patience) -> None:
        """Raises `NoAnswer` while a late answer may still come and this call cannot wait for the end of that."""
        due_s = self._quiet.left_s
        if due_s > patience.left_s / 2:
            raise NoAnswer(
                f"{self._who}: not asked, it is left alone for another {due_s:.2g} s after a failure",
                "a late answer must not be taken for the next one: see identity_query and latest_reply_s",
            )

    def _prepare(self, link: Link) -> None:
        identity = link.settle(self._spec.identity_query, self._quiet)
        link.errors(self._spec.error_query)  # whatever went wrong before is not about what is told now
        for command in self._spec.at_open:
            link.send(command)
            self._refuse_if(link.errors(self._spec.error_query), f"{command} of at_open")
        self._identity = identity

    def _ask_all(self, link: Link) -> dict[str, str]:
        if not self._queries:
            return {}
        if not self._spec.together:
            return {query: link.ask(query) for query in self._queries}
        message = join_queries(self._queries)
        answers = split_outside_quotes(link.ask(message), ";")
        if len(answers) != len(self._queries):
            raise Garbled(
                f"{self._who}: {len(answers)} answers to {len(self._queries)} queries, asked {message}",
                "a device that does not answer several queries in one message needs together = false",
            )
        return dict(zip(self._queries, answers, strict=True))

    def _value(self, name: str, answers: Mapping[str, str]) -> float:
        """A channel's value, not finite when the device has none. Raises `ValueError` for what is no number."""
        channel = self._spec.channels[name]
        first, *second = self._asked[name]
        if second:
            suffixes: Sequence[str] = (*SUFFIXES["V"], *SUFFIXES["A"])
            factors = number(answers[first], suffixes, channel.field), number(answers[second[0]], suffixes)
            return math.inf if math.inf in factors else channel.scale * math.prod(factors)
        suffixes = SUFFIXES.get(unit_of(name), ()) if channel.suffix is None else (channel.suffix.upper(),)
        return channel.scale * number(answers[first], suffixes, channel.field)

    def _command(self, link: Link, order: Order) -> None:
        """Send, read the error queue and the settings back; `SettingRefused` unless the device has taken it."""
        for setting in order.settings:
            link.send(setting.command)
        self._refuse_if(link.errors(self._spec.error_query), order.words)
        for setting in order.settings:
            self._verify(link, order, setting)
        if order.output:
            link.send(self._spec.on)
            self._refuse_if(link.errors(self._spec.error_query), f"{order.words}: {self._spec.on}")
        if order.output is not None:
            self._verify_output(link, order.words, order.output)

    def _bring_down(self, values: Mapping[str, float], patience: Patience) -> None:
        refusals: list[SettingRefused] = []
        orders = []
        switches = any(self._spec.switches(name) for name in self._spec.setpoints)
        for name, value in values.items():
            try:
                orders.append(order_of(self._spec, self._who, name, value))
            except SettingRefused as refusal:
                refusals.append(refusal)
        with self._linked(patience, prepared=False) as link:
            if switches:
                link.send(self._spec.off)
            for setting in (setting for order in orders for setting in order.settings):
                link.send(setting.command)
            self._check_quiet(patience)  # all is told; whether it was obeyed must not be told by a late answer
            link.settle(self._spec.identity_query, self._quiet)
            words = link.errors(self._spec.error_query)
            checks = [partial(self._confirm, link, order, words) for order in orders]
            if switches:
                checks.insert(0, partial(self._verify_output, link, "safe state", False))
            for check in checks:
                try:
                    check()
                except SettingRefused as refusal:
                    refusals.append(refusal)
                except NoAnswer as error:
                    raise _with_words(error, words) from error
        if refusals:
            raise refusals[0]

    def _confirm(self, link: Link, order: Order, words: Sequence[str]) -> None:
        """Whether an order of the safe state was obeyed. Words in the queue that may be old are no proof against it."""
        for setting in order.settings:
            self._verify(link, order, setting)
        if order.blind:
            self._refuse_if(words, order.words)

    def _refuse_if(self, words: Sequence[str], what: str) -> None:
        if words:
            raise SettingRefused(
                f"{self._who}: {what} was refused: the device says {', '.join(words)}",
                "its manual explains its errors; compare what it takes with range and commands in the bench file",
            )

    def _verify(self, link: Link, order: Order, setting: Setting) -> None:
        if not setting.read_back:
            return
        answer = link.ask(setting.read_back)
        suffixes = SUFFIXES.get(setting.unit, ())
        try:
            taken = number(answer, suffixes)
        except ValueError:
            raise self._garbled(answer, setting.read_back) from None
        if not setting.agrees(taken):
            raise SettingRefused(
                f"{self._who}: {order.words}: sent {setting.command}, {setting.read_back} tells {answer}",
                "the device may limit it, or its front panel or another program may set it too; "
                "one that rounds needs a read_back_tolerance",
            )

    def _verify_output(self, link: Link, what: str, wanted: bool) -> None:
        query = self._spec.asks_output
        if not query:
            return
        answer = link.ask(query).upper()
        try:
            told = float(answer == "ON") if answer in ("ON", "OFF") else number(answer)
        except ValueError:
            raise self._garbled(answer, query) from None
        if not math.isfinite(told):
            raise self._garbled(answer, query)
        is_on = told != 0
        if is_on is not wanted:
            raise SettingRefused(
                f"{self._who}: {what}: the output is {'on' if is_on else 'off'}, {query} tells {answer}",
                "a protection of the device may have tripped, or its front panel may be locked: look at it",
            )

    def _garbled(self, answer: str, query: str) -> InstrumentError:
        return Garbled(
            f"{self._who}: {answer[:40]!r} is no answer to {query}", "is it this device, and this query of its own?"
        )


def _answer(value: float) -> Answer:
    """A value, or why there is none: the device says that it has no number, or infinity, which may be an overflow."""
    if math.isnan(value):
        return SampleFlag.MISSING
    return value if math.isfinite(value) else SampleFlag.GARBLED


def _with_words(error: NoAnswer, words: Sequence[str]) -> NoAnswer:
    """The same silence, and what the device had said in its error queue, which may be why."""
    return NoAnswer(f"{error.message}; before that it said {', '.join(words)}", error.hint) if words else error


def _queries(spec: ScpiSpec, name: str) -> list[str]:
    second = spec.channels[name].times
    return [spec.query_of(name), *([second] if second else [])]
