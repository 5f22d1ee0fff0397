"""Nights on the real daemon: quiet windows, restarts in the middle, changed bench files, repairs, trips, prompts."""

from __future__ import annotations

import os
import signal
from pathlib import Path

from benchd.named_files import find_bench
from benchd.store import queries

POINTS = """protocol = "points"
[[steps]]
kind = "soak"
heat_w = [60, 80]
fan_pct = [80]
pump_pct = 60
order = "listed"
read_min = 1
equilibrium = { within_k = 5, at_most_min = 20 }
"""
#: The second point is given far too little time.
ONE_NOT_GOOD = (
    POINTS.replace("[60, 80]", "[60]")
    + """[[steps]]
kind = "soak"
name = "short"
heat_w = [200]
fan_pct = [80]
pump_pct = 60
read_min = 1
equilibrium = { within_k = 0.2, at_most_min = 2 }
"""
)
QUESTION = """protocol = "question"
[[steps]]
kind = "confirm"
ask = "is the door shut?"
at_most_min = {minutes}
"""
TWICE = """protocol = "twice"
[[steps]]
kind = "dwell"
name = "by_day"
for_min = 30
[[steps]]
kind = "dwell"
name = "at_night"
quiet = true
for_min = 30
"""


def bench_file(folder: Path, change=lambda text: text) -> Path:
    file = folder / "bench.toml"
    file.write_text(change(Path(find_bench("simulated").file).read_text()))
    return file


def test_a_daemon_killed_in_the_middle_measures_no_point_twice(serve):
    bench = serve(speed=120)
    run = bench.queue(POINTS.replace('protocol = "points"', 'protocol = "points"\nresume = "auto"'))
    bench.until_status(lambda status: status["run"] and status["run"]["points_done"] == 1)
    os.kill(bench.child, signal.SIGKILL)
    bench.until_status(lambda status: status["state"] == "idle" and not status["queue"] and not status["run"], 60)
    with queries.reader(bench.db) as connection:
        assert queries.run(connection, run).state == "complete"
        first, second = queries.points(connection, [run])
        attempts = queries.attempts(connection, run)
        assert [first.heat_set_w, second.heat_set_w] == [60, 80]
        assert sorted(attempts.values()) == [1, 2]
        times = [step.started_ms for step in queries.steps(connection, run)]
        assert times == sorted(times)


def test_a_question_is_answered_or_pending_until_the_morning(serve):
    bench = serve(speed=60)
    run = bench.queue(QUESTION.format(minutes=600))
    bench.until_status(lambda status: any(one["kind"] == "prompt" for one in status["asked"]))
    bench.ask("POST", "/confirm", {"text": "shut and locked"})
    bench.until_status(lambda status: status["state"] == "idle" and not status["queue"])
    later = bench.queue(QUESTION.format(minutes=1))
    ended = bench.until_status(lambda status: status["run"] is None and any(one["pending"] for one in status["asked"]))
    assert [(one["run"], one["what"]) for one in ended["asked"]] == [(later, "is the door shut?")]
    bench.ask("POST", "/confirm", {"text": "it was"})
    bench.until_status(lambda status: not status["asked"])
    with queries.reader(bench.db) as connection:
        assert [queries.run(connection, one).state for one in (run, later)] == ["complete", "complete"]


def test_a_stage_that_needs_quiet_waits_for_the_window_and_goes_on_by_itself(serve):
    bench = serve(speed=600, TZ="Europe/Berlin")
    now = bench.status["local"]
    hour = int(now[11:13])
    # The window opens in two to three hours: the run begins as much earlier as its steps by day take.
    quiet = f"{(hour + 3) % 24:02d}:00-{(hour + 6) % 24:02d}:00"
    run = bench.queue(TWICE, quiet=quiet)
    queued = bench.until_status(lambda status: status["queue"] and status["queue"][0]["starts_local"])
    starts = queued["queue"][0]["starts_local"]
    assert starts[11:16] == f"{(hour + 2) % 24:02d}:30"
    bench.until_status(lambda status: status["state"] == "idle" and not status["queue"], 90)
    with queries.reader(bench.db) as connection:
        assert queries.run(connection, run).state == "complete"


def test_a_changed_bench_file_is_read_again_and_queued_runs_ask_first(serve, tmp_path):
    file = bench_file(tmp_path)
    bench = serve(bench=str(file))
    run = bench.queue('protocol = "rest"\n[[steps]]\nkind = "dwell"\nfor_min = 600\n', at="23:59")
    bench_file(tmp_path, lambda text: text.replace("above = 95", "above = 90"))
    bench.process.send_signal(signal.SIGHUP)
    status = bench.until_status(lambda status: any(one["kind"] == "bench_file" for one in status["asked"]))
    assert status["interlocks"][0]["limit"].startswith("die_c above 90")
    bench.ask("POST", "/confirm", {"run": run})
    bench.until_status(lambda status: not status["asked"])


