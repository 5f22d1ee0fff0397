"""The stream that drivers talk over, on real sockets and pseudo-terminals: what comes, and what can go wrong."""

import contextlib
import errno
import os
import socket
import subprocess
import sys
import termios
import threading
import time
import tty
from pathlib import Path

import pytest
from pydantic import ValidationError

from benchd.errors import Garbled, LinkLost, NoAnswer
from drivers.links.patience import Patience
from drivers.links.stream import WireKeys, collect, open_stream, shown

ROOT = Path(__file__).parents[3]
LONG_S = 5.0
SHORT_S = 0.05


class TcpPeer:
    """The far end of one connection."""

    def __init__(self):
        self._listener = socket.create_server(("127.0.0.1", 0))
        # Small, so that a peer that never reads is soon full.
        self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        self.port = self._listener.getsockname()[1]
        self.keys = WireKeys(host="127.0.0.1", port=self.port)
        self._connection = None

    def open(self):
        stream = open_stream(self.keys, "meter", Patience(LONG_S))
        self._connection, _ = self._listener.accept()
        return stream

    def send(self, data):
        self._connection.sendall(data)

    def receive(self, count):
        return self._connection.recv(count, socket.MSG_WAITALL)

    def hang_up(self):
        self._connection.close()

    def close(self):
        self._listener.close()
        if self._connection is not None:
            self._connection.close()


class PtyPeer:
    """The far end of a serial line, under a name that stays."""

    def __init__(self, folder):
        self._link = folder / "meter"
        self.keys = WireKeys(serial=str(self._link))
        self._files = ()
        self.plug_in()

    def plug_in(self):
        self._files = os.openpty()
        tty.setraw(self._files[1])
        self._link.symlink_to(os.ttyname(self._files[1]))

    def open(self):
        return open_stream(self.keys, "meter", Patience(LONG_S))

    def send(self, data):
        os.write(self._files[0], data)

    def receive(self, count):
        got = b""
        while len(got) < count:
            got += os.read(self._files[0], count - len(got))
        return got

    def hang_up(self):
        self._link.unlink()
        self.close()

    def close(self):
        for file in self._files:
            os.close(file)
        self._files = ()


@contextlib.contextmanager
def closing(thing):
    try:
        yield thing
    finally:
        thing.close()


@pytest.fixture(params=["tcp", "serial"])
def peer(request, tmp_path):
    with closing(TcpPeer() if request.param == "tcp" else PtyPeer(tmp_path)) as made:
        yield made


@pytest.fixture
def stream(peer):
    with closing(peer.open()) as opened:
        yield opened


@contextlib.contextmanager
def meanwhile(act):
    thread = threading.Thread(target=act)
    thread.start()
    try:
        yield
    finally:
        thread.join()


def answer(stream, patience_s=LONG_S, end=b"\r\n", **more):
    return collect(stream, end, "meter", Patience(patience_s), **more)


# --- what comes


def test_bytes_go_both_ways_whatever_they_are(peer, stream):
    everything = bytes(range(256))
    stream.send(everything, Patience(LONG_S))
    assert peer.receive(256) == everything
    peer.send(everything)
    got = b""
    while len(got) < 256:
        got += stream.receive(Patience(LONG_S))
    assert got == everything


def test_an_answer_is_put_together_though_its_end_comes_in_two_pieces(peer, stream):
    def in_pieces():
        for piece in (b"41", b".2 dBA\r", b"\n41.3"):
            peer.send(piece)
            time.sleep(0.03)

    with meanwhile(in_pieces):
        got, rest = answer(stream)
    assert got == b"41.2 dBA"
    assert (rest + stream.receive(Patience(0.0))) == b"41.3"


def test_what_came_after_an_answer_begins_the_next(peer, stream):
    peer.send(b"1\r\n2\r\n3")
    first, rest = answer(stream)
    while b"3" not in rest:
        rest += stream.receive(Patience(LONG_S))
    assert (first, answer(stream, begun=rest)) == (b"1", (b"2", b"3"))


def test_receiving_waits_no_longer_than_patience(stream):
    begun_s = time.monotonic()
    assert stream.receive(Patience(SHORT_S)) == b""
    assert time.monotonic() - begun_s < 1.0


def test_what_lies_there_is_given_without_patience(peer, stream):
    peer.send(b"41.2")
    assert stream.receive(Patience(LONG_S)) == b"41.2"
    assert stream.receive(Patience(0.0)) == b""


# --- what does not


def test_silence_is_no_answer_and_says_what_to_check(stream):
    with pytest.raises(NoAnswer, match=r"meter: no answer\n.*power"):
        answer(stream, SHORT_S)


def test_silence_on_a_serial_port_may_be_a_wrong_speed(line):
    line.keys = line.keys.model_copy(update={"baud": 19200})
    with closing(line.open()) as stream, pytest.raises(NoAnswer, match="baud = 19200 and parity = none too"):
        answer(stream, SHORT_S)


