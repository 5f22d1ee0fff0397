"""A device on Modbus: power meter, electronic load, heater supply, temperature module.

Owns the order in which the device is asked. The keys of its table in a bench file are in `keys`, how numbers
lie in registers is in `codec`, messages in `messages`, when to speak on the line in `line`. It does not
know what its values are used for.

    [instruments.load]            # Modbus TCP
    driver = "modbus"
    host = "192.168.1.20"
    device_id = 1
    timeout_register = 1          # the device turns its output off when it hears nothing for timeout_s
    timeout_s = 3
    channels.heat_w = { register = 10, table = "input", type = "float32", uncertainty_pct = 0.5 }
    setpoints.heat_w = { register = 0, scale = 0.1, range = [0, 400], safe = 0 }

    [instruments.probes]          # RTU on a serial line; with host and framing = "rtu" through a serial server
    driver = "modbus"
    serial = "/dev/serial/by-id/usb-a_name_that_stays-if00"
    baud = 19200
    parity = "even"
    device_id = 7
    channels.coolant_c = { register = 0, table = "input", type = "int16", scale = 0.1, no_value = -32768 }

Several instruments may share one serial line, or one serial server; they are asked one after the other.

After any failure an answer may still come late. On Modbus TCP the connection is closed, and the next call opens
a new one. RTU numbers no messages, so the line is kept quiet until the device can no longer answer.

A communication time-out in the device turns a heater off when computer, cable or program fail. It does not
replace the thermal cut-out and the fuse in the heater's own circuit; local electrical codes come first.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, ClassVar

from benchd.errors import Garbled, LinkLost, NoAnswer, SettingRefused
from benchd.instruments import Answer, Instrument, InstrumentSpec, SampleFlag, Setup, unit_of
from drivers.links.patience import Patience
from drivers.modbus.codec import Place, advice, decode, encode, pick, read_groups
from drivers.modbus.keys import ModbusSpec
from drivers.modbus.line import Asker, Line
from drivers.modbus.messages import Device, RefusedError, line_of

#: The part of a deadline after which the driver gives up, so that its own words are heard [1].
_PART = 0.9


@dataclass(frozen=True)
class _Order:
    """A setting to be sent: what it is called, what was asked, and how the device will have it."""

    what: str
    unit: str
    asked: float
    place: Place
    words: tuple[int, ...]
    read_back: Place
    tolerance: float = 0.0


def _answer(value: float) -> Answer:
    """A value, or why there is none: the device says that it has no number, or an infinite one."""
    if math.isnan(value):
        return SampleFlag.MISSING
    return value if math.isfinite(value) else SampleFlag.GARBLED


class Modbus(Instrument):
    """One device on Modbus. `deadline_s` is the budget of one call, whatever it waits for; nothing is tried twice."""

    Spec: ClassVar[type[InstrumentSpec]] = ModbusSpec

    def __init__(self, setup: Setup) -> None:
        super().__init__(setup)
        spec: ModbusSpec = setup.spec
        self._spec = spec
        self._who = f"{self.name} {spec.where}"
        self._places = {name: channel.place for name, channel in spec.channels.items()}
        self._groups = read_groups(self._places, spec.read_over)
        self._line = self._line_in(setup.shared)
        self._armed_at: int | None = None

    def _line_in(self, shared: dict[str, Any]) -> Line:
        """The line: one of its own on TCP; on RTU the one that all instruments on the same wire share."""
        line = line_of(self._spec.frames, self._spec)
        if self._spec.frames == "rtu":
            wire = os.path.realpath(self._spec.serial) if self._spec.serial else self._spec.where
            line = shared.setdefault(f"modbus line {wire}", line)
        line.join(self.name, self._spec, self._spec.quiet_s)
        return line

    def open(self) -> None:
        """Take the device. On RTU the line is listened to before anything is asked."""
        self.close()
        asker = Asker(self.name, self._who)
        self._line.open(asker, self._patience())
        self._line.listen(asker)
        with self._talking():
            pass

    def close(self) -> None:
        self._line.leave(self.name)
        self._armed_at = None

    def identify(self) -> str:
        """What the device says of itself; registers of the bench file that it refuses are named as well.

        They are asked for first: a device that gives them and is silent about itself is there all the same.
        """
        lines = []
        with self._talking() as device:
            for group in self._groups:
                try:
                    device.read(group.table, group.register, group.count)
                except RefusedError as refused:
                    names = ", ".join(group.names)
                    lines.append(f"refuses {group.table} registers from {group.register} ({names}): {refused}")
            try:
                lines.insert(0, device.identification() or "a device that gives no name")
            except RefusedError:
                lines.insert(0, "a device that does not tell what it is")
            except (NoAnswer, Garbled):
                if not self._groups:
                    raise
                lines.insert(0, "a device that is silent about what it is")
        return "; ".join(lines)

    def read(self, t_s: float) -> Mapping[str, Answer]:  # noqa: ARG002  # only a simulated device needs it
        answers: dict[str, Answer] = {}
        with self._talking() as device:
            for group in self._groups:
                try:
                    words = device.read(group.table, group.register, group.count)
                except RefusedError:
                    answers |= dict.fromkeys(group.names, SampleFlag.MISSING)
                    continue
                for name in group.names:
                    answers[name] = _answer(decode(self._places[name], pick(group, words, self._places[name])))
        return answers

    def write(self, values: Mapping[str, float]) -> None:
        orders = [self._order(name, value) for name, value in values.items()]
        with self._talking() as device:
            for order in orders:
                self._command(device, order)

    def make_safe(self, values: Mapping[str, float]) -> None:
        """Bring the device to its safe state; what it refuses never keeps the rest back.

        A link that does not answer the first order in half the time, or with nonsense, gets all orders once more.
        """
        whole = self._patience()
        try:
            self._command_all(values, whole, Patience(whole.left_s / 2))
        except (NoAnswer, LinkLost, Garbled):
            if whole.over:
                raise
            self._command_all(values, whole, whole)

    def _command_all(self, values: Mapping[str, float], patience: Patience, first: Patience) -> None:
        refusals = []
        with self._talking(patience, first, safe=True) as device:
            for name, value in values.items():
                try:
                    self._command(device, self._order(name, value))
                except SettingRefused as refusal:
                    refusals.append(refusal)
        if refusals:
            raise refusals[0]

    def _patience(self) -> Patience:
        return Patience(_PART * self._spec.deadline_s)

    @contextmanager
    def _talking(
        self, patience: Patience | None = None, first: Patience | None = None, safe: bool = False
    ) -> Iterator[Device]:
        """The device on an open line, its time-out set unless the safe state is to be commanded, which cannot wait."""
        patience = self._patience() if patience is None else patience
        asker = Asker(self.name, self._who, hurry=safe)
        try:
            self._line.open(asker, first or patience)
            device = Device(self._line, self._spec.device_id, asker, patience, first or patience)
            if not safe and self._armed_at != self._line.openings:
                self._arm(device)
            yield device
        except (NoAnswer, LinkLost, Garbled):
            self._armed_at = None  # whatever failed may have lost its settings
            raise

    def _arm(self, device: Device) -> None:
        register, timeout_s = self._spec.timeout_register, self._spec.timeout_s
        if register is not None and timeout_s is not None:
            place = Place(register, scale=self._spec.timeout_scale)
            words = encode(place, timeout_s)
            self._command(device, _Order("communication time-out", "s", timeout_s, place, words, place))
        self._armed_at = self._line.openings

    def _order(self, name: str, value: float) -> _Order:
        self._spec.check_setting(name, value, self._who)
        spec, unit = self._spec.setpoints[name], unit_of(name) or ""
        try:
            words = encode(spec.place, value)
        except ValueError as error:
            raise SettingRefused(
                f"{self._who}: {name}: {error}", "nothing was sent; correct type and scale in the bench file"
            ) from None
        back = spec.first if spec.read_back_register is None else spec.read_back_register
        read_back = Place(back, "holding", spec.type, spec.word_order, spec.scale, spec.offset)
        return _Order(name, unit, value, spec.place, words, read_back, spec.read_back_tolerance)

    def _command(self, device: Device, order: _Order) -> None:
        """Write, read back, and raise `SettingRefused` unless the device has taken it."""
        try:
            device.write(order.place.register, order.words)
            back = device.read("holding", order.read_back.register, order.read_back.width)
        except RefusedError as refused:
            raise SettingRefused(
                f"{self._who}: {order.what} = {order.asked:g} {order.unit} was refused: {refused}",
                advice(refused.code),
            ) from None
        written = decode(order.place, order.words)
        taken = decode(order.read_back, back)
        if tuple(back) != order.words and not abs(taken - written) <= order.tolerance:
            raise SettingRefused(
                f"{self._who}: {order.what}: wanted {written:g} {order.unit}, reads back {taken:g}",
                "the device may limit it, or its front panel or another program may set it too",
            )
