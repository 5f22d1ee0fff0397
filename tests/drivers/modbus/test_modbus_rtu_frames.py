"""RTU frames as bytes on a pseudo-terminal. A peer compares every request with literal bytes and answers literal bytes.

PDU examples: MODBUS Application Protocol Specification V1.1b3, modbus.org, sections 6.3, 6.6 and 6.12; those of
function 04 and of an exception are from memory. The checksums around them are computed, by the rule of MODBUS over
Serial Line V1.02, 6.2.2, whose own example is 02 07 41 12.
"""

import os
import select
import threading
import time
import tty
from contextlib import contextmanager

import pytest

from benchd.errors import Garbled, NoAnswer, SettingRefused
from benchd.instruments import SampleFlag, Setup
from drivers.modbus.driver import Modbus, ModbusSpec
from drivers.modbus.line import Question
from drivers.modbus.messages import RtuFrames

READ_3 = ("01 03 00 6B 00 03 74 17", "01 03 06 02 2B 00 00 00 64 05 7A")
READ_4 = ("01 04 00 08 00 01 B0 08", "01 04 02 00 0A 39 37")
WRITE_6 = ("01 06 00 01 00 03 98 0B", "01 06 00 01 00 03 98 0B")
WRITE_16 = ("01 10 00 01 00 02 04 00 0A 01 02 92 30", "01 10 00 01 00 02 10 08")
REFUSED_3 = "01 83 02 C0 F1"
REFUSED_16 = "01 90 03 0C 01"

THREE = {name: {"register": 107 + at} for at, name in enumerate(("one_w", "two_w", "three_w"))}
FOUND = {"one_w": 555.0, "two_w": 0.0, "three_w": 100.0}
#: Short, since nothing here is slow by itself.
REPLY_S = 0.1


def with_checksum(frame):
    data = bytes.fromhex(frame)
    return RtuFrames().pack(Question(data[0], data[1], data[1:], 0))


class Peer:
    """Waits for each request of its script and sends its answer, a list of pieces with pauses [s] between them."""

    def __init__(self, script):
        self.asked = []
        self._script = script
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        self._stop, self._stopped = os.pipe()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def send(self, data):
        os.write(self._master, data)

    def _run(self):
        for expected, answer in self._script:
            self.asked.append(self._take(len(bytes.fromhex(expected))).hex(" ").upper())
            for piece in answer if isinstance(answer, list) else [answer]:
                if isinstance(piece, float):
                    time.sleep(piece)
                else:
                    self.send(bytes.fromhex(piece))
        self.asked += [more.hex(" ").upper()] if (more := self._take(8)) else []

    def _take(self, size):
        got = b""
        while len(got) < size and self._master in select.select([self._master, self._stop], [], [], 10)[0]:
            got += os.read(self._master, size - len(got))
        return got

    def end(self):
        os.write(self._stopped, b"x")
        self._thread.join(10)
        assert not self._thread.is_alive()
        for file in (self._master, self._slave, self._stop, self._stopped):
            os.close(file)


@contextmanager
def peer(*script):
    """A peer that must have been asked exactly what its script says."""
    served = Peer(script)
    try:
        yield served
    finally:
        served.end()
    assert served.asked == [request for request, _ in script]


@contextmanager
def driver(path, **keys):
    table = {"driver": "modbus", "serial": path, "deadline_s": 2, "latest_reply_s": REPLY_S} | keys
    load = Modbus(Setup("load", ModbusSpec.model_validate(table)))
    try:
        load.open()
        yield load
    finally:
        load.close()


def within(seconds, read):
    """What a read gives as soon as the line may be spoken on again."""
    give_up_s = time.monotonic() + seconds
    while True:
        try:
            return read(0.0)
        except NoAnswer as error:
            if "kept quiet" not in error.message or time.monotonic() > give_up_s:
                raise
        time.sleep(0.01)


def test_the_checksum_is_that_of_the_published_examples():
    """MODBUS over Serial Line V1.02, 6.2.2; and the check value of CRC-16/MODBUS, 4B37 (common practice, no source)."""
    assert with_checksum("02 07").hex(" ") == "02 07 41 12"
    assert with_checksum(b"123456789".hex())[-2:].hex(" ") == "37 4b"
    for frame in (*READ_3, *READ_4, *WRITE_6, *WRITE_16, REFUSED_3, REFUSED_16):
        assert with_checksum(frame[:-6]) == bytes.fromhex(frame)


def test_neighbouring_registers_are_read_in_one_request():
    with peer(READ_3) as served, driver(served.path, channels=THREE) as load:
        assert load.read(0.0) == FOUND


