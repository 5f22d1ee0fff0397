"""What the steps of a run found besides its test points: background, pump setting, levels, gains of heat cycles."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from rich import box
from rich.console import RenderableType
from rich.table import Table
from sqlalchemy import Connection

from benchd.report.screen import wrapped
from benchd.report.tables import WIDTH, with_u
from benchd.running.found import CYCLE_RISE, FAN_LEVEL, PUMP_LEVEL, PUMP_RISE, SWEPT_LEVEL
from benchd.running.states import FINISHED, Ending
from benchd.running.steps.base import Finding
from benchd.store import queries
from benchd.store.records import StepRow

#: Steps that find something a person wants to read in a line.
TELLING = ("background", "pump_sweep", "fan_sweep", "break_in", "mount_check", "confirm")


class _Sweep(NamedTuple):
    """What a sweep found, setting by setting."""

    finding: str
    title: str
    """Of the setting."""
    key: str
    """Of the setting, in a finding's `detail`."""
    what: str
    digits: int


_SWEEPS = (
    _Sweep(FAN_LEVEL, "fans %", "fan_pct", "level dBA", 1),
    _Sweep(PUMP_LEVEL, "pump %", "pump_pct", "level dBA", 1),
    _Sweep(PUMP_RISE, "pump %", "pump_pct", "rise K", 2),
    _Sweep(CYCLE_RISE, "cycle", "cycle", "rise K", 2),
)


def found_lines(connection: Connection, run_id: int, *, whole: bool) -> list[RenderableType]:
    """A line for each step that found something, or took its levels from one that did; with `whole` also each setting
    of its sweeps."""
    told = told_lines(connection, run_id)
    lines: list[RenderableType] = [f"  {line}" for one in told for line in wrapped(one, WIDTH - 2, "  ")]
    if whole:
        findings = queries.standing_findings(connection, run_id)
        found = [(sweep, [one for one in findings if one.name == sweep.finding]) for sweep in _SWEEPS]
        lines += [_table(sweep, settings) for sweep, settings in found if settings]
    return lines


def told_lines(connection: Connection, run_id: int) -> list[str]:
    """What each step found that found something, in a line."""
    lines = [f"{step.stage}: {step.reason}" for step in _last_of_each_stage(queries.steps(connection, run_id))]
    swept = [row.step.stage for row in queries.findings(connection, run_id) if row.finding.name == SWEPT_LEVEL]
    soaks = dict.fromkeys(stage.split("/")[0] for stage in swept)
    return lines + [f"{soak}: level from the fan sweep, at the fan speed that was measured" for soak in soaks]


def _last_of_each_stage(steps: Sequence[StepRow]) -> list[StepRow]:
    # Of a point over its limit the reason says which load would have been held.
    over = Ending.OVER_LIMIT
    told = [step for step in steps if step.ending is over or (step.kind in TELLING and step.ending in FINISHED)]
    return list({step.stage: step for step in told}.values())


def _table(sweep: _Sweep, findings: Sequence[Finding]) -> Table:
    speed = f"{sweep.key.removesuffix('_pct')}_rpm"
    turning = any(speed in finding.detail for finding in findings)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for title in (sweep.title, sweep.what, *(["1/min"] if turning else [])):
        table.add_column(title, justify="right", no_wrap=True)
    for finding in findings:
        table.add_row(
            f"{finding.detail[sweep.key]:g}",
            with_u(finding.value, finding.u, sweep.digits),
            *([f"{finding.detail[speed]:.0f}"] if turning else []),
        )
    return table
