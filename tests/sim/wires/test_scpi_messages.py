"""How the simulated device reads messages, for what can hardly be sent to it; the rest is asked in test_scpi.py."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.wires.base import Device
from sim.wires.scpi import ScpiDevice
from sim.wires.scpi_messages import ErrorReply, numeral, parameter, units


@given(st.text())
def test_no_message_breaks_the_device(message):
    device = ScpiDevice(Device({}, {"power": lambda _: None}), {}, {"power": "POWer"})
    device.answer(message)
    assert device.answer("*OPC?") == "1"


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_are_told_to_seven_digits_and_never_above_infinity(value):
    told = float(numeral(value))
    assert told == pytest.approx(max(-9.9e37, min(value, 9.9e37)), rel=1e-6)


@pytest.mark.parametrize(
    ("value", "text"), [(0.0, "0"), (1.0, "1"), (math.inf, "+9.900000E+37"), (-math.inf, "-9.900000E+37")]
)
def test_special_numbers(value, text):
    assert numeral(value) == text


def test_a_setting_that_was_never_set_has_no_value():
    device = ScpiDevice(Device({}, {"power": lambda _: None}), {}, {"power": "POWer"})
    assert device.answer("POW?") == ""
    assert device.answer("SYST:ERR?") == '-230,"Data corrupt or stale"'
    assert device.answer("POW 5;POW?") == "+5.000000E+00"


def test_a_reading_without_value_is_no_number():
    device = ScpiDevice(Device({"die": lambda: None}), {"die": "MEASure:TEMPerature"}, {})
    assert device.answer("MEAS:TEMP?") == "+9.910000E+37"


def test_a_header_for_what_is_not_there_is_a_mistake():
    with pytest.raises(KeyError, match="die"):
        ScpiDevice(Device({}), {"die": "MEASure:TEMPerature"}, {})


@pytest.mark.parametrize("argument", ["1_0", "0x10", "٣", "INFINITY", "NAN", "", "1 2"])
def test_what_only_a_programming_language_takes_for_a_number(argument):
    with pytest.raises(ErrorReply):
        parameter(argument, "W")


def test_quotes_hold_a_message_together():
    assert [unit.argument for unit in units("DISP 'a;b'; DISP \"c;'d\"")] == ["'a;b'", '"c;\'d"']