def test_half_an_answer_is_shown_with_what_it_may_mean(peer, stream):
    peer.send(b"41.\xfe")
    with pytest.raises(NoAnswer, match=r"began and did not end: '41\.\\xfe'\n.*baud"):
        answer(stream, 0.2)


def test_a_flood_without_an_end_is_garbled_and_not_kept(peer, stream):
    with pytest.raises(Garbled, match=r"bytes without an end: 'yyyy"), meanwhile(lambda: peer.send(b"y" * 4000)):
        answer(stream, longest=100)


def test_discarding_throws_away_what_has_arrived_and_shows_it(peer, stream):
    peer.send(b"a late answer")
    time.sleep(SHORT_S)
    assert stream.discard() == b"a late answer"
    assert stream.discard() == b""
    peer.send(b"a fresh one")
    assert stream.receive(Patience(LONG_S)) == b"a fresh one"


def test_discarding_a_flood_comes_to_an_end_without_keeping_it(peer, stream):
    flooding = threading.Event()
    flooding.set()

    def flood():
        with contextlib.suppress(OSError):
            while flooding.is_set():
                peer.send(b"41.2 dBA\r\n" * 400)

    with meanwhile(flood):
        time.sleep(SHORT_S)
        thrown = stream.discard()
        flooding.clear()
        while stream.receive(Patience(SHORT_S)):  # let the flood out of its send
            pass
    assert b"41.2 dBA" in thrown
    assert len(thrown) <= 4096


def test_a_peer_that_never_reads_costs_no_more_than_patience(stream):
    begun_s = time.monotonic()
    with pytest.raises(NoAnswer, match=r"meter (at|on) .*does not take what is sent"):
        stream.send(b"?" * 50_000_000, Patience(0.3))
    assert time.monotonic() - begun_s < 4.0


def test_a_lost_wire_is_told_by_everything_that_uses_it(peer, stream):
    peer.hang_up()
    time.sleep(SHORT_S)
    with pytest.raises(LinkLost, match=r"meter (at|on) .*was lost"):
        stream.receive(Patience(LONG_S))
    with pytest.raises(LinkLost, match="was lost"):
        stream.discard()
    with pytest.raises(LinkLost, match="was lost"):
        stream.send(b"?" * 1_000_000, Patience(LONG_S))


def test_closing_never_raises_and_what_is_closed_is_lost(stream):
    stream.close()
    stream.close()
    with pytest.raises(LinkLost):
        stream.receive(Patience(SHORT_S))
    with pytest.raises(LinkLost):
        stream.send(b"?", Patience(SHORT_S))
    with pytest.raises(LinkLost):
        stream.discard()


# --- TCP


def test_nobody_listens():
    with socket.create_server(("127.0.0.1", 0)) as listener:
        free = listener.getsockname()[1]
    with pytest.raises(LinkLost, match=rf"meter at 127\.0\.0\.1:{free}: cannot connect: .*refused\n.*host and port"):
        open_stream(WireKeys(host="127.0.0.1", port=free), "meter", Patience(LONG_S))


def test_a_port_is_needed_unless_there_is_a_usual_one():
    with pytest.raises(LinkLost, match="no port"):
        open_stream(WireKeys(host="127.0.0.1"), "meter", Patience(SHORT_S))
    with socket.create_server(("127.0.0.1", 0)) as listener:
        usual = listener.getsockname()[1]
        open_stream(WireKeys(host="127.0.0.1"), "meter", Patience(LONG_S), usual_port=usual).close()


def test_a_silent_tcp_peer_is_asked_whether_it_is_still_there():
    with closing(TcpPeer()) as peer, closing(peer.open()) as stream:
        assert stream._socket.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)  # no other way to see it


# --- serial ports


@pytest.fixture
def line(tmp_path):
    with closing(PtyPeer(tmp_path)) as made:
        yield made


#: Opens a port as another program might, says so, and holds it until its standard input ends.
HOLDER = """
import fcntl, os, sys, termios
port = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
if sys.argv[2] == "lock":
    fcntl.flock(port, fcntl.LOCK_EX)
else:
    fcntl.ioctl(port, termios.TIOCEXCL)
print("held", flush=True)
sys.stdin.read()
"""

#: Opens a port as a driver does, as somebody for whom the kernel's rules hold, and prints what is wrong.
OPENER = """
import os, sys
from drivers.links.patience import Patience
from drivers.links.stream import WireKeys, open_stream
if os.geteuid() == 0:
    os.setuid(65534)
try:
    open_stream(WireKeys(serial=sys.argv[1]), "meter", Patience(5.0)).close()
except Exception as error:
    print(error)
"""


@contextlib.contextmanager
def another_program(path, how):
    command = [sys.executable, "-c", HOLDER, str(path), how]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout.readline() == b"held\n"
        yield process
        process.stdin.close()


