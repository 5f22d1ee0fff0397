"""`benchd make-safe`: heat off first, everything else whatever became of it, and the truth about what was confirmed."""

from __future__ import annotations

import json
import os
import socket
import time
from pathlib import Path

import pytest

from benchd.bench_file import load_bench
from benchd.service.bench_lock import BenchLock
from sim.wires.serving import served
from sim.wires.station import Pace
from sim.wires.table import load_table, shipped

WIRED = """
bench = "wired"
[instruments.fans]
driver = "simulated"
setpoints.fan_pct = {{ target = "fans", range = [0, 100], safe = 100 }}
[instruments.load]
driver = "modbus"
host = "127.0.0.1"
port = {port}
deadline_s = 0.3
setpoints.heat_w = {{ register = 0, scale = 0.1, range = [0, 400], safe = 0 }}
"""


@pytest.fixture
def wired(tmp_path: Path):
    def wired(port: int) -> Path:
        file = tmp_path / "wired.toml"
        file.write_text(WIRED.format(port=port))
        return file

    return wired


def test_each_instrument_is_named_with_what_it_took(benchd):
    told = benchd("make-safe", "--bench", "simulated")
    assert (told.status, told.err) == (0, "")
    assert told.out == "load: heat_w 0: confirmed\nfans: fan_pct 100, pump_pct 100: confirmed\n"


def test_json(benchd):
    told = benchd("make-safe", "--bench", "simulated", "--json")
    assert (told.status, told.err) == (0, "")
    assert json.loads(told.out) == {
        "bench": "simulated",
        "confirmed": True,
        "instruments": [
            {"instrument": "load", "values": {"heat_w": 0}, "problem": None},
            {"instrument": "fans", "values": {"fan_pct": 100, "pump_pct": 100}, "problem": None},
        ],
    }


def test_a_load_that_heats_is_turned_off(benchd, wired, tmp_path):
    table = load_table(shipped("load")).with_free_ports()
    with served(table, tmp_path / "wires", Pace(20.0)) as bench:
        port = bench.places.ports["load"]
        with socket.create_connection(("127.0.0.1", port)) as other:
            other.sendall(bytes.fromhex("0001 0000 0006 01 06 0000 05DC"))  # 150 W
            other.recv(100)
        time.sleep(0.2)
        assert bench.heat_w > 100
        told = benchd("make-safe", "--bench", wired(port))
        assert (told.status, told.out.splitlines()[0]) == (0, "load: heat_w 0: confirmed")
        # Its watts follow with a time constant of 1.5 s of bench time; its own time-out would need 3 s.
        time.sleep(0.8)
        assert bench.heat_w < 1


def nobody() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return listener.getsockname()[1]


def test_what_is_not_confirmed_is_said_and_the_others_are_made_safe(benchd, wired):
    told = benchd("make-safe", "--bench", wired(nobody()))
    assert told.status == 1
    lines = told.out.splitlines()
    assert lines[0].startswith("load: heat_w 0: NOT CONFIRMED: load at 127.0.0.1:")
    assert lines[1] == "fans: fan_pct 100: confirmed"
    assert "bench 'wired': the safe state is not confirmed" in told.err
    assert (
        "go to the bench, switch the heater off by hand at its mains switch, and keep the cooling running" in told.err
    )


def test_json_says_so_too(benchd, wired):
    told = benchd("make-safe", "--json", "--bench", wired(nobody()))
    said = json.loads(told.out)
    assert (told.status, said["confirmed"]) == (1, False)
    assert said["instruments"][0]["problem"].startswith("load at 127.0.0.1:")


def test_a_device_that_hangs_does_not_keep_the_others_waiting_for_long(benchd, wired):
    with socket.create_server(("127.0.0.1", 0)) as listener:
        begun_s = time.monotonic()
        told = benchd("make-safe", "--bench", wired(listener.getsockname()[1]))
        took_s = time.monotonic() - begun_s
    assert told.status == 1
    assert "NOT CONFIRMED: load at 127.0.0.1:" in told.out
    assert "no answer" in told.out
    assert "fans: fan_pct 100: confirmed" in told.out
    assert took_s < 3


@pytest.mark.parametrize(
    ("bench", "said"),
    [("nope", "there is no bench named 'nope'"), ("./nope.toml", "there is no file ./nope.toml")],
)
def test_a_bench_that_is_none(benchd, bench, said):
    told = benchd("make-safe", "--bench", bench)
    assert (told.status, told.out) == (2, "")
    assert said in told.err
    assert "by name there are: simulated" in told.err


def test_a_protocol_is_no_bench(benchd, tmp_path):
    file = tmp_path / "night.toml"
    file.write_text('protocol = "night"\n[[steps]]\nkind = "dwell"\nfor_min = 1\n')
    told = benchd("make-safe", "--bench", file)
    assert (told.status, told.out) == (2, "")
    assert told.err.startswith(f"benchd: {file} is a protocol file, and a bench is wanted here\n")


def test_a_daemon_that_may_command_it_again_is_warned_of(benchd, wired):
    file = wired(nobody())
    lock = BenchLock.take(load_bench(file.read_text(), str(file)).bench)
    try:
        told = benchd("make-safe", "--bench", file)
    finally:
        lock.release()
    assert f"benchd: process {os.getpid()} serves this bench and may command it again" in told.err
    assert "fans: fan_pct 100: confirmed" in told.out
