"""A process is killed in the middle of a stage: nothing can be tidied up, and yet nothing committed is lost."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import timedelta

import pytest

from benchd.clock import VirtualClock, utc_now
from benchd.running.bench import OpenBench
from benchd.running.recovery import recover
from benchd.running.states import RunState
from benchd.store.writer import Writer

STEPS = """
[[steps]]
kind = "background"
for_min = 0.1
settle_s = 1
[[steps]]
kind = "soak"
heat_w = [60]
fan_pct = [60, 90]
pump_pct = 100
order = "listed"
read_min = 0.5
equilibrium = { within_k = 9, at_most_min = 3 }
"""

#: Plays the run on the paced clock, which is committed like a real bench, and tells each tick when it is committed.
ENGINE = """
import sys
from benchd.bench_file import load_bench
from benchd.clock import PacedClock
from benchd.named_files import find_bench
from benchd.running.bench import OpenBench
from benchd.running.book import RunBook
from benchd.running.engine import Engine
from benchd.store.writer import Writer
found = find_bench("simulated")
loaded = load_bench(found.text, found.file)
with Writer.open(sys.argv[1], durable=True) as writer, OpenBench(loaded.bench, "liquid") as bench:
    tell = lambda snapshot: print(snapshot.stage, round(snapshot.t_s * 1000), flush=True)
    Engine(RunBook(writer, int(sys.argv[2]), bench), bench, PacedClock(100), tell).play()
"""


@pytest.fixture
def killed(shipped_night):
    """A run whose process was killed in its last stage, and the last tick that the process told as committed [ms]."""
    night = shipped_night
    night.enroll(STEPS)
    night.writer.close()
    with subprocess.Popen(
        [sys.executable, "-c", ENGINE, str(night.path), str(night.run_id)], stdout=subprocess.PIPE, text=True
    ) as process:
        ticks = 0
        for line in process.stdout:
            ticks += line.startswith("soak/60w_90pct")
            if ticks == 20:
                process.kill()
        told_ms = int(line.split()[1])
    with Writer.open(night.path, durable=False) as night.writer:
        yield night, told_ms


def test_the_last_committed_tick_is_there_and_the_file_is_sound(killed) -> None:
    night, told_ms = killed
    assert night.state is RunState.RUNNING
    assert night.samples("die_c")[-1][0] >= told_ms
    assert [t_ms for t_ms, _, _ in night.samples("die_c")] == list(range(0, night.samples("die_c")[-1][0] + 1, 1000))
    with closing(sqlite3.connect(night.path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_after_the_next_start_a_person_resumes_and_finished_points_are_not_measured_twice(killed) -> None:
    night, _ = killed
    before = night.points
    assert len(before) == 1
    with OpenBench(night.bench.bench) as bench:
        (found,) = recover(night.writer, bench, utc_now())
    assert (found.stage, night.state) == ("soak/60w_90pct", RunState.WAITING)
    assert night.play(VirtualClock(utc_now() + timedelta(minutes=1))) is RunState.COMPLETE
    assert night.played == [
        ("background", 1, 1, "background", "done"),
        ("soak/60w_60pct", 1, 1, "soak", "settled"),
        ("soak/60w_90pct", 1, 1, "soak", "lost"),
        ("soak/60w_90pct", 2, 1, "cool_down", "done"),
        ("soak/60w_90pct", 2, 2, "soak", "settled"),
    ]
    assert night.points[0] == before[0]
    assert len(night.points) == 2
