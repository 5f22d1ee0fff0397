"""What a wire does to what passes, whatever it means."""

import asyncio
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.wires.base import WIRE_FAULTS, Device, Wire

ANSWER = b"41.2 dBA\r\n"

#: What a wire does by itself under each fault; of some it leaves the bytes alone, since they need the server's help.
SWALLOWED = ("no_answer", "unplugged", "deaf")
UNTOUCHED = ("late_answer", "other_device", "exception", "not_a_number")
SPOILT = ("cut", "flipped_bit", "garbage")


def spoilt(fault, answer=ANSWER, name="meter"):
    wire = Wire(name)
    wire.fault = fault
    return wire.spoil(answer)


def sent(wire, answer=ANSWER):
    pieces = []
    asyncio.run(wire.answer(answer, pieces.append))
    return pieces


def test_every_fault_is_of_one_kind():
    assert sorted((*SWALLOWED, *UNTOUCHED, *SPOILT)) == sorted(WIRE_FAULTS)


def test_a_sound_wire_lets_everything_through():
    assert sent(Wire("meter")) == [ANSWER]


@pytest.mark.parametrize("fault", SWALLOWED)
def test_of_a_swallowed_answer_nothing_is_sent_at_all(fault):
    wire = Wire("meter")
    wire.fault = fault
    assert sent(wire) == []


@pytest.mark.parametrize("fault", UNTOUCHED)
@given(answer=st.binary())
def test_what_the_server_must_spoil_passes_as_it_is(fault, answer):
    assert spoilt(fault, answer) == answer


@given(answer=st.binary())
def test_a_cut_answer_has_its_first_half(answer):
    assert spoilt("cut", answer) == answer[: len(answer) // 2]


@given(answer=st.binary(min_size=1), name=st.text())
def test_exactly_one_bit_is_flipped_somewhere(answer, name):
    got = spoilt("flipped_bit", answer, name)
    assert len(got) == len(answer)
    assert sum((a ^ b).bit_count() for a, b in zip(got, answer, strict=True)) == 1


def test_over_time_every_bit_is_flipped_once():
    wire = Wire("meter")
    wire.fault = "flipped_bit"
    seen = {wire.spoil(b"\0\0") for _ in range(300)}
    assert len(seen) == 16


@given(answer=st.binary(max_size=50))
def test_garbage_is_as_long_as_the_answer_and_comes_even_for_none(answer):
    assert len(spoilt("garbage", answer)) == max(1, len(answer))


def test_garbage_differs_from_time_to_time_and_from_wire_to_wire():
    wire = Wire("meter")
    wire.fault = "garbage"
    assert wire.spoil(ANSWER) != wire.spoil(ANSWER)
    assert spoilt("garbage") != spoilt("garbage", name="load")


def test_the_same_wire_is_spoilt_in_the_same_way_each_time():
    assert spoilt("garbage") == spoilt("garbage")


def test_nothing_cannot_have_a_flipped_bit():
    assert spoilt("flipped_bit", b"") == b""


def test_a_late_answer_comes_whole_and_late():
    wire = Wire("meter", late_s=0.05)
    wire.fault = "late_answer"
    begun_s = time.monotonic()
    assert sent(wire) == [ANSWER]
    assert time.monotonic() - begun_s >= 0.05


def test_a_plug_that_is_pulled_while_an_answer_is_late_swallows_it():
    async def pulled():
        wire, pieces = Wire("meter", late_s=0.05), []
        wire.fault = "late_answer"
        late = asyncio.create_task(wire.answer(ANSWER, pieces.append))
        await asyncio.sleep(0)
        wire.fault = "unplugged"
        await late
        return pieces

    assert asyncio.run(pulled()) == []


def test_a_wire_is_whole_unless_nothing_gets_through():
    wire = Wire("meter")
    assert wire.whole
    for fault in WIRE_FAULTS:
        wire.fault = fault
        assert wire.whole == (fault not in ("unplugged", "deaf"))


def test_a_fault_that_ends_leaves_nothing():
    wire = Wire("meter")
    for fault in WIRE_FAULTS:
        wire.fault = fault
        wire.spoil(ANSWER)
        wire.fault = None
        assert wire.spoil(ANSWER) == ANSWER


def test_a_device_need_not_take_anything():
    assert Device({"level": lambda: 41.2}).writes == {}
