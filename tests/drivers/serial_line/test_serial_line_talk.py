"""When a line may be believed: a peer that says what a test tells it to, byte by byte."""

import contextlib
import queue
import socket
import threading
import time
import tracemalloc

import pytest

from benchd.errors import Garbled, InstrumentError, LinkLost, NoAnswer
from benchd.instruments import SampleFlag, Setup
from drivers.serial_line.driver import SerialLine, SerialLineSpec

DEADLINE_S = 0.6
STALE_S = 1.5
MISSING = {"level_dba": SampleFlag.MISSING}


class Peer:
    """Accepts one connection after the other; sends what it is told, and what `answer` gives for a line."""

    def __init__(self, answer=None):
        self.asked = queue.Queue()
        self._answer = answer
        self._connection = None
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def send(self, data):
        end_s = time.monotonic() + 5
        while self._connection is None and time.monotonic() < end_s:
            time.sleep(0.005)
        self._connection.sendall(data)
        time.sleep(0.02)  # loopback is quick, but not at once

    def later(self, after_s, data):
        timer = threading.Timer(after_s, self._connection.sendall, [data])
        timer.start()
        return timer

    def _serve(self):
        with contextlib.suppress(OSError):
            while True:
                connection, _ = self._listener.accept()
                self._connection = connection
                with connection, connection.makefile("rb") as lines:
                    self._talk(connection, lines)

    def _talk(self, connection, lines):
        with contextlib.suppress(OSError):
            for line in lines:
                self.asked.put(line)
                answer = self._answer(line) if self._answer else None
                if answer:
                    connection.sendall(answer)

    def close(self):
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        if self._connection is not None:
            with contextlib.suppress(OSError):
                self._connection.shutdown(socket.SHUT_RDWR)
        self._thread.join()


KEYS = {
    "driver": "serial_line",
    "host": "127.0.0.1",
    "deadline_s": DEADLINE_S,
    "stale_s": STALE_S,
    "quiet_s": 0.3,
    "pattern": r"(?P<level>\d+(\.\d)?) dBA",
    "channels": {"level_dba": {"group": "level"}},
}


@contextlib.contextmanager
def meter(answer=None, **keys):
    peer = Peer(answer)
    spec = SerialLineSpec.model_validate(KEYS | {"port": peer.port} | keys)
    driver = SerialLine(Setup("meter", spec))
    try:
        driver.open()
        yield driver, peer
    finally:
        driver.close()
        peer.close()


def level(driver):
    return driver.read(0.0)["level_dba"]


def tried(driver):
    """The level, or the error."""
    try:
        return level(driver)
    except InstrumentError as error:
        return error


# --- a device that sends by itself


def test_the_line_that_was_under_way_at_opening_is_no_reading():
    with meter() as (driver, peer):
        peer.send(b"1.2 dBA\r\n")  # of 41.2 dBA
        assert level(driver) is SampleFlag.MISSING
        peer.send(b"41.3 dBA\r\n")
        assert level(driver) == 41.3


def test_the_newest_line_counts_however_many_there_are():
    with meter() as (driver, peer):
        peer.send(b"0\r\n" + b"".join(b"%d dBA\r\n" % count for count in range(1000)))
        assert level(driver) == 999


def test_the_same_line_counts_until_it_is_stale_and_then_there_is_none():
    with meter() as (driver, peer):
        peer.send(b"\r\n41.2 dBA\r\n")
        began_s = time.monotonic()
        seen = []
        while not seen or not isinstance(seen[-1][1], NoAnswer):
            seen.append((time.monotonic() - began_s, tried(driver)))
            assert seen[-1][0] < 10
            time.sleep(0.05)
        assert "sends nothing" in seen[-1][1].message
        assert seen[0][1] == 41.2
        assert all(at_s <= STALE_S for at_s, value in seen if value == 41.2)
        with pytest.raises(NoAnswer):  # and it stays so
            level(driver)
        peer.send(b"41.5 dBA\r\n")
        assert level(driver) == 41.5


