"""`benchd results --point N --why` and `--figure`: the soak of one point, explained from its recorded samples."""

from __future__ import annotations

import json
import re
import sqlite3
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import pytest

from benchd.running.soak_again import soak_again
from benchd.store import queries

STEPS = """
[[steps]]
kind = "soak"
heat_w = [100]
fan_pct = [60]
pump_pct = 60
equilibrium = { until = "predicted", within_k = 0.5, at_most_min = 40 }
read_min = 1

[[steps]]
kind = "soak"
name = "habit"
heat_w = [100]
fan_pct = [60]
pump_pct = 60
equilibrium = { for_min = 6 }
read_min = 1

[[steps]]
kind = "soak"
name = "hot"
heat_w = [290]
fan_pct = [40]
pump_pct = 100
equilibrium = { until = "predicted", within_k = 1, at_most_min = 40 }
read_min = 1
cool_down = "to_within_k"
to_within_k = 3
cool_at_most_min = 40
"""


def replayed(folder: Path, head: str, specimen: str) -> Path:
    """The steps above on a processor whose sensor shows whole degrees."""
    protocol, db = folder / "steps.toml", folder / "steps.db"
    protocol.write_text(f'protocol = "steps"\nabout = "three soaks"\n{head}\n{STEPS}')
    bench = ["--bench", "simulated_processor", "--specimen", specimen, "--db", str(db)]
    subprocess.run(
        [sys.executable, "-m", "benchd", "replay", str(protocol), *bench], capture_output=True, timeout=60, check=True
    )
    return db


