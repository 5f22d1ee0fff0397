"""Lines as bytes. A peer in this file compares every message with literal bytes and answers literal bytes.

Forms: IEEE 488.2 and SCPI-99 as named in drivers/scpi/codec.py. The lines are those of an invented supply.
"""

import os
import socket
import threading
import time
import tty
from contextlib import contextmanager

import pytest

from benchd.errors import Garbled, InstrumentError, LinkLost, NoAnswer, SettingRefused
from benchd.instruments import SampleFlag, Setup
from drivers.scpi.driver import Scpi, ScpiSpec

HANG_UP = None
NO_ERROR = b'0,"No error"\n'
IDENTITY = b"benchd,invented supply,0,1\n"
STEP = [(b"*IDN?\n", IDENTITY), (b"SYST:ERR?\n", NO_ERROR)]
"""How every link begins."""


class Peer:
    """Answers each connection from its own script of (message, answer); remembers what it was told."""

    def __init__(self, *scripts):
        self.told = []
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
            self.told.append(connection.recv(len(expected), socket.MSG_WAITALL))
            if answer is HANG_UP:
                return
            connection.sendall(answer)
        if connection.recv(1000) == b"":
            self.closed_by_client += 1

    def join(self):
        self._thread.join(10)
        assert not self._thread.is_alive()


@contextmanager
def peer(*scripts):
    """A peer that must have been told exactly what its scripts say."""
    served = Peer(*scripts)
    try:
        yield served
    finally:
        served.join()
    assert served.told == [message for script in scripts for message, _ in script]


@contextmanager
def driver(port, **keys):
    table = {"driver": "scpi", "host": "127.0.0.1", "port": port, "deadline_s": 2} | keys
    load = Scpi(Setup("load", ScpiSpec.model_validate(table)))
    try:
        yield load
    finally:
        load.close()


TWO = {"heat_v": {}, "heat_a": {}}
ASK_TWO = b"MEAS:VOLT?;:MEAS:CURR?\n"
HEAT = {"heat_w": {"range": [0, 300], "safe": 0}}


def test_the_port_is_the_registered_one_unless_told():
    """5025, scpi-raw, in the service name registry of IANA (from memory)."""
    load = Scpi(Setup("load", ScpiSpec.model_validate({"driver": "scpi", "host": "192.0.2.1"})))
    with pytest.raises(SettingRefused, match=r"load at 192\.0\.2\.1:5025"):
        load.write({"there_is_none_w": 1})


def test_several_queries_are_one_message_and_one_answer():
    with peer([*STEP, (ASK_TWO, b"+4.000E+01;+5.000E+00\n")]) as served, driver(served.port, channels=TWO) as load:
        assert load.read(0.0) == {"heat_v": 40.0, "heat_a": 5.0}


def test_or_one_message_each():
    script = [*STEP, (b"MEAS:VOLT?\n", b"40.0\r\n"), (b"MEAS:CURR?\n", b"5.00\r\n")]
    with peer(script) as served, driver(served.port, channels=TWO, together=False) as load:
        assert load.read(0.0) == {"heat_v": 40.0, "heat_a": 5.0}


def test_watts_are_volts_times_amperes_of_one_message_and_nothing_is_asked_twice():
    channels = TWO | {"heat_w": {"query": "MEAS:VOLT?", "times": "MEAS:CURR?"}}
    with peer([*STEP, (ASK_TWO, b"40.0 V;5000 MA\n")]) as served, driver(served.port, channels=channels) as load:
        assert load.read(0.0) == {"heat_v": 40.0, "heat_a": 5.0, "heat_w": 200.0}


def test_fields_scales_and_suffixes():
    channels = {
        "one_c": {"query": "FETC?", "field": 1},
        "three_c": {"query": "FETC?", "field": 3},
        "shunt_a": {"query": "MEAS:VOLT?", "scale": 100, "suffix": "V"},
    }
    script = [*STEP, (b"FETC?;:MEAS:VOLT?\n", b"23.1,23.5 CEL,22.9 CEL;50 MV\n")]
    with peer(script) as served, driver(served.port, channels=channels) as load:
        assert load.read(0.0) == {"one_c": 23.1, "three_c": 22.9, "shunt_a": 5.0}


