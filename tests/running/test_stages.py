"""Design part 5: stages, attempts, hold, findings and points."""

from __future__ import annotations

import pytest
from sqlalchemy.exc import IntegrityError

from benchd.errors import StoreError
from benchd.running.engine import Command
from benchd.running.states import RunState
from benchd.running.steps.base import Wants
from benchd.running.steps.kinds import KINDS
from benchd.store.writer import Writer

SOAK = """
[[steps]]
kind = "background"
for_min = 0.2
settle_s = 5

[[steps]]
kind = "soak"
heat_w = [100]
fan_pct = [60, 90]
pump_pct = 100
order = "listed"
read_min = 0.5
equilibrium = { within_k = 3, at_most_min = 3 }
"""


def holding(at_s: float, until_s: float):
    """A person who holds the run at a time and resumes it later."""

    def on_tick(snapshot, engine) -> None:
        if snapshot.t_s == at_s:
            engine.ask(Command.HOLD, "ann")
        if snapshot.t_s == until_s:
            engine.ask(Command.RESUME, "ann")

    return on_tick


def test_hold_repeats_the_whole_stage_as_a_new_step_with_the_next_attempt(night) -> None:
    night.enroll(SOAK)
    assert night.play(on_tick=holding(40, 60)) is RunState.COMPLETE
    first, second = "soak/100w_60pct", "soak/100w_90pct"
    assert night.played == [
        ("background", 1, 1, "background", "done"),
        (first, 1, 1, "soak", "held"),
        (first, 1, 0, "hold", "held"),
        (first, 2, 1, "cool_down", "done"),
        (first, 2, 2, "soak", "settled"),
        (second, 1, 1, "soak", "settled"),
    ]
    assert [point.fan_pct for point in night.points] == [60, 90]
    assert [(event.kind, event.who) for event in night.events if event.kind in ("hold", "resume")] == [
        ("hold", "ann"),
        ("resume", "ann"),
    ]


def test_a_repeat_starts_from_heat_off_and_a_rise_of_at_most_what_the_protocol_says(night) -> None:
    night.enroll(SOAK, head="repeat_from_k = 4")
    night.play(on_tick=holding(60, 62))
    cool = next(step for step in night.steps if step.kind == "cool_down")
    assert '"to_within_k":4' in cool.spec
    rows = {t_ms: value for t_ms, value, _ in night.samples("die_c") if value is not None}
    ambient = {t_ms: value for t_ms, value, _ in night.samples("ambient_c") if value is not None}
    rises = [rows[t] - ambient[t] for t in sorted(rows) if cool.started_ms <= t <= cool.ended_ms]
    heat = {t_ms: value for t_ms, value, _ in night.samples("heat_w")}
    assert rises[0] > 4 > rises[-1]
    assert sum(rises[-10:]) / 10 <= 4
    assert max(heat[t] for t in heat if cool.started_ms + 10_000 <= t <= cool.ended_ms) < 1


def test_hold_means_heat_off_cooling_as_the_safe_state_says_and_sampling_goes_on(parts, night) -> None:
    night.enroll(SOAK)
    states = {}

    def on_tick(snapshot, engine) -> None:
        states[snapshot.t_s] = (snapshot.state, snapshot.kind, snapshot.doing)
        holding(60, 90)(snapshot, engine)

    parts.order.clear()
    night.play(on_tick=on_tick)
    assert states[61.0] == states[90.0] == (RunState.HELD, "hold", "held")
    assert states[91.0][0] is RunState.RUNNING
    at = [values for _, which, values in parts.order if which == "write"].index({"heat_w": 0.0}, 3)
    written = [values for _, which, values in parts.order if which == "write"][at : at + 3]
    assert written == [{"heat_w": 0.0}, {"fan_pct": 100.0}, {"pump_pct": 90.0}]
    held = next(step for step in night.steps if step.kind == "hold")
    sampled = [t_ms for t_ms, value, _ in night.samples("die_c") if held.started_ms < t_ms <= held.ended_ms]
    assert sampled == list(range(61_000, 91_000, 1000))


