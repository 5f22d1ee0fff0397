"""The text-line device as anyone sees it who opens a socket or a serial port."""

import contextlib
import math
import os
import socket
import time

import pytest
import serial

from sim.wires.base import WIRE_FAULTS, Device, Wire
from sim.wires.loop_thread import loop_thread
from sim.wires.text_line import TextDevice, TextLineServer

EVERY_S = 0.02
LATE_S = 0.1
SOON_S = 3.0


class Bench:
    """One device on its wire, and what it shows and was told."""

    def __init__(self, **how):
        self.shown = {"level": 41.23, "speed": 812.0}
        self.told = []
        self.wire = Wire("meter", late_s=LATE_S)
        device = Device({name: lambda name=name: self.shown[name] for name in self.shown}, {"fan": self.take})
        self.server = TextLineServer(TextDevice(device, **how), self.wire, EVERY_S)

    def take(self, value):
        if value > 100:
            raise ValueError("too much")
        self.told.append(value)


METER = {"form": "{level:.1f} dBA"}
ASKED = {
    "form": "{level:.1f} dBA",
    "ask": "READ?",
    "also": {"SPEED?": "N={speed:.0f}"},
    "orders": {"fan": "F (?P<value>[0-9.]+)"},
}


@contextlib.contextmanager
def on_tcp(**how):
    bench = Bench(**how)
    with loop_thread() as run:
        port = run(bench.server.start_tcp())
        try:
            yield bench, port
        finally:
            run(bench.server.close())


@contextlib.contextmanager
def on_terminal(link, **how):
    bench = Bench(**how)

    def shows(path):
        link.unlink(missing_ok=True)
        if path is not None:
            link.symlink_to(path)

    with loop_thread() as run:
        run(bench.server.start_terminal(shows))
        try:
            yield bench
        finally:
            run(bench.server.close())


@contextlib.contextmanager
def connected(port):
    with (
        socket.create_connection(("127.0.0.1", port), timeout=SOON_S) as connection,
        connection.makefile("rb") as lines,
    ):
        yield connection, lines


def asked(port, *questions):
    with connected(port) as (connection, lines):
        connection.sendall("".join(f"{question}\r\n" for question in questions).encode())
        return [lines.readline().decode() for _ in questions]


def soon(look):
    end_s = time.monotonic() + SOON_S
    while not look():
        assert time.monotonic() < end_s
        time.sleep(0.01)


# --- a sound wire


def test_it_sends_by_itself_what_it_shows_now():
    with on_tcp(**METER) as (bench, port), connected(port) as (_, lines):
        assert lines.readline() == b"41.2 dBA\r\n"
        bench.shown["level"] = 55.5
        soon(lambda: lines.readline() == b"55.5 dBA\r\n")


def test_several_may_listen():
    with on_tcp(**METER) as (_, port), connected(port) as (_, one), connected(port) as (_, other):
        assert one.readline() == other.readline() == b"41.2 dBA\r\n"


def test_it_answers_questions_one_after_the_other():
    with on_tcp(**ASKED) as (_, port):
        assert asked(port, "READ?", "SPEED?", "READ?") == ["41.2 dBA\r\n", "N=812\r\n", "41.2 dBA\r\n"]


def test_it_says_nothing_unasked_when_it_is_asked():
    with on_tcp(**ASKED) as (_, port), connected(port) as (connection, _):
        connection.settimeout(5 * EVERY_S)
        with pytest.raises(TimeoutError):
            connection.recv(1)


def test_it_takes_orders_and_refuses_what_it_cannot_do():
    with on_tcp(**ASKED) as (bench, port):
        said = asked(port, "F 40", "F 140", "F ", "F 1.2.3", "WHAT?")
    assert said == ["OK\r\n", *["ERROR 3\r\n"] * 4]
    assert bench.told == [40.0]


def test_without_a_value_it_shows_dashes():
    with on_tcp(**ASKED) as (bench, port):
        bench.shown["level"] = None
        assert asked(port, "READ?") == ["--- dBA\r\n"]
        bench.shown["level"] = math.nan
        assert asked(port, "READ?") == ["nan dBA\r\n"]


def test_a_line_far_too_long_is_refused_and_the_next_one_answered():
    with on_tcp(**ASKED) as (_, port):
        assert asked(port, "x" * 20000, "READ?")[0] == "ERROR 3\r\n"


def test_checksums():
    """$WIMWV,045,R,011.63,N,A*09: example of a wind sensor's manual (Vaisala WMT700, appendix E.3)."""
    nmea = TextDevice(Device({"speed": lambda: 11.63}), "WIMWV,045,R,{speed:06.2f},N,A", check="nmea")
    assert nmea.line() == "$WIMWV,045,R,011.63,N,A*09"
    assert TextDevice(Device({}), "AB", check="sum").line() == "AB83"  # 0x41 + 0x42


