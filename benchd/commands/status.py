"""`benchd status`: what is going on, once. `benchd watch`: the same, live, until the run that is watched has ended."""

from __future__ import annotations

import contextlib
import sys
import threading
from collections.abc import Callable, Generator
from typing import Any

from benchd.clock import real_s, wait_real
from benchd.commands import terminal
from benchd.commands.tell import print_json, visible
from benchd.errors import BenchdError, DaemonNeeded
from benchd.report.screen import Line, cut_line
from benchd.report.status_view import status_lines
from benchd.service.client import Client

#: Pictures come no faster than this [s]: two and a half a second.
EVERY_S = 0.4
#: A daemon that has gone is waited for so long [s], and asked so often.
PATIENCE_S, ASK_EVERY_S = 30.0, 0.5
WIDTH_OF_A_PIPE = 80
#: What a run can be in when nothing more happens by itself. One that is interrupted waits for the next start of its
#: daemon, which lets it go on or wait for a person.
OVER = ("complete", "aborted", "tripped", "failed")


def status_command(client: Client, as_json: bool) -> None:
    """Print what is going on. On a terminal as much as it can show, to a pipe everything."""
    document = client.get("/status")
    if as_json:
        print_json(document)
        return
    plain = terminal.is_plain()
    if sys.stdout.isatty():
        width, height = terminal.size()
        # The prompt comes back on a line of its own.
        terminal.say(status_lines(document, width, max(height - 1, 1), plain=plain))
    else:
        terminal.say(status_lines(document, WIDTH_OF_A_PIPE, None, plain=plain))


def watch_command(client: Client) -> None:
    """Follow what is going on until the run has ended; Ctrl-C leaves at any time, and does nothing to the run."""
    first = client.get("/status")
    try:
        said = _watch_screen(client, first) if sys.stdout.isatty() else _watch_lines(client, first)
    except KeyboardInterrupt:
        return
    terminal.say([((visible(said), ""),)])


class _Followed:
    """The run that is watched: the one that runs first."""

    def __init__(self, client: Client) -> None:
        self._client = client
        self.run: int | None = None

    def said_at_end(self, document: dict[str, Any]) -> str:
        """How the run ended, when it has; else nothing."""
        playing = document["run"]
        if playing is not None and self.run in (None, playing["run"]):
            self.run = playing["run"]
            return ""
        if self.run is None or document["state"] in ("starting", "stopping"):
            return ""
        try:
            page = self._client.get(f"/runs/{self.run}")
        except DaemonNeeded:
            return ""
        if page["state"] not in OVER:
            return ""
        says = page["says"] if page["state"] != "complete" else f"complete: {page['says']}"
        return f"run {self.run} {says}; next: benchd runs {self.run}"


def _documents(
    client: Client, first: dict[str, Any], gone: Callable[[float], None]
) -> Generator[dict[str, Any], None, None]:
    """Pictures as they come. A daemon that goes away is waited for; `gone` is told how long still [s].

    Raises `DaemonNeeded` when it does not come back.
    """
    yield first
    never = threading.Event()
    due_s = real_s() + PATIENCE_S
    while True:
        try:
            for kind, document in client.live(EVERY_S):
                due_s = real_s() + PATIENCE_S
                if kind == "status":
                    yield document
        except DaemonNeeded:
            if real_s() >= due_s:
                raise
        except BenchdError:  # it is there, and has no picture yet
            if real_s() >= due_s:
                raise
        gone(max(0.0, due_s - real_s()))
        wait_real(never, ASK_EVERY_S)


def _watch_screen(client: Client, first: dict[str, Any]) -> str:
    followed, plain = _Followed(client), terminal.is_plain()
    shown, notice = first, ""

    def lines(width: int, height: int) -> list[Line]:
        if not notice:
            return status_lines(shown, width, height, plain=plain)
        above = cut_line(((notice, "alarm"),), width, "...")
        return [above, *status_lines(shown, width, height - 1, plain=plain)] if height > 1 else [above]

    def gone(left_s: float) -> None:
        nonlocal notice
        notice = f"the daemon does not answer; trying for {left_s:.0f} s; this was last:"
        screen.draw()

    with terminal.Screen(lines).shown() as screen, contextlib.closing(_documents(client, first, gone)) as documents:
        for shown in documents:
            notice = ""
            said = followed.said_at_end(shown)
            if said:
                return said
            screen.draw()
    return ""


def _watch_lines(client: Client, first: dict[str, Any]) -> str:
    """One line each time something changes, for a log or a pipe."""
    followed, said_gone = _Followed(client), False
    state: tuple[object, ...] = ()
    last_event = max((one["event"] for one in first["events"]), default=0)

    def gone(left_s: float) -> None:
        nonlocal said_gone
        if not said_gone:
            _line("", f"the daemon does not answer; trying again for {left_s:.0f} s")
        said_gone = True

    with contextlib.closing(_documents(client, first, gone)) as documents:
        for document in documents:
            said_gone = False
            for event in [one for one in document["events"] if one["event"] > last_event]:
                whose = f"run {event['run']} " if event["run"] else ""
                _line(event["local"], f"{whose}{event['kind']}: {event['what']}")
                last_event = event["event"]
            run = document["run"] or {}
            now = (document["state"], run.get("run"), run.get("stage"))
            if now != state:
                stage = f": run {run['run']} {run['stage']}, point {_points(run)}" if run else ""
                _line(document["local"], f"{document['state']}{stage}")
                state = now
            if said := followed.said_at_end(document):
                return said
    return ""


def _points(run: dict[str, Any]) -> str:
    known = run["points_known"]
    return f"{min(run['points_done'] + 1, known)} of {known}{', more to come' if run['more_to_come'] else ''}"


def _line(local: str, text: str) -> None:
    when = f"{local[:19].replace('T', ' ')}  " if local else ""
    terminal.say([((visible(f"{when}{text}".replace("\n", " ")), ""),)])
