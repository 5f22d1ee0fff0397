"""The simulated Modbus device: its registers, what it refuses, its frames, the faults of its wire."""

import asyncio
import contextlib
import math
import os
import struct
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.wires.base import WIRE_FAULTS, Device, Wire
from sim.wires.loop_thread import loop_thread
from sim.wires.modbus import ModbusServer
from sim.wires.modbus_unit import Place, Unit

PLACES = {
    "heat": Place(10, "input", "float32"),
    "coolant": Place(12, "input", "int16", scale=0.1),
    "energy": Place(13, "input", "uint32"),
    "set": Place(0, scale=0.1),
    "limit": Place(1, type="float32"),
}


class Bench:
    def __init__(self):
        self.told = {"set": 0.0, "limit": 10.0}
        self.shown = {"heat": 200.0, "coolant": -1.5, "energy": 100_000.0}

    def tell(self, name, most):
        def take(value):
            if not 0 <= value <= most:
                raise ValueError(f"{name} cannot be {value}")
            self.told[name] = value

        return take

    def unit(self, **more):
        shown = {name: (lambda name=name: self.shown[name]) for name in self.shown}
        told = {name: (lambda name=name: self.told[name]) for name in self.told}
        writes = {"set": self.tell("set", 300), "limit": self.tell("limit", 20)}
        return Unit(Device(shown | told, writes), PLACES, **more)


@pytest.fixture
def bench():
    return Bench()


def answer(unit, request, **more):
    return unit.answer(bytes.fromhex(request), **more).hex(" ")


TYPES = st.sampled_from(["uint16", "int16", "uint32", "int32", "uint64", "int64", "float32", "float64"])


@given(TYPES, st.sampled_from(["big", "little"]), st.integers(0, 2**15 - 1), st.sampled_from([1.0, 0.1, -0.5]))
def test_what_is_said_is_heard(kind, order, count, scale):
    place = Place(0, type=kind, word_order=order, scale=scale)
    words = place.encode(count * scale)
    assert len(words) == place.width
    assert place.decode(words) == pytest.approx(count * scale, rel=1e-6)


def test_floats_are_those_of_the_standard():
    """IEEE 754: 1.0 is 3F80 0000 in single, 3FF0 0000 0000 0000 in double precision."""
    assert Place(0, type="float32").encode(1.0) == [0x3F80, 0]
    assert Place(0, type="float64", word_order="little").encode(1.0) == [0, 0, 0, 0x3FF0]


@pytest.mark.parametrize("nothing", [None, math.nan])
def test_no_value_has_a_number_of_its_own(nothing):
    assert Place(0, type="int16", scale=0.1, offset=3).encode(nothing) == [0x8000]
    assert Place(0, type="uint16").encode(nothing) == [0xFFFF]
    assert Place(0, type="int32").encode(nothing) == [0x8000, 0]
    assert math.isnan(Place(0, type="float32").decode(Place(0, type="float32").encode(nothing)))


@pytest.mark.parametrize(("value", "words"), [(1e9, [0x7FFF]), (-1e9, [0x8000]), (math.inf, [0x7FFF])])
def test_what_does_not_fit_is_the_most_there_is(value, words):
    assert Place(0, type="int16").encode(value) == words


@pytest.mark.parametrize(
    "keys",
    [
        {"register": -1},
        {"register": 65535, "type": "float32"},
        {"register": 0, "scale": 0},
        {"register": 0, "type": "real"},
        {"register": 0, "table": "coil"},
        {"register": 0, "word_order": "middle"},
    ],
)
def test_a_place_that_cannot_be_is_refused(keys):
    with pytest.raises(ValueError, match=r"register|scale|type|word_order"):
        Place(**keys)


def test_registers_that_lie_over_each_other_are_refused():
    device = Device({"a": float, "b": float})
    with pytest.raises(ValueError, match="input register 11 is of a and of b"):
        Unit(device, {"a": Place(10, "input", "float32"), "b": Place(11, "input")})


