"""`benchd instruments`: in words what each instrument is and reads, or what is wrong with it and what to try."""

from __future__ import annotations

import json
import socket
import tomllib
from contextlib import closing
from pathlib import Path

import pytest

import benchd.commands.instruments as command
from benchd.instruments import Attached
from drivers.simulated import Simulated

DEAF = """
bench = "half"
[instruments.air]
driver = "simulated"
channels.ambient_c = {{ source = "ambient", range = [5, 45] }}
channels.pressure_hpa = {{ source = "pressure", range = [1, 2] }}
[instruments.load]
driver = "modbus"
host = "127.0.0.1"
port = {port}
deadline_s = 0.3
channels.heat_w = {{ register = 0 }}
setpoints.heat_w = {{ register = 0, range = [0, 400], safe = 0 }}
"""


@pytest.fixture
def free_port() -> int:
    with closing(socket.socket()) as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


@pytest.fixture
def half(tmp_path: Path, free_port: int) -> Path:
    file = tmp_path / "half.toml"
    file.write_text(DEAF.format(port=free_port))
    return file


def test_a_bench_that_is_well(benchd):
    told = benchd("instruments", "--bench", "simulated")
    assert (told.status, told.err) == (0, "")
    assert "thermometer (simulated): simulated: brook 2x120" in told.out
    assert "can set heat_w from 0 to 300 W; safe is 0 W" in told.out
    assert max(map(len, told.out.splitlines())) <= 80


def test_one_that_is_not_there_and_a_value_out_of_range(benchd, half, free_port):
    told = benchd("instruments", "--bench", half)
    assert told.status == 1
    assert f"load (modbus): NOT WELL: load at 127.0.0.1:{free_port}: cannot connect: Connection refused" in told.out
    assert "is the device on and in the network, and are host and port right?" in told.out
    assert "outside the range of the bench file" in told.out
    assert "not well: air, load" in told.err


def test_json(benchd, half):
    told = benchd("instruments", "--bench", half, "--json")
    assert told.status == 1
    air, load = json.loads(told.out)["instruments"]
    assert list(air) == ["instrument", "driver", "identity", "problem", "hint", "channels"]
    assert [(one["channel"], one["unit"], one["flag"]) for one in air["channels"]] == [
        ("ambient_c", "degC", "ok"),
        ("pressure_hpa", "hPa", "out_of_range"),
    ]
    assert load["identity"] is None
    assert "Connection refused" in load["problem"]


def test_what_drivers_find_can_be_pasted_into_a_bench_file(benchd, monkeypatch):
    monkeypatch.setattr(command, "driver_names", lambda: ["simulated"])
    stanza = '[instruments.meter]\ndriver = "serial_line"\nserial = "/dev/serial/by-id/a"\n'
    monkeypatch.setattr(Simulated, "find", classmethod(lambda _: [Attached("a serial port", stanza)]))
    told = benchd("instruments", "--find")
    assert told.status == 0
    assert told.out.startswith("# a serial port\n")
    assert tomllib.loads(told.out)["instruments"]["meter"]["driver"] == "serial_line"
    found = json.loads(benchd("instruments", "--find", "--json").out)
    assert found == [{"driver": "simulated", "what": "a serial port", "stanza": stanza}]


def test_nothing_found_is_said(benchd, monkeypatch):
    monkeypatch.setattr(command, "driver_names", lambda: ["simulated"])
    told = benchd("instruments", "--find")
    assert (told.status, told.out) == (1, "")
    assert "nothing was found on this machine" in told.err


@pytest.mark.parametrize("words", [(), ("--find", "--bench", "simulated")])
def test_either_a_bench_or_find(benchd, words):
    told = benchd("instruments", *words)
    assert told.status == 2
    assert "say either --bench BENCH or --find" in told.err