def test_of_what_lay_there_unlooked_at_for_too_long_nobody_knows_the_age():
    with meter(stale_s=0.3, deadline_s=0.2) as (driver, peer):
        peer.send(b"\r\n41.2 dBA\r\n")
        time.sleep(0.5)
        assert level(driver) is SampleFlag.MISSING
        peer.send(b"41.3 dBA\r\n")
        assert level(driver) == 41.3


def test_after_a_long_pause_a_fresh_line_is_waited_for():
    with meter(stale_s=0.3) as (driver, peer):
        peer.send(b"\r\n41.2 dBA\r\n")
        time.sleep(0.5)
        timer = peer.later(0.1, b"41.9 dBA\r\n")
        assert level(driver) == 41.9
        timer.join()


def test_a_line_that_stalls_midway_never_joins_the_next():
    """41 and, after a gap, 41.2 dBA would be 4141.2 dBA, which fits the pattern."""
    with meter() as (driver, peer):
        peer.send(b"\r\n41.2 dBA\r\n41")
        assert level(driver) == 41.2
        peer.send(b"41.5 dBA\r\n")
        assert level(driver) == 41.2
        peer.send(b"41.6 dBA\r\n")
        assert level(driver) == 41.6


def test_the_rest_of_a_line_that_is_under_way_is_waited_for():
    with meter() as (driver, peer):
        peer.send(b"\r\n41.2 dBA\r\n41.7 d")
        timer = peer.later(0.03, b"BA\r\n")
        assert level(driver) == 41.7
        timer.join()


def test_what_is_left_of_a_line_between_two_readings_is_dropped():
    """Nobody knows how long the pause within it was."""
    with meter() as (driver, peer):
        peer.send(b"\r\n")
        timer = peer.later(0.1, b"41.2 dBA\r\n41")
        assert level(driver) == 41.2
        timer.join()
        peer.send(b"41.2 dBA\r\n")
        assert level(driver) == 41.2


def test_so_much_at_once_may_have_holes_and_only_what_comes_afterwards_counts():
    with meter() as (driver, peer):
        peer.send(b"\r\n" + b"41.2 dBA\r\n" * 5000)
        timer = peer.later(0.2, b"a tail\r\n41.8 dBA\r\n")
        assert level(driver) == 41.8
        timer.join()


@contextlib.contextmanager
def flood(peer, pause_s):
    """Lines that count up, 2000 at a time [1], with a pause between; gives how far they have come."""
    stop = threading.Event()
    sent = [0]

    def send():
        with contextlib.suppress(OSError):
            peer.send(b"\r\n")
            while not stop.wait(pause_s):
                sent[0] += 1
                peer._connection.sendall(b"%d dBA\r\n" % sent[0] * 2000)

    flooding = threading.Thread(target=send)
    flooding.start()
    try:
        yield sent
    finally:
        stop.set()
        with contextlib.suppress(OSError):
            peer._connection.shutdown(socket.SHUT_RDWR)
        flooding.join()


def test_a_stream_faster_than_any_serial_line_is_kept_up_with():
    """Some 400 kB/s, which is 4 Mbit/s."""
    with meter(stale_s=0.5) as (driver, peer), flood(peer, pause_s=0.05) as sent:
        seen = []
        for _ in range(8):
            before = sent[0]
            seen.append((before, level(driver)))
            time.sleep(0.1)
    values = [(before, value) for before, value in seen if isinstance(value, float)]
    assert len(values) >= 4
    assert all(value >= before - 1 for before, value in values)


def test_a_flood_that_cannot_be_kept_up_with_gives_no_old_value_and_nothing_grows():
    with meter(stale_s=0.5, deadline_s=0.2) as (driver, peer), flood(peer, pause_s=0.0):
        level(driver)
        tracemalloc.start()
        try:
            seen = [level(driver) for _ in range(8)]
            grown = tracemalloc.get_traced_memory()[0]
        finally:
            tracemalloc.stop()
    values = [value for value in seen if isinstance(value, float)]
    assert values == sorted(values)
    assert grown < 1_000_000


def test_bytes_that_have_no_lines_are_shown_with_what_to_try():
    with meter(stale_s=0.2, deadline_s=0.2) as (driver, peer):
        peer.send(b"\xf8\x00\x86" * 200)
        told = tried(driver)
    assert isinstance(told, Garbled)
    assert r"no whole line came, but '\xf8\x00\x86" in told.message
    assert "these are no letters" in told.hint


