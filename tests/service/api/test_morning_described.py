"""The morning page that the API sends is what /openapi.json says of it, key for key."""

from __future__ import annotations

from dataclasses import fields

import pytest

from benchd.errors import NotFound
from benchd.running.states import Ending, Quality
from benchd.running.steps.base import Finding
from benchd.service.api_morning import MorningAnswer, PointPart
from benchd.store.records import EventRow, NewRun, PointRecord
from benchd.store.writer import Writer
from tests.service.api.conftest import NOW

NEW = NewRun(
    mount_id=1,
    protocol="by hand",
    protocol_text="",
    bench="simulated",
    bench_text="",
    versions={},
    seed=1,
    simulated=True,
    queued_utc=NOW,
)


def test_a_point_has_the_keys_that_are_described():
    assert set(PointPart.model_fields) == {*(one.name for one in fields(PointRecord)), "stage"}


def test_a_page_is_as_described(api):
    with Writer.open(api.database, durable=False) as writer:
        run = writer.new_run(NEW)
        for number, point in enumerate(
            (
                PointRecord(heat_set_w=200.0, heat_w=200.1, rise_k=30.0, quality=Quality.GOOD),
                PointRecord(heat_set_w=200.0, noise_set_dba=36.0, quality=Quality.OVER_LIMIT),
            ),
            1,
        ):
            step = writer.begin_step(run, f"soak.{number}", 1, 1, "soak", "{}", 0)
            writer.end_step(step, 0, Ending.DONE, "", [Finding("fan_pct", 50.0, "%")], point)
        writer.add_event(
            EventRow(bench="simulated", utc=NOW, kind="hold", what="held", run_id=run, t_ms=1500, who="anna (1000)")
        )
    page = api.ask("GET", f"/runs/{run}")
    shown = MorningAnswer.model_validate(page)
    assert (shown.counts.good, shown.counts.over_limit) == (1, 1)
    assert [point.stage for point in shown.points] == ["soak.1", "soak.2"]
    # 20:00 UTC, in the zone of this bench and not in that of the machine.
    assert [(one.t_s, one.local, one.who) for one in shown.events] == [
        (1.5, "2026-11-25T21:00:00+01:00", "anna (1000)")
    ]


def test_a_run_that_is_not_there_is_told(api):
    with pytest.raises(NotFound, match="no run 99"):
        api.ask("GET", "/runs/99")
