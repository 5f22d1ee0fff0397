"""The plant behind the wires: its time, the supply's communication time-out, what instruments see and tell."""

import math

import pytest

from sim.benches import load_benches
from sim.supply import Supply
from sim.wires.heater_supply import HeaterSupply, SupplyLimits, SupplyState
from sim.wires.station import SOURCES, TARGETS, ByHand, Pace, Station

BROOK = "brook 2x140"


@pytest.fixture
def clock():
    return ByHand()


@pytest.fixture
def real():
    return ByHand()


@pytest.fixture
def station(clock, real):
    return Station(BROOK, clock=clock, real_s=real)


def heater():
    return HeaterSupply(SupplyLimits(max_w=300.0, silence_s=3.0), Supply(ohm=8.0), now_s=0.0)


# ---- the supply


def test_silence_opens_the_output_until_a_new_setpoint():
    supply = heater()
    supply.heat(200.0)
    assert not supply.falls_silent_by(3.0)
    assert supply.falls_silent_by(3.1)
    assert (supply.watts, supply.set_w, supply.state) == (0.0, 0.0, SupplyState.SILENCE)
    supply.hear(4.0)
    assert supply.watts == 0.0, "being spoken to does not close it again"
    supply.heat(50.0)
    assert (supply.watts, supply.state) == (50.0, SupplyState.ON)


def test_silence_without_heat_is_nothing_to_tell():
    supply = heater()
    assert not supply.falls_silent_by(1000.0)
    assert supply.state is SupplyState.OFF


def test_after_silence_closing_the_switch_alone_gives_nothing():
    supply = heater()
    supply.hold_watts(200.0)
    supply.switch(1.0)
    supply.falls_silent_by(10.0)
    supply.switch(1.0)
    assert supply.watts == 0.0


@pytest.mark.parametrize("silence_s", [0.4, 60.1, 0.0, -1.0, math.nan, math.inf])
def test_the_time_out_cannot_be_switched_off(silence_s):
    supply = heater()
    with pytest.raises(ValueError, match="communication time-out must be"):
        supply.set_silence(silence_s)
    assert supply.silence_s == 3.0


@pytest.mark.parametrize(
    ("tell", "watts"),
    [
        (lambda supply: supply.hold_volts(40.0), 40.0**2 / 8.0),
        (lambda supply: supply.hold_watts(120.0), 120.0),
        (lambda supply: (supply.hold_watts(250.0), supply.limit_amperes(3.0)), 3.0**2 * 8.0),
        (lambda supply: (supply.hold_volts(50.0), supply.hold_watts(10.0)), 10.0),
        (lambda supply: (supply.hold_watts(10.0), supply.hold_volts(20.0)), 20.0**2 / 8.0),
        (lambda supply: supply.hold_volts(60.0), 300.0),  # of 450 W it gives the most that it can
    ],
)
def test_what_it_lets_through_follows_ohm_and_joule(tell, watts):
    supply = heater()
    tell(supply)
    assert supply.watts == 0.0, "its output is open"
    supply.switch(1.0)
    assert supply.watts == pytest.approx(watts)


@pytest.mark.parametrize("order", ["heat", "hold_watts", "hold_volts", "limit_amperes", "switch", "cap_watts"])
@pytest.mark.parametrize("value", [-1.0, math.nan])
def test_what_it_cannot_do_it_refuses_and_nothing_changes(order, value):
    supply = heater()
    supply.heat(100.0)
    with pytest.raises(ValueError, match=r"supply|output|limit"):
        getattr(supply, order)(value)
    assert (supply.watts, supply.state) == (100.0, SupplyState.ON)


def test_the_volts_of_a_rail_are_fixed():
    supply = HeaterSupply(SupplyLimits(), Supply(volts=12.0), now_s=0.0)
    with pytest.raises(ValueError, match="fixed"):
        supply.hold_volts(10.0)
    supply.heat(200.0)
    supply.limit_amperes(5.0)
    assert supply.watts == 60.0


@pytest.mark.parametrize("wrong", [{"max_w": 0.0}, {"max_v": math.inf}, {"silence_s": 0.1}, {"longest_silence_s": 1.0}])
def test_a_supply_that_makes_no_sense_is_refused(wrong):
    with pytest.raises(ValueError, match="of the supply"):
        SupplyLimits(**wrong)


# ---- time


def test_bench_time_runs_as_fast_as_it_was_told():
    slow, fast = Pace(1.0), Pace(100.0)
    while (real_s := slow()) < 0.05:
        pass
    assert 99 * real_s < fast() < 200 * real_s


@pytest.mark.parametrize("speed", [0.0, -1.0, 1001.0, math.nan])
def test_no_other_speed_is_taken(speed):
    with pytest.raises(ValueError, match="speed"):
        Pace(speed)


def test_a_clock_that_goes_back_stands(station, clock):
    clock.t_s = 10.0
    station.advance()
    clock.t_s = 5.0
    station.advance()
    assert station.t_s == 10.0


