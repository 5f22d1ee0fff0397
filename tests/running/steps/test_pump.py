"""The pump sweep: the slowest setting that loses nothing, and the one at which the pump is heard."""

from __future__ import annotations

import pytest

from benchd.protocol_file import Equilibrium, PumpSweep
from benchd.running.states import Ending
from benchd.running.steps.base import Finding
from benchd.running.steps.pump import pump_sweep, slowest_without_loss

SPEC = PumpSweep(
    kind="pump_sweep",
    heat_w=200,
    pump_pct=(100, 80, 60, 40, 20),
    loses_k=1.0,
    equilibrium=Equilibrium(within_k=0.3, at_most_min=20),
    read_min=1,
)


def pumped(heater):
    """Nothing is lost down to 60 %; then 0.05 K/W at 40 % and 0.2 at 20 %."""
    die = heater(tau_s=40)
    more = {40: 0.05, 20: 0.2}

    def bench(t_s, wants):
        die.k_per_w = 0.1 + more.get(wants.pump_pct, 0.0)
        return die(t_s, wants)

    return bench


def test_it_finds_the_slowest_setting_that_loses_nothing(played, heater, known) -> None:
    swept = played(pump_sweep(SPEC, known()), pumped(heater))
    assert swept.outcome.ending is Ending.DONE
    assert swept.value("pump_pct") == 60
    assert [f.detail["pump_pct"] for f in swept.found("pump_rise_k")] == [100, 80, 60, 40, 20]
    assert all(f.u > 0 and f.unit == "K" for f in swept.found("pump_rise_k"))
    for rise in swept.found("pump_rise_k"):
        assert (rise.detail["until"], rise.detail["ended_by"]) == ("settled to within 0.3 K", "settled")
        assert rise.detail["extrapolated_k"] is None


def test_where_its_soaks_are_predicted_the_ends_are_compared(played, heater, known) -> None:
    rule = Equilibrium(until="predicted", within_k=0.3, at_most_min=20)
    swept = played(pump_sweep(SPEC.model_copy(update={"equilibrium": rule}), known()), pumped(heater))
    settled = played(pump_sweep(SPEC, known()), pumped(heater))
    assert swept.value("pump_pct") == 60
    # Each soak begins where the one before was left: which of the two is the shorter hangs on rounding.
    assert swept.seconds < 1.3 * settled.seconds
    rises = swept.found("pump_rise_k")
    assert all(rise.detail["ended_by"] in ("predicted", "settled") for rise in rises)
    assert all(abs(rise.detail["extrapolated_k"]) < 5 for rise in rises)
    for rise, end_k in zip(rises, (20, 20, 20, 30, 60), strict=True):
        assert rise.value == pytest.approx(end_k, abs=0.4)


def test_it_goes_from_fast_to_slow_at_full_heat_and_fans(played, heater, known) -> None:
    swept = played(pump_sweep(SPEC, known()), pumped(heater))
    assert list(dict.fromkeys(w.pump_pct for w in swept.wants)) == [100, 80, 60, 40, 20]
    assert {(w.heat_w, w.fan_pct) for w in swept.wants} == {(200, 100)}


def test_the_order_in_which_the_protocol_lists_its_settings_does_not_matter(played, heater, known) -> None:
    spec = SPEC.model_copy(update={"pump_pct": (40, 100, 20, 80, 60), "listen_s": 30.0})
    background = Finding("background_dba", 30.0, "dBA", 0.5, 50.0)
    swept = played(pump_sweep(spec, known(background)), pumped(heater))
    assert list(dict.fromkeys((w.pump_pct, w.heat_w) for w in swept.wants)) == [
        *((pct, 0) for pct in (20, 40, 60, 80, 100)),
        *((pct, 200) for pct in (100, 80, 60, 40, 20)),
    ]
    assert (swept.value("pump_pct"), swept.value("pump_heard_pct")) == (60, 80)


def test_a_setting_over_the_limit_ends_the_sweep_and_not_the_step(played, heater, known) -> None:
    swept = played(pump_sweep(SPEC, known(over_limit_c=60)), pumped(heater))
    assert swept.outcome.ending is Ending.DONE
    assert swept.value("pump_pct") == 60
    assert "at 20 %" in swept.outcome.reason
    assert 20 not in [f.detail["pump_pct"] for f in swept.found("pump_rise_k")]


def test_it_listens_first_with_heat_and_fans_off(played, heater, known) -> None:
    spec = SPEC.model_copy(update={"listen_s": 30.0})
    background = Finding("background_dba", 30.0, "dBA", 0.5, 50.0)
    swept = played(pump_sweep(spec, known(background)), pumped(heater))
    listening = [w for w in swept.wants if "listening" in w.doing]
    assert {(w.heat_w, w.fan_pct) for w in listening} == {(0, 0)}
    assert list(dict.fromkeys(w.pump_pct for w in listening)) == [20, 40, 60, 80, 100]
    assert swept.wants[: len(listening)] == listening
    # The made-up pump adds 0.05 dB per per cent: 3 dB above the room at 60 %, 10 lg 2 being 3.01 dB.
    assert swept.value("pump_heard_pct") == 80


def test_without_a_background_nothing_is_said_of_when_it_is_heard(played, heater, known) -> None:
    spec = SPEC.model_copy(update={"listen_s": 30.0})
    swept = played(pump_sweep(spec, known()), pumped(heater))
    assert swept.found("pump_heard_pct") == []
    assert len(swept.found("pump_level_dba")) == 5


def test_a_die_that_gives_nothing_fails_the_step(played, heater, known) -> None:
    blind = heater()
    blind.lost = {"die_c"}
    assert played(pump_sweep(SPEC, known()), blind).outcome.ending is Ending.FAILED


@pytest.mark.parametrize(
    ("rises", "chosen"),
    [
        ({100: 20.0, 80: 20.2, 60: 20.9, 40: 22.0}, 60),
        ({100: 20.5, 80: 20.0, 60: 21.2}, 80),
        ({100: 20.0, 80: 22.0, 60: 20.1}, 100),
        ({100: 20.0, 80: 20.0}, 80),
    ],
    ids=["the slowest", "against the best", "without a break", "all the way down"],
)
def test_the_choice(rises, chosen) -> None:
    found = [Finding("pump_rise_k", rise_k, "K", detail={"pump_pct": pct}) for pct, rise_k in rises.items()]
    assert slowest_without_loss(found, 1.0).value == chosen
