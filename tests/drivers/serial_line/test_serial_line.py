"""The driver against a device that really answers, on a socket and on a serial line, sound and with every fault."""

import contextlib
import math
import time

import pytest

from benchd.errors import Garbled, InstrumentError, LinkLost, NoAnswer, SettingRefused
from benchd.instruments import SampleFlag, Setup
from drivers.serial_line.driver import SerialLine, SerialLineSpec
from sim.wires.base import WIRE_FAULTS, Device, Wire
from sim.wires.loop_thread import loop_thread
from sim.wires.text_line import TextDevice, TextLineServer

EVERY_S = 0.02
DEADLINE_S = 1.0
SOON_S = 10.0

#: Where silence is waited for: a late answer comes after the deadline, and before anything else is asked.
LATE_S = 0.3
SHORT = {"deadline_s": 0.15, "stale_s": 0.3, "quiet_s": 0.4}

TRUE, LATER = 41.2, 55.5


class Served:
    """One device on its wire, what it shows, what it was told, and a driver for it."""

    def __init__(self, keys, baud=None, **how):
        self.shown = {"level": TRUE, "fan": 100.0}
        self.baud = baud
        self.wire = Wire("meter", late_s=LATE_S)
        self.keys = {"driver": "serial_line", "deadline_s": DEADLINE_S} | keys
        device = Device(
            {name: lambda name=name: self.shown[name] for name in self.shown},
            {"fan": lambda pct: self.shown.update(fan=pct)},
        )
        self.server = TextLineServer(TextDevice(device, **how), self.wire, EVERY_S)

    def driver(self, **keys):
        return SerialLine(Setup("meter", SerialLineSpec.model_validate(self.keys | keys)))


UNASKED = {"form": "{level:.1f} dBA"}
ASKED = {"form": "{level:.1f} dBA", "ask": "READ?"}
FAN = {"form": "F={fan:.0f}", "ask": "F?", "orders": {"fan": "F (?P<value>[0-9.]+)"}}

METER = {
    "pattern": r"(?P<level>\d+\.\d|---) (?P<unit>dB[AC])",
    "channels": {"level_dba": {"group": "level", "unit_group": "unit", "unit": "dBA", "missing": ["---"]}},
}
FAN_KEYS = {
    "ask": "F?",
    "pattern": r"F=(?P<fan>\d+)",
    "channels": {"fan_pct": {"group": "fan"}},
    "setpoints": {"fan_pct": {"command": "F {value:.0f}", "accept": "OK", "range": [0, 100], "safe": 100}},
}
CHECKED = {"checksum": "sum"}


@contextlib.contextmanager
def served(where, folder, keys, baud=None, **how):
    """A device on "tcp" or on "serial", the latter by a name that stays."""
    link = folder / "meter"

    def shows(path):
        link.unlink(missing_ok=True)
        if path is not None:
            link.symlink_to(path)

    place = {"host": "127.0.0.1"} if where == "tcp" else {"serial": str(link)}
    bench = Served(place | keys, **how)
    with loop_thread() as run:
        if where == "tcp":
            bench.keys["port"] = run(bench.server.start_tcp())
        else:
            run(bench.server.start_terminal(shows, baud))
        try:
            yield bench
        finally:
            run(bench.server.close())


@contextlib.contextmanager
def opened(bench, **keys):
    driver = bench.driver(**keys)
    try:
        driver.open()
        yield driver
    finally:
        driver.close()


def soon(driver, value):
    """Read until there is that value; everything that was read on the way, errors as they were raised."""
    end_s = time.monotonic() + SOON_S
    seen = []
    while not seen or seen[-1] != value:
        assert time.monotonic() < end_s, seen[-5:]
        seen.append(read(driver))
    return seen


def read(driver):
    began_s = time.monotonic()
    try:
        (answer,) = driver.read(0.0).values()
    except InstrumentError as error:
        answer = error
    assert time.monotonic() - began_s < DEADLINE_S + 1.0
    time.sleep(0.02)
    return answer


