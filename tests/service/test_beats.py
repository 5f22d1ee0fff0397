"""Beats over a real pipe: ready first, beats no more often than needed, and never a wait."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import suppress

import pytest

from benchd.service.beats import BEAT, EVERY_S, LEAVING, NOT_TAKEN, READY, TAKEN, Heart


@pytest.fixture
def pipe() -> Iterator[tuple[int, int]]:
    """The guard's end and the child's; whichever a test has not closed is closed."""
    ends = os.pipe()
    os.set_blocking(ends[0], False)
    yield ends
    for end in ends:
        with suppress(OSError):
            os.close(end)


def heard(pipe: tuple[int, int]) -> bytes:
    try:
        return os.read(pipe[0], 1_000_000)
    except BlockingIOError:
        return b""


def test_what_is_told_arrives_in_order(pipe):
    heart = Heart(pipe[1])
    heart.ready()
    heart.beat()
    heart.taken(True)
    heart.taken(False)
    heart.leaving()
    assert heard(pipe) == READY + BEAT + TAKEN + NOT_TAKEN + LEAVING
    assert len({READY, BEAT, TAKEN, NOT_TAKEN, LEAVING}) == 5


def test_beats_come_often_enough_and_not_more_often(pipe):
    heart = Heart(pipe[1])
    until_s = time.monotonic() + 5 * EVERY_S
    while time.monotonic() < until_s:
        heart.beat()
    beats = heard(pipe)
    assert set(beats) == set(BEAT)
    assert 3 <= len(beats) <= 6


def test_a_guard_that_does_not_read_is_never_waited_for(pipe):
    heart = Heart(pipe[1])
    begun_s = time.monotonic()
    for _ in range(100_000):
        heart.ready()
    assert time.monotonic() - begun_s < 5
    assert set(heard(pipe)) == set(READY)


def test_a_guard_that_is_gone_is_told_elsewhere(pipe):
    heart = Heart(pipe[1])
    os.close(pipe[0])
    heart.ready()
    heart.beat()
