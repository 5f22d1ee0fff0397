"""How punctual the engine is on real wires: `python -m tests.benchmarks.wires`, some 17 min; `--minutes N M` for less.

The shipped bench `wired`, five instruments with 21 channels over TCP, pseudo-terminals and a folder, at 10 Hz on the
steady clock, each tick committed: first for 10 min on the machine as it is, then for 5 min while others take a fifth
of each core. Beside it the floor, measured in the same run: a bare loop that waits for each tenth of a second and does
nothing. A tick counts as punctual when it begins within 5 ms of its time. What grows is measured from the end of the
first minute on; SQLite's cache of pages fills to 2 MB in some seven minutes and then stays.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path

import psutil

from benchd.bench_file import load_bench
from benchd.clock import SystemClock, utc_now
from benchd.protocol_file import load_protocol
from benchd.running.bench import OpenBench
from benchd.running.book import RunBook
from benchd.running.engine import Engine
from benchd.running.enroll import enroll
from benchd.running.snapshot import Snapshot
from benchd.store.writer import Writer
from sim.wires.serving import running
from tests.wire.conftest import addressed

TICK_S = 0.1
PUNCTUAL_S = 0.005
DWELL = (
    'protocol = "dwell"\n[[steps]]\nkind = "dwell"\nfor_min = {minutes}\nheat_w = 100\nfan_pct = 60\npump_pct = 60\n'
)
#: Takes a fifth of a core: 20 ms of each 100.
THIEF = """
import time
while True:
    end_s = time.monotonic() + 0.02
    while time.monotonic() < end_s:
        pass
    time.sleep(0.08)
"""


@contextmanager
def thieves(count: int) -> Iterator[None]:
    started = [subprocess.Popen([sys.executable, "-c", THIEF]) for _ in range(count)]
    try:
        yield
    finally:
        for one in started:
            one.kill()
            one.wait()


def lateness(times_s: Sequence[float]) -> tuple[list[float], int]:
    """By how much each tick began late [s], and how many of the grid have none."""
    slots = [int(t_s / TICK_S + 1e-6) for t_s in times_s]
    return [t_s - TICK_S * slot for t_s, slot in zip(times_s, slots, strict=True)], slots[-1] + 1 - len(set(slots))


def report(title: str, times_s: Sequence[float]) -> None:
    late_s, skipped = lateness(times_s)
    punctual = sum(one <= PUNCTUAL_S for one in late_s) / len(late_s)
    worst_ms, median_ms = 1e3 * max(late_s), 1e3 * statistics.median(late_s)
    print(
        f"  {title:<22} {len(late_s):6} ticks, {skipped} lost; {100 * punctual:6.2f} % within 5 ms; "
        f"median {median_ms:.2f} ms, at most {worst_ms:.1f} ms"
    )


def bare(minutes: float) -> list[float]:
    """The floor: a loop that does nothing but wait."""
    clock = SystemClock()
    begun_s = clock.now_s()
    return [clock.wait_until(begun_s + tick * TICK_S) - begun_s for tick in range(round(minutes * 60 / TICK_S))]


class Growth:
    """Threads, file descriptors and memory of this process after the first minute, and now."""

    def __init__(self) -> None:
        self._process = psutil.Process()
        self._first: tuple[int, int, float] | None = None

    def now(self) -> tuple[int, int, float]:
        return threading.active_count(), self._process.num_fds(), self._process.memory_info().rss / 2**20

    def look(self, t_s: float) -> None:
        if self._first is None and t_s >= 60.0:
            self._first = self.now()

    def report(self) -> None:
        if self._first is None:
            print("  too short to see anything grow")
            return
        for what, then, now in zip(("threads", "descriptors", "MB of memory"), self._first, self.now(), strict=True):
            print(f"  {what}: {then:.4g} after the first minute, {now:.4g} at the end")


def played(folder: Path, minutes: float, title: str) -> None:
    with running("--free-ports", f"--folder={folder / 'wires'}") as simulator:
        text = addressed(simulator.places).replace("tick_s = 1.0", f"tick_s = {TICK_S}")
        text = text.replace("deadline_s = 0.5", "deadline_s = 0.09")
        loaded = load_bench(text, "wired.toml")
        with closing(Writer.open(folder / f"{title}.db", durable=True)) as writer:
            protocol = load_protocol(DWELL.format(minutes=minutes), "dwell.toml")
            mount_id = writer.mount(writer.specimen("brook 2x140", "liquid"))
            run = enroll(writer, protocol, loaded, mount_id=mount_id, seed=1, simulated=True, utc=utc_now())
            times_s: list[float] = []
            good = 0
            growth = Growth()

            def on_tick(snapshot: Snapshot) -> None:
                nonlocal good
                times_s.append(snapshot.t_s)
                good += sum(sample.value is not None for sample in snapshot.samples)
                growth.look(snapshot.t_s)
                if len(times_s) % 6000 == 1:
                    print(f"  ... {len(snapshot.samples)} channels", flush=True)

            with OpenBench(loaded.bench, "liquid") as bench:
                Engine(RunBook(writer, run, bench), bench, SystemClock(), on_tick).play()
                growth.report()
            report(title, times_s)
            print(f"  {good} of {len(times_s) * 21} samples are good")
            with writer.reading() as connection:
                events = connection.exec_driver_sql(
                    "SELECT kind, what FROM event WHERE kind LIKE 'tick%' OR kind LIKE 'instr%'"
                )
                for kind, what in events.fetchall():
                    print(f"  event {kind}: {what}")


def main() -> None:
    parser = argparse.ArgumentParser(description="How punctual the engine is on real wires.")
    parser.add_argument("--minutes", nargs=2, type=float, default=(10.0, 5.0), metavar=("ALONE", "ROBBED"))
    alone_min, robbed_min = parser.parse_args().minutes
    cores = os.cpu_count() or 1
    print(f"10 Hz on {cores} cores; wanted alone: none lost, 99 % within 5 ms; robbed: none lost")
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        report("floor, alone", bare(1.0))
        played(folder, alone_min, "engine, alone")
        with thieves(cores):
            report("floor, robbed", bare(1.0))
            played(folder, robbed_min, "engine, robbed")


if __name__ == "__main__":
    main()