WHERE = pytest.mark.parametrize("where", ["tcp", "serial"])
HOW = pytest.mark.parametrize("how", [UNASKED, ASKED], ids=["unasked", "asked"])


def keys_for(how):
    return METER | CHECKED | ({"ask": how["ask"]} if "ask" in how else {})


# --- a sound wire


@WHERE
@HOW
def test_it_reads_what_the_device_shows_now(where, how, tmp_path):
    with served(where, tmp_path, keys_for(how), check="sum", **how) as bench, opened(bench) as driver:
        soon(driver, TRUE)
        bench.shown["level"] = LATER
        assert set(soon(driver, LATER)) <= {TRUE, LATER, SampleFlag.MISSING}


@WHERE
def test_it_says_what_a_line_looks_like(where, tmp_path):
    with served(where, tmp_path, keys_for(ASKED), check="sum", **ASKED) as bench, opened(bench) as driver:
        assert driver.identify() == "a device that answers 'READ?' with '41.2 dBA'"
    with served(where, tmp_path, keys_for(UNASKED), check="sum", **UNASKED) as bench, opened(bench) as driver:
        assert driver.identify() == "a device that sends '41.2 dBA'"


@WHERE
def test_it_asks_for_the_name_where_the_device_has_one(where, tmp_path):
    how = ASKED | {"also": {"ID?": "sound meter 0001"}}
    keys = METER | {"ask": "READ?", "identity_ask": "ID?"}
    with served(where, tmp_path, keys, **how) as bench, opened(bench) as driver:
        assert driver.identify() == "sound meter 0001"


@WHERE
@pytest.mark.parametrize(("shown", "answer"), [(None, SampleFlag.MISSING), (math.nan, SampleFlag.GARBLED)])
def test_a_device_without_a_value(where, shown, answer, tmp_path):
    keys = METER | {"pattern": r"(?P<level>\S+) (?P<unit>dB[AC])"}
    with served(where, tmp_path, keys, **UNASKED) as bench, opened(bench) as driver:
        bench.shown["level"] = shown
        soon(driver, answer)


@WHERE
def test_a_meter_switched_to_another_weighting_is_garbled(where, tmp_path):
    with served(where, tmp_path, METER, form="{level:.1f} dBC") as bench, opened(bench) as driver:
        soon(driver, SampleFlag.GARBLED)


@WHERE
def test_an_end_that_is_not_the_usual_one_and_blanks(where, tmp_path):
    """The device ends its lines with CR LF; whoever waits for LF only finds a blank at the end of each."""
    with served(where, tmp_path, METER | {"line_end": "\n"}, **UNASKED) as bench, opened(bench) as driver:
        soon(driver, TRUE)


# --- faults

#: What a read may give while a fault lasts, beside the true value from before it: kinds of errors and flags.
GIVES = {
    "no_answer": (NoAnswer, SampleFlag.MISSING),
    "late_answer": (NoAnswer, SampleFlag.MISSING, TRUE),
    "cut": (NoAnswer, Garbled, SampleFlag.MISSING),
    "flipped_bit": (NoAnswer, Garbled, SampleFlag.MISSING, SampleFlag.GARBLED),
    "garbage": (NoAnswer, Garbled, SampleFlag.MISSING, SampleFlag.GARBLED),
    "unplugged": (LinkLost, NoAnswer, SampleFlag.MISSING),
    "deaf": (NoAnswer, SampleFlag.MISSING),
    "other_device": (NoAnswer, Garbled, SampleFlag.GARBLED),
    "exception": (NoAnswer, Garbled, SampleFlag.GARBLED),
    "not_a_number": (SampleFlag.MISSING,),
}


