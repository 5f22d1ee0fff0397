"""The shipped bench `wired`: what it states fits what the simulator's instruments do, and every fault is survived."""

from __future__ import annotations

import math
import random
import re
import time

import pytest

from benchd.bench_file import parse_bench
from benchd.cli import run as benchd
from benchd.clock import VirtualClock
from benchd.running.states import RunState
from sim.benches import load_benches
from sim.wires.base import WIRE_FAULTS
from sim.wires.serving import served
from sim.wires.station import ByHand
from sim.wires.table import load_table, shipped

#: What a channel shows of the plant, by the names of the simulator.
SENSORS = {
    "heat_w": "heat",
    "supply_v": "supply_voltage",
    "supply_a": "supply_current",
    "fan_rpm": "fan_speed",
    "inlet_c": "inlet",
    "pump_rpm": "pump_speed",
    "humidity_pct": "humidity",
    "pressure_hpa": "pressure",
    "leak_count": "leak",
    "smoke_count": "smoke",
    "throttled_s": "throttled",
    "die_c": "die",
    "coolant_c": "coolant",
    "ambient_c": "ambient",
    "level_dba": "level",
}
#: What each channel can show while 100 W are dissipated at 70 % of fans and pump, from the start on.
CAN_SHOW = {
    "heat_w": (0, 105),
    "supply_v": (0, 30),
    "supply_a": (0, 4),
    "set_w": (0, 100),
    "limit_a": (10, 10),
    "output_count": (0, 1),
    "silence_s": (3, 3),
    "fan_rpm": (800, 2200),
    "fan_duty_pct": (59, 100),
    "inlet_c": (21, 28),
    "pump_duty_pct": (70, 100),
    "pump_rpm": (1500, 3200),
    "humidity_pct": (30, 70),
    "pressure_hpa": (950, 1050),
    "leak_count": (0, 0),
    "smoke_count": (0, 0),
    "throttled_s": (0, 0),
    "die_c": (21, 60),
    "coolant_c": (21, 40),
    "ambient_c": (21, 25),
    "level_dba": (28, 70),
}


@pytest.fixture
def clock():
    return ByHand()


@pytest.fixture
def wires(tmp_path, clock):
    with served(load_table(shipped()).with_free_ports(), tmp_path / "wires", clock) as bench:
        yield bench


@pytest.fixture
def text(wires, at_these_places):
    return at_these_places(wires.places)


def test_it_has_twenty_channels_on_five_instruments_of_real_drivers(text):
    bench = parse_bench(text, "wired.toml")
    assert len(bench.channels("liquid")) >= 20
    assert [(name, spec.driver) for name, spec in bench.instruments.items()] == [
        ("supply", "scpi"),
        ("board", "hwmon"),
        ("controller", "modbus"),
        ("thermometer", "modbus"),
        ("meter", "serial_line"),
    ]
    assert bench.twin == "simulated"
    assert set(CAN_SHOW) == set(bench.channels())


def test_it_states_what_the_sensors_do(text):
    kinds = load_benches()["heater"].sensors
    for name, (_, channel) in parse_bench(text, "wired.toml").channels().items():
        if name not in SENSORS:
            assert (channel.uncertainty, channel.uncertainty_pct) == (0, 0), name
            continue
        kind = kinds[SENSORS[name]]
        stated = (channel.resolution, channel.uncertainty, channel.uncertainty_pct)
        assert stated == (kind.resolution, kind.uncertainty, kind.uncertainty_pct), name


def test_every_instrument_is_found_and_every_channel_read(text, tmp_path, capsys):
    file = tmp_path / "wired.toml"
    file.write_text(text)
    assert benchd(["instruments", "--bench", str(file)]) == 0
    said = capsys.readouterr().out
    assert all(name in said for name in CAN_SHOW)
    assert "benchd,simulated supply,0,1" in said
    assert "missing" not in said


PROTOCOL = """
protocol = "bad night"
[[steps]]
kind = "dwell"
for_min = 10
heat_w = 100
fan_pct = 70
pump_pct = 70
"""
SAMPLES = """
    SELECT channel.name, t_ms / 1000, value, flag FROM sample JOIN channel ON channel.id = channel_id WHERE run_id = ?
"""


def test_a_bad_night_of_faults_on_every_wire_records_no_wrong_value(wires, clock, text, enrolled):
    # SCPI has no checksum: nobody can tell a bit that flips inside a digit.
    pairs = [
        (name, fault) for name in wires.wires for fault in WIRE_FAULTS if (name, fault) != ("supply", "flipped_bit")
    ]
    random.Random(1).shuffle(pairs)
    for wire in wires.wires.values():
        wire.late_s = 0.3
    hasty = text.replace("deadline_s = 0.5", "deadline_s = 0.2").replace("latest_reply_s = 1.0", "latest_reply_s = 0.4")
    # Quiet is kept in real time, in which bench time runs away: what is missed is to be missed, not to trip the bench.
    night = enrolled(PROTOCOL, re.sub("missing_s = [0-9]+", "missing_s = 300", hasty))

    def tick(snapshot):
        clock.t_s = snapshot.t_s + 1.0
        begun, within = divmod(round(snapshot.t_s), 7)
        if begun < len(pairs) and within in (1, 4):
            name, fault = pairs[begun]
            wires.wires[name].fault = fault if within == 1 else None
            time.sleep(0.05)  # the servers look at their wires in real time

    assert night.play(VirtualClock(), tick) is RunState.COMPLETE, night.asked(
        "SELECT what FROM event WHERE kind = 'trip'"
    )
    spoiled = dict.fromkeys(CAN_SHOW, 0)
    for channel, t_s, value, flag in night.asked(SAMPLES, night.run):
        spoiled[channel] += bool(flag)
        if flag:
            assert value is None, (channel, t_s)
        else:
            low, high = CAN_SHOW[channel]
            assert math.isfinite(value)
            assert low <= value <= high, (channel, t_s, value)
    lost = [str(what) for (what,) in night.asked("SELECT what FROM event WHERE kind = 'instrument_lost'")]
    assert {what.split()[0].rstrip(":") for what in lost} == set(wires.wires)
    assert all(spoiled[channel] > 0 for channel in CAN_SHOW), spoiled
    last = night.asked(SAMPLES + "AND t_ms = (SELECT max(t_ms) FROM sample)", night.run)
    assert [channel for channel, _, _, flag in last if flag] == [], "all have come back"