def test_a_reading_and_a_setting_may_share_a_register():
    told = []
    unit = Unit(Device({"shown": lambda: 7.0}, {"told": told.append}), {"shown": Place(3), "told": Place(3)})
    assert answer(unit, "06 0003 0009") == "06 00 03 00 09"
    assert (told, answer(unit, "03 0003 0001")) == ([9.0], "03 02 00 07")


def test_what_lies_nowhere_or_can_never_be_written_is_refused():
    with pytest.raises(ValueError, match="heat"):
        Unit(Device({"heat": float}), {})
    with pytest.raises(ValueError, match="holding"):
        Unit(Device({}, {"set": float}), {"set": Place(0, "input")})
    with pytest.raises(ValueError, match="device_id"):
        Unit(Device({}), {}, device_id=0)


def test_neighbours_are_given_in_one_answer(bench):
    heat, coolant, energy = struct.pack(">f", 200.0), struct.pack(">h", -15), struct.pack(">I", 100_000)
    assert answer(bench.unit(), "04 000A 0005") == (b"\x04\x0a" + heat + coolant + energy).hex(" ")


def test_half_a_number_can_be_read_but_not_written(bench):
    unit = bench.unit()
    assert answer(unit, "04 000B 0001") == "04 02 00 00"
    assert answer(unit, "06 0001 4120") == "86 02"
    assert bench.told["limit"] == 10.0
    assert answer(unit, "10 0001 0002 04 41A0 0000") == "10 00 01 00 02"
    assert bench.told["limit"] == 20.0


@pytest.mark.parametrize(
    ("request_", "code"),
    [
        ("01 0000 0001", "81 01"),  # no coils
        ("08 0000 1234", "88 01"),  # no diagnostics
        ("04 0009 0002", "84 02"),  # one register that is not there
        ("04 000A 0006", "84 02"),
        ("03 FFFF 0002", "83 02"),
        ("03 0000 0000", "83 03"),  # none, and more than the specification allows, V1.1b3 6.3 (from memory)
        ("03 0000 007E", "83 03"),
        ("10 0000 0002 02 0001", "90 03"),  # two announced, one there
        ("10 0000 0001 04 0001 0002", "90 03"),
        ("06 0000 FFFF", "86 03"),  # refused by the device
        ("06 000A 0001", "86 02"),  # not in this table
        ("03 00", "83 03"),
    ],
)
def test_what_it_cannot_do_is_an_exception_and_changes_nothing(bench, request_, code):
    before = dict(bench.told)
    assert answer(bench.unit(), request_) == code
    assert bench.told == before


def test_exception_and_no_number_as_faults_of_the_device(bench):
    unit = bench.unit()
    assert answer(unit, "04 000A 0002", fault="exception") == "84 04"
    assert answer(unit, "06 0000 0001", fault="exception") == "86 04"
    assert answer(unit, "04 000A 0003", fault="not_a_number") == "04 06 7f c0 00 00 80 00"
    bench.told["set"] = 5.0
    assert answer(unit, "03 0000 0001", fault="not_a_number") == "03 02 00 32"  # what it was told it still knows


def mbap(pdu, transaction=1, unit=1):
    data = bytes.fromhex(pdu)
    return struct.pack(">HHHB", transaction, 0, len(data) + 1, unit) + data


async def served_tcp(units, ask, **more):
    """What `ask(reader, writer, server, wire)` gives on a connection to a server of these units."""
    wire = Wire("load", late_s=0.1)
    server = ModbusServer(units, wire, **more)
    port = await server.start_tcp()
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        return await asyncio.wait_for(ask(reader, writer, server, wire), 10)
    finally:
        writer.close()
        await server.close()