@pytest.mark.parametrize(("end", "sent"), [("crlf", b"\r\n"), ("cr", b"\r")])
def test_other_line_ends(end, sent):
    script = [(message[:-1] + sent, answer[:-1] + sent) for message, answer in [*STEP, (ASK_TWO, b"40;5\n")]]
    with peer(script) as served, driver(served.port, channels=TWO, line_end=end) as load:
        assert load.read(0.0) == {"heat_v": 40.0, "heat_a": 5.0}


@pytest.mark.parametrize(
    ("answer", "flag"),
    [
        (b"9.91E37;5\n", SampleFlag.MISSING),
        (b"NAN;5\n", SampleFlag.MISSING),
        (b"+9.900000E+37;5\n", SampleFlag.GARBLED),
        (b"-9.9E37;5\n", SampleFlag.GARBLED),
    ],
)
def test_no_number_is_missing_and_infinity_is_garbled_and_the_neighbour_is_there(answer, flag):
    script = [*STEP, (ASK_TWO, answer), (ASK_TWO, b"40;5\n")]
    with peer(script) as served, driver(served.port, channels=TWO) as load:
        assert load.read(0.0) == {"heat_v": flag, "heat_a": 5.0}
        assert load.read(1.0) == {"heat_v": 40.0, "heat_a": 5.0}


@pytest.mark.parametrize("answer", [b"OVLD;5\n", b"4\xb0.0;5\n", b"40 A;5\n", b";5\n", b"1,2;5\n"])
def test_what_is_no_number_is_garbled_and_the_link_begins_anew(answer):
    with (
        peer([*STEP, (ASK_TWO, answer)], [*STEP, (ASK_TWO, b"40;5\n")]) as served,
        driver(served.port, channels=TWO) as load,
    ):
        assert load.read(0.0) == {"heat_v": SampleFlag.GARBLED, "heat_a": 5.0}
        assert load.read(1.0) == {"heat_v": 40.0, "heat_a": 5.0}
        assert served.closed_by_client == 1


@pytest.mark.parametrize(
    ("answer", "flag"),
    [(b"40;9.91E37\n", SampleFlag.MISSING), (b"0;9.9E37\n", SampleFlag.GARBLED), (b"40;-9.9E37\n", SampleFlag.GARBLED)],
)
def test_a_product_is_no_better_than_either_half(answer, flag):
    channels = {"heat_w": {"query": "MEAS:VOLT?", "times": "MEAS:CURR?"}}
    with peer([*STEP, (ASK_TWO, answer)]) as served, driver(served.port, channels=channels) as load:
        assert load.read(0.0) == {"heat_w": flag}


@pytest.mark.parametrize("answer", [b"40\n", b"40;5;6\n", b"40;5\n1\n"])
def test_more_or_fewer_answers_than_questions_are_garbled_and_the_link_begins_anew(answer):
    with (
        peer([*STEP, (ASK_TWO, answer)], [*STEP, (ASK_TWO, b"40;5\n")]) as served,
        driver(served.port, channels=TWO) as load,
    ):
        with pytest.raises(Garbled, match="load at") as caught:
            load.read(0.0)
        assert "together = false" in caught.value.hint
        assert load.read(1.0) == {"heat_v": 40.0, "heat_a": 5.0}


def test_what_came_unasked_is_thrown_away_before_a_question():
    """Here of a device that repeats its commands."""
    fan = {"fan_pct": {"command": "FAN {value}", "read_back": "", "range": [0, 100], "safe": 100}}
    script = [(b"*IDN?\n", IDENTITY), (b"FAN 50\n", b"50;50\n"), (ASK_TWO, b"41;6\n")]
    with peer(script) as served, driver(served.port, channels=TWO, setpoints=fan, error_query="") as load:
        load.write({"fan_pct": 50})
        time.sleep(0.05)
        assert load.read(1.0) == {"heat_v": 41.0, "heat_a": 6.0}


def test_late_reply_is_never_recorded():
    """Behind a converter from TCP to a serial line a late answer comes to the next connection as well."""
    late = b"99;99\n"
    scripts = [*STEP, (ASK_TWO, b"")], [(b"*IDN?\n", late + IDENTITY), STEP[1], (ASK_TWO, b"40;5\n")]
    with peer(*scripts) as served, driver(served.port, channels=TWO, deadline_s=0.5) as load:
        with pytest.raises(NoAnswer, match=r"no answer, asked MEAS:VOLT\?;:MEAS:CURR\?"):
            load.read(0.0)
        assert load.read(1.0) == {"heat_v": 40.0, "heat_a": 5.0}
        assert served.closed_by_client == 1