@pytest.mark.parametrize("command", [Command.HOLD, Command.ABORT])
def test_hold_and_abort_close_the_step(night, monkeypatch, command) -> None:
    closed = []

    def step(_spec, _found):
        try:
            while True:
                yield Wants(0, 100, 100)
        except GeneratorExit:
            closed.append(True)
            raise

    def on_tick(snapshot, engine) -> None:
        if snapshot.t_s == 2:
            engine.ask(command)
        if snapshot.t_s == 4:
            assert closed == [True]
            engine.ask(Command.ABORT)

    monkeypatch.setitem(KINDS, "dwell", step)
    night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 1\n')
    assert night.play(on_tick=on_tick) is RunState.ABORTED
    assert closed == [True]


def test_a_held_run_still_trips(parts, night) -> None:
    parts["probe"].read = lambda t_s: {"die_c": 96.0} if t_s > 30 else {}
    night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 5\n')
    assert night.play(on_tick=holding(10, 200)) is RunState.TRIPPED
    assert night.played[-1] == ("dwell", 1, 0, "hold", "tripped")


def test_a_held_run_can_be_aborted(night) -> None:
    def on_tick(snapshot, engine) -> None:
        if snapshot.t_s == 5:
            engine.ask(Command.HOLD)
        if snapshot.t_s == 10:
            engine.ask(Command.ABORT, "ann")

    night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 5\n')
    assert night.play(on_tick=on_tick) is RunState.ABORTED
    assert [step.ending for step in night.steps] == ["held", "aborted"]


def test_commands_that_do_not_fit_are_refused_with_the_reason_and_change_nothing(night) -> None:
    def on_tick(snapshot, engine) -> None:
        if snapshot.t_s == 2:
            engine.ask(Command.RESUME, "ann")
        if snapshot.t_s == 3:
            engine.ask(Command.HOLD)
            engine.ask(Command.HOLD)
        if snapshot.t_s == 6:
            engine.ask(Command.RESUME)

    night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 0.2\n')
    assert night.play(on_tick=on_tick) is RunState.COMPLETE
    assert night.said("refused") == [
        "a run that is running cannot resume: the run is not held",
        "a run that is held cannot hold: the run is already held",
    ]


def test_all_commands_of_a_tick_are_obeyed_in_their_order(night) -> None:
    def on_tick(snapshot, engine) -> None:
        if snapshot.t_s == 2:
            engine.ask(Command.RESUME)
            engine.ask(Command.ABORT)

    night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 1\n')
    assert night.play(on_tick=on_tick) is RunState.ABORTED
    assert night.steps[-1].ended_ms == 2000


def test_a_stage_is_finished_by_its_last_step_only(night, monkeypatch) -> None:
    """The engine is lost between two steps of one stage."""
    begin_step = Writer.begin_step

    def fails_at_the_soak(self, run_id, stage, attempt, seq, kind, *more) -> int:
        if (kind, attempt) == ("soak", 1):
            raise StoreError("the disk is full")
        return begin_step(self, run_id, stage, attempt, seq, kind, *more)

    monkeypatch.setattr(Writer, "begin_step", fails_at_the_soak)
    night.enroll(SOAK.replace("[60, 90]", "[60]") + 'cool_down = "to_within_k"\nto_within_k = 5\ncool_at_most_min = 5')
    with pytest.raises(StoreError):
        night.play()
    assert night.played[-1] == ("soak/100w_60pct", 1, 1, "cool_down", "done")
    assert night.play() is RunState.COMPLETE
    assert [row[3:] for row in night.played[2:]] == [
        ("cool_down", "done"),
        ("cool_down", "done"),
        ("soak", "settled"),
    ]


def test_findings_are_rows_with_unit_uncertainty_and_degrees_of_freedom_of_the_step_that_ended(night) -> None:
    night.enroll(SOAK)
    night.play()
    rows = night.ask(
        "SELECT step.kind, name, unit, u > 0, dof IS NULL OR dof > 0 FROM finding JOIN step ON step.id = step_id"
        " WHERE name IN ('background_dba', 'rise_k') ORDER BY finding.id"
    )
    assert [tuple(row) for row in rows] == [
        ("background", "background_dba", "dBA", 1, 1),
        ("soak", "rise_k", "K", 1, 1),
        ("soak", "rise_k", "K", 1, 1),
    ]


