"""From what the instruments answered to what is recorded: one sample a channel a tick, each with a flag."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

from benchd.instruments import Answer, SampleFlag
from benchd.running.bench import OpenBench


class Sample(NamedTuple):
    """One value of one channel at one time."""

    channel: str
    value: float | None
    """[unit of the channel]; None when there is none, never an earlier one."""
    flag: SampleFlag


class Sampler:
    """Reads the bench once a tick. Gives a sample for every channel, always in the same order."""

    def __init__(self, bench: OpenBench) -> None:
        self._bench = bench
        self._limits = [(name, *(spec.range or (-math.inf, math.inf))) for name, spec in bench.channels.items()]

    def take(self, t_s: float) -> list[Sample]:
        """The samples at bench time t_s [s]."""
        return self.judge(self._bench.read(t_s))

    def judge(self, answers: Mapping[str, Answer]) -> list[Sample]:
        """The samples that the answers of all instruments make."""
        samples = []
        for name, low, high in self._limits:
            answer = answers.get(name, SampleFlag.MISSING)
            if isinstance(answer, SampleFlag):
                samples.append(Sample(name, None, answer))
            elif low <= answer <= high:
                samples.append(Sample(name, answer, SampleFlag.OK))
            elif math.isfinite(answer):
                samples.append(Sample(name, answer, SampleFlag.OUT_OF_RANGE))
            else:
                samples.append(Sample(name, None, SampleFlag.GARBLED))
        return samples
