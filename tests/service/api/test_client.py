"""The light client: what it asks, what it makes of each answer, and of a daemon that is not there or goes away."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from benchd.errors import BenchdError, DaemonNeeded, InputError, NotFound, RunRefused, StoreError
from benchd.service.client import Client
from benchd.service.inbox import Busy
from benchd.service.socket_place import bind


@contextmanager
def _answering(path, *answers: bytes) -> Iterator[Client]:
    """A server that gives these bytes, one connection after the other, and hangs up."""
    with bind(path) as listening:

        def serve() -> None:
            for answer in answers:
                connection, _ = listening.accept()
                with connection:
                    connection.recv(65536)
                    connection.sendall(answer)

        thread = threading.Thread(target=serve)
        thread.start()
        yield Client(path)
        thread.join(10)


@contextmanager
def _taking_few(path) -> Iterator[tuple[socket.socket, int]]:
    """A socket at which as many wait as can, and how many those are; all of them have hung up."""
    before = 0
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(path))
        listening.listen(1)
        listening.settimeout(10)
        while True:
            with socket.socket(socket.AF_UNIX) as waits:
                waits.setblocking(False)
                try:
                    waits.connect(str(path))
                except BlockingIOError:
                    break
            before += 1
        yield listening, before


@pytest.mark.parametrize(
    ("refusal", "kind"),
    [
        (NotFound("there is no run 4", "the newest: 3"), NotFound),
        (RunRefused("the bench tripped", "benchd clear"), RunRefused),
        (InputError("which run?", "benchd resume RUN"), InputError),
        (StoreError("the disk is full", "make room"), BenchdError),
        (Busy("the bench did not come to it", "try again"), BenchdError),
    ],
)
def test_a_refusal_comes_back_as_what_it_was(api, refusal, kind):
    api.desk.refusal = refusal
    with pytest.raises(kind) as told:
        api.ask("POST", "/resume", {"run": 4})
    assert type(told.value) is kind
    assert (told.value.message, told.value.hint) == (refusal.message, refusal.hint)
    assert told.value.exit_code == kind.exit_code


def test_no_daemon_is_told_with_the_socket_and_what_to_do(short_folder):
    with pytest.raises(DaemonNeeded) as told:
        Client(short_folder / "b.sock").get("/status")
    assert str(short_folder / "b.sock") in told.value.message
    assert "benchd serve --bench" in told.value.hint
    assert told.value.exit_code == 3


def test_a_path_too_long_for_a_socket_is_a_daemon_that_is_not_there(tmp_path):
    with pytest.raises(DaemonNeeded, match="too long"):
        Client(tmp_path / ("x" * 200)).get("/status")


@pytest.mark.skipif(os.getuid() != 0, reason="only root can become somebody else")
def test_who_may_not_is_told_which_group_to_join(api, short_folder):
    os.chmod(short_folder, 0o755)
    os.chown(api.path.parent, 0, 20)
    asks = (
        "import os, sys; from pathlib import Path; from benchd.service.client import Client; os.setgroups([]);"
        "os.setgid(65534); os.setuid(65534)\n"
        "try: Client(Path(sys.argv[1])).get('/status')\n"
        "except Exception as error: print(type(error).__name__, error)"
    )
    said = subprocess.run([sys.executable, "-c", asks, api.path], capture_output=True, text=True, check=True).stdout
    assert said.startswith("DaemonNeeded")
    assert "join group dialout" in said


@pytest.mark.parametrize(
    "answer",
    [
        b"",
        b"HTTP/1.1 200 OK\r\n",
        b"HTTP/1.1 200 OK\r\nContent-Length: 40\r\n\r\n{}",
        b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n9\r\n{",
        b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n2\r\n{}\r\n",
        b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
        b"HTTP/1.1 200 OK\r\nContent-Length: 3\r\n\r\n<p>",
        b"SSH-2.0-something\r\n",
        b"HTTP/1.1 two\r\n\r\n",
    ],
)
def test_half_an_answer_or_nonsense_is_never_taken_for_one(short_folder, answer):
    with _answering(short_folder / "b.sock", answer) as client, pytest.raises(DaemonNeeded):
        client.get("/status")


def test_one_that_does_not_answer_is_given_up(short_folder):
    with bind(short_folder / "b.sock"), pytest.raises(DaemonNeeded, match="does not answer"):
        Client(short_folder / "b.sock").get("/status", timeout_s=0.1)


def test_one_that_takes_nobody_any_more_is_given_up(short_folder):
    path = short_folder / "b.sock"
    with _taking_few(path), pytest.raises(DaemonNeeded, match="does not answer"):
        Client(path).get("/status", timeout_s=0.1)


def test_when_many_come_at_once_one_waits_for_its_turn(short_folder):
    path = short_folder / "b.sock"
    answers = []
    with _taking_few(path) as (listening, before):
        asks = threading.Thread(target=lambda: answers.append(Client(path).get("/status", timeout_s=20)))
        asks.start()
        asks.join(0.2)
        assert answers == []
        for _ in range(before + 1):
            taken, _ = listening.accept()
            with taken:
                if taken.recv(65536):  # those before have hung up already
                    taken.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\n{}")
        asks.join(20)
    assert answers == [{}]


def test_chunks_and_letters_of_many_bytes_are_put_together(short_folder):
    text = '{"what": "Lüfter"}'.encode()
    chunks = b"".join(b"1;x=y\r\n%c\r\n" % byte for byte in text) + b"0\r\n\r\n"
    with _answering(
        short_folder / "b.sock", b"HTTP/1.1 200 OK\r\ntransfer-encoding: chunked\r\n\r\n" + chunks
    ) as client:
        assert client.get("/status") == {"what": "Lüfter"}


def test_live_shows_pictures_and_what_happened(api):
    api.board.publish({"events": [{"event": 1, "what": "before"}], "n": 1})
    live = Client(api.path).live(0.2)
    # What happened before somebody looked is in the picture, and does not happen again.
    assert next(live) == ("status", api.board.latest.document)
    api.board.publish({"events": [{"event": 1, "what": "before"}, {"event": 2, "what": "held"}], "n": 2})
    assert next(live) == ("happened", {"event": 2, "what": "held"})
    assert next(live) == ("status", api.board.latest.document)
    live.close()


def test_live_leaves_out_pictures_that_nobody_had_time_for(api):
    api.board.publish({"events": [], "n": 0})
    live = Client(api.path).live(0.5)
    assert next(live)[1]["n"] == 0
    for n in range(1, 200):
        api.board.publish({"events": [], "n": n})
    assert next(live)[1]["n"] == 199
    live.close()


def test_live_of_what_cannot_be_shown_is_refused(api):
    with pytest.raises(InputError, match="every_s"):
        next(Client(api.path).live(1000))


def test_a_daemon_that_goes_away_ends_live_plainly(short_folder):
    head = b"HTTP/1.1 200 OK\r\ntransfer-encoding: chunked\r\n\r\n"
    event = b': still here\n\nevent: status\ndata: {"n": 1}\n\n'
    whole = b"%x\r\n%s\r\n" % (len(event), event)
    answers = [head + whole, head + whole + b"40\r\nevent: st", head + whole + b"5\r\nevent\r\n0\r\n\r\n"]
    with _answering(short_folder / "b.sock", *answers) as client:
        for _ in answers:
            assert list(client.live(1)) == [("status", {"n": 1})]
    with pytest.raises(DaemonNeeded):
        next(client.live(1))


def test_it_is_light():
    code = (
        "import sys; before = set(sys.modules); import benchd.service.client; "
        "print(*(name for name in ('asyncio', 'http', 'ssl', 'email', 'urllib.request', 'pydantic', 'sqlalchemy') "
        "if name in sys.modules))"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ended.stdout.split() == []


def test_sockets_are_given_back(api):
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(20):
        api.ask("POST", "/hold")
    with pytest.raises(NotFound):
        api.ask("GET", "/nowhere")
    assert len(os.listdir("/proc/self/fd")) <= before + 2
