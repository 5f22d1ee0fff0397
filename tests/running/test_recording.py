"""Design part 4, rules 4, 5 and 7: what is recorded, when it is committed, and who may write."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy
from sqlalchemy import text
from sqlalchemy.exc import OperationalError

import benchd
from benchd.clock import PacedClock, VirtualClock
from benchd.errors import Garbled, StoreError
from benchd.instruments import SampleFlag
from benchd.running.engine import VIRTUAL_COMMIT_TICKS
from benchd.running.states import Ending, RunState
from benchd.running.steps.base import Outcome, Wants
from benchd.running.steps.kinds import KINDS
from benchd.store import queries
from benchd.store.writer import Writer

DWELL = '[[steps]]\nkind = "dwell"\nfor_min = 0.1\nheat_w = 100\n'


def test_the_sample_that_trips_is_in_the_database(parts, night) -> None:
    night.enroll(DWELL)
    parts["probe"].read = lambda t_s: {"die_c": 96.0 if t_s >= 2 else 40.0}
    assert night.play() is RunState.TRIPPED
    assert night.samples("die_c")[-1] == (5000, 96.0, "ok")


def test_a_sample_is_recorded_before_the_step_is_given_it(night, writer, monkeypatch) -> None:
    sent, recorded = [], []

    def looks(_spec, _found):
        for _ in range(3):
            tick = yield Wants(0, 100, 100)
            sent.append(tick["die_c"])
            writer.commit()  # recorded so far, committed or not
            recorded.append(night.samples("die_c")[-1][1])
        return Outcome(Ending.DONE, "")

    monkeypatch.setitem(KINDS, "dwell", looks)
    night.enroll(DWELL)
    night.play()
    assert recorded == sent
    assert len(sent) == 3


STEPWISE = '[[steps]]\nkind = "fan_sweep"\nfan_pct = [100, 60, 30]\nsettle_s = 0\nfor_s = 3\n'


def test_on_a_real_bench_a_tick_is_committed_before_the_setpoints_that_follow_from_it(parts, real_night) -> None:
    seen: list[tuple[int, int]] = []

    def looks(_values) -> None:
        """How many ticks had been read, and how many of them another program can see."""
        ticks = len(parts["probe"].reads)
        visible = real_night.ask("SELECT count(*) FROM sample_named WHERE channel = 'die_c'")[0][0]
        seen.append((ticks, visible))

    parts["fans"].write = looks
    real_night.enroll(STEPWISE)
    assert real_night.play(PacedClock(200)) is RunState.COMPLETE
    assert len(seen) > 3
    assert max(ticks for ticks, _ in seen) >= 8
    # A probe that a busy machine made late is not read in that tick; its row, a missing one, is there all the same.
    assert all(visible >= ticks for ticks, visible in seen)


def test_in_virtual_time_it_is_committed_every_sixty_ticks(night) -> None:
    visible = []
    night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 3\n')
    night.play(
        VirtualClock(),
        on_tick=lambda *_: visible.append(night.ask("SELECT count(*) FROM sample_named WHERE channel = 'die_c'")[0][0]),
    )
    assert VIRTUAL_COMMIT_TICKS == 60
    assert sorted(set(visible)) == [0, 60, 120, 180]
    assert visible.index(60) == 59


def test_a_missing_value_is_stored_as_missing_never_as_the_old_one(parts, real_night) -> None:
    answers = [{"level_dba": 35.0}, {}, {"level_dba": SampleFlag.MISSING}, {"level_dba": SampleFlag.GARBLED}]
    answers += [{"level_dba": math.nan}, {"level_dba": 20.0}]
    parts["meter"].read = lambda t_s: answers[int(t_s)] if t_s < len(answers) else {"level_dba": 36.0}
    real_night.enroll(DWELL)
    real_night.play()
    assert [(value, flag) for _, value, flag in real_night.samples("level_dba")] == [
        (35.0, "ok"),
        (None, "missing"),
        (None, "missing"),
        (None, "garbled"),
        (None, "garbled"),
        (20.0, "out_of_range"),  # the meter shows 28 dBA at least: recorded, and not used
        (36.0, "ok"),
    ]


def test_a_garbled_answer_costs_one_instrument_one_tick(parts, real_night) -> None:
    def garbled_once(t_s: float):
        if t_s == 1:
            raise Garbled("meter: answered #%?")
        return {"level_dba": 35.0}

    parts["meter"].read = garbled_once
    real_night.enroll(DWELL)
    real_night.play()
    assert [value for _, value, _ in real_night.samples("level_dba")] == [35.0, None, 35.0, 35.0, 35.0, 35.0, 35.0]


def test_what_is_not_ok_is_not_given_to_the_step(parts, real_night) -> None:
    parts["meter"].read = lambda _t_s: {"level_dba": 20.0}
    real_night.enroll('[[steps]]\nkind = "background"\nfor_min = 0.1\nsettle_s = 0\n')
    assert real_night.play() is RunState.FAILED
    assert "no usable level" in real_night.row.reason


def test_the_flag_of_a_sample_is_never_updated_afterwards(night, writer) -> None:
    """A trigger on the table would fail the run at the first update; a judgement later is a row of `exclusion`."""
    with writer.reading() as connection:
        connection.execute(
            text("CREATE TRIGGER never BEFORE UPDATE ON sample BEGIN SELECT raise(ABORT, 'a sample was changed'); END")
        )
    night.enroll(DWELL)
    assert night.play() is RunState.COMPLETE
    before = night.samples("die_c")
    writer.exclude(night.steps[0].id, 1000, 2000, "a door slammed")
    assert night.samples("die_c") == before
    assert [row[0] for row in night.ask("SELECT excluded FROM sample_named WHERE channel = 'die_c' ORDER BY t_s")] == [
        0, 1, 1, 0, 0, 0, 0,
    ]  # fmt: skip


@pytest.mark.usefixtures("writer")
def test_one_writer_owns_the_database_and_readers_cannot_write(night) -> None:
    with pytest.raises(StoreError, match="is being written by process"):
        Writer.open(night.path, durable=False)
    with queries.reader(night.path) as connection, pytest.raises(OperationalError, match="readonly"):
        connection.execute(text("DELETE FROM run"))


def test_a_run_keeps_the_versions_of_what_its_results_are_computed_with(night) -> None:
    night.enroll(DWELL)
    kept = night.row.versions
    assert (kept["benchd"], kept["numpy"], kept["scipy"]) == (benchd.__version__, np.__version__, scipy.__version__)
    assert {"python", "machine", "pydantic", "sqlalchemy"} <= set(kept)


def test_progress_belongs_to_the_engine(night) -> None:
    shown = []
    night.enroll(DWELL)
    night.play(on_tick=lambda snapshot, _engine: shown.append(snapshot))
    assert [snapshot.t_s for snapshot in shown] == [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0]
    last = shown[-1]
    assert (last.stage, last.kind, last.doing, last.state) == ("dwell", "dwell", "dwelling", RunState.RUNNING)
    assert {sample.channel for sample in last.samples} == {"die_c", "ambient_c", "heat_w", "fan_rpm", "level_dba"}
    assert shown[0].left_s == pytest.approx(6.0)
    assert last.left_s == pytest.approx(0.0)
