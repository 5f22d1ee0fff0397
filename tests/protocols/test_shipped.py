"""Every shipped protocol is right, says what it is for, and warns."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import protocols
from benchd.bench_file import parse_bench
from benchd.cross_check import cross_check
from benchd.named_files import find_bench, find_protocol
from benchd.protocol_file import load_protocol

NAMES = ["break_in", "fan_sweep", "overnight", "pump_sweep", "quick"]


@pytest.fixture(autouse=True)
def _no_own_files(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", "/nonexistent")


def test_these_are_shipped() -> None:
    assert sorted(path.stem for path in Path(protocols.__file__).parent.glob("*.toml")) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_it_is_right_alone_and_on_the_simulated_bench(name: str) -> None:
    found = find_protocol(name)
    loaded = load_protocol(found.text, found.file)
    assert loaded.protocol.protocol == name
    cross_check(loaded)
    bench = find_bench("simulated")
    for cooling in ("liquid", "air"):
        cross_check(loaded, parse_bench(bench.text, bench.file), cooling)


@pytest.mark.parametrize("name", NAMES)
def test_it_opens_with_what_it_is_for_how_long_it_takes_and_a_caution(name: str) -> None:
    opening = find_protocol(name).text.split("\nprotocol = ")[0]
    assert all(line.startswith("#") or not line for line in opening.split("\n"))
    assert re.search(r"Takes .*(minutes|hours)", opening)
    assert "CAUTION" in opening
    assert re.search(r"thermal\s+(# )?cut-out", opening)


@pytest.mark.parametrize("name", NAMES)
def test_whatever_listens_asks_for_a_quiet_room(name: str) -> None:
    found = find_protocol(name)
    for step in load_protocol(found.text, found.file).protocol.steps:
        listens = step.needs_level or getattr(step, "noise_dba", None) or getattr(step, "listen_s", 0) > 0
        assert step.quiet or not listens, step.kind


@pytest.mark.parametrize("name", NAMES)
def test_every_heated_protocol_has_a_limit_and_ends_cold(name: str) -> None:
    found = find_protocol(name)
    protocol = load_protocol(found.text, found.file).protocol
    if any(step.needs_heat for step in protocol.steps):
        assert protocol.limits.over_limit_c == 90
        assert protocol.steps[-1].kind == "cool_down"
