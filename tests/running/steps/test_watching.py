"""Where a rise will end, seen through a fine sensor, and through the coolant where the die's own is coarse."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Mapping

import numpy as np
import pytest

from benchd.instruments import ChannelSpec
from benchd.protocol_file import Equilibrium
from benchd.running.found import Found
from benchd.running.sensors import Sensors
from benchd.running.steps.base import Hanging, Tick, Wants
from benchd.running.steps.watching import Seen, Watch

WANTS = Wants(200, 60, 80)
RULE = Equilibrium(until="predicted", within_k=0.3, slow_tail_k=0, at_most_min=60)
AIR_C, COOLANT_K, DIE_K = 22.0, 18.0, 24.0
#: Of the coolant over the air and of the die over the coolant [s].
COOLANT_S, DIE_S = 200.0, 8.0


def channels(die_step_k: float = 1.0, sink: str = "coolant_c", sink_step_k: float = 0.1) -> dict[str, ChannelSpec]:
    return {
        "die_c": ChannelSpec(resolution=die_step_k),
        "ambient_c": ChannelSpec(resolution=0.01),
        "heat_w": ChannelSpec(resolution=0.1),
        sink: ChannelSpec(resolution=sink_step_k),
    }


def ticks(for_s: int, there: Mapping[str, ChannelSpec], stuck_from_s: float = math.inf) -> Iterator[Tick]:
    """A loop at constant watts, and what its sensors show: noise of half a step, and rounded to their steps."""
    noise, stuck_c = random.Random(3), math.nan
    for t in range(for_s):
        coolant_k = COOLANT_K * (1 - math.exp(-t / COOLANT_S))
        coolant_c = AIR_C + coolant_k
        die_c = coolant_c + DIE_K * (1 - math.exp(-t / DIE_S))
        true = {"die_c": die_c, "coolant_c": coolant_c, "fin_c": coolant_c, "ambient_c": AIR_C, "heat_w": 200.0}
        shown = {}
        for name, spec in there.items():
            step = spec.resolution or 1e-6
            shown[name] = step * round((true[name] + noise.gauss(0, 0.5 * step)) / step)
        if t < stuck_from_s:
            stuck_c = shown["die_c"]
        yield Tick(float(t), {**shown, "die_c": stuck_c})


def seen(watch: Watch, all_ticks: Iterator[Tick]) -> list[Seen]:
    return [watch.update(tick) for tick in all_ticks]


@pytest.mark.parametrize(
    ("there", "sink"),
    [
        (channels(die_step_k=0.1), None),
        (channels(), "coolant_c"),
        (channels(sink="fin_c"), "fin_c"),
        (channels(sink_step_k=0.5), None),
    ],
)
def test_it_looks_through_the_coolant_or_the_fins_only_where_they_are_finer_than_the_tolerance(there, sink) -> None:
    assert Watch(RULE, WANTS, Found((), there)).sink == sink


def test_a_tolerance_that_the_die_sensor_shows_is_watched_at_the_die() -> None:
    assert Watch(Equilibrium(within_k=1, at_most_min=60), WANTS, Found((), channels())).sink is None


@pytest.mark.parametrize("there", [channels(die_step_k=0.1), channels()], ids=["fine", "coarse"])
def test_the_end_of_the_rise_is_known_before_it_is_reached(there) -> None:
    told = seen(Watch(RULE, WANTS, Found((), there)), ticks(2400, there))
    first = next(t for t, one in enumerate(told) if one.state == "predicted")
    # The coolant is within 0.3 K after 820 s.
    assert first < COOLANT_S * math.log(COOLANT_K / 0.3)
    for one in (told[first], told[-1]):
        assert one.half_width_k <= 0.3
        assert abs(one.final_k - COOLANT_K - DIE_K) <= one.half_width_k + 0.05
    assert told[first].left_k == pytest.approx(-COOLANT_K * math.exp(-first / COOLANT_S), abs=0.4)
    assert told[-1].state == "settled"
    assert told[-1].remaining_s == 0


@pytest.mark.parametrize("there", [channels(die_step_k=0.1), channels()], ids=["fine", "coarse"])
def test_an_end_is_called_known_only_by_a_verdict_that_says_so(there) -> None:
    """And never with the figures of the sink, which are not the die's."""
    told = seen(Watch(RULE, WANTS, Found((), there)), ticks(2400, there))
    said = {state: {one.reason for one in told if one.state == state} for state in ("settling", "predicted", "settled")}
    assert "its end is not known yet" in said["settling"]
    assert not any("is known" in reason or "±" in reason for reason in said["settling"])
    assert said["predicted"] == {"its end is known to within 0.3 K"}
    assert said["settled"] == {"within 0.3 K of its end"}


