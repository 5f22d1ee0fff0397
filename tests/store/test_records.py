"""What a test point looks like to those who read it."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime

import pytest

from benchd.running.states import Flag, Quality
from benchd.store.records import CLEAR, REPEAT, EventRow, PointRecord, json_text

#: The keys of a test point that others rely on, in this order.
KEYS = [
    "point",
    "run",
    "specimen",
    "mount",
    "heat_set_w",
    "heat_w",
    "heat_u_w",
    "noise_set_dba",
    "fan_pct",
    "pump_pct",
    "fan_rpm",
    "level_dba",
    "level_u_db",
    "level_corrected_dba",
    "level_corrected_u_db",
    "level_bound",
    "background_dba",
    "die_c",
    "ambient_c",
    "inlet_c",
    "rise_k",
    "rise_u_k",
    "resistance_k_per_w",
    "resistance_u_k_per_w",
    "until",
    "ended_by",
    "soak_s",
    "extrapolated_k",
    "quality",
    "flags",
]


def test_a_test_point_has_every_key_in_order_and_unknown_is_null() -> None:
    point = PointRecord(heat_set_w=200.0, quality=Quality.NOT_REACHED).as_json()
    assert list(point) == KEYS
    assert {key for key, value in point.items() if value is None} == set(KEYS) - {
        "point",
        "run",
        "specimen",
        "mount",
        "heat_set_w",
        "quality",
        "flags",
    }
    assert json.loads(json.dumps(point)) == point


def test_words_are_plain_words_and_flags_a_list() -> None:
    point = PointRecord(heat_set_w=200.0, quality=Quality.FLAGGED, flags=(Flag.AMBIENT_MOVED, Flag.NOT_SETTLED))
    assert point.as_json()["quality"] == "flagged"
    assert type(point.as_json()["quality"]) is str
    assert point.as_json()["flags"] == ["ambient_moved", "not_settled"]


def test_a_number_that_is_none_is_null() -> None:
    point = PointRecord(heat_set_w=200.0, rise_k=math.nan, rise_u_k=math.inf, quality=Quality.VOID)
    assert point.as_json()["rise_k"] is None
    assert point.as_json()["rise_u_k"] is None
    assert json_text({"slope": [1.0, math.nan], "at": {"heat_w": -math.inf}}) == (
        '{"slope": [1.0, null], "at": {"heat_w": null}}'
    )


def test_a_repeat_says_which_attempt_it_calls_off() -> None:
    now = datetime(2026, 10, 24, tzinfo=UTC)
    with pytest.raises(ValueError, match="needs run_id and t_ms"):
        EventRow(bench="garden", utc=now, kind=REPEAT, what="background", run_id=1)
    EventRow(bench="garden", utc=now, kind=CLEAR, what="")
