"""The status of a bench as lines for a screen of any size: what matters most first, and what is cut is said.

Pure: a document goes in, lines of styled text come out. Light: it is imported each time somebody looks at the status.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from benchd.commands.tell import visible
from benchd.report.screen import Line, Span, cells, cut_line, padded, side_by_side
from benchd.report.status_parts import Block, Document, Parts

__all__ = ["Line", "Span", "status_lines"]

GUTTER = 10
GAP = 4
#: From this width [cells] on there are two columns.
WIDE = 140
#: Two channels and two limits beside each other need this much [cells].
TWO_BESIDE = 68


def status_lines(document: Document, width: int, height: int | None, *, plain: bool = False) -> list[Line]:
    """The picture as lines of (text, style); no line is wider, and there are not more than the screen has.

    width, height: of the screen [cells]; height None: all there is, and no screen to fit. plain: ASCII only, for an
    output that cannot say more. Styles: "", "strong", "quiet", "good", "alarm".
    """
    parts = Parts(_seen(document), plain)
    if width >= WIDE:
        return _wide(parts, width, height)
    return _narrow(parts, width, height)


def _seen(value: Any) -> Any:
    """Every text in a document, on one line and harmless to a terminal."""
    if isinstance(value, str):
        return value if value.isprintable() else visible(" ".join(value.split("\n")))
    if isinstance(value, list):
        return [_seen(one) for one in value]
    return {name: _seen(one) for name, one in value.items()} if isinstance(value, dict) else value


def _narrow(parts: Parts, width: int, height: int | None) -> list[Line]:
    room = width - GUTTER
    columns = 2 if room >= TWO_BESIDE else 1
    warnings, asked, run = list(parts.warnings(room)), parts.asked(room), parts.run(room)
    rest = [parts.channels(room, columns), parts.limits(room, columns), parts.queue(room), parts.events()]
    blocks = [run, *warnings, asked, *rest]
    # Who gets lines first: what can hurt, what is asked, what runs, then what is left.
    order = [*warnings, asked, run, rest[0], rest[2], rest[1], rest[3]]
    lines = [parts.head(width), *_column(blocks, order, width, None if height is None else height - 1, parts.mark)]
    return _fitting(lines, width, height, parts.mark)


def _wide(parts: Parts, width: int, height: int | None) -> list[Line]:
    left_width = (width - GAP) // 2
    left_room, right_room = left_width - GUTTER, width - left_width - GAP - GUTTER
    high = None if height is None else height - 2
    warnings = list(parts.warnings(left_room))
    left = [parts.run(left_room), *warnings, parts.asked(left_room), parts.channels(left_room, 1)]
    right = [parts.queue(right_room), parts.limits(right_room, 1), parts.events()]
    order = [*warnings, left[-2], left[0], left[-1]]
    columns = side_by_side(
        _column(left, order, left_width, high, parts.mark, apart=True),
        _column(right, right, width - left_width - GAP, high, parts.mark, apart=True),
        left_width,
        GAP,
    )
    return _fitting([parts.head(width), (), *columns], width, height, parts.mark)


def _fitting(lines: Sequence[Line], width: int, height: int | None, mark: str) -> list[Line]:
    return [cut_line(line, width, mark) for line in lines[: len(lines) if height is None else max(height, 0)]]


def _column(
    blocks: Iterable[Block], order: Sequence[Block], width: int, height: int | None, mark: str, *, apart: bool = False
) -> list[Line]:
    """Blocks one under the other. apart: with an empty line between them, when there is room for all of it."""
    there = [block for block in blocks if block.lines]
    whole = sum(len(block.lines) for block in there)
    apart = (apart or height is None) and (height is None or whole + len(there) - 1 <= height)
    shares = {id(block): len(block.lines) for block in there}
    left_out = ""
    if height is not None and whole > height:
        shares = _shares([block for block in order if block.lines], height - 1)
        left_out = _left_out([(block.left_out(shares[id(block)]), block.noun) for block in there], width)
    lines: list[Line] = []
    for number, block in enumerate(there):
        if apart and number:
            lines.append(())
        for place, line in enumerate(block.lines[: shares[id(block)]]):
            word = (padded(block.word if place == 0 else "", GUTTER, mark), "quiet")
            lines.append(cut_line((word, *line), width, mark))
    if left_out:
        gutter = " " * (GUTTER if cells(left_out) + GUTTER <= width else 0)
        lines.append(cut_line(((gutter, ""), (left_out, "quiet")), width, mark))
    return lines


def _left_out(cut: Iterable[tuple[int, str]], width: int) -> str:
    """What is not seen, in words; only how much when there is no room for more."""
    there = [(count, noun) for count, noun in cut if count]
    each = [f"{count} {noun.removesuffix('s') if count == 1 else noun}" for count, noun in there]
    first, *others = [each[0].replace(" ", " more ", 1), *each[1:]]
    said = f"{', '.join([first, *others])}: a taller terminal shows them"
    return said if cells(said) <= width else f"{sum(count for count, _ in there)} more: a taller terminal shows them"


def _shares(order: Sequence[Block], height: int) -> dict[int, int]:
    """How many lines each block gets: each its least in the order given, then the rest in the same order."""
    shares = {id(block): 0 for block in order}
    left = max(height, 0)
    for wanted in (lambda block: min(block.least, len(block.lines)), lambda block: len(block.lines)):
        for block in order:
            more = min(wanted(block) - shares[id(block)], left)
            shares[id(block)] += more
            left -= more
    return shares
