"""The commands that ask the daemon: what reaches the desk, what a person reads, and how each ends."""

from __future__ import annotations

import json
import os
import pty
import pwd
import select
import subprocess
import sys

import pytest

from benchd.cli import run
from benchd.errors import RunRefused

ME = f"{pwd.getpwuid(os.getuid()).pw_name} ({os.getuid()})"
PLAYED = {"run": {"run": 12, "protocol": "overnight"}}


@pytest.fixture
def say(api, capsys, monkeypatch):
    """Runs one command line before the API: exit status, standard output, standard error."""
    monkeypatch.setenv("BENCHD_SOCKET", str(api.path))

    def say(*words: str) -> tuple[int, str, str]:
        capsys.readouterr()
        status = run(list(words))
        said = capsys.readouterr()
        assert "Traceback" not in said.err
        assert "a fault in benchd" not in said.err
        return status, said.out, said.err

    return say


@pytest.mark.parametrize(
    ("words", "asked"),
    [
        (["hold"], ("hold", ME)),
        (["resume"], ("resume", None, ME)),
        (["resume", "12"], ("resume", 12, ME)),
        (["abort", "--yes"], ("abort", None, ME)),
        (["abort", "12"], ("abort", 12, ME)),
        (["confirm"], ("confirm", "", None, ME)),
        (["confirm", "94.0 dB", "--run", "3"], ("confirm", "94.0 dB", 3, ME)),
        (["clear"], ("clear", ME)),
        (["queue", "--repair", "12"], ("repair", 12, ME)),
    ],
)
def test_an_act_reaches_the_desk_and_what_came_back_is_said(api, say, words, asked):
    status, out, err = say(*words)
    assert (status, out, err) == (0, f"{asked[0]}: done\n", "")
    assert api.desk.asked == [asked]


def test_a_refusal_is_told_with_what_to_do(api, say):
    api.desk.refusal = RunRefused("the bench tripped", "benchd clear")
    assert say("resume") == (1, "", "benchd: the bench tripped\n  benchd clear\n")


def test_no_daemon_is_exit_3_and_names_the_socket(say, short_folder):
    status, out, err = say("hold", "--socket", str(short_folder / "none.sock"))
    assert (status, out) == (3, "")
    assert str(short_folder / "none.sock") in err
    assert "benchd serve --bench" in err


def test_an_order_goes_as_the_person_gave_it(api, say):
    words = ["--specimen", "brook 2x140", "--mount", "2", "--at", "22:00", "--quiet", "22:00-06:00", "--seed", "4"]
    status, out, err = say("queue", "overnight", *words, "--cooling", "liquid")
    assert (status, out, err) == (0, "queue: done\nit starts at 22:00\n", "")
    ((_, order, who),) = api.desk.asked
    assert (order.specimen, order.mount, order.quiet, order.seed) == ("brook 2x140", 2, "22:00-06:00", 4)
    assert (order.cooling, who) == ("liquid", ME)


def test_the_persons_own_protocol_is_sent_and_that_is_said(api, say, own_folders):
    own = own_folders / "config" / "benchd" / "protocols"
    own.mkdir(parents=True)
    (own / "overnight.toml").write_text('protocol = "my rest"\n[[steps]]\nkind = "dwell"\nfor_min = 1\n')
    status, _, err = say("queue", "overnight", "--specimen", "brook 2x140", "--json")
    assert status == 0
    assert f"your own file {own / 'overnight.toml'}" in err
    assert api.desk.asked[0][1].protocol.protocol.protocol == "my rest"


