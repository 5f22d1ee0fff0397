"""The step that asks a person."""

from __future__ import annotations

import math

import pytest

from benchd.protocol_file import Confirm
from benchd.running.found import Found
from benchd.running.states import FINISHED, Ending
from benchd.running.steps.base import Outcome, Tick, Wants
from benchd.running.steps.person import confirm


def asked(answers: dict[float, str], **changes) -> tuple[Outcome, list[Wants]]:
    """Plays it from bench time 500 s on; answers: time -> what a person says then."""
    spec = Confirm(**{"kind": "confirm", "ask": "calibrator on the meter?", "at_most_min": 2.0, **changes})
    step = confirm(spec, Found())
    wants = [next(step)]
    for t_s in range(500, 5000):
        try:
            wants.append(step.send(Tick(float(t_s), {}, answers.get(t_s))))
        except StopIteration as stop:
            return stop.value, wants
    raise AssertionError("the step does not end")


def test_it_goes_on_with_the_answer_and_repeats_it_as_its_reason() -> None:
    outcome, _ = asked({560: "94.1 dB"})
    assert outcome == Outcome(Ending.DONE, "94.1 dB")


def test_an_answer_without_words_is_an_answer() -> None:
    assert asked({560: ""})[0] == Outcome(Ending.DONE, "confirmed")


def test_heat_is_off_while_it_waits_and_fans_and_pump_are_as_asked_for() -> None:
    for settings, fan_pct, pump_pct in (({}, 100, 100), ({"fan_pct": 0, "pump_pct": 40}, 0, 40)):
        _, wants = asked({600: "yes"}, **settings)
        assert {(w.heat_w, w.fan_pct, w.pump_pct) for w in wants} == {(0, fan_pct, pump_pct)}


def test_it_says_what_it_asks_and_until_when_in_bench_time() -> None:
    """Before its first tick a step does not know what time it is, so it asks from then on."""
    _, (first, *others) = asked({600: "yes"})
    assert (first.asks, first.asks_until_s) == ("", math.inf)
    assert {(w.asks, w.asks_until_s) for w in others} == {("calibrator on the meter?", 500 + 120)}
    assert others[0].doing == "waiting for a person: calibrator on the meter?"


def test_an_answer_at_the_first_tick_counts() -> None:
    assert asked({500: "yes"})[0].ending is Ending.DONE


@pytest.mark.parametrize(
    ("changes", "ending"), [({}, "pending"), ({"later": True}, "pending"), ({"later": False}, "failed")]
)
def test_nobody_came_is_pending_where_it_can_be_made_up_later_and_else_a_failure(changes, ending) -> None:
    outcome, wants = asked({}, **changes)
    assert outcome == Outcome(Ending(ending), "not answered within 2 min: calibrator on the meter?")
    assert len(wants) == 1 + 120
    assert (outcome.ending in FINISHED) == (ending == "pending")


def test_the_last_moment_is_early_enough() -> None:
    assert asked({620: "yes"})[0].ending is Ending.DONE
