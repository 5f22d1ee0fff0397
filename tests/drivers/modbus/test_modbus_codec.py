"""Registers as values: checked against the published specification and against the codec of pymodbus."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client import ModbusTcpClient

from drivers.modbus.codec import MOST_REGISTERS, Place, advice, decode, encode, meaning, pick, read_groups

TYPES = st.sampled_from(["uint16", "int16", "uint32", "int32", "uint64", "int64", "float32", "float64"])
ORDERS = st.sampled_from(["big", "little"])
LIMITS = {
    "uint16": (0, 2**16 - 1),
    "int16": (-(2**15), 2**15 - 1),
    "uint32": (0, 2**32 - 1),
    "int32": (-(2**31), 2**31 - 1),
    # Values are float64, which holds every whole number up to 2**53.
    "uint64": (0, 2**53),
    "int64": (-(2**53), 2**53),
    "float32": (-(2**24), 2**24),
    "float64": (-(2**53), 2**53),
}


@given(TYPES, ORDERS, st.data())
def test_pymodbus_reads_the_registers_that_we_write(kind, order, data):
    value = data.draw(st.integers(*LIMITS[kind]))
    words = encode(Place(0, type=kind, word_order=order), value)
    theirs = ModbusTcpClient.DATATYPE[kind.upper()]
    assert ModbusTcpClient.convert_from_registers(list(words), theirs, word_order=order) == value
    assert decode(Place(0, type=kind, word_order=order), words) == value


def test_registers_of_the_specification():
    """MODBUS Application Protocol V1.1b3, 6.3: registers 108 to 110 hold 022B, 0000, 0064: 555, 0, 100."""
    words = [0x022B, 0x0000, 0x0064]
    assert [decode(Place(107), [word]) for word in words] == [555, 0, 100]


def test_float_in_two_registers():
    """IEEE 754 single precision: 1.0 is 3F80 0000, and -118.625 is C2ED 4000."""
    assert encode(Place(0, type="float32"), 1.0) == (0x3F80, 0x0000)
    assert encode(Place(0, type="float32", word_order="little"), -118.625) == (0x4000, 0xC2ED)


@given(st.floats(-40, 400), st.sampled_from([1.0, 0.1, 0.01, -0.5]), st.floats(-50, 50))
def test_scale_and_offset_come_back_within_half_a_count(value, scale, offset):
    place = Place(0, type="int32", scale=scale, offset=offset)
    assert decode(place, encode(place, value)) == pytest.approx(value, abs=abs(scale) / 2 * (1 + 1e-9))


@pytest.mark.parametrize(
    ("kind", "value"),
    [
        ("uint16", -1),
        ("uint16", 65536),
        ("int16", 32768),
        ("uint32", -1),
        ("int32", 2**31),
        ("uint64", -1),
        ("int64", 2.0**63),
        ("float32", 1e39),
    ],
)
def test_a_value_that_does_not_fit_is_an_error_not_another_value(kind, value):
    with pytest.raises(ValueError, match="does not fit"):
        encode(Place(0, type=kind), value)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_not_a_number_is_never_encoded(value):
    with pytest.raises(ValueError, match="not a number"):
        encode(Place(0, type="float32"), value)


def test_a_float_that_is_not_a_number_is_seen_as_such():
    assert math.isnan(decode(Place(0, type="float32"), [0x7FC0, 0x0000]))
    assert math.isinf(decode(Place(0, type="float32", scale=-1), [0x7F80, 0x0000]))


@pytest.mark.parametrize("words", [[0x8000], [0x7FFF]])
def test_the_raw_number_that_stands_for_none_is_no_value_and_its_neighbours_are(words):
    (raw,) = words
    signed = raw - 0x10000 if raw > 0x7FFF else raw
    place = Place(0, type="int16", scale=0.1, no_value=signed)
    assert math.isnan(decode(place, words))
    assert decode(place, [raw ^ 1]) == pytest.approx(0.1 * (signed ^ 1))


def test_a_gap_is_read_over_when_that_is_allowed_and_no_further():
    places = {"one_c": Place(0, "input"), "two_c": Place(3, "input"), "three_c": Place(7, "input")}
    assert [group.count for group in read_groups(places, read_over=2)] == [4, 1]
    assert [group.count for group in read_groups(places, read_over=3)] == [8]


def test_neighbours_are_one_request_and_a_gap_makes_two():
    places = {
        "heat_v": Place(12, "input", "float32"),
        "heat_w": Place(10, "input", "float32"),
        "heat_a": Place(14, "input", "float32"),
        "set_w": Place(10, "holding"),
        "die_c": Place(17, "input"),
    }
    groups = [(group.table, group.register, group.count, group.names) for group in read_groups(places)]
    assert groups == [
        ("holding", 10, 1, ("set_w",)),
        ("input", 10, 6, ("heat_w", "heat_v", "heat_a")),
        ("input", 17, 1, ("die_c",)),
    ]


def test_a_request_never_asks_for_more_than_the_specification_allows():
    """MODBUS Application Protocol V1.1b3, 6.3: quantity of registers 1 to 125 (value from memory)."""
    places = {f"channel{number}_c": Place(number, "input") for number in range(300)}
    assert MOST_REGISTERS == 125
    assert [group.count for group in read_groups(places)] == [125, 125, 50]


@given(st.lists(st.tuples(st.integers(0, 300), TYPES, st.sampled_from(["holding", "input"])), max_size=40))
def test_every_place_is_found_again_in_exactly_one_group(found):
    places = {str(number): Place(at, table, kind) for number, (at, kind, table) in enumerate(found)}
    groups = read_groups(places)
    assert sorted(name for group in groups for name in group.names) == sorted(places)
    for group in groups:
        assert group.count <= MOST_REGISTERS
        words = list(range(group.register, group.register + group.count))
        for name in group.names:
            place = places[name]
            assert list(pick(group, words, place)) == list(range(place.register, place.end))


@pytest.mark.parametrize(
    ("code", "words"),
    [(1, "illegal function"), (2, "illegal data address"), (3, "illegal data value"), (4, "device failure")],
)
def test_exceptions_are_told_in_words(code, words):
    """MODBUS Application Protocol V1.1b3, section 7."""
    assert words in meaning(code)
    assert advice(code)


def test_an_unknown_exception_is_told_by_its_number():
    assert meaning(0x55).startswith("exception 55")
    assert "manual" in advice(0x55)
