"""How long a replayed night takes, against floors measured in the same run: `python -m tests.benchmarks.replay`.

Ratios hold on any machine; single seconds do not. Floors: the same rows put into SQLite by the standard library alone,
and the simulated bench alone asked for the same ticks.
"""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

from benchd.bench_file import load_bench
from benchd.instruments import RunAbout
from benchd.named_files import find_bench, find_protocol
from benchd.protocol_file import load_protocol
from benchd.running.bench import OpenBench
from benchd.running.rehearsal import Played, Rehearsal
from benchd.store.writer import Writer

SPECIMEN = "brook 2x140"


def seconds(call: Callable[[], object]) -> float:
    begun_s = time.perf_counter()
    call()
    return time.perf_counter() - begun_s


def night(folder: Path, durable: bool) -> tuple[Played, float]:
    protocol, bench = find_protocol("overnight"), find_bench("simulated")
    with Writer.open(folder / f"night-{durable}.db", durable=durable) as writer:
        rehearsal = Rehearsal(
            writer,
            load_protocol(protocol.text, protocol.file),
            load_bench(bench.text, bench.file),
            {SPECIMEN: "liquid"},
            seed=1,
        )
        begun_s = time.perf_counter()
        played = rehearsal.play(SPECIMEN, "liquid")
        return played, time.perf_counter() - begun_s


def rows_alone(folder: Path, rows: int, per_commit: int) -> float:
    connection = sqlite3.connect(folder / "floor.db")
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute(
        "CREATE TABLE sample (step_id, t_ms, channel_id, value, flag,"
        " PRIMARY KEY (step_id, t_ms, channel_id)) WITHOUT ROWID"
    )
    batches = [
        [(1, tick, channel, 20.5, 0) for tick in range(first, first + per_commit) for channel in range(12)]
        for first in range(0, rows // 12, per_commit)
    ]

    def put() -> None:
        for batch in batches:
            connection.executemany("INSERT INTO sample VALUES (?, ?, ?, ?, ?)", batch)
            connection.commit()

    taken_s = seconds(put)
    connection.close()
    return taken_s


def bench_alone(ticks: int) -> float:
    found = find_bench("simulated")
    with OpenBench(load_bench(found.text, found.file).bench, "liquid") as bench:
        bench.begin(RunAbout(SPECIMEN, "liquid", 1))
        drivers = [instrument.driver for instrument in bench.instruments.values()]

        def read() -> None:
            for tick in range(ticks):
                for driver in drivers:
                    driver.read(float(tick))

        return seconds(read)


def start_up(arguments: list[str]) -> float:
    return median(
        seconds(lambda: subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.PIPE))
        for _ in range(7)
    )


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        played, taken_s = night(folder, durable=False)
        ticks = round(played.bench_s)
        rows_s, bench_s = rows_alone(folder, played.samples, 60), bench_alone(ticks)
        hours, per_tick_us = played.bench_s / 3600, taken_s / ticks * 1e6
        print(f"a night of {hours:.1f} h, {played.samples} samples: {taken_s:.2f} s, {per_tick_us:.0f} us a tick")
        print(f"  floors: rows alone {rows_s:.2f} s, simulated bench alone {bench_s:.2f} s")
        print(f"  ratio to both floors {taken_s / (rows_s + bench_s):.1f}")
        print(f"  bench time to real time {played.bench_s / taken_s:.0f}")
        bare_s, ours_s = start_up(["-c", "pass"]), start_up(["-m", "benchd", "--version"])
        print(f"benchd --version: {ours_s * 1e3:.0f} ms, bare interpreter {bare_s * 1e3:.0f} ms")
        print(f"  ratio {ours_s / bare_s:.1f}")


if __name__ == "__main__":
    main()
