"""The simulated SCPI supply, asked by a client library that is not ours: PyVISA with PyVISA-py, on a socket and a port.

What is expected of a device: IEEE 488.2 (common commands) and SCPI-99 (headers, error queue), as named in
sim/wires/scpi_messages.py.
"""

import os
import socket
import time
import warnings
from contextlib import contextmanager
from functools import partial

import pytest

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # of VISA's other backends, which are not used
    import pyvisa

from sim.wires.scpi_supply import served_supply


@pytest.fixture
def visa():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it looks for kinds of instruments that this machine has no libraries for
        manager = pyvisa.ResourceManager("@py")
    yield manager
    manager.close()


@contextmanager
def asking(visa, served):
    name = f"ASRL{served.path}::INSTR" if served.path else f"TCPIP::127.0.0.1::{served.port}::SOCKET"
    device = visa.open_resource(name, read_termination="\n", write_termination="\n", timeout=2000)
    try:
        yield device
    finally:
        device.close()


@pytest.fixture(params=["tcp", "terminal"])
def served(request, tmp_path):
    with served_supply(tmp_path / "supply" if request.param == "terminal" else None) as supply:
        yield supply


@pytest.fixture
def device(visa, served):
    with asking(visa, served) as device:
        yield device


def errors(device):
    """The error queue, until it is empty."""
    found = []
    while not (entry := device.query("SYST:ERR?")).startswith("0,"):
        found.append(entry)
    assert entry == '0,"No error"'
    return found


def test_it_says_who_it_is(device):
    assert device.query("*IDN?").split(",") == ["benchd", "simulated supply", "0", "1"]
    assert device.query("*idn?;*OPC?").endswith(",1;1")


def test_constant_power(served, device):
    device.write("POW 200;:OUTP ON")
    assert device.query_ascii_values("MEAS:VOLT?;:MEAS:CURR?;:MEAS:POW?", separator=";") == [40, 5, 200]
    assert served.supply.watts == 200
    device.write("OUTP OFF")
    assert device.query_ascii_values("MEAS:POW?") == [0]
    assert errors(device) == []


def test_constant_voltage_and_its_limit_of_amperes(device):
    device.write("VOLT 40")
    device.write("OUTP 1")
    assert device.query_ascii_values("MEAS:POW?") == [200]
    device.write("CURR 2500 MA")
    assert device.query_ascii_values("MEAS:CURR?;:MEAS:POW?", separator=";") == [2.5, 50]


@pytest.mark.parametrize(
    "command",
    [
        "POW 100",
        "power 100",
        "SOUR:POW 1E2",
        ":SOURCE:POWER:LEVEL 100.0",
        "sour:volt 10;pow 100 W",
        "POW 0.1KW",
        "pow\t.1E3",
    ],
)
def test_long_and_short_forms(device, command):
    device.write(command)
    assert device.query_ascii_values("POW?;:SOURce:POWer?;LEV?", separator=";")[0] == 100


@pytest.mark.parametrize(
    ("command", "error"),
    [
        ("POWE 100", '-113,"Undefined header"'),
        ("*XYZ", '-113,"Undefined header"'),
        ("MEAS:POW", '-113,"Undefined header"'),
        ("POW", '-109,"Missing parameter"'),
        ("POW 100,200", '-108,"Parameter not allowed"'),
        ("*RST 1", '-108,"Parameter not allowed"'),
        ("POW MUCH", '-104,"Data type error"'),
        ("POW INF", '-104,"Data type error"'),
        ("POW 100 V", '-131,"Invalid suffix"'),
        ("POW 301", '-222,"Data out of range"'),
        ("POW -1", '-222,"Data out of range"'),
        ("OUTP 2", '-222,"Data out of range"'),
        ("SYST:COMM:TIM 0", '-222,"Data out of range"'),
        ("POW@ 1", '-102,"Syntax error"'),
        ("MEAS::POW?", '-102,"Syntax error"'),
        ("POW 1\x07", '-101,"Invalid character"'),
    ],
)
def test_errors_have_their_standard_numbers_and_words_and_change_nothing(device, command, error):
    device.write("POW 50")
    device.write(command)
    assert errors(device) == [error]
    assert device.query_ascii_values("POW?") == [50]


def test_the_queue_is_first_in_first_out_and_tells_that_it_was_full(device):
    device.write("NONSENSE")
    for _ in range(30):
        device.write("POW 999")
    found = errors(device)
    assert found[0] == '-113,"Undefined header"'
    assert found[1:-1] == ['-222,"Data out of range"'] * 8
    assert found[-1] == '-350,"Queue overflow"'


