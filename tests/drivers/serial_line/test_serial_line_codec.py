"""Lines of text as values: numbers, checksums, cutting, and what a channel makes of a line."""

import binascii
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.instruments import SampleFlag
from drivers.serial_line.codec import Check, Exchange, Field, LineCodec, Lines, check_of, number
from drivers.serial_line.patterns import compiled, takes_long, template_mistake, written

# --- numbers


@pytest.mark.parametrize(
    ("text", "value"),
    [("41.2", 41.2), (" -3 ", -3.0), ("+ 0.5", 0.5), (".5", 0.5), ("5.", 5.0), ("1.2E+01", 12.0), ("007", 7.0)],
)
def test_what_instruments_write_as_a_number(text, value):
    assert number(text) == value


@pytest.mark.parametrize(
    "text",
    ["", "-", ".", "1_000", "nan", "inf", "1e999", "0x10", "41,2", "1 2", "4 1.2", "\u0661", "--1", "1.2.3", "e5"],
)
def test_what_is_no_number(text):
    assert number(text) is None


def test_a_decimal_comma_is_one_only_where_it_is_said():
    assert number("41,2", decimal=",") == 41.2
    assert number("41.2", decimal=",") is None
    assert number("1.041,2", decimal=",") is None


@given(value=st.floats(allow_nan=False, allow_infinity=False, width=32))
def test_every_number_comes_back_as_it_was_written(value):
    assert number(f"{value:.9g}") == pytest.approx(value, rel=1e-8)


@given(text=st.text())
def test_whatever_comes_is_a_finite_number_or_none(text):
    value = number(text)
    assert value is None or math.isfinite(value)


# --- checksums

NMEA = Check("xor", after=b"*", start=b"$")


@pytest.mark.parametrize(
    "sentence",
    [
        # Examples of the manuals of two wind sensors: Vaisala WMT700, appendix E.3, and Vaisala WXT530, "MWV".
        b"$WIMWV,045,R,011.63,N,A*09",
        b"$IIWIQ,MWV*2F",
        b"$WIMWV,39,R,1.3,M,A*06",
        b"$WIMWV,61,R,1.0,M,A*08",
        b"$WIMWV,39,R,0.5,M,A*01",
    ],
)
def test_nmea_sentences_of_published_manuals(sentence):
    assert NMEA.opened(sentence) == sentence[:-3]
    assert NMEA.sealed(sentence[:-3]) == sentence


def test_modbus_check_value():
    """02 07 gives 41 12 on the wire, low byte first: MODBUS over Serial Line V1.02, appendix B (from memory)."""
    assert check_of("crc16_modbus", bytes([0x02, 0x07])) == 0x1241


@given(data=st.binary())
def test_ccitt_check_is_that_of_the_standard_library_worked_out_bit_by_bit(data):
    check = 0xFFFF
    for byte in data:
        check ^= byte << 8
        for _ in range(8):
            check = (check << 1 ^ 0x1021 if check & 0x8000 else check << 1) & 0xFFFF
    assert check_of("crc16_ccitt", data) == check == binascii.crc_hqx(data, 0xFFFF)


KINDS = st.sampled_from(["sum", "xor", "crc16_modbus", "crc16_ccitt"])
BODY = st.binary(max_size=60).filter(lambda body: not body.endswith((b" ", b"\t", b"\r", b"\n", b"\0")))


@given(kind=KINDS, after=st.sampled_from([b"", b"*", b" #"]), body=BODY)
def test_what_was_sealed_opens_to_the_same(kind, after, body):
    check = Check(kind, after)
    assert check.opened(check.sealed(body)) == body


