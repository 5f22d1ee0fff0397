"""How far a run is and what is left of it, after holds and losses too: only what was finished whole counts as done."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import pytest

from benchd.protocol_file import parse_protocol
from benchd.running.engine import Command, Engine
from benchd.running.forecast import guess_s
from benchd.running.plan import Plan, plan_of
from benchd.running.snapshot import Snapshot
from benchd.running.states import RunState
from benchd.store import queries

SOAK = """
[[steps]]
kind = "soak"
heat_w = [100]
fan_pct = [60, 90, 40, 80]
pump_pct = 100
order = "listed"
read_min = 0.5
equilibrium = { within_k = 3, at_most_min = 10 }
"""
FIRST, SECOND = "soak/100w_60pct", "soak/100w_90pct"
#: One point, usually [s].
USUAL_S = guess_s(parse_protocol(f'protocol = "p"\n{SOAK}', "p").steps[0])


def protocol_of(night):
    return parse_protocol(night.row.protocol_text, "trial")


def plan(night) -> Plan:
    with queries.reader(night.path) as connection:
        return plan_of(connection, night.row, protocol_of(night))


@dataclass
class Person:
    """Asks for something the first time that something is seen, one thing after the other; keeps all pictures."""

    wishes: list[tuple[Callable[[Snapshot], bool], Command]]
    seen: list[Snapshot] = field(default_factory=list)

    def __call__(self, snapshot: Snapshot, engine: Engine) -> None:
        self.seen.append(snapshot)
        if self.wishes and self.wishes[0][0](snapshot):
            engine.ask(self.wishes.pop(0)[1], "ann")

    def at(self, attempt: int, kind: str = "", stage: str = FIRST) -> list[Snapshot]:
        """The pictures of one attempt."""
        return [s for s in self.seen if (s.stage, s.attempt) == (stage, attempt) and kind in ("", s.kind)]


def soaking(attempt: int, for_s: float = 20.0) -> Callable[[Snapshot], bool]:
    """The first stage has soaked for so long in this attempt."""
    begun: list[float] = []

    def seen(snapshot: Snapshot) -> bool:
        if (snapshot.stage, snapshot.kind, snapshot.attempt) != (FIRST, "soak", attempt):
            return False
        begun.append(snapshot.t_s)
        return snapshot.t_s - begun[0] >= for_s

    return seen


def held(for_s: float = 5.0) -> Callable[[Snapshot], bool]:
    """The run has been held for so long."""
    begun: list[float] = []

    def seen(snapshot: Snapshot) -> bool:
        if snapshot.state is RunState.HELD:
            begun.append(snapshot.t_s)
        return bool(begun) and snapshot.t_s - begun[0] >= for_s

    return seen


def test_the_cool_down_of_an_attempt_that_was_broken_off_does_not_tell_how_long_a_point_takes(night) -> None:
    night.enroll(SOAK)
    person = Person(
        [
            (soaking(1), Command.HOLD),
            (held(), Command.RESUME),
            (soaking(2), Command.HOLD),
            (held(), Command.RESUME),
            (soaking(3, 0), Command.LEAVE),
        ]
    )
    assert night.play(on_tick=person) is RunState.INTERRUPTED
    assert [step.ending for step in night.steps if step.kind == "cool_down"] == ["done", "done"]
    assert plan(night).took_s == {}
    assert person.at(3)[0].left_s == pytest.approx(4 * USUAL_S)


def test_nor_does_it_after_its_engine_was_lost(night) -> None:
    night.enroll(SOAK)
    night.play(on_tick=Person([(soaking(1), Command.LEAVE)]))
    night.play(on_tick=Person([(soaking(2), Command.LEAVE)]))
    person = Person([(soaking(3, 0), Command.LEAVE)])
    night.play(on_tick=person)
    assert plan(night).took_s == {}
    assert person.at(3)[0].left_s == pytest.approx(4 * USUAL_S)


def test_a_point_that_was_repeated_took_as_long_as_without_what_came_before_its_repeat(night) -> None:
    night.enroll(SOAK)
    night.play(on_tick=Person([(soaking(1, 60), Command.HOLD), (held(1), Command.RESUME)]))
    cooled, soaked = (step for step in night.steps if (step.stage, step.attempt) == (FIRST, 2))
    assert (cooled.kind, soaked.kind) == ("cool_down", "soak")
    assert cooled.ended_ms > cooled.started_ms
    assert plan(night).took_s[FIRST] == (soaked.ended_ms - soaked.started_ms) / 1000


def test_a_point_with_a_cool_down_of_its_own_took_both(night) -> None:
    night.enroll(SOAK + 'cool_down = "fixed"\ncool_for_min = 2\n')
    night.play()
    cooled, soaked = (step for step in night.steps if step.stage == SECOND)
    assert (cooled.kind, soaked.kind) == ("cool_down", "soak")
    assert plan(night).took_s[SECOND] == (soaked.ended_ms - cooled.started_ms) / 1000


# What is said at each tick


def test_while_a_run_is_held_nothing_of_it_gets_done(night) -> None:
    night.enroll(SOAK)
    person = Person([(soaking(1), Command.HOLD), (held(4000), Command.RESUME)])
    night.play(on_tick=person)
    pictures = [snapshot for snapshot in person.seen if snapshot.state is RunState.HELD]
    assert len(pictures) > 3999
    # The stage that was broken off is to be repeated as a whole.
    assert [min(s.left_s for s in pictures), max(s.left_s for s in pictures)] == pytest.approx([4 * USUAL_S] * 2)
    assert {snapshot.done_part for snapshot in pictures} == {0.0}
    assert person.at(2)[0].done_part == pytest.approx(0.0, abs=0.01)


def test_a_point_that_takes_longer_than_usual_takes_nothing_from_the_others(night, monkeypatch) -> None:
    monkeypatch.setattr("benchd.running.forecast.SLOW_S", 10.0)
    night.enroll(SOAK.replace("within_k = 3", "slow_tail_k = 0, within_k = 0.1"))
    person = Person([])
    night.play(on_tick=person)
    usual_s = person.seen[0].left_s / 4
    unknown = [s for s in person.at(1) if s.soaking is None or s.soaking.ends_s is None]
    late = [s for s in unknown if s.t_s > usual_s]
    assert late
    assert [s.left_s for s in late] == pytest.approx([3 * usual_s] * len(late))


def test_where_the_end_of_a_soak_is_known_the_run_ends_no_earlier(night) -> None:
    night.enroll(SOAK)
    person = Person([])
    night.play(on_tick=person)
    known = [s for s in person.at(1) if s.soaking is not None and s.soaking.ends_s is not None]
    assert known
    for snapshot in known:
        assert snapshot.left_s == pytest.approx(max(0.0, snapshot.soaking.ends_s - snapshot.t_s) + 3 * USUAL_S)


def test_the_part_that_is_done_goes_up_to_all_of_it(night) -> None:
    night.enroll(SOAK)
    person = Person([])
    night.play(on_tick=person)
    assert person.seen[0].done_part == 0.0
    assert person.seen[-1].done_part == pytest.approx(1.0, abs=0.02)
    first_of_last = next(s for s in person.seen if s.points_done == 3)
    assert 0.4 < first_of_last.done_part < 0.9


def test_cooling_down_after_a_point_over_the_limit_is_no_point(night) -> None:
    night.enroll("[limits]\nover_limit_c = 45\n" + SOAK.replace("[100]", "[400, 60]"))
    person = Person([])
    night.play(on_tick=person)
    took = plan(night).took_s
    cooled = [key for key in took if key.endswith("/cool_down")]
    assert cooled
    points = [seconds for key, seconds in took.items() if key not in cooled]
    cooling = next(s for s in person.seen if s.stage == cooled[0])
    # By then one point is over; those that it makes needless are skipped.
    left = cooling.points_known - len([p for p in night.points if p.quality == "over_limit"])
    assert left > 0
    assert cooling.left_s > left * points[0]
