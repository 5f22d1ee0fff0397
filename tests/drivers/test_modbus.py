"""The driver against the simulated load in a process of its own: what a night can do to it."""

import time

import pytest

from benchd.errors import LinkLost, NoAnswer, SettingRefused
from benchd.instruments import RunAbout, Setup, find_driver
from drivers.modbus import Modbus, ModbusSpec
from drivers.simulated import Simulated
from sim.modbus_load import running

DEADLINE_S = 0.8
SILENCE_S = 1.0

KEYS = {
    "driver": "modbus",
    "deadline_s": DEADLINE_S,
    "timeout_register": 1,
    "timeout_s": SILENCE_S,
    "channels": {
        "heat_w": {"register": 10, "table": "input", "type": "float32"},
        "heat_v": {"register": 12, "table": "input", "type": "float32"},
        "heat_a": {"register": 14, "table": "input", "type": "float32"},
        "state_count": {"register": 16, "table": "input"},
        "set_w": {"register": 0, "scale": 0.1},
        "silence_s": {"register": 1, "scale": 0.1},
    },
    "setpoints": {"heat_w": {"register": 0, "scale": 0.1, "range": [0, 500], "safe": 0}},
}


@pytest.fixture
def process():
    with running(max_w=400) as load:
        yield load


@pytest.fixture
def load(process):
    spec = ModbusSpec.model_validate(KEYS | {"host": process.host, "port": process.modbus_port})
    instrument = Modbus(Setup("load", spec))
    yield instrument
    instrument.close()


def until(condition, within_s):
    """Whether the condition comes true in time."""
    give_up_s = time.monotonic() + within_s
    while time.monotonic() < give_up_s:
        if condition():
            return True
        time.sleep(0.02)
    return condition()


def test_it_is_found_under_its_name():
    assert find_driver("modbus") is Modbus


def test_watts_follow_the_setpoint_and_agree_with_volts_amperes_and_the_heat_that_flows(process, load):
    load.open()
    load.write({"heat_w": 200})
    assert load.read(0.0)["set_w"] == 200
    assert until(lambda: load.read(0.0)["heat_w"] > 199, 10)
    seen = load.read(0.0)
    assert seen["heat_w"] == pytest.approx(0.998 * 200, abs=0.7)
    assert seen["heat_v"] * seen["heat_a"] == pytest.approx(seen["heat_w"], rel=1e-5)
    with process.wire() as wire:
        assert wire.watts() == pytest.approx(seen["heat_w"], abs=1)


def test_opening_sets_the_time_out_and_the_device_names_itself(load):
    assert load.identify() == "benchd simulated heater load 1"
    assert load.read(0.0)["silence_s"] == pytest.approx(SILENCE_S)


def test_a_setpoint_that_the_load_refuses_changes_nothing(load):
    load.write({"heat_w": 100})
    with pytest.raises(SettingRefused, match="heat_w = 450 W was refused: exception 03, illegal data value"):
        load.write({"heat_w": 450})
    assert load.read(0.0)["set_w"] == 100


def test_cable_pulled_heat_off_by_itself_cable_back(process, load):
    load.write({"heat_w": 200})
    assert until(lambda: load.read(0.0)["heat_w"] > 50, 10)
    with process.wire() as wire:
        wire.unplug()
        pulled_s = time.monotonic()
        for _ in range(2):
            began_s = time.monotonic()
            with pytest.raises(NoAnswer, match=f"load at 127.0.0.1:{process.modbus_port}: no answer"):
                load.read(0.0)
            assert time.monotonic() - began_s < DEADLINE_S
        assert wire.watts() > 0 or time.monotonic() - pulled_s > SILENCE_S
        assert until(lambda: wire.watts() == 0, SILENCE_S + 1)

        wire.plug()
        seen = load.read(0.0)
        assert (seen["set_w"], seen["heat_w"], seen["state_count"]) == (0, 0, 2)


def test_what_was_swallowed_while_the_cable_was_out_never_arrives(process, load):
    load.open()
    with process.wire() as wire:
        wire.unplug()
        with pytest.raises(NoAnswer):
            load.write({"heat_w": 200})
        wire.plug()
        assert load.read(0.0)["set_w"] == 0
        assert wire.watts() == 0


def test_reading_keeps_the_heat_on(load):
    load.write({"heat_w": 200})
    ends_s = time.monotonic() + 2 * SILENCE_S
    while time.monotonic() < ends_s:
        assert load.read(0.0)["set_w"] == 200
        time.sleep(0.1)


def test_dead_load_is_a_lost_link_until_it_is_started_again(process, load):
    load.write({"heat_w": 200})
    process.kill()
    for _ in range(2):
        with pytest.raises(LinkLost, match="load at"):
            load.read(0.0)
    with running(modbus_port=process.modbus_port):
        seen = load.read(0.0)
        assert seen["set_w"] == 0
        assert seen["silence_s"] == pytest.approx(SILENCE_S)
        load.write({"heat_w": 50})
        assert load.read(0.0)["set_w"] == 50


def test_safe_state_is_reached_without_opening_first(load):
    load.write({"heat_w": 200})
    other = Modbus(Setup("load", load._spec))
    other.make_safe({"heat_w": 0})
    other.close()
    assert load.read(0.0)["set_w"] == 0


def test_pymodbus_stays_quiet(process, load, capfd, caplog):
    load.open()
    with process.wire() as wire:
        wire.unplug()
        with pytest.raises(NoAnswer):
            load.read(0.0)
    process.kill()
    with pytest.raises(LinkLost):
        load.read(0.0)
    assert not caplog.records
    assert capfd.readouterr() == ("", "")


def test_the_simulated_bench_is_warmed_by_what_the_load_really_gives(process, load):
    table = {
        "driver": "simulated",
        "heat_from": f"{process.host}:{process.wire_port}",
        "channels": {"die_c": {"source": "die"}},
    }
    bench = Simulated(Setup("bench", Simulated.Spec.model_validate(table), {}))
    bench.open()
    bench.begin(RunAbout("brook 2x120", "liquid", seed=1))
    cold_c = bench.read(0.0)["die_c"]
    load.write({"heat_w": 200})
    assert until(lambda: load.read(0.0)["heat_w"] > 150, 10)
    warm_c = [bench.read(float(t_s))["die_c"] for t_s in range(1, 21)][-1]
    process.kill()
    cooling_c = [bench.read(float(t_s))["die_c"] for t_s in range(21, 81)][-1]
    bench.close()
    assert warm_c > cold_c + 5
    assert cooling_c < warm_c - 5
