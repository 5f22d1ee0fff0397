"""A run that has begun, to write into and to read from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest

from benchd.store.records import ChannelRow, NewRun
from benchd.store.writer import Writer

#: When the runs of these tests are queued.
EVENING = datetime(2026, 10, 24, 20, 0, tzinfo=UTC)


@dataclass(frozen=True)
class Begun:
    """A run with three channels whose first step is open."""

    writer: Writer
    path: Path
    mount_id: int
    run_id: int
    step_id: int
    channels: Mapping[str, int]

    def tick(self, t_ms: int, die_c: float = 50.0) -> None:
        """Record one tick, uncommitted."""
        rows = [(self.channels["die_c"], die_c, 0), (self.channels["ambient_c"], 22.0, 0)]
        self.writer.record(self.step_id, t_ms, [*rows, (self.channels["level_dba"], None, 1)])


def new_run(mount_id: int, **changes: object) -> NewRun:
    """A run to queue."""
    values: dict[str, object] = {
        "mount_id": mount_id,
        "protocol": "night",
        "protocol_text": 'protocol = "night"\n',
        "bench": "garden",
        "bench_text": 'bench = "garden"\n',
        "versions": {"benchd": "0.1.0"},
        "seed": 7,
        "simulated": True,
        "queued_utc": EVENING,
    }
    return NewRun(**{**values, **changes})


@pytest.fixture
def queued():
    return new_run


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


@pytest.fixture
def writer(path: Path) -> Iterator[Writer]:
    with Writer.open(path, durable=False) as opened:
        yield opened


@pytest.fixture
def begun(writer: Writer, path: Path) -> Begun:
    mount_id = writer.mount(writer.specimen("brook 2x140", "liquid"), utc=EVENING)
    run_id = writer.new_run(new_run(mount_id))
    channels = writer.add_channels(
        run_id,
        [
            ChannelRow(name="die_c", unit="degC", instrument="probe", resolution=0.1, uncertainty=0.3),
            ChannelRow(name="ambient_c", unit="degC", instrument="probe", resolution=0.1, uncertainty=0.3),
            ChannelRow(name="level_dba", unit="dBA", instrument="meter", uncertainty_pct=1.0),
        ],
    )
    step_id = writer.begin_step(run_id, "soak.1", 1, 1, "soak", '{"heat_w": 200}', 0)
    return Begun(writer, path, mount_id, run_id, step_id, channels)
