"""The progress bar of a rehearsal: step, test point, bench time, time left."""

from __future__ import annotations

from types import TracebackType

from rich.console import Group
from rich.live import Live
from rich.progress_bar import ProgressBar
from rich.text import Text

from benchd.clock import real_s
from benchd.commands.output import messages
from benchd.commands.tell import visible
from benchd.report.screen import hours
from benchd.running.snapshot import Snapshot

#: Looking at the clock every tick would cost more than the tick's physics.
EVERY_TICKS = 50
REDRAW_S = 0.25


class Progress:
    """Drawn on standard error while it is a terminal; otherwise nothing is shown until the end.

    runs: how many runs the rehearsal has in all.
    """

    def __init__(self, runs: int) -> None:
        self._runs = runs
        self._number = 0
        self._specimen = ""
        self._ticks = 0
        self._drawn_s = 0.0
        self._begun_s = 0.0
        self._console = messages()
        self._live = Live(console=self._console, auto_refresh=False, transient=True)

    def __enter__(self) -> Progress:
        if self._console.is_terminal:
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._live.stop()

    def begin(self, specimen: str) -> None:
        """The next run begins; specimen: what is mounted, and how the run differs from others with it."""
        self._number += 1
        self._specimen = specimen
        self._begun_s = real_s()

    def show(self, snapshot: Snapshot) -> None:
        """One tick has been played."""
        self._ticks += 1
        if self._ticks % EVERY_TICKS:
            return
        now_s = real_s()
        if now_s - self._drawn_s < REDRAW_S or not self._live.is_started:
            return
        self._drawn_s = now_s
        self._live.update(self._picture(snapshot, now_s), refresh=True)

    def _picture(self, snapshot: Snapshot, now_s: float) -> Group:
        width = self._console.width
        passed = snapshot.done_part
        real_left_s = (now_s - self._begun_s) * (1 - passed) / passed if passed else 0.0
        points = f"point {min(snapshot.points_done + 1, snapshot.points_known)} of {snapshot.points_known}"
        if snapshot.more_to_come:
            points = "points not known yet" if not snapshot.points_known else f"{points}, more to come"
        first = f"run {self._number} of {self._runs}: {self._specimen} (simulated), {snapshot.kind}: {snapshot.doing}"
        second = (
            f"{points}; {hours(snapshot.t_s)} on the bench, about {hours(snapshot.left_s)} left; "
            f"run done in {hours(real_left_s)}"
        )
        return Group(
            Text(visible(first)[:width], no_wrap=True),
            Text(second[:width], no_wrap=True),
            ProgressBar(total=1.0, completed=passed, width=width),
        )
