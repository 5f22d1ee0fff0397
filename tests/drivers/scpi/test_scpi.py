"""The driver against a simulated supply that really answers, over TCP and a pseudo-terminal, on wires good and bad."""

import math
import time

import pytest

from benchd.errors import Garbled, InstrumentError, LinkLost, NoAnswer, SettingRefused
from benchd.instruments import SampleFlag, Setup, find_driver
from drivers.scpi.driver import Scpi, ScpiSpec
from sim.wires.scpi_supply import OHM, served_supply

DEADLINE_S = 0.3
LATE_S = 0.4
SILENCE_S = 2.0
CHANNELS = {
    "heat_v": {},
    "heat_a": {},
    "heat_w": {"query": "MEAS:VOLT?", "times": "MEAS:CURR?"},
    "told_w": {},
}
HEAT = {"range": [0, 400], "safe": 0}
AT_200_W = {"heat_v": 40.0, "heat_a": 5.0, "heat_w": 200.0, "told_w": 200.0}
AT_50_W = {"heat_v": 20.0, "heat_a": 2.5, "heat_w": 50.0, "told_w": 50.0}


@pytest.fixture(params=["tcp", "terminal"])
def served(request, tmp_path):
    terminal = tmp_path / "supply" if request.param == "terminal" else None
    with served_supply(terminal, late_s=LATE_S) as supply:
        yield supply


@pytest.fixture
def driver(served):
    """Makes drivers for the supply, with other keys if need be; they are closed in the end."""
    made = []

    def make(**keys):
        place = {"serial": served.path} if served.path else {"host": "127.0.0.1", "port": served.port}
        table = {
            "driver": "scpi",
            "deadline_s": DEADLINE_S,
            "at_open": [f"SYST:COMM:TIM {SILENCE_S}"],
            "channels": CHANNELS,
            "setpoints": {"heat_w": HEAT},
        }
        made.append(Scpi(Setup("load", ScpiSpec.model_validate(table | place | keys))))
        return made[-1]

    yield make
    for instrument in made:
        instrument.close()


@pytest.fixture
def load(driver):
    return driver()


def outcome(call, *arguments):
    """What a call returns, or the error it raises, which must say who and what to try."""
    try:
        return call(*arguments)
    except InstrumentError as error:
        return error


def is_told_well(error):
    return isinstance(error, InstrumentError) and error.message.startswith("load ") and bool(error.hint)


def until(condition, within_s=3.0):
    """Whether the condition comes true in time."""
    give_up_s = time.monotonic() + within_s
    while not condition() and time.monotonic() < give_up_s:
        time.sleep(0.02)
    return condition()


def set_past_the_wire(served, watts):
    served.supply.device.writes["power"](watts)


def test_it_is_found_under_its_name():
    assert find_driver("scpi") is Scpi


def test_watts_are_set_and_measured(served, load):
    load.open()
    assert load.identify() == "benchd,simulated supply,0,1"
    load.write({"heat_w": 200})
    assert load.read(0.0) == AT_200_W
    assert served.supply.watts == 200
    load.write({"heat_w": 0})
    assert load.read(1.0)["told_w"] == served.supply.watts == 0


@pytest.mark.parametrize("together", [True, False])
def test_watts_in_a_known_resistance(served, driver, together):
    load = driver(setpoints={"heat_w": HEAT | {"ohm": OHM}}, together=together)
    load.write({"heat_w": 123.4})
    assert load.read(0.0)["heat_w"] == pytest.approx(123.4, rel=1e-4)
    load.make_safe({"heat_w": 0})
    assert served.supply.watts == 0


def test_amperes_are_limited_when_the_resistance_is_less_than_was_said(driver):
    """A heater of 8 ohm taken for one of 32 is given 1.86 A at the most for 100 W, and so 28 W."""
    load = driver(setpoints={"heat_w": HEAT | {"range": [0, 100], "ohm": 4 * OHM}})
    load.write({"heat_w": 100})
    assert load.read(0.0)["heat_a"] == pytest.approx(1.05 * math.sqrt(100 / 32), rel=1e-4)


def test_a_setpoint_that_the_supply_refuses_changes_nothing(load):
    load.write({"heat_w": 200})
    with pytest.raises(SettingRefused, match=r'heat_w = 350 W was refused: the device says -222 "Data out of range"'):
        load.write({"heat_w": 350})
    assert load.read(0.0) == AT_200_W


def test_identification_says_what_the_supply_does_not_know(driver):
    load = driver(channels={"die_c": {}, "heat_v": {}}, deadline_s=1.0)
    told = load.identify()
    assert told.endswith('does not answer MEAS:TEMP? (die_c), and says -113 "Undefined header"')


def test_silence_switches_the_heat_off_and_reading_keeps_it_on(served, driver):
    load = driver(at_open=["SYST:COMM:TIM 0.5"])
    load.write({"heat_w": 200})
    ends_s = time.monotonic() + 1.0
    while time.monotonic() < ends_s:
        assert load.read(0.0)["told_w"] == 200
        time.sleep(0.05)
    assert until(lambda: served.supply.watts == 0)
    assert load.read(1.0)["told_w"] == 0