def test_what_one_step_learns_reaches_the_next(night, monkeypatch) -> None:
    seen = []
    soak = KINDS["soak"]

    def looks(spec, found):
        seen.append(found.last("background_dba").value)
        return soak(spec, found)

    monkeypatch.setitem(KINDS, "soak", looks)
    night.enroll(SOAK)
    night.play()
    assert seen == [night.points[0].background_dba] * 2


def test_the_findings_of_a_step_that_did_not_end_do_not_stand(night) -> None:
    night.enroll(SOAK)
    night.play(on_tick=holding(5, 7))
    assert night.played[:4] == [
        ("background", 1, 1, "background", "held"),
        ("background", 1, 0, "hold", "held"),
        ("background", 2, 1, "cool_down", "done"),
        ("background", 2, 2, "background", "done"),
    ]
    rows = night.ask("SELECT attempt FROM finding JOIN step ON step.id = step_id WHERE name = 'background_dba'")
    assert [row[0] for row in rows] == [2]


def test_a_point_and_the_end_of_its_last_step_are_one_transaction(night, monkeypatch) -> None:
    """Whatever the moment at which another program looks, it never sees one without the other."""
    seen = set()
    end_step = Writer.end_step

    def looks(self, *args, **more) -> None:
        end_step(self, *args, **more)
        ended = night.ask("SELECT count(*) FROM step WHERE kind = 'soak' AND ending IS NOT NULL")[0][0]
        seen.add((ended, night.ask("SELECT count(*) FROM point")[0][0]))

    monkeypatch.setattr(Writer, "end_step", looks)
    night.enroll(SOAK)
    night.play(on_tick=lambda *_: seen.add(
        (
            night.ask("SELECT count(*) FROM step WHERE kind = 'soak' AND ending IS NOT NULL")[0][0],
            night.ask("SELECT count(*) FROM point")[0][0],
        )
    ))  # fmt: skip
    assert seen == {(0, 0), (1, 1), (2, 2)}


def test_when_the_point_cannot_be_written_its_step_has_not_ended(night, writer) -> None:
    with writer.reading() as connection:
        connection.exec_driver_sql(
            "CREATE TRIGGER no_point BEFORE INSERT ON point BEGIN SELECT raise(ABORT, 'no point today'); END"
        )
    night.enroll(SOAK)
    with pytest.raises(StoreError, match="no point today"):
        night.play()
    assert night.points == []
    assert night.played[-1] == ("soak/100w_60pct", 1, 1, "soak", "failed")
    assert night.ask("SELECT count(*) FROM finding WHERE name = 'rise_k'")[0][0] == 0


def test_a_point_is_unique_in_its_run_and_stage(night, writer) -> None:
    night.enroll(SOAK)
    night.play()
    with pytest.raises(StoreError, match="UNIQUE") as told:
        writer.add_point(night.run_id, "soak/100w_60pct", night.points[0])
    assert isinstance(told.value.__cause__, IntegrityError)


def test_every_point_has_unit_uncertainty_and_quality(night) -> None:
    """Design part 4, rule 8: units stand in the keys; what was measured has its uncertainty beside it."""
    night.enroll(SOAK)
    night.play()
    for point in night.points:
        keys = point.as_json()
        for value, u in (
            ("heat_w", "heat_u_w"),
            ("level_dba", "level_u_db"),
            ("level_corrected_dba", "level_corrected_u_db"),
            ("rise_k", "rise_u_k"),
            ("resistance_k_per_w", "resistance_u_k_per_w"),
        ):
            assert keys[value] is not None
            assert keys[u] > 0
        assert keys["level_bound"] in ("value", "upper", "indicative")
        # Loosely settled, as tests are: its uncertainty holds what was still to come.
        assert (keys["quality"], keys["flags"]) in [("good", []), ("flagged", ["still_moving"])]
        assert keys["until"] == "settled to within 3 K"
        assert keys["ended_by"] == "settled"