def test_input_registers_are_asked_with_function_4():
    channels = {"die_c": {"register": 8, "table": "input", "scale": 0.5}}
    with peer(READ_4) as served, driver(served.path, channels=channels) as load:
        assert load.read(0.0) == {"die_c": 5.0}


def test_one_register_is_written_with_function_6_and_two_with_function_16():
    """The registers of the specification's example, 000A 0102, are 655618 as one number."""
    one = {"heat_w": {"register": 1, "range": [0, 400], "safe": 0}}
    two = {"heat_w": {"register": 1, "type": "uint32", "scale": 0.0005, "range": [0, 400], "safe": 0}}
    back_1 = ("01 03 00 01 00 01 D5 CA", "01 03 02 00 03 F8 45")
    back_2 = ("01 03 00 01 00 02 95 CB", with_checksum("01 03 04 00 0A 01 02").hex())
    with peer(WRITE_6, back_1) as served, driver(served.path, setpoints=one) as load:
        load.write({"heat_w": 3})
    with peer(WRITE_16, back_2) as served, driver(served.path, setpoints=two) as load:
        load.write({"heat_w": 327.809})


def test_an_exception_is_a_refusal_and_no_failure_of_the_line():
    with peer((READ_3[0], REFUSED_3), READ_3) as served, driver(served.path, channels=THREE) as load:
        assert set(load.read(0.0).values()) == {SampleFlag.MISSING}
        assert load.read(1.0) == FOUND
    two = {"heat_w": {"register": 1, "type": "uint32", "scale": 0.0005, "range": [0, 400], "safe": 0}}
    with (
        peer((WRITE_16[0], REFUSED_16)) as served,
        driver(served.path, setpoints=two) as load,
        pytest.raises(SettingRefused, match="exception 03, illegal data value"),
    ):
        load.write({"heat_w": 327.809})


def test_another_device_id_goes_into_the_frame_and_must_come_back():
    asked, answer = with_checksum("11 03 00 6B 00 03").hex(" ").upper(), with_checksum("11 03 06 022B 0000 0064").hex()
    assert asked.endswith("76 87")  # device 17, from memory of the older protocol reference
    with peer((asked, answer)) as served, driver(served.path, channels=THREE, device_id=17) as load:
        assert load.read(0.0) == FOUND


def test_an_answer_in_pieces_is_one_answer():
    answer = READ_3[1].split()
    with peer((READ_3[0], answer)) as served, driver(served.path, channels=THREE) as load:
        assert load.read(0.0) == FOUND


SPOILT = {
    "of another device": (with_checksum("02 03 06 022B 0000 0064").hex(), "asked device 1, device 2 answered"),
    "of another function": (with_checksum("01 04 06 022B 0000 0064").hex(), "asked function 03, answered 04"),
    "too short": (with_checksum("01 03 04 022B 0000").hex(), "asked for 3 registers, got 2"),
    "too long": (with_checksum("01 03 08 022B 0000 0064 0001").hex(), "asked for 3 registers, got 4"),
    "a refusal of another function": (with_checksum("01 84 02").hex(), "asked function 03, answered 04"),
    "with a wrong checksum": (READ_3[1][:-2] + "7B", "wrong checksum"),
    "with a flipped bit": (READ_3[1].replace("64", "65"), "wrong checksum"),
    "with its checksum turned round": (READ_3[1][:-5] + "7A 05", "wrong checksum"),
    "after noise": ("00" + READ_3[1], "asked device 1, device 0 answered"),
    "before noise": (READ_3[1] + "00", "more came than the answer"),
    "twice": (READ_3[1] + READ_3[1], "more came than the answer"),
    "its own request": (READ_3[0], "the request itself came back: switch off the adapter's echo"),
    "noise": ("FF FE F0 55 AA 55 AA", "device 255 answered"),
}


@pytest.mark.parametrize(("answer", "words"), SPOILT.values(), ids=SPOILT)
def test_what_is_not_the_answer_is_garbled_and_the_next_answer_is_taken(answer, words):
    with peer((READ_3[0], answer), READ_3) as served, driver(served.path, channels=THREE) as load:
        with pytest.raises(Garbled, match=f"load on {served.path}: .*{words}"):
            load.read(0.0)
        assert within(5, load.read) == FOUND


