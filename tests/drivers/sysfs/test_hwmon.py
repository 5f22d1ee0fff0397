"""The hwmon driver on a folder that looks like sysfs: what it reads, writes, finds, and says when it cannot.

Units and modes: Documentation/hwmon/sysfs-interface.rst of the Linux kernel.
"""

from __future__ import annotations

import math
import os
import re
import tempfile
import time
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from benchd.errors import InstrumentError, LinkLost, SettingRefused
from benchd.instruments import SampleFlag, Setup
from drivers.sysfs.fan_output import counts_of
from drivers.sysfs.hwmon import Hwmon, HwmonSpec, attached
from drivers.sysfs.numbers import write_number
from sim.wires.base import WIRE_FAULTS, Device, Wire
from sim.wires.loop_thread import loop_thread
from sim.wires.sysfs import SysfsFolder

VALUES = {"coolant": 31.5, "fan": 1190.0, "load": 98.25, "core": 54.0}
READS = {"coolant": "board/temp2", "fan": "board/fan1", "load": "board/power1", "core": "coretemp/temp1"}
CHANNELS = {
    "coolant_c": {"input": "temp2"},
    "fan_rpm": {"input": "fan1"},
    "heat_w": {"input": "power1"},
    "set_pct": {"input": "pwm1"},
}
FANS = {"fan_pct": {"pwm": 1, "range": [0, 100], "safe": 100}}
AUTOMATIC = "5"


class Served:
    """The folder, what its fans were told, its wire."""

    def __init__(self) -> None:
        self.told: list[float] = []
        self.wire = Wire("board")
        self.root = Path()
        self.refuses = False


@pytest.fixture
def board(tmp_path) -> Iterator[Served]:
    served = Served()
    device = Device({name: lambda name=name: VALUES[name] for name in VALUES}, {"fans": served.told.append})
    with loop_thread() as run:
        folder = SysfsFolder(tmp_path / "sys", device, served.wire, READS, {"fans": "board/pwm1"}, refresh_s=0.01)
        run(folder.start())
        served.root = folder.hwmon
        yield served
        run(folder.close())


def spec(root: Path, **keys) -> HwmonSpec:
    table = {"driver": "hwmon", "chip": "board", "root": str(root), "channels": CHANNELS, "setpoints": FANS}
    return HwmonSpec.model_validate(table | keys)


@contextmanager
def driver(root: Path, **keys) -> Iterator[Hwmon]:
    made = Hwmon(Setup("board", spec(root, **keys)))
    try:
        yield made
    finally:
        made.close()


@pytest.fixture
def opened(board) -> Iterator[Hwmon]:
    with driver(board.root) as made:
        made.open()
        yield made


def chip(root: Path, name: str = "board") -> Path:
    return next(path.parent for path in root.glob("hwmon*/name") if path.read_text() == f"{name}\n")


def holds(path: Path) -> str:
    return path.read_text().split("\n")[0]


def until(true, within_s: float = 5.0) -> None:
    end_s = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end_s, "it did not come"
        time.sleep(0.005)


def static_chip(root: Path, number: int = 0, **files: str) -> Path:
    """A chip of plain files that nobody keeps: they hold what was written last."""
    folder = root / f"hwmon{number}"
    folder.mkdir(parents=True)
    for name, text in {"name": "board", **files}.items():
        (folder / name).write_text(f"{text}\n")
    return folder


# ---- reading ----


def test_values_come_in_the_units_of_their_names(opened):
    answers = opened.read(0.0)
    assert answers == {
        "coolant_c": 31.5,
        "fan_rpm": 1190.0,
        "heat_w": pytest.approx(98.25),
        "set_pct": pytest.approx(60.0),
    }


def test_it_says_which_chip_it_is_and_what_it_has(opened):
    assert opened.identify() == "chip board (board.0) with temp2, fan1, pwm1, power1"


def test_a_channel_whose_file_has_gone_is_missing(tmp_path):
    static_chip(tmp_path, temp2_input="31500")
    with driver(tmp_path, setpoints={}) as made:
        made.open()
        assert made.read(0.0) == {
            "coolant_c": 31.5,
            "fan_rpm": SampleFlag.MISSING,
            "heat_w": SampleFlag.MISSING,
            "set_pct": SampleFlag.MISSING,
        }


@pytest.mark.parametrize("text", ["-", "31.5", "31500 mC", "0x1f", "nan", "--5", "1" * 30, "\xb2"])
def test_what_is_not_a_whole_number_is_garbled(tmp_path, text):
    static_chip(tmp_path, temp2_input=text)
    with driver(tmp_path, setpoints={}, channels={"coolant_c": {"input": "temp2"}}) as made:
        made.open()
        assert made.read(0.0) == {"coolant_c": SampleFlag.GARBLED}