def test_requests_in_pieces_and_several_at_once_are_answered_one_by_one(bench):
    async def ask(reader, writer, *_):
        two = mbap("03 0000 0001", 7) + mbap("06 0000 0019", 8)
        for at in range(len(two)):
            writer.write(two[at : at + 1])
            await writer.drain()
        writer.write(two)
        return await reader.readexactly(2 * (11 + 12))

    found = asyncio.run(served_tcp([bench.unit()], ask))
    set_0, told, set_25 = mbap("03 02 0000", 7), mbap("06 0000 0019", 8), mbap("03 02 0019", 7)
    assert found == set_0 + told + set_25 + told


def test_what_is_no_modbus_is_hung_up_on(bench):
    async def ask(reader, writer, *_):
        writer.write(b"GET / HTTP/1.1\r\n\r\n")
        try:
            return await reader.read()
        except ConnectionError:
            return b""

    assert asyncio.run(served_tcp([bench.unit()], ask)) == b""


@pytest.mark.parametrize("framing", ["tcp", "rtu"])
def test_a_device_that_is_not_there_is_silent(bench, framing):
    async def ask(reader, writer, *_):
        writer.write(mbap("03 0000 0001", unit=2) if framing == "tcp" else bytes.fromhex("02 03 0000 0001 84 39"))
        await asyncio.sleep(0.1)
        writer.write(mbap("03 0000 0001", 2) if framing == "tcp" else bytes.fromhex("01 03 0000 0001 84 0A"))
        return await reader.read(100)

    found = asyncio.run(served_tcp([bench.unit()], ask, framing=framing))
    assert found == (mbap("03 02 0000", 2) if framing == "tcp" else bytes.fromhex("01 03 02 0000 B8 44"))


def test_on_rtu_everybody_obeys_an_order_to_all_and_nobody_answers():
    """MODBUS over Serial Line V1.02, 2.1: address 0 is broadcast."""
    benches = Bench(), Bench()

    async def ask(reader, writer, *_):
        writer.write(bytes.fromhex("00 06 0000 0019 49 D1"))
        await asyncio.sleep(0.1)
        writer.write(bytes.fromhex("01 03 0000 0001 84 0A"))
        return await reader.read(100)

    units = [bench.unit(device_id=number) for number, bench in enumerate(benches, 1)]
    assert asyncio.run(served_tcp(units, ask, framing="rtu"))[:5] == bytes.fromhex("01 03 02 0019")
    assert [bench.told["set"] for bench in benches] == [2.5, 2.5]


def test_on_rtu_half_a_request_is_forgotten_after_a_silence(bench):
    async def ask(reader, writer, *_):
        whole = bytes.fromhex("01 03 0000 0001 84 0A")
        writer.write(whole[:5])
        await asyncio.sleep(0.2)
        writer.write(whole)
        return await reader.read(100)

    assert asyncio.run(served_tcp([bench.unit()], ask, framing="rtu")) == bytes.fromhex("01 03 02 0000 B8 44")


def test_on_rtu_an_unknown_function_is_refused_and_a_wrong_checksum_is_not_answered(bench):
    async def ask(reader, writer, *_):
        writer.write(bytes.fromhex("01 03 0000 0001 84 0B"))
        await asyncio.sleep(0.2)
        writer.write(bytes.fromhex("01 41 C0 10"))
        return await reader.read(100)

    assert asyncio.run(served_tcp([bench.unit()], ask, framing="rtu"))[:3] == bytes.fromhex("01 C1 01")


