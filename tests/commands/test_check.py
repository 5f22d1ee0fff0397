"""`benchd check`: what ships has nothing wrong; what is wrong is named with file, line, column and reason."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

import benchd as benchd_package
import protocols

PROTOCOLS = sorted(path.stem for path in Path(protocols.__file__).parent.glob("*.toml"))
BENCHES = sorted(path.stem for path in (Path(benchd_package.__file__).parent / "benches").glob("*.toml"))
GOOD = """\
protocol = "mine"
[limits]
over_limit_c = 90
[[steps]]
kind = "soak"
heat_w = [100]
fan_pct = [50]
pump_pct = 100
equilibrium = { within_k = 1, at_most_min = 4 }
read_min = 1
"""


TWO = GOOD.replace("[50]", "[50, 80]")
#: The keys of a rehearsal that tell what to think over.
LATER = ("unreached", "time_up", "cool_downs")


@pytest.fixture
def mine(tmp_path: Path) -> Path:
    return tmp_path / "mine.toml"


@pytest.mark.parametrize("name", [*PROTOCOLS, *BENCHES])
def test_everything_that_ships_has_nothing_wrong(benchd, name):
    told = benchd("check", name)
    assert (told.status, told.err) == (0, "")
    assert "nothing wrong" in told.out


@pytest.mark.parametrize("name", PROTOCOLS)
def test_json_names_the_steps(benchd, name):
    told = benchd("check", name, "--json")
    said = json.loads(told.out)
    assert list(said) == ["file", "protocol", "steps", "rehearsals"]
    assert said["protocol"] == name
    assert said["steps"]
    assert said["rehearsals"] == []


def test_json_of_a_bench_names_what_it_has(benchd):
    said = json.loads(benchd("check", "simulated", "--json").out)
    assert list(said) == ["file", "bench", "instruments", "channels", "setpoints", "interlocks", "cautions"]
    assert said["setpoints"] == ["fan_pct", "heat_w", "pump_pct"]
    assert "die_c above 95 degC for 3 s" in said["interlocks"]


def test_what_asks_a_person_is_rehearsed_as_if_somebody_answered_at_once(benchd, mine):
    asks = '[[steps]]\nkind = "confirm"\nask = "is it on?"\nat_most_min = 600\nlater = false\n'
    mine.write_text(GOOD.replace("[[steps]]", asks + "[[steps]]", 1))
    told = benchd("check", mine, "--bench", "simulated", "--specimen", "brook 2x140")
    assert (told.status, told.err) == (0, "")
    assert re.search(r"complete after [0-9:]+ min", told.out)


def test_a_mount_check_without_the_sensor_it_needs_is_wrong_input_and_the_channel_is_named(benchd):
    told = benchd("check", "mount_check", "--bench", "simulated", "--specimen", "slate tower")
    assert (told.status, told.out) == (2, "")
    assert 'a mount check needs channel fin_c, which bench "simulated" does not have' in told.err


def test_with_a_bench_the_protocol_is_rehearsed(benchd, own_folders):
    told = benchd("check", "quick", "--bench", "simulated")
    assert (told.status, told.err) == (0, "")
    assert "bench simulated can play it" in told.out
    for specimen in ("brook 2x120", "brook 2x140"):
        assert f"{specimen} (simulated): complete after " in told.out
    assert told.out.count("at most: die_c ") == 2
    assert max(map(len, told.out.splitlines()[1:])) <= 80
    assert not (own_folders / "data").exists(), "a rehearsal for a check is not kept"


def test_what_cannot_be_reached_is_told_beforehand(benchd, mine):
    mine.write_text(GOOD.replace("over_limit_c = 90", "over_limit_c = 30"))
    words = ("check", mine, "--bench", "simulated", "--specimen", "brook 1x120")
    told = benchd(*words)
    assert told.status == 0
    assert "100 W at 50 %: over limit" in told.out
    (rehearsal,) = json.loads(benchd(*words, "--json").out)["rehearsals"]
    assert list(rehearsal) == ["specimen", "state", "reason", "bench_s", "points", "peaks_c", *LATER]
    assert rehearsal["unreached"] == ["100 W at 50 %: over limit"]
    assert rehearsal["time_up"] == []


def late_of(benchd, mine: Path) -> tuple[list[str], str]:
    words = ("check", mine, "--bench", "simulated", "--specimen", "brook 2x140")
    told, (rehearsal,) = benchd(*words), json.loads(benchd(*words, "--json").out)["rehearsals"]
    assert (told.status, told.err) == (0, "")
    assert max(map(len, told.out.splitlines()[1:])) <= 80
    return rehearsal["time_up"], " ".join(told.out.split())


def test_points_that_would_not_settle_and_cool_downs_that_run_into_their_limit_are_told(benchd, mine):
    tight = GOOD.replace("within_k = 1, at_most_min = 4", "within_k = 0.05, at_most_min = 3").replace(
        "[50]", "[50, 80]"
    )
    mine.write_text(f'{tight}cool_down = "to_within_k"\nto_within_k = 0.01\ncool_at_most_min = 2\n')
    late, told = late_of(benchd, mine)
    assert late == [
        "2 of 2 cool-downs would still be over 0.01 K after 2 min",
        "2 of 2 points would not be settled to within 0.05 K in 3 min",
    ]
    assert all(sentence in told for sentence in late)


def test_of_points_some_of_which_settle_in_time_the_others_are_named(benchd, mine):
    loose = "{ within_k = 2, slow_tail_k = 1, at_most_min = 4 }"
    mine.write_text(GOOD.replace("{ within_k = 1, at_most_min = 4 }", loose).replace("[50]", "[40, 80]"))
    late, told = late_of(benchd, mine)
    assert late == ["1 of 2 points would not be settled to within 2 K in 4 min: 100 W at fans 40 %"]
    assert late[0] in told


def test_settings_of_a_pump_sweep_that_would_not_settle_are_told(benchd, mine):
    mine.write_text(
        'protocol = "mine"\n[[steps]]\nkind = "pump_sweep"\nheat_w = 100\npump_pct = [100, 50]\nloses_k = 1\n'
        "read_min = 1\nequilibrium = { within_k = 0.05, at_most_min = 3 }\n"
    )
    late, told = late_of(benchd, mine)
    assert late == ["2 of 2 pump_sweep settings would not be settled to within 0.05 K in 3 min"]
    assert late[0] in told


# What each way to cool down costs

#: A step's first tick comes one after the last of the step before it.
TICK_S = 1.0


def costs_of(benchd, mine: Path, bench: object = "simulated") -> list[dict]:
    told = benchd("check", mine, "--bench", bench, "--specimen", "brook 2x120", "--json")
    assert (told.status, told.err) == (0, "")
    (rehearsal,) = json.loads(told.out)["rehearsals"]
    return rehearsal["cool_downs"]


def test_each_way_to_cool_down_is_rehearsed_and_what_it_costs_is_told(benchd, mine):
    mine.write_text(TWO)
    none, within, fixed = costs_of(benchd, mine)
    assert list(none) == [
        "cool_down",
        "chosen",
        "cool_for_min",
        "to_within_k",
        "cool_at_most_min",
        "taken",
        "state",
        "reason",
        "bench_s",
        "cooling_s",
    ]
    ways = ("none", "to_within_k", "fixed")
    assert [(one["cool_down"], one["state"]) for one in (none, within, fixed)] == [(way, "complete") for way in ways]
    assert [one["chosen"] for one in (none, within, fixed)] == [True, False, False]
    assert [
        (one["taken"], one["cool_for_min"], one["to_within_k"], one["cool_at_most_min"]) for one in (none, within)
    ] == [
        (False, None, None, None),
        (True, None, 2, 30),
    ]
    assert (fixed["taken"], fixed["cool_for_min"]) == (True, 25)
    # Two points, 25 minutes before each; the soaks themselves take a few.
    assert (none["cooling_s"], fixed["cooling_s"]) == (0, pytest.approx(2 * 25 * 60, abs=2 * TICK_S))
    assert 0 < within["cooling_s"] < 30 * 60
    for one in (within, fixed):
        assert abs(one["bench_s"] - one["cooling_s"] - none["bench_s"]) < 300


def test_a_way_that_the_protocol_chose_has_its_own_figures_and_is_the_main_rehearsal(benchd, mine):
    mine.write_text(TWO + 'cool_down = "fixed"\ncool_for_min = 3\n')
    told = benchd("check", mine, "--bench", "simulated", "--specimen", "brook 2x120")
    assert (told.status, told.err) == (0, "")
    assert max(map(len, told.out.splitlines()[1:])) <= 80
    (lasted,) = re.findall(r"complete after (.+)", told.out)
    assert re.search(rf'^      "fixed", 3 min \(chosen\) +{lasted} +6:0[0-2] min$', told.out, re.MULTILINE)
    assert re.search(r'^      "none" +[0-9:]+ min +0:00 min$', told.out, re.MULTILINE)
    assert re.search(r'^      "to_within_k", 2 K or 30 min \* +[0-9:]+ min', told.out, re.MULTILINE)
    assert "      * the protocol gives no figures for it: taken as is usual\n" in told.out


def test_soaks_that_cool_down_in_different_ways_choose_none_of_them(benchd, mine):
    second = TWO[TWO.index("[[steps]]") :].replace('"soak"', '"soak"\nname = "more"')
    mine.write_text(TWO + 'cool_down = "fixed"\ncool_for_min = 3\n' + second)
    none, within, fixed = costs_of(benchd, mine)
    assert [one["chosen"] for one in (none, within, fixed)] == [False] * 3
    assert (fixed["cool_for_min"], fixed["taken"]) == (3, False)
    assert fixed["cooling_s"] == pytest.approx(4 * 3 * 60, abs=4 * TICK_S)
    assert (none["cooling_s"], within["taken"]) == (0, True)


def test_a_way_that_the_bench_cannot_go_is_told_and_spoils_nothing(benchd, mine, tmp_path):
    slow = tmp_path / "slow.toml"
    text = (Path(benchd_package.__file__).parent / "benches" / "simulated.toml").read_text()
    slow.write_text(
        text.replace('target = "pump"\nrange = [0, 100]\nsafe = 100', 'target = "pump"\nrange = [0, 80]\nsafe = 80')
    )
    mine.write_text(TWO.replace("pump_pct = 100", "pump_pct = 80"))
    none, within, fixed = costs_of(benchd, mine, slow)
    assert (none["state"], within["state"], fixed["state"]) == ("complete", "refused", "refused")
    assert (fixed["bench_s"], fixed["cooling_s"]) == (None, None)
    assert fixed["reason"].startswith('pump_pct must be 0 to 80 on bench "simulated", got 100 [%]: a cool-down runs')
    told = benchd("check", mine, "--bench", slow, "--specimen", "brook 2x120")
    assert told.status == 0
    assert re.search(r'^      "fixed", 25 min \* +not on this bench$', told.out, re.MULTILINE)
    assert told.out.count("not on this bench: pump_pct must be 0 to 80 on bench") == 1
    assert max(map(len, told.out.splitlines()[1:])) <= 80


def test_a_protocol_without_test_points_is_rehearsed_once(benchd):
    told = benchd("check", "fan_sweep", "--bench", "simulated", "--specimen", "brook 2x120")
    assert told.status == 0
    assert "cool_down" not in told.out


def test_the_samples_of_a_rehearsal_for_a_check_are_the_same_with_the_same_seed(benchd):
    words = ("check", "quick", "--bench", "simulated", "--json", "--specimen", "brook 2x120", "--seed")
    first, again, other = (benchd(*words, seed).out for seed in (3, 3, 4))
    assert first == again != other


WRONG = {
    "misspelt key": (("heat_w", "haet_w"), "6:1: steps.1 (soak).haet_w: ", "heat_w"),
    "negative watts": (("heat_w = [100]", "heat_w = [-100]"), "6:11: steps.1 (soak).heat_w.1: ", "above 0"),
    "not a number": (("heat_w = [100]", "heat_w = [nan]"), "6:11: ", "number"),
    "infinite": (("within_k = 1,", "within_k = inf,"), "9:28: ", "number"),
    "a text for a number": (("read_min = 1", 'read_min = "1"'), "10:12: ", "number"),
    "a number for a list": (("heat_w = [100]", "heat_w = 100"), "6:10: ", "list"),
    "a kind that is none": (('"soak"', '"sook"'), "5:8: ", "soak"),
    "no equal sign": (("read_min = 1", "read_min"), "10:9: ", "="),
    "a comma for a point": (("read_min = 1", "read_min = 0,5"), "10:13: ", "a number takes a point"),
    "no steps": (("[[steps]]", "[[stages]]"), "4:3: ", "steps"),
    "twice": (("read_min = 1", "read_min = 1\nread_min = 2"), "11:1: ", "second time"),
}


@pytest.mark.parametrize("mistake", WRONG)
def test_a_mistake_is_named_with_its_place_and_what_is_allowed(benchd, mine, mistake):
    (good, bad), place, allowed = WRONG[mistake]
    mine.write_text(GOOD.replace(good, bad))
    told = benchd("check", mine)
    assert (told.status, told.out) == (2, "")
    assert f"{mine}:{place}" in told.err
    assert allowed in told.err


def test_all_mistakes_are_named_at_once_in_the_order_of_the_file(benchd, mine):
    mine.write_text(GOOD.replace("[100]", "[-1]").replace("[50]", "[150]").replace("read_min = 1", "read_mim = 1"))
    lines = benchd("check", mine).err.splitlines()
    assert [line.removeprefix(f"{mine}:").partition(":")[0] for line in lines] == ["6", "7", "10"]


def test_a_mistake_between_protocol_and_bench_has_its_place_too(benchd, mine):
    mine.write_text(GOOD.replace("over_limit_c = 90", "over_limit_c = 120").replace("[100]", "[500]"))
    told = benchd("check", mine, "--bench", "simulated")
    assert told.status == 2
    assert f'{mine}:3:16: limits.over_limit_c: must be below the interlock "die_c above 95 degC"' in told.err
    assert f'{mine}:6:11: steps.1 (soak).heat_w.1: must be 0 to 300 on bench "simulated", got 500 [W]' in told.err


@pytest.mark.parametrize("command", ["check", "replay"])
@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "the file is empty"),
        (b" \n\n", "the file is empty"),
        (bytes(range(256)) * 20, ":2:118: not UTF-8 text: byte 0x80; save the file as UTF-8"),
        (b"\x7fELF" + bytes(2000), ":1:5: not a text file: a zero byte stands here"),
        (b"\xef\xbb\xbf", "the file is empty"),
        (b"words and words and words\n" * 400_000, "MB"),
        (b"a = 1\n", "neither a protocol nor a bench file"),
        (b"a = " + b"[" * 5000, "nested too deeply"),
    ],
)
def test_files_that_are_none(benchd, tmp_path, mine, command, content, said):
    mine.write_bytes(content)
    told = benchd(command, mine, *(() if command == "check" else ("--db", tmp_path / "x.db")))
    assert (told.status, told.out) == (2, "")
    assert str(mine) in told.err
    assert len(told.err) < 5000
    if command == "check":
        assert said in told.err
    assert not (tmp_path / "x.db").exists()


@pytest.mark.parametrize(
    ("path", "said"),
    [(".", "there is no protocol named '.'"), ("./", "is a folder"), ("/dev/null", "is not a plain file")],
)
def test_paths_that_are_no_files(benchd, path, said):
    told = benchd("check", path)
    assert (told.status, told.out) == (2, "")
    assert said in told.err


def test_the_own_file_comes_before_the_shipped_one_and_that_is_said(benchd, own_folders):
    own = own_folders / "config" / "benchd" / "protocols" / "quick.toml"
    own.parent.mkdir(parents=True)
    own.write_text(GOOD)
    told = benchd("check", "quick")
    assert told.status == 0
    assert f"benchd: protocol quick: your own file {own}, not the shipped one" in told.err
    assert "protocol mine: nothing wrong" in told.out


def test_a_bench_is_not_checked_against_a_bench(benchd):
    told = benchd("check", "simulated", "--bench", "simulated")
    assert told.status == 2
    assert "--bench goes with a protocol" in told.err
