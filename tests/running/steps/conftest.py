"""Plays a step against a made-up bench, tick by tick, without clock, store or instruments."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import pytest

from benchd.instruments import ChannelSpec
from benchd.running.found import Found
from benchd.running.steps.base import Finding, Outcome, Step, Tick, Wants

Model = Callable[[float, Wants], Mapping[str, float]]


@dataclass
class Played:
    """What a step wanted at each tick, and how it ended."""

    outcome: Outcome
    wants: list[Wants] = field(default_factory=list)

    @property
    def seconds(self) -> int:
        """From its first tick to its last."""
        return len(self.wants) - 1

    def found(self, name: str) -> list[Finding]:
        return [finding for finding in self.outcome.findings if finding.name == name]

    def value(self, name: str) -> float:
        (finding,) = self.found(name)
        return finding.value


def play(step: Step, model: Model, at_most_s: int = 20_000) -> Played:
    """One tick a second until the step returns."""
    wants = [next(step)]
    for t_s in range(at_most_s):
        try:
            wants.append(step.send(Tick(float(t_s), model(float(t_s), wants[-1]))))
        except StopIteration as stop:
            return Played(stop.value, wants)
    raise AssertionError("the step does not end")


class Heater:
    """A die that follows its watts with one time constant, over 22 degC; a room, and fans and a pump that are heard."""

    def __init__(self, k_per_w: float = 0.2, tau_s: float = 60.0, rise_k: float = 0.0) -> None:
        self.k_per_w, self.tau_s, self.rise_k = k_per_w, tau_s, rise_k
        self.lost: set[str] = set()

    def __call__(self, t_s: float, wants: Wants) -> Mapping[str, float]:
        self.rise_k += (wants.heat_w * self.k_per_w - self.rise_k) * (1 - math.exp(-1 / self.tau_s))
        wobble = 0.05 if t_s % 2 else -0.05
        values = {
            "die_c": 22.0 + self.rise_k + wobble,
            "ambient_c": 22.0,
            "heat_w": wants.heat_w + wobble,
            "level_dba": 30.0 + 0.15 * wants.fan_pct + 0.05 * wants.pump_pct + wobble,
            "fan_rpm": 20.0 * wants.fan_pct,
            "pump_rpm": 30.0 * wants.pump_pct,
        }
        return {name: value for name, value in values.items() if name not in self.lost}


CHANNELS = {
    "die_c": ChannelSpec(uncertainty=0.5, resolution=0.1),
    "ambient_c": ChannelSpec(uncertainty=0.15, resolution=0.01),
    "heat_w": ChannelSpec(uncertainty=0.5),
    "level_dba": ChannelSpec(uncertainty=0.7, resolution=0.1),
    "fan_rpm": ChannelSpec(uncertainty_pct=0.5),
    "pump_rpm": ChannelSpec(uncertainty_pct=0.5),
}


@pytest.fixture
def played() -> Callable[..., Played]:
    return play


@pytest.fixture
def heater() -> type[Heater]:
    return Heater


@pytest.fixture
def known() -> Callable[..., Found]:
    """What is found so far, on a bench whose channels are described."""

    def found(*findings: Finding, over_limit_c: float | None = None) -> Found:
        return Found(findings, CHANNELS, over_limit_c)

    return found