def test_a_late_answer_to_who_are_you_is_no_value_either():
    scripts = (
        [(b"*IDN?\n", b"")],
        [(b"*IDN?\n", IDENTITY), (b"SYST:ERR?\n", IDENTITY)],
        [*STEP, (ASK_TWO, b"40;5\n")],
    )
    with peer(*scripts) as served, driver(served.port, channels=TWO, deadline_s=0.5) as load:
        with pytest.raises(NoAnswer):
            load.read(0.0)
        with pytest.raises(Garbled, match="no answer to SYST:ERR"):
            load.read(1.0)
        assert load.read(2.0) == {"heat_v": 40.0, "heat_a": 5.0}


def test_silence_is_no_answer_within_the_deadline():
    with (
        peer([*STEP, (ASK_TWO, b"")]) as served,
        driver(served.port, channels=TWO, deadline_s=0.4) as load,
    ):
        began_s = time.monotonic()
        with pytest.raises(NoAnswer, match=r"^load at 127\.0\.0\.1:\d+: no answer") as caught:
            load.read(0.0)
        assert time.monotonic() - began_s < 0.4
        assert "benchd instruments" in caught.value.hint


def test_a_connection_that_is_dropped_is_a_lost_link():
    with (
        peer([*STEP, (ASK_TWO, HANG_UP)]) as served,
        driver(served.port, channels=TWO) as load,
        pytest.raises(LinkLost, match=r"load at .*: the connection was lost"),
    ):
        load.read(0.0)


def test_constant_watts_are_set_read_back_and_switched_on():
    script = [
        *STEP,
        (b"POW 200\n", b""),
        (b"SYST:ERR?\n", NO_ERROR),
        (b"POW?\n", b"+2.000000E+02\n"),
        (b"OUTP ON\n", b""),
        (b"SYST:ERR?\n", NO_ERROR),
        (b"OUTP?\n", b"1\n"),
    ]
    with peer(script) as served, driver(served.port, setpoints=HEAT) as load:
        load.write({"heat_w": 200})


def test_no_heat_switches_the_output_off_before_anything_else():
    script = [(b"OUTP OFF\n", b""), *STEP, (b"POW 0\n", b""), STEP[1], (b"POW?\n", b"0.000\n"), (b"OUTP?\n", b"OFF\n")]
    with peer(script) as served, driver(served.port, setpoints=HEAT) as load:
        load.write({"heat_w": 0})


def test_a_known_resistance_is_given_volts_and_a_limit_of_amperes():
    """200 W in 8 ohm: sqrt(200 * 8) = 40 V, sqrt(200 / 8) = 5 A, and 5 % above."""
    script = [
        *STEP,
        (b"VOLT 40\n", b""),
        (b"CURR 5.25\n", b""),
        STEP[1],
        (b"VOLT?\n", b"40.01\n"),
        (b"CURR?\n", b"5.25\n"),
        (b"OUTP ON\n", b""),
        STEP[1],
        (b"OUTP?\n", b"1\n"),
    ]
    setpoints = {"heat_w": {"ohm": 8.0, "range": [0, 300], "safe": 0}}
    with peer(script) as served, driver(served.port, setpoints=setpoints) as load:
        load.write({"heat_w": 200})


def test_other_commands_and_settings_that_switch_nothing():
    setpoints = {
        "fan_pct": {"command": "FAN {value}", "range": [0, 100], "safe": 100},
        "pump_pct": {"command": "CH2:DUTY {value},'soft'", "read_back": "", "range": [0, 100], "safe": 100},
    }
    script = [
        *STEP,
        (b"FAN 33.3\n", b""),
        STEP[1],
        (b"FAN?\n", b"33.3\n"),
        (b"CH2:DUTY 50,'soft'\n", b""),
        STEP[1],
    ]
    with peer(script) as served, driver(served.port, setpoints=setpoints) as load:
        load.write({"fan_pct": 33.3, "pump_pct": 50})