def test_temperatures_below_zero_are_temperatures(tmp_path):
    static_chip(tmp_path, temp2_input="-4500")
    with driver(tmp_path, setpoints={}, channels={"coolant_c": {"input": "temp2"}}) as made:
        made.open()
        assert made.read(0.0) == {"coolant_c": -4.5}


@pytest.mark.parametrize(("fault", "answer"), [("1", SampleFlag.MISSING), ("0", 31.5)])
def test_an_input_that_its_chip_calls_faulty_is_not_trusted(tmp_path, fault, answer):
    static_chip(tmp_path, temp2_input="31500", temp2_fault=fault)
    with driver(tmp_path, setpoints={}, channels={"coolant_c": {"input": "temp2"}}) as made:
        made.open()
        assert made.read(0.0) == {"coolant_c": answer}


#: What a driver may see of each fault of the wire; None: the instrument is lost. The others do not touch plain files.
SEEN = {
    "no_answer": {SampleFlag.MISSING},
    "exception": {SampleFlag.MISSING},
    "not_a_number": {SampleFlag.GARBLED},
    "garbage": {SampleFlag.GARBLED, SampleFlag.MISSING},
    "unplugged": None,
}


@pytest.mark.parametrize("fault", WIRE_FAULTS)
def test_no_fault_of_the_wire_gives_a_wrong_value_and_all_end(board, opened, fault):
    sound = opened.read(0.0)
    board.wire.fault = fault
    inputs = [name for name, keys in CHANNELS.items() if keys["input"] != "pwm1"]
    allowed = SEEN.get(fault, set(VALUES.values()))
    if allowed is None:
        until(lambda: not board.root.exists())
        with pytest.raises(LinkLost, match="board: there is no chip board"):
            opened.read(1.0)
    else:
        begun = {SampleFlag} if fault in SEEN else {float}
        until(lambda: {type(opened.read(1.0)[name]) for name in inputs} == begun)
        assert {opened.read(2.0)[name] for name in inputs} <= allowed
    board.wire.fault = None

    def mended() -> bool:
        try:
            return opened.read(3.0) == sound
        except InstrumentError:
            return False

    until(mended)


def test_after_a_loss_the_chip_is_found_under_its_new_number(board, opened):
    before = chip(board.root)
    opened.write({"fan_pct": 40.0})
    board.wire.fault = "unplugged"
    until(lambda: not board.root.exists())
    board.wire.fault = None
    until(board.root.exists)
    assert chip(board.root) != before
    opened.write({"fan_pct": 40.0})
    until(lambda: board.told[-1] == pytest.approx(40.0))


# ---- finding ----


def test_the_number_of_a_chip_does_not_matter(tmp_path):
    static_chip(tmp_path, 0, name="coretemp", temp2_input="90000")
    static_chip(tmp_path, 7, temp2_input="31500")
    with driver(tmp_path, setpoints={}) as made:
        made.open()
        assert made.read(0.0)["coolant_c"] == 31.5


def two_of_a_name(root: Path) -> None:
    for number, device in enumerate(("board.656", "0-002d")):
        folder = static_chip(root, number, temp2_input=f"{number}1000")
        (root / "devices" / device).mkdir(parents=True)
        (folder / "device").symlink_to(root / "devices" / device)


def test_of_two_chips_with_one_name_the_device_must_be_said(tmp_path):
    two_of_a_name(tmp_path)
    with (
        driver(tmp_path, setpoints={}) as made,
        pytest.raises(LinkLost, match=r"2 chips are called board(?s:.*)device = .*0-002d, board.656"),
    ):
        made.open()
    with driver(tmp_path, setpoints={}, device="0-002d") as made:
        made.open()
        assert made.read(0.0)["coolant_c"] == 11.0


def test_a_chip_that_is_not_there_is_said_with_those_that_are(board):
    with driver(board.root, chip="nothing") as made, pytest.raises(LinkLost, match=r"no chip nothing(?s:.*)coretemp"):
        made.open()


def test_a_machine_without_hwmon_has_no_chips(tmp_path):
    assert attached(tmp_path / "nowhere") == []


def test_what_is_found_can_be_pasted(board):
    found = {one.what: one.stanza for one in attached(board.root)}
    assert set(found) == {"chip board (board.0)", "chip coretemp (coretemp.0)"}
    assert "# temp2: now 31.5 degC" in found["chip board (board.0)"]
    for stanza in found.values():
        ((_, table),) = tomllib.loads(stanza)["instruments"].items()
        made = Hwmon(Setup("pasted", HwmonSpec.model_validate(table | {"root": str(board.root)})))
        made.open()
        assert all(isinstance(answer, float) for answer in made.read(0.0).values())
        made.close()