@pytest.mark.parametrize("there", [channels(die_step_k=0.1), channels()], ids=["fine", "coarse"])
def test_the_curve_is_the_die_s_however_it_was_found(there) -> None:
    """Also of a die that gets nearer to its coolant as that gets warmer."""

    def nearer() -> Iterator[Tick]:
        for tick in ticks(1500, there):
            left_k = COOLANT_K * math.exp(-tick.t_s / COOLANT_S)
            step_k = there["die_c"].resolution or 1e-6
            die_c = tick["die_c"] + 0.1 * left_k
            yield Tick(tick.t_s, {**tick.values, "die_c": step_k * round(die_c / step_k)})

    watch = Watch(RULE, WANTS, Found((), there))
    seen(watch, nearer())
    times = np.arange(300.0, 3000.0, 60.0)
    true_k = DIE_K + COOLANT_K * (1 - 0.9 * np.exp(-times / COOLANT_S))
    drawn_k = watch.curve_k(times)
    told = np.isfinite(drawn_k)
    assert np.count_nonzero(told) > 30
    assert drawn_k[told] == pytest.approx(true_k[told], abs=0.4)
    assert np.isnan(watch.curve_k(np.array([-60.0]))).all()


def test_there_is_no_curve_before_anything_is_known() -> None:
    assert Watch(RULE, WANTS, Found((), channels())).curve_k(np.zeros(1)) is None


def test_half_widths_add_in_squares_and_ends_add() -> None:
    there = channels()
    watch = Watch(RULE, WANTS, Found((), there))
    for tick in ticks(900, there):
        one = watch.update(tick)
    sink = watch.detector.update(900.0, math.nan)
    assert sink.final_k == pytest.approx(COOLANT_K, abs=0.3)
    assert one.final_k - sink.final_k == pytest.approx(DIE_K, abs=0.2)
    assert sink.half_width_k < one.half_width_k < sink.half_width_k + 0.2


def test_a_die_that_leaves_its_sink_is_no_equilibrium() -> None:
    """Paste that is pressed out: the coolant knows nothing of it."""
    there = channels()

    def parting() -> Iterator[Tick]:
        for tick in ticks(2400, there):
            more_k = round(2 * max(0.0, tick.t_s - 900) / 600)
            yield Tick(tick.t_s, {**tick.values, "die_c": tick["die_c"] + more_k})

    told = seen(Watch(RULE, WANTS, Found((), there)), parting())
    assert {one.state for one in told[1400:]} == {"settling"}
    assert "does not go as the coolant does" in told[-1].reason


def watched(all_ticks: Iterator[Tick], there: Mapping[str, ChannelSpec]) -> Iterator[Tick]:
    """As the engine gives them to a step."""
    sensors = Sensors(there)
    for tick in all_ticks:
        yield Tick(tick.t_s, tick.values, hanging=sensors.take(tick.t_s, tick.values, WANTS))


@pytest.mark.parametrize("there", [channels(die_step_k=0.1), channels()], ids=["fine", "coarse"])
def test_a_die_sensor_that_hangs_is_no_equilibrium_though_the_coolant_has_come_to_its_end(there) -> None:
    told = seen(Watch(RULE, WANTS, Found((), there)), watched(ticks(2400, there, stuck_from_s=60), there))
    assert {one.state for one in told[300:]} == {"settling"}
    assert not any(one.is_known for one in told[600:])
    assert all(one.reason.startswith("die_c shows ") for one in told[600:])


def test_while_a_sensor_may_still_follow_nothing_is_over_but_what_is_known_stands() -> None:
    there = channels(die_step_k=0.1)
    watch = Watch(RULE, WANTS, Found((), there))
    kept = list(ticks(2400, there))
    assert seen(watch, iter(kept[:-1]))[-1].state == "settled"
    still = {"die_c": Hanging("die_c still shows 64.0 degC although the watts moved", sure=False)}
    last = watch.update(Tick(2399.0, kept[-1].values, hanging=still))
    assert (last.state, last.remaining_s, last.is_known) == ("settling", None, True)
    assert last.reason == still["die_c"].words


def test_a_sensor_that_is_not_needed_may_hang() -> None:
    there = channels(die_step_k=0.1)
    watch = Watch(RULE, WANTS, Found((), there))
    for tick in ticks(2400, there):
        last = watch.update(Tick(tick.t_s, tick.values, hanging={"coolant_c": Hanging("coolant_c hangs", sure=True)}))
    assert last.state == "settled"


def test_the_mean_of_a_stretch_and_when_it_will_have_come_near_follow_from_the_curve() -> None:
    there = channels(die_step_k=0.01)
    rule = Equilibrium(within_k=0.3, slow_tail_k=0, at_most_min=60)
    watch = Watch(rule, WANTS, Found((), there))
    kept = list(ticks(1500, there))
    told = seen(watch, iter(kept[:700]))
    # The mean of exp(-t / tau) over the last r seconds: tau / r * (exp(r / tau) - 1) times its last value.
    stretch = COOLANT_S / 300 * (math.exp(300 / COOLANT_S) - 1)
    left_k = COOLANT_K * math.exp(-699 / COOLANT_S)
    assert watch.mean_left_k(kept[400:700], told[-1]) == pytest.approx(-left_k * stretch, abs=0.05)
    reads_s = watch.reads_well_at_s(told[-1], 699.0, 300.0)
    assert reads_s == pytest.approx(COOLANT_S * math.log(COOLANT_K * stretch / 0.3), abs=40)
    assert math.isnan(watch.mean_left_k([Tick(-1000.0, {}), *kept[400:700]], told[-1]))