def test_a_setting_that_the_device_refuses_says_so_in_its_own_words_all_of_them():
    errors = [b'-222,"Data out of range"\n', b'+601,"Front panel locked"\n', NO_ERROR]
    script = [*STEP, (b"POW 200\n", b""), *((b"SYST:ERR?\n", error) for error in errors)]
    with (
        peer(script) as served,
        driver(served.port, setpoints=HEAT) as load,
        pytest.raises(
            SettingRefused,
            match=r'heat_w = 200 W was refused: the device says -222 "Data out of range", 601 "Front panel locked"',
        ),
    ):
        load.write({"heat_w": 200})


def test_a_setting_that_reads_back_otherwise_is_refused_with_both():
    script = [*STEP, (b"POW 200\n", b""), STEP[1], (b"POW?\n", b"150\n")]
    with (
        peer(script) as served,
        driver(served.port, setpoints=HEAT) as load,
        pytest.raises(SettingRefused, match=r"heat_w = 200 W: sent POW 200, POW\? tells 150"),
    ):
        load.write({"heat_w": 200})


@pytest.mark.parametrize(("tolerance", "told"), [(None, b"199.7\n"), (0.5, b"200.5\n"), (0, b"200.0\n")])
def test_a_device_that_rounds_is_allowed_to_within_the_tolerance(tolerance, told):
    script = [
        *STEP,
        (b"POW 200\n", b""),
        STEP[1],
        (b"POW?\n", told),
        (b"OUTP ON\n", b""),
        STEP[1],
        (b"OUTP?\n", b"1\n"),
    ]
    setpoints = {"heat_w": HEAT["heat_w"] | {"read_back_tolerance": tolerance}}
    with peer(script) as served, driver(served.port, setpoints=setpoints) as load:
        load.write({"heat_w": 200})


def test_an_output_that_does_not_close_is_refused():
    script = [
        *STEP,
        (b"POW 200\n", b""),
        STEP[1],
        (b"POW?\n", b"200\n"),
        (b"OUTP ON\n", b""),
        STEP[1],
        (b"OUTP?\n", b"0\n"),
    ]
    with (
        peer(script) as served,
        driver(served.port, setpoints=HEAT) as load,
        pytest.raises(SettingRefused, match=r"the output is off, OUTP\? tells 0"),
    ):
        load.write({"heat_w": 200})


def test_an_error_queue_that_never_ends_is_garbled():
    script = [*STEP, (b"POW 200\n", b""), *[(b"SYST:ERR?\n", b'-113,"Undefined header"\n')] * 101]
    with (
        peer(script) as served,
        driver(served.port, setpoints=HEAT, deadline_s=10) as load,
        pytest.raises(Garbled, match="does not end"),
    ):
        load.write({"heat_w": 200})


def test_what_is_sent_at_opening_is_sent_on_every_new_link_before_anything_else():
    arm = [*STEP, (b"SYST:COMM:TIM 3\n", b""), STEP[1]]
    with (
        peer([*arm, (ASK_TWO, HANG_UP)], [*arm, (ASK_TWO, b"40;5\n")]) as served,
        driver(served.port, channels=TWO, at_open=["SYST:COMM:TIM 3"]) as load,
    ):
        load.open()
        with pytest.raises(LinkLost):
            load.read(0.0)
        assert load.read(1.0)["heat_v"] == 40


def test_no_heat_from_a_device_that_does_not_take_the_time_out():
    refused = [*STEP, (b"SYST:COMM:TIM 3\n", b""), (b"SYST:ERR?\n", b'-113,"Undefined header"\n'), STEP[1]]
    with (
        peer(refused * 2) as served,
        driver(served.port, setpoints=HEAT, at_open=["SYST:COMM:TIM 3"]) as load,
    ):
        for _ in range(2):
            with pytest.raises(SettingRefused, match=r"SYST:COMM:TIM 3 of at_open was refused: .*Undefined header"):
                load.write({"heat_w": 200})


OLD_ERRORS = [(b"SYST:ERR?\n", b'-350,"Queue overflow"\n'), (b"SYST:ERR?\n", b'-113,"Undefined header"\n')]
SAFE = [(b"OUTP OFF\n", b""), (b"POW 0\n", b"")]
CONFIRMED = [STEP[1], (b"OUTP?\n", b"0\n"), (b"POW?\n", b"0\n")]


