"""The command of `on_event`, with real commands: told what became of a run, in order, and never waited for."""

from __future__ import annotations

import json
import shlex
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import psutil
import pytest

from benchd.service.hook import WAITING_AT_MOST, Hook


@pytest.fixture
def told(tmp_path: Path) -> Path:
    """Where the command below writes what it was told."""
    return tmp_path / "told"


@pytest.fixture
def hook() -> Iterator[Callable[..., Hook]]:
    made: list[Hook] = []

    def hook(*command: str, **options: float) -> Hook:
        made.append(Hook(command, **options))
        return made[-1]

    yield hook
    for one in made:
        one.close()


def shell(script: str) -> tuple[str, ...]:
    return ("/bin/sh", "-c", script)


def writing(file: Path) -> str:
    """A script that adds what it was told to a file."""
    named = shlex.quote(str(file))
    return f'{{ cat; echo "|$BENCHD_EVENT|$BENCHD_RUN|$BENCHD_WHAT"; }} >> {named}'


def within(limit_s: float, seen: Callable[[], object]) -> None:
    until_s = time.monotonic() + limit_s
    while not seen():
        assert time.monotonic() < until_s
        time.sleep(0.01)


def lines(file: Path) -> list[str]:
    return file.read_text().splitlines() if file.exists() else []


def living(file: Path) -> list[psutil.Process]:
    """Those of the processes whose ids stand in a file that still live."""
    there = [psutil.Process(int(line)) for line in lines(file) if psutil.pid_exists(int(line))]
    return [process for process in there if process.status() != psutil.STATUS_ZOMBIE]


def test_it_is_told_on_its_input_and_in_its_environment(hook, told):
    one = hook(*shell(writing(told)))
    one.tell("tripped", 12, 'die_c 96.1 degC above "95"\nfor 2 s')
    within(5, lambda: len(lines(told)) == 2)
    document, _, environment = told.read_text().partition("|")
    assert json.loads(document) == {"event": "tripped", "run": 12, "what": 'die_c 96.1 degC above "95"\nfor 2 s'}
    assert environment == 'tripped|12|die_c 96.1 degC above "95"\nfor 2 s\n'


def test_what_is_about_no_run(hook, told):
    hook(*shell(writing(told))).tell("waiting", None, "confirm the mount")
    within(5, lambda: lines(told))
    assert lines(told) == ['{"event": "waiting", "run": null, "what": "confirm the mount"}|waiting||confirm the mount']


def test_one_after_the_other_in_order(hook, told):
    one = hook(*shell(f"sleep 0.0$((5 - $BENCHD_RUN)); {writing(told)}"))
    for run in range(1, 6):
        one.tell("done", run, "")
    within(5, lambda: len(lines(told)) == 5)
    assert [line.split("|")[2] for line in lines(told)] == ["1", "2", "3", "4", "5"]


def test_no_command_does_nothing(hook):
    hook().tell("done", 1, "")


def test_a_command_that_is_none_costs_nothing_else(hook, caplog, tmp_path):
    one = hook(str(tmp_path / "no such command"))
    one.tell("done", 1, "")
    within(5, lambda: caplog.records)
    assert caplog.records[0].fields["what"] == "No such file or directory"
    one.tell("done", 2, "")
    within(5, lambda: len(caplog.records) == 2)


def test_a_file_that_cannot_be_run_costs_nothing_else(hook, caplog, tmp_path):
    file = tmp_path / "text"
    file.write_text("hello")
    file.chmod(0o755)
    hook(str(file)).tell("done", 1, "")
    within(5, lambda: caplog.records)
    assert caplog.records[0].fields["what"] == "Exec format error"


def test_words_that_no_command_line_can_hold_cost_nothing_else(hook, caplog, told):
    one = hook(*shell(writing(told)))
    one.tell("done", 1, "before\0after")
    one.tell("done", 2, "\ud800")
    one.tell("done", 3, "plain")
    within(5, lambda: len(lines(told)) == 3)
    assert [line.partition("|")[2] for line in lines(told)] == ["done|1|before?after", "done|2|?", "done|3|plain"]
    assert not caplog.records


def test_a_failure_is_logged_with_the_last_it_said(hook, caplog):
    hook(*shell("echo first >&2; echo no route to the telephone >&2; exit 3")).tell("done", 1, "")
    within(5, lambda: caplog.records)
    fields = caplog.records[0].fields
    assert (fields["status"], fields["what"]) == (3, "no route to the telephone")


