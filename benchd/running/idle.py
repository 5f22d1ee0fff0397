"""Between runs: the channels are read now and then for whoever looks, and nothing is stored."""

from __future__ import annotations

from collections.abc import Callable

from benchd.clock import Clock
from benchd.running.bench import OpenBench
from benchd.running.sampler import Sample, Sampler

EVERY_S = 5.0


def look_between_runs(bench: OpenBench, clock: Clock, show: Callable[[float, tuple[Sample, ...]], bool]) -> None:
    """Read the bench every 5 s of bench time and show the samples, until `show(t_s, samples)` [s] returns False."""
    sampler = Sampler(bench)
    next_s = clock.now_s()
    going_on = True
    while going_on:
        t_s = clock.wait_until(next_s)
        going_on = show(t_s, tuple(sampler.take(t_s)))
        next_s = t_s + EVERY_S
