"""What the daemon costs: `status` as a whole process, idling, memory: `python -m tests.benchmarks.daemon`.

Floors measured in the same run: a bare interpreter for `status`, one core for idling. A simulated day is played at
--speed 600 and takes two and a half minutes.
"""

from __future__ import annotations

import argparse
import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from statistics import median

import psutil

from benchd.service.client import Client

DAY = 'protocol = "day"\n[[steps]]\nkind = "dwell"\nfor_min = 1440\nheat_w = 60\n'
SPECIMEN = "brook 2x140"


@contextmanager
def daemon(folder: Path, *more: str) -> Iterator[tuple[Client, psutil.Process, psutil.Process]]:
    """A daemon on the simulated bench: how to ask it, its guard, its child."""
    socket = folder / "s" / "benchd.sock"
    command = [
        sys.executable,
        "-m",
        "benchd",
        "serve",
        "--db",
        str(folder / "bench.db"),
        "--socket",
        str(socket),
        *more,
    ]
    with (folder / "log").open("w") as log:
        process = subprocess.Popen(command, stdout=log, stderr=log)
    client = Client(socket)
    try:
        while not socket.exists():
            time.sleep(0.05)
        client.get("/status")
        guard = psutil.Process(process.pid)
        yield client, guard, guard.children()[0]
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(30)


def fastest_s(command: list[str], times: int = 15) -> float:
    """Median time of whole processes [s]."""
    taken = []
    for _ in range(times):
        begun_s = time.perf_counter()
        subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
        taken.append(time.perf_counter() - begun_s)
    return median(taken)


def status(client: Client, what: str) -> None:
    """`benchd status` against a bare interpreter."""
    python = str(Path(sys.executable))
    bare_s = fastest_s([python, "-c", "pass"])
    benchd = str(Path(sys.executable).parent / "benchd")
    taken_s = fastest_s([benchd, "status", "--socket", str(client.path)])
    print(
        f"status, {what}: {1000 * taken_s:.0f} ms, {taken_s / bare_s:.1f} times a bare interpreter "
        f"({1000 * bare_s:.1f} ms); wanted at most 8 times and 150 ms"
    )


def cpu_s(process: psutil.Process) -> float:
    """Time of a core that a process has taken [s]."""
    times = process.cpu_times()
    return times.user + times.system


def idle(folder: Path) -> None:
    """Memory and load while nothing is played."""
    with daemon(folder) as (client, guard, child):
        status(client, "idle")
        before_s = cpu_s(guard) + cpu_s(child)
        time.sleep(30)
        part = (cpu_s(guard) + cpu_s(child) - before_s) / 30
        print(f"idle: {100 * part:.2f} % of a core (wanted below 1)")
        for name, process, most in (("guard", guard, 40), ("child", child, 180)):
            print(f"{name}: {process.memory_info().rss / 2**20:.1f} MB (wanted at most {most})")


def filled(folder: Path, samples: int) -> None:
    """The same with many samples stored."""
    with closing(sqlite3.connect(folder / "bench.db")) as connection:
        step = connection.execute("SELECT max(id) FROM step").fetchone()[0]
        channel = connection.execute("SELECT max(id) FROM channel").fetchone()[0]
        rows = ((step, 10**9 + number, channel, 20.0, 0) for number in range(samples))
        connection.executemany("INSERT INTO sample VALUES (?, ?, ?, ?, ?)", rows)
        connection.commit()
    print(f"{samples / 1e6:g} million samples put in: {os.stat(folder / 'bench.db').st_size / 2**20:.0f} MB")
    with daemon(folder) as (client, _, _):
        status(client, f"{samples / 1e6:g} million samples stored")


def day(folder: Path) -> None:
    """A simulated day: memory after its second hour and at its end."""
    with daemon(folder, "--speed", "600") as (client, _, child):
        order = {"protocol": {"text": DAY, "file": "day.toml"}, "specimen": SPECIMEN}
        run = client.post("/queue", order)["run"]
        while client.get("/status")["run"] is None:
            if client.get("/status")["asked"]:
                client.post("/confirm", {"run": run})
            time.sleep(0.2)
        early_mb = 0.0
        begun_s = time.perf_counter()
        while (playing := client.get("/status")["run"]) is not None:
            now_mb = child.memory_info().rss / 2**20
            early_mb = early_mb or (now_mb if playing["t_s"] > 7200 else 0.0)
            time.sleep(0.5)
        print(f"24 simulated hours in {time.perf_counter() - begun_s:.0f} s")
        print(f"child: {early_mb:.1f} MB after two of them, {now_mb:.1f} MB after the last (wanted at most 5 more)")


def main() -> None:
    """Everything, one line a figure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=20_000_000, help="how many samples are put in")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="bd-") as name:
        folder = Path(name)
        idle(folder)
        day(folder)
        filled(folder, options.samples)


if __name__ == "__main__":
    main()
