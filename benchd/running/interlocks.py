"""Interlocks: limits whose passing trips the run. They judge recorded samples, of every tick, whatever the step."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from benchd.bench_file import Interlock
from benchd.instruments import SampleFlag
from benchd.running.sampler import Sample


@dataclass(frozen=True)
class Trip:
    """One interlock that was passed."""

    interlock: Interlock
    words: str


class Interlocks:
    """The interlocks of a bench over one run. A channel that tells nothing is as bad as one over its limit: one that
    cannot be read and, while there is heat, one that hangs."""

    def __init__(self, interlocks: Iterable[Interlock], channels: Iterable[str]) -> None:
        there = set(channels)
        self._watches = [_Watch(interlock) for interlock in interlocks if interlock.channel in there]

    def check(self, t_s: float, samples: Sequence[Sample], blind: Mapping[str, str]) -> Trip | None:
        """The first interlock passed by the samples at bench time t_s [s], None when all hold.

        blind: how channels are proven to hang, in words, by channel; empty where there is no heat.
        """
        by_channel = {sample.channel: sample for sample in samples}
        for watch in self._watches:
            channel = watch.interlock.channel
            words = watch.check(t_s, by_channel[channel], blind.get(channel, ""))
            if words:
                return Trip(watch.interlock, words)
        return None


class _Watch:
    def __init__(self, interlock: Interlock) -> None:
        self.interlock = interlock
        self._passed_since_s: float | None = None
        self._unseen_since_s: float | None = None

    def check(self, t_s: float, sample: Sample, hangs: str) -> str:
        lock = self.interlock
        if sample.flag is SampleFlag.OK and not hangs:
            self._unseen_since_s = None
        elif self._unseen_since_s is None:
            self._unseen_since_s = t_s
        if sample.value is None:
            pass  # a gap neither starts nor ends an excess; the missing clock runs
        elif not self._passes(sample.value):
            self._passed_since_s = None
        elif self._passed_since_s is None:
            self._passed_since_s = t_s
        if self._passed_since_s is not None and t_s - self._passed_since_s >= lock.for_s:
            # The sample is there unless the excess began before a gap that outlasted for_s.
            now = "not readable" if sample.value is None else f"{sample.value:g}"
            return f"{lock.words}: it is {now}"
        if self._unseen_since_s is not None and t_s - self._unseen_since_s >= lock.missing_s:
            if hangs:
                return f"{hangs}: its interlock is blind"
            return f"{lock.channel} has not been readable for {lock.missing_s:g} s ({sample.flag.name.lower()})"
        return ""

    def _passes(self, value: float) -> bool:
        lock = self.interlock
        return (lock.above is not None and value > lock.above) or (lock.below is not None and value < lock.below)
