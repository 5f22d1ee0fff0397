"""What every driver promises, checked on each that is installed, the real ones on something that answers."""

import math
from contextlib import contextmanager
from dataclasses import dataclass

import pytest
from pydantic import ValidationError

from benchd.errors import SettingRefused
from benchd.instruments import (
    Instrument,
    InstrumentSpec,
    RunAbout,
    SampleFlag,
    Setup,
    driver_names,
    find_driver,
)
from sim.modbus_load import running


@contextmanager
def modbus_device():
    with running() as load:
        yield {
            "host": load.host,
            "port": load.modbus_port,
            "timeout_register": 1,
            "timeout_s": 3,
            "channels": {
                "heat_w": {"register": 10, "table": "input", "type": "float32"},
                "set_w": {"register": 0, "scale": 0.1},
            },
            "setpoints": {"heat_w": {"register": 0, "scale": 0.1, "range": [0, 300], "safe": 0}},
        }


@contextmanager
def simulated_device():
    yield {
        "channels": {"heat_w": {"source": "heat"}, "die_c": {"source": "die"}},
        "setpoints": {"heat_w": {"target": "heat", "range": [0, 300], "safe": 0}},
    }


#: A driver's own keys for a device with a heater, and the device, for as long as it is asked for.
DEVICES = {"modbus": modbus_device, "simulated": simulated_device}


@dataclass
class Case:
    driver: type[Instrument]
    table: dict

    def spec(self) -> InstrumentSpec:
        return self.driver.Spec.model_validate(self.table)

    def make(self) -> Instrument:
        return self.driver(Setup("under test", self.spec(), {}))


@pytest.fixture(scope="module", params=sorted(DEVICES))
def case(request):
    with DEVICES[request.param]() as keys:
        yield Case(find_driver(request.param), {"driver": request.param} | keys)


@pytest.fixture
def instrument(case):
    """Open, and with a specimen mounted, as in a run."""
    made = case.make()
    made.open()
    name, cooling = next(iter(made.specimens().items()), ("a real cooler", "liquid"))
    made.begin(RunAbout(name, cooling, seed=1))
    yield made
    made.close()


def test_every_installed_driver_is_under_contract():
    assert driver_names() == sorted(DEVICES)


def test_unknown_keys_are_refused(case):
    with pytest.raises(ValidationError, match="Extra inputs"):
        case.driver.Spec.model_validate(case.table | {"colour": "red"})


def test_the_table_comes_back_as_it_was_written(case):
    assert case.driver.Spec.model_validate(case.spec().model_dump()) == case.spec()


def test_it_tells_a_person_what_it_is(instrument):
    assert instrument.identify().strip()


def test_every_channel_is_a_number_or_a_flag(case, instrument):
    answers = instrument.read(0.0)
    assert set(answers) == set(case.table["channels"])
    for answer in answers.values():
        assert isinstance(answer, SampleFlag) or (isinstance(answer, float) and math.isfinite(answer))
    assert isinstance(answers["heat_w"], float)


def test_heat_follows_its_setpoint(instrument):
    instrument.write({"heat_w": 100.0})
    seen = [instrument.read(float(t_s))["heat_w"] for t_s in range(1, 2000)]
    assert max(seen) > 1


def test_the_safe_state_can_be_commanded_again_and_again(case, instrument):
    safe = {name: spec.safe for name, spec in case.spec().setpoints.items()}
    instrument.make_safe(safe)
    instrument.make_safe(safe)


@pytest.mark.parametrize("value", [-1.0, 300.5, math.nan, math.inf])
def test_what_lies_outside_the_range_is_refused(instrument, value):
    with pytest.raises(SettingRefused, match="under test"):
        instrument.write({"heat_w": value})


def test_an_unknown_setpoint_is_refused(instrument):
    with pytest.raises(SettingRefused, match=r"under test.*there_is_none_w"):
        instrument.write({"there_is_none_w": 1.0})


def test_closing_never_raises(case):
    made = case.make()
    made.close()
    made.open()
    made.close()
    made.close()


def test_it_can_be_opened_again_and_again(case, instrument):
    instrument.open()
    instrument.close()
    instrument.open()
    assert set(instrument.read(0.0)) == set(case.table["channels"])


def test_specimens_are_liquid_or_air(instrument):
    assert set(instrument.specimens().values()) <= {"liquid", "air"}