@WHERE
@HOW
@pytest.mark.parametrize("fault", WIRE_FAULTS)
def test_with_a_fault_there_is_never_a_wrong_value_and_after_it_the_fresh_one(where, how, fault, tmp_path):
    with served(where, tmp_path, keys_for(how), check="sum", **how) as bench, opened(bench, **SHORT) as driver:
        soon(driver, TRUE)
        bench.wire.fault = fault
        end_s = time.monotonic() + 1.2 * SHORT["stale_s"]
        during = []
        while time.monotonic() < end_s:
            during.append(read(driver))
        during.append(read(driver))
        for answer in during:
            assert answer == TRUE or answer in GIVES[fault] or type(answer) in GIVES[fault]
        if fault != "late_answer":
            assert during[-1] != TRUE
        bench.shown["level"] = LATER
        bench.wire.fault = None
        late = {TRUE} if fault == "late_answer" else set()
        after = soon(driver, LATER)
        assert {answer for answer in after if isinstance(answer, float)} <= {LATER} | late
        for answer in during + after:
            assert not isinstance(answer, InstrumentError) or answer.message.startswith("meter ")


@HOW
def test_unplugged_it_comes_back_by_itself_under_the_same_name(how, tmp_path):
    with served("serial", tmp_path, keys_for(how), check="sum", **how) as bench, opened(bench) as driver:
        soon(driver, TRUE)
        bench.wire.fault = "unplugged"
        while not isinstance(read(driver), LinkLost):
            pass
        with pytest.raises(LinkLost, match="there is no such serial port"):
            driver.read(0.0)
        bench.wire.fault = None
        soon(driver, TRUE)


def test_a_device_that_is_not_there_says_so_at_opening(tmp_path):
    with served("tcp", tmp_path, keys_for(ASKED), **ASKED) as bench:
        bench.wire.fault = "unplugged"
        time.sleep(0.1)
        driver = bench.driver()
        with pytest.raises(LinkLost, match=r"meter at 127\.0\.0\.1:\d+: cannot connect"):
            driver.open()


# --- wrong speed


@HOW
def test_wrong_speed_shows_what_came_and_what_to_try(how, tmp_path):
    with served("serial", tmp_path, keys_for(how), baud=9600, check="sum", **how) as bench:
        with opened(bench, baud=9600) as driver:
            soon(driver, TRUE)
        with opened(bench, baud=4800, **SHORT) as driver:
            seen = [read(driver) for _ in range(10)]
    assert not any(isinstance(answer, float) for answer in seen)
    if how is UNASKED:
        (told, *_) = [answer for answer in seen if isinstance(answer, Garbled)]
        assert "\\x" in told.message
        assert "baud = 4800 may be wrong, try 2400" in told.hint
    else:
        assert all(isinstance(answer, NoAnswer) for answer in seen)  # a question that is not understood


# --- telling


@WHERE
def test_what_it_is_told_the_device_does(where, tmp_path):
    with served(where, tmp_path, FAN_KEYS, **FAN) as bench, opened(bench) as driver:
        driver.write({"fan_pct": 33.6})
        assert bench.shown["fan"] == 34.0
        assert driver.read(0.0) == {"fan_pct": 34.0}


def test_what_the_device_refuses_is_told_with_its_answer(tmp_path):
    keys = FAN_KEYS | {"setpoints": {"fan_pct": FAN_KEYS["setpoints"]["fan_pct"] | {"command": "FAN {value:.0f}"}}}
    what = r"fan_pct = 50 %: 'FAN 50' was answered by 'ERROR 3'"
    with (
        served("tcp", tmp_path, keys, **FAN) as bench,
        opened(bench) as driver,
        pytest.raises(SettingRefused, match=what),
    ):
        driver.write({"fan_pct": 50})


@pytest.mark.parametrize("value", [-0.1, 100.1, math.nan, math.inf])
def test_outside_its_range_nothing_is_sent(value, tmp_path):
    with served("tcp", tmp_path, FAN_KEYS, **FAN) as bench, opened(bench) as driver:
        with pytest.raises(SettingRefused, match="outside its range 0 to 100 %"):
            driver.write({"fan_pct": value})
        assert bench.shown["fan"] == 100.0


