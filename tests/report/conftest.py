"""Databases made by hand, through the writer: runs whose backgrounds, sweeps and points are known."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest

from benchd.running.states import Ending, Quality, RunEvent, RunState, next_state
from benchd.running.steps.base import Finding
from benchd.store.records import NewRun, PointRecord
from benchd.store.writer import Writer

EVENING = datetime(2026, 10, 24, 20, 0, tzinfo=UTC)


def point(rpm: float | None, level: float | None, rise: float | None, **changes: object) -> PointRecord:
    """A good point at 200 W, unless said otherwise."""
    values: dict[str, object] = {
        "heat_set_w": 200.0,
        "heat_w": 200.0,
        "heat_u_w": 0.0,
        "fan_pct": 50.0,
        "pump_pct": 100.0,
        "fan_rpm": rpm,
        "level_dba": level,
        "level_u_db": None if level is None else 0.2,
        "rise_k": rise,
        "rise_u_k": None if rise is None else 0.3,
        "until": "settled to within 0.2 K",
        "ended_by": "settled",
        "soak_s": 1200.0,
        "quality": Quality.GOOD,
    }
    return PointRecord(**{**values, **changes})


@dataclass
class Books:
    """A database to be filled with runs."""

    path: Path
    writer: Writer

    def enter(
        self,
        specimen: str,
        points: Sequence[PointRecord],
        *,
        background: float | None = 30.0,
        sweep: Sequence[tuple[float, float]] = (),
        simulated: bool = False,
    ) -> int:
        """Enter a finished run and give its number. sweep: pairs of fan speed [1/min] and total level [dBA]."""
        run = self.begin(self.writer.mount(self.writer.specimen(specimen, "liquid"), utc=EVENING), simulated=simulated)
        if background is not None:
            self.step(run, "background", [Finding("background_dba", background, "dBA", 0.2)])
        heard = [
            Finding("fan_level_dba", level, "dBA", 0.2, detail={"fan_rpm": rpm, "pump_pct": 100.0})
            for rpm, level in sweep
        ]
        self.step(run, "fan_sweep", heard)
        for number, one in enumerate(points, 1):
            self.step(run, f"soak.{number}", [], one)
        self.writer.set_state(run, RunState.COMPLETE, EVENING)
        return run

    def begin(self, mount: int, *, bench: str = "garden", simulated: bool = False) -> int:
        """Begin a run on a mount and give its number."""
        run = self.writer.new_run(
            NewRun(
                mount_id=mount,
                protocol="by hand",
                protocol_text="",
                bench=bench,
                bench_text="",
                versions={},
                seed=1,
                simulated=simulated,
                queued_utc=EVENING,
            )
        )
        self.writer.set_state(run, next_state(RunState.QUEUED, RunEvent.START), EVENING)
        return run

    def step(
        self,
        run: int,
        stage: str,
        findings: Sequence[Finding],
        one: PointRecord | None = None,
        ending: Ending = Ending.DONE,
        reason: str = "",
    ) -> None:
        """Enter a step that was played in a run, with what it found."""
        step = self.writer.begin_step(run, stage, 1, 1, stage.partition(".")[0], "{}", 0)
        self.writer.end_step(step, 0, ending, reason, findings, one)


@pytest.fixture
def books(tmp_path: Path) -> Iterator[Books]:
    path = tmp_path / "bench.db"
    with Writer.open(path, durable=False) as writer:
        yield Books(path, writer)


@pytest.fixture
def made() -> Callable[..., PointRecord]:
    """Makes a test point."""
    return point