def test_a_wrong_bench_file_is_refused_and_the_old_one_stands(serve, tmp_path):
    file = bench_file(tmp_path)
    bench = serve(bench=str(file))
    file.write_text("bench = 7")
    bench.process.send_signal(signal.SIGHUP)
    bench.until(lambda: "bench_file_refused" in bench.said)
    assert bench.status["interlocks"][0]["limit"].startswith("die_c above 95")


def test_a_trip_latches_until_it_is_cleared_and_then_the_run_goes_on(serve, tmp_path):
    file = bench_file(tmp_path, lambda text: text.replace('"die_c"\nabove = 95', '"die_c"\nabove = 24'))
    bench = serve(bench=str(file))
    protocol = 'protocol = "hot"\n[[steps]]\nkind = "dwell"\nfor_min = 30\nheat_w = 60\n'
    run = bench.queue(protocol)
    tripped = bench.until_status(lambda status: status["latch"])
    assert tripped["latch"]["run"] == run
    assert "benchd clear" in tripped["asked"][0]["how"]
    status, answer = bench.call("POST", "/resume", {})
    assert (status, answer["message"].split(":")[0]) == (409, "the bench tripped and has not been cleared")
    bench.ask("POST", "/clear", {})
    bench.ask("POST", "/resume", {})
    bench.until_status(lambda status: status["run"] or status["latch"])
    with queries.reader(bench.db) as connection:
        kinds = [event.kind for event in queries.events(connection, run)]
    assert kinds.count("resume") >= 1


def test_a_repair_measures_only_what_is_not_good_on_the_mount_that_stands(serve):
    bench = serve(speed=240)
    run = bench.queue(ONE_NOT_GOOD)
    bench.until_status(lambda status: status["state"] == "idle" and not status["queue"] and not status["run"], 90)
    with queries.reader(bench.db) as connection:
        before = {point.point: point for point in queries.points(connection, [run])}
    assert [point.quality for point in before.values()] == ["good", "flagged"]
    answer = bench.ask("POST", "/queue/repair", {"run": run})
    assert answer["says"][0].startswith(f"run {run} is queued again: 1 point")
    bench.until_status(lambda status: status["run"] and status["run"]["run"] == run)
    bench.until_status(lambda status: status["state"] == "idle" and not status["queue"] and not status["run"], 90)
    with queries.reader(bench.db) as connection:
        assert queries.run(connection, run).state == "complete"
        assert queries.attempts(connection, run) == {"soak/60w_80pct": 1, "short/200w_80pct": 2}
        assert len(queries.points(connection, [run])) == 2
    bench.ask("POST", "/mounts", {"specimen": "brook 2x140"})
    status, answer = bench.call("POST", "/queue/repair", {"run": run})
    assert status == 409
    assert "no longer on the bench" in answer["message"]


def test_a_mount_that_was_taken_off_is_refused_with_the_next_number(serve):
    bench = serve()
    for name in ("brook 2x140", "brook 2x120"):
        bench.ask("POST", "/specimens", {"name": name, "cooling": "liquid"})
        bench.ask("POST", "/mounts", {"specimen": name})
    order = {"protocol": {"text": TWICE, "file": "r.toml"}, "specimen": "brook 2x140"}
    status, answer = bench.call("POST", "/queue", {**order, "mount": 1})
    assert status == 409
    assert answer["message"].startswith("mount 1 of brook 2x140 was taken off on ")
    assert answer["hint"].endswith("--mount 2")
    status, answer = bench.call("POST", "/queue", {**order, "mount": 5})
    assert (status, answer["hint"]) == (422, "the next mounting is number 2")
    assert bench.ask("POST", "/queue", order)["mount"] == 2
    standing = {(one["specimen"], one["number"]): one["state"] for one in bench.ask("GET", "/mounts")}
    assert standing == {
        ("brook 2x140", 1): "taken off",
        ("brook 2x140", 2): "planned",
        ("brook 2x120", 1): "on the bench",
    }


def test_no_mount_is_changed_under_a_run_that_is_played(serve):
    bench = serve()
    bench.queue(TWICE)
    bench.until_status(lambda status: status["run"])
    status, answer = bench.call("POST", "/mounts", {"specimen": "brook 2x140"})
    assert (status, answer["message"]) == (409, "run 1 is played now")


def test_a_window_that_can_never_hold_the_quiet_part_is_told_when_it_is_queued(serve):
    bench = serve()
    order = {"protocol": {"text": TWICE.replace("for_min = 30", "for_min = 200"), "file": "r.toml"}}
    queued = bench.ask("POST", "/queue", {**order, "specimen": "brook 2x140", "quiet": "22:00-23:00"})
    assert any("make the window longer" in sentence for sentence in queued["says"])
