"""Tables as they are printed: every figure there, nothing beyond 80 columns, whatever a run came to."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from math import hypot, log10

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from benchd.report.side_by_side import equal_noise
from benchd.report.tables import comparison_lines, points_lines, repeat_line, rule_line, worth
from benchd.running.states import Flag, Quality
from benchd.store import queries
from benchd.store.records import PointRecord


def printed(parts, width: int = 80) -> str:
    out = io.StringIO()
    console = Console(file=out, width=width, highlight=False, markup=False)
    for part in parts:
        console.print(part, soft_wrap=isinstance(part, str))
    return out.getvalue()


def rows(text: str) -> list[list[str]]:
    """The lines of a table that begin with a figure, by column."""
    return [
        [cell.strip() for cell in line.split("  ") if cell.strip()]
        for line in text.splitlines()
        if line.strip()[:1].isdigit()
    ]


def test_a_point_shows_what_was_asked_and_what_was_found_with_uncertainties(made):
    good = made(
        1000.0, 37.04, 40.123, level_u_db=0.71, rise_u_k=0.524, resistance_k_per_w=0.20062, resistance_u_k_per_w=0.0026
    )
    by_level = made(1000.0, 36.2, 40.0, noise_set_dba=36.5, heat_set_w=120.5)
    text = printed(points_lines([good, by_level]))
    assert rows(text) == [
        ["0", "120.5", "36.5 dBA", "36.2 ±0.2", "40.00 ±0.30", "20 settled", "good"],
        ["0", "200", "50 %", "37.0 ±0.7", "40.12 ±0.52", "0.2006 ±0.0026", "20 settled", "good"],
    ]
    assert "Soaks: settled to within 0.2 K (2 settled)." in text


def test_points_stand_by_heat_load_and_setting_whatever_their_order(made):
    points = [made(1.0, 30.0, 1.0, heat_set_w=heat, noise_set_dba=dba) for heat in (240, 120) for dba in (38, 34)]
    assert [row[1:3] for row in rows(printed(points_lines(points)))] == [
        ["120", "34 dBA"],
        ["120", "38 dBA"],
        ["240", "34 dBA"],
        ["240", "38 dBA"],
    ]


@pytest.mark.parametrize(
    ("quality", "flags", "words"),
    [
        (Quality.GOOD, (), "good"),
        (Quality.FLAGGED, (Flag.NOT_SETTLED,), "not settled"),
        (Quality.FLAGGED, (Flag.AMBIENT_MOVED, Flag.HEAT_OFF_SET), "ambient moved, heat off set"),
        (Quality.OVER_LIMIT, (), "over limit"),
        (Quality.OVER_LIMIT, (Flag.SKIPPED,), "over limit: skipped"),
        (Quality.NOT_REACHED, (), "not reached"),
        (Quality.VOID, (Flag.SAMPLES_MISSING,), "void: samples missing"),
    ],
)
def test_what_a_point_is_worth_is_said_in_words(made, quality, flags, words):
    assert worth(made(1000.0, 36.0, 40.0, quality=quality, flags=flags)) == words


def test_a_point_without_anything_measured_still_has_its_line(made):
    nothing = made(None, None, None, heat_w=None, soak_s=None, until=None, quality=Quality.NOT_REACHED)
    assert rows(printed(points_lines([nothing]))) == [["0", "200", "50 %", "not reached"]]
    neither = made(None, None, None, fan_pct=None, soak_s=None, until=None, quality=Quality.VOID)
    assert rows(printed(points_lines([neither]))) == [["0", "200", "void"]]


def test_no_points_are_said_to_be_none():
    assert printed(points_lines([])) == "  no test points\n"


WIDE = {
    "heat_set_w": 1234.5,
    "noise_set_dba": 101.5,
    "level_u_db": 10.7,
    "rise_u_k": 10.53,
    "resistance_k_per_w": 1.23456,
    "resistance_u_k_per_w": 0.10534,
    "soak_s": 1440 * 60.0,
    "quality": Quality.VOID,
    "flags": tuple(Flag),
}
USUAL = {
    "heat_set_w": 240.0,
    "noise_set_dba": 34.5,
    "resistance_k_per_w": 0.30462,
    "resistance_u_k_per_w": 0.0044,
    "soak_s": 17 * 60.0,
}


def last_column(text: str) -> list[str]:
    """The words of the last column, as its lines break them."""
    head = next(line for line in text.splitlines() if "worth" in line)
    table = text.split("─\n", 1)[1].split("\n\n", 1)[0]
    return [word for line in table.splitlines() for word in line[head.index("worth") :].split()]


def test_the_widest_point_that_can_be_fits_80_columns_and_loses_nothing(made):
    wide = made(12345.0, 101.16, 123.456, **WIDE)
    predicted = replace(wide, extrapolated_k=-1.34, ended_by="predicted")
    for points in ([wide], [predicted], [predicted, replace(wide, pump_pct=100.0, fan_pct=None, point=1)]):
        text = printed(points_lines(points))
        assert max(map(len, text.splitlines())) <= 80
        for cell in ("1234.5", "101.5 dBA", "101.2 ±10.7", "123.46 ±10.53", "1.2346 ±0.1053", "1440 "):
            assert cell in text
        assert ("-1.34" in text) == (predicted in points)
        assert "…" not in text
        assert sorted(last_column(text)) == sorted(" ".join(map(worth, points)).split())


@pytest.mark.parametrize("flag", list(Flag))
@pytest.mark.parametrize("quality", [Quality.FLAGGED, Quality.VOID, Quality.OVER_LIMIT])
@pytest.mark.parametrize("ended_by", ["predicted", "time_up"])
def test_no_word_is_broken_and_each_point_as_they_are_bears_its_number(made, quality, flag, ended_by):
    left_k = -0.33 if ended_by == "predicted" else None
    flagged = made(
        1000.0,
        37.04,
        73.45,
        **USUAL,
        point=13,
        quality=quality,
        flags=(flag,),
        ended_by=ended_by,
        extrapolated_k=left_k,
    )
    good = made(1000.0, 37.04, 73.45, **USUAL, point=12, extrapolated_k=0.21)
    for points in ([flagged], [good, flagged], [replace(good, pump_pct=60.0), flagged]):
        text = printed(points_lines(points))
        assert max(map(len, text.splitlines())) <= 80
        assert {"13"} <= {row[0].split()[0] for row in rows(text)}
        assert set(worth(flagged).split()) <= set(last_column(text))


def test_a_point_as_they_are_keeps_its_words_whole(made):
    usual = made(1000.0, 37.04, 73.45, **{**USUAL, "soak_s": 240 * 60.0}, quality=Quality.VOID, flags=tuple(Flag))
    text = printed(points_lines([usual]))
    assert max(map(len, text.splitlines())) <= 80
    assert all(word in text for flag in Flag for word in str(flag).split("_"))


def test_how_its_soak_ended_stands_with_each_point(made):
    ways = ("predicted", "settled", "time_up", "over_limit")
    ended = [
        made(1.0, 37.0, 40.0, **USUAL, ended_by=way, point=at, extrapolated_k=0.1 if at < 3 else None)
        for at, way in enumerate(ways, 1)
    ]
    lines = printed(points_lines(ended)).splitlines()
    for number, way in enumerate(ways, 1):
        (row,) = [line for line in lines if line.lstrip().startswith(f"{number} ")]
        assert f" 17 {way.replace('_', ' ')}" in row
    assert not any("Behind the minutes" in line for line in lines)


def test_where_there_is_no_room_for_the_word_its_letter_is_explained(made):
    there = made(1.0, 37.0, 40.0, **USUAL, point=1, extrapolated_k=-0.02)
    early = replace(there, ended_by="predicted", point=2, pump_pct=60.0, flags=(Flag.LEVEL_MISSING,))
    text = printed(points_lines([there, early]))
    assert [row.split()[0] for row, *_ in rows(text)] == ["1", "2"]
    assert " 17 s " in text
    assert " 17 p " in text
    assert "Behind the minutes, how the soak ended: p predicted, s settled." in text


def test_each_rule_is_told_with_how_its_soaks_ended_and_of_several_at_which_points(made):
    ended = [
        ("settled to within 0.2 K", "settled"),
        ("fixed 25 min", "fixed"),
        ("settled to within 0.2 K", "time_up"),
        ("settled to within 0.2 K", "settled"),
    ]
    points = [made(1.0, 30.0, 1.0, until=until, ended_by=by, point=at) for at, (until, by) in enumerate(ended, 1)]
    nothing = made(None, None, None, soak_s=None, ended_by="not measured", quality=Quality.NOT_REACHED)
    assert rule_line([*points, nothing]) == (
        "Soaks: fixed 25 min (point 2: 1 fixed); settled to within 0.2 K (points 1, 3-4: 2 settled, 1 time up)."
    )
    assert rule_line([points[0], points[2]]) == "Soaks: settled to within 0.2 K (1 settled, 1 time up)."
    assert rule_line([nothing]) == ""


def test_of_a_predicted_end_it_is_told_how_far_the_rise_still_had_to_go(made):
    until = "predicted to within 0.2 K"
    early = made(1.0, 37.0, 40.0, until=until, ended_by="predicted", extrapolated_k=1.3049, heat_set_w=100.0)
    there = made(1.0, 37.0, 41.0, until=until, ended_by="settled", extrapolated_k=-0.02)
    hot = made(None, None, None, until=until, ended_by="over_limit", heat_set_w=300.0, quality=Quality.OVER_LIMIT)
    text = printed(points_lines([early, there, hot]))
    assert [row[-2:] for row in rows(text)] == [["+1.30", "good"], ["-0.02", "good"], ["20 over limit", "over limit"]]
    assert "Soaks: predicted to within 0.2 K (1 over limit, 1 predicted, 1 settled)." in text
    told = " ".join(text.split())
    assert "Left: how far the rise still had to go when the soak ended." in told
    assert "Where it stands, the rise shown is its predicted end, not the last reading." in told
    settled = printed(points_lines([made(1.0, 37.0, 40.0)]))
    assert "eft" not in settled


def test_a_point_measured_twice_tells_what_the_night_has_changed(made):
    points = [made(1.0, 36.0, rise, noise_set_dba=36.0, point=at) for at, rise in enumerate((40.0, 40.25), 1)]
    assert repeat_line(points) == (
        "Measured twice (200 W at 36 dBA): 40.00 K, then 40.25 K: +0.25 ±0.42 K, no meaningful difference."
    )
    assert repeat_line(points[:1]) == ""
    assert repeat_line([points[0], made(1.0, 36.0, None, noise_set_dba=36.0, quality=Quality.VOID)]) == ""


def test_what_is_told_below_the_table_fits_80_columns(made):
    ends = ("settled to within 0.2 K", "fixed 25 min", "predicted to within 0.35 K")
    points = [made(1.0, 36.0, 40.0, point=at, until=ends[at % 3], ended_by="settled") for at in range(3)]
    lines = [line for line in points_lines(points) if isinstance(line, str)]
    assert lines[-1] == "  meaningful difference."
    assert max(map(len, lines)) <= 80


@pytest.mark.parametrize(
    ("first_k", "then_k", "u_k", "says"),
    [
        (40.0, 42.0, (0.3, 0.4), "40.00 K, then 42.00 K: +2.00 ±0.50 K."),
        (42.0, 40.0, (0.3, 0.4), "42.00 K, then 40.00 K: -2.00 ±0.50 K."),
        # Unrounded it would be 0.252 K, and what is printed would not add up.
        (40.004, 40.256, (0.3, 0.4), "40.00 K, then 40.26 K: +0.26 ±0.50 K, no meaningful difference."),
        (40.0, 40.5, (0.3, 0.4), "40.00 K, then 40.50 K: +0.50 ±0.50 K, no meaningful difference."),
    ],
)
def test_the_difference_of_two_measurements_has_their_joint_uncertainty_and_adds_up(made, first_k, then_k, u_k, says):
    """Independent uncertainties add in squares, JCGM 100:2008, 5.1.2: 0.3 and 0.4 make 0.5."""
    points = [
        made(1.0, 36.0, rise_k, rise_u_k=u, point=at)
        for at, (rise_k, u) in enumerate(zip((first_k, then_k), u_k, strict=True), 1)
    ]
    assert repeat_line(points) == f"Measured twice (200 W at 50 %): {says}"


@given(st.floats(1, 90), st.floats(-3, 3), st.floats(0.01, 5), st.floats(0.01, 5))
def test_the_printed_figures_of_two_measurements_add_up(rise_k, more_k, first_u_k, then_u_k):
    values = {"heat_set_w": 200.0, "fan_pct": 50.0, "quality": Quality.GOOD}
    line = repeat_line(
        [
            PointRecord(**values, point=1, rise_k=rise_k, rise_u_k=first_u_k),
            PointRecord(**values, point=2, rise_k=rise_k + more_k, rise_u_k=then_u_k),
        ]
    )
    first, then, change, u = map(float, re.findall(r"[-+]?\d+\.\d\d", line))
    assert round(then - first, 2) == pytest.approx(change)
    assert u == pytest.approx(hypot(first_u_k, then_u_k), abs=0.006)


@pytest.mark.parametrize("other", [{"heat_set_w": 100.0}, {"fan_pct": 60.0}, {"pump_pct": 60.0}])
def test_a_point_at_another_heat_setting_or_pump_is_no_second_measurement(made, other):
    assert repeat_line([made(1.0, 36.0, 40.0, point=1), made(1.0, 36.0, 45.0, point=2, **other)]) == ""
    assert repeat_line([made(1.0, 36.0, 40.0, point=1), made(1.0, 36.0, 45.0, point=2)]) != ""


def test_a_pump_column_is_shown_only_where_it_tells_points_apart(made):
    text = printed(points_lines([made(1.0, 36.0, 40.0, pump_pct=pump) for pump in (100.0, 60.0)]))
    assert "pump" in text.splitlines()[2]
    assert sorted(row[3] for row in rows(text)) == ["100 %", "60 %"]
    assert max(map(len, text.splitlines())) <= 80
    same = printed(points_lines([made(1.0, 36.0, 40.0, fan_pct=fan, pump_pct=60.0) for fan in (50.0, 80.0)]))
    assert "pump" not in same
    assert "60 %" not in same


# --- side by side


def compared(books, made, names, heats, level_dba, *, better_k=0.0, background=20.0):
    speeds = (600.0, 1000.0, 1600.0)
    runs = []
    for at, name in enumerate(names):
        points = [
            made(rpm, 40 + 50 * log10(rpm / 1000), 40 - at * better_k - 10 * log10(rpm / 1000), heat_set_w=w, heat_w=w)
            for w in heats
            for rpm in speeds
        ]
        runs.append(books.enter(name, points, background=background))
    with queries.reader(books.path) as connection:
        return equal_noise(connection, [queries.run(connection, run) for run in runs], level_dba)


def test_side_by_side_says_level_floor_and_every_difference(books, made):
    text = printed(comparison_lines(compared(books, made, ["brook 2x120", "brook 2x140"], [100.0], 40.0, better_k=2)))
    assert text.startswith("At equal noise, 40.0 dBA over 20.0 (their median background):")
    assert "simulated" not in text
    assert "brook 2x140 less brook 2x120 at 100 W: -2.00 ±" in text
    assert "no meaningful difference" not in text


def test_no_meaningful_difference_is_said(books, made):
    text = printed(comparison_lines(compared(books, made, ["brook 2x120", "brook 2x140"], [100.0], 40.0, better_k=0.1)))
    assert "-0.10 ±" in text
    assert text.rstrip().endswith("K, no meaningful difference")


def test_a_specimen_that_does_not_reach_the_level_has_no_difference(books, made):
    text = printed(comparison_lines(compared(books, made, ["brook 2x120", "brook 2x140"], [100.0], 60.0)))
    assert text.count("not reached:") == 2
    assert "against" not in text


def test_an_upper_bound_is_marked_and_explained(books, made):
    text = printed(comparison_lines(compared(books, made, ["brook 2x120"], [100.0], 39.5, background=38.5)))
    assert "* too close to the background to be told from it: the rise is an upper bound" in " ".join(text.split())
    marked = [line for line in text.splitlines() if line.strip().startswith("brook")]
    assert [line.rstrip()[-1] for line in marked] == ["*"]


@pytest.mark.parametrize("level_dba", [40.0, 60.0])
@pytest.mark.parametrize("number", [1, 3, 4, 5, 9])
@pytest.mark.parametrize("name", ["brook 2x140", "a specimen with a name that is as long as names of specimens may be"])
def test_all_heat_loads_fit_80_columns_and_none_is_lost(books, made, number, name, level_dba):
    heats = [1000.0 + 11 * at for at in range(number)]
    result = compared(books, made, [name], heats, level_dba)
    text = printed(comparison_lines(result))
    _, *table = text.splitlines()
    assert max(map(len, table)) <= 80
    assert "…" not in text
    assert all(f"{heat:g} W" in text for heat in heats)
    if level_dba == 40.0:
        (row,) = result.rows
        for cell in row.cells:
            assert f"{cell.rise.value:.2f} ±{cell.rise.expanded:.2f}" in text
    else:
        assert text.count("not reached:") == number


def test_a_run_without_a_background_says_so_in_its_place(books, made):
    speeds = (600.0, 1000.0, 1600.0)
    points = [made(rpm, 40 + 50 * log10(rpm / 1000), 40.0) for rpm in speeds]
    runs = [books.enter("brook 2x120", points, background=20.0), books.enter("brook 2x140", points, background=None)]
    with queries.reader(books.path) as connection:
        result = equal_noise(connection, [queries.run(connection, run) for run in runs], 40.0)
    text = printed(comparison_lines(result))
    assert "no background was measured in this run" in " ".join(text.replace("brook 2x140 (run 2)", "").split())
    assert "against" not in text


def test_points_at_another_pump_setting_are_left_out_and_that_is_said(books, made):
    speeds = (600.0, 1000.0, 1600.0)
    usual = [made(rpm, 40 + 50 * log10(rpm / 1000), 40.0, pump_pct=60.0) for rpm in speeds]
    faster = [made(rpm, 44 + 50 * log10(rpm / 1000), 20.0, pump_pct=100.0) for rpm in speeds[:2]]
    runs = [books.enter("brook 2x120", usual + faster), books.enter("brook 2x140", usual)]
    with queries.reader(books.path) as connection:
        result = equal_noise(connection, [queries.run(connection, run) for run in runs], 40.0)
    assert [row.left_out for row in result.rows] == [2, 0]
    remarks = [line for line in printed(comparison_lines(result)).splitlines() if "left out" in line]
    assert remarks == ["brook 2x120 (run 1): points at pump 60 %, 2 others left out"]
