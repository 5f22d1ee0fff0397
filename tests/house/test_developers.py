"""The complete driver shown in DEVELOPERS.md is run as it stands there."""

from __future__ import annotations

import re
from pathlib import Path
from types import ModuleType

import pytest

from benchd.errors import Garbled, LinkLost, SettingRefused
from benchd.instruments import Instrument, SampleFlag, Setup

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"


@pytest.fixture(scope="module")
def example() -> ModuleType:
    found = re.search(
        r"<!-- example driver -->\s*```python\n(.*?)```", DEVELOPERS.read_text(encoding="utf-8"), re.DOTALL
    )
    assert found is not None
    assert len(found[1].splitlines()) < 60
    module = ModuleType("example_driver")
    exec(compile(found[1], str(DEVELOPERS), "exec", dont_inherit=True), module.__dict__)
    return module


def made(example: ModuleType, file: Path) -> Instrument:
    spec = {"driver": "file_thermometer", "channels": {"ambient_c": {"file": str(file), "resolution": 0.001}}}
    driver: type[Instrument] = example.FileThermometer
    return driver(Setup("room", driver.Spec.model_validate(spec)))


def test_example_reads_a_value_or_says_why_not(example: ModuleType, tmp_path: Path) -> None:
    file = tmp_path / "temp"
    file.write_text("23456\n")
    room = made(example, file)
    room.open()
    assert room.read(0.0) == {"ambient_c": 23.456}
    file.write_text("rubbish")
    assert room.read(1.0) == {"ambient_c": SampleFlag.GARBLED}
    file.unlink()
    assert room.read(2.0) == {"ambient_c": SampleFlag.MISSING}
    room.close()
    room.close()


def test_example_names_itself_in_its_errors(example: ModuleType, tmp_path: Path) -> None:
    room = made(example, tmp_path / "nothing")
    with pytest.raises(LinkLost, match=r"^room: "):
        room.open()
    with pytest.raises(SettingRefused, match=r"^room "):
        room.write({"fan_pct": 10.0})
    with pytest.raises(Garbled):
        example.decode("12.5")


def test_every_test_that_is_named_exists() -> None:
    tests = Path(__file__).parents[1]
    there = {name for file in tests.rglob("test_*.py") for name in re.findall(r"def (test_\w+)", file.read_text())}
    named = set(re.findall(r"`(test_\w+)`", DEVELOPERS.read_text(encoding="utf-8")))
    assert len(named) > 50
    assert named <= there
