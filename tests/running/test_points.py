"""Design part 4, rule 8: what a finished stage is as a test point; odd ends are results, not failures."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchd.analysis.acoustics import source_level
from benchd.protocol_file import Equilibrium
from benchd.running.found import Found, estimate_of
from benchd.running.points import measured_point, skipped_point
from benchd.running.schedule import Stage
from benchd.running.states import Ending, Flag, Quality
from benchd.running.steps.base import Finding, Outcome, SoakPoint

ASKED = SoakPoint(
    heat_w=150,
    noise_dba=36,
    fan_pct=50,
    pump_pct=60,
    equilibrium=Equilibrium(at_most_min=30),
    read_min=3,
)
MEASURED = {
    "heat_w": Finding("heat_w", 150.2, "W", 0.6, 100.0, {"missing": 0.0}),
    "level_dba": Finding("level_dba", 36.2, "dBA", 0.7, 100.0, {"missing": 0.0}),
    "rise_k": Finding("rise_k", 30.0, "K", 0.5, 100.0, {"missing": 0.0}),
    "resistance_k_per_w": Finding("resistance_k_per_w", 0.2, "K/W", 0.004, 100.0, {"missing": 0.0}),
    "ambient_moved_k": Finding("ambient_moved_k", 0.1, "K"),
    "die_c": Finding("die_c", 52.0, "degC", 0.5, 100.0, {"missing": 0.0}),
    "soak_s": Finding("soak_s", 700.0, "s"),
}
QUIET_ROOM = Found((Finding("background_dba", 25.0, "dBA", 0.4, 50.0),))


def point(ending: Ending = Ending.SETTLED, found: Found = QUIET_ROOM, **changes: Finding | None):
    got = {**MEASURED, **changes}
    return measured_point(ASKED, Outcome(ending, "", tuple(f for f in got.values() if f is not None)), found)


def test_a_good_point_has_every_value_with_its_uncertainty() -> None:
    good = point()
    assert (good.quality, good.flags, good.ended_by) == (Quality.GOOD, (), "settled")
    assert (good.heat_set_w, good.noise_set_dba, good.fan_pct, good.pump_pct) == (150, 36, 50, 60)
    assert (good.heat_w, good.heat_u_w, good.rise_k, good.rise_u_k) == (150.2, 0.6, 30.0, 0.5)
    assert (good.level_dba, good.level_u_db, good.background_dba) == (36.2, 0.7, 25.0)
    assert (good.resistance_k_per_w, good.resistance_u_k_per_w, good.soak_s) == (0.2, 0.004, 700.0)
    assert good.until == "settled to within 0.2 K"


@pytest.mark.parametrize(
    ("changes", "flag"),
    [
        ({"ending": Ending.TIME_UP}, Flag.NOT_SETTLED),
        ({"rise_k": replace(MEASURED["rise_k"], detail={"missing": 0.06})}, Flag.SAMPLES_MISSING),
        ({"heat_w": replace(MEASURED["heat_w"], detail={"missing": 0.06})}, Flag.SAMPLES_MISSING),
        ({"ambient_moved_k": Finding("ambient_moved_k", -0.6, "K")}, Flag.AMBIENT_MOVED),
        ({"heat_w": replace(MEASURED["heat_w"], value=155.0)}, Flag.HEAT_OFF_SET),
        ({"level_dba": replace(MEASURED["level_dba"], value=37.5)}, Flag.LEVEL_OFF_SET),
        ({"level_dba": None}, Flag.LEVEL_MISSING),
        ({"ending": Ending.FIXED, "left_k": Finding("left_k", 0.5, "K")}, Flag.STILL_MOVING),
        ({"drifts": Finding("drifts", 1.0, "1", detail={"why": "it drifts"})}, Flag.DRIFTING),
    ],
)
def test_what_may_be_held_against_a_point_is_a_flag_and_lowers_its_quality(changes, flag) -> None:
    flagged = point(**changes)
    assert (flagged.quality, flagged.flags) == (Quality.FLAGGED, (flag,))


@pytest.mark.parametrize("ending", [Ending.SETTLED, Ending.PREDICTED])
def test_a_soak_that_ended_as_asked_has_what_was_asked_however_loose_that_is(ending) -> None:
    """What is not known of its end stands in its uncertainty."""
    loose = point(ending, left_k=Finding("left_k", 1.8, "K"))
    assert (loose.quality, loose.flags) == (Quality.GOOD, ())


def test_a_point_whose_sensor_hung_is_void_and_what_seemed_of_its_rise_is_not_told() -> None:
    hung = {"hangs": Finding("hangs", 1.0, "1", detail={"why": "die_c shows 43.90 degC for 12 min"}), "rise_k": None}
    for ending in (Ending.FIXED, Ending.TIME_UP):
        void = point(ending, **hung, left_k=Finding("left_k", 5.0, "K"), drifts=Finding("drifts", 1.0, "1"))
        assert (void.quality, void.flags) == (Quality.VOID, (Flag.SENSOR_HANGS,))


def test_how_far_a_rise_still_was_from_its_predicted_end_stands_with_the_point() -> None:
    early = Finding("extrapolated_k", 1.3, "K")
    assert point(Ending.PREDICTED, extrapolated_k=early).extrapolated_k == 1.3
    assert point(Ending.PREDICTED, extrapolated_k=early).ended_by == "predicted"
    assert point().extrapolated_k is None
    assert point(Ending.OVER_LIMIT, extrapolated_k=early).extrapolated_k is None


SWEPT = Finding("swept_level_dba", 36.4, "dBA", 0.9, 40.0, {"missing": 0.0})
DOOR = replace(MEASURED["level_dba"], value=51.0)


def test_the_level_of_the_fan_sweep_stands_for_the_point_whatever_the_microphone_heard() -> None:
    by_day = point(level_dba=DOOR, swept_level_dba=SWEPT)
    assert (by_day.level_dba, by_day.level_u_db, by_day.quality) == (36.4, 0.9, Quality.GOOD)
    expected = source_level(estimate_of(SWEPT), estimate_of(QUIET_ROOM.findings[0]))
    assert by_day.level_corrected_dba == expected.level.value
    assert by_day.level_corrected_u_db == expected.level.expanded
    assert by_day.level_bound == expected.bound


def test_it_is_judged_like_any_other_level() -> None:
    assert point(swept_level_dba=replace(SWEPT, value=37.5)).flags == (Flag.LEVEL_OFF_SET,)
    assert point(swept_level_dba=replace(SWEPT, detail={"missing": 0.06})).flags == (Flag.SAMPLES_MISSING,)
    assert point(level_dba=None, swept_level_dba=SWEPT).flags == ()


def test_one_sample_in_twenty_may_be_missing() -> None:
    assert point(rise_k=replace(MEASURED["rise_k"], detail={"missing": 0.05})).quality is Quality.GOOD


@pytest.mark.parametrize(
    ("level_dba", "flags"),
    [(37.0, ()), (37.1, (Flag.LEVEL_OFF_SET,)), (35.0, ()), (34.9, (Flag.LEVEL_OFF_SET,))],
)
def test_the_level_may_be_1_db_off_the_one_asked_for(level_dba, flags) -> None:
    assert point(level_dba=replace(MEASURED["level_dba"], value=level_dba)).flags == flags


@pytest.mark.parametrize("lost", ["rise_k", "heat_w"])
def test_a_point_without_rise_or_heat_is_void(lost) -> None:
    assert point(**{lost: None}).quality is Quality.VOID


def test_over_limit_is_a_result_without_a_rise_for_it_was_still_heating() -> None:
    over = point(Ending.OVER_LIMIT)
    assert (over.quality, over.ended_by, over.rise_k, over.resistance_k_per_w) == (
        Quality.OVER_LIMIT,
        "over_limit",
        None,
        None,
    )
    assert (over.heat_w, over.level_dba, over.die_c) == (150.2, 36.2, 52.0)


def test_over_limit_at_the_first_ticks_needs_no_rise() -> None:
    assert point(Ending.OVER_LIMIT, rise_k=None).quality is Quality.OVER_LIMIT


@pytest.mark.parametrize(("background_dba", "bound"), [(20.0, "value"), (36.0, "upper")])
def test_a_level_too_close_to_the_background_is_an_upper_bound(background_dba, bound) -> None:
    found = Found((Finding("background_dba", background_dba, "dBA", 0.4, 50.0),))
    near = point(found=found)
    assert near.level_bound == bound
    assert near.level_corrected_dba is not None
    assert near.level_dba == 36.2  # the total is always a value


def test_without_a_background_there_is_no_corrected_level() -> None:
    bare = point(found=Found())
    assert (bare.level_corrected_dba, bare.level_bound, bare.background_dba) == (None, None, None)
    assert bare.level_dba == 36.2


@pytest.mark.parametrize(("quality", "flags"), [(Quality.NOT_REACHED, ()), (Quality.OVER_LIMIT, (Flag.SKIPPED,))])
def test_a_point_that_was_not_measured_is_a_result_too(quality, flags) -> None:
    skipped = skipped_point(Stage("soak/150w_36dba", (), ASKED, "the reason", quality))
    assert (skipped.quality, skipped.flags, skipped.ended_by) == (quality, flags, "not measured")
    assert (skipped.heat_set_w, skipped.noise_set_dba, skipped.rise_k) == (150, 36, None)


def test_a_stage_without_a_point_cannot_be_skipped() -> None:
    with pytest.raises(ValueError, match="measures no point"):
        skipped_point(Stage("background", ()))