def test_one_line_that_makes_no_sense_is_garbled_and_the_second_in_a_row_is_shown():
    with meter() as (driver, peer):
        for line in (b"\r\n41.2 dBC\r\n", b"41.3 dBA\r\n", b"4\x001.4 dBA\r\n"):
            peer.send(line)
            last = level(driver)
        assert last is SampleFlag.GARBLED
        peer.send(b"FAULT 7\r\n")
        with pytest.raises(Garbled, match=r"'FAULT 7' does not fit the pattern\n.*compare pattern"):
            level(driver)
        peer.send(b"41.5 dBA\r\n")
        assert level(driver) == 41.5
        peer.send(b"41.6\r\n")
        assert level(driver) is SampleFlag.GARBLED


def test_lines_of_another_kind_are_passed_over_where_the_bench_file_says_so():
    with meter(ignore="#.*|BATTERY .*") as (driver, peer):
        peer.send(b"\r\n41.2 dBA\r\n# heading\r\nBATTERY 80 %\r\n\r\n")
        assert level(driver) == 41.2
        peer.send(b"FAULT 7\r\n")
        assert level(driver) is SampleFlag.GARBLED


def test_a_connection_that_was_lost_is_opened_anew_and_what_was_heard_before_is_forgotten():
    with meter() as (driver, peer):
        peer.send(b"\r\n41.2 dBA\r\n")
        assert level(driver) == 41.2
        peer._connection.shutdown(socket.SHUT_RDWR)
        time.sleep(0.05)
        with pytest.raises(LinkLost, match="the other side closed it"):
            level(driver)
        with pytest.raises(NoAnswer, match="sends nothing"):
            level(driver)
        peer.send(b"\r\n41.4 dBA\r\n")
        assert level(driver) == 41.4


def test_it_is_told_at_opening_to_send_and_told_again_after_a_loss():
    with meter(at_opening=["UNIT A", "STREAM ON"]) as (driver, peer):
        for _ in range(2):
            assert [peer.asked.get(timeout=5), peer.asked.get(timeout=5)] == [b"UNIT A\r\n", b"STREAM ON\r\n"]
            driver.open()


# --- a device that is asked


def test_each_question_brings_its_own_channels():
    answers = {b"L?\r\n": b"41.2 dBA\r\n", b"T?\r\n": b"T=23.5;H=40\r\n"}
    channels = {
        "level_dba": {"group": "level"},
        "ambient_c": {"group": "t", "ask": "T?", "pattern": r"T=(?P<t>\d+\.\d);H=(?P<h>\d+)"},
        "humidity_pct": {"group": "h", "ask": "T?", "pattern": r"T=(?P<t>\d+\.\d);H=(?P<h>\d+)"},
    }
    with meter(answers.get, ask="L?", channels=channels) as (driver, peer):
        assert driver.read(0.0) == {"level_dba": 41.2, "ambient_c": 23.5, "humidity_pct": 40.0}
        assert [peer.asked.get(timeout=5) for _ in range(2)] == [b"L?\r\n", b"T?\r\n"]
        assert peer.asked.empty()


def test_what_lay_there_before_the_question_is_no_answer_to_it():
    with meter(lambda _: b"41.2 dBA\r\n", ask="L?") as (driver, peer):
        peer.send(b"99.9 dBA\r\n")
        assert level(driver) == 41.2


def test_late_answer_is_never_taken_for_the_answer_to_a_later_question():
    """Two questions whose answers look alike, and a device that is slow once: no value may stand in the wrong place."""
    slow = threading.Event()
    slow.set()

    def answer(line):
        if slow.is_set() and line == b"A?\r\n":
            slow.clear()
            time.sleep(0.45)
        return b"11.0 dBA\r\n" if line == b"A?\r\n" else b"22.0 dBA\r\n"

    channels = {"a_dba": {"group": "level", "ask": "A?"}, "b_dba": {"group": "level", "ask": "B?"}}
    with meter(answer, channels=channels, deadline_s=0.25) as (driver, _):
        seen = []
        for _ in range(12):
            try:
                seen.append(driver.read(0.0))
            except NoAnswer:
                time.sleep(0.1)
    assert seen
    assert all(answers == {"a_dba": 11.0, "b_dba": 22.0} for answers in seen)


