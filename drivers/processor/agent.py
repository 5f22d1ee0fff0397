"""What the load agent does: heat and fans of the test computer, who may command them, and when they are made safe.

Owns the rules between several who are connected, and the commands of the agent. Knows no socket.

Whoever turns heat on or fans down holds them: his words keep the dead-man waiting, nobody else's do, and nobody else
may heat. He holds until his connection ends or he has been silent for the time-out, whatever is on. Everybody may
read, switch off and turn fans up. While it heats and nobody holds it, only a command that heats is a word. So a second
program that only watches never keeps the heat on for a first one that has died, and `benchd make-safe` always works.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable

from benchd.errors import InstrumentError
from benchd.instruments import SampleFlag, Setup
from drivers.processor.driver import HeatedPackage, ProcessorLoadSpec, Source
from drivers.scpi.program import Commands, Handler, ProgramUnit, ScpiError, setting
from drivers.sysfs.hwmon import Hwmon, HwmonSpec

#: What stands for a value that there is not: SCPI-99 volume 1, section 7.2.1.5 (from memory).
NO_NUMBER = "9.91E37"
SHORTEST_TIMEOUT_S, LONGEST_TIMEOUT_S = 1.0, 60.0
FULL_PCT = 100.0
WHO = "load agent"


class Agent:
    """Heat, and fans where there are some. `max_w` [W]: more is refused. May be called from several threads."""

    def __init__(self, heat: ProcessorLoadSpec, fans: HwmonSpec | None, max_w: float) -> None:
        self._max_w = max_w
        self._lock = threading.RLock()
        self._holder: object = None
        self._level_w = 0.0
        self._on = False
        self._fan_pct: float | None = None
        self._tripped = False
        self._fans = None if fans is None else Hwmon(Setup("fans", fans))
        self._package = HeatedPackage(heat, WHO, self._trip)
        try:
            if self._fans is not None:
                self._fans.open()
            self._package.loop.wait_for_watts()
        except InstrumentError:
            self._package.close()
            raise

    def close(self) -> None:
        """Load off, fans full; then their former mode is given back. Raises nothing."""
        self._package.close()  # without the lock: its thread may be about to trip
        with self._lock:
            self._fans_full()
            if self._fans is not None:
                self._fans.close()

    @property
    def words(self) -> str:
        """What it drives, for a person."""
        fans = "no fans" if self._fans is None else f"fans: {self._fans.identify()}"
        return f"{self._package.words}; {fans}"

    @property
    def no_temperature(self) -> str:
        """Why it has no temperature to tell, for a person; empty when it has one."""
        return self._package.no_temperature

    def commands_for(self, client: object) -> Commands:
        """The commands as this client may give them, with an error queue of his own."""

        def measured(source: Source) -> Handler:
            return lambda _: self._measured(source)

        def by(act: Callable[[object, ProgramUnit], None]) -> Handler:
            return lambda unit: act(client, unit)

        handlers: dict[str, Handler] = {
            "MEASure[:SCALar]:POWer[:DC]?": measured("power"),
            "MEASure[:SCALar]:TEMPerature?": measured("temperature"),
            "MEASure[:SCALar]:CLOCk?": measured("clock"),
            "MEASure[:SCALar]:THRottled[:TIME]?": measured("throttled"),
            "MEASure[:SCALar]:THRottled:COUNt?": measured("throttle_count"),
            "MEASure[:SCALar]:FAN?": lambda _: self._fan_speeds(),
            "[SOURce:]POWer[:LEVel][:IMMediate][:AMPLitude]": by(self._set_level),
            "[SOURce:]POWer[:LEVel][:IMMediate][:AMPLitude]?": lambda _: _number(self._level_w),
            "[SOURce:]FAN": by(self._set_fans),
            "[SOURce:]FAN?": lambda _: NO_NUMBER if self._fan_pct is None else _number(self._fan_pct),
            "OUTPut[:STATe]": by(self._switch),
            "OUTPut[:STATe]?": lambda _: str(int(self._on)),
            "OUTPut:PROTection:TRIPped?": lambda _: str(int(self._tripped)),
            "SYSTem:COMMunicate:TIMeout": by(self._set_timeout),
            "SYSTem:COMMunicate:TIMeout?": lambda _: _number(self._package.loop.timeout_s),
        }
        return Commands(handlers, identity="benchd,load agent,0,1", reset=lambda: self._all_off(client))

    def heard(self, client: object) -> None:
        """A client has said something that made sense."""
        with self._lock:
            if self.is_held_by(client):
                self._package.loop.word()

    def is_held_by(self, client: object) -> bool:
        """Whether this client holds heat and fans: he took them, and has not been silent for the time-out."""
        return client is self._holder and not self._package.loop.silent

    def gone(self, client: object) -> None:
        """A client has gone. Heat stays on until the time-out: he may come back and say so."""
        with self._lock:
            if client is self._holder:
                self._holder = None

    def _measured(self, source: Source) -> str:
        try:
            answer = self._package.read(source)
        except InstrumentError:
            return NO_NUMBER
        return NO_NUMBER if isinstance(answer, SampleFlag) else _number(answer)

    def _fan_speeds(self) -> str:
        """All fans that were named, with commas between."""
        if self._fans is None:
            return NO_NUMBER
        with self._lock:
            try:
                answers = self._fans.read(0.0)
            except InstrumentError:
                return NO_NUMBER
        return (
            ",".join(NO_NUMBER if isinstance(it, SampleFlag) else _number(it) for it in answers.values()) or NO_NUMBER
        )

    def _set_level(self, client: object, unit: ProgramUnit) -> None:
        watts = setting(unit, "W")
        if not 0 <= watts <= self._max_w:
            raise ScpiError(-222, f"0 to {self._max_w:g} W")
        self._command(client, self._on, watts)

    def _switch(self, client: object, unit: ProgramUnit) -> None:
        on = setting(unit)
        if on not in (0.0, 1.0):
            raise ScpiError(-224, "ON or OFF")
        self._command(client, on == 1.0, self._level_w)

    def _command(self, client: object, on: bool, level_w: float) -> None:
        with self._lock:
            heats = on and level_w > 0
            if heats:
                self._hold(client)
            try:
                self._package.loop.set_w(level_w if heats else 0.0)
            except InstrumentError as error:
                self._on = False
                raise ScpiError(-240, error.message) from error
            finally:
                self._guard_fans()
            self._on, self._level_w = on, level_w
            self._tripped = self._tripped and not on

    def _set_fans(self, client: object, unit: ProgramUnit) -> None:
        pct = setting(unit, "PCT")
        if self._fans is None:
            raise ScpiError(-240, "no fans were named when the agent was started")
        if not 0 <= pct <= FULL_PCT:
            raise ScpiError(-222, "0 to 100 %")
        with self._lock:
            if pct < (self._fan_pct or 0.0) or self._fan_pct is None:
                self._turn_down(client)
            try:
                self._fans.write({"fan_pct": pct})
            except InstrumentError as error:
                raise ScpiError(-240, error.message) from error
            self._fan_pct = pct
            self._guard_fans()

    def _set_timeout(self, client: object, unit: ProgramUnit) -> None:
        timeout_s = setting(unit, "S")
        if not SHORTEST_TIMEOUT_S <= timeout_s <= LONGEST_TIMEOUT_S:
            raise ScpiError(-222, f"{SHORTEST_TIMEOUT_S:g} to {LONGEST_TIMEOUT_S:g} s")
        with self._lock:
            self._may_command(client)
            self._package.loop.timeout_s = timeout_s

    def _hold(self, client: object) -> None:
        self._may_command(client)
        self._holder = client
        self._package.loop.word()

    def _turn_down(self, client: object) -> None:
        """Hold, to turn fans down: never on top of heat that somebody else has left on."""
        self._may_command(client)
        if self._on and self._level_w > 0 and not self.is_held_by(client):
            raise ScpiError(-221, "it heats and nobody holds it: command the heat, or OUTP OFF, first")
        self._hold(client)

    def _may_command(self, client: object) -> None:
        if self._holder is not None and client is not self._holder and not self._package.loop.silent:
            raise ScpiError(-221, "another connection holds heat and fans")

    def _guard_fans(self) -> None:
        """Fans that somebody has turned down are turned up after a silence, whether it heats or not."""
        self._package.loop.guard(self._fan_pct is not None and self._fan_pct < FULL_PCT)

    def _all_off(self, client: object) -> None:
        self._command(client, on=False, level_w=0.0)

    def _trip(self) -> None:
        """Heat has gone off by itself: cool, and let whoever comes next begin anew."""
        why = f"{self._package.loop.state.value} {self._package.loop.trouble}".strip()
        print(f"{WHO}: heat is {why}; fans full", file=sys.stderr, flush=True)
        with self._lock:
            self._package.loop.set_w(0.0)  # somebody may have switched it on between going off and here
            self._tripped = True
            self._on, self._level_w = False, 0.0
            self._holder = None
            self._fans_full()

    def _fans_full(self) -> None:
        if self._fans is None:
            return
        try:
            self._fans.make_safe({"fan_pct": FULL_PCT})
            self._fan_pct = FULL_PCT
        except InstrumentError as error:
            print(f"{WHO}: the fans cannot be turned to full speed: {error}", file=sys.stderr, flush=True)


def _number(value: float) -> str:
    return f"{value:.7g}"
