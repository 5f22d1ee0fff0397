"""Runs side by side at equal noise and equal heat, over one stated background; the arithmetic is `analysis`'s."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median, mode
from typing import Any

from sqlalchemy import Connection

from benchd.analysis.comparison import AtLevel, HeardSpeed, Measured, MeasuredPoint, at_equal_noise
from benchd.analysis.uncertainty import Estimate, from_expanded
from benchd.errors import InputError
from benchd.running.found import BACKGROUND, FAN_LEVEL, Found, estimate_of
from benchd.running.states import Quality
from benchd.store import queries
from benchd.store.records import PointRecord, RunRow

#: A point of this quality may be read from.
USABLE = frozenset({Quality.GOOD, Quality.FLAGGED})


@dataclass(frozen=True)
class Row:
    """One run in a comparison: one cell for each heat load."""

    run: RunRow
    cells: tuple[AtLevel, ...]
    pump_pct: float | None
    """The pump setting of the points that are compared [%]."""
    left_out: int
    """How many points at other pump settings are not [1]."""


@dataclass(frozen=True)
class Comparison:
    """Specimens side by side at one total level over one stated background."""

    level_dba: float
    floor_dba: float
    floor_given: bool
    heats_w: tuple[float, ...]
    rows: tuple[Row, ...]

    @property
    def simulated(self) -> bool:
        """Whether any of it was not measured on a real bench."""
        return any(row.run.simulated for row in self.rows)

    def as_json(self) -> dict[str, Any]:
        """The comparison as `results --at-dba L --json` prints it."""
        return {
            "at_dba": self.level_dba,
            "floor_dba": self.floor_dba,
            "simulated": self.simulated,
            "specimens": [_cell_json(row, cell) for row in self.rows for cell in row.cells],
        }


def equal_noise(
    connection: Connection,
    runs: Sequence[RunRow],
    level_dba: float,
    floor_dba: float | None = None,
    heat_w: float | None = None,
) -> Comparison:
    """The runs at a total level [dBA] over a background [dBA], the median of theirs unless given.

    heat_w [W]: only this heat load. Raises `InputError` when the question makes no sense for these runs.
    """
    known = [_known(connection, run) for run in runs]
    floor = stated_floor(connection, runs) if floor_dba is None else floor_dba
    if floor is None:
        raise InputError("none of these runs measured a background", "state one with --floor")
    if not level_dba > floor:
        raise InputError(
            f"{level_dba:g} dBA is not above the background of {floor:.1f} dBA",
            "ask for a higher level, or state --floor",
        )
    heats = _heats(known) if heat_w is None else (heat_w,)
    if not heats:
        raise InputError("these runs have no test points")
    rows = tuple(
        Row(run, tuple(one.at(heat, level_dba, floor) for heat in heats), one.pump_pct, one.left_out)
        for run, one in zip(runs, known, strict=True)
    )
    return Comparison(level_dba, floor, floor_dba is not None, heats, rows)


def stated_floor(connection: Connection, runs: Sequence[RunRow]) -> float | None:
    """The median of the runs' backgrounds [dBA], to a tenth, None when none was measured."""
    found = [Found(queries.standing_findings(connection, run.id)).last(BACKGROUND) for run in runs]
    levels = [background.value for background in found if background is not None]
    return round(median(levels), 1) if levels else None


def shared_level(connection: Connection, runs: Sequence[RunRow]) -> float | None:
    """A level [dBA] in the middle of what all runs reach at all heat loads, to half a decibel; None without one."""
    floor = stated_floor(connection, runs)
    if floor is None:
        return None
    reaches = [
        one.at(heat_w, floor + 1, floor).reach
        for one in (_known(connection, run) for run in runs)
        for heat_w in one.heats_w
    ]
    there = [reach for reach in reaches if reach is not None]
    if not there:
        return None
    low, high = max(reach.low for reach in there), min(reach.high for reach in there)
    if low > high:
        return None
    middle = round(low + high) / 2
    return middle if low <= middle <= high else round((low + high) / 2, 1)


@dataclass(frozen=True)
class _Known:
    measured: Measured
    heats_w: tuple[float, ...]
    pump_pct: float | None
    left_out: int
    has_background: bool

    def at(self, heat_w: float, level_dba: float, floor_dba: float) -> AtLevel:
        if not self.has_background:
            why = "no background was measured in this run"
            return AtLevel(self.measured.name, heat_w, level_dba, floor_dba, None, why=why)
        return at_equal_noise(self.measured, heat_w, level_dba, floor_dba)


def _known(connection: Connection, run: RunRow) -> _Known:
    points = queries.points(connection, [run.id])
    found = Found(queries.standing_findings(connection, run.id))
    background = found.last(BACKGROUND)
    floor = None if background is None else estimate_of(background)
    usable = [point for point in points if point.quality in USABLE and point.fan_rpm]
    # Another pump setting is another cooler: its points lie on a curve of their own.
    pump_pct = mode(point.pump_pct for point in usable) if usable else None
    kept = [point for point in usable if point.pump_pct == pump_pct]
    sweep = [
        HeardSpeed(heard.detail["fan_rpm"], estimate_of(heard), floor)
        for heard in found.every(FAN_LEVEL)
        if floor is not None and heard.detail["fan_rpm"] and heard.detail["pump_pct"] == pump_pct
    ]
    return _Known(
        measured=Measured(run.specimen, sweep, [_measured(point, floor) for point in kept]),
        heats_w=tuple(sorted({point.heat_set_w for point in points})),
        pump_pct=pump_pct,
        left_out=len(usable) - len(kept),
        has_background=floor is not None,
    )


def _heats(known: Sequence[_Known]) -> tuple[float, ...]:
    return tuple(sorted({heat_w for one in known for heat_w in one.heats_w}))


def _measured(point: PointRecord, floor: Estimate | None) -> MeasuredPoint:
    # A usable point has rise, heat and speed; the store keeps no degrees of freedom with a point's expanded values.
    level = None if point.level_dba is None else _known_value(point.level_dba, point.level_u_db)
    # The background of its own time, which may have been measured anew since; as sure as the latest.
    own = floor and point.background_dba is not None and Estimate(point.background_dba, floor.u_std, floor.dof)
    return MeasuredPoint(
        heat_set_w=point.heat_set_w,
        fan_rpm=point.fan_rpm or 0.0,
        rise=_known_value(point.rise_k or 0.0, point.rise_u_k),
        heat=_known_value(point.heat_w or 0.0, point.heat_u_w),
        total=level,
        background=own or floor,
    )


def _known_value(value: float, u: float | None) -> Estimate:
    return Estimate(value, from_expanded(u or 0.0))


def _cell_json(row: Row, cell: AtLevel) -> dict[str, Any]:
    return {
        "run": row.run.id,
        "specimen": row.run.specimen,
        "mount": row.run.mount,
        "heat_w": cell.heat_w,
        "pump_pct": row.pump_pct,
        "reached": cell.reached,
        "why": cell.why or None,
        "reach_low_dba": cell.reach and cell.reach.low,
        "reach_high_dba": cell.reach and cell.reach.high,
        "fan_rpm": cell.fan_rpm and cell.fan_rpm.value,
        "fan_u_rpm": cell.fan_rpm and cell.fan_rpm.expanded,
        "rise_k": cell.rise and cell.rise.value,
        "rise_u_k": cell.rise and cell.rise.expanded,
        "resistance_k_per_w": cell.resistance and cell.resistance.value,
        "resistance_u_k_per_w": cell.resistance and cell.resistance.expanded,
        "level_bound": cell.bound if cell.reached else None,
    }
