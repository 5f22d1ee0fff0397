"""A supply with a heater by itself behind SCPI, without a plant: for whoever needs no more than that.

Owns which headers such a supply usually has. What it does is in heater_supply.py, how it answers in scpi.py.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sim.sensors import Reading
from sim.supply import Supply
from sim.wires.base import Device, Wire
from sim.wires.heater_supply import HeaterSupply, SupplyLimits
from sim.wires.loop_thread import loop_thread
from sim.wires.scpi import ScpiDevice, ScpiServer

#: Resistance of the heater [ohm]: 40 V give 200 W.
OHM = 8.0

_SETTINGS = {
    "power": "[SOURce:]POWer[:LEVel]",
    "voltage": "[SOURce:]VOLTage[:LEVel]",
    "current": "[SOURce:]CURRent[:LEVel]",
    "output": "OUTPut[:STATe]",
    "silence": "SYSTem:COMMunicate:TIMeout",
}
_MEASURED = {
    "watts": "MEASure[:SCALar]:POWer[:DC]",
    "volts": "MEASure[:SCALar]:VOLTage[:DC]",
    "amperes": "MEASure[:SCALar]:CURRent[:DC]",
}
_SUFFIXES = {"power": "W", "voltage": "V", "current": "A", "silence": "S"}


class SupplyAlone:
    """A supply whose heater takes at once what it gives; its time-out counts real seconds, or those of `clock`.

    Args:
        limits: what it can do [each its own]
        clock: the steady clock of its communication time-out [s]

    >>> now = [0.0]
    >>> supply = SupplyAlone(SupplyLimits(silence_s=3.0), clock=lambda: now[0])
    >>> supply.device.writes["power"](200.0)
    >>> supply.device.writes["output"](1.0)
    >>> supply.device.reads["watts"](), supply.device.reads["volts"](), supply.device.reads["amperes"]()
    (200.0, 40.0, 5.0)
    >>> now[0] = 3.1
    >>> supply.watts
    0.0
    """

    def __init__(self, limits: SupplyLimits | None = None, clock: Callable[[], float] = time.monotonic) -> None:
        heater = Supply(ohm=OHM)
        self._clock = clock
        self._supply = supply = HeaterSupply(limits or SupplyLimits(), heater, clock())
        self.device = Device(
            {
                "watts": self._heard(lambda: supply.watts),
                "volts": self._heard(lambda: heater.voltage_v(supply.watts)),
                "amperes": self._heard(lambda: heater.current_a(supply.watts)),
                "power": self._heard(lambda: supply.set_w),
                "voltage": self._heard(lambda: supply.set_v),
                "current": self._heard(lambda: supply.set_a),
                "output": self._heard(lambda: float(supply.state == 1)),
                "silence": self._heard(lambda: supply.silence_s),
            },
            {
                "power": self._told(supply.hold_watts),
                "voltage": self._told(supply.hold_volts),
                "current": self._told(supply.limit_amperes),
                "output": self._told(supply.switch),
                "silence": self._told(supply.set_silence),
            },
        )
        """What it shows and takes."""

    @property
    def watts(self) -> float:
        """What flows into the heater now; whoever looks does not count as a word to it."""
        self._supply.falls_silent_by(self._clock())
        return self._supply.watts

    def scpi(self) -> ScpiDevice:
        """The same behind its headers."""
        return ScpiDevice(self.device, _MEASURED | _SETTINGS, _SETTINGS, suffixes=_SUFFIXES)

    def _heard(self, read: Callable[[], Reading]) -> Callable[[], Reading]:
        def show() -> Reading:
            self._hear()
            return read()

        return show

    def _told(self, write: Callable[[float], None]) -> Callable[[float], None]:
        def take(value: float) -> None:
            self._hear()
            write(value)

        return take

    def _hear(self) -> None:
        self._supply.falls_silent_by(self._clock())
        self._supply.hear(self._clock())


@dataclass(frozen=True)
class ServedSupply:
    """A supply that is served, its wire, and where it can be reached: a TCP port, or else a path."""

    supply: SupplyAlone
    wire: Wire
    port: int = 0
    path: str = ""


@contextmanager
def served_supply(terminal: Path | None = None, late_s: float = 0.7) -> Iterator[ServedSupply]:
    """A supply on a TCP socket of its own, or a pseudo-terminal; no thread and no socket is left behind.

    Args:
        terminal: link that leads to the pseudo-terminal while it is plugged in; None: a TCP socket [no unit]
        late_s: by how much a late answer comes late [s]

    >>> with served_supply() as served:
    ...     served.port > 0, served.supply.watts
    (True, 0.0)
    """
    supply, wire = SupplyAlone(), Wire("supply", late_s)
    server = ScpiServer(supply.scpi(), wire)

    def shows(path: str | None) -> None:
        assert terminal is not None
        terminal.unlink(missing_ok=True)
        if path is not None:
            terminal.symlink_to(path)

    with loop_thread() as run:
        try:
            if terminal is None:
                yield ServedSupply(supply, wire, port=run(server.start_tcp()))
            else:
                run(server.start_terminal(shows))
                yield ServedSupply(supply, wire, path=str(terminal))
        finally:
            run(server.close())
