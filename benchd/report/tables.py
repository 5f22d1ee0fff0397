"""Test points and comparisons as tables for a terminal of 80 columns. Every figure has its unit and its uncertainty."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from rich import box
from rich.console import RenderableType
from rich.table import Table

from benchd.analysis.comparison import AtLevel, Difference, difference
from benchd.analysis.uncertainty import Estimate, from_expanded
from benchd.report.screen import wrapped
from benchd.report.side_by_side import Comparison
from benchd.running.states import Quality
from benchd.store.records import PointRecord

#: More heat loads side by side would not fit 80 columns beside a specimen's name.
HEATS_A_TABLE = 4
WIDTH = 80


def points_lines(points: Sequence[PointRecord]) -> list[RenderableType]:
    """The test points of one run: a table, how its soaks were ended, and what was measured twice."""
    if not points:
        return ["  no test points"]
    told = [*rule_line(points).splitlines(), *repeat_line(points).splitlines()]
    return [_points_table(points), *(line for text in told for line in wrapped(text, WIDTH, "  "))]


def _points_table(points: Sequence[PointRecord]) -> Table:
    numbered = _numbered_or_not(points, numbered=True)
    # A number is a help to name a point by, its figures are what the table is for.
    return numbered if _needs(numbered) <= WIDTH else _numbered_or_not(points, numbered=False)


def _needs(table: Table) -> int:
    """How wide a table has to be so that only its last column breaks, and no word of that."""
    *whole, broken = [[str(column.header), *map(str, column.cells)] for column in table.columns]
    widths = [max(len(line) for cell in column for line in cell.splitlines() or [""]) for column in whole]
    return sum(widths) + 2 * len(whole) + max(len(word) for cell in broken for word in cell.split()) + 1


def _numbered_or_not(points: Sequence[PointRecord], *, numbered: bool) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    if numbered:
        # In the order in which they were measured; they are listed by heat and setting.
        table.add_column("no", justify="right", no_wrap=True)
    table.add_column("heat W", justify="right", no_wrap=True)
    table.add_column("asked", no_wrap=True)
    # Only where it tells points apart: most nights have one pump setting.
    pumps = _has_pumps(points)
    if pumps:
        table.add_column("pump", justify="right", no_wrap=True)
    table.add_column("level dBA", justify="right", no_wrap=True)
    table.add_column("rise K", justify="right", no_wrap=True)
    table.add_column("K/W", justify="right", no_wrap=True)
    predicted = any(point.extrapolated_k is not None for point in points)
    # Beside a column for the pump there is no room for another one: it stands below the minutes then.
    beside = predicted and not pumps
    table.add_column("soak\nmin" if beside else "soak", justify="right", no_wrap=True)
    if beside:
        table.add_column("left\nK", justify="right", no_wrap=True)
    table.add_column("worth", overflow="fold")
    for point in sorted(points, key=_by_heat_and_setting):
        table.add_row(
            *([str(point.point)] if numbered else []),
            f"{point.heat_set_w:g}",
            asked(point),
            *([f"{point.pump_pct:g} %"] if pumps else []),
            with_u(point.level_dba, point.level_u_db, 1),
            with_u(point.rise_k, point.rise_u_k, 2),
            with_u(point.resistance_k_per_w, point.resistance_u_k_per_w, 4),
            *([_minutes(point), _left(point)] if beside else [_soaked(point)]),
            worth(point),
        )
    return table


def _minutes(point: PointRecord) -> str:
    return "" if point.soak_s is None else f"{point.soak_s / 60:.0f}"


def _soaked(point: PointRecord) -> str:
    if point.soak_s is None:
        return ""
    left = "" if point.extrapolated_k is None else f"\n{_left(point)} K"
    return f"{_minutes(point)} min{left}"


def _left(point: PointRecord) -> str:
    return "" if point.extrapolated_k is None else f"{point.extrapolated_k:+.2f}"


def _has_pumps(points: Sequence[PointRecord]) -> bool:
    return len({point.pump_pct for point in points}) > 1


def rule_line(points: Sequence[PointRecord]) -> str:
    """By which rules the soaks were ended, and how often in which way; empty when nothing was soaked."""
    ways: dict[str, Counter[str]] = {}
    predicted = False
    for point in points:
        predicted = predicted or point.extrapolated_k is not None
        if point.until and point.ended_by and point.soak_s is not None:
            ways.setdefault(point.until, Counter())[point.ended_by.replace("_", " ")] += 1
    rules = [f"{until} ({', '.join(f'{n} {way}' for way, n in sorted(how.items()))})" for until, how in ways.items()]
    lines = [f"Soaks: {'; '.join(sorted(rules))}."] if rules else []
    if predicted:
        where = "Below the minutes" if _has_pumps(points) else "Left"
        lines.append(f"{where}: how far the rise was from its predicted end, the rise shown.")
    return "\n".join(lines)


def repeat_line(points: Sequence[PointRecord]) -> str:
    """What the points that were measured twice say about repeatability; empty when there are none."""
    lines = []
    seen: dict[tuple[float, str, float | None], PointRecord] = {}
    for point in points:
        first = seen.setdefault((point.heat_set_w, asked(point), point.pump_pct), point)
        if first is point or first.rise_k is None or point.rise_k is None:
            continue
        found = difference(_estimate(point.rise_k, point.rise_u_k), _estimate(first.rise_k, first.rise_u_k))
        at = f"{point.heat_set_w:g} W at {asked(point)}"
        lines.append(f"Measured twice ({at}): {first.rise_k:.2f} K, then {point.rise_k:.2f} K: {_told(found)}.")
    return "\n".join(lines)


def _estimate(value: float, u: float | None) -> Estimate:
    # Rounded as it is shown, so that what is printed adds up.
    return Estimate(round(value, 2), from_expanded(u or 0.0))


def _told(found: Difference) -> str:
    says = f"{found.estimate.value:+.2f} ±{found.estimate.expanded:.2f} K"
    return says if found.meaningful else f"{says}, no meaningful difference"


def comparison_lines(compared: Comparison) -> list[RenderableType]:
    """Specimens side by side: a title, a table with a row a specimen and a column a heat load, and differences."""
    floor = f"{compared.level_dba:.1f} dBA over {compared.floor_dba:.1f}"
    source = "as stated" if compared.floor_given else "their median background"
    simulated = ", simulated" if compared.simulated else ""
    tables = [_comparison_table(compared, start) for start in range(0, len(compared.heats_w), HEATS_A_TABLE)]
    return [
        f"At equal noise, {floor} ({source}){simulated}:",
        *tables,
        *_differences(compared),
        *_remarks(compared),
    ]


def _comparison_table(compared: Comparison, start: int) -> Table:
    which = slice(start, start + HEATS_A_TABLE)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("rise K", overflow="fold", min_width=12)
    for heat_w in compared.heats_w[which]:
        table.add_column(f"{heat_w:g} W", justify="right", min_width=12)
    for row in compared.rows:
        table.add_row(f"{row.run.specimen} (run {row.run.id})", *(_cell(cell) for cell in row.cells[which]))
    return table


def _cell(cell: AtLevel) -> str:
    if cell.rise is None or cell.fan_rpm is None:
        return cell.why.replace(": ", ":\n")
    mark = "*" if cell.bound == "upper" else ""
    return f"{cell.rise.value:.2f} ±{cell.rise.expanded:.2f}{mark}"


def _differences(compared: Comparison) -> list[str]:
    first, *others = compared.rows
    lines = []
    for row in others:
        for ours, theirs in zip(first.cells, row.cells, strict=True):
            if ours.rise is None or theirs.rise is None:
                continue
            says = _told(difference(theirs.rise, ours.rise))
            lines.append(f"{row.run.specimen} less {first.run.specimen} at {ours.heat_w:g} W: {says}")
    return lines


def _remarks(compared: Comparison) -> list[str]:
    remarks = [
        f"{row.run.specimen} (run {row.run.id}): points at pump {row.pump_pct:g} %, {row.left_out} others left out"
        for row in compared.rows
        if row.left_out
    ]
    if any(cell.reached and cell.bound == "upper" for row in compared.rows for cell in row.cells):
        remarks.append("* too close to the background to be told from it: the rise is an upper bound")
    return remarks


def with_u(value: float | None, u: float | None, digits: int) -> str:
    """A value with its expanded uncertainty, empty when there is none.

    >>> with_u(40.123, 0.31, 2), with_u(None, None, 2)
    ('40.12 ±0.31', '')
    """
    if value is None:
        return ""
    return f"{value:.{digits}f}" if u is None else f"{value:.{digits}f} ±{u:.{digits}f}"


def asked(point: PointRecord) -> str:
    """What was asked of the fans: a level, or a setting."""
    if point.noise_set_dba is not None:
        return f"{point.noise_set_dba:g} dBA"
    return "" if point.fan_pct is None else f"{point.fan_pct:g} %"


def worth(point: PointRecord) -> str:
    """What a point is worth in words, with what is held against it."""
    flags = ", ".join(str(flag).replace("_", " ") for flag in point.flags)
    if point.quality is Quality.FLAGGED:
        return flags
    quality = str(point.quality).replace("_", " ")
    return f"{quality}: {flags}" if flags else quality


def _by_heat_and_setting(point: PointRecord) -> tuple[float, float, int]:
    setting = point.noise_set_dba if point.noise_set_dba is not None else point.fan_pct
    return (point.heat_set_w, setting or 0.0, point.point)
