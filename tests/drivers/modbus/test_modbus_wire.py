"""Frames as bytes. A peer in this file compares every request with literal bytes and answers literal bytes.

PDU examples: MODBUS Application Protocol Specification V1.1b3, modbus.org, sections 6.3, 6.4, 6.6 and 6.12;
the examples of function 04 and of an exception are from memory. In front of each stands the header of the
MODBUS Messaging on TCP/IP Implementation Guide V1.0b (from memory): transaction, protocol 0, length, unit.
"""

import socket
import struct
import threading
import time
from contextlib import contextmanager

import pytest
from pymodbus.client import ModbusTcpClient

from benchd.errors import Garbled, InstrumentError, LinkLost, NoAnswer, SettingRefused
from benchd.instruments import SampleFlag, Setup
from drivers.modbus.driver import Modbus, ModbusSpec
from drivers.modbus.line import Question
from drivers.modbus.messages import RtuFrames

SILENCE = b""
HANG_UP = None


def frame(pdu, transaction=1, unit=1):
    data = bytes.fromhex(pdu)
    return struct.pack(">HHHB", transaction, 0, len(data) + 1, unit) + data


class Peer:
    """Answers each connection from its own script of (request, answer); remembers what it was asked.

    An answer may be a list of pieces with pauses [s] between them.
    """

    def __init__(self, *scripts):
        self.asked = []
        self.closed_by_client = 0
        self._scripts = scripts
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(5)
        self.port = self._listener.getsockname()[1]
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self):
        with self._listener:
            for script in self._scripts:
                connection, _ = self._listener.accept()
                with connection:
                    connection.settimeout(5)
                    self._play(connection, script)

    def _play(self, connection, script):
        for expected, answer in script:
            self.asked.append(connection.recv(len(expected), socket.MSG_WAITALL))
            if answer is HANG_UP:
                return
            for piece in answer if isinstance(answer, list) else [answer]:
                if isinstance(piece, float):
                    time.sleep(piece)
                else:
                    connection.sendall(piece)
        if connection.recv(1000) == b"":
            self.closed_by_client += 1

    def join(self):
        self._thread.join(10)
        assert not self._thread.is_alive()


@contextmanager
def peer(*scripts):
    """A peer that must have been asked exactly what its scripts say."""
    served = Peer(*scripts)
    try:
        yield served
    finally:
        served.join()
    assert served.asked == [request for script in scripts for request, _ in script]


@contextmanager
def driver(port, **keys):
    keys.setdefault("deadline_s", 2)
    load = Modbus(
        Setup("load", ModbusSpec.model_validate({"driver": "modbus", "host": "127.0.0.1", "port": port} | keys))
    )
    try:
        yield load
    finally:
        load.close()


HEAT = {"heat_w": {"register": 0, "scale": 0.1, "range": [0, 400], "safe": 0}}
THREE = {name: {"register": 107 + at} for at, name in enumerate(("one_w", "two_w", "three_w"))}

READ_3 = ("03 00 6B 00 03", "03 06 02 2B 00 00 00 64")
READ_4 = ("04 00 08 00 01", "04 02 00 0A")
WRITE_6 = ("06 00 01 00 03", "06 00 01 00 03")
WRITE_16 = ("10 00 01 00 02 04 00 0A 01 02", "10 00 01 00 02")


def exchange(example, transaction=1):
    request, answer = example
    return frame(request, transaction), frame(answer, transaction)


def test_pymodbus_itself_speaks_the_frames_of_the_specification():
    exception = ("01 04 A1 00 01", "81 02")
    examples = (READ_3, READ_4, WRITE_6, WRITE_16, exception)
    with peer([exchange(example, number) for number, example in enumerate(examples, 1)]) as served:
        client = ModbusTcpClient("127.0.0.1", port=served.port, timeout=2, retries=0)
        assert client.connect()
        assert client.read_holding_registers(107, count=3).registers == [555, 0, 100]
        assert client.read_input_registers(8, count=1).registers == [10]
        assert not client.write_register(1, 3).isError()
        assert not client.write_registers(1, [10, 258]).isError()
        refused = client.read_coils(0x04A1, count=1)
        assert (refused.function_code, refused.exception_code) == (0x81, 0x02)
        client.close()