def test_a_command_that_reads_nothing_is_no_trouble(hook, told, caplog):
    one = hook(*shell(f"exec <&-; echo x >> {shlex.quote(str(told))}"))
    one.tell("done", 1, "w" * 100_000)
    within(5, lambda: lines(told))
    one.close()
    assert not caplog.records


def test_much_output_is_no_trouble(hook, told):
    one = hook(*shell(f"yes | head -c 3000000 >&2; yes | head -c 3000000; {writing(told)}"))
    one.tell("done", 1, "")
    within(10, lambda: lines(told))


def test_one_that_takes_too_long_is_killed_with_its_children(hook, told, caplog):
    one = hook(*shell(f"sleep 60 & echo $! >> {told}; echo $$ >> {told}; sleep 60"), limit_s=0.5)
    one.tell("done", 1, "")
    within(5, lambda: caplog.records)
    assert caplog.records[0].fields["what"] == "took longer than 0.5 s"
    within(2, lambda: not living(told))
    assert len(lines(told)) == 2


def test_a_child_that_is_left_behind_with_its_output_is_killed_in_time(hook, told):
    """The command itself has ended, and a child of its own still holds the pipe."""
    one = hook(*shell(f"sleep 60 & echo $! >> {told}"), limit_s=0.5)
    one.tell("done", 1, "")
    one.tell("done", 2, "")
    within(5, lambda: len(lines(told)) == 2)
    within(5, lambda: not living(told))


def test_one_that_escapes_with_its_output_is_not_waited_for(hook, told, caplog):
    """In a session of its own it cannot be killed with the command."""
    named = shlex.quote(str(told))
    escapes = f"import os, time; os.setsid(); open({str(told)!r}, 'a').write(f'{{os.getpid()}}\\n'); time.sleep(60)"
    one = hook(
        *shell(f"{shlex.quote(sys.executable)} -c {shlex.quote(escapes)} & while ! [ -s {named} ]; do :; done"),
        limit_s=1.0,
    )
    one.tell("done", 1, "")
    within(5, lambda: caplog.records)
    (escaped,) = living(told)
    escaped.kill()
    one.tell("done", 2, "")
    within(5, lambda: len(lines(told)) == 2)
    within(5, lambda: len(caplog.records) == 2)
    living(told)[-1].kill()


def test_closing_kills_what_is_under_way_within_two_seconds(hook, told):
    one = hook(*shell(f"trap '' TERM INT HUP; sleep 60 & echo $! >> {told}; echo $$ >> {told}; wait; sleep 60"))
    for run in range(20):
        one.tell("done", run, "")
    within(5, lambda: len(lines(told)) == 2)
    begun_s = time.monotonic()
    one.close()
    one.close()
    assert time.monotonic() - begun_s < 2
    within(1, lambda: not living(told))
    assert len(lines(told)) == 2, "the others are not begun any more"


def test_closing_lets_a_quick_one_finish(hook, told, caplog):
    one = hook(*shell(f"sleep 0.2; {writing(told)}"))
    one.tell("done", 1, "")
    time.sleep(0.05)
    one.close()
    assert len(lines(told)) == 1
    assert not caplog.records


def test_what_is_told_just_before_closing_is_still_told(hook, told):
    """The daemon is stopped and the run that was played has just been interrupted."""
    one = hook(*shell(writing(told)))
    one.tell("interrupted", 1, "the daemon was asked to stop")
    one.close()
    assert len(lines(told)) == 1


def test_after_closing_nothing_is_told(hook, told):
    one = hook(*shell(writing(told)))
    one.close()
    one.tell("done", 1, "")
    assert lines(told) == []


def test_more_than_can_wait_is_logged_and_never_waited_for(hook, told, caplog):
    one = hook(*shell(f"echo $$ >> {told}; sleep 60"))
    one.tell("done", 0, "")
    within(5, lambda: lines(told))
    begun_s = time.monotonic()
    for run in range(1, WAITING_AT_MOST + 4):
        one.tell("done", run, "")
    assert time.monotonic() - begun_s < 0.5
    assert [record.fields["run"] for record in caplog.records] == [51, 52, 53]
    one.close()
    assert time.monotonic() - begun_s < 2.5


def test_no_descriptor_is_left(hook):
    me = psutil.Process()
    one = hook(sys.executable, "-c", "pass")
    before = me.num_fds()
    for _ in range(3):
        one.tell("done", 1, "")
    one.close()
    assert me.num_fds() <= before
