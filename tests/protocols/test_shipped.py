"""Every shipped protocol is right, says what it is for, and warns."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import protocols
from benchd.bench_file import parse_bench
from benchd.cross_check import cross_check
from benchd.errors import FileProblems
from benchd.named_files import find_bench, find_protocol
from benchd.protocol_file import AnyStep, Background, FanSweep, PumpSweep, load_protocol
from benchd.running.steps.pump import LISTEN_AFTER_S

NAMES = ["break_in", "fan_sweep", "mount_check", "overnight", "pump_sweep", "quick"]
#: The simulated bench has no sensor at the fins.
LIQUID_ONLY = {"mount_check"}


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
    cross_check(loaded, parse_bench(bench.text, bench.file), "liquid")
    if name not in LIQUID_ONLY:
        cross_check(loaded, parse_bench(bench.text, bench.file), "air")


def test_the_mount_of_an_air_cooler_cannot_be_checked_on_the_simulated_bench_and_it_says_why() -> None:
    found, bench = find_protocol("mount_check"), find_bench("simulated")
    with pytest.raises(
        FileProblems, match=r'mount_check\).kind: a mount check needs channel fin_c, which bench "simulated"'
    ):
        cross_check(load_protocol(found.text, found.file), parse_bench(bench.text, bench.file), "air")


@pytest.mark.parametrize("name", NAMES)
def test_it_opens_with_what_it_is_for_how_long_it_takes_and_a_caution(name: str) -> None:
    opening = find_protocol(name).text.split("\nprotocol = ")[0]
    assert all(line.startswith("#") or not line for line in opening.split("\n"))
    assert re.search(r"Takes .*(minutes|hours)", opening)
    assert "CAUTION" in opening
    assert re.search(r"thermal\s+(# )?cut-out", opening)


@pytest.mark.parametrize("name", NAMES)
def test_whatever_listens_asks_for_a_quiet_room(name: str) -> None:
    """A soak does not listen: its levels come from the fan sweep before it."""
    found = find_protocol(name)
    for step in load_protocol(found.text, found.file).protocol.steps:
        listens = step.needs_level or getattr(step, "listen_s", 0) > 0
        assert step.quiet or not listens, step.kind
        assert not (step.quiet and step.kind == "soak")


def test_acoustics_come_first_overnight_so_that_an_eight_hour_window_holds_them() -> None:
    found = find_protocol("overnight")
    steps = load_protocol(found.text, found.file).protocol.steps
    quiet = [step.quiet for step in steps]
    assert quiet == sorted(quiet, reverse=True)
    assert [step.kind for step in steps if step.quiet] == ["background", "pump_sweep", "fan_sweep"]
    assert sum(longest_s(step) for step in steps if step.quiet) < 8 * 3600


def longest_s(step: AnyStep) -> float:
    match step:
        case Background():
            return step.settle_s + step.for_min * 60
        case PumpSweep():
            return len(step.pump_pct) * (LISTEN_AFTER_S + step.listen_s + step.equilibrium.at_most_min * 60)
        case FanSweep():
            return len(step.fan_pct) * (step.settle_s + step.for_s)
    raise AssertionError(step.kind)


@pytest.mark.parametrize("name", NAMES)
def test_every_heated_protocol_has_a_limit_and_ends_cold(name: str) -> None:
    found = find_protocol(name)
    protocol = load_protocol(found.text, found.file).protocol
    if any(step.needs_heat for step in protocol.steps):
        assert protocol.limits.over_limit_c == 90
        assert protocol.steps[-1].kind == "cool_down"
