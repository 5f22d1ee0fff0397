"""What may stand in the table of a Modbus instrument."""

import pytest
from pydantic import ValidationError

from drivers.modbus import ModbusSpec

BASE = {"driver": "modbus", "host": "192.0.2.1"}


def spec(**keys):
    return ModbusSpec.model_validate(BASE | keys)


def test_the_port_is_the_registered_one_unless_told():
    """Port 502 is registered for Modbus with IANA (service name mbap)."""
    assert spec().port == 502


@pytest.mark.parametrize(
    ("keys", "where"),
    [
        ({"port": 0}, "port"),
        ({"device_id": 256}, "device_id"),
        ({"channels": {"die_c": {}}}, "channels.die_c.register"),
        ({"channels": {"die_c": {"register": 65536}}}, "channels.die_c.register"),
        ({"channels": {"die_c": {"register": 1, "type": "float64"}}}, "channels.die_c.type"),
        ({"channels": {"die_c": {"register": 1, "table": "coil"}}}, "channels.die_c.table"),
        ({"channels": {"die_c": {"register": 1, "order": "big"}}}, "channels.die_c.order"),
        ({"channels": {"die_c": {"register": 1, "scale": 0}}}, "channels.die_c"),
        ({"channels": {"die_c": {"register": 65535, "type": "float32"}}}, "channels.die_c"),
        (
            {"setpoints": {"heat_w": {"register": 1, "table": "input", "range": [0, 9], "safe": 0}}},
            "setpoints.heat_w.table",
        ),
        ({"timeout_s": 3}, ""),
        ({"timeout_register": 3}, ""),
        ({"timeout_register": 3, "timeout_s": 0.4}, ""),
        ({"timeout_register": 3, "timeout_s": 7000}, ""),
    ],
)
def test_mistakes_are_refused_where_they_are(keys, where):
    with pytest.raises(ValidationError) as caught:
        spec(**keys)
    assert [".".join(map(str, error["loc"])) for error in caught.value.errors()] == [where]


def test_the_last_register_is_one():
    assert spec(channels={"die_c": {"register": 65534, "type": "float32"}}).channels["die_c"].place.end == 65536


def test_what_is_read_from_a_file_is_written_the_same_way():
    channels = {"die_c": {"register": 3, "type": "int16", "scale": 0.1}}
    dumped = spec(channels=channels).model_dump(exclude_unset=True)
    assert dumped == BASE | {"channels": channels}
