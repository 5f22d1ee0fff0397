"""One daemon a bench: the place an instrument hangs on counts, not what the bench file is called."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from benchd.bench_file import BenchFile, parse_bench
from benchd.errors import RunRefused
from benchd.service.bench_lock import BenchLock, held_by

HEATER = """
bench = "{name}"
[instruments.{instrument}]
driver = "{driver}"
{keys}
"""
SERIAL = 'serial = "/dev/ttyS9"\nsetpoints.heat_w = { range = [0, 100], safe = 0 }'
ADDRESS = 'host = "{host}"\n{more}\nsetpoints.heat_w = {{ range = [0, 100], safe = 0 }}'
REGISTERS = ADDRESS.replace("range", "register = 0, range")
PROCESSOR = "package = {package}\nsetpoints.heat_w = {{ range = [0, 100], safe = 0 }}"


def bench(keys: str = SERIAL, name: str = "one", instrument: str = "load", driver: str = "scpi") -> BenchFile:
    return parse_bench(HEATER.format(name=name, instrument=instrument, driver=driver, keys=keys), "b.toml")


def test_a_second_bench_file_with_the_same_heater_is_refused_with_who_has_it(tmp_path: Path) -> None:
    lock = BenchLock.take(bench(), tmp_path)
    with pytest.raises(RunRefused) as refused:
        BenchLock.take(bench(name="other", instrument="supply"), tmp_path)
    assert refused.value.message == f"process {os.getpid()} already serves a bench with serial port /dev/ttyS9"
    assert "stop that one first" in refused.value.hint
    lock.release()
    lock.release()
    BenchLock.take(bench(name="other"), tmp_path).release()


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        (
            bench(ADDRESS.format(host="192.0.2.7", more="")),
            bench(ADDRESS.format(host="192.0.2.7", more="port = 5025")),
            True,
        ),
        (bench(ADDRESS.format(host="192.0.2.7", more="")), bench(ADDRESS.format(host="192.0.2.8", more="")), False),
        (
            bench(REGISTERS.format(host="192.0.2.7", more="device_id = 1"), driver="modbus"),
            bench(REGISTERS.format(host="192.0.2.7", more="port = 502"), driver="modbus"),
            True,
        ),
        (
            bench(REGISTERS.format(host="192.0.2.7", more="device_id = 1"), driver="modbus"),
            bench(REGISTERS.format(host="192.0.2.7", more="device_id = 2"), driver="modbus"),
            False,
        ),
        (bench(PROCESSOR.format(package=0), driver="processor_load"),) * 2 + (True,),
        (
            bench(PROCESSOR.format(package=0), driver="processor_load"),
            bench(PROCESSOR.format(package=1), driver="processor_load"),
            False,
        ),
    ],
)
def test_what_counts_as_the_same_place(tmp_path: Path, one, other, same) -> None:
    lock = BenchLock.take(one, tmp_path)
    assert held_by(other, tmp_path) == (os.getpid() if same else None)
    lock.release()


def test_a_simulated_bench_may_be_served_any_number_of_times(tmp_path: Path) -> None:
    simulated = bench('setpoints.heat_w = { target = "heat", range = [0, 100], safe = 0 }', driver="simulated")
    for _ in range(2):
        BenchLock.take(simulated, tmp_path)
    assert held_by(simulated, tmp_path) is None
    assert list(tmp_path.iterdir()) == []


def test_what_was_taken_before_one_place_was_refused_is_given_back(tmp_path: Path) -> None:
    both = parse_bench(
        HEATER.format(name="both", instrument="a", driver="scpi", keys=SERIAL.replace("ttyS9", "ttyS1"))
        + '[instruments.b]\ndriver = "scpi"\nserial = "/dev/ttyS9"\nchannels.supply_v = {}',
        "b.toml",
    )
    lock = BenchLock.take(bench(), tmp_path)
    with pytest.raises(RunRefused):
        BenchLock.take(both, tmp_path)
    BenchLock.take(bench(SERIAL.replace("ttyS9", "ttyS1")), tmp_path).release()
    lock.release()


def test_a_killed_process_locks_nobody_out(tmp_path: Path) -> None:
    taking = (
        "import sys, time; from pathlib import Path; from benchd.bench_file import parse_bench\n"
        "from benchd.service.bench_lock import BenchLock\n"
        "lock = BenchLock.take(parse_bench(sys.argv[1], 'b'), Path(sys.argv[2]))\n"
        "print('taken', flush=True); time.sleep(60)"
    )
    text = HEATER.format(name="one", instrument="load", driver="scpi", keys=SERIAL)
    with subprocess.Popen([sys.executable, "-c", taking, text, str(tmp_path)], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"taken\n"
        assert held_by(bench(), tmp_path) == process.pid
        process.send_signal(signal.SIGKILL)
        process.wait(10)
    assert held_by(bench(), tmp_path) is None
    BenchLock.take(bench(), tmp_path).release()


def test_the_lock_is_not_inherited_by_what_a_daemon_starts(tmp_path: Path) -> None:
    lock = BenchLock.take(bench(), tmp_path)
    with subprocess.Popen(["sleep", "30"], close_fds=False) as process:
        lock.release()
        assert held_by(bench(), tmp_path) is None
        process.kill()


def test_any_user_may_open_it_whatever_the_umask(tmp_path: Path) -> None:
    before = os.umask(0o077)
    try:
        BenchLock.take(bench(), tmp_path).release()
    finally:
        os.umask(before)
    (file,) = tmp_path.iterdir()
    assert file.stat().st_mode & 0o777 == 0o666


def test_a_link_in_a_folder_for_all_is_not_followed(tmp_path: Path) -> None:
    BenchLock.take(bench(), tmp_path).release()
    (file,) = tmp_path.iterdir()
    file.unlink()
    target = tmp_path / "precious"
    target.write_text("keep")
    file.symlink_to(target)
    with pytest.raises(RunRefused, match="cannot be opened"):
        BenchLock.take(bench(), tmp_path)
    assert target.read_text() == "keep"
