"""What may stand in the table of a Modbus instrument."""

import pytest
from pydantic import ValidationError

from drivers.modbus.driver import ModbusSpec

BASE = {"driver": "modbus", "host": "192.0.2.1"}


def spec(**keys):
    return ModbusSpec.model_validate(BASE | keys)


def heat(**keys):
    return {"setpoints": {"heat_w": {"register": 0, "range": [0, 300], "safe": 0} | keys}}


def on_serial(**keys):
    return ModbusSpec.model_validate({"driver": "modbus", "serial": "/dev/serial/by-id/probes"} | keys)


def test_the_port_is_the_registered_one_unless_told():
    """Port 502 is registered for Modbus with IANA (service name mbap)."""
    assert spec().where == "at 192.0.2.1:502"


def test_a_host_carries_tcp_and_a_serial_line_rtu_unless_told():
    assert spec().frames == "tcp"
    assert spec(framing="rtu").frames == "rtu"
    assert on_serial().frames == "rtu"


def test_quiet_after_a_failure_is_twice_the_deadline_and_at_least_a_second_unless_told():
    assert on_serial().quiet_s == 1.0
    assert on_serial(deadline_s=2).quiet_s == 4.0
    assert on_serial(latest_reply_s=0.2).quiet_s == 0.2


@pytest.mark.parametrize(
    ("keys", "where"),
    [
        ({"port": 0}, "port"),
        ({"device_id": 256}, "device_id"),
        ({"channels": {"die_c": {}}}, "channels.die_c.register"),
        ({"channels": {"die_c": {"register": 65536}}}, "channels.die_c.register"),
        ({"channels": {"die_c": {"register": 1, "type": "float16"}}}, "channels.die_c.type"),
        ({"channels": {"die_c": {"register": 1, "table": "coil"}}}, "channels.die_c.table"),
        ({"channels": {"die_c": {"register": 1, "order": "big"}}}, "channels.die_c.order"),
        ({"channels": {"die_c": {"register": 1, "scale": 0}}}, "channels.die_c"),
        ({"channels": {"die_c": {"register": 65535, "type": "float32"}}}, "channels.die_c"),
        ({"channels": {"die_c": {"register": 65533, "type": "int64"}}}, "channels.die_c"),
        ({"channels": {"die_c": {"register": 1, "no_value": -32768}}}, "channels.die_c"),
        ({"framing": "ascii"}, "framing"),
        ({"framing": "rtu", "device_id": 248}, ""),
        ({"serial": "/dev/ttyS0"}, ""),
        ({"read_over": 126}, "read_over"),
        ({"latest_reply_s": 0}, "latest_reply_s"),
        (
            {"setpoints": {"heat_w": {"register": 1, "table": "input", "range": [0, 9], "safe": 0}}},
            "setpoints.heat_w.table",
        ),
        ({"timeout_s": 3}, ""),
        ({"timeout_register": 3}, ""),
        ({"timeout_register": 3, "timeout_s": 0.4}, ""),
        ({"timeout_register": 3, "timeout_s": 7000}, ""),
        ({"timeout_register": 3, "timeout_s": 4, "timeout_scale": 10}, ""),
        ({"timeout_register": 3, "timeout_s": 0.5, "timeout_scale": 1, "deadline_s": 0.2}, ""),
        ({"timeout_register": 3, "timeout_s": 1.4, "timeout_scale": 1, "deadline_s": 1.2}, ""),
        ({"channels": {"die_c": {"register": 1, "type": "float32", "no_value": 2147483647}}}, "channels.die_c"),
        (heat(offset=10), "setpoints.heat_w"),
        (heat(scale=0.001), "setpoints.heat_w"),
        (heat(range=[-1, 300]), "setpoints.heat_w"),
        (heat(type="int16", scale=3, offset=1), ""),
    ],
)
def test_mistakes_are_refused_where_they_are(keys, where):
    with pytest.raises(ValidationError) as caught:
        spec(**keys)
    assert [".".join(map(str, error["loc"])) for error in caught.value.errors()] == [where]


@pytest.mark.parametrize("keys", [{"framing": "tcp"}, {"data_bits": 7}, {"port": 502}, {"host": "192.0.2.1"}])
def test_a_serial_line_carries_rtu_of_eight_bits_and_nothing_else(keys):
    with pytest.raises(ValidationError):
        on_serial(**keys)


HEAT = {"setpoints": {"heat_w": {"register": 0, "range": [0, 300], "safe": 0}}}
FANS = {"setpoints": {"fan_pct": {"register": 0, "range": [0, 100], "safe": 100}}}
TIME_OUT = {"timeout_register": 1, "timeout_s": 3}


def test_heat_without_a_time_out_of_the_device_is_cautioned():
    assert "heat_w stays as it was told" in spec(**HEAT).cautions()[0]
    assert spec(**HEAT, **TIME_OUT).cautions() == []
    assert spec(**FANS).cautions() == []


def test_a_time_out_that_one_lost_answer_uses_up_is_cautioned_on_rtu():
    assert "one lost answer costs 4.2 s of silence" in on_serial(**HEAT, **TIME_OUT, deadline_s=1.4).cautions()[0]
    assert on_serial(**HEAT, **TIME_OUT).cautions() == []
    assert spec(**HEAT, **TIME_OUT, deadline_s=1.4).cautions() == []


def test_a_heater_that_can_be_told_nothing_else_than_0_is_taken():
    assert spec(**heat(type="int16", offset=10)).setpoints["heat_w"].safe_as_sent == 0
    assert spec(**heat(type="int16", scale=0.1, offset=0.3)).setpoints["heat_w"].safe_as_sent == pytest.approx(0)
    assert spec(**heat(type="float32", scale=0.001)).setpoints["heat_w"].safe_as_sent == 0


def test_what_is_wrong_with_a_setpoint_or_a_time_out_is_said_with_its_numbers():
    with pytest.raises(ValidationError, match="0 does not fit into uint16 with scale 1 and offset 10"):
        spec(**heat(offset=10))
    with pytest.raises(ValidationError, match=r"heat_w: safe = 0 cannot be sent: .* the nearest is 1 W"):
        spec(**heat(type="int16", scale=3, offset=1))
    with pytest.raises(ValidationError, match=r"timeout_s = 4 is rounded to 0 counts of timeout_scale = 10 s.*never"):
        spec(timeout_register=1, timeout_s=4, timeout_scale=10)


def test_a_time_out_that_is_rounded_is_cautioned():
    (caution,) = spec(**HEAT, timeout_register=1, timeout_s=3.6, timeout_scale=1).cautions()
    assert "timeout_s = 3.6 is rounded to 4 s" in caution
    assert spec(**HEAT, timeout_register=1, timeout_s=0.7, timeout_scale=0.1).cautions() == []


@pytest.mark.parametrize(("kind", "raw"), [("int64", 2**63 - 1), ("int64", -(2**63)), ("float32", -32768)])
def test_a_raw_number_for_no_value_is_taken_where_it_can_come(kind, raw):
    channel = {"register": 1, "type": kind, "no_value": raw}
    assert spec(channels={"die_c": channel}).channels["die_c"].no_value == raw


def test_the_last_register_is_one():
    assert spec(channels={"die_c": {"register": 65534, "type": "float32"}}).channels["die_c"].place.end == 65536


def test_what_is_read_from_a_file_is_written_the_same_way():
    channels = {"die_c": {"register": 3, "type": "int16", "scale": 0.1}}
    dumped = spec(channels=channels).model_dump(exclude_unset=True)
    assert dumped == BASE | {"channels": channels}