def test_neighbouring_registers_are_read_in_one_request():
    with peer([exchange(READ_3)]) as served, driver(served.port, channels=THREE) as load:
        assert load.read(0.0) == {"one_w": 555.0, "two_w": 0.0, "three_w": 100.0}


def test_input_registers_are_asked_with_function_4():
    channels = {"die_c": {"register": 8, "table": "input", "scale": 0.5}}
    with peer([exchange(READ_4)]) as served, driver(served.port, channels=channels) as load:
        assert load.read(0.0) == {"die_c": 5.0}


def test_one_register_is_written_with_function_6_and_read_back():
    script = [exchange(WRITE_6), exchange(("03 00 01 00 01", "03 02 00 03"), 2)]
    setpoints = {"heat_w": {"register": 1, "range": [0, 400], "safe": 0}}
    with peer(script) as served, driver(served.port, setpoints=setpoints) as load:
        load.write({"heat_w": 3})


def test_two_registers_are_written_with_function_16_and_read_back():
    """The registers of the specification's example, 000A 0102, are 655618 as one number."""
    script = [exchange(WRITE_16), exchange(("03 00 01 00 02", "03 04 00 0A 01 02"), 2)]
    setpoints = {"heat_w": {"register": 1, "type": "uint32", "scale": 0.0005, "range": [0, 400], "safe": 0}}
    with peer(script) as served, driver(served.port, setpoints=setpoints) as load:
        load.write({"heat_w": 327.809})


def test_a_setpoint_that_reads_back_otherwise_is_refused_with_both_values():
    script = [
        exchange(("06 00 00 07 D0", "06 00 00 07 D0")),
        exchange(("03 00 00 00 01", "03 02 05 DC"), 2),
    ]
    with (
        peer(script) as served,
        driver(served.port, setpoints=HEAT) as load,
        pytest.raises(SettingRefused, match=r"load at 127.0.0.1:\d+: heat_w: wanted 200 W, reads back 150"),
    ):
        load.write({"heat_w": 200})


def test_a_device_that_rounds_is_allowed_to_within_the_tolerance():
    script = [
        exchange(("06 00 00 07 D0", "06 00 00 07 D0")),
        exchange(("03 00 09 00 01", "03 02 07 CF"), 2),
    ]
    setpoints = {"heat_w": HEAT["heat_w"] | {"read_back_register": 9, "read_back_tolerance": 0.11}}
    with peer(script) as served, driver(served.port, setpoints=setpoints) as load:
        load.write({"heat_w": 200})


@pytest.mark.parametrize(
    ("code", "words"),
    [("01", "illegal function"), ("02", "address"), ("03", "value"), ("04", "device failure")],
)
def test_a_refused_write_says_why(code, words):
    script = [exchange(("06 00 00 07 D0", f"86 {code}"))]
    with (
        peer(script) as served,
        driver(served.port, setpoints=HEAT) as load,
        pytest.raises(SettingRefused, match=f"heat_w = 200 W was refused: exception {code}, .*{words}") as caught,
    ):
        load.write({"heat_w": 200})
    assert caught.value.hint


def test_a_refused_group_is_missing_and_the_others_are_not():
    channels = {"set_w": {"register": 0}, "die_c": {"register": 8, "table": "input"}}
    script = [exchange(("03 00 00 00 01", "83 02")), exchange(READ_4, 2)]
    with peer(script) as served, driver(served.port, channels=channels) as load:
        assert load.read(0.0) == {"set_w": SampleFlag.MISSING, "die_c": 10.0}