def test_mistakes_of_a_protocol_are_told_with_the_persons_own_path(api, say, tmp_path):
    file = tmp_path / "my.toml"
    file.write_text('protocol = "my"\n[[steps]]\nkind = "doze"\n')
    status, _, err = say("queue", str(file), "--specimen", "brook 2x140")
    assert status == 2
    assert f"{file}:3:" in err
    assert api.desk.asked == []


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["queue"], "either a PROTOCOL or --repair"),
        (["queue", "overnight"], "on which specimen"),
        (["queue", "overnight", "--repair", "3"], "either a PROTOCOL or --repair"),
        (["queue", "--repair", "3", "--specimen", "brook 2x140"], "leave --specimen out"),
        (["queue", "--repair", "3", "--at", "22:00", "--mount", "2"], "leave --mount and --at out"),
        (["queue", "overnight", "--specimen", "brook 2x140", "--at", "25:00"], "25:00"),
        (["queue", "overnight", "--specimen", "brook 2x140", "--quiet", "late"], "late"),
        (["queue", "overday", "--specimen", "brook 2x140"], "no protocol named"),
        (["queue", "simulated", "--specimen", "brook 2x140"], "no protocol named"),
        (["resume", "0"], "0"),
        (["specimens", "add", "fir"], "--cooling"),
    ],
)
def test_wrong_words_are_exit_2_and_reach_nobody(api, say, words, told):
    status, out, err = say(*words)
    assert (status, out) == (2, "")
    assert told in err
    assert api.desk.asked == []


def test_the_books_are_shown_and_written(api, say, short_folder):
    assert say("specimens") == (0, "brook 2x140  liquid  a loop with two fans\n", "")
    status, out, _ = say("specimens", "--json")
    assert (status, json.loads(out)[0]["name"]) == (0, "brook 2x140")
    status, out, _ = say("mounts")
    assert out.splitlines() == [
        "brook 2x140  mount 1  taken off 2026-11-25 21:00",
        "brook 2x140  mount 2  on the bench 2026-11-25 21:00",
    ]
    assert say("mounts", "--specimen", "fir & oak")[0] == 2
    assert say("specimens", "add", "fir", "--cooling", "air") == (0, "fir is in the books\n", "")
    assert say("mounts", "add", "fir", "--note", "new paste") == (0, "mount 3 of fir is on the bench\n", "")
    assert [asked[:2] for asked in api.desk.asked] == [("add_specimen", "fir"), ("add_mount", "fir")]
    # The socket may stand before `add` too.
    nowhere = str(short_folder / "none.sock")
    assert say("specimens", "--socket", nowhere, "add", "fir", "--cooling", "air")[0] == 3
    assert say("mounts", "--socket", nowhere, "add", "fir")[0] == 3


def test_what_would_steer_a_terminal_is_written_out(api, say):
    api.desk.refusal = RunRefused("\x1b[31mred")
    assert "\\x1b[31mred" in say("hold")[2]


@pytest.mark.parametrize(("typed", "asked"), [(b"y\n", [("abort", 12, ME)]), (b"n\n", []), (b"\n", [])])
def test_at_a_terminal_one_is_asked_before_what_is_played_ends(api, typed, asked):
    api.board.publish(PLAYED)
    status, said = _at_a_terminal(api, typed, "abort")
    assert "abort run 12 (overnight)?" in said
    assert api.desk.asked == asked
    assert status == (0 if asked else 1)


def test_one_that_only_waits_is_given_up_without_a_question(api):
    api.board.publish({"run": None})
    assert _at_a_terminal(api, b"", "abort", "13")[0] == 0
    assert api.desk.asked == [("abort", 13, ME)]


def _at_a_terminal(api, typed: bytes, *words: str) -> tuple[int, str]:
    """Runs a command on a terminal of its own and types there; exit status and all that was shown."""
    ours, theirs = pty.openpty()
    environment = {**os.environ, "BENCHD_SOCKET": str(api.path), "TERM": "dumb"}
    command = [sys.executable, "-m", "benchd", *words]
    process = subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, env=environment)
    os.close(theirs)
    os.write(ours, typed)
    said = b""
    try:
        while select.select([ours], [], [], 20)[0] and (piece := os.read(ours, 1000)):
            said += piece
    except OSError:  # EIO: the other end is closed
        pass
    os.close(ours)
    return process.wait(20), said.decode()
