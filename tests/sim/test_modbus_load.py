"""The simulated load's process: its registers as any Modbus client sees them, its heat wire, its life."""

import json
import signal
import socket
import struct
import subprocess
import sys
import time

import pytest
from pymodbus.client import ModbusTcpClient

from sim.heat_wire import HeatWire
from sim.heater_load import COMM_TIMEOUT_S, HeaterLoad, LoadState
from sim.modbus_load import DEVICE_ID, IDENTITY, running


@pytest.fixture(scope="module")
def load():
    with running(max_w=400, comm_timeout_s=60) as process:
        yield process


@pytest.fixture
def client(load):
    client = ModbusTcpClient(load.host, port=load.modbus_port, timeout=2, retries=0)
    assert client.connect()
    client.write_registers(0, [0, 600])
    yield client
    client.close()


def refusal(reply):
    return reply.exception_code if reply.isError() else None


def test_measured_registers_hold_floats_and_the_identity(client):
    words = client.read_input_registers(10, count=8).registers
    watts, volts, amperes = struct.unpack(">3f", struct.pack(">6H", *words[:6]))
    assert watts == pytest.approx(volts * amperes, abs=1e-6)
    assert words[6:] == [LoadState.OFF, IDENTITY]


def test_the_setpoint_is_taken_and_read_back(client):
    assert not client.write_register(0, 2000).isError()
    assert client.read_holding_registers(0, count=2).registers == [2000, 600]
    assert client.read_input_registers(16, count=1).registers == [LoadState.ON]


def test_the_highest_setpoint_is_taken_and_one_count_more_is_not(client):
    assert refusal(client.write_register(0, 4000)) is None
    assert refusal(client.write_register(0, 4001)) == 3
    assert client.read_holding_registers(0, count=1).registers == [4000]


def test_of_a_write_with_one_bad_register_nothing_is_taken(client):
    """MODBUS Application Protocol V1.1b3: a refused request writes nothing."""
    client.write_register(0, 1000)
    assert refusal(client.write_registers(0, [2000, 0])) == 3
    assert refusal(client.write_registers(0, [5000, 100])) == 3
    assert client.read_holding_registers(0, count=2).registers == [1000, 600]


@pytest.mark.parametrize(
    ("ask", "code"),
    [
        (lambda client: client.read_holding_registers(2, count=1), 2),
        (lambda client: client.read_holding_registers(1, count=2), 2),
        (lambda client: client.read_holding_registers(10, count=1), 2),
        (lambda client: client.read_input_registers(0, count=1), 2),
        (lambda client: client.read_input_registers(17, count=2), 2),
        (lambda client: client.write_register(10, 1), 2),
        (lambda client: client.read_coils(0, count=1), 1),
        (lambda client: client.write_coil(0, True), 1),
        (lambda client: client.read_holding_registers(0, count=1, device_id=DEVICE_ID + 1), 0x0B),
    ],
)
def test_what_is_not_there_is_refused(client, ask, code):
    client.write_register(0, 1000)
    assert refusal(ask(client)) == code
    assert client.read_holding_registers(0, count=1).registers == [1000]


def test_only_good_requests_keep_the_output_on():
    with running(comm_timeout_s=0.5) as load, load.wire() as wire:
        client = ModbusTcpClient(load.host, port=load.modbus_port, timeout=2, retries=0)
        client.write_register(0, 1000)
        ends_s = time.monotonic() + 0.8
        while time.monotonic() < ends_s:
            client.read_input_registers(10, count=1)
            time.sleep(0.05)
        assert wire.watts() > 50
        ends_s = time.monotonic() + 0.8
        while time.monotonic() < ends_s:
            assert client.read_holding_registers(99, count=1).isError()
            time.sleep(0.05)
        assert wire.watts() == 0
        client.close()


def test_while_unplugged_old_and_new_connections_are_silent_and_afterwards_the_old_one_lives(load):
    with load.wire() as wire:
        wire.unplug()
        with socket.create_connection((load.host, load.modbus_port), timeout=0.2) as old:
            old.sendall(bytes.fromhex("000100000006010400110001"))
            with pytest.raises(TimeoutError):
                old.recv(100)
            wire.plug()
            old.sendall(bytes.fromhex("000200000006010400110001"))
            assert old.recv(100) == bytes.fromhex("000200000005010402") + struct.pack(">H", IDENTITY)


def test_the_wire_answers_lines_however_they_are_cut(load):
    with (
        socket.create_connection((load.host, load.wire_port), timeout=2) as link,
        link.makefile("rb") as lines,
    ):
        link.sendall(b"wat")
        time.sleep(0.05)
        link.sendall(b"ts?\nsing\nplug\n")
        assert float(lines.readline()) >= 0
        assert lines.readline() == b"not understood\n"
        assert lines.readline() == b"ok\n"


