"""SCPI as a controller reads it, against numbers and lines as the standards and makers' manuals print them.

Numbers: IEEE 488.2, 8.7.2 (NR1), 8.7.3 (NR2), 8.7.4 (NR3), examples as quoted in the programming guides of power meters
of the U8480 and N1911A series (Keysight) and of a Hioki 3541. 9.91E37 is no number and 9.9E37 infinity: SCPI-99 volume
1, 7.2.1.5, as quoted in the manuals of a counter 53131A (HP) and a generator SMC100A (Rohde & Schwarz). Errors: SCPI-99
volume 2, 21.8, as in the error lists of the 8712ET (Agilent) and of the XG series (Xantrex).
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.scpi.codec import (
    UNREAL,
    error_entry,
    is_identity,
    join_queries,
    number,
    query_form,
    split_outside_quotes,
    volts_and_amperes,
)


@pytest.mark.parametrize(
    ("answer", "value"),
    [
        ("146", 146),
        ("+146", 146),
        ("-12345", -12345),
        ("12.3", 12.3),
        ("+1.2345", 1.2345),
        ("-0.123", -0.123),
        ("+1.0E-2", 0.01),
        ("-2.3E+4", -23000),
        ("+106.571", 106.571),
        (".5", 0.5),
        ("5.", 5),
        ("1.5e3", 1500),
        (" 12.5 ", 12.5),
        ("+9.9E36", 9.9e36),
    ],
)
def test_numbers_as_printed_in_the_standard(answer, value):
    assert number(answer) == value


@pytest.mark.parametrize("answer", ["9.91E37", "+9.91000000E+37", "9.9099997E+37", "NAN", "nan"])
def test_no_number_is_none(answer):
    """9.9099997E37 is 9.91E37 out of 32 bits."""
    assert math.isnan(number(answer))


@pytest.mark.parametrize(
    "answer",
    [
        "9.9E37",
        "-9.9E37",
        "+9.90000000E+37",
        "9.8999999E+37",  # 9.9E37 out of 32 bits
        "1E38",
        "-1E400",
        "INF",
        "NINF",
    ],
)
def test_infinity_and_overflow_are_infinite(answer):
    assert number(answer) == math.inf


@pytest.mark.parametrize(
    "answer",
    [
        "",
        "+",
        "E5",
        "1.2.3",
        "1,2",
        "0x10",
        "1_0",
        "12 3",
        "OVLD",
        "----",
        "٣",
        "1.2\x003",
        "12.3.",
        "--5",
        "1e",
        '"5"',
    ],
)
def test_what_is_no_number_is_refused(answer):
    with pytest.raises(ValueError, match=r"no number|answers where one|a number of"):
        number(answer)


@pytest.mark.parametrize(
    ("answer", "suffixes", "value"),
    [
        ("12.5V", ("V",), 12.5),
        ("12.5 v", ("V",), 12.5),
        ("5MV", ("V",), 0.005),
        ("5E-3V", ("V",), 0.005),
        ("250 MA", ("A",), 0.25),  # IEEE 488.2: with amperes MA is milli
        ("2 MAA", ("A",), 2e6),
        ("0.2 KW", ("W",), 200),
        ("40 CEL", ("CEL", "C"), 40),
    ],
)
def test_a_unit_behind_the_number_is_reckoned_in(answer, suffixes, value):
    """Multipliers and their pitfall with MA as in the manual of a WT210 (Yokogawa), from IEEE 488.2, 7.7.3."""
    assert number(answer, suffixes) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(("answer", "suffixes"), [("12.5A", ("V",)), ("41.2 dBA", ()), ("12.5 XV", ("V",))])
def test_a_number_in_another_unit_is_refused(answer, suffixes):
    with pytest.raises(ValueError, match="a number of"):
        number(answer, suffixes)


def test_a_missing_number_in_small_units_is_still_missing():
    assert math.isnan(number("9.91E37 MV", ("V",)))


def test_fields_are_counted_from_1():
    assert [number("1.0,+2,3E0", field=at) for at in (1, 2, 3)] == [1, 2, 3]
    with pytest.raises(ValueError, match="no field 4, the answer has 3"):
        number("1.0,+2,3E0", field=4)


@given(st.floats(min_value=-9.7e37, max_value=9.7e37), st.sampled_from(["{:+.6E}", "{:.9e}", "{!r}", "{:.3f}"]))
def test_every_value_comes_back_from_each_notation(value, notation):
    text = notation.format(value)
    assert number(text) == float(text)


@given(st.text())
def test_any_text_is_a_number_or_refused(text):
    try:
        value = number(text, ("V", "CEL"))
    except ValueError:
        return
    assert not math.isfinite(value) or abs(value) < UNREAL * 1e9


@given(st.lists(st.one_of(st.from_regex(r"[0-9.+E-]{1,9}", fullmatch=True), st.just('"a;b,c"'), st.just("'d;'"))))
def test_answers_are_parted_where_they_were_joined(parts):
    assert split_outside_quotes(";".join(parts), ";") == (parts or [""])


def test_a_semicolon_inside_quotes_parts_nothing():
    """Further details stand behind a semicolon inside the string: SCPI-99 volume 2, 21.8.2 (from memory)."""
    entry = '-222,"Data out of range;POW 999"'
    assert split_outside_quotes(f"1;{entry};2", ";") == ["1", entry, "2"]


def test_a_message_of_several_queries_begins_each_at_the_root():
    """The form `meas:volt?;:curr?`, as explained in the manual of a BOP (Kepco)."""
    assert join_queries(["MEAS:VOLT?"]) == "MEAS:VOLT?"
    assert join_queries(["MEAS:VOLT?", ":MEAS:CURR?", "OUTP?", "*ESR?"]) == "MEAS:VOLT?;:MEAS:CURR?;:OUTP?;*ESR?"


@pytest.mark.parametrize(
    ("command", "query"),
    [
        ("POW {value}", "POW?"),
        ("SOUR1:VOLT:LEV {value}", "SOUR1:VOLT:LEV?"),
        ("OUTP OFF", "OUTP?"),
        ("APPL {value},5", None),
        ("VOLT {value};CURR 5", None),
        ("*RST", None),
    ],
)
def test_the_query_of_a_command(command, query):
    assert query_form(command) == query


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ('0,"No error"', ""),
        ('+0,"No error"', ""),
        ("0", ""),
        ("-000", ""),
        ('-113,"Undefined header"', '-113 "Undefined header"'),
        ('-350, "Too many errors"', '-350 "Too many errors"'),
        ('+601,"Over temperature"', '601 "Over temperature"'),
        ("-222", "-222"),
    ],
)
def test_entries_of_the_error_queue(answer, words):
    assert error_entry(answer) == words


@pytest.mark.parametrize("answer", ["", "12.5", "+1.2E3", "No error", "benchd,agent,0,1"])
def test_what_is_no_entry_of_an_error_queue(answer):
    with pytest.raises(ValueError, match="error queue"):
        error_entry(answer)


@pytest.mark.parametrize(
    ("answer", "is_one"),
    [
        ("AGENCY,MODEL 5,0,1.0", True),
        ("a supply without commas", True),
        ("+1.0E1,5", False),
        ("12.5 V", False),
        ('-113,"Undefined header"', False),
        ("9.91E37", False),
        ("\xf0\x01", False),
        ("", False),
    ],
)
def test_who_answers_can_be_told_from_every_other_answer(answer, is_one):
    assert is_identity(answer) is is_one


@given(st.floats(0, 1e4), st.floats(0.1, 1e3))
def test_volts_times_amperes_are_the_watts(watts, ohm):
    volts, amperes = volts_and_amperes(watts, ohm)
    assert volts * amperes == pytest.approx(watts)
    assert volts == pytest.approx(amperes * ohm)
