"""Each instrument of a bench by itself: does it open, what does it say it is, what does it read?

No setpoint is commanded. Knows no run, no step and no database.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from benchd.clock import Clock
from benchd.errors import InstrumentError
from benchd.instruments import Answer, RunAbout, SampleFlag
from benchd.running.bench import OpenBench, OpenInstrument
from benchd.running.sampler import Sample, Sampler

#: An instrument may need so many looks before each channel has a value: one that sends unasked has its own time.
LOOKS = 9
#: From one look to the next [s].
LOOK_EVERY_S = 0.5


@dataclass
class Examined:
    """What was found of one instrument."""

    instrument: str
    driver: str
    identity: str = ""
    """What it says of itself, empty when it could not be asked."""
    problem: str = ""
    """What is wrong with it or its wire, empty when nothing is."""
    hint: str = ""
    """What to try."""
    samples: list[Sample] = field(default_factory=list)
    """One a channel, in the order of the bench file."""

    @property
    def well(self) -> bool:
        """Whether it answers, and every channel has a good value."""
        return not self.problem and all(sample.flag is SampleFlag.OK for sample in self.samples)

    def fails(self, error: InstrumentError) -> None:
        """It could not do what it was asked."""
        self.problem, self.hint = error.message, error.hint


def examine(bench: OpenBench, clock: Clock) -> list[Examined]:
    """Look at each instrument of a bench that is not open yet; it is closed afterwards. Raises none of their errors.

    On a simulated bench the first of its specimens is mounted.
    """
    try:
        found = {name: _open(one, bench.file.instruments[name].driver) for name, one in bench.instruments.items()}
        _mount(bench, found)
        _read(bench, found, clock)
        return list(found.values())
    finally:
        bench.close()


def _open(instrument: OpenInstrument, driver: str) -> Examined:
    found = Examined(instrument.name, driver)
    try:
        instrument.open()
        found.identity = instrument.call(instrument.driver.identify)
    except InstrumentError as error:
        found.fails(error)
    return found


def _mount(bench: OpenBench, found: Mapping[str, Examined]) -> None:
    there = bench.specimens()
    for specimen in [*(name for name in bench.file.specimens if name in there), *there][:1]:
        bench.begin(RunAbout(specimen, there[specimen], seed=1))
        for name, one in found.items():
            if not one.problem:
                one.identity = bench.instruments[name].call(bench.instruments[name].driver.identify)


def _read(bench: OpenBench, found: Mapping[str, Examined], clock: Clock) -> None:
    """Read until each channel of each instrument that answers has had a good value, a few times at most."""
    sampler = Sampler(bench)
    good: dict[str, Sample] = {}
    last: list[Sample] = []
    begun_s = clock.now_s()
    for look in range(LOOKS):
        t_s = clock.wait_until(begun_s + look * LOOK_EVERY_S)
        answers: dict[str, Answer] = {}
        for name, one in found.items():
            if one.identity:
                answers |= _ask(bench.instruments[name], one, t_s)
        last = sampler.judge(answers)
        good |= {sample.channel: sample for sample in last if sample.flag is SampleFlag.OK}
        if all(sample.channel in good for sample in last):
            break
    owners = {channel: owner for channel, (owner, _) in bench.file.channels(bench.cooling).items()}
    for sample in last:
        found[owners[sample.channel]].samples.append(good.get(sample.channel, sample))


def _ask(instrument: OpenInstrument, found: Examined, t_s: float) -> Mapping[str, Answer]:
    found.problem = found.hint = ""
    try:
        return instrument.call(lambda: instrument.driver.read(t_s))
    except InstrumentError as error:
        found.fails(error)
        return {}
