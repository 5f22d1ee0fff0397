"""`benchd runs`: what was, and one page for each run. Reads the database by itself, with the daemon or without it."""

from __future__ import annotations

import re
from contextlib import suppress
from pathlib import Path
from shlex import quote
from typing import Any

from rich import box
from rich.table import Table

from benchd.commands.output import console, show
from benchd.commands.tell import print_json
from benchd.errors import BenchdError, NotFound
from benchd.places import usual_db
from benchd.report.morning import history_line, morning_page
from benchd.report.screen import hours, wrapped
from benchd.report.tables import WIDTH, points_lines
from benchd.service.client import Client
from benchd.service.socket_place import socket_path
from benchd.store import queries


def database_of(db: Path | None, socket: Path | None) -> Path:
    """The database meant: the one named, else that of the daemon that answers, else the bench's, else of rehearsals."""
    if db is not None:
        return db
    with suppress(BenchdError):
        return Path(Client(socket_path(socket)).get("/status", timeout_s=3.0)["database"])
    return usual_db()


def runs_command(db: Path, limit: int, as_json: bool) -> None:
    """Print the newest runs, one line each."""
    with queries.reader(db) as connection:
        rows = queries.runs(connection, limit)
        lines = [history_line(row, queries.points(connection, [row.id])) for row in rows]
    if as_json:
        print_json(lines)
        return
    if not lines:
        raise NotFound(f"there are no runs in {db} yet", "benchd queue PROTOCOL --specimen NAME")
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("run", justify="right")
    table.add_column("started", no_wrap=True)
    table.add_column("what", overflow="fold")
    table.add_column("worth", overflow="fold")
    for line in lines:
        started = (line["started_local"] or "not yet")[:16].replace("T", " ")
        what = f"{line['protocol']}, {line['specimen']}, mount {line['mount']}"
        table.add_row(str(line["run"]), started, what, line["says"])
    show([table])


def run_command(db: Path, run: int, as_json: bool, socket: Path | None = None) -> None:
    """Print the morning page of one run. db, socket: what is typed next has to go to the same ones."""
    with queries.reader(db) as connection:
        page = morning_page(connection, run)
        points = queries.points(connection, [run])
    if as_json:
        print_json(page)
        return
    out = console()
    simulated = ", simulated" if page["simulated"] else ""
    out.print(f"Run {run}: {page['protocol']} on {page['specimen']}, mount {page['mount']}{simulated}", soft_wrap=True)
    out.print(f"{page['says']}", soft_wrap=True)
    out.print(_when(page), soft_wrap=True)
    for line in page["found"]:
        for part in wrapped(line, WIDTH - 2, "  "):
            out.print(f"  {part}", soft_wrap=True)
    if page["mount_check"]:
        out.print(f"Mount: {page['mount_check']}", soft_wrap=True)
    if points:
        show(points_lines(points))
    for event in page["events"]:
        by = f" ({event['who']})" if event["who"] else ""
        out.print(f"  {event['local'][11:16]} {event['kind'].replace('_', ' ')}: {event['what']}{by}", soft_wrap=True)
    for prompt in page["prompts"]:
        out.print(f"Still asked: {prompt['what']}", soft_wrap=True)
    if page["next"]:
        out.print(f"Next: {_at_the_same(page['next'], db, socket)}", soft_wrap=True)


def _at_the_same(commands: str, db: Path, socket: Path | None) -> str:
    """Commands in words, each with the database or the daemon that it has to be told of."""
    if commands.startswith("benchd results"):
        return commands if db == usual_db() else f"{commands} --db {quote(str(db))}"
    # The others go to the daemon.
    return commands if socket is None else re.sub(r"benchd \w+", rf"\g<0> --socket {quote(str(socket))}", commands)


def _when(page: dict[str, Any]) -> str:
    if page["started_local"] is None:
        return "not begun yet"
    began = page["started_local"][:16].replace("T", " ")
    ended = f" to {page['ended_local'][11:16]}" if page["ended_local"] else ""
    return f"{began}{ended}, {hours(page['lasted_s'] or 0.0)} on the bench"