def test_a_port_that_another_program_has_locked_is_named_with_the_program(line):
    with another_program(line.keys.serial, "lock") as holder, pytest.raises(LinkLost) as lost:
        line.open()
    assert f"in use by {sys.executable}"[:40] in lost.value.message
    assert f"(process {holder.pid})" in lost.value.message
    assert "end the other program" in lost.value.hint


def test_a_port_that_another_program_has_for_itself_is_named_with_the_program_if_it_can_be_seen(line):
    path = os.path.realpath(line.keys.serial)
    os.chmod(path, 0o666)
    opener = [sys.executable, "-c", OPENER, path]
    with another_program(path, "exclusive") as holder:
        said = subprocess.run(opener, capture_output=True, text=True, check=True, cwd=ROOT)
    who = "a program of another user" if os.geteuid() == 0 else f"(process {holder.pid})"
    assert "in use by" in said.stdout
    assert who in said.stdout
    assert "end the other program" in said.stdout


def test_two_instruments_on_one_port(line):
    with closing(line.open()), pytest.raises(LinkLost, match=r"in use by this program itself\n.*one must go"):
        line.open()
    line.open().close()


def test_a_parity_that_the_port_cannot_do_is_told_in_words(line):
    """A pseudo-terminal has none; the C library says so when it is asked for it a second time, at the latest."""
    keys = line.keys.model_copy(update={"parity": "even"})

    def open_twice():
        for _ in range(2):
            open_stream(keys, "meter", Patience(1.0)).close()

    with pytest.raises(LinkLost, match=r"cannot be opened: .*Invalid argument.*\n.*do that baud, parity"):
        open_twice()


def test_unplugged_and_back_under_the_same_name(line):
    with closing(line.open()) as stream:
        line.hang_up()
        with pytest.raises(LinkLost, match=r"meter on .*meter: the serial port was lost"):
            stream.receive(Patience(LONG_S))
    with pytest.raises(LinkLost, match=r"there is no such serial port\n.*--find"):
        line.open()
    line.plug_in()
    with closing(line.open()) as stream:
        line.send(b"41.2 dBA\r\n")
        assert answer(stream)[0] == b"41.2 dBA"


def test_what_is_no_serial_port_is_called_so(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(LinkLost, match=r"this is no serial port\n"):
        open_stream(WireKeys(serial=str(tmp_path / "file")), "meter", Patience(SHORT_S))


def test_a_port_is_opened_with_the_speed_of_the_bench_file(line):
    keys = WireKeys(serial=line.keys.serial, baud=4800, stop_bits=2)
    with closing(open_stream(keys, "meter", Patience(LONG_S))):
        attributes = termios.tcgetattr(line._files[1])
    assert attributes[5] == termios.B4800
    assert attributes[2] & termios.CSTOPB


def test_what_a_port_cannot_take_is_forgotten_so_that_closing_does_not_wait(line):
    stream = line.open()
    with pytest.raises(NoAnswer):
        stream.send(b"?" * 1_000_000, Patience(SHORT_S))
    begun_s = time.monotonic()
    stream.close()
    assert time.monotonic() - begun_s < 1.0


def test_half_a_question_does_not_leave_later(line):
    """Nobody reads: what waits in the kernel then is far more than the few kB that the far end holds already."""
    with closing(line.open()) as stream:
        with pytest.raises(NoAnswer):
            stream.send(b"?" * 1_000_000, Patience(SHORT_S))
        os.set_blocking(line._files[0], False)
        came = 0
        with contextlib.suppress(BlockingIOError):
            while piece := os.read(line._files[0], 65536):
                came += len(piece)
                time.sleep(0.01)
    assert came <= 8192, came


# --- keys


@pytest.mark.parametrize(
    ("keys", "what"),
    [
        ({}, "either host or serial"),
        ({"host": "10.0.0.1", "serial": "/dev/ttyS0"}, "either host or serial"),
        ({"serial": "/dev/ttyS0", "port": 5}, "port goes with host"),
        ({"serial": "/dev/ttyS0", "baud": 0}, "greater than"),
        ({"host": "10.0.0.1", "baud": 19200, "parity": "even"}, "baud and parity go with serial"),
        ({"host": "10.0.0.1", "stop_bits": 2}, "stop_bits go with serial"),
        ({"serial": "/dev/ttyS0", "parity": "mark"}, "none"),
    ],
)
def test_an_instrument_hangs_on_one_wire(keys, what):
    with pytest.raises(ValidationError, match=what):
        WireKeys(**keys)


def test_bytes_are_shown_so_that_a_person_can_read_them():
    assert shown(b"\x00\xff ok\r\n") == r"'\x00\xff ok\r\n'"
    assert shown(b"12345", most=2) == "'12' and so on, 5 bytes"


def test_errors_of_the_system_have_numbers_that_are_told_apart():
    """pyserial hands the number on; without it every failure would read the same."""
    with pytest.raises(LinkLost) as lost:
        open_stream(WireKeys(serial="/nowhere/at/all"), "meter", Patience(SHORT_S))
    assert lost.value.__cause__.errno == errno.ENOENT