@pytest.mark.parametrize(
    ("words", "flag"),
    [
        ("7F C0 00 00", SampleFlag.MISSING),  # not a number: the device has none
        ("7F 80 00 00", SampleFlag.GARBLED),
        ("FF 80 00 00", SampleFlag.GARBLED),
    ],
)
def test_a_float_that_is_no_value_is_missing_or_infinite_and_its_neighbour_is_there(words, flag):
    channels = {
        "heat_w": {"register": 10, "table": "input", "type": "float32"},
        "heat_v": {"register": 12, "table": "input", "type": "float32"},
    }
    script = [exchange(("04 00 0A 00 04", f"04 08 {words} 3F 80 00 00"))]
    with peer(script) as served, driver(served.port, channels=channels) as load:
        assert load.read(0.0) == {"heat_w": flag, "heat_v": 1.0}


def test_the_time_out_of_the_device_is_set_and_read_back_at_each_opening():
    def arm(transaction):
        return [
            exchange(("06 00 05 00 1E", "06 00 05 00 1E"), transaction),
            exchange(("03 00 05 00 01", "03 02 00 1E"), transaction + 1),
        ]

    scripts = [[*arm(1), (exchange(READ_3, 3)[0], HANG_UP)], [*arm(4), exchange(READ_3, 6)]]
    with (
        peer(*scripts) as served,
        driver(served.port, channels=THREE, timeout_register=5, timeout_s=3) as load,
    ):
        load.open()
        with pytest.raises(LinkLost):
            load.read(0.0)
        assert load.read(1.0)["one_w"] == 555


def test_no_heat_from_a_device_that_does_not_take_the_time_out():
    script = [exchange(("06 00 05 00 1E", "86 03"))]
    with (
        peer(script) as served,
        driver(served.port, setpoints=HEAT, timeout_register=5, timeout_s=3) as load,
        pytest.raises(SettingRefused, match="communication time-out = 3 s was refused"),
    ):
        load.write({"heat_w": 200})


def test_the_safe_state_is_sent_all_the_same():
    script = [
        exchange(("06 00 00 00 00", "06 00 00 00 00")),
        exchange(("03 00 00 00 01", "03 02 00 00"), 2),
    ]
    with (
        peer(script) as served,
        driver(served.port, setpoints=HEAT, timeout_register=5, timeout_s=3) as load,
    ):
        load.make_safe({"heat_w": 0})


def test_one_refused_safe_setpoint_does_not_keep_the_others_back():
    script = [
        exchange(("06 00 00 00 00", "86 04")),
        exchange(("06 00 07 00 64", "06 00 07 00 64"), 2),
        exchange(("03 00 07 00 01", "03 02 00 64"), 3),
    ]
    setpoints = HEAT | {"fan_pct": {"register": 7, "range": [0, 100], "safe": 100}}
    with (
        peer(script) as served,
        driver(served.port, setpoints=setpoints) as load,
        pytest.raises(SettingRefused, match="heat_w"),
    ):
        load.make_safe({"heat_w": 0, "fan_pct": 100})


def test_the_safe_state_survives_a_connection_that_the_device_has_dropped():
    safe = [
        exchange(("06 00 00 00 00", "06 00 00 00 00"), 3),
        exchange(("03 00 00 00 01", "03 02 00 00"), 4),
    ]
    with (
        peer([(exchange(READ_3)[0], exchange(READ_3)[1]), (frame("06 00 00 00 00", 2), HANG_UP)], safe) as served,
        driver(served.port, channels=THREE, setpoints=HEAT) as load,
    ):
        load.read(0.0)
        load.make_safe({"heat_w": 0})


def test_silence_is_no_answer_within_the_deadline_and_the_link_is_closed():
    with peer([(exchange(READ_3)[0], SILENCE)]) as served, driver(served.port, channels=THREE, deadline_s=0.3) as load:
        began_s = time.monotonic()
        with pytest.raises(NoAnswer, match=r"load at 127\.0\.0\.1:\d+: no answer") as caught:
            load.read(0.0)
        assert time.monotonic() - began_s < 0.3
        assert "device_id 1" in caught.value.hint
        served.join()
        assert served.closed_by_client == 1


