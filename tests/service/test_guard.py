"""The guard and its child: beats, a child that hangs, is killed, or refuses; a guard that is gone; signals."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

import psutil
import pytest

from benchd.named_files import find_bench
from benchd.store import queries
from benchd.store.lock import is_held

HALF_AN_HOUR = timedelta(minutes=30)
DWELL = 'protocol = "rest"\nresume = "{resume}"\n[[steps]]\nkind = "dwell"\nfor_min = 600\nheat_w = 50\n'


def running(bench, resume="wait"):
    run = bench.queue(DWELL.format(resume=resume))
    bench.until_status(lambda status: status["run"] and status["setpoints"]["heat_w"] == 50)
    return run


def test_a_child_that_hangs_says_where_is_killed_and_the_bench_made_safe(serve):
    bench = serve()
    run = running(bench)
    child = bench.child
    os.kill(child, signal.SIGSTOP)
    stopped_s = time.monotonic()
    bench.until(lambda: not psutil.pid_exists(child), within_s=10)
    assert time.monotonic() - stopped_s < 4
    status = bench.until_status(lambda status: status["asked"])
    assert [(one["kind"], one["run"]) for one in status["asked"]] == [("decision", run)]
    assert "child_late" in bench.said
    assert "making_safe" in bench.said
    with queries.reader(bench.db) as connection:
        assert queries.run(connection, run).state == "waiting"


def test_a_busy_child_that_makes_no_progress_leaves_its_traceback(serve, tmp_path):
    """A loop without end in the thread that plays, as a fault in a step would be."""
    (tmp_path / "sitecustomize.py").write_text(
        "import sys\n"
        "if sys.argv[1:2] and sys.argv[1].startswith('{'):\n"
        "    import benchd.running.steps.heat as heat\n"
        "    def forever(spec, found):\n"
        "        tick = yield heat.Wants(50, 100, 100, 'dwelling')\n"
        "        while True:\n"
        "            pass\n"
        "    import benchd.running.steps.kinds as kinds\n"
        "    kinds.KINDS['dwell'] = forever\n"
    )
    bench = serve(PYTHONPATH=str(tmp_path))
    bench.queue(DWELL.format(resume="wait"))
    bench.until(lambda: "child_late" in bench.said, within_s=20)
    bench.until(lambda: "in forever" in bench.said, within_s=10)
    bench.until_status(lambda status: status["asked"])


def test_a_child_that_is_killed_is_replaced_and_its_run_goes_on_where_the_protocol_says_so(serve):
    bench = serve()
    run = running(bench, resume="auto")
    child = bench.child
    os.kill(child, signal.SIGKILL)
    status = bench.until_status(lambda status: status["run"] and status["run"]["attempt"] == 2)
    assert status["run"]["run"] == run
    assert bench.child != child
    bench.until_status(lambda s: {"interrupted", "auto_resume", "resume"} <= {event["kind"] for event in s["events"]})


def test_the_time_of_a_rehearsal_does_not_go_back_when_its_child_is_lost(serve):
    bench = serve(speed=600)
    running(bench, resume="auto")
    began = bench.status["local"]
    # Long enough after the last event that going back to it would show.
    before = bench.until_status(
        lambda s: datetime.fromisoformat(s["local"]) - datetime.fromisoformat(began) > HALF_AN_HOUR
    )
    os.kill(bench.child, signal.SIGKILL)
    after = bench.until_status(lambda status: status["run"] and status["run"]["attempt"] == 2)
    assert datetime.fromisoformat(after["local"]) >= datetime.fromisoformat(before["local"])
    with queries.reader(bench.db) as connection:
        spans = queries.spans(connection, before["run"]["run"])
    gap = (spans[1].utc - spans[0].utc) - timedelta(milliseconds=spans[1].from_ms - spans[0].from_ms)
    # The first sample after it counts as one tick later.
    assert gap >= -timedelta(seconds=1)


def test_a_child_without_its_guard_makes_safe_and_ends(serve):
    bench = serve()
    run = running(bench)
    child = bench.child
    bench.process.kill()
    bench.process.wait(10)
    due_s = time.monotonic() + 10
    while psutil.pid_exists(child) and time.monotonic() < due_s:
        time.sleep(0.05)
    assert not psutil.pid_exists(child)
    assert not is_held(bench.db)
    with queries.reader(bench.db) as connection:
        row, events = queries.run(connection, run), queries.events(connection, run)
    assert row.state == "interrupted"
    assert "safe" in {event.kind for event in events}
    # Nobody asked it to stop.
    assert row.reason == "the daemon's guard was lost"
    assert [event.what for event in events if event.kind == "interrupted"] == ["the daemon's guard was lost"]
    assert "asked to stop" not in bench.said


def test_a_held_run_stays_without_heat_when_its_guard_was_lost_and_the_daemon_starts_again(serve):
    bench = serve()
    run = running(bench, resume="auto")
    bench.ask("POST", "/hold", {})
    bench.until_status(lambda status: status["state"] == "held")
    child = bench.child
    bench.process.kill()
    bench.process.wait(10)
    psutil.wait_procs([psutil.Process(child)] if psutil.pid_exists(child) else [], 10)
    bench.start()
    status = bench.until_status(lambda status: status["asked"] or status["run"])
    assert (status["run"], [one["run"] for one in status["asked"]]) == (None, [run])
    assert "it was held" in status["asked"][0]["what"]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_asked_to_stop_it_is_safe_first_and_its_status_is_true(serve, number):
    bench = serve()
    run = running(bench)
    assert bench.stop(number) == -number
    assert not bench.socket.exists()
    with queries.reader(bench.db) as connection:
        row, events = queries.run(connection, run), queries.events(connection, run)
    assert (row.state, row.reason) == ("interrupted", "the daemon was asked to stop")
    assert "safe" in {event.kind for event in events}


def test_a_run_that_was_interrupted_waits_at_the_next_start_and_is_resumed_by_a_person(serve):
    bench = serve()
    run = running(bench)
    bench.stop()
    bench.start()
    status = bench.until_status(lambda status: status["asked"])
    assert f"benchd resume {run}" in status["asked"][0]["how"]
    bench.ask("POST", "/resume", {})
    status = bench.until_status(lambda status: status["run"])
    assert status["run"]["run"] == run


def test_two_daemons_cannot_have_one_database_nor_one_socket(serve):
    first = serve()
    second = serve(ready=False)
    second.clean_up()
    second.process.wait(10)
    other = type(second)(second.folder, "simulated", None, environment={})
    other.__dict__["folder"] = first.folder
    other.start(ready=False)
    assert other.process.wait(20) == 1
    assert "is being written by another process" in first.said
    command = [sys.executable, "-m", "benchd", "serve", "--db", str(second.folder / "other.db")]
    ended = subprocess.run(
        [*command, "--socket", str(first.socket)], capture_output=True, text=True, timeout=30, check=False
    )
    assert (ended.returncode, "answers at" in ended.stderr) == (1, True)


def test_a_child_that_refuses_to_start_is_not_started_again(serve):
    bench = serve()
    bench.stop()
    bench.db.write_text("no database")
    bench.start(ready=False)
    assert bench.process.wait(30) == 2
    assert bench.said.count("child_started") == 2
    assert "is not a database" in bench.said


def test_a_child_that_is_lost_again_and_again_is_given_up(serve):
    bench = serve()
    for _ in range(4):
        os.kill(bench.until(lambda: bench.child), signal.SIGKILL)
        time.sleep(0.3)
        if bench.process.poll() is not None:
            break
        bench.until(lambda: bench.process.poll() is not None or bench.status, within_s=60)
    assert bench.process.wait(30) == 1
    assert "guard_gives_up" in bench.said


def test_a_bench_file_that_is_half_saved_costs_no_night(serve, tmp_path):
    """Only SIGHUP changes the bench: a child that is lost comes back with the bench that was served."""
    file = tmp_path / "bench.toml"
    file.write_text(Path(find_bench("simulated").file).read_text())
    bench = serve(bench=str(file))
    run = running(bench, resume="auto")
    with file.open("a") as half:
        half.write("half a li")
    os.kill(bench.child, signal.SIGKILL)
    status = bench.until_status(lambda status: status["run"] and status["run"]["attempt"] == 2)
    assert status["run"]["run"] == run
    bench.process.send_signal(signal.SIGHUP)
    bench.until(lambda: "bench_file_refused" in bench.said)
    assert bench.status["run"]["run"] == run


def test_a_word_from_the_manager_while_the_child_comes_up_waits_until_it_is_up(serve):
    bench = serve(ready=False)
    bench.until(lambda: "child_started" in bench.said)
    bench.process.send_signal(signal.SIGHUP)
    bench.until(lambda: "bench_file_read" in bench.said)
    assert "making_safe" not in bench.said


def test_it_ends_well_with_a_watcher_and_a_slow_hook(serve, tmp_path):
    file = tmp_path / "bench.toml"
    text = Path(find_bench("simulated").file).read_text()
    file.write_text(text.replace("tick_s = 1.0", 'tick_s = 1.0\non_event = ["sleep", "20"]'))
    bench = serve(bench=str(file))
    running(bench)
    bench.ask("POST", "/abort", {})
    bench.until_status(lambda status: status["run"] is None)
    with subprocess.Popen(
        ["curl", "-sN", "--unix-socket", str(bench.socket), "http://b/live"], stdout=subprocess.DEVNULL
    ) as reader:
        time.sleep(0.5)
        assert bench.stop() == -signal.SIGTERM
        assert reader.wait(10) in (0, 18)
    assert "child_late" not in bench.said


def test_what_keeps_a_child_from_coming_up_again_is_waited_out(serve, tmp_path):
    bench = serve()
    aside = tmp_path / "aside.db"
    child = bench.child
    shutil.copy(bench.db, aside)
    os.kill(child, signal.SIGSTOP)
    bench.db.write_text("no database")
    os.kill(child, signal.SIGKILL)
    bench.until(lambda: "is not a database" in bench.said)
    for left in bench.folder.glob("bench.db*"):
        left.unlink()
    shutil.copy(aside, bench.db)
    bench.until_status(lambda status: status["state"] == "idle", within_s=30)