READ_BACK = {"command": "F {value:.0f}", "accept": "OK", "read_back": "F?", "read_back_pattern": r"F=(?P<value>\d+)"}


@pytest.mark.parametrize("scale", [1.0, 100 / 255])
def test_what_reads_back_as_it_was_sent_is_taken(scale, tmp_path):
    spec = READ_BACK | {"range": [0, 100], "safe": 100, "scale": scale}
    with served("tcp", tmp_path, FAN_KEYS | {"setpoints": {"fan_pct": spec}}, **FAN) as bench, opened(bench) as driver:
        for value in (0.0, 33.3, 100.0):
            driver.write({"fan_pct": value})
            assert bench.shown["fan"] == round(value / scale)


def test_what_reads_back_otherwise_is_refused_with_both_values(tmp_path):
    spec = READ_BACK | {"range": [0, 100], "safe": 100}
    how = FAN | {"also": {"F?": "F=60"}}
    with served("tcp", tmp_path, FAN_KEYS | {"setpoints": {"fan_pct": spec}}, **how) as bench, opened(bench) as driver:
        with pytest.raises(SettingRefused, match=r"sent 50 %, reads back 60"):
            driver.write({"fan_pct": 50})
        driver.write({"fan_pct": 60})
    wide = FAN_KEYS | {"setpoints": {"fan_pct": spec | {"read_back_tolerance": 10.0}}}
    with served("tcp", tmp_path, wide, **how) as bench, opened(bench) as driver:
        driver.write({"fan_pct": 50})


# --- the safe state


@WHERE
def test_the_safe_state_is_reached_over_a_wire_that_was_lost_meanwhile(where, tmp_path):
    with served(where, tmp_path, FAN_KEYS, **FAN) as bench, opened(bench) as driver:
        driver.write({"fan_pct": 20})
        bench.wire.fault = "unplugged"
        time.sleep(0.1)
        bench.wire.fault = None
        time.sleep(0.1)
        driver.make_safe({"fan_pct": 100})
        assert bench.shown["fan"] == 100.0


@WHERE
def test_the_safe_state_does_not_wait_until_the_quiet_time_is_over(where, tmp_path):
    keys = FAN_KEYS | {"quiet_s": 30.0, "deadline_s": 0.5}
    with served(where, tmp_path, keys, **FAN) as bench, opened(bench) as driver:
        driver.write({"fan_pct": 20})
        bench.wire.fault = "no_answer"
        with pytest.raises(NoAnswer, match="no answer"):
            driver.read(0.0)
        with pytest.raises(NoAnswer, match="late answer may still come; before that: no answer"):
            driver.read(0.0)
        bench.wire.fault = None
        driver.make_safe({"fan_pct": 100})
        assert bench.shown["fan"] == 100.0


def test_what_one_setpoint_refuses_does_not_keep_the_rest_back(tmp_path):
    refused = FAN_KEYS["setpoints"]["fan_pct"] | {"command": "PUMP {value:.0f}"}
    keys = FAN_KEYS | {"setpoints": {"pump_pct": refused, "fan_pct": FAN_KEYS["setpoints"]["fan_pct"]}}
    with served("tcp", tmp_path, keys, **FAN) as bench, opened(bench) as driver:
        driver.write({"fan_pct": 20})
        with pytest.raises(SettingRefused, match="pump_pct"):
            driver.make_safe({"pump_pct": 100, "fan_pct": 100})
        assert bench.shown["fan"] == 100.0


def test_a_dead_device_fails_the_safe_state_within_its_deadline(tmp_path):
    with served("serial", tmp_path, FAN_KEYS, **FAN) as bench, opened(bench, **SHORT) as driver:
        bench.wire.fault = "deaf"
        time.sleep(0.05)
        began_s = time.monotonic()
        with pytest.raises(NoAnswer, match="meter"):
            driver.make_safe({"fan_pct": 100})
        assert time.monotonic() - began_s < DEADLINE_S + 1.0
