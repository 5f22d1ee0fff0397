"""Calls from other threads, made by the one that plays: done once, or told that it was busy and then never done."""

from __future__ import annotations

import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from benchd.errors import BenchdError, RunRefused
from benchd.service.inbox import Busy, Inbox


class Serving:
    """A loop that serves an inbox with a list for its desk, as the one that plays does."""

    def __init__(self, inbox: Inbox[list[str]], every_s: float = 0.02) -> None:
        self.desk: list[str] = []
        self.threads: set[int] = set()
        self._inbox = inbox
        self._every_s = every_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve)

    def __enter__(self) -> Serving:
        self._thread.start()
        return self

    def __exit__(self, *exc: object) -> None:
        self._stop.set()
        self._thread.join()

    def _serve(self) -> None:
        while not self._stop.wait(self._every_s):
            self._inbox.serve(self.desk)

    @property
    def ident(self) -> int | None:
        return self._thread.ident


def test_a_call_is_made_with_the_desk_by_the_thread_that_plays():
    inbox: Inbox[list[str]] = Inbox(5.0)

    def call(desk: list[str]) -> tuple[int, int]:
        desk.append("hold")
        return len(desk), threading.get_ident()

    with Serving(inbox) as serving:
        assert inbox.ask(call) == (1, serving.ident)
        assert serving.desk == ["hold"]


def test_errors_go_to_who_asked_and_the_one_that_plays_goes_on():
    inbox: Inbox[list[str]] = Inbox(5.0)

    def refuse(_desk: list[str]) -> None:
        raise RunRefused("no run is played", "see benchd status")

    def fault(_desk: list[str]) -> None:
        raise ZeroDivisionError

    with Serving(inbox):
        with pytest.raises(RunRefused, match="no run is played") as refused:
            inbox.ask(refuse)
        assert refused.value.hint == "see benchd status"
        with pytest.raises(ZeroDivisionError):
            inbox.ask(fault)
        assert inbox.ask(len) == 0


def test_a_time_out_of_the_call_itself_is_its_own_error():
    """Not to be taken for the asker's patience."""
    inbox: Inbox[list[str]] = Inbox(5.0)

    def times_out(_desk: list[str]) -> None:
        raise TimeoutError("the meter says nothing")

    with Serving(inbox), pytest.raises(TimeoutError, match="the meter says nothing"):
        inbox.ask(times_out)


def test_busy_is_told_in_time_and_the_call_is_never_made():
    inbox: Inbox[list[str]] = Inbox(0.1)
    begun_s = time.monotonic()
    with pytest.raises(Busy, match=r"did not come to it within 0\.1 s") as busy:
        inbox.ask(lambda desk: desk.append("abort"))
    assert 0.1 <= time.monotonic() - begun_s < 1
    assert isinstance(busy.value, BenchdError)
    desk: list[str] = []
    inbox.serve(desk)
    assert desk == []


def test_a_call_that_has_begun_is_waited_for():
    """It is as good as done: its asker must not be told that it was not."""
    inbox: Inbox[list[str]] = Inbox(0.1)

    def slow(desk: list[str]) -> str:
        time.sleep(0.4)
        desk.append("confirm")
        return "confirmed"

    with Serving(inbox) as serving:
        assert inbox.ask(slow) == "confirmed"
        assert serving.desk == ["confirm"]


def test_many_askers_each_get_their_own_answer_and_each_call_is_made_once():
    inbox: Inbox[list[str]] = Inbox(10.0)

    def asked(number: int) -> int:
        return inbox.ask(lambda desk: (desk.append(str(number)), number)[1])

    with Serving(inbox) as serving, ThreadPoolExecutor(8) as askers:
        assert list(askers.map(asked, range(200))) == list(range(200))
        assert sorted(serving.desk, key=int) == [str(number) for number in range(200)]


def test_either_busy_or_done_never_both():
    """Patience that ends just when the call is begun."""
    inbox: Inbox[list[str]] = Inbox(0.01)
    told: dict[int, bool] = {}

    def ask(number: int) -> None:
        try:
            inbox.ask(lambda desk: desk.append(str(number)))
            told[number] = True
        except Busy:
            told[number] = False

    with Serving(inbox, every_s=0.01) as serving, ThreadPoolExecutor(4) as askers:
        list(askers.map(ask, range(100)))
    assert sorted(map(int, serving.desk)) == sorted(number for number, done in told.items() if done)


def test_waiting_ends_when_something_is_asked():
    inbox: Inbox[list[str]] = Inbox(5.0)
    assert not inbox.wait(0.01)
    with ThreadPoolExecutor(1) as asker:
        asked = asker.submit(inbox.ask, len)
        assert inbox.wait(5.0)
        inbox.serve(["one"])
        assert asked.result() == 1
    assert not inbox.wait(0.01)
