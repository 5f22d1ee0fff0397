"""One setting as a line of text: what is sent for it, and whether what comes back says that the device has taken it.

Pure: knows no wire and no time.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchd.errors import Garbled, SettingRefused
from benchd.instruments import unit_of
from drivers.serial_line.codec import Decimal, number
from drivers.serial_line.keys import VALUE, LineSetpoint
from drivers.serial_line.patterns import compiled, written

#: Two numbers that differ by less than this part of the setpoint are the same number, told in two ways.
_SAME = 1e-9


@dataclass(frozen=True)
class Order:
    """One setting to be sent; `who` and `what` name instrument and setting in messages."""

    who: str
    what: str
    unit: str
    spec: LineSetpoint
    decimal: Decimal
    text: str
    """The line that commands it."""
    sent: float
    """The number in that line [unit of the line]."""

    def check_answer(self, answer: str) -> None:
        """Raises `SettingRefused` unless the device's answer to the command accepts it."""
        match = compiled(self.spec.accept or "").fullmatch(answer)
        if match is None:
            raise SettingRefused(
                f"{self.who}: {self.what}: {self.text!r} was answered by {answer!r}",
                "the device does not take it, or accept in the bench file does not fit its answers",
            )
        if VALUE in match.re.groupindex:
            self._check_told(match[VALUE], answer)

    def check_read_back(self, answer: str) -> None:
        """Raises `SettingRefused` unless the device tells afterwards what it was told."""
        match = compiled(self.spec.read_back_pattern or "").fullmatch(answer)
        if match is None:
            raise Garbled(
                f"{self.who}: {self.what}: {self.spec.read_back!r} was answered by {answer!r}",
                "compare it with read_back_pattern",
            )
        self._check_told(match[VALUE], answer)

    def _check_told(self, told: str | None, answer: str) -> None:
        taken = number(told or "", self.decimal)
        if taken is None:
            raise Garbled(f"{self.who}: {self.what}: no number in {answer!r}", "compare it with the pattern")
        wide = self.spec.read_back_tolerance + _SAME * max(abs(self._value(self.sent)), abs(self.spec.scale))
        if not abs(self._value(taken) - self._value(self.sent)) <= wide:
            raise SettingRefused(
                f"{self.who}: {self.what}: sent {self._value(self.sent):g} {self.unit}, "
                f"reads back {self._value(taken):g}",
                "the device may limit it, or its front panel or another program may set it too",
            )

    def _value(self, in_line: float) -> float:
        return self.spec.scale * in_line + self.spec.offset


def order(who: str, name: str, spec: LineSetpoint, value: float, decimal: Decimal = ".") -> Order:
    """The order that sets `name` to `value` [unit of the setpoint], which lies inside its range."""
    unit = unit_of(name) or ""
    text, sent = written(spec.command, spec.number(value))
    return Order(who, f"{name} = {value:g} {unit}", unit, spec, decimal, text, sent)