def test_the_wire_hangs_up_on_an_endless_line(load):
    with socket.create_connection((load.host, load.wire_port), timeout=2) as link:
        link.sendall(b"w" * 500)
        assert link.recv(10) == b""


def test_a_dead_load_gives_no_heat_and_a_new_one_is_found_again():
    with running() as load, load.wire() as wire:
        assert wire.watts() == 0
        load.kill()
        began_s = time.monotonic()
        assert wire.watts() == 0
        assert time.monotonic() - began_s < 0.5
        with pytest.raises(OSError, match="refused"):
            wire.unplug()
        with running(modbus_port=load.modbus_port, wire_port=load.wire_port):
            client = ModbusTcpClient(load.host, port=load.modbus_port, timeout=2, retries=0)
            wire.watts()
            client.write_register(0, 1000)
            time.sleep(0.1)
            assert wire.watts() > 0
            client.close()


def test_a_wire_that_is_open_survives_a_restart_at_the_first_question():
    with running() as load, load.wire() as wire:
        wire.plug()
        load.kill()
        with running(wire_port=load.wire_port):
            wire.unplug()


def test_a_load_that_hangs_gives_no_heat_and_its_late_answer_is_not_used(load):
    with load.wire() as wire:
        load.process.send_signal(signal.SIGSTOP)
        try:
            began_s = time.monotonic()
            assert wire.watts() == 0
            assert time.monotonic() - began_s < 1
        finally:
            load.process.send_signal(signal.SIGCONT)
        wire.plug()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_stops_cleanly_with_a_true_exit_status(number):
    with running() as load, load.wire() as wire:
        wire.watts()
        load.process.send_signal(number)
        assert load.process.wait(5) == -number


def test_it_stops_with_whoever_started_it():
    with running() as load:
        load.process.stdin.close()
        assert load.process.wait(5) == 0


def test_a_port_that_is_taken_is_told_in_one_line(load):
    command = [sys.executable, "-m", "sim.modbus_load", f"--port={load.modbus_port}"]
    ended = subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)
    assert (ended.returncode, ended.stdout) == (1, "")
    assert ended.stderr.startswith("modbus_load: cannot serve at 127.0.0.1")
    assert ended.stderr.count("\n") == 1


def test_what_cannot_start_is_told():
    with pytest.raises(RuntimeError, match="did not start"), running(max_w=-1):
        pass


def test_its_one_line_names_both_ports():
    command = [sys.executable, "-m", "sim.modbus_load"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        ports = json.loads(process.stdout.readline())
        process.terminate()
        assert process.wait(5) == -signal.SIGTERM
    assert set(ports) == {"modbus_port", "wire_port"}


def test_nobody_at_the_other_end_is_no_heat():
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    assert HeatWire("127.0.0.1", port).watts() == 0


def test_the_lag_is_first_order():
    """One time constant after a step 1 - 1/e of the way is done, by definition of the first order lag."""
    load = HeaterLoad(0.0, comm_timeout_s=60)
    load.set_w(0.0, 100)
    assert load.watts(0.5) / load.watts(50.0) == pytest.approx(0.6321, abs=1e-4)


def test_how_often_it_is_asked_makes_no_difference():
    often, seldom = HeaterLoad(0.0), HeaterLoad(0.0)
    for load in (often, seldom):
        load.set_w(0.0, 250)
    for tenth in range(1, 20):
        often.watts(tenth / 10)
    assert often.watts(2.0) == pytest.approx(seldom.watts(2.0))


def test_silence_opens_the_output_until_a_new_setpoint():
    load = HeaterLoad(0.0, comm_timeout_s=3)
    load.set_w(0.0, 200)
    assert load.watts(3.0) > 190
    load.hear(10.0)
    assert (load.watts(10.0), load.setpoint_w, load.state) == (0, 0, LoadState.SILENCE)
    load.set_w(11.0, 50)
    assert load.state is LoadState.ON
    assert load.watts(13.0) > 40


def test_silence_without_heat_is_nothing_to_tell():
    load = HeaterLoad(0.0, comm_timeout_s=3)
    assert load.watts(100.0) == 0
    assert load.state is LoadState.OFF


@pytest.mark.parametrize("timeout_s", [COMM_TIMEOUT_S[0] - 0.1, COMM_TIMEOUT_S[1] + 0.1, 0, float("nan")])
def test_the_time_out_cannot_be_switched_off(timeout_s):
    load = HeaterLoad(0.0, comm_timeout_s=3)
    with pytest.raises(ValueError, match="time-out"):
        load.set_comm_timeout(timeout_s)
    assert load.comm_timeout_s == 3