#: What reading does while the wire has a fault; None: it gives flags.
READING = {
    "no_answer": NoAnswer,
    "late_answer": NoAnswer,
    "cut": NoAnswer,
    "garbage": InstrumentError,
    "unplugged": LinkLost,
    "deaf": NoAnswer,
    "other_device": Garbled,
    "exception": NoAnswer,
    "not_a_number": None,
}


@pytest.mark.parametrize("fault", READING)
def test_a_spoiled_wire_costs_samples_and_gives_no_wrong_ones(served, load, fault):
    load.write({"heat_w": 200})
    served.wire.fault = fault
    time.sleep(0.05)  # a plug takes a moment
    first, second = (outcome(load.read, float(t_s)) for t_s in range(2))
    if READING[fault] is None:
        assert first == second == dict.fromkeys(CHANNELS, SampleFlag.MISSING)
    else:
        assert is_told_well(first)
        assert isinstance(first, READING[fault])
        assert is_told_well(second)  # what cannot be brought into step again is not read at all
    set_past_the_wire(served, 50)
    served.wire.fault = None
    seen = []
    assert until(lambda: not isinstance(seen.append(outcome(load.read, 9.0)) or seen[-1], InstrumentError))
    assert seen[-1] == load.read(10.0) == AT_50_W


def test_a_flipped_bit_is_seen_unless_it_makes_another_digit(served, load):
    """SCPI has no check sum. What comes through is a number with one other sign, or the number as it was."""
    load.write({"heat_w": 200})
    served.wire.fault = "flipped_bit"
    seen = [outcome(load.read, float(t_s)) for t_s in range(15)]
    errors = [one for one in seen if isinstance(one, InstrumentError)]
    read = [one for one in seen if not isinstance(one, InstrumentError)]
    assert all(is_told_well(error) for error in errors)
    for values in read:
        assert sum(values[name] == AT_200_W[name] for name in ("heat_v", "heat_a", "told_w")) >= 2
    flagged = [values for values in read if SampleFlag.GARBLED in values.values()]
    assert len(errors) + len(flagged) > 3


@pytest.mark.parametrize("fault", READING)
def test_a_setting_over_a_spoiled_wire_is_never_taken_for_granted(served, load, fault):
    load.write({"heat_w": 50})
    served.wire.fault = fault
    time.sleep(0.05)
    assert is_told_well(outcome(load.write, {"heat_w": 200}))


@pytest.mark.parametrize("fault", ["no_answer", "late_answer", "cut", "garbage", "flipped_bit", "not_a_number"])
def test_the_safe_state_is_reached_whatever_becomes_of_the_answers(served, load, fault):
    load.write({"heat_w": 200})
    served.wire.fault = fault
    told = outcome(load.make_safe, {"heat_w": 0})
    assert served.supply.watts == 0
    assert fault == "flipped_bit" or is_told_well(told)


def test_a_supply_that_does_not_obey_is_no_safe_state(served, load):
    load.write({"heat_w": 200})
    served.wire.fault = "exception"
    assert is_told_well(outcome(load.make_safe, {"heat_w": 0}))
    assert served.supply.watts == 200
    served.wire.fault = None
    load.make_safe({"heat_w": 0})
    assert served.supply.watts == 0


def test_a_device_that_hung_finds_the_order_to_switch_off_when_it_wakes(served, load):
    load.write({"heat_w": 200})
    served.wire.fault = "deaf"
    with pytest.raises(NoAnswer):
        load.make_safe({"heat_w": 0})
    assert served.supply.watts == 200
    served.wire.fault = None
    assert until(lambda: served.supply.watts == 0, SILENCE_S / 2)


def test_safe_state_is_reached_without_opening_first(served, driver):
    load = driver()
    load.write({"heat_w": 200})
    if served.path:
        load.close()  # a serial port is held by one program
    driver().make_safe({"heat_w": 0})
    assert served.supply.watts == 0


def test_unplugged_and_back(served, load):
    load.write({"heat_w": 200})
    served.wire.fault = "unplugged"
    time.sleep(0.1)
    for _ in range(2):
        with pytest.raises(LinkLost, match="load"):
            load.read(0.0)
    served.wire.fault = None
    assert until(lambda: outcome(load.read, 0.0) == AT_200_W)


def test_a_late_answer_on_a_serial_line_is_not_taken_for_the_next_one(served, load):
    """Each read gives up before its answer comes; the answers then come one after the other, to whoever asks next."""
    load.write({"heat_w": 200})
    served.wire.fault = "late_answer"
    with pytest.raises(NoAnswer):
        load.read(0.0)
    served.wire.fault = None
    set_past_the_wire(served, 50)
    seen = [outcome(load.read, float(t_s)) for t_s in range(1, 30)]
    read = [one for one in seen if not isinstance(one, InstrumentError)]
    assert read
    assert all(values == AT_50_W for values in read)
