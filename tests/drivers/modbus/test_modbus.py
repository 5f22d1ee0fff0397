"""The driver against the simulated load behind its registers: what a night can do to it."""

import time

import pytest

from benchd.errors import LinkLost, NoAnswer, SettingRefused
from benchd.instruments import Setup, find_driver
from drivers.modbus.driver import Modbus, ModbusSpec
from sim.wires.serving import running, served
from sim.wires.station import Pace
from sim.wires.table import load_table, shipped

DEADLINE_S = 0.8
SILENCE_S = 1.0
#: Bench seconds in a real one: the load lags by 1.5 s of bench time.
SPEED = 20.0

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


TABLE = load_table(shipped("load")).with_free_ports()


@pytest.fixture
def bench(tmp_path):
    with served(TABLE, tmp_path / "wires", Pace(SPEED)) as bench:
        yield bench


def at(port):
    return Modbus(Setup("load", ModbusSpec.model_validate(KEYS | {"host": "127.0.0.1", "port": port})))


@pytest.fixture
def load(bench):
    instrument = at(bench.places.ports["load"])
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


def test_watts_follow_the_setpoint_and_agree_with_volts_amperes_and_the_heat_that_flows(bench, load):
    load.open()
    load.write({"heat_w": 200})
    assert load.read(0.0)["set_w"] == 200
    assert until(lambda: load.read(0.0)["heat_w"] > 197, 10)
    seen = load.read(0.0)
    assert seen["heat_w"] == pytest.approx(200, abs=3)
    assert seen["heat_v"] * seen["heat_a"] == pytest.approx(seen["heat_w"], rel=0.02)
    assert bench.heat_w == pytest.approx(seen["heat_w"], abs=2)


def test_opening_sets_the_time_out_and_the_device_names_itself(load):
    assert load.identify() == "benchd simulated heater load 1"
    assert load.read(0.0)["silence_s"] == pytest.approx(SILENCE_S)


def test_a_setpoint_that_the_load_refuses_changes_nothing(load):
    load.write({"heat_w": 100})
    with pytest.raises(SettingRefused, match="heat_w = 450 W was refused: exception 03, illegal data value"):
        load.write({"heat_w": 450})
    assert load.read(0.0)["set_w"] == 100


def test_cable_pulled_heat_off_by_itself_cable_back(bench, load):
    load.write({"heat_w": 200})
    assert until(lambda: load.read(0.0)["heat_w"] > 50, 10)
    bench.wires["load"].fault = "unplugged"
    assert until(lambda: bench.station.supply.state == 2, SILENCE_S + 2), "by itself"
    for _ in range(2):
        began_s = time.monotonic()
        with pytest.raises(LinkLost, match=f"load at 127.0.0.1:{bench.places.ports['load']}: "):
            load.read(0.0)
        assert time.monotonic() - began_s < DEADLINE_S
    assert until(lambda: bench.heat_w < 1, 2)

    bench.wires["load"].fault = None
    assert until(lambda: answers(load), 2)
    seen = load.read(0.0)
    assert (seen["set_w"], seen["state_count"]) == (0, 2)
    assert seen["heat_w"] < 1


def answers(load):
    try:
        load.read(0.0)
    except LinkLost:
        return False
    return True


def test_a_load_that_is_deaf_costs_no_more_than_the_deadline(bench, load):
    load.open()
    bench.wires["load"].fault = "deaf"
    for _ in range(2):
        began_s = time.monotonic()
        with pytest.raises(NoAnswer, match=r"load at 127\.0\.0\.1:"):
            load.read(0.0)
        assert time.monotonic() - began_s < DEADLINE_S + 0.2


def test_what_was_told_while_the_cable_was_out_never_arrives(bench, load):
    load.open()
    bench.wires["load"].fault = "unplugged"
    assert until(lambda: not answers(load), 2)
    with pytest.raises(LinkLost):
        load.write({"heat_w": 200})
    bench.wires["load"].fault = None
    assert until(lambda: answers(load), 2)
    assert load.read(0.0)["set_w"] == 0
    assert bench.heat_w == 0


def test_reading_keeps_the_heat_on(load):
    load.write({"heat_w": 200})
    ends_s = time.monotonic() + 2 * SILENCE_S
    while time.monotonic() < ends_s:
        assert load.read(0.0)["set_w"] == 200
        time.sleep(0.1)


def test_a_load_that_died_is_a_lost_link_until_it_is_started_again(tmp_path):
    own = tmp_path / "load.toml"
    own.write_text(shipped("load").replace("port = 5020", "port = 0"))
    options = (f"--bench={own}", f"--folder={tmp_path / 'wires'}", f"--speed={SPEED}")
    with running(*options) as process:
        port = process.places.ports["load"]
        load = at(port)
        load.write({"heat_w": 200})
        process.kill()
    for _ in range(2):
        with pytest.raises(LinkLost, match="load at"):
            load.read(0.0)
    own.write_text(shipped("load").replace("port = 5020", f"port = {port}"))
    with running(*options):
        seen = load.read(0.0)
        assert seen["set_w"] == 0
        assert seen["silence_s"] == pytest.approx(SILENCE_S)
        load.write({"heat_w": 50})
        assert load.read(0.0)["set_w"] == 50
        load.close()


def test_safe_state_is_reached_without_opening_first(load):
    load.write({"heat_w": 200})
    other = Modbus(Setup("load", load._spec))
    other.make_safe({"heat_w": 0})
    other.close()
    assert load.read(0.0)["set_w"] == 0


def test_pymodbus_stays_quiet(bench, load, capfd, caplog):
    load.open()
    bench.wires["load"].fault = "no_answer"
    with pytest.raises(NoAnswer):
        load.read(0.0)
    bench.wires["load"].fault = "unplugged"
    assert until(lambda: not answers_at_all(load), 3)
    assert not caplog.records
    assert capfd.readouterr() == ("", "")


def answers_at_all(load):
    try:
        return answers(load)
    except NoAnswer:
        return True
