"""From a setpoint and its value to the commands that a SCPI device is sent, and what it must say afterwards.

Owns how watts become volts and amperes at a heater of known resistance, and how near a number read back must come. It
sends nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchd.instruments import unit_of
from drivers.scpi.codec import query_form, volts_and_amperes
from drivers.scpi.keys import ScpiSpec

#: How far a number read back may lie from the one sent unless the bench file says [part of the top of the range].
_USUAL_TOLERANCE = 1e-3


@dataclass(frozen=True)
class Setting:
    """One command, and what must be read back after it; `read_back` is empty when nothing can be asked."""

    command: str
    sent: float
    read_back: str
    tolerance: float
    unit: str

    def agrees(self, taken: float) -> bool:
        """Whether a number read back is near enough; what only the arithmetic adds does not count."""
        return abs(taken - self.sent) <= self.tolerance + 1e-9 * max(1.0, abs(self.sent))


@dataclass(frozen=True)
class Order:
    """A setpoint to be commanded: what was asked, the commands for it, and whether the output is to be on then."""

    name: str
    unit: str
    asked: float
    settings: tuple[Setting, ...]
    output: bool | None
    """None: it has nothing to do with the output."""

    @property
    def words(self) -> str:
        """What was asked, for a person."""
        return f"{self.name} = {self.asked:g} {self.unit}"

    @property
    def blind(self) -> bool:
        """Whether one of its settings cannot be read back."""
        return not all(setting.read_back for setting in self.settings)


def order_of(spec: ScpiSpec, who: str, name: str, value: float) -> Order:
    """The order for a setpoint [its unit]. Raises `SettingRefused` for one that is not there or outside its range."""
    spec.check_setting(name, value, who)
    setpoint, unit = spec.setpoints[name], unit_of(name) or ""
    top = max(map(abs, setpoint.range))
    told = setpoint.read_back_tolerance
    part = _USUAL_TOLERANCE if told is None else told / top
    if setpoint.ohm is None:
        settings = [_setting(spec.command_of(name), value, part * top, unit, setpoint.read_back)]
    else:
        volts, amperes = volts_and_amperes(value, setpoint.ohm)
        top_volts, top_amperes = volts_and_amperes(top, setpoint.ohm)
        margin = 1 + setpoint.margin_pct / 100
        # Watts go with the square of each: half the part in either.
        settings = [
            _setting(setpoint.volts or "VOLT {value}", volts, part / 2 * top_volts, "V"),
            _setting(setpoint.amperes or "CURR {value}", margin * amperes, part / 2 * margin * top_amperes, "A"),
        ]
    return Order(name, unit, value, tuple(settings), output=value > 0 if spec.switches(name) else None)


def _setting(command: str, value: float, tolerance: float, unit: str, read_back: str | None = None) -> Setting:
    """The number goes with seven digits, more than any device resolves."""
    text = f"{value:.7g}"
    asked = (query_form(command) or "") if read_back is None else read_back
    return Setting(command.replace("{value}", text), float(text), asked, tolerance, unit)
