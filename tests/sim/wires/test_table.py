"""The table of a served bench: what it says, and what is refused."""

import asyncio
from pathlib import Path

import pytest
import serial

from sim.wires.serving import served, station_of
from sim.wires.station import SOURCES, TARGETS, ByHand
from sim.wires.table import load_table, shipped

METER = """
specimen = "slate tower"
[instruments.meter]
wire = "text_line"
form = "{level:.1f} dBA"
reads.level = { source = "level" }
"""
FAN = METER + 'writes.fan = { target = "set_fans", order = "F (?P<value>[0-9]+)" }'


@pytest.mark.parametrize("name", ["bench", "load"])
def test_a_shipped_table_can_be_served(name, tmp_path):
    table = load_table(shipped(name)).with_free_ports()
    with served(table, tmp_path, ByHand()) as bench:
        assert set(bench.wires) == set(table.instruments)
        assert set(bench.places.ports) | set(bench.places.paths) == {*table.instruments, "control"}
        assert all(Path(path).exists() for path in bench.places.paths.values())
    assert [path.name for path in tmp_path.iterdir()] == [".lock"], "nothing is left behind"


def test_the_shipped_table_explains_every_source_and_target():
    comments = " ".join(line for line in shipped().splitlines() if line.startswith("#"))
    assert [one for one in {*SOURCES, *TARGETS} if one not in comments] == []


def test_what_is_not_said_is_usual():
    table = load_table(METER)
    assert (table.bench, table.seed, table.mount, table.supply.silence_s) == ("heater", 1, 1, 3.0)
    assert station_of(table, ByHand()).plant.mounted == "slate tower"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (('specimen = "slate tower"', ""), "specimen is not said; there are: brook 1x120"),
        (("slate tower", "slate stump"), "there is no specimen 'slate stump'"),
        (("[instruments", 'bench = "oven"\n[instruments'), "there is no bench 'oven'; there are: heater"),
        (("[instruments", "colour = 1\n[instruments"), "there is no key colour; there are: specimen, bench, seed"),
        (("[instruments", 'seed = "one"\n[instruments'), "seed cannot be 'one'"),
        (("[instruments", "[supply]\nmax_w = -1.0\n[instruments"), "max_w of the supply must be above 0"),
        (("[instruments", "[supply]\nwatts = 1.0\n[instruments"), "supply: there is no key watts; there are: max_w"),
        (("[instruments", '[supply]\nmax_w = "x"\n[instruments'), "supply: max_w cannot be 'x'"),
        (("form =", 'late_s = "x"\nform ='), "instruments.meter: late_s cannot be 'x'"),
        (("form =", "late_s = nan\nform ="), "instruments.meter: late_s must be 0 or more, got nan"),
        (("form =", "late_s = -1\nform ="), "instruments.meter: late_s must be 0 or more, got -1"),
        (('reads.level = { source = "level" }', "reads = 3"), "instruments.meter: reads cannot be 3"),
        (("[instruments.meter]", "[instruments.'a b']"), "instruments.a b: a name is letters"),
        (("text_line", "string"), "instruments.meter: wire must be one of modbus_tcp, .* got 'string'"),
        (('source = "level"', "place = 1"), r"instruments.meter.reads.level: source must be said"),
        (("[instruments", "[instruments]\nclock = 1\n[instruments"), "instruments.clock must be a table"),
    ],
)
def test_a_wrong_table_is_refused_with_its_place(change, says):
    with pytest.raises(ValueError, match=says):
        load_table(METER.replace(*change))


MODBUS = """
specimen = "slate tower"
[instruments.box]
wire = "modbus_tcp"
port = 0
reads.die = { source = "die", register = 1, table = "input" }
"""
RTU = MODBUS.replace("modbus_tcp", "modbus_rtu").replace("port = 0", "baud = 19200")
SCPI = """
specimen = "slate tower"
[instruments.box]
wire = "scpi"
reads.die = { source = "die", header = "MEASure:TEMPerature" }
"""
SYSFS = """
specimen = "slate tower"
[instruments.box]
wire = "sysfs"
reads.die = { source = "die", place = "box/temp1" }
"""


