"""`python -m sim.wires`: its life, its options, and that it keeps time."""

import json
import signal
import socket
import subprocess
import sys
import time
import tomllib

import pytest

from sim.wires.control import Control
from sim.wires.serving import running


@pytest.fixture
def folder(tmp_path):
    return f"--folder={tmp_path / 'wires'}"


def ends(*options):
    """How a start ends that cannot be."""
    command = [sys.executable, "-m", "sim.wires", *options]
    return subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)


def test_it_says_where_everything_listens_and_writes_it_down(folder, tmp_path):
    with running("--free-ports", folder, "--specimen=slate tower", "--seed=3", "--mount=2") as bench:
        assert set(bench.places.ports) == {"supply", "controller", "control"}
        assert set(bench.places.paths) == {"board", "thermometer", "meter"}
        assert tomllib.loads((tmp_path / "wires" / "ports.toml").read_text()) == bench.places.ports
        with bench.control() as control:
            assert control.status()["specimen"] == "slate tower"


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_stops_cleanly_with_a_true_exit_status(folder, tmp_path, number):
    with running("--free-ports", folder) as bench:
        bench.process.send_signal(number)
        assert bench.process.wait(5) == -number
        assert [path.name for path in (tmp_path / "wires").iterdir()] == [".lock"]


def test_it_stops_with_whoever_started_it(folder):
    with running("--free-ports", folder) as bench:
        bench.process.stdin.close()
        assert bench.process.wait(5) == 0


def test_a_plain_input_is_at_its_end(folder):
    command = [sys.executable, "-m", "sim.wires", "--free-ports", folder, "--stop-at-eof"]
    ended = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=30, check=False)
    assert (ended.returncode, ended.stderr) == (0, "")


def test_an_ordinary_stop_with_somebody_connected_prints_nothing(folder):
    command = [sys.executable, "-m", "sim.wires", "--free-ports", folder]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        ports = json.loads(process.stdout.readline())["ports"]
        with Control(ports["control"]) as one, Control(ports["control"]) as two:
            assert one.status()["wires"] == two.status()["wires"]
            process.terminate()
            assert process.stderr.read() == ""


@pytest.mark.parametrize(
    ("text", "said"),
    [(None, "{file}: No such file or directory"), ("nonsense = [", "{file}: Invalid value")],
    ids=["no file", "no TOML"],
)
def test_a_table_that_cannot_be_read_is_told_with_its_file(folder, tmp_path, text, said):
    file = tmp_path / "table.toml"
    if text is not None:
        file.write_text(text)
    ended = ends("--free-ports", folder, f"--bench={file}")
    assert ended.returncode == 1
    assert ended.stderr.startswith(f"wires: cannot serve: {said.format(file=file)}")
    assert ended.stderr.count("\n") == 1


def test_after_a_kill_the_next_one_takes_the_folder(folder):
    with running("--free-ports", folder) as bench:
        bench.kill()
    with running("--free-ports", folder) as bench, bench.control() as control:
        assert control.status()["supply"] == "off"


def test_two_in_one_folder_are_one_too_many(folder):
    with running("--free-ports", folder):
        second = ends("--free-ports", folder)
    assert (second.returncode, second.stdout) == (1, "")
    assert second.stderr.startswith("wires: cannot serve: another process serves a bench in")
    assert second.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("option", "says"),
    [
        ("--specimen=stump", "there is no specimen 'stump'; there are: brook 1x120"),
        ("--speed=0", "speed must be above 0"),
        ("--bench=oven", "there is no table 'oven'; there are: bench, load"),
        ("--bench=./oven.toml", "No such file"),
    ],
)
def test_what_cannot_be_served_is_told_in_one_line(folder, option, says):
    ended = ends("--free-ports", folder, option)
    assert (ended.returncode, ended.stdout) == (1, "")
    assert says in ended.stderr
    assert ended.stderr.count("\n") == 1


def test_a_port_that_is_taken_is_told_in_one_line(folder, tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        table = tmp_path / "own.toml"
        port = taken.getsockname()[1]
        table.write_text(f'specimen = "slate tower"\n[instruments.a]\nwire = "scpi"\nport = {port}\n')
        ended = ends(folder, f"--bench={table}")
    assert ended.returncode == 1
    assert ended.stderr.startswith("wires: cannot serve: ")
    assert "in use" in ended.stderr


def test_what_cannot_start_is_told():
    with pytest.raises(RuntimeError, match="did not start"), running("--speed=0"):
        pass


def test_bench_time_goes_on_by_itself_as_fast_as_it_was_told(folder):
    with running("--free-ports", folder, "--speed=50") as bench, bench.control() as control:
        began_s, first = time.monotonic(), control.status()["t_s"]
        time.sleep(0.4)
        passed_s = control.status()["t_s"] - first
        real_s = time.monotonic() - began_s
    assert 50 * 0.4 <= passed_s <= 50 * (real_s + 0.2)


def test_a_stall_is_caught_up_and_the_heat_of_a_stalled_supply_has_ended(folder):
    with (
        running("--free-ports", folder, "--speed=20") as bench,
        bench.control() as control,
        socket.create_connection(("127.0.0.1", bench.places.ports["supply"])) as supply,
    ):
        supply.sendall(b"SYST:COMM:TIM 1;:POW 200;:OUTP ON;*OPC?\n")
        assert supply.recv(10) == b"1\n"
        before = control.status()
        assert (before["set_w"], before["supply"]) == (200, "on")
        bench.process.send_signal(signal.SIGSTOP)
        time.sleep(2.0)
        bench.process.send_signal(signal.SIGCONT)
        after = control.status()
    assert after["t_s"] - before["t_s"] >= 40
    assert (after["set_w"], after["supply"]) == (0, "silence")
    assert after["heat_w"] < 20, "it ended in the middle of the stall"


def test_its_line_is_json_alone(folder):
    command = [sys.executable, "-m", "sim.wires", "--free-ports", folder]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        said = json.loads(process.stdout.readline())
        process.terminate()
        assert process.stdout.read() == ""
    assert set(said) == {"folder", "ports", "paths"}
