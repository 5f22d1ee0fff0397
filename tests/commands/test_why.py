"""`benchd results --point N --why` and `--figure`: the soak of one point, explained from its recorded samples."""

from __future__ import annotations

import json
import re
import sqlite3
from pathlib import Path
from xml.etree import ElementTree

import pytest


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
    assert lines[0] == "Point 2 of run 1: brook 2x120, 100 W at 80 %"
    for label in ("asked", "ended", "end", "curve", "noise", "fit", "held", "air"):
        assert any(line.startswith(f"  {label} ") for line in lines), label
    assert re.search(r"(?m)^  end +\d\d\.\d\d ±\d\.\d\d K; the rise had [+-]\d\.\d\d K to go$", told.out)
    assert re.search(r"(?m)^ +\d\.\d  settled +\d\d\.\d\d ±\d\.\d\d K +within 2 K of its end$", told.out)


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
    words = " ".join("".join(one.itertext()) for one in drawn.iter("{http://www.w3.org/2000/svg}text"))
    for word in (
        "rise over ambient [K]",
        "time since the soak began [min]",
        "half width [K]",
        "likeliest curve",
        "settled",
    ):
        assert word in words
    assert "Point 2 of run 1: brook 2x120, 100 W at 80 %" in words


def test_a_figure_that_cannot_be_written(benchd, night, tmp_path):
    told = benchd("results", 1, "--point", 2, "--figure", tmp_path / "none" / "f.svg", "--db", night)
    assert told.status == 2
    assert "cannot be written" in told.err