@pytest.mark.parametrize("answer", [[], "01", "01 03 06", READ_3[1][:-3]], ids=["none", "one", "three", "all but one"])
def test_silence_and_half_an_answer_are_no_answer(answer):
    with (
        peer((READ_3[0], answer), READ_3) as served,
        driver(served.path, channels=THREE, deadline_s=0.3) as load,
    ):
        with pytest.raises(NoAnswer, match=f"load on {served.path}: .*function 03") as caught:
            load.read(0.0)
        assert "baud" in caught.value.hint
        assert within(5, load.read) == FOUND


def test_the_time_out_of_the_device_is_set_again_after_a_failure():
    """A device that fell silent may have been off and on again, and have forgotten it; the port stays open."""
    told = with_checksum("01 06 00 05 00 1E").hex(" ").upper()
    asked = with_checksum("01 03 00 05 00 01").hex(" ").upper()
    arm = (told, told), (asked, with_checksum("01 03 02 00 1E").hex())
    with (
        peer(*arm, READ_3, (READ_3[0], []), *arm, READ_3) as served,
        driver(served.path, channels=THREE, timeout_register=5, timeout_s=3, deadline_s=0.5) as load,
    ):
        assert load.read(0.0) == FOUND
        with pytest.raises(NoAnswer, match="function 03"):
            load.read(1.0)
        assert within(5, load.read) == FOUND


def test_a_write_whose_answer_differs_is_garbled_even_if_it_is_a_sound_frame():
    one = {"heat_w": {"register": 1, "range": [0, 400], "safe": 0}}
    other = with_checksum("01 06 00 01 00 02").hex()
    with (
        peer((WRITE_6[0], other)) as served,
        driver(served.path, setpoints=one) as load,
        pytest.raises(Garbled, match="does not repeat the request"),
    ):
        load.write({"heat_w": 3})


def test_late_reply_is_never_recorded():
    """The answer to registers 107 to 109 comes late; those from 200 on are as many, and are not asked meanwhile."""
    later = {name: {"register": 200 + at} for at, name in enumerate(("four_w", "five_w", "six_w"))}
    ask_later = with_checksum("01 03 00 C8 00 03").hex(" ").upper()
    answer_later = with_checksum("01 03 06 0004 0005 0006").hex()
    script = (READ_3[0], [0.4, READ_3[1]]), (READ_3[0], READ_3[1]), (ask_later, answer_later)
    with (
        peer(*script) as served,
        driver(served.path, channels=THREE | later, deadline_s=0.2, latest_reply_s=1.0) as load,
    ):
        with pytest.raises(NoAnswer, match="no answer to function 03"):
            load.read(0.0)
        with pytest.raises(NoAnswer, match="kept quiet for another"):
            load.read(0.0)
        assert within(5, load.read) == FOUND | {"four_w": 4.0, "five_w": 5.0, "six_w": 6.0}


def test_the_answer_to_a_program_that_was_killed_is_not_taken():
    with peer(READ_3) as served:
        threading.Timer(0.1, served.send, [with_checksum("01 03 06 0001 0002 0003")]).start()
        with driver(served.path, channels=THREE, latest_reply_s=0.5) as load:
            assert load.read(0.0) == FOUND


def test_what_came_unasked_between_two_questions_is_not_taken():
    with peer(READ_3, READ_3) as served, driver(served.path, channels=THREE) as load:
        assert load.read(0.0) == FOUND
        served.send(with_checksum("01 03 06 0001 0002 0003"))
        assert load.read(1.0) == FOUND


def test_a_line_that_is_never_silent_is_not_spoken_on():
    with peer() as served, driver(served.path, channels=THREE, deadline_s=0.3) as load:
        babbling = threading.Event()

        def babble():
            while not babbling.wait(0.0005):
                served.send(b"x")

        thread = threading.Thread(target=babble)
        thread.start()
        try:
            with pytest.raises(Garbled, match="the line is never silent"):
                load.read(0.0)
        finally:
            babbling.set()
            thread.join()


def test_the_safe_state_is_sent_even_while_quiet_is_due():
    heat = {"heat_w": {"register": 1, "range": [0, 400], "safe": 0}}
    off, back = with_checksum("01 06 00 01 00 00").hex(" ").upper(), with_checksum("01 03 00 01 00 01").hex(" ").upper()
    script = (READ_3[0], []), (off, off), (back, with_checksum("01 03 02 00 00").hex())
    with (
        peer(*script) as served,
        driver(served.path, channels=THREE, setpoints=heat, deadline_s=0.5, latest_reply_s=1.5) as load,
    ):
        with pytest.raises(NoAnswer):
            load.read(0.0)
        load.make_safe({"heat_w": 0})
