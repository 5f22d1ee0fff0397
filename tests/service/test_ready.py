"""The list before going home: each item in each verdict, from facts; the words a person acts by."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest

from benchd.bench_file import BenchFile, load_bench
from benchd.named_files import find_bench, find_protocol
from benchd.protocol_file import Protocol, parse_protocol
from benchd.service.ready import readiness
from benchd.service.ready_facts import Asking, Background, Facts, MountTried, Standing, Window
from benchd.service.ready_item import Item, Verdict

NOW = datetime.fromisoformat("2026-11-25T18:00:00+01:00")
QUIET_NIGHT = Window(fits=True, words="the quiet part, 21:58 to 05:40, lies in 22:00-06:00")


def bench(**changes: object) -> BenchFile:
    found = find_bench("simulated")
    return load_bench(found.text, found.file).bench.model_copy(update=changes)


def shipped(name: str) -> Protocol:
    found = find_protocol(name)
    return parse_protocol(found.text, found.file)


BENCH, OVERNIGHT = bench(), shipped("overnight")
SILENT_PROTOCOL = parse_protocol(
    'protocol = "warm"\n[[steps]]\nkind = "dwell"\nfor_min = 10\nheat_w = 60\nfan_pct = 50\n', "warm.toml"
)
COLD_PROTOCOL = parse_protocol('protocol = "still"\n[[steps]]\nkind = "dwell"\nfor_min = 10\n', "still.toml")


def channel(name: str, value: float | None = 22.0, flag: str = "ok", unit: str = "degC") -> dict[str, Any]:
    return {"channel": name, "value": value, "unit": unit, "flag": flag, "history": []}


def interlock(limit: str, value: float | None, margin: float | None, unit: str = "K") -> dict[str, Any]:
    return {"limit": limit, "channel": limit.split()[0], "value": value, "margin": margin, "unit": unit}


def document(**changes: object) -> dict[str, Any]:
    """The status of the simulated bench at rest, mounted and cold."""
    at_rest = {
        "benchd": "0.1.0",
        "bench": "simulated",
        "simulated": True,
        "speed": 1.0,
        "database": "/var/lib/benchd/bench.db",
        "local": NOW.isoformat(),
        "started_local": NOW.isoformat(),
        "state": "idle",
        "run": None,
        "setpoints": None,
        "channels": [channel(name) for name in BENCH.channels("liquid")],
        "channels_local": NOW.isoformat(),
        "interlocks": [interlock(lock.words, 22.0, (lock.above or 0.0) - 0.1) for lock in BENCH.interlocks],
        "hot": None,
        "latch": None,
        "silent": [],
        "asked": [],
        "queue": [entry(14)],
        "events": [],
        "wal_bytes": 0,
        "wal_too_large": False,
    }
    return {**at_rest, **changes}


def entry(run: int, state: str = "queued", due: str | None = None, starts: str | None = None) -> dict[str, Any]:
    return {
        "run": run,
        "protocol": "overnight",
        "specimen": "brook 2x140",
        "mount": 2,
        "state": state,
        "due_local": due,
        "quiet": "22:00-06:00",
        "why": "",
        "starts_local": starts,
    }


def question(run: int, kind: str, what: str, how: str, *, pending: bool = False) -> dict[str, Any]:
    return {
        "kind": kind,
        "run": run,
        "what": what,
        "local": NOW.isoformat(),
        "limit_local": None,
        "pending": pending,
        "how": how,
    }


def facts(**changes: Any) -> Facts:
    """All is well: run 14 is queued, its mount stands and was tried, the room is quiet."""
    well = Facts(
        now=NOW,
        bench=BENCH,
        document=document(),
        protocol=OVERNIGHT,
        typed="overnight",
        specimen="brook 2x140",
        cooling="liquid",
        mount=2,
        standing=Standing(specimen="brook 2x140", mount=2),
        mount_check=MountTried(words="0.071 K/W, as the last two", worse=False),
        background=heard(29.4),
        run=14,
        quiet="22:00-06:00",
        starts=NOW.replace(hour=22),
        takes_s=8 * 3600,
        ends=NOW.replace(hour=22) + timedelta(hours=8.5),
        window=QUIET_NIGHT,
        free_bytes=50_000_000_000,
    )
    return replace(well, **changes)


def heard(level_dba: float, hours_ago: float = 3.0) -> Background:
    return Background(level_dba=level_dba, u_db=0.2, measured=NOW - timedelta(hours=hours_ago), run=13)


def items(name: str, **changes: Any) -> list[Item]:
    return [item for item in readiness(facts(**changes)).items if item.name == name]


def only(name: str, **changes: Any) -> Item:
    found = items(name, **changes)
    assert len(found) == 1, found
    return found[0]


# The whole list


def test_when_nothing_holds_a_person_the_first_line_says_what_the_night_is() -> None:
    listed = readiness(facts())
    assert listed.may_leave, [item for item in listed.items if item.holds]
    assert listed.headline == "You may leave: overnight on brook 2x140, mount 2, starts 22:00, ends about 06:30."


def test_what_no_step_can_prove_is_listed_and_holds_nobody() -> None:
    unproven = {item.name for item in readiness(facts()).items if item.verdict is Verdict.NOT_PROVEN}
    assert unproven == {"interlock proof", "calibrator", "battery"}


@pytest.mark.parametrize(("free_bytes", "things"), [(50_000_000_000, "1 thing"), (1_000_000, "2 things")])
def test_the_first_line_counts_what_is_to_do(free_bytes, things) -> None:
    listed = readiness(facts(standing=None, free_bytes=free_bytes))
    assert not listed.may_leave
    assert listed.headline == f"Not yet: {things} to do."


def test_whatever_holds_a_person_says_what_to_do() -> None:
    wrong = facts(
        problems=("steps 2: too hot",),
        run=None,
        standing=None,
        mount_check=MountTried(words="0.02 K/W worse than the last two", worse=True),
        background=heard(40),
        window=Window(fits=False, words="it does not fit"),
        free_bytes=0,
        document=document(
            silent=[{"instrument": "meter", "why": "meter: no answer within 0.5 s"}],
            latch={"run": 12, "what": "die_c above 95 degC", "local": NOW.isoformat()},
            interlocks=[interlock("die_c above 95 degC for 3 s", None, None)],
            queue=[entry(9, "failed")],
            asked=[question(9, "decision", "run 9 failed", "benchd resume 9, or benchd abort")],
        ),
    )
    holding = [item for item in readiness(wrong).items if item.holds]
    assert len(holding) == 11
    assert all(item.do for item in holding)


def test_as_json_every_key_is_there_and_every_value_plain() -> None:
    told = readiness(facts(run=None, starts=None, ends=None)).as_json()
    assert list(told) == [
        "may_leave", "headline", "run", "protocol", "specimen", "mount", "starts_local", "ends_local", "items",
    ]  # fmt: skip
    assert told["run"] is None
    assert told["ends_local"] is None
    assert all(list(item) == ["name", "verdict", "sentence", "do"] for item in told["items"])
    assert {item["verdict"] for item in told["items"]} <= {"yes", "no", "asked", "not proven"}


# The run and the queue


def test_a_run_that_is_not_queued_is_no_night_and_the_command_queues_it_as_it_was_asked_for() -> None:
    item = only("queued", run=None, due=NOW.replace(hour=22))
    assert item.verdict is Verdict.NO
    assert item.do == ("benchd queue overnight --specimen 'brook 2x140' --mount 2 --at 22:00 --quiet 22:00-06:00")


def test_a_protocol_that_the_bench_cannot_play_is_told_with_its_first_mistake() -> None:
    item = only("protocol", problems=("steps 2: heat_w must be 0 to 300", "limits: too high"))
    assert item.verdict is Verdict.NO
    assert item.sentence == "steps 2: heat_w must be 0 to 300; and 1 more"
    assert item.do == "mend it, then: benchd check overnight --bench simulated"


def test_a_trip_latch_holds_a_person_until_it_is_cleared() -> None:
    latch = {"run": 12, "what": "leak_count above 0.5 for 2 s: it is 1", "local": "2026-11-25T15:30:00+01:00"}
    item = only("bench free", document=document(latch=latch))
    assert item.verdict is Verdict.NO
    assert item.sentence == "the bench tripped 15:30: leak_count above 0.5 for 2 s: it is 1"
    assert item.do == "see to the cause, then: benchd clear"


def running(run: int, state: str) -> dict[str, Any]:
    return {
        "run": run, "protocol": "quick", "specimen": "slate tower", "mount": 1, "state": state,
        "ends_local": "2026-11-25T18:40:00+01:00",
    }  # fmt: skip


def test_what_is_played_now_and_what_is_before_it_is_told_with_its_end() -> None:
    item = only("bench free", document=document(run=running(12, "running"), queue=[entry(13), entry(14)]))
    assert item.verdict is Verdict.YES
    assert item.sentence == (
        "run 12 (quick, slate tower) is played until about 18:40, then run 13 (overnight, brook 2x140) is before it"
    )


def test_a_held_run_before_it_does_not_go_on_by_itself() -> None:
    item = only("bench free", document=document(run=running(12, "held")))
    assert (item.verdict, item.do) == (Verdict.NO, "benchd resume, or benchd abort")


def test_a_run_that_is_played_already_has_nothing_before_it() -> None:
    playing = document(run=running(14, "running"), queue=[])
    assert only("bench free", document=playing).sentence == "run 14 is already being played"


# Instruments


def test_all_channels_answer() -> None:
    item = only("instruments")
    assert (item.verdict, item.sentence) == (Verdict.YES, f"all {len(BENCH.channels('liquid'))} channels answer")


def test_nothing_read_yet_is_no() -> None:
    assert only("instruments", document=document(channels=[], channels_local=None)).verdict is Verdict.NO


def test_a_silent_instrument_is_told_once_with_the_channels_that_are_needed() -> None:
    silent = [{"instrument": "meter", "why": "meter: no answer within 0.5 s"}]
    channels = [
        channel(name, None, "missing") if name == "level_dba" else channel(name) for name in BENCH.channels("liquid")
    ]
    item = only("instruments", document=document(silent=silent, channels=channels))
    assert item.verdict is Verdict.NO
    assert item.sentence == "meter: no answer within 0.5 s; the protocol needs level_dba"


@pytest.mark.parametrize(
    ("name", "flag", "verdict", "words"),
    [
        ("die_c", "missing", Verdict.NO, "die_c is missing, which the protocol needs"),
        ("leak_count", "garbled", Verdict.NO, "leak_count is garbled, which the protocol needs"),
        ("die_c", "out_of_range", Verdict.NO, "die_c is out of range, which the protocol needs"),
        ("humidity_pct", "missing", Verdict.NOT_PROVEN, "humidity_pct is missing, which the protocol does not need"),
    ],
)
def test_a_channel_without_a_good_value_holds_a_person_when_it_is_needed(name, flag, verdict, words) -> None:
    channels = [channel(one, None, flag) if one == name else channel(one) for one in BENCH.channels("liquid")]
    item = only("instruments", document=document(channels=channels))
    assert (item.verdict, item.sentence) == (verdict, words)


def test_a_room_quieter_than_the_meter_can_show_is_no_fault_of_the_meter() -> None:
    channels = [channel(one, 27.0, "out_of_range" if one == "level_dba" else "ok") for one in BENCH.channels("liquid")]
    assert only("instruments", document=document(channels=channels)).verdict is Verdict.YES


def test_a_channel_that_is_read_only_with_the_specimen_mounted_is_not_proven() -> None:
    channels = [channel(name) for name in BENCH.channels("air")]
    item = only("instruments", document=document(channels=channels))
    assert (item.verdict, item.sentence) == (
        Verdict.NOT_PROVEN,
        "not read as the bench stands now: coolant_c, leak_count",
    )


# Interlocks


def test_interlocks_are_told_with_the_margin_of_what_is_heated_and_their_trip_is_not_proven() -> None:
    item = only("interlocks")
    assert item.verdict is Verdict.YES
    assert item.sentence == "6 watched; die_c above 95 degC for 3 s: 94.9 K left"
    assert only("interlock proof").verdict is Verdict.NOT_PROVEN


@pytest.mark.parametrize(
    ("one", "words"),
    [
        (interlock("die_c above 95 degC for 3 s", None, None), "die_c above 95 degC for 3 s: die_c cannot be read"),
        (
            interlock("ambient_c above 35 degC for 60 s", 35.2, -0.2),
            "ambient_c above 35 degC for 60 s: passed, it is 35.2; the run would trip at once",
        ),
    ],
)
def test_an_interlock_that_is_blind_or_passed_holds_a_person(one, words) -> None:
    item = next(found for found in items("interlocks", document=document(interlocks=[one])) if found.holds)
    assert item.sentence == words


def test_an_interlock_that_is_not_watched_now_is_not_proven() -> None:
    there = [interlock("die_c above 95 degC for 3 s", 22.0, 73.0)]
    first, second = items("interlocks", document=document(interlocks=there))
    assert (first.verdict, second.verdict) == (Verdict.NOT_PROVEN, Verdict.YES)
    assert "coolant_c above 65 degC" in first.sentence


def test_a_bench_without_interlocks_is_told_to_have_none() -> None:
    item = only("interlocks", bench=bench(interlocks=()), protocol=COLD_PROTOCOL)
    assert item.verdict is Verdict.NOT_PROVEN


# Mount


def test_the_mount_that_stands_is_told() -> None:
    item = only("mount")
    assert (item.verdict, item.sentence) == (Verdict.YES, "mount 2 of brook 2x140 is on the bench")


@pytest.mark.parametrize(
    ("standing", "there"),
    [
        (Standing(specimen="slate tower", mount=1), "the books have mount 1 of slate tower"),
        (Standing(specimen="brook 2x140", mount=1), "the books have mount 1 of brook 2x140"),
        (None, "the books have none"),
    ],
)
def test_another_mount_on_the_bench_or_none_is_asked_about(standing, there) -> None:
    item = only("mount", standing=standing)
    assert (item.verdict, item.do) == (Verdict.ASKED, "benchd confirm --run 14")
    assert item.sentence == f"is mount 2 of brook 2x140 on the bench? {there}"


def test_a_mount_can_be_confirmed_only_for_a_run_that_is_queued() -> None:
    assert only("mount", standing=None, run=None).do == "queue it, and when it is: benchd confirm"


def test_a_mount_that_was_taken_off_does_not_come_back() -> None:
    item = only("mount", standing=None, taken_off=NOW - timedelta(hours=30))
    assert item.verdict is Verdict.NO
    assert item.sentence.startswith("mount 2 of brook 2x140 was taken off Tue 24 Nov 12:00")
    assert item.do == "queue it with the next number: benchd queue overnight --specimen 'brook 2x140'"


def test_a_mount_that_was_not_tried_is_not_proven_with_the_command_that_tries_it() -> None:
    item = only("mount check", mount_check=None)
    assert (item.verdict, item.do) == (
        Verdict.NOT_PROVEN,
        "benchd queue mount_check --specimen 'brook 2x140'",
    )


def test_a_mount_that_is_worse_than_earlier_ones_is_to_be_seated_again() -> None:
    worse = MountTried(words="0.02 K/W worse than the last two: seat it again?", worse=True)
    item = only("mount check", mount_check=worse)
    assert (item.verdict, item.sentence) == (Verdict.NO, worse.words)
    assert item.do == "seat it again, then: benchd mounts add 'brook 2x140'"


def test_without_heat_no_mount_need_be_tried() -> None:
    assert items("mount check", mount_check=None, protocol=COLD_PROTOCOL) == []


# The room and the meter


def test_levels_less_than_three_decibels_over_the_background_are_named() -> None:
    item = only("background", background=heard(33.9))
    assert item.verdict is Verdict.NOT_PROVEN
    assert item.sentence == (
        "36 dBA is 2.1 dB above the background of 33.9: it would be an upper bound; 38 dBA is 4.1 dB: indicative only"
    )
    assert item.do == (
        "make the room quieter, or ask for 36.9 dBA and more, and measure it again: "
        "benchd queue fan_sweep --specimen 'brook 2x140'"
    )


def test_levels_three_to_six_decibels_over_the_background_are_indicative_and_hold_nobody() -> None:
    item = only("background", background=heard(31.0))
    assert item.verdict is Verdict.YES
    assert item.sentence == "31.0 ± 0.2 dBA, measured 15:00; 36 dBA is 5.0 dB: indicative only"


@pytest.mark.parametrize(
    ("level_dba", "verdict"),
    [(33.0, Verdict.YES), (33.1, Verdict.NOT_PROVEN), (35.9, Verdict.NOT_PROVEN), (36.0, Verdict.NO)],
)
def test_three_decibels_are_enough_and_what_drowns_altogether_holds_a_person(level_dba, verdict) -> None:
    assert only("background", background=heard(level_dba)).verdict is verdict


def test_a_background_of_yesterday_proves_nothing() -> None:
    item = only("background", background=heard(29.4, hours_ago=25))
    assert item.verdict is Verdict.NOT_PROVEN
    assert item.sentence == "none was measured in the last 24 h; the last was 29.4 dBA, 25 h ago"
    assert only("background", background=None).sentence == "none was measured in the last 24 h"


def test_a_protocol_that_asks_for_no_level_drowns_in_none() -> None:
    assert only("background", protocol=shipped("quick"), background=None).verdict is Verdict.YES


def test_a_protocol_that_does_not_listen_needs_no_meter() -> None:
    names = {item.name for item in readiness(facts(protocol=SILENT_PROTOCOL)).items}
    assert not names & {"background", "calibrator", "battery", "meter range", "quiet window"}


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [(28, 130, Verdict.YES), (34, 130, Verdict.NOT_PROVEN), (37, 130, Verdict.NO), (20, 41, Verdict.NO)],
)
def test_the_meter_can_show_the_levels_asked_for(low, high, verdict) -> None:
    item = only("meter range", bench=_meter(range=(low, high)))
    assert item.verdict is verdict
    assert item.sentence.startswith(f"levels asked are 36 to 42 dBA, the meter shows {low} to {high} dBA")


def test_a_meter_whose_range_nobody_gave_is_not_proven() -> None:
    assert only("meter range", bench=_meter(range=None)).verdict is Verdict.NOT_PROVEN


def _meter(**changes: object) -> BenchFile:
    """The simulated bench with another meter channel."""
    meter = BENCH.instruments["meter"]
    level = meter.channels["level_dba"].model_copy(update=changes)
    changed = meter.model_copy(update={"channels": {**meter.channels, "level_dba": level}})
    return bench(instruments={**BENCH.instruments, "meter": changed})


def _with_battery(span: tuple[float, float] | None = (20, 100)) -> BenchFile:
    meter = BENCH.instruments["meter"]
    battery = meter.channels["level_dba"].model_copy(update={"range": span})
    changed = meter.model_copy(update={"channels": {**meter.channels, "battery_pct": battery}})
    return bench(instruments={**BENCH.instruments, "meter": changed})


@pytest.mark.parametrize(
    ("value", "flag", "verdict", "words"),
    [
        (80.0, "ok", Verdict.YES, "battery_pct is 80 %"),
        (12.0, "out_of_range", Verdict.NO, "battery_pct is 12 %, outside 20 to 100"),
        (None, "missing", Verdict.NOT_PROVEN, "battery_pct cannot be read: look at it"),
    ],
)
def test_a_battery_that_is_told_is_judged_by_its_range(value, flag, verdict, words) -> None:
    channels = [*document()["channels"], channel("battery_pct", value, flag, "%")]
    item = only("battery", bench=_with_battery(), document=document(channels=channels))
    assert (item.verdict, item.sentence) == (verdict, words)


def test_a_battery_without_a_range_cannot_be_judged() -> None:
    channels = [*document()["channels"], channel("battery_pct", 80.0, "ok", "%")]
    item = only("battery", bench=_with_battery(None), document=document(channels=channels))
    assert item.verdict is Verdict.NOT_PROVEN


def test_a_meter_that_does_not_tell_its_battery_is_to_be_looked_at() -> None:
    assert only("battery").sentence == "the meter does not tell its battery: look at it"


# The night


def test_the_quiet_window() -> None:
    assert only("quiet window").verdict is Verdict.YES
    unknown = Window(fits=None, words="no quiet window was given")
    assert only("quiet window", window=unknown).verdict is Verdict.NOT_PROVEN
    tight = Window(fits=False, words="the quiet part takes 8:40 h, 22:00-06:00 has 8:00 h")
    item = only("quiet window", window=tight)
    assert (item.verdict, item.sentence) == (Verdict.NO, tight.words)


def test_start_and_end_are_told_on_the_clock() -> None:
    assert only("start and end").sentence == "starts 22:00, ends about 06:30"
    assert only("start and end", starts=None).verdict is Verdict.NOT_PROVEN


def test_the_disk_has_to_hold_twice_what_is_expected_and_some_more() -> None:
    assert len(BENCH.channels("liquid")) == 15
    wanted = 2 * (8 * 3600 * 15 * 25) + 200e6
    assert only("disk", free_bytes=int(wanted)).verdict is Verdict.YES
    item = only("disk", free_bytes=int(wanted) - 1)
    assert (item.verdict, item.sentence) == (Verdict.NO, "222 MB free, 222 MB wanted")
    assert item.do == "make room beside /var/lib/benchd/bench.db"


def test_a_night_that_asks_nothing_says_so() -> None:
    assert only("questions").verdict is Verdict.YES


def test_a_run_before_it_that_waits_is_asked_about_now() -> None:
    waiting = document(
        queue=[entry(9, "interrupted"), entry(14)],
        asked=[question(9, "decision", "run 9 was interrupted: is it to go on?", "benchd resume 9, or benchd abort")],
    )
    item = only("question", document=waiting)
    assert item.verdict is Verdict.ASKED
    assert item.sentence == "run 9, which is before it: run 9 was interrupted: is it to go on?"
    assert item.do == "benchd resume 9, or benchd abort"


def test_a_run_after_it_that_waits_holds_nobody() -> None:
    waiting = document(
        queue=[entry(14), entry(15, "waiting")],
        asked=[question(15, "mount", "mount 1 of slate tower is to be on the bench", "benchd confirm")],
    )
    assert only("questions", document=waiting).verdict is Verdict.YES


def test_a_bench_file_that_was_changed_since_is_asked_about() -> None:
    changed = document(asked=[question(14, "bench_file", "the bench file was changed since", "benchd confirm")])
    assert only("question", document=changed).verdict is Verdict.ASKED


def test_the_mount_of_this_run_is_asked_about_once() -> None:
    asking = document(asked=[question(14, "mount", "mount 2 of brook 2x140 is to be on the bench", "benchd confirm")])
    listed = readiness(facts(standing=None, document=asking))
    assert [item.name for item in listed.items if item.holds] == ["mount"]


def test_what_can_be_made_up_later_holds_nobody() -> None:
    made_up = document(
        queue=[entry(9, "waiting"), entry(14)],
        asked=[question(9, "prompt", "is the meter back on its stand?", "benchd confirm", pending=True)],
    )
    assert only("question", document=made_up).verdict is Verdict.NOT_PROVEN


def test_what_the_night_will_ask_is_told_with_its_hour() -> None:
    coming = Asking(what="is the case closed?", comes=NOW.replace(hour=23), waits_min=10, later=True)
    item = only("question", askings=(coming,))
    assert item.verdict is Verdict.NOT_PROVEN
    assert item.sentence == (
        "about 23:00 it asks: is the case closed? (waits 10 min, then goes on; the answer can be given later)"
    )


def test_a_question_that_ends_the_run_when_nobody_answers_holds_a_person() -> None:
    coming = Asking(what="is the case closed?", comes=None, waits_min=10, later=False)
    item = only("question", askings=(coming,))
    assert item.verdict is Verdict.ASKED
    assert item.sentence == "when it comes to it it asks: is the case closed? (waits 10 min, then fails)"


def test_a_protocol_that_tries_the_mount_itself_need_not_be_preceded_by_one() -> None:
    item = only("mount check", protocol=shipped("mount_check"), mount_check=None)
    assert (item.verdict, item.do) == (Verdict.NOT_PROVEN, "")
    channels = [channel(one, None, "missing" if one == "coolant_c" else "ok") for one in BENCH.channels("liquid")]
    blind = items(
        "instruments", protocol=shipped("mount_check"), bench=bench(interlocks=()), document=document(channels=channels)
    )
    assert "coolant_c is missing, which the protocol needs" in [one.sentence for one in blind]
