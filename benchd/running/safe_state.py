"""The safe state, in one function. Engine, guard and `benchd make-safe` all use it; nothing else brings a bench down.

Software can fail, and so can the wire to the heater: what this function cannot confirm it says plainly. An independent
thermal cut-out has to be fitted whatever stands here.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchd.bench_file import HEAT_SETPOINT
from benchd.errors import InstrumentError
from benchd.running.bench import OpenBench, OpenInstrument, safe_values

TRIES = 2


@dataclass(frozen=True)
class SafeLine:
    """One instrument brought to its safe state, or not."""

    instrument: str
    values: dict[str, float]
    """Setpoint -> what was commanded [unit of each]."""
    problem: str = ""

    @property
    def words(self) -> str:
        """The line for a person."""
        asked = ", ".join(f"{name} {value:g}" for name, value in self.values.items())
        return f"{self.instrument}: {asked}: {'NOT CONFIRMED: ' + self.problem if self.problem else 'confirmed'}"


@dataclass(frozen=True)
class SafeReport:
    """What `make_safe` did, instrument by instrument, in the order it was done."""

    cause: str
    lines: tuple[SafeLine, ...]

    @property
    def confirmed(self) -> bool:
        """Whether every instrument has taken its safe setpoints."""
        return not any(line.problem for line in self.lines)


def make_safe(bench: OpenBench, cause: str) -> SafeReport:
    """Bring the bench to its safe state: heat off first, then cooling as the bench file says. Raises no error.

    Every instrument is tried, whatever became of the others; one that is not open is opened. Safe to call twice. A
    KeyboardInterrupt or the like that comes meanwhile is raised when all instruments have been tried.
    """
    owned: dict[str, list[str]] = {}
    for name, (owner, _) in bench.file.setpoints(None).items():
        owned.setdefault(owner, []).append(name)
    heat_first = sorted(owned, key=lambda owner: HEAT_SETPOINT not in owned[owner])
    lines = []
    interrupted: list[BaseException] = []
    for owner in heat_first:
        values = safe_values(bench.file, sorted(owned[owner], key=lambda name: name != HEAT_SETPOINT))
        lines.append(SafeLine(owner, values, _bring_down(bench.instruments[owner], values, interrupted)))
    report = SafeReport(cause, tuple(lines))
    if not report.confirmed:
        for instrument in bench.instruments.values():
            instrument.driver.stay_safe()
    if interrupted:
        raise interrupted[0]
    return report


def _bring_down(instrument: OpenInstrument, values: dict[str, float], interrupted: list[BaseException]) -> str:
    problem = ""
    for _ in range(TRIES):
        problem = ""
        for act in (instrument.open, lambda: instrument.call(lambda: instrument.driver.make_safe(values))):
            # What cannot be opened is told all the same: a device that refuses its settings must not keep its heat on.
            try:
                act()
            except InstrumentError as error:
                problem = problem or error.message
            except BaseException as error:  # noqa: BLE001 - raised again in make_safe(), once all is done
                interrupted.append(error)
                problem = problem or repr(error)
        if not problem:
            return ""
    return problem