@given(kind=KINDS, body=st.binary(min_size=1, max_size=60), data=st.data())
def test_one_flipped_bit_is_found_by_every_kind(kind, body, data):
    check = Check(kind, after=b"*")
    sealed = check.sealed(body)
    place = data.draw(st.integers(0, 8 * len(sealed) - 1))
    spoilt = bytearray(sealed)
    spoilt[place // 8] ^= 1 << place % 8
    if spoilt[len(body) :].upper() == sealed[len(body) :] and spoilt.startswith(body):
        assert check.opened(bytes(spoilt)) == body  # a capital letter among the digits has become a small one
        return
    with pytest.raises(ValueError, match="checksum"):
        check.opened(bytes(spoilt))


@pytest.mark.parametrize("line", [b"", b"*", b"4", b"41.2 dBA", b"41.2*4G", b"41.2*4", b"41.2 4A"])
def test_a_line_without_a_checksum_is_refused(line):
    with pytest.raises(ValueError, match="no checksum"):
        Check("xor", after=b"*").opened(line)


def test_a_line_without_the_sign_where_counting_begins_is_refused():
    with pytest.raises(ValueError, match=r"has no '\$'"):
        NMEA.opened(b"WIMWV,045*09")
    with pytest.raises(ValueError, match=r"has no '\$'"):
        NMEA.sealed(b"WIMWV,045")


# --- one line


def test_blanks_at_the_ends_of_a_line_are_nothing():
    assert LineCodec().text(b"\0 41.2 dBA \r") == "41.2 dBA"


def test_letters_of_another_alphabet():
    assert LineCodec(encoding="latin-1").text(b"23.4 \xb0C") == "23.4 \u00b0C"
    with pytest.raises(ValueError, match="no ascii"):
        LineCodec().text(b"23.4 \xb0C")


def test_a_line_that_is_too_long_is_not_looked_at():
    with pytest.raises(ValueError, match="longer than 10 bytes"):
        LineCodec(longest=10).text(b"x" * 11)


def test_the_checksum_is_looked_at_before_the_letters():
    with pytest.raises(ValueError, match="says checksum 09, worked out"):
        LineCodec(check=NMEA).text(b"$WIMWV,045,R,911.63,N,A*09")


def test_what_is_ignored_and_what_is_empty_does_not_count():
    codec = LineCodec(check=NMEA, ignore=compiled(r"READ\?|#.*"))
    assert [codec.counts(line) for line in (b"", b" \r", b"READ?", b"# heading", b"READ", b"\xff")] == [
        *[False] * 4,
        True,
        True,
    ]


def test_a_very_long_line_counts_and_is_no_reading_rather_than_searched():
    codec = LineCodec(ignore=compiled(".*"), longest=10)
    assert codec.counts(b"x" * 11)


# --- lines


def lines(end=b"\r\n", longest=40):
    cut = Lines(end, longest, LineCodec().counts)
    cut.feed(b"tail of a line that nobody saw begin" + end)
    return cut


def test_the_first_line_after_opening_is_none():
    cut = Lines(b"\r\n", 40, LineCodec().counts)
    assert not cut.feed(b"1.2 dBA\r\n")
    assert cut.newest is None
    assert cut.feed(b"41.2 dBA\r\n")
    assert cut.newest == b"41.2 dBA"


def test_the_newest_whole_line_is_kept_and_what_has_begun():
    cut = lines()
    assert cut.feed(b"1\r\n2\r\n3\r\n4")
    assert (cut.newest, cut.begun) == (b"3", True)
    assert not cut.feed(b"4")
    assert cut.feed(b"\r\n")
    assert (cut.newest, cut.begun) == (b"44", False)


def test_empty_lines_do_not_count():
    cut = lines()
    assert cut.feed(b"1\r\n\r\n \r\n")
    assert cut.newest == b"1"
    assert not cut.feed(b"\r\n")


@given(
    pieces=st.lists(st.sampled_from([b"41.2", b" dBA", b"\r", b"\n", b"\r\n", b"7"]), max_size=40),
    end=st.sampled_from([b"\r\n", b"\n"]),
)
def test_where_the_pieces_are_cut_makes_no_difference(pieces, end):
    whole, cut = lines(end, longest=10000), lines(end, longest=10000)
    whole.feed(b"".join(pieces))
    for piece in pieces:
        cut.feed(piece)
    assert (cut.newest, cut.begun) == (whole.newest, whole.begun)


@given(st.lists(st.binary(max_size=300), max_size=30))
def test_it_never_keeps_more_than_a_line(pieces):
    cut = Lines(b"\r\n", 40, LineCodec(longest=40).counts)
    for piece in pieces:
        cut.feed(piece)
        assert len(cut._begun) <= 42


def test_a_line_too_long_is_passed_over_up_to_its_end():
    cut = lines(longest=8)
    assert not cut.feed(b"41.2 dBA 41.2 dBA")
    assert not cut.begun
    assert not cut.feed(b" 41.2 dBA\r")
    assert not cut.feed(b"\n")
    assert cut.feed(b"41.2 dBA\r\n")
    assert cut.newest == b"41.2 dBA"


def test_what_was_skipped_never_joins_what_comes():
    cut = lines()
    cut.feed(b"41")
    cut.skip()
    assert not cut.feed(b"41.2 dBA\r\n")
    assert cut.newest is None


# --- what a line says

LEVEL = Field("level", unit_group="unit", unit="dBA", missing=("---", "OL", ""))
METER = compiled(r"(?P<level>[0-9.,]*|---|OL)( (?P<unit>dB[AC]))?")


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("41.2 dBA", 41.2),
        ("41.2 dBC", SampleFlag.GARBLED),
        ("41.2", SampleFlag.GARBLED),
        ("4.1.2 dBA", SampleFlag.GARBLED),
        ("41,2 dBA", SampleFlag.GARBLED),
        ("--- dBA", SampleFlag.MISSING),
        ("OL dBC", SampleFlag.MISSING),
        (" dBA", SampleFlag.MISSING),
    ],
)
def test_a_channel_is_a_value_or_says_why_not(line, answer):
    assert Exchange(None, METER, {"level_dba": LEVEL}).answers(line) == {"level_dba": answer}