@pytest.fixture(scope="module")
def limited(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three soaks, the last of them over its limit."""
    return replayed(tmp_path_factory.mktemp("limited"), "[limits]\nover_limit_c = 70\n", "brook 2x120")


@pytest.fixture(scope="module")
def throttled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same without a limit, on a cooler that the last of them is too much for."""
    return replayed(tmp_path_factory.mktemp("throttled"), "", "brook 1x120")


def facts(out: str) -> dict[str, str]:
    """The rows above the verdicts by their label, each on one line."""
    rows: dict[str, str] = {}
    label = ""
    for line in out.split("\n\n")[0].splitlines()[1:]:
        label = line[2:14].strip() or label
        rows[label] = f"{rows.get(label, '')} {line[14:].strip()}".strip()
    return rows


def verdicts(out: str) -> list[str]:
    """The rows of the verdicts, each on one line."""
    rows: list[str] = []
    for line in out.split("\n\n")[1].splitlines()[1:]:
        if line[:40].strip():
            rows.append(line)
        else:
            rows[-1] += f" {line.strip()}"
    return rows


def point(benchd, night, number=1, run=1):
    points = json.loads(benchd("results", run, "--json", "--db", night).out)
    return next(one for one in points if one["point"] == number)


def test_only_the_point_of_that_number(benchd, night):
    (one,) = json.loads(benchd("results", 1, "--point", 3, "--json", "--db", night).out)
    assert one["point"] == 3


def test_the_account_says_what_the_run_had_said(benchd, night):
    """Fed the same samples the detector says the same: by that the point was ended and its mean was judged."""
    said = json.loads(benchd("results", 1, "--point", 2, "--why", "--json", "--db", night).out)
    recorded = point(benchd, night, 2)
    assert said["until"] == recorded["until"]
    assert said["ended_by"] == recorded["ended_by"] == "settled"
    assert said["state"] == "settled"
    assert said["soak_s"] == recorded["soak_s"]
    assert said["half_width_k"] <= said["within_k"] == 2
    assert said["final_k"] == pytest.approx(recorded["rise_k"], abs=said["within_k"])
    assert said["curve"]["samples"] > 100
    assert said["curve"]["noise_sd_k"] == pytest.approx(0.06, rel=0.3)
    assert len(said["curve"]["tau_s"]) == 2
    times = [one["t_s"] for one in said["verdicts"]]
    assert times == sorted(times)
    assert times[0] == 0
    assert said["verdicts"][0]["state"] == "settling"
    assert said["verdicts"][-1]["state"] == "settled"


def test_a_person_reads_it_on_80_columns(benchd, night):
    told = benchd("results", 1, "--point", 2, "--why", "--db", night)
    assert (told.status, told.err) == (0, "")
    lines = told.out.splitlines()
    assert max(map(len, lines)) <= 80
    assert lines[0] == "Point 2 of run 1: brook 2x120, 100 W at 80 %, simulated"
    rows = facts(told.out)
    for label in ("asked", "worth", "ended", "end", "left", "in table", "curve", "noise", "fit", "tested", "air"):
        assert rows[label], label
    assert re.fullmatch(r"\d\d\.\d\d ±\d\.\d\d K at 100 W", rows["end"])
    assert re.fullmatch(r"[+-]\d\.\d\d K: the end less the rise that it had come to", rows["left"])
    assert "..." not in told.out
    assert re.search(r"(?m)^ +\d\.\d  settled +\d\d\.\d\d ±\d\.\d\d K +within 2 K of its end$", told.out)


def test_left_is_the_same_in_the_table_and_in_both_accounts(benchd, limited):
    told = benchd("results", 1, "--point", 1, "--why", "--db", limited).out
    said = json.loads(benchd("results", 1, "--point", 1, "--why", "--json", "--db", limited).out)
    recorded = point(benchd, limited)
    assert recorded["extrapolated_k"] == pytest.approx(said["left_k"])
    assert f"{said['left_k']:+.2f} K" in facts(told)["left"]
    assert f"{said['left_k']:+.2f}" in benchd("results", 1, "--point", 1, "--db", limited).out
    # It had still to come nearer from below or above, which the samples show.
    assert abs(said["left_k"]) <= 5


def test_why_the_table_has_another_figure_is_said(benchd, limited):
    """The processor takes less than it is told: the end is told for what it was told, the table for what it took."""
    for number, words in ((1, "this end at the"), (2, "the mean of the last 1 min at the")):
        rows = facts(benchd("results", 1, "--point", number, "--why", "--db", limited).out)
        recorded = point(benchd, limited, number)
        rise = f"{recorded['rise_k']:.2f} ±{recorded['rise_u_k']:.2f} K"
        assert rows["in table"].startswith(f"{rise}: {words} {recorded['heat_w']:.1f} W that were measured")
        assert " K at 100 W" in rows["end"]
    said = json.loads(benchd("results", 1, "--point", 1, "--why", "--json", "--db", limited).out)
    share = point(benchd, limited)["heat_w"] / 100
    assert said["final_k"] * share == pytest.approx(said["rise_k"], abs=1e-6)


def test_a_fixed_soak_says_by_what_it_is_judged(benchd, limited):
    asked = facts(benchd("results", 1, "--point", 2, "--why", "--db", limited).out)["asked"]
    assert asked.startswith("fixed 6 min below, it is judged as if asked to within 0.2 K at 95 %;")
    assert not asked.endswith(":")


@pytest.mark.parametrize("number", [1, 2, 3])
def test_every_line_of_every_account_fits_and_none_is_cut(benchd, limited, throttled, number):
    for db in (limited, throttled):
        told = benchd("results", 1, "--point", number, "--why", "--db", db).out
        assert max(map(len, told.splitlines())) <= 80
        assert "..." not in told.replace("   ... ", "")


@pytest.mark.parametrize("number", [1, 2])
def test_no_line_hides_how_the_half_width_went_nor_tells_two(benchd, limited, number):
    said = json.loads(benchd("results", 1, "--point", number, "--why", "--json", "--db", limited).out)
    rows = verdicts(benchd("results", 1, "--point", number, "--why", "--db", limited).out)
    told = said["verdicts"]
    if len(rows) == len(told):
        for row, one, after in zip(rows, told, [*told[1:], told[-1]], strict=True):
            if one["half_width_k"] is None:
                continue
            width = f"±{one['half_width_k']:.2f} K"
            assert row.count("±") == (3 if " then ±" in row else 1)
            assert width in row
            shown = [one["half_width_k"], after["half_width_k"] or one["half_width_k"]]
            if one["most_half_width_k"] > 1.15 * max(shown) or one["least_half_width_k"] < min(shown) / 1.15:
                assert f"then ±{one['least_half_width_k']:.2f} to ±{one['most_half_width_k']:.2f} K" in row
    assert any(one["reason"] == "its end is not known yet" for one in told)


@pytest.mark.parametrize("number", [1, 2, 3])
def test_from_one_verdict_to_the_next_the_end_stays_what_its_line_says(limited, number):
    with queries.reader(limited) as connection:
        soak = soak_again(connection, 1, number)
    changes = soak.changes()
    assert len(changes) >= 2
    for at, after in pairwise([*changes, len(soak.seen)]):
        told = soak.seen[at]
        for one in soak.seen[at:after]:
            assert (one.state, one.is_known) == (told.state, told.is_known)
            if one.is_known:
                assert abs(one.final_k - told.final_k) <= told.half_width_k
                assert 0.5 < one.half_width_k / told.half_width_k < 2


def test_a_point_over_its_limit_says_which_and_what_load_would_be_held(benchd, limited, tmp_path):
    assert point(benchd, limited, 3)["quality"] == "over_limit"
    rows = facts(benchd("results", 1, "--point", 3, "--why", "--db", limited).out)
    found = re.fullmatch(
        r"over limit(?:: [a-z, ]+)? die (?:at|would end at) [\d.]+ (?:±\d+ )?degC, limit 70 degC; "
        r"(?:less than )?about (\d+) W would (?:just )?be held: broken off, so no rise is told",
        rows["worth"],
    )
    assert found, rows["worth"]
    assert 100 < int(found[1]) < 290
    assert "in table" not in rows
    said = json.loads(benchd("results", 1, "--point", 3, "--why", "--json", "--db", limited).out)
    assert (said["over_limit_c"], said["simulated"], said["rise_k"]) == (70, True, None)
    assert "limit 70 degC" in said["ended_because"]
    benchd("results", 1, "--point", 3, "--figure", tmp_path / "over.svg", "--db", limited)
    assert "limit of the die, 70 degC" in words_of(tmp_path / "over.svg")


def test_a_throttled_point_says_what_the_load_gave_and_that_its_end_counts_for_nothing(benchd, throttled):
    recorded = point(benchd, throttled, 3)
    assert recorded["quality"] == "void"
    rows = facts(benchd("results", 1, "--point", 3, "--why", "--db", throttled).out)
    assert rows["worth"].startswith("void: ")
    assert rows["worth"].endswith(
        f"the load throttled: it gave {recorded['heat_w']:.1f} of 290 W "
        "the end below is scaled to 290 W and is none of the cooler's"
    )


def test_which_run_is_meant_must_be_said(benchd, night):
    told = benchd("results", "--point", 2, "--why", "--db", night)
    assert told.status == 2
    assert "point 2: of which run?" in told.err
    assert "benchd results 1 --point 2" in told.err


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["1", "--why"], "--why and --figure go with --point N"),
        (["1", "--point", "1", "--at-dba", "40"], "--point shows one point"),
        (["1", "--point", "0", "--why"], "0 is not in the range"),
    ],
)
def test_what_does_not_go_together_is_refused(benchd, night, options, words):
    told = benchd("results", *options, "--db", night)
    assert told.status == 2
    assert words in told.err