def test_the_safe_state_is_off_first_and_neither_at_open_nor_a_full_queue_keeps_it_back():
    with (
        peer([*SAFE, STEP[0], *OLD_ERRORS, *CONFIRMED]) as served,
        driver(served.port, setpoints=HEAT, at_open=["SYST:COMM:TIM 3"]) as load,
    ):
        load.make_safe({"heat_w": 0})


def test_a_device_that_answers_nothing_is_switched_off_all_the_same():
    with (
        peer([*SAFE, (b"*IDN?\n", b"")]) as served,
        driver(served.port, setpoints=HEAT, deadline_s=0.4) as load,
        pytest.raises(NoAnswer),
    ):
        load.make_safe({"heat_w": 0})


def test_one_refused_safe_setpoint_does_not_keep_the_others_back():
    setpoints = HEAT | {"fan_pct": {"command": "FAN {value}", "range": [0, 100], "safe": 100}}
    script = [
        (b"OUTP OFF\n", b""),
        (b"POW 0\n", b""),
        (b"FAN 100\n", b""),
        *STEP,
        (b"OUTP?\n", b"0\n"),
        (b"POW?\n", b"50\n"),
        (b"FAN?\n", b"100\n"),
    ]
    with (
        peer(script) as served,
        driver(served.port, setpoints=setpoints) as load,
        pytest.raises(SettingRefused, match=r"heat_w = 0 W: sent POW 0, POW\? tells 50"),
    ):
        load.make_safe({"heat_w": 0, "fan_pct": 100})


def test_a_safe_setpoint_that_makes_no_sense_does_not_keep_off_back():
    with (
        peer([(b"OUTP OFF\n", b""), *STEP, (b"OUTP?\n", b"0\n")]) as served,
        driver(served.port, setpoints=HEAT) as load,
        pytest.raises(SettingRefused, match="outside its range"),
    ):
        load.make_safe({"heat_w": -1})


def test_words_of_the_device_count_where_nothing_can_be_read_back():
    setpoints = {"heat_w": HEAT["heat_w"] | {"command": "POW {value}", "read_back": ""}}
    with (
        peer([*SAFE, STEP[0], *OLD_ERRORS, *CONFIRMED[:2]]) as served,
        driver(served.port, setpoints=setpoints) as load,
        pytest.raises(SettingRefused, match="Queue overflow"),
    ):
        load.make_safe({"heat_w": 0})


def test_an_output_that_tells_no_number_is_neither_on_nor_off():
    with (
        peer([*SAFE, *STEP, (b"OUTP?\n", b"+9.91E+37\n")]) as served,
        driver(served.port, setpoints=HEAT) as load,
        pytest.raises(Garbled, match=r"'\+9\.91E\+37' is no answer to OUTP\?"),
    ):
        load.make_safe({"heat_w": 0})


def test_what_the_device_said_before_it_fell_silent_is_told():
    error = [(b"SYST:ERR?\n", b'-200,"Execution error"\n'), STEP[1]]
    with (
        peer([*SAFE, STEP[0], *error, (b"OUTP?\n", b"")]) as served,
        driver(served.port, setpoints=HEAT, deadline_s=0.5) as load,
        pytest.raises(NoAnswer, match=r'no answer, asked OUTP\?; before that it said -200 "Execution error"'),
    ):
        load.make_safe({"heat_w": 0})


def test_the_safe_state_survives_a_connection_that_the_device_has_dropped():
    scripts = [*STEP, (ASK_TWO, b"40;5\n"), (b"OUTP OFF\n", HANG_UP)], [*SAFE, STEP[0], *CONFIRMED]
    with peer(*scripts) as served, driver(served.port, channels=TWO, setpoints=HEAT) as load:
        load.read(0.0)
        load.make_safe({"heat_w": 0})


def test_identification_names_the_queries_that_are_not_answered_with_the_words_of_the_device():
    script = [
        *STEP,
        (b"MEAS:VOLT?\n", b"40\n"),
        (b"MEAS:POW?\n", b""),
        (b"*IDN?\n", IDENTITY),
        (b"SYST:ERR?\n", b'-113,"Undefined header"\n'),
        STEP[1],
    ]
    with (
        peer(script) as served,
        driver(served.port, channels={"heat_v": {}, "heat_w": {}}, deadline_s=1) as load,
    ):
        told = load.identify()
    assert told.startswith("benchd,invented supply,0,1; ")
    assert told.endswith('does not answer MEAS:POW? (heat_w), and says -113 "Undefined header"')