def test_what_is_not_understood_ends_a_message_and_what_cannot_be_done_does_not(device):
    device.write("POW 50;POW 999;POW 60")
    assert device.query_ascii_values("POW?") == [60]
    device.write("POW 70;POWR 80;POW 90")
    assert device.query_ascii_values("POW?") == [70]
    assert errors(device) == ['-222,"Data out of range"', '-113,"Undefined header"']


def test_status_bits(device):
    """IEEE 488.2, 11.5.1: 7 power on, 5 command error, 4 execution error, 0 complete; SCPI-99: 2 of the byte."""
    assert int(device.query("*ESR?")) == 0b1000_0000
    device.write("NONSENSE;*OPC")
    device.write("POW 999;*OPC")
    assert int(device.query("*STB?")) == 0b0000_0100
    device.write("*ESE 48")
    assert int(device.query("*STB?")) == 0b0010_0100
    assert int(device.query("*ESR?")) == 0b0011_0001
    assert int(device.query("*ESR?;*CLS")) == 0
    assert errors(device) == []


def test_resetting_leaves_the_errors(device):
    device.write("NONSENSE;*CLS")
    device.write("*RST")
    assert errors(device) == ['-113,"Undefined header"']


def test_a_message_without_end_is_refused_whole(device):
    device.write("POW 5" + "0" * 20_000)
    assert '-363,"Input buffer overrun"' in errors(device)
    assert device.query_ascii_values("POW?") == [0]


def test_silence_opens_the_output_and_it_stays_open(served, device):
    device.write("SYST:COMM:TIM 0.5;:POW 100;:OUTP ON")
    for _ in range(10):
        time.sleep(0.1)
        assert device.query_ascii_values("MEAS:POW?") == [100]
    time.sleep(0.8)
    assert served.supply.watts == 0
    assert device.query_ascii_values("OUTP?;:MEAS:POW?", separator=";") == [0, 0]


def test_two_programs_ask_one_socket(visa):
    with served_supply() as served, asking(visa, served) as one, asking(visa, served) as other:
        one.write("POW 100")
        assert other.query_ascii_values("POW?") == [100]
        assert one.query("*IDN?") == other.query("*IDN?")


def test_no_number(served, device):
    served.wire.fault = "not_a_number"
    assert device.query_ascii_values("MEAS:POW?") == [9.91e37]


def test_an_exception_goes_to_the_error_queue(served, device):
    served.wire.fault = "exception"
    device.write("MEAS:POW?;:POW 100")
    assert errors(device) == ['-200,"Execution error"'] * 2


def test_another_device_answers_as_itself(served, device):
    served.wire.fault = "other_device"
    assert "thermometer" in device.query("*IDN?")
    assert len(device.query_ascii_values("MEAS:POW?")) == 3


def test_an_unplugged_socket_is_taken_by_nobody_and_comes_back_on_its_port(visa):
    with served_supply() as served:
        served.wire.fault = "unplugged"
        time.sleep(0.1)
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.1", served.port), timeout=2)
        served.wire.fault = None
        time.sleep(0.1)
        with asking(visa, served) as device:
            assert device.query("*OPC?") == "1"


def test_an_unplugged_port_is_gone_and_comes_back_under_its_name(tmp_path):
    path = tmp_path / "supply"
    with served_supply(path) as served:
        before = path.resolve()
        assert before.is_char_device()
        served.wire.fault = "unplugged"
        time.sleep(0.1)
        assert not path.exists()
        served.wire.fault = None
        time.sleep(0.1)
        assert path.resolve().is_char_device()
    assert not path.exists()


def test_a_device_that_hangs_does_later_what_it_was_told(served, device):
    served.wire.fault = "deaf"
    device.write("POW 100;:OUTP ON")
    time.sleep(0.1)
    assert served.supply.watts == 0
    served.wire.fault = None
    assert device.query_ascii_values("MEAS:POW?") == [100]


def test_a_device_that_hangs_takes_no_more_in_the_end(served):
    served.wire.fault = "deaf"
    time.sleep(0.05)
    with putting(served) as put:
        assert not all(put(b"POW 100\n" * 4096) for _ in range(2_000))


def put_or_not(put, data):
    """Whether any of it could be put on the wire without waiting."""
    try:
        return put(data) > 0
    except BlockingIOError:
        return False


@contextmanager
def putting(served):
    """Puts bytes on the wire, and says whether it took any."""
    if served.path:
        port = os.open(served.path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            yield partial(put_or_not, partial(os.write, port))
        finally:
            os.close(port)
        return
    with socket.create_connection(("127.0.0.1", served.port)) as connection:
        connection.setblocking(False)
        yield partial(put_or_not, connection.send)