@pytest.mark.parametrize("fault", [fault for fault in WIRE_FAULTS if fault not in ("unplugged", "deaf")])
def test_what_a_fault_makes_of_an_answer(bench, fault):
    good = mbap("04 04 43480000")

    async def ask(reader, writer, _, wire):
        wire.fault = fault
        began_s = time.monotonic()
        writer.write(mbap("04 000A 0002"))
        if fault == "no_answer":
            await asyncio.sleep(0.1)
            wire.fault = None
            writer.write(mbap("04 000A 0002"))
        return await reader.read(100), time.monotonic() - began_s

    found, took_s = asyncio.run(served_tcp([bench.unit()], ask))
    expected = {
        "no_answer": good,
        "late_answer": good,
        "cut": good[: len(good) // 2],
        "other_device": mbap("04 04 43480000", unit=2),
        "exception": mbap("84 04"),
        "not_a_number": mbap("04 04 7FC00000"),
    }
    if fault in expected:
        assert found == expected[fault]
    else:
        assert len(found) == len(good)
        assert found != good
    assert fault != "late_answer" or took_s >= 0.1


def test_a_deaf_device_wakes_up_with_all_that_was_asked(bench):
    async def ask(reader, writer, _, wire):
        wire.fault = "deaf"
        await asyncio.sleep(0.1)
        writer.write(mbap("03 0000 0001", 1) + mbap("03 0000 0001", 2))
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(reader.readexactly(1), 0.2)
        wire.fault = None
        return await reader.readexactly(22)

    assert asyncio.run(served_tcp([bench.unit()], ask)) == mbap("03 02 0000", 1) + mbap("03 02 0000", 2)


def test_whoever_floods_a_deaf_device_fills_its_buffer(bench):
    async def ask(_, writer, __, wire):
        wire.fault = "deaf"
        await asyncio.sleep(0.1)
        with contextlib.suppress(TimeoutError):
            for _ in range(10_000):
                writer.write(mbap("03 0000 0001") * 1000)
                await asyncio.wait_for(writer.drain(), 0.2)
        unsent = writer.transport.get_write_buffer_size()
        writer.transport.abort()
        return unsent

    assert asyncio.run(served_tcp([bench.unit()], ask)) > 0


def test_unplugged_and_back_on_the_same_port(bench):
    async def ask(reader, writer, _, wire):
        wire.fault = "unplugged"
        with contextlib.suppress(ConnectionResetError):
            assert await reader.read() == b""
        with pytest.raises(ConnectionRefusedError):
            await asyncio.open_connection(*writer.get_extra_info("peername"))
        wire.fault = None
        await asyncio.sleep(0.1)
        again, write = await asyncio.open_connection(*writer.get_extra_info("peername"))
        write.write(mbap("03 0000 0001"))
        found = await again.readexactly(11)
        write.close()
        return found

    assert asyncio.run(served_tcp([bench.unit()], ask)) == mbap("03 02 0000")


def test_a_terminal_that_is_unplugged_comes_back_under_another_path(bench):
    shown = []

    async def go():
        wire = Wire("load")
        server = ModbusServer([bench.unit()], wire)
        await server.start_terminal(shown.append)
        there = os.open(shown[0], os.O_RDWR | os.O_NOCTTY)
        wire.fault = "unplugged"
        await asyncio.sleep(0.1)
        with pytest.raises(OSError, match="Input/output error"):
            os.write(there, b"x")
        wire.fault = None
        await asyncio.sleep(0.1)
        again = os.open(shown[2], os.O_RDWR | os.O_NOCTTY)
        os.write(again, bytes.fromhex("01 03 0000 0001 84 0A"))
        await asyncio.sleep(0.1)
        found = os.read(again, 100)
        os.close(again)
        os.close(there)
        await server.close()
        return found

    assert asyncio.run(go()) == bytes.fromhex("01 03 02 0000 B8 44")
    assert shown[1] is None
    assert shown[3] is None


def test_two_devices_with_one_number_are_refused(bench):
    with pytest.raises(ValueError, match="same device_id"):
        ModbusServer([bench.unit(), bench.unit()], Wire("load"))


def test_it_lives_on_a_loop_of_another_thread_and_leaves_nothing_behind(bench):
    async def make():
        server = ModbusServer([bench.unit()], Wire("load"))
        return server, await server.start_tcp()

    with loop_thread() as run:
        server, port = run(make())
        assert port > 0
        run(server.close())