def test_a_device_that_knows_neither_queue_nor_identity():
    channels, plain = {"heat_v": {}}, {"identity_query": "", "error_query": ""}
    script = [(b"MEAS:VOLT?\n", b"40\n"), (b"MEAS:VOLT?\n", b"41\n")]
    with peer(script) as served, driver(served.port, channels=channels, **plain) as load:
        assert load.identify() == "a device that is not asked who it is"
        assert load.read(0.0) == {"heat_v": 41}


PLAIN = {"identity_query": "", "error_query": "", "channels": {"heat_v": {}}, "deadline_s": 0.5}


def test_a_device_that_is_not_asked_who_it_is_is_left_alone_after_a_failure_until_it_can_no_longer_answer():
    scripts = [(b"MEAS:VOLT?\n", b"")], [(b"MEAS:VOLT?\n", b"41\n")]
    with peer(*scripts) as served, driver(served.port, **PLAIN, latest_reply_s=0.6) as load:
        with pytest.raises(NoAnswer, match="no answer, asked"):
            load.read(0.0)
        failed_s = time.monotonic()
        with pytest.raises(NoAnswer, match=r"not asked, it is left alone for another 0\.6 s") as caught:
            load.read(1.0)
        assert time.monotonic() - failed_s < 0.2
        assert "latest_reply_s" in caught.value.hint
        time.sleep(0.45)
        assert load.read(2.0) == {"heat_v": 41}
        assert time.monotonic() - failed_s > 0.6


def test_the_answer_to_a_program_that_was_killed_is_not_taken_from_a_serial_line():
    far, near = os.openpty()
    tty.setraw(near)
    late = threading.Timer(0.2, os.write, [far, b"99\n"])

    def answer():
        assert os.read(far, 100) == b"MEAS:VOLT?\n"
        os.write(far, b"41\n")

    fresh = threading.Thread(target=answer)
    table = {"driver": "scpi", "serial": os.ttyname(near)} | PLAIN | {"latest_reply_s": 0.5, "deadline_s": 2}
    load = Scpi(Setup("load", ScpiSpec.model_validate(table)))
    late.start()
    try:
        load.open()
        assert not late.is_alive()
        fresh.start()
        assert load.read(0.0) == {"heat_v": 41}
        fresh.join()
    finally:
        load.close()
        late.join()
        os.close(far)
        os.close(near)


def test_the_safe_state_of_such_a_device_is_sent_at_once_and_confirmed_by_no_late_answer():
    """The zero that comes with the orders answers something that was asked before."""
    scripts = (
        [(b"MEAS:VOLT?\n", b"")],
        SAFE,
        [(b"OUTP OFF\n", b"0\n"), (b"POW 0\n", b""), (b"OUTP?\n", b"1\n"), (b"POW?\n", b"0\n")],
    )
    with peer(*scripts) as served, driver(served.port, **PLAIN, setpoints=HEAT, latest_reply_s=0.6) as load:
        with pytest.raises(NoAnswer, match="no answer, asked"):
            load.read(0.0)
        with pytest.raises(NoAnswer, match="left alone"):
            load.make_safe({"heat_w": 0})
        time.sleep(0.5)
        with pytest.raises(SettingRefused, match="the output is on"):
            load.make_safe({"heat_w": 0})


@pytest.mark.parametrize("value", [-1, 300.1, float("nan"), float("inf")])
def test_nothing_is_sent_of_a_write_with_one_bad_value(value):
    setpoints = HEAT | {"fan_pct": {"command": "FAN {value}", "range": [0, 100], "safe": 100}}
    with driver(1, setpoints=setpoints) as load, pytest.raises(SettingRefused, match="outside its range"):
        load.write({"fan_pct": 50, "heat_w": value})


def test_an_unknown_setpoint_is_refused_and_the_known_ones_are_listed():
    with driver(1, setpoints=HEAT) as load, pytest.raises(InstrumentError, match="no setpoint 'pump_pct'") as caught:
        load.write({"pump_pct": 50})
    assert "heat_w" in caught.value.hint
