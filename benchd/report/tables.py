"""Test points and comparisons as tables for a terminal of 80 columns. Every figure has its unit and its uncertainty."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

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


@dataclass(frozen=True)
class _Layout:
    """How wide the table of points is set."""

    gap: int
    """Blanks between two columns."""
    words: bool = True
    """How a soak ended stands behind its minutes as a word, else as the word's first letter."""
    beside: bool = True
    """What was left of a predicted rise has a column, else it stands below the minutes."""
    numbered: bool = True
    """Each point bears its number."""


#: From the widest on; the first that fits is taken. Figures and how a soak ended are never given up: they are what the
#: table is for. The number is, as a last resort.
_LAYOUTS = (
    _Layout(2),
    _Layout(1),
    _Layout(1, words=False),
    _Layout(1, words=False, beside=False),
    _Layout(1, words=False, beside=False, numbered=False),
)


def points_lines(points: Sequence[PointRecord]) -> list[RenderableType]:
    """The test points of one run: a table, how its soaks were ended, and what was measured twice."""
    if not points:
        return ["  no test points"]
    tables = [(layout, _points_table(points, layout)) for layout in _LAYOUTS]
    layout, table = next((one for one in tables if _needs(one[1]) <= WIDTH), tables[-1])
    told = [rule_line(points), *_legend(points, layout), *repeat_line(points).splitlines()]
    return ["", table, "", *(line for text in told if text for line in wrapped(text, WIDTH, "  "))]


def _needs(table: Table) -> int:
    """How wide a table has to be so that only its last column breaks, and no word of that."""
    *whole, broken = [[str(column.header), *map(str, column.cells)] for column in table.columns]
    widths = [max(len(line) for cell in column for line in cell.splitlines() or [""]) for column in whole]
    # Behind each column but the last stand its padding and the blank that the box draws between two.
    between = len(whole) * (table.padding[1] + 1)
    return sum(widths) + between + max(len(word) for cell in broken for word in cell.split())


def _points_table(points: Sequence[PointRecord], layout: _Layout) -> Table:
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, layout.gap - 1, 0, 0))
    if layout.numbered:
        # In the order in which they were measured; they are listed by heat and setting.
        table.add_column("no", justify="right", no_wrap=True)
    table.add_column("heat\nW", justify="right", no_wrap=True)
    table.add_column("asked", no_wrap=True)
    # Only where it tells points apart: most nights have one pump setting.
    pumps = len({point.pump_pct for point in points}) > 1
    if pumps:
        table.add_column("pump", justify="right", no_wrap=True)
    table.add_column("level\ndBA", justify="right", no_wrap=True)
    table.add_column("rise\nK", justify="right", no_wrap=True)
    table.add_column("K/W", justify="right", no_wrap=True)
    table.add_column("soak\nmin", no_wrap=True)
    left = _any_left(points)
    if left and layout.beside:
        table.add_column("left\nK", justify="right", no_wrap=True)
    table.add_column("worth", overflow="fold")
    figures = max(len(_minutes(point)) for point in points)
    for point in sorted(points, key=_by_heat_and_setting):
        table.add_row(
            *([str(point.point)] if layout.numbered else []),
            f"{point.heat_set_w:g}",
            asked(point),
            *([f"{point.pump_pct:g} %"] if pumps else []),
            with_u(point.level_dba, point.level_u_db, 1),
            with_u(point.rise_k, point.rise_u_k, 2),
            with_u(point.resistance_k_per_w, point.resistance_u_k_per_w, 4),
            _soaked(point, layout, figures),
            *([_left(point)] if left and layout.beside else []),
            worth(point),
        )
    return table


def _soaked(point: PointRecord, layout: _Layout, figures: int) -> str:
    """Minutes, as wide as so many figures, and how the soak ended; empty when there was none."""
    if point.soak_s is None:
        return ""
    ended = _ended(point) if layout.words else _ended(point)[:1]
    below = f"\n{_left(point)} K" if _left(point) and not layout.beside else ""
    return f"{_minutes(point):>{figures}} {ended}".rstrip() + below


def _minutes(point: PointRecord) -> str:
    return "" if point.soak_s is None else f"{point.soak_s / 60:.0f}"


def _ended(point: PointRecord) -> str:
    """How the soak of a point ended, in words."""
    return "" if point.soak_s is None else (point.ended_by or "").replace("_", " ")


def _left(point: PointRecord) -> str:
    return "" if point.extrapolated_k is None else f"{point.extrapolated_k:+.2f}"


def _any_left(points: Sequence[PointRecord]) -> bool:
    return any(point.extrapolated_k is not None for point in points)


def _legend(points: Sequence[PointRecord], layout: _Layout) -> list[str]:
    """What the table says too shortly, in sentences."""
    lines = []
    ways = sorted({_ended(point) for point in points} - {""})
    if ways and not layout.words:
        lines.append(f"Behind the minutes, how the soak ended: {', '.join(f'{way[0]} {way}' for way in ways)}.")
    if _any_left(points):
        where = "Left" if layout.beside else "Below the minutes"
        lines.append(
            f"{where}: how far the rise still had to go when the soak ended. Where it stands, the rise shown is its "
            "predicted end, not the last reading."
        )
    return lines


def rule_line(points: Sequence[PointRecord]) -> str:
    """By which rules the soaks were ended, and how often in which way; empty when nothing was soaked.

    Of several rules it is said which points each ended.
    """
    rules: dict[str, list[PointRecord]] = {}
    for point in points:
        if point.until and _ended(point):
            rules.setdefault(point.until, []).append(point)
    told = []
    for until, ended in sorted(rules.items()):
        ways = ", ".join(f"{n} {way}" for way, n in sorted(Counter(map(_ended, ended)).items()))
        which = f"{_numbers(ended)}: " if len(rules) > 1 else ""
        told.append(f"{until} ({which}{ways})")
    return f"Soaks: {'; '.join(told)}." if told else ""


def _numbers(points: Sequence[PointRecord]) -> str:
    """The numbers of points, runs of them as one: `points 1-3, 7`."""
    runs: list[list[int]] = []
    for number in sorted(point.point for point in points):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    said = ", ".join(f"{one[0]}-{one[-1]}" if len(one) > 1 else f"{one[0]}" for one in runs)
    return f"point{'s' if len(points) > 1 else ''} {said}"


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
