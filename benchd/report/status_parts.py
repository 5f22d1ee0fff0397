"""What each part of the status says: a picture of the daemon as blocks of lines, not yet laid out on any screen.

Knows the status document, and no terminal. Light: it is imported each time somebody looks at the status.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple, TypeAlias

from benchd.report.screen import Line, at, bar, cells, cut, day, hours, joined, padded, small_line, width_of, wrapped

Document: TypeAlias = Mapping[str, Any]

#: A margin below this, in its own unit, is shown as an alarm; one of any other unit when there is none left.
NEAR = {"K": 5.0, "W": 15.0}
#: A line of history is at most as long as there are minutes in a document.
MINUTES = 32
CHANNEL_WIDTH = 13
VALUE_WIDTH = 8
UNIT_WIDTH = 6
#: Kinds of event that stand out.
WRONG = frozenset({"trip", "tripped", "failed", "interrupted", "not_safe"})
_SHORT_UNITS = {"degC": "°C", "1": ""}


class Block(NamedTuple):
    """Some lines under one word. least: so many of them are shown before any other block gets more."""

    word: str
    lines: Sequence[Line]
    noun: str
    least: int = 1
    each: int = 1
    """So many things stand on a line."""
    whole: int = 0
    """How many things there are; the lines unless given."""

    def left_out(self, shown: int) -> int:
        """How many things are not seen when only `shown` lines are."""
        return max(0, (self.whole or len(self.lines)) - shown * self.each)


class Parts:
    """Makes the blocks of one document. plain: ASCII only; width, wherever it is asked for: of the lines [cells]."""

    def __init__(self, document: Document, plain: bool) -> None:
        self.document = document
        self.plain = plain

    @property
    def now(self) -> str:
        """The local time of the picture."""
        return str(self.document["local"])

    def head(self, width: int) -> Line:
        """Which bench, and when this was."""
        seen = self.document
        kind = "simulated bench" if seen["simulated"] else "bench"
        speed = f", {seen['speed']:g} times as fast" if seen["speed"] != 1.0 else ""
        name = "" if seen["simulated"] and seen["bench"] == "simulated" else f" {seen['bench']}"
        left = padded(f"{kind}{name}{speed}", max(width - 21, 0), self.mark)
        return ((left, "strong"), (f"  {day(self.now)} {self.now[11:19]}"[:21].rjust(21), "quiet"))

    @property
    def mark(self) -> str:
        """What stands where something was cut."""
        return "..." if self.plain else "…"

    def warnings(self, width: int) -> Iterator[Block]:
        """What must be seen before all else."""
        for word, text in self._alarms():
            lines = [((line, "alarm"),) for line in wrapped(text, width)]
            yield Block(word, lines, "lines of warnings", least=min(len(lines), 2))

    def _alarms(self) -> Iterator[tuple[str, str]]:
        seen = self.document
        if latch := seen["latch"]:
            by = f" by run {latch['run']}" if latch["run"] else ""
            yield "tripped", f"{latch['what']} ({at(latch['local'], self.now)}{by}); mend it, then  benchd clear"
        if hot := seen["hot"]:
            yield "hot", f"do not touch: {self._how_hot(hot)}"
        for silent in seen["silent"]:
            yield "silent", str(silent["why"])
        if seen["wal_too_large"]:
            size = seen["wal_bytes"] / 1e6
            yield "disk", f"the log of the database has grown to {size:.0f} MB: something keeps it open for long"

    def _how_hot(self, hot: Document) -> str:
        limit = f"{hot['limit_c']:g} {self._unit('degC')}"
        channel = hot["channel"] or "how hot it is"
        if hot["value"] is None:
            return f"{channel} is not known, and counts as hot until it is seen below {limit}"
        return f"{channel} is {self._value(hot['value'], 'degC')} {self._unit('degC')}, until all is below {limit}"

    def asked(self, width: int) -> Block:
        """What a person is to do, with the command to type under each."""
        lines: list[Line] = []
        for one in self.document["asked"]:
            until = f" (until {at(one['limit_local'], self.now)})" if one["limit_local"] else ""
            late = " (nobody answered in time; it can still be answered)" if one["pending"] else ""
            what = wrapped(f"run {one['run']}: {one['what']}{until}{late}", width)
            if len(what) == 1 and cells(what[0]) + cells(one["how"]) + 4 <= width:
                lines.append(((what[0], "strong"), ("    ", ""), (one["how"], "good")))
                continue
            lines += [*(((line, "strong"),) for line in what), (("    ", ""), (one["how"], "good"))]
        return Block("asked", lines, "lines of what is asked", least=min(len(lines), 6))

    def run(self, width: int) -> Block:
        """What runs, how far it is, when it ends."""
        run = self.document["run"]
        if run is None:
            words = {
                "idle": "nothing runs",
                "starting": "the daemon is starting",
                "stopping": "the daemon is stopping: the bench is brought to its safe state",
            }
            state = str(self.document["state"])
            return Block("now", [((words.get(state, state), "strong"),)], "lines")
        lines = [self._title(run), self._progress(run, width), *self._points(run, width)]
        lines += self._doing(run, width)
        if run["soaking"]:
            lines += [((line, ""),) for line in wrapped(self._equilibrium(run["soaking"]), width, "  ")]
        quiet = f"quiet {run['quiet']}" if run["quiet"] else ""
        if set_to := joined([self._setpoints(), quiet], "; "):
            lines.append(((set_to, "quiet"),))
        return Block("now", lines, "lines of the run", least=len(lines))

    def _held(self, run: Document) -> bool:
        return "held" in (run["state"], self.document["state"])

    def _title(self, run: Document) -> Line:
        held = self._held(run)
        state = "held, the heat is off" if held else run["state"]
        what = f"  {run['protocol']} on {run['specimen']}, mount {run['mount']}"
        return ((f"run {run['run']} ", "strong"), (state, "alarm" if held else "good"), (what, "strong"))

    def _progress(self, run: Document, width: int) -> Line:
        part = run["done_part"] or 0.0
        percent = f" {100 * part:3.0f} %"
        return (*bar(part, max(min(width, 110) - len(percent), 4), plain=self.plain), (percent, ""))

    def _points(self, run: Document, width: int) -> list[Line]:
        known, done = run["points_known"], run["points_done"]
        points = f"point {min(done + 1, known)} of {known}" if known else "no test points known yet"
        more = "more to come" if known and run["more_to_come"] else ""
        held = self._held(run)
        from_when = " from when it is resumed" if held else ""
        left = f"{hours(run['left_s'])} left{from_when}" if run["left_s"] is not None else ""
        ends = f"ends about {at(run['ends_local'], self.now)}" if run["ends_local"] and not held else ""
        before = joined([points, more, left])
        if ends and cells(before) + cells(ends) + 2 > width:
            return [((before, ""),), ((ends, "strong"),)]
        return [((before, ""), (", " if ends else "", ""), (ends, "strong"))]

    def _doing(self, run: Document, width: int) -> list[Line]:
        again = f" (attempt {run['attempt']})" if (run["attempt"] or 1) > 1 else ""
        step = f"{run['step']} " if run["step"] and not str(run["stage"]).startswith(str(run["step"])) else ""
        stage, doing = f"{step}{run['stage'] or ''}{again}", run["doing"] or ""
        if self._held(run):
            stage, doing = f"{run['stage'] or ''}{again}", "held; benchd resume repeats this stage"
        return [((line, ""),) for line in wrapped(joined([stage, doing], ": "), width, "  ")]

    def _equilibrium(self, soaking: Document) -> str:
        state, final, around = soaking["state"], soaking["final_k"], soaking["half_width_k"]
        plus_minus = "+-" if self.plain else "±"
        end = "" if final is None else f"{final:.1f}{f' {plus_minus}{around:.1f}' if around else ''} K"
        latest = f"at the latest {at(soaking['latest_local'], self.now)}" if soaking["latest_local"] else ""
        says = {"drifting": "drifting, no end in sight"}.get(state, state)
        if soaking["ends_local"]:
            left = f" (in {hours(soaking['remaining_s'])})" if soaking["remaining_s"] is not None else ""
            said = joined([f"ends about {at(soaking['ends_local'], self.now)}{left}", f"at {end}" if end else ""])
        elif state == "drifting":
            said = latest
        else:
            says = f"settling towards {end} so far, not proven" if end else says
            said = joined(["end not predictable yet", latest])
        until = str(soaking["until"])
        until = f"after a {until}" if until.startswith("fixed") else f"until {until}"
        return joined([f"equilibrium: {says}", said, until], "; ")

    def _setpoints(self) -> str:
        given = self.document["setpoints"] or {}
        words = {"heat_w": ("heat", "W"), "fan_pct": ("fans", "%"), "pump_pct": ("pump", "%")}
        parts = [
            f"{words.get(name, (name, ''))[0]} {value:.1f} {words.get(name, (name, ''))[1]}".rstrip()
            for name, value in given.items()
            if value is not None
        ]
        return f"set to {', '.join(parts)}" if parts else ""

    def channels(self, width: int, columns: int) -> Block:
        """The live channels, each with its last minutes."""
        each = (width - 3 * (columns - 1)) // columns
        cells_of = [self._channel(one, each) for one in self.document["channels"]]
        return Block("channels", in_columns(cells_of, columns, each), "channels", 3, columns, len(cells_of))

    def _channel(self, one: Document, width: int) -> Line:
        unit = self._unit(one["unit"] or "")
        room = min(MINUTES, width - CHANNEL_WIDTH - VALUE_WIDTH - UNIT_WIDTH - 1)
        small = small_line(one["history"], room, one["unit"], plain=self.plain)
        good = one["flag"] == "ok" and one["value"] is not None
        name = (padded(one["channel"], CHANNEL_WIDTH, self.mark), "")
        if not good:
            said = "not read" if one["flag"] == "ok" else str(one["flag"]).replace("_", " ")
            shown = padded(f" {said}", VALUE_WIDTH + UNIT_WIDTH + 1, self.mark)
            return (name, (shown, "alarm"), (small, "quiet"))
        value = padded(self._value(one["value"], one["unit"] or ""), VALUE_WIDTH, self.mark)
        return (
            name,
            (value.strip().rjust(VALUE_WIDTH), "strong"),
            (f" {padded(unit, UNIT_WIDTH, self.mark)}", "quiet"),
            (small, ""),
        )

    @staticmethod
    def _value(value: float, unit: str) -> str:
        if unit in ("1/min", "1") or abs(value) >= 1000:
            return f"{value:.0f}"
        return f"{value:.1f}" if abs(value) >= 10 else f"{value:.2f}"

    def _unit(self, unit: str) -> str:
        return unit if self.plain and unit != "1" else _SHORT_UNITS.get(unit, unit)

    def limits(self, width: int, columns: int) -> Block:
        """Each interlock and how far it is from tripping."""
        each = (width - 3 * (columns - 1)) // columns
        cells_of = [self._limit(one, each) for one in self.document["interlocks"]]
        return Block("interlock", in_columns(cells_of, columns, each), "limits", 1, columns, len(cells_of))

    def _limit(self, one: Document, width: int) -> Line:
        margin, unit = one["margin"], one["unit"] or ""
        if margin is None:
            said, style = "not known", "alarm"
        else:
            said = f"{self._value(margin, '')} {self._unit(unit)}".rstrip()
            style = "alarm" if margin < NEAR.get(unit, 0.0) else ""
        if unit == "1" and margin is not None and margin > 0:
            said = "clear"
        what = str(one["limit"]) if self.plain else str(one["limit"]).replace("degC", "°C")
        room = max(width - 9, 8)
        if cells(what) > room:
            what = what.partition(" for ")[0]
        return ((padded(what, room, self.mark), "quiet"), (said.rjust(9), style))

    def queue(self, width: int) -> Block:
        """What comes after."""
        lines: list[Line] = []
        for one in self.document["queue"]:
            what = f"run {one['run']} {one['protocol']} on {one['specimen']}, mount {one['mount']}"
            state = "" if one["state"] == "queued" else f"{one['state']}: "
            starts = f" (about {at(one['starts_local'], self.now)})" if one["starts_local"] else ""
            why = f"{state}{one['why'] or ''}"
            starts = "" if starts and one["starts_local"][11:16] in why else starts
            when = f"{why}{starts}".strip()
            # Of a long name only its end is lost, not when its run starts.
            what = cut(what, max(width - cells(when) - 2, width // 2), self.mark)
            lines.append(((what, ""), ("  ", ""), (when, "quiet")))
        return Block("queue", lines or [(("empty", "quiet"),)], "queued runs")

    def events(self) -> Block:
        """What happened last, newest first."""
        lines: list[Line] = []
        for one in reversed(self.document["events"]):
            when = padded(at(one["local"], self.now), 9 if at(one["local"], self.now)[0].isalpha() else 5)
            run = f" run {one['run']}" if one["run"] else ""
            who = f" ({one['who']})" if one["who"] else ""
            style = "alarm" if one["kind"] in WRONG else ""
            lines.append(((f"{when}", "quiet"), (f"{run} {one['kind']}: {one['what']}", style), (who, "quiet")))
        return Block("events", lines or [(("none yet", "quiet"),)], "events")


def in_columns(parts: Sequence[Line], columns: int, width: int) -> list[Line]:
    """Things side by side, in the order of reading: left to right, then down; each column `width` cells wide."""
    lines: list[Line] = []
    for first in range(0, len(parts), columns):
        line: Line = ()
        for part in parts[first : first + columns]:
            gap = " " * (len(line) and 3)
            line += ((gap, ""), *part, (" " * max(width - width_of(part), 0), ""))
        lines.append(line)
    return lines