@pytest.mark.parametrize("until", [3, 9, 12])
def test_half_an_answer_is_no_answer_within_the_deadline(until):
    request, answer = exchange(READ_3)
    with peer([(request, answer[:until])]) as served, driver(served.port, channels=THREE, deadline_s=0.3) as load:
        began_s = time.monotonic()
        with pytest.raises(NoAnswer):
            load.read(0.0)
        assert time.monotonic() - began_s < 0.3


def test_late_reply_is_never_recorded():
    """The old connection is closed to its answer; on the new one, where a gateway may bring it, it is skipped."""
    late = frame("03 06 11 11 22 22 33 33", transaction=1)
    request, answer = exchange(READ_3, 2)
    with (
        peer([(exchange(READ_3)[0], SILENCE)], [(request, late + answer)]) as served,
        driver(served.port, channels=THREE, deadline_s=0.6) as load,
    ):
        with pytest.raises(NoAnswer):
            load.read(0.0)
        assert load.read(1.0) == {"one_w": 555.0, "two_w": 0.0, "three_w": 100.0}
        assert served.closed_by_client == 1


@pytest.mark.parametrize(
    "answer",
    [
        "03 04 02 2B 00 00",  # two registers instead of three
        "04 06 02 2B 00 00 00 64",  # the answer to another function
        "82 02",  # an exception to another function
        "64 00 00",  # a function that does not exist
        "03",  # nothing behind the function
        "03 06 02 2B 00 00 00 64 00",  # more than was asked for
        "83 02 00",  # an exception that goes on
    ],
)
def test_nonsense_is_garbled_and_the_link_begins_anew(answer):
    with (
        peer([(exchange(READ_3)[0], frame(answer))], [exchange(READ_3, 2)]) as served,
        driver(served.port, channels=THREE) as load,
    ):
        with pytest.raises(Garbled, match="load at"):
            load.read(0.0)
        assert load.read(1.0)["one_w"] == 555


def test_an_answer_of_another_device_is_not_taken():
    request, _ = exchange(READ_3)
    with (
        peer([(request, frame(READ_3[1], unit=2))]) as served,
        driver(served.port, channels=THREE) as load,
        pytest.raises(Garbled, match="asked device 1, device 2 answered"),
    ):
        load.read(0.0)


@pytest.mark.parametrize("answer", ["06 00 00 07 D1", "06 00 01 07 D0", "10 00 00 00 01"])
def test_an_answer_that_does_not_repeat_what_was_written_is_garbled(answer):
    with (
        peer([(frame("06 00 00 07 D0"), frame(answer))]) as served,
        driver(served.port, setpoints=HEAT) as load,
        pytest.raises(Garbled),
    ):
        load.write({"heat_w": 200})
    assert served.closed_by_client == 1


def test_what_is_no_modbus_tcp_is_garbled():
    with (
        peer([(exchange(READ_3)[0], b"SSH-2.0-server\r\n")]) as served,
        driver(served.port, channels=THREE) as load,
        pytest.raises(Garbled, match="does not begin a Modbus TCP message"),
    ):
        load.read(0.0)


def test_a_raw_number_that_stands_for_none_is_missing_and_its_neighbours_are_not():
    channels = {
        name: {"register": 107 + at, "type": "int16", "scale": 0.1, "no_value": -32768}
        for at, name in enumerate(("one_c", "two_c"))
    }
    script = [exchange(("03 00 6B 00 02", "03 04 80 00 00 FA"))]
    with peer(script) as served, driver(served.port, channels=channels) as load:
        assert load.read(0.0) == {"one_c": SampleFlag.MISSING, "two_c": 25.0}