def test_the_stanza_of_one_of_two_chips_names_its_device(tmp_path):
    two_of_a_name(tmp_path)
    # In one file, as they are pasted.
    tables = tomllib.loads("".join(one.stanza for one in attached(tmp_path)))["instruments"]
    assert list(tables) == ["board1", "board2"]
    assert {one["device"] for one in tables.values()} == {"board.656", "0-002d"}


def test_find_looks_at_this_machine_and_never_fails():
    assert all("[instruments." in one.stanza for one in Hwmon.find())


# ---- writing ----


@pytest.mark.parametrize(("pct", "counts"), [(0, "0"), (0.2, "1"), (40, "102"), (99.9, "255"), (100, "255")])
def test_per_cent_become_counts_in_manual_mode(board, opened, pct, counts):
    opened.write({"fan_pct": pct})
    assert (holds(chip(board.root) / "pwm1"), holds(chip(board.root) / "pwm1_enable")) == (counts, "1")
    until(lambda: board.told[-1] == pytest.approx(100 * int(counts) / 255))


@pytest.mark.parametrize("pct", [-0.001, 100.001, math.nan, math.inf, -math.inf])
def test_no_counts_are_made_of_what_is_no_share(pct):
    with pytest.raises(ValueError, match="0 to 100"):
        counts_of(pct)


@given(st.floats() | st.integers() | st.text() | st.none() | st.booleans())
def test_nothing_but_digits_is_ever_written(value):
    with tempfile.NamedTemporaryFile() as file:
        try:
            write_number(Path(file.name), value)
        except ValueError:
            assert file.read() == b""
        else:
            assert re.fullmatch(rb"[0-9]+\n", file.read())


@given(st.floats(allow_nan=True, allow_infinity=True) | st.floats(0, 100))
def test_whatever_is_commanded_the_files_hold_numbers_that_the_kernel_takes(value):
    with tempfile.TemporaryDirectory() as place:
        folder = static_chip(Path(place), pwm1="120", pwm1_enable="2")
        with driver(Path(place), state_folder=place) as made:
            made.open()
            try:
                made.write({"fan_pct": value})
            except SettingRefused:
                assert not 0 <= value <= 100
                assert (holds(folder / "pwm1"), holds(folder / "pwm1_enable")) == ("120", "2")
            else:
                assert (folder / "pwm1_enable").read_text() == "1\n"
                assert 0 <= int(holds(folder / "pwm1")) <= 255
        assert holds(folder / "pwm1_enable") == "2"


def test_several_outputs_turn_together(tmp_path):
    folder = static_chip(tmp_path, pwm1="10", pwm1_enable="2", pwm3="20", pwm3_enable="0")
    with driver(tmp_path, setpoints={"fan_pct": {"pwm": [1, 3], "range": [0, 100], "safe": 100}}) as made:
        made.open()
        made.write({"fan_pct": 40})
        assert (holds(folder / "pwm1"), holds(folder / "pwm3")) == ("102", "102")
    assert (holds(folder / "pwm1_enable"), holds(folder / "pwm3_enable")) == ("2", "0")


class Rounding:
    """A chip that has only so many steps: what is written is cut as it would."""

    def __init__(self, monkeypatch, step: int) -> None:
        plain = os.write

        def write(descriptor: int, data: bytes) -> int:
            path = os.readlink(f"/proc/self/fd/{descriptor}")
            rounded = f"{int(data) // step * step}\n".encode() if path.endswith("/pwm1") else data
            plain(descriptor, rounded)
            return len(data)

        monkeypatch.setattr(os, "write", write)


def test_what_reads_back_otherwise_is_refused_with_both_values(tmp_path, monkeypatch):
    static_chip(tmp_path, pwm1="0", pwm1_enable="2")
    Rounding(monkeypatch, 16)
    with driver(tmp_path) as made:
        made.open()
        with pytest.raises(SettingRefused, match=r"board: pwm1: pwm1: wrote 102, reads back 96"):
            made.write({"fan_pct": 40})


def test_a_chip_that_rounds_is_allowed_to_within_the_tolerance(tmp_path, monkeypatch):
    static_chip(tmp_path, pwm1="0", pwm1_enable="2")
    Rounding(monkeypatch, 16)
    with driver(tmp_path, setpoints={"fan_pct": FANS["fan_pct"] | {"read_back_tolerance": 6.3}}) as made:
        made.open()
        made.write({"fan_pct": 40})