def test_names_that_there_are_not_are_refused():
    with pytest.raises(ValueError, match="no reading tooth; there are: level"):
        TextDevice(Device({"level": lambda: 1.0}), "{tooth}")
    with pytest.raises(ValueError, match="no setting tooth"):
        TextDevice(Device({}), "", orders={"tooth": "T (?P<value>.)"})


def test_a_listener_who_does_not_read_costs_the_others_nothing():
    with on_tcp(**METER) as (_, port), connected(port), connected(port) as (_, lines):
        for _ in range(20):
            assert lines.readline() == b"41.2 dBA\r\n"


# --- the same on a pseudo-terminal


def test_on_a_serial_line_it_sends_by_itself(tmp_path):
    with on_terminal(tmp_path / "meter", **METER), serial.Serial(str(tmp_path / "meter"), timeout=SOON_S) as port:
        assert port.readline() == b"41.2 dBA\r\n"


def test_on_a_serial_line_it_answers(tmp_path):
    with on_terminal(tmp_path / "fan", **ASKED), serial.Serial(str(tmp_path / "fan"), timeout=SOON_S) as port:
        port.write(b"READ?\r\nSPEED?\r\n")
        assert [port.readline(), port.readline()] == [b"41.2 dBA\r\n", b"N=812\r\n"]


def test_a_reader_may_come_and_go(tmp_path):
    with on_terminal(tmp_path / "meter", **METER):
        for _ in range(2):
            with serial.Serial(str(tmp_path / "meter"), timeout=SOON_S) as port:
                soon(lambda port=port: port.readline() == b"41.2 dBA\r\n")


def test_unplugged_the_name_leads_nowhere_and_comes_back(tmp_path):
    link = tmp_path / "meter"
    with on_terminal(link, **METER) as bench:
        port = os.open(link, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        bench.wire.fault = "unplugged"
        soon(lambda: not link.is_symlink())
        with contextlib.suppress(OSError):  # whoever had it open reads the end of it
            while os.read(port, 1000):
                pass
        os.close(port)
        bench.wire.fault = None
        soon(link.exists)
        with serial.Serial(str(link), timeout=SOON_S) as port:
            assert port.readline() == b"41.2 dBA\r\n"


# --- faults

#: The line that somebody gets who asks while a fault lasts; None: nothing that is whole.
LINES = {
    "no_answer": None,
    "late_answer": "41.2 dBA",
    "cut": None,
    "flipped_bit": None,
    "garbage": None,
    "unplugged": None,
    "deaf": None,
    "other_device": "T1=+23.50 T2=+23.47 CELSIUS",
    "exception": "ERROR 3",
    "not_a_number": "--- dBA",
}


def heard(port, question, patience_s):
    """What comes first from it, empty when nothing does."""
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=patience_s) as connection:
        connection.sendall(question)
        return connection.recv(1000)
    return b""


@pytest.mark.parametrize(("how", "question"), [(METER, b""), (ASKED, b"READ?\r\n")], ids=["unasked", "asked"])
@pytest.mark.parametrize("fault", WIRE_FAULTS)
def test_a_fault_is_seen_by_whoever_is_connected_and_ends(fault, how, question):
    with on_tcp(**how) as (bench, port):
        bench.wire.fault = fault
        time.sleep(0.05)
        got = heard(port, question, 3 * LATE_S)
        if LINES[fault] is None:
            assert not got.startswith(b"41.2 dBA\r\n")
        else:
            assert got.decode().split("\r\n")[0] == LINES[fault]
        bench.wire.fault = None
        soon(lambda: heard(port, question, SOON_S).startswith(b"41.2 dBA\r\n"))


def test_a_late_answer_is_late():
    with on_tcp(**ASKED) as (bench, port):
        bench.wire.fault = "late_answer"
        begun_s = time.monotonic()
        assert asked(port, "READ?") == ["41.2 dBA\r\n"]
        assert time.monotonic() - begun_s >= LATE_S


def test_unplugged_from_the_network_nobody_listens_and_the_port_comes_back():
    with on_tcp(**METER) as (bench, port), connected(port) as (_, lines):
        assert lines.readline()
        bench.wire.fault = "unplugged"
        with contextlib.suppress(OSError):  # cut off, with or without a last word
            while lines.readline():
                pass
        with pytest.raises(OSError, match="refused"):
            socket.create_connection(("127.0.0.1", port), timeout=SOON_S)
        bench.wire.fault = None
        soon(lambda: heard(port, b"", SOON_S).startswith(b"41.2 dBA\r\n"))


def test_a_deaf_device_on_a_serial_line_takes_nothing_once_its_buffer_is_full(tmp_path):
    with on_terminal(tmp_path / "fan", **ASKED) as bench:
        bench.wire.fault = "deaf"
        time.sleep(0.05)
        with (
            serial.Serial(str(tmp_path / "fan"), write_timeout=0.1) as port,
            pytest.raises(serial.SerialTimeoutException),
        ):
            port.write(b"READ?\r\n" * 10000)
