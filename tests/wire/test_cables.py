"""A run in virtual time over real wires: the plant's time is set by the engine's ticks, faults come at a bench second.

A cable pulled on one instrument costs its own samples only; it comes back, and is told again what it was told before.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest

from benchd.clock import VirtualClock
from benchd.running.snapshot import Snapshot
from benchd.running.states import RunState
from sim.wires.serving import served
from sim.wires.station import ByHand
from sim.wires.table import load_table, shipped

PULLED_S, BACK_S, ENDS_S = 60, 66, 150
#: Until it is asked again: a pause of half the time that the loss has lasted, in bench time.
ASKED_AGAIN_BY_S = BACK_S + 10

PROTOCOL = f"""
protocol = "dwell"
[[steps]]
kind = "dwell"
for_min = {ENDS_S / 60}
heat_w = 100
fan_pct = 70
pump_pct = 70
"""
INSTRUMENTS = tuple(load_table(shipped()).instruments)


@pytest.fixture
def clock():
    return ByHand()


@pytest.fixture
def wires(tmp_path, clock):
    table = load_table(shipped()).with_free_ports()
    with served(table, tmp_path / "wires", clock) as bench:
        yield bench


@pytest.fixture
def night(wires, enrolled, at_these_places):
    # What is pulled for a while in virtual time is to be missed, not to trip the bench.
    text = at_these_places(wires.places).replace("missing_s = 10", "missing_s = 60")
    return enrolled(PROTOCOL, text)


def together(clock: ByHand, acts: dict[int, Callable[[], None]]) -> Callable[[Snapshot], None]:
    """After each tick the plant goes on to the next one; at some bench seconds something happens."""

    def tick(snapshot: Snapshot) -> None:
        clock.t_s = snapshot.t_s + 1.0
        act = acts.get(round(snapshot.t_s))
        if act is not None:
            act()
            time.sleep(0.1)  # the servers look at their wires in real time

    return tick


SAMPLES = """
    SELECT t_ms / 1000, value, flag FROM sample JOIN channel ON channel.id = channel_id
    WHERE channel.name = ? AND run_id = ? ORDER BY t_ms
"""


def samples(night, channel: str) -> list[tuple[int, float | None, int]]:
    return night.asked(SAMPLES, channel, night.run)


@pytest.mark.parametrize("name", INSTRUMENTS)
def test_a_cable_pulled_costs_its_own_samples_only_and_what_was_told_is_told_again(name, night, wires, clock):
    wire = wires.wires[name]
    acts = {PULLED_S: lambda: setattr(wire, "fault", "unplugged"), BACK_S: lambda: setattr(wire, "fault", None)}
    assert night.play(VirtualClock(), together(clock, acts)) is RunState.COMPLETE

    for instrument, spec in night.bench.bench.instruments.items():
        for channel in spec.channels:
            flags = {t_s: flag for t_s, _, flag in samples(night, channel)}
            missing = [t_s for t_s, flag in flags.items() if flag]
            assert len(flags) >= ENDS_S
            if instrument != name:
                assert missing == [], channel
                continue
            assert missing == list(range(PULLED_S + 1, missing[-1] + 1)), "from the pull on, without a break"
            assert BACK_S <= missing[-1] < ASKED_AGAIN_BY_S

    told = night.asked("SELECT kind, what FROM event WHERE kind LIKE 'instrument_%' ORDER BY id")
    assert [kind for kind, _ in told] == ["instrument_lost", "instrument_back"]
    assert all(what.startswith(name) for _, what in told)

    # The plant goes on as it was told, whatever the instrument did by itself while nobody reached it.
    at_end = {channel: samples(night, channel)[-5][1] for channel in ("set_w", "fan_duty_pct", "pump_duty_pct")}
    assert at_end == {"set_w": 100, "fan_duty_pct": pytest.approx(70, abs=0.3), "pump_duty_pct": 70}
    assert wires.station.supply.watts == 0, "and is safe afterwards"


def test_a_supply_that_turned_itself_off_meanwhile_heats_again_once_it_is_back(wires, clock, enrolled, at_these_places):
    text = at_these_places(wires.places).replace("missing_s = 10", "missing_s = 60")
    night = enrolled(PROTOCOL, text.replace("SYST:COMM:TIM 3", "SYST:COMM:TIM 1"))
    wire, states = wires.wires["supply"], []

    def pull() -> None:
        wire.fault = "unplugged"
        time.sleep(1.2)
        states.append(wires.call(lambda: wires.station.show("supply_state")))

    acts = {PULLED_S: pull, BACK_S: lambda: setattr(wire, "fault", None)}
    assert night.play(VirtualClock(), together(clock, acts)) is RunState.COMPLETE
    assert states == [2.0], "off by itself"
    set_w = [value for _, value, _ in samples(night, "set_w") if value is not None]
    assert set_w[PULLED_S : PULLED_S + 1] == [100]
    assert 0 in set_w[PULLED_S:], "it came back with nothing set"
    assert samples(night, "output_count")[-5][1] == 1
    assert samples(night, "set_w")[-5][1] == 100
    assert samples(night, "heat_w")[-5][1] == pytest.approx(100, rel=0.03)