def test_a_point_that_is_not_there(benchd, night):
    told = benchd("results", 1, "--point", 9, "--why", "--db", night)
    assert told.status == 2
    assert "run 1 has no point 9" in told.err
    assert "it has points 1 to 4" in told.err


def test_a_point_whose_samples_are_gone(benchd, night, tmp_path):
    copy = tmp_path / "copy.db"
    copy.write_bytes(Path(night).read_bytes())
    with sqlite3.connect(copy) as connection:
        connection.execute("DELETE FROM sample")
    connection.close()
    told = benchd("results", 1, "--point", 2, "--why", "--db", copy)
    assert told.status == 2
    assert "no samples of point 2 of run 1" in told.err


def test_a_figure_of_the_soak(benchd, night, tmp_path):
    files = [tmp_path / "one.svg", tmp_path / "two.svg"]
    for file in files:
        told = benchd("results", 1, "--point", 2, "--figure", file, "--db", night)
        assert (told.status, told.out) == (0, "")
        assert f"drawn: {file}" in told.err
    assert files[0].read_bytes() == files[1].read_bytes()
    drawn = ElementTree.fromstring(files[0].read_text())
    # As wide as the page that shows it.
    assert drawn.get("width") == "100%"
    assert drawn.get("height") is None
    assert drawn.get("viewBox")
    words = words_of(files[0])
    for word in (
        "rise over ambient [K]",
        "time since the soak began [min]",
        "half width [K]",
        "likeliest curve",
        "settled",
    ):
        assert word in words
    assert "Point 2 of run 1: brook 2x120, 100 W at 80 %, simulated" in words


def words_of(file: Path) -> str:
    """What a figure says."""
    drawn = ElementTree.fromstring(file.read_text())
    return " ".join("".join(one.itertext()) for one in drawn.iter("{http://www.w3.org/2000/svg}text"))


def test_the_marks_of_what_was_set_aside_stand_in_the_legend(benchd, limited, tmp_path):
    for number in (1, 2, 3):
        file = tmp_path / f"{number}.svg"
        benchd("results", 1, "--point", number, "--figure", file, "--db", limited)
        said = json.loads(benchd("results", 1, "--point", number, "--why", "--json", "--db", limited).out)
        assert ("something set aside" in words_of(file)) is bool(said["set_aside"])


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("soak.png", "a figure is written as SVG"),
        ("soak", "name a file that ends in .svg: soak.svg"),
        ("", "a file has to be named"),
    ],
)
def test_a_figure_is_written_to_an_svg_only(benchd, night, tmp_path, monkeypatch, name, says):
    monkeypatch.chdir(tmp_path)
    told = benchd("results", 1, "--point", 2, "--figure", name, "--db", night)
    assert told.status == 2
    assert says in told.err
    assert list(tmp_path.iterdir()) == []


def test_a_figure_that_cannot_be_written(benchd, night, tmp_path):
    told = benchd("results", 1, "--point", 2, "--figure", tmp_path / "none" / "f.svg", "--db", night)
    assert told.status == 2
    assert "cannot be written" in told.err
