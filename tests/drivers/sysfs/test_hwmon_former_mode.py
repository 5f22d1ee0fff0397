"""The former mode of a fan is given back on every way out; after a SIGKILL by whoever opens it next."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from benchd.errors import SettingRefused
from benchd.instruments import Setup
from drivers.sysfs.hwmon import Hwmon, HwmonSpec
from sim.wires.base import Device, Wire
from sim.wires.loop_thread import loop_thread
from sim.wires.sysfs import SysfsFolder

AUTOMATIC = "5"
#: Takes the fan as a run does, says so, and ends in the way it is told.
TAKER = """
import signal, sys, time
from pathlib import Path
from benchd.bench_file import load_bench
from benchd.running.bench import OpenBench

def asked_to_end(*_):
    raise SystemExit(143)

signal.signal(signal.SIGTERM, asked_to_end)
text = Path(sys.argv[1]).read_text()
bench = OpenBench(load_bench(text, sys.argv[1]).bench)
if sys.argv[2] == "forgets":
    bench.instruments["board"].open()
    bench.write({"fan_pct": 20.0})
    sys.exit()
with bench:
    assert bench.write({"fan_pct": 20.0}) == {}
    print("taken", flush=True)
    if sys.argv[2] == "raises":
        raise RuntimeError("on purpose")
    if sys.argv[2] == "waits":
        time.sleep(60)
"""


@pytest.fixture
def root(tmp_path) -> Iterator[Path]:
    device = Device({"fan": lambda: 1190.0}, {"fans": lambda _: None})
    with loop_thread() as run:
        folder = SysfsFolder(
            tmp_path / "sys", device, Wire("x"), {"fan": "board/fan1"}, {"fans": "board/pwm1"}, refresh_s=0.01
        )
        run(folder.start())
        yield folder.hwmon
        run(folder.close())


@pytest.fixture
def bench_file(tmp_path, root) -> Path:
    path = tmp_path / "bench.toml"
    path.write_text(
        f"""