def test_a_stall_of_the_machine_is_one_stride_to_the_same_state():
    """However seldom the plant is asked, the same bench seconds with the same watts end at the same temperatures."""
    ends = []
    for strides in (1, 600):
        clock = ByHand()
        station = Station(BROOK, clock=clock, real_s=ByHand())
        station.tell("heat", 200.0)
        for stride in range(strides):
            clock.t_s = 600.0 * (stride + 1) / strides
            station.advance()
        ends.append(station.plant.true("die"))
    assert ends[0] == pytest.approx(ends[1], abs=0.02)


def test_in_a_stall_the_heat_ends_when_the_time_out_ran_out(station, clock, real):
    station.tell("heat", 100.0)
    real.t_s, clock.t_s = 3600.0, 3600.0
    station.advance()
    assert station.supply.state is SupplyState.SILENCE
    assert station.plant.true("heat") == pytest.approx(0.0, abs=0.1)
    # 3 s of silence, and the load lags by 1.5 s each way.
    assert 200.0 < station.plant.energy().in_j < 450.0


def test_every_question_to_the_instrument_with_the_heater_keeps_the_heat_on(station, clock, real):
    supply = station.device({"power": "heat"}, {"power": "heat"})
    meter = station.device({"level": "level"}, {})
    supply.writes["power"](100.0)
    for second in range(1, 10):
        clock.t_s = real.t_s = float(second)
        assert supply.reads["power"]() >= 0
    assert station.supply.state is SupplyState.ON
    for second in range(10, 14):
        clock.t_s = real.t_s = float(second)
        meter.reads["level"]()
    assert station.supply.state is SupplyState.SILENCE, "asking others does not"


def test_a_refused_setpoint_keeps_no_heat_on(station, clock, real):
    station.tell("heat", 100.0)
    real.t_s = clock.t_s = 2.5
    with pytest.raises(ValueError, match="0 to 300 W"):
        station.tell("heat", 1000.0)
    real.t_s = clock.t_s = 3.5
    assert station.show("supply_state") == SupplyState.SILENCE


# ---- what instruments see and tell


def test_every_source_has_a_value_on_a_liquid_specimen(station, clock):
    clock.t_s = 30.0
    for source in SOURCES:
        assert isinstance(station.show(source), float), source


def test_what_a_specimen_does_not_have_has_no_value():
    station = Station("slate tower", clock=ByHand())
    assert [station.show(source) for source in ("coolant", "pump_speed", "leak")] == [None, None, None]
    station.tell("set_pump", 50.0)


def test_every_target_is_taken(station):
    told = dict.fromkeys(TARGETS, 50.0) | {"output": 1.0, "set_current": 8.0}
    for target, value in told.items():
        station.tell(target, value)
    settings = [target for target in told if target != "heat"]
    assert {target: station.show(target) for target in settings} == {target: told[target] for target in settings}


def test_duties_move_fans_and_pump(station, clock):
    full = station.show("fan_speed"), station.show("pump_speed")
    station.tell("set_fans", 30.0)
    station.tell("set_pump", 50.0)
    clock.t_s = 60.0
    assert station.show("fan_speed") < 0.6 * full[0]
    assert station.show("pump_speed") < 0.8 * full[1]
    with pytest.raises(ValueError, match="0 to 100"):
        station.tell("set_fans", 101.0)
    assert station.show("set_fans") == 30.0


def test_what_there_is_not_is_refused(station):
    with pytest.raises(ValueError, match="tooth: there is no 'molar'; there are: die, coolant"):
        station.device({"tooth": "molar"}, {})
    with pytest.raises(ValueError, match="there is no 'die'"):
        station.device({}, {"tooth": "die"})
    with pytest.raises(KeyError):
        station.show("molar")
    with pytest.raises(KeyError):
        Station("tooth")


def test_a_limit_of_power_holds_whatever_is_asked(station, clock):
    station.tell("heat", 200.0)
    station.tell("power_limit", 65.0)
    for second in range(1, 31):
        clock.t_s = float(second)
        station.show("heat")
    assert station.plant.true("heat") == pytest.approx(65.0, rel=0.02)


# ---- faults of the plant


def test_faults_begin_and_end_when_they_are_told(station, clock):
    station.begin_fault("pump_stalls")
    station.begin_fault("sensor_silent", source="die")
    clock.t_s = 20.0
    assert station.show("die") is None
    assert station.plant.true("pump_speed") == 0.0
    assert station.wrong == ["pump_stalls", "sensor_silent die"]
    station.mend_fault("pump_stalls")
    station.mend_fault("sensor_silent", source="die")
    clock.t_s = 60.0
    assert station.show("die") is not None
    assert station.plant.true("pump_speed") > 1000.0
    assert station.wrong == []


def test_an_impossible_fault_changes_nothing(station):
    with pytest.raises(ValueError, match="size of tube_kinks"):
        station.begin_fault("tube_kinks", size=3.0)
    assert station.wrong == []


def test_it_can_be_any_bench_of_the_simulator(clock):
    bench = load_benches()["processor"]
    station = Station(BROOK, bench=bench, clock=clock, real_s=ByHand())
    clock.t_s = 60.0
    station.advance()
    assert station.plant.true("heat") == pytest.approx(bench.load.idle_w, rel=0.2), "a processor never draws nothing"
