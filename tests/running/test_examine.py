"""Each instrument by itself: one that is ill tells what is wrong, and keeps no other from being looked at."""

from __future__ import annotations

import pytest

from benchd.clock import VirtualClock
from benchd.errors import LinkLost, NoAnswer
from benchd.instruments import SampleFlag
from benchd.running.bench import OpenBench
from benchd.running.examine import Examined, examine


@pytest.fixture
def look(bench_of):
    def look(real: bool = True) -> dict[str, Examined]:
        found = examine(OpenBench(bench_of(real=real).bench), VirtualClock())
        return {one.instrument: one for one in found}

    return look


def test_all_well(look) -> None:
    found = look()
    assert set(found) == {"load", "fans", "probe", "meter"}
    assert all(one.well for one in found.values())
    assert found["meter"].identity == "in-test instrument"
    assert [(one.channel, one.value) for one in found["probe"].samples] == [("die_c", 40.0), ("ambient_c", 22.0)]


def test_one_that_cannot_be_opened_says_why_and_what_to_try(parts, look) -> None:
    def gone() -> None:
        raise LinkLost("meter: there is no such serial port", "is its plug in?")

    parts["meter"].open = gone
    found = look()
    assert (found["meter"].problem, found["meter"].hint) == ("meter: there is no such serial port", "is its plug in?")
    assert not found["meter"].well
    assert parts["meter"].reads == []
    assert all(one.well for name, one in found.items() if name != "meter")


def test_one_that_opens_and_does_not_answer(parts, look) -> None:
    def silent(_t_s: float):
        raise NoAnswer("meter: no answer", "check its power")

    parts["meter"].read = silent
    found = look()["meter"]
    assert (found.problem, found.hint, found.well) == ("meter: no answer", "check its power", False)
    assert [(one.channel, one.flag) for one in found.samples] == [("level_dba", SampleFlag.MISSING)]


def test_one_that_sends_unasked_gets_time_for_its_first_line(parts, look) -> None:
    parts["meter"].read = lambda _t_s: {"level_dba": 35.0} if len(parts["meter"].reads) > 2 else {}
    found = look()["meter"]
    assert found.well
    assert found.samples[0].value == 35.0
    assert len(parts["meter"].reads) == 3


def test_what_is_no_value_or_out_of_range_is_not_well(parts, look) -> None:
    parts["probe"].read = lambda _t_s: {"die_c": SampleFlag.GARBLED, "ambient_c": 60.0}
    found = look()["probe"]
    assert found.problem == ""
    assert not found.well
    assert {one.flag for one in found.samples} == {SampleFlag.GARBLED, SampleFlag.OUT_OF_RANGE}


def test_nothing_is_commanded(parts, look) -> None:
    look()
    assert parts.order == []


def test_on_a_simulated_bench_something_is_mounted(look) -> None:
    found = look(real=False)
    assert all(one.well for one in found.values())
    assert found["meter"].identity.startswith("simulated: brook")