bench = "a board"
[instruments.board]
driver = "hwmon"
chip = "board"
root = "{root}"
channels.fan_rpm = {{ input = "fan1" }}
setpoints.fan_pct = {{ pwm = 1, range = [0, 100], safe = 100 }}
"""
    )
    return path


@contextmanager
def driver(root: Path, **keys) -> Iterator[Hwmon]:
    table = {"driver": "hwmon", "chip": "board", "root": str(root)}
    setpoints = {"fan_pct": {"pwm": 1, "range": [0, 100], "safe": 100}}
    made = Hwmon(Setup("board", HwmonSpec.model_validate(table | {"setpoints": setpoints} | keys)))
    try:
        yield made
    finally:
        made.close()


def holds(root: Path, name: str) -> str:
    return next(root.glob(f"hwmon*/{name}")).read_text().split("\n")[0]


def records() -> list[Path]:
    return list(Path(os.environ["XDG_STATE_HOME"]).rglob("former-*.json"))


@contextmanager
def taker(bench_file: Path, way: str) -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, "-c", TAKER, str(bench_file), way]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as process:
        try:
            yield process
        finally:
            process.kill()


def killed_with_the_fan_taken(bench_file: Path) -> None:
    with taker(bench_file, "waits") as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "taken\n"
        process.kill()


def test_close_gives_back(root):
    with driver(root) as made:
        made.open()
        made.write({"fan_pct": 20})
        assert (holds(root, "pwm1_enable"), holds(root, "pwm1")) == ("1", "51")
        made.close()
        assert holds(root, "pwm1_enable") == AUTOMATIC
        assert records() == []


def test_an_output_that_nobody_commands_is_not_taken(root):
    with driver(root) as made:
        made.open()
        made.identify()
        made.read(0.0)
        assert holds(root, "pwm1_enable") == AUTOMATIC
        assert records() == []


def test_the_former_mode_is_on_the_disk_before_manual_mode_is_taken(root, monkeypatch):
    order = []
    plain_fsync, plain_write = os.fsync, os.write
    monkeypatch.setattr(os, "fsync", lambda it: (order.append("synced"), plain_fsync(it))[1])
    watched = str(root)

    def write(descriptor: int, data: bytes) -> int:
        path = os.readlink(f"/proc/self/fd/{descriptor}")
        if path.startswith(watched):
            order.append(f"{Path(path).name} = {data.decode().strip()}")
        return plain_write(descriptor, data)

    with driver(root) as made:
        made.open()
        monkeypatch.setattr(os, "write", write)
        made.write({"fan_pct": 20})
        monkeypatch.undo()
    assert order == ["synced", "pwm1_enable = 1", "pwm1 = 51"]


@pytest.mark.parametrize("way", ["raises", "forgets", "ends"])
def test_a_process_that_ends_by_itself_gives_back(root, bench_file, way):
    with taker(bench_file, way) as process:
        process.wait(30)
    assert holds(root, "pwm1_enable") == AUTOMATIC
    assert records() == []


def test_sigterm_gives_back(root, bench_file):
    with taker(bench_file, "waits") as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "taken\n"
        assert holds(root, "pwm1_enable") == "1"
        process.terminate()
        assert process.wait(30) == 143
    assert holds(root, "pwm1_enable") == AUTOMATIC


def test_after_sigkill_the_next_start_gives_back(root, bench_file):
    killed_with_the_fan_taken(bench_file)
    assert (holds(root, "pwm1_enable"), holds(root, "pwm1")) == ("1", "51")
    with driver(root) as made:
        made.open()
        assert holds(root, "pwm1_enable") == AUTOMATIC
        assert "the former mode of fan_pct was given back after a program that was killed" in made.identify()
    assert records() == []


def test_after_sigkill_make_safe_gives_back(root, bench_file):
    killed_with_the_fan_taken(bench_file)
    done = subprocess.run(
        [sys.executable, "-m", "benchd", "make-safe", "--bench", str(bench_file)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stdout) == (0, "board: fan_pct 100: confirmed\n"), done.stderr
    assert holds(root, "pwm1_enable") == AUTOMATIC
    assert records() == []


def test_a_record_of_another_start_of_the_machine_means_nothing(root, bench_file):
    killed_with_the_fan_taken(bench_file)
    (record,) = records()
    record.write_text(json.dumps(json.loads(record.read_text()) | {"boot": "another"}))
    with driver(root) as made:
        made.open()
        assert holds(root, "pwm1_enable") == "1"
    assert records() == []


@pytest.mark.parametrize("text", ["", "{", "[]", '{"values": 5}', '{"boot": null, "values": {"pwm1_enable": "x"}}'])
def test_a_record_that_is_cut_off_means_nothing(root, bench_file, text):
    killed_with_the_fan_taken(bench_file)
    (record,) = records()
    record.write_text(text)
    with driver(root) as made:
        made.open()
        made.write({"fan_pct": 30})
        assert holds(root, "pwm1") == "76"


@pytest.mark.parametrize(("former", "safe_pct", "after"), [("180", 50, "180"), ("180", 100, "255"), ("0", 60, "153")])
def test_who_was_manual_before_is_manual_again_but_not_below_what_is_safe(root, former, safe_pct, after):
    """The block may still be hot."""
    (next(root.glob("hwmon*/pwm1_enable"))).write_text("1\n")
    (next(root.glob("hwmon*/pwm1"))).write_text(f"{former}\n")
    with driver(root, setpoints={"fan_pct": {"pwm": 1, "range": [0, 100], "safe": safe_pct}}) as made:
        made.open()
        made.write({"fan_pct": 20})
    assert (holds(root, "pwm1_enable"), holds(root, "pwm1")) == ("1", after)


def test_while_the_safe_state_is_not_confirmed_the_fans_stay_full_and_the_next_start_gives_back(root):
    with driver(root) as made:
        made.open()
        made.write({"fan_pct": 20})
        made.make_safe({"fan_pct": 100})
        made.stay_safe()
    assert (holds(root, "pwm1_enable"), holds(root, "pwm1")) == ("1", "255")
    assert len(records()) == 1
    with driver(root) as made:
        made.open()
        assert "given back" in made.identify()
    assert holds(root, "pwm1_enable") != "1"
    assert records() == []


def test_an_output_without_modes_gets_its_duty_back(tmp_path):
    folder = tmp_path / "hwmon0"
    folder.mkdir()
    for name, text in {"name": "board", "pwm1": "180"}.items():
        (folder / name).write_text(f"{text}\n")
    with driver(tmp_path, setpoints={"fan_pct": {"pwm": 1, "range": [0, 100], "safe": 60}}) as made:
        made.open()
        made.write({"fan_pct": 20})
        assert holds(tmp_path, "pwm1") == "51"
    assert holds(tmp_path, "pwm1") == "180"


def test_an_output_that_a_living_program_has_taken_is_left_to_it(root, bench_file):
    with taker(bench_file, "waits") as process, driver(root) as made:
        assert process.stdout is not None
        assert process.stdout.readline() == "taken\n"
        made.open()
        with pytest.raises(SettingRefused, match=f"process {process.pid} has taken this output"):
            made.write({"fan_pct": 60})
        assert holds(root, "pwm1") == "51"


def test_make_safe_works_beside_a_living_program_and_leaves_the_mode_to_it(root, bench_file):
    with taker(bench_file, "waits") as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "taken\n"
        with driver(root) as made:
            made.open()
            made.make_safe({"fan_pct": 100})
        assert (holds(root, "pwm1_enable"), holds(root, "pwm1")) == ("1", "255")
        process.send_signal(signal.SIGTERM)
        process.wait(30)
    assert holds(root, "pwm1_enable") == AUTOMATIC


def test_without_a_place_for_the_record_the_output_is_not_taken_but_made_safe(root, tmp_path):
    blocked = tmp_path / "a file"
    blocked.write_text("")
    with driver(root, state_folder=str(blocked)) as made:
        made.open()
        with pytest.raises(SettingRefused, match="its former mode cannot be kept"):
            made.write({"fan_pct": 20})
        assert holds(root, "pwm1_enable") == AUTOMATIC
        made.make_safe({"fan_pct": 100})
        assert holds(root, "pwm1") == "255"


def test_what_cannot_be_given_back_now_is_given_back_later(root):
    with driver(root) as made:
        made.open()
        made.write({"fan_pct": 20})
        away = root.rename(root.with_name("away"))
        made.close()
        away.rename(root)
        time.sleep(0.05)
        assert holds(root, "pwm1_enable") == "1"
        made.open()
        assert holds(root, "pwm1_enable") == AUTOMATIC