@pytest.mark.parametrize("line", ["41.2 dBA!", "x41.2 dBA", "41.2 dBA 41.3 dBA", "41.2 dBB", "ERROR 3"])
def test_a_line_must_fit_from_end_to_end(line):
    assert Exchange(None, METER, {"level_dba": LEVEL}).answers(line) is None


def test_a_group_that_took_no_part_is_missing():
    line = compiled(r"(?P<level>[0-9.]+)(;(?P<ambient>[0-9.]+))?")
    both = Exchange(None, line, {"level_dba": Field("level"), "ambient_c": Field("ambient")})
    assert both.answers("41.2") == {"level_dba": 41.2, "ambient_c": SampleFlag.MISSING}
    assert both.answers("41.2;23.4") == {"level_dba": 41.2, "ambient_c": 23.4}


def test_scale_and_offset():
    line = compiled("(?P<t>[0-9]+)")
    fahrenheit = Exchange(None, line, {"ambient_c": Field("t", scale=5 / 9, offset=-160 / 9)})
    assert fahrenheit.answers("212") == {"ambient_c": pytest.approx(100.0)}
    assert Exchange(None, line, {"x_c": Field("t", scale=1e300)}).answers("9" * 100) == {"x_c": SampleFlag.GARBLED}


# --- patterns and commands of a bench file


@pytest.mark.parametrize("pattern", ["(", "[", "(?P<level>", "*", "(?P<a>.)(?P<a>.)", "(?<=.+)x", "x{99999999999}"])
def test_what_is_no_pattern(pattern):
    with pytest.raises(ValueError, match="is no regular expression"):
        compiled(pattern)


@pytest.mark.parametrize("pattern", ["(a)+", "(a+)*", "(?:[0-9]+,){3}", "((a)b)*?", "[)](x)*", r"\)(x)+"])
def test_a_repeated_group_is_refused(pattern):
    with pytest.raises(ValueError, match="repeats a group"):
        compiled(pattern)


@pytest.mark.parametrize("pattern", ["(a)?", "[)]*", r"\)+", "[^)]+", "[])]+", "(a) +b", r"[\])]{3}", "(?P<v>a|b)"])
def test_what_only_looks_like_one_is_not(pattern):
    compiled(pattern)


@pytest.mark.parametrize("pattern", [r".*?(?P<a>\d+).*?(?P<b>\d+).*?(?P<c>\d+) end", ".*0.*0.*0.*0.*x"])
def test_a_pattern_that_takes_long_is_found_out(pattern):
    assert takes_long(compiled(pattern), 200)


@pytest.mark.parametrize(
    "pattern",
    [
        r"(?P<level>\d+\.\d|---) (?P<unit>dB[AC])",
        r"\$WIMWV,(?P<angle>\d+),R,(?P<speed>[\d.]+),(?P<unit>[MNK]),A",
        r"T=(?P<t>[-+]?\d+\.\d+);H=(?P<h>\d+);P=(?P<p>\d+\.\d);.*",
        ".*",
    ],
)
def test_a_sound_one_does_not(pattern):
    assert takes_long(compiled(pattern), 200) == ""


@pytest.mark.parametrize(
    "template",
    [
        "F 50",
        "F {value} {value}",
        "F {}",
        "F {0}",
        "F {other}",
        "F {value",
        "F {value.real}",
        "F {value:d}",
        "{value:s}",
    ],
)
def test_what_is_no_command(template):
    assert template_mistake(template)


@pytest.mark.parametrize("template", ["F {value:.0f}", "{value}", "SET {{1}} {value:07.2f}", "{value:+.1e}"])
def test_what_is_one(template):
    assert template_mistake(template) == ""


@given(value=st.floats(-1e6, 1e6), digits=st.integers(0, 6))
def test_a_command_says_the_number_that_is_in_it(value, digits):
    text, said = written(f"F {{value:.{digits}f}}", value)
    assert number(text.removeprefix("F ")) == said
    assert said == pytest.approx(value, abs=0.51 * 10**-digits)