@pytest.mark.parametrize(
    ("text", "change", "says"),
    [
        (METER, ('source = "level"', 'source = "tooth"'), "instruments.meter: level: there is no 'tooth'"),
        (METER, ("{level:.1f}", "{tooth:.1f}"), "instruments.meter: .*there is no reading tooth"),
        (METER, ('form = "{level:.1f} dBA"', ""), "instruments.meter: form must be said"),
        (METER, ('source = "level"', 'source = "level", x = 1'), "no key but source"),
        (METER, ("form =", 'check = "hope"\nform ='), "check must be one of none, sum, nmea, got 'hope'"),
        (METER, ("{level:.1f}", "{level:.1q}"), "instruments.meter: .*a reading cannot be written as .1q"),
        (METER, ("{level:.1f}", "{level!z:.1f}"), "instruments.meter: .*a reading cannot be converted, !z"),
        (METER, ("{level:.1f}", "{level:.1f"), "instruments.meter: .*form cannot be understood"),
        (METER, ("{level:.1f}", "{}"), "instruments.meter: .*a place without a name"),
        (METER, ("dBA", "\u2126"), "instruments.meter: .*no line can carry '\u2126'"),
        (METER, ("form =", "every_s = -1\nform ="), "instruments.meter: every_s must be above 0 and finite, got -1"),
        (METER, ("form =", "every_s = 0\nform ="), "instruments.meter: every_s must be above 0"),
        (METER, ("form =", "every_s = inf\nform ="), "instruments.meter: every_s must be above 0 and finite, got inf"),
        (METER, ("form =", "every_s = true\nform ="), "instruments.meter: every_s cannot be True"),
        (METER, ("form =", 'line_end = ""\nform ='), "instruments.meter: line_end must not be empty"),
        (METER, ("form =", "also = { A = 5 }\nform ="), "instruments.meter: also.A cannot be 5"),
        (FAN, ("[0-9]+", "[0-9"), r"instruments.meter: order 'F \(\?P<value>\[0-9\)' of fan: "),
        (FAN, ("?P<value>", ""), "instruments.meter: order .* of fan: it has no group named value"),
        (METER, ("form =", "colour = 1\nform ="), "instruments.meter: there is no key colour; there are: form, ask"),
        (METER, ("form =", 'baud = "fast"\nform ='), "instruments.meter: baud cannot be 'fast'"),
        (MODBUS, ("register = 1, ", ""), "instruments.box: register must be said"),
        (MODBUS, ('"input"', '"coils"'), "instruments.box: there is no .*coils"),
        (RTU, ("baud = 19200", "baud = 17"), "instruments.box: baud must be one of .*9600.*, got 17"),
        (MODBUS, ("port = 0", 'framing = "ascii"'), "framing must be one of tcp, rtu, got 'ascii'"),
        (SCPI, ("header", "heading"), "instruments.box: there is no key heading; there are: header"),
        (SYSFS, ("box/temp1", "box/tooth1"), "instruments.box: die: there is no place 'box/tooth1'"),
    ],
)
def test_what_a_wire_cannot_do_is_refused_and_nothing_is_left(text, change, says, tmp_path):
    assert change[0] in text
    with pytest.raises(ValueError, match=says), served(load_table(text.replace(*change)), tmp_path, ByHand()):
        pass
    assert [path.name for path in tmp_path.iterdir()] == [".lock"]


@pytest.mark.parametrize("text", [METER, FAN, MODBUS, RTU, SCPI, SYSFS])
def test_one_instrument_alone_can_be_served(text, tmp_path):
    with served(load_table(text), tmp_path, ByHand()) as bench:
        assert len({**bench.places.ports, **bench.places.paths}) == 2


def test_a_modbus_unit_on_a_serial_line_has_the_speed_of_its_table(tmp_path):
    asks_for_one_register = bytes.fromhex("010400010001600a")
    with served(load_table(RTU), tmp_path, ByHand()) as bench:
        answers = {}
        for baud in (9600, 19200):
            with serial.Serial(bench.places.paths["box"], baud, timeout=0.5) as line:
                line.write(asks_for_one_register)
                answers[baud] = line.read(7)
    assert answers[9600] == b""
    assert answers[19200][:3] == b"\x01\x04\x02"


def test_a_port_that_is_taken_is_told_and_nothing_is_left(tmp_path):
    async def taken() -> int:
        server = await asyncio.start_server(lambda *_: None, "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        table = load_table(MODBUS.replace("port = 0", f"port = {port}"))
        with pytest.raises(OSError, match="in use"):
            await asyncio.to_thread(lambda: served(table, tmp_path, ByHand()).__enter__())
        server.close()
        return port

    assert asyncio.run(taken()) > 0
    assert [path.name for path in tmp_path.iterdir()] == [".lock"]


def test_there_is_no_other_shipped_table():
    with pytest.raises(ValueError, match="there is no table 'oven'; there are: bench, load"):
        shipped("oven")
