"""The table of states: every pair of state and event is decided exactly once."""

from __future__ import annotations

import re
from itertools import product

import pytest

from benchd.errors import RunRefused
from benchd.running.states import (
    ALIVE,
    FINISHED,
    NEXT,
    REFUSED,
    Ending,
    RunEvent,
    RunState,
    drawing,
    next_state,
)

PAIRS = list(product(RunState, RunEvent))
#: States out of which only a repair leads.
FINAL = {RunState.COMPLETE, RunState.ABORTED}


@pytest.mark.parametrize(("state", "event"), PAIRS)
def test_every_pair_is_decided_exactly_once(state, event) -> None:
    assert ((state, event) in NEXT) != ((state, event) in REFUSED)


def test_nothing_else_is_decided() -> None:
    assert set(NEXT) | set(REFUSED) == set(PAIRS)


@pytest.mark.parametrize(("state", "event"), list(REFUSED))
def test_what_is_refused_is_refused_with_its_reason(state, event) -> None:
    with pytest.raises(RunRefused, match=re.escape(f"a run that is {state} cannot {event}: {REFUSED[state, event]}")):
        next_state(state, event)


@pytest.mark.parametrize(("state", "event"), list(NEXT))
def test_what_is_allowed_is_drawn(state, event) -> None:
    assert next_state(state, event) is NEXT[state, event]
    paragraph = re.search(rf"^{state}\n((?:  .*\n?)+)", drawing(), re.MULTILINE)[1]
    assert re.search(rf"^  {event} *-> {NEXT[state, event]}$", paragraph, re.MULTILINE)


def test_the_drawing_lists_all_states() -> None:
    drawn = drawing().splitlines()
    assert [line for line in drawn if not line.startswith(" ")] == [str(state) for state in RunState]
    assert len([line for line in drawn if "->" in line]) == len(NEXT)


def test_only_a_repair_leads_out_of_a_final_state_and_something_out_of_every_other() -> None:
    assert {state for state, _ in NEXT} == set(RunState)
    assert {pair for pair in NEXT if pair[0] in FINAL} == {(state, RunEvent.REPAIR) for state in FINAL}
    assert {state for state, event in NEXT if event is RunEvent.REPAIR} == FINAL


def test_every_state_can_be_reached() -> None:
    assert set(NEXT.values()) == set(RunState)


@pytest.mark.parametrize("state", RunState)
def test_only_a_living_run_can_lose_its_engine_trip_fail_or_be_held(state) -> None:
    for event in (RunEvent.LOSE, RunEvent.TRIP, RunEvent.FAIL):
        assert ((state, event) in NEXT) == (state in ALIVE)


@pytest.mark.parametrize("state", sorted(set(RunState) - FINAL))
def test_every_run_that_has_not_ended_can_be_aborted(state) -> None:
    assert next_state(state, RunEvent.ABORT) is RunState.ABORTED


@pytest.mark.parametrize("ending", Ending)
def test_an_ending_is_either_finished_or_to_be_repeated(ending) -> None:
    repeated = {Ending.HELD, Ending.ABORTED, Ending.TRIPPED, Ending.FAILED, Ending.LOST}
    assert (ending in FINISHED) != (ending in repeated)
