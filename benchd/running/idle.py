"""Between runs: the channels are read now and then for whoever looks, and nothing is stored."""

from __future__ import annotations

from benchd.clock import Clock
from benchd.instruments import SampleFlag
from benchd.running.bench import OpenBench
from benchd.running.sampler import Sample, Sampler

#: From one reading to the next [s of bench time].
EVERY_S = 5.0
#: What gave nothing is read once more after this [s of bench time]: an instrument that sends unasked, once a second,
#: has nothing fresh to show when it is looked at for the first time after a while.
AGAIN_S = 1.1


class IdleReader:
    """Reads a bench while nothing is played."""

    def __init__(self, bench: OpenBench) -> None:
        self._bench = bench
        self._next_s = 0.0
        self.read_s = 0.0
        """When it was last read, in bench time [s]."""

    def due(self, now_s: float) -> bool:
        """Whether it is time to read, at bench time now_s [s]."""
        return now_s >= self._next_s

    def take(self, clock: Clock) -> tuple[Sample, ...]:
        """The samples as of now, of all channels that there are with what is mounted."""
        sampler = Sampler(self._bench)
        begun_s = clock.wait_until(clock.now_s())
        self._next_s = begun_s + EVERY_S
        self.read_s = begun_s
        samples = sampler.take(begun_s)
        if any(_nothing(sample) for sample in samples):
            self.read_s = clock.wait_until(begun_s + AGAIN_S)
            again = sampler.take(self.read_s)
            samples = [late if _nothing(early) else early for early, late in zip(samples, again, strict=True)]
        return tuple(samples)


def _nothing(sample: Sample) -> bool:
    return sample.flag is SampleFlag.MISSING