def test_manual_mode_is_taken_anew_when_something_has_ended_it(board, opened):
    opened.write({"fan_pct": 40})
    (chip(board.root) / "pwm1_enable").write_text("2\n")  # as after a sleep of the machine
    until(lambda: board.told[-1] == pytest.approx(60.0))
    opened.write({"fan_pct": 40})
    until(lambda: board.told[-1] == pytest.approx(40.0))


# ---- the safe state ----


def test_safe_is_full_speed_and_the_mode_is_given_back_by_close_only(board, opened):
    opened.write({"fan_pct": 20})
    opened.make_safe({"fan_pct": 100})
    assert (holds(chip(board.root) / "pwm1"), holds(chip(board.root) / "pwm1_enable")) == ("255", "1")
    opened.close()
    assert holds(chip(board.root) / "pwm1_enable") == AUTOMATIC


def test_an_output_that_refuses_keeps_no_other_back(tmp_path):
    folder = static_chip(tmp_path, pwm1_enable="2", pwm2="20", pwm2_enable="2")
    setpoints = {"fan_pct": {"pwm": [1, 2], "range": [0, 100], "safe": 100}}
    with driver(tmp_path, setpoints=setpoints) as made:
        made.open()
        with pytest.raises(SettingRefused, match="pwm1"):
            made.make_safe({"fan_pct": 100})
        assert holds(folder / "pwm2") == "255"
        assert holds(folder / "pwm1_enable") == "0", "mode 0 is full speed, where a duty is not taken"
        with pytest.raises(LinkLost, match="pwm1"):
            made.identify()


def test_a_safe_value_below_full_speed_is_a_caution(tmp_path):
    low = spec(tmp_path, setpoints={"fan_pct": {"pwm": 1, "range": [0, 100], "safe": 60}})
    assert low.cautions() == ["fan_pct of board is safe at 60 %: usual is full speed, 100 %"]
    assert spec(tmp_path).cautions() == []


# ---- rights ----


@contextmanager
def as_nobody() -> Iterator[None]:
    """As a user who owns nothing, where the tests are run by root."""
    if os.geteuid() != 0:
        yield
        return
    groups, group = os.getgroups(), os.getegid()
    os.setgroups([])
    os.setegid(65534)
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)
        os.setegid(group)
        os.setgroups(groups)


def test_without_the_right_a_udev_rule_is_named():
    with tempfile.TemporaryDirectory() as place:
        os.chmod(place, 0o755)
        folder = static_chip(Path(place), pwm1="120", pwm1_enable="2")
        for file in (folder / "pwm1", folder / "pwm1_enable"):
            file.chmod(0o444)
        words = r"cannot write .*pwm1: Permission denied(?s:.*)SUBSYSTEM==\"hwmon\".*chmod g\+w"
        with driver(Path(place), channels={}) as made, as_nobody(), pytest.raises(LinkLost, match=words):
            made.open()


def test_without_the_right_the_group_that_has_it_is_named():
    with tempfile.TemporaryDirectory() as place:
        os.chmod(place, 0o755)
        file = static_chip(Path(place), pwm1="120") / "pwm1"
        group = file.stat().st_gid
        if os.geteuid() != 0 and group in (os.getegid(), *os.getgroups()):
            pytest.skip("every group that this user can give a file to, it is in itself")
        file.chmod(0o464)
        with (
            driver(Path(place), channels={}) as made,
            as_nobody(),
            pytest.raises(LinkLost, match=r"belongs to the group \w+: add the user to it"),
        ):
            made.open()


# ---- the bench file ----


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"channels": {"coolant_k": {"input": "temp1"}}}, "degC"),
        ({"channels": {"fan_rpm": {"input": "fan1_input"}}}, "pattern"),
        ({"channels": {"fan_rpm": {"input": "../../x1"}}}, "pattern"),
        ({"setpoints": {"fan_rpm": {"pwm": 1, "range": [0, 100], "safe": 100}}}, "%"),
        ({"setpoints": {"fan_pct": {"pwm": 1, "range": [0, 255], "safe": 100}}}, "0 to 100"),
        ({"setpoints": {"fan_pct": {"pwm": [1, 1], "range": [0, 100], "safe": 100}}}, "twice"),
        ({"setpoints": {"fan_pct": {"pwm": [], "range": [0, 100], "safe": 100}}}, "at least 1"),
        ({"setpoints": {"fan_pct": {"pwm": True, "range": [0, 100], "safe": 100}}}, "integer"),
        (
            {"setpoints": {name: {"pwm": 1, "range": [0, 100], "safe": 100} for name in ("fan_pct", "pump_pct")}},
            "same pwm",
        ),
    ],
)
def test_mistakes_of_the_bench_file_are_refused(tmp_path, keys, words):
    with pytest.raises(ValidationError, match=words):
        spec(tmp_path, **keys)
