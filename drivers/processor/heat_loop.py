"""The loop that holds a package's watts: reads its counter each second, and tells its workers and limits what to do.

Owns the thread, and every way in which heat goes off by itself: nobody has said a word for the time-out, the counter
cannot be read, the loop itself has failed. When this process dies its workers die with it. Knows no wire and no bench.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from enum import Enum

from benchd.errors import InstrumentError, LinkLost, SettingRefused
from drivers.links.patience import Patience, Stopwatch
from drivers.processor.powercap import EnergyMeter, PowerLimits, Zone, range_of, read_energy
from drivers.processor.watts_control import Drive, WattsControl
from drivers.processor.workers import Workers

#: From one step of the controller to the next [s].
STEP_S = 1.0
#: Over how long watts are averaged, or little longer; just after the start over what there is, but not less [s].
AVERAGE_S, SHORTEST_AVERAGE_S = 1.0, 0.25
#: Watts that nobody measures must not be made: so long it may be [s].
UNMEASURED_S = 3.0


class State(Enum):
    """Whether it heats, and why not."""

    OFF = "off"
    ON = "on"
    SILENCE = "off, because nobody has said a word for the time-out"
    FAILED = "off, because it has failed"


class HeatLoop:
    """A package that is heated; off until it is told watts.

    `timeout_s` [s]: off after so long without a word. `tripped`: called from the loop's thread once heat has gone off
    by itself.
    """

    def __init__(
        self,
        zone: Zone,
        workers: Workers,
        limits: PowerLimits | None,
        who: str,
        timeout_s: float,
        tripped: Callable[[], None] = lambda: None,
    ) -> None:
        self._zone = zone
        self._workers = workers
        self._limits = limits
        self._who = who
        self._tripped = tripped
        self._timeout_s = timeout_s
        self._word = Patience(timeout_s)
        self._guarded = False
        self._control = WattsControl(None if limits is None else zone.lowest_limit_w())
        self._meter = EnergyMeter(range_of(zone, who))
        self._watch = Stopwatch()
        self._stepped_s = 0.0
        self._unmeasured = Patience(UNMEASURED_S)
        self._lock = threading.RLock()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"heat of {who}", daemon=True)
        self.state = State.OFF
        """Whether it heats, and why not."""
        self.trouble = ""
        """What was wrong last, for a person."""

    def start(self) -> None:
        """Begin to measure. Raises `LinkLost` when the counter cannot be read."""
        self._measure()
        self._thread.start()

    def wait_for_watts(self) -> None:
        """Wait until there is a mean to be told."""
        self._ending.wait(1.1 * SHORTEST_AVERAGE_S)

    def stop(self) -> None:
        """Heat off, limits given back, thread ended; may be called twice, also by the thread itself."""
        self._ending.set()
        with self._lock:
            self._off(State.OFF)
        if self._thread.is_alive() and self._thread is not threading.current_thread():
            self._thread.join()
        if self._limits is not None:
            self._limits.let_go()

    @property
    def timeout_s(self) -> float:
        """After how long without a word heat goes off [s]."""
        return self._timeout_s

    @timeout_s.setter
    def timeout_s(self, timeout_s: float) -> None:
        # It counts from the next word on: a span that runs is nobody's to begin anew but by a word.
        self._timeout_s = timeout_s

    @property
    def silent(self) -> bool:
        """Whether nobody has said a word for the time-out."""
        return self._word.over

    def word(self) -> None:
        """Somebody who is responsible has spoken: the time-out begins anew."""
        self._word = Patience(self._timeout_s)

    def guard(self, wanted: bool) -> None:
        """Whether something beside the heat is on: then `tripped` is called after a silence, heat or not.

        Only where nothing was guarded before is it a word.
        """
        with self._lock:
            if wanted and not self._guarded and self.state is not State.ON:
                self.word()
            self._guarded = wanted

    def set_w(self, watts: float) -> None:
        """Hold so many watts, which is a word; 0 is off, at once. Raises `SettingRefused`, and then it is off."""
        with self._lock:
            if watts <= 0:
                self._off(State.OFF)
                return
            self.word()
            self._control.set_w(watts)
            self.state = State.ON
            self._unmeasured = Patience(UNMEASURED_S)
            try:
                self._act(self._control.step(None, 0.0))
            except InstrumentError:
                self._off(State.FAILED)
                raise

    def watts(self) -> float | None:
        """Mean power over the last second or little more [W], up to now; None when it cannot be told.

        Raises `LinkLost` when the counter cannot be read.
        """
        with self._lock:
            self._measure()
            return self._meter.mean_w(AVERAGE_S, SHORTEST_AVERAGE_S)

    def _run(self) -> None:
        while not self._ending.wait(STEP_S):
            with self._lock:
                if self._ending.is_set():
                    return
                gone_off = self._guarded_step()
                self._guarded = self._guarded and not gone_off
            if gone_off:
                # Without the lock: who is called may want to ask.
                self._tripped()

    def _guarded_step(self) -> bool:
        """One step; whatever goes wrong in it, heat goes off. True when it has gone off, or something else must."""
        try:
            return self._step()
        except Exception as error:  # noqa: BLE001 - no fault of ours or of the kernel may leave the heat on
            self.trouble = str(error)
            self._off(State.FAILED)
            return True

    def _step(self) -> bool:
        try:
            measured_w, dt_s = self._measured_since_last_step()
        except LinkLost as error:
            self.trouble = error.message
            measured_w, dt_s = None, STEP_S
        if measured_w is not None:
            self._unmeasured = Patience(UNMEASURED_S)
        if (self._guarded or self.state is State.ON) and self.silent:
            self._off(State.SILENCE)
            return True
        if self.state is State.ON and self._unmeasured.over:
            self._off(State.FAILED)
            return True
        drive = self._control.step(measured_w, dt_s)
        if self.state is State.ON:
            self._act(drive)
        return False

    def _measured_since_last_step(self) -> tuple[float | None, float]:
        self._measure()
        dt_s = self._watch.elapsed_s - self._stepped_s
        self._stepped_s += dt_s
        return self._meter.mean_w(0.9 * dt_s), dt_s

    def _measure(self) -> None:
        counter_uj = read_energy(self._zone, self._who)
        self._meter.add(self._watch.elapsed_s, counter_uj)

    def _act(self, drive: Drive) -> None:
        if drive.limit_w is not None and self._limits is not None:
            try:
                self._limits.set_w(drive.limit_w)
            except SettingRefused as refusal:
                # Locked by the firmware, as many are: the duty alone can hold the watts too.
                self.trouble = refusal.message
                self._control.without_limit()
                self._give_back_limits()
                drive = self._control.step(None, 0.0)
        self._workers.drive(drive.duty)

    def _off(self, state: State) -> None:
        self._workers.stop()
        self._control.set_w(0.0)
        self.state = state
        self._give_back_limits()

    def _give_back_limits(self) -> None:
        if self._limits is not None:
            try:
                self._limits.give_back()
            except SettingRefused as refusal:  # the record stays: the next one gives them back
                self.trouble = refusal.message