def test_in_quiet_time_nothing_is_asked():
    with meter(ask="L?", deadline_s=0.1, quiet_s=5.0) as (driver, peer):
        with pytest.raises(NoAnswer, match="no answer"):
            level(driver)
        peer.asked.get(timeout=5)
        began_s = time.monotonic()
        for _ in range(3):
            with pytest.raises(
                NoAnswer, match="not asked now, since a late answer may still come; before that: no answer"
            ):
                level(driver)
        assert time.monotonic() - began_s < 1.0
        assert peer.asked.empty()


def test_two_lines_for_one_question_are_garbled():
    what = r"more than one line came for 'L\?': '41\.2 dBA', then '41\.3 dBA'"
    with meter(lambda _: b"41.2 dBA\r\n41.3 dBA\r\n", ask="L?") as (driver, _), pytest.raises(Garbled, match=what):
        level(driver)


def test_an_echo_and_a_prompt_are_passed_over():
    with meter(lambda line: line + b"\r\n41.2 dBA\r\nREADY\r\n> ", ask="L?", ignore=r"L\?|READY") as (driver, _):
        assert [level(driver), level(driver)] == [41.2, 41.2]


def test_nothing_but_ignored_lines_is_no_answer():
    def endless(_):
        return b"# heading\r\n" * 3

    with meter(endless, ask="L?", ignore="#.*", deadline_s=0.2) as (driver, _), pytest.raises(NoAnswer):
        level(driver)


def test_an_answer_of_another_kind_is_shown():
    with meter(lambda _: b"ERROR 3\r\n", ask="L?") as (driver, _):
        with pytest.raises(Garbled, match=r"'ERROR 3' does not fit the pattern\n.*compare pattern"):
            level(driver)
        time.sleep(0.35)
        with pytest.raises(Garbled, match="does not fit"):
            driver.identify()


def test_an_answer_with_a_wrong_checksum_is_garbled_and_asked_again_at_once():
    answers = iter([b"41.2 dBA00\r\n", b"41.2 dBACC\r\n"])
    with meter(lambda _: next(answers), ask="L?", checksum="sum") as (driver, _):
        assert [level(driver), level(driver)] == [SampleFlag.GARBLED, 41.2]


def test_what_is_sent_carries_the_checksum_and_the_end_that_the_device_wants():
    keys = {
        "checksum": "xor",
        "checksum_after": "*",
        "checksum_start": "$",
        "checksum_sent": True,
        "sent_end": "\n",
        "line_end": "\r\n",
        "pattern": r"\$WIMWV,(?P<angle>\d+),R,(?P<level>[\d.]+),N,A",
    }
    with meter(lambda _: b"$WIMWV,045,R,011.63,N,A*09\r\n", ask="$IIWIQ,MWV", **keys) as (driver, peer):
        assert level(driver) == 11.63
        assert peer.asked.get(timeout=5) == b"$IIWIQ,MWV*2F\n"  # example of a manual: Vaisala WMT700, appendix E.3


def test_a_device_that_answers_at_opening_must_accept():
    said = iter([b"OK\r\n", b"OK\r\n", b"NO\r\n"])
    with meter(
        lambda line: next(said) if line == b"REMOTE\r\n" else b"41.2 dBA\r\n",
        ask="L?",
        at_opening=["REMOTE"],
        opening_accept="OK",
    ) as (driver, _):
        assert level(driver) == 41.2
        driver.open()
        with pytest.raises(Garbled, match=r"'REMOTE' was answered by 'NO'\n.*opening_accept"):
            driver.open()


def test_a_connection_lost_while_idle_is_opened_anew_by_the_next_question():
    with meter(lambda _: b"41.2 dBA\r\n", ask="L?") as (driver, peer):
        assert level(driver) == 41.2
        peer._connection.shutdown(socket.SHUT_RDWR)
        time.sleep(0.05)
        with pytest.raises(LinkLost):
            level(driver)
        assert level(driver) == 41.2