def test_what_came_unasked_through_a_serial_server_is_not_taken():
    """An RTU frame has no number, and behind a server there is no silence on the line to go by."""
    asked, answer, unasked = (
        RtuFrames().pack(Question(1, 3, bytes.fromhex(pdu), 0))
        for pdu in ("03 00 6B 00 03", "03 06 02 2B 00 00 00 64", "03 06 00 01 00 02 00 03")
    )
    found = {"one_w": 555.0, "two_w": 0.0, "three_w": 100.0}
    with (
        peer([(asked, [answer, 0.1, unasked]), (asked, answer)]) as served,
        driver(served.port, channels=THREE, framing="rtu", latest_reply_s=0.1) as load,
    ):
        assert load.read(0.0) == found
        time.sleep(0.3)
        assert load.read(1.0) == found


def test_a_gap_is_read_over_where_that_is_allowed():
    channels = {"one_w": THREE["one_w"], "three_w": THREE["three_w"]}
    with peer([exchange(READ_3)]) as served, driver(served.port, channels=channels, read_over=1) as load:
        assert load.read(0.0) == {"one_w": 555.0, "three_w": 100.0}


def test_a_connection_that_is_dropped_is_a_lost_link():
    with (
        peer([(exchange(READ_3)[0], HANG_UP)]) as served,
        driver(served.port, channels=THREE) as load,
        pytest.raises(LinkLost, match=r"load at .*: the connection was lost"),
    ):
        load.read(0.0)


def test_nobody_listens():
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    with driver(port, channels=THREE) as load, pytest.raises(LinkLost, match="Connection refused") as caught:
        load.open()
    assert "host and port" in caught.value.hint


def test_identification_names_what_the_device_refuses():
    """Function 43/14, MODBUS Application Protocol V1.1b3, 6.21; the layout is from memory."""
    identity = "2B 0E 01 01 00 00 03 00 05 61 63 6D 65 20 01 04 6C 6F 61 64 02 02 76 32"
    script = [exchange((READ_3[0], "83 02")), exchange(("2B 0E 01 00", identity), 2)]
    with peer(script) as served, driver(served.port, channels=THREE) as load:
        told = load.identify()
    assert told.startswith("acme load v2; ")
    assert "refuses holding registers from 107 (one_w, two_w, three_w): exception 02" in told


def test_a_device_without_identification_is_still_a_device():
    script = [exchange(READ_3), exchange(("2B 0E 01 00", "AB 01"), 2)]
    with peer(script) as served, driver(served.port, channels=THREE) as load:
        assert load.identify() == "a device that does not tell what it is"


def test_a_device_that_is_silent_about_itself_is_there_when_it_gives_its_registers():
    script = [exchange(READ_3), (frame("2B 0E 01 00", 2), SILENCE)]
    with peer(script) as served, driver(served.port, channels=THREE, deadline_s=0.3) as load:
        assert load.identify() == "a device that is silent about what it is"


def test_a_device_that_is_silent_about_everything_is_not():
    with (
        peer([(exchange(READ_3)[0], SILENCE)]) as served,
        driver(served.port, channels=THREE, deadline_s=0.3) as load,
        pytest.raises(NoAnswer),
    ):
        load.identify()


@pytest.mark.parametrize("value", [-1, 400.1, float("nan"), float("inf")])
def test_nothing_is_sent_of_a_write_with_one_bad_value(value):
    setpoints = HEAT | {"fan_pct": {"register": 7, "range": [0, 100], "safe": 100}}
    with driver(1, setpoints=setpoints) as load, pytest.raises(SettingRefused, match="outside its range"):
        load.write({"fan_pct": 50, "heat_w": value})


def test_an_unknown_setpoint_is_refused_and_the_known_ones_are_listed():
    with (
        driver(1, setpoints=HEAT) as load,
        pytest.raises(InstrumentError, match="no setpoint 'pump_pct'") as caught,
    ):
        load.write({"pump_pct": 50})
    assert "heat_w" in caught.value.hint
