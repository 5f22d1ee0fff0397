"""What goes wrong: each fault does what is physical, shows itself where it would, and is gone when it is mended."""

import math
from typing import get_args

import pytest

from sim.faults import USUAL, Fault, FaultKind
from sim.specimens import load_specimens
from sim.stall import stall_s

SPECIMENS = load_specimens()
LIQUID = [name for name, specimen in SPECIMENS.items() if specimen.liquid]
AT_S, END_S = 1800.0, 2400.0


def pair(mounted, *planned, specimen="brook 3x120", heat_w=150.0, fan_pct=60.0, until_s=END_S):
    """A rig on which things go wrong after half an hour, and its twin on which nothing does."""
    wrong, well = (mounted(specimen, fan_pct, planned=faults) for faults in (planned, ()))
    for rig in (wrong, well):
        rig.advance_to(until_s, heat_w)
    return wrong, well


def true(rig, source):
    return rig.true[source]()


def rise_of(wrong, well, source):
    return true(wrong, source) - true(well, source)


def mean_level_dba(rig, heat_w=150.0, seconds=120):
    heard = []
    for _ in range(seconds):
        rig.advance_to(rig.t_s + 1.0, heat_w)
        heard.append(rig.meter.heard)
    return 10.0 * math.log10(sum(heard) / seconds)


# ---- pump, hoses, coolant


@pytest.mark.parametrize("specimen", LIQUID)
def test_with_the_pump_stalled_at_200_w_the_die_goes_from_60_to_95_degc_well_under_a_minute(specimen):
    # 200 W into die, spreader, plate and its coolant, 242 J/K, is 0.83 K/s, and 42 s; the die runs ahead of the rest.
    assert 25.0 < stall_s(SPECIMENS[specimen]) < 50.0


def test_a_stalled_pump_is_seen_by_its_tach_and_runs_again_when_mended(mounted):
    wrong, well = pair(mounted, Fault("pump_stalls", AT_S, AT_S + 20.0), until_s=AT_S + 15.0)
    assert wrong.shown["pump_speed"]() == 0.0
    assert rise_of(wrong, well, "die") > 5.0
    for rig in (wrong, well):
        rig.advance_to(AT_S + 1800.0, 150.0)
    assert true(wrong, "pump_speed") == pytest.approx(true(well, "pump_speed"))
    assert rise_of(wrong, well, "die") == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("kind", ["tube_kinks", "air_lock"])
def test_with_a_kink_or_an_air_lock_the_tach_still_turns_and_the_die_climbs(mounted, kind):
    wrong, well = pair(mounted, Fault(kind, AT_S, AT_S + 120.0), until_s=AT_S + 60.0)
    assert wrong.shown["pump_speed"]() == pytest.approx(well.shown["pump_speed"](), abs=10.0)
    assert true(wrong, "pump_speed") > 1000.0
    assert rise_of(wrong, well, "die") > 20.0
    for rig in (wrong, well):
        rig.advance_to(AT_S + 3600.0, 150.0)
    assert rise_of(wrong, well, "die") == pytest.approx(0.0, abs=0.1)


def test_half_a_kink_hurts_less_than_a_whole_one(mounted):
    ends_c = []
    for size in (0.0, 0.9, 0.98, 1.0):
        rig = mounted("brook 2x120", planned=[Fault("tube_kinks", 0.0, size=size)])
        rig.advance_to(60.0, 150.0)
        ends_c.append(true(rig, "die"))
    assert ends_c == sorted(ends_c)
    assert ends_c[1] - ends_c[0] < 10.0 < ends_c[3] - ends_c[0]


def test_a_leak_wets_its_sensor_and_no_mending_dries_it(mounted):
    wrong, well = pair(mounted, Fault("leak", AT_S, AT_S + 60.0), until_s=AT_S)
    assert wrong.shown["leak"]() == 0.0
    wrong.advance_to(AT_S + 10.0, 150.0)
    assert wrong.shown["leak"]() == 1.0
    wrong.advance_to(AT_S + 600.0, 150.0)
    assert wrong.shown["leak"]() == 1.0
    assert well.shown["leak"]() == 0.0


# ---- fans


def test_a_leak_first_costs_nothing_and_then_starves_the_pump(mounted):
    # 3 ml/min of 15 ml to spare: after 5 min the pump draws air, after 7 its chamber is empty; its rotor still turns.
    wrong, well = pair(mounted, Fault("leak", AT_S), until_s=AT_S + 290.0)
    assert rise_of(wrong, well, "die") == pytest.approx(0.0, abs=1e-9)
    for rig in (wrong, well):
        rig.advance_to(AT_S + 450.0, 150.0)
    assert rise_of(wrong, well, "die") > 5.0
    assert true(wrong, "pump_speed") == true(well, "pump_speed")


def test_a_leak_that_is_mended_in_time_starves_nothing(mounted):
    wrong, well = pair(mounted, Fault("leak", AT_S, AT_S + 240.0))
    assert rise_of(wrong, well, "die") == pytest.approx(0.0, abs=1e-9)
    assert wrong.filling.lost_m3 == pytest.approx(12e-6)
    assert wrong.shown["leak"]() == 1.0


def test_a_bigger_leak_starves_sooner(mounted):
    slow, fast = (mounted("brook 2x120", planned=[Fault("leak", AT_S, size=size)]) for size in (3.0, 30.0))
    for rig in (slow, fast):
        rig.advance_to(AT_S + 120.0, 150.0)
    assert rise_of(fast, slow, "die") > 5.0


def test_a_heat_sink_has_nothing_to_leak(mounted):
    wrong, well = pair(mounted, Fault("leak", AT_S), specimen="slate tower", heat_w=80.0)
    assert rise_of(wrong, well, "die") == 0.0
    assert "leak" not in wrong.shown


# ---- smoke


def test_something_that_smoulders_is_seen_until_it_is_out(mounted):
    wrong, well = pair(mounted, Fault("smoulders", AT_S, AT_S + 120.0), until_s=AT_S + 60.0)
    assert (wrong.shown["smoke"](), well.shown["smoke"]()) == (1.0, 0.0)
    wrong.advance_to(AT_S + 240.0, 150.0)
    assert wrong.shown["smoke"]() == 0.0
    well.advance_to(AT_S + 240.0, 150.0)
    assert rise_of(wrong, well, "die") == 0.0


def test_a_heater_that_nobody_stops_smokes_in_the_end(mounted):
    rig = mounted("brook 2x120", planned=[Fault("pump_stalls", AT_S)])
    rig.advance_to(AT_S + 90.0, 200.0)
    assert true(rig, "die") < 180.0
    assert rig.shown["smoke"]() == 0.0
    rig.advance_to(AT_S + 300.0, 200.0)
    assert true(rig, "die") > 180.0
    assert rig.shown["smoke"]() == 1.0


# ---- fans


def test_one_of_three_fans_stalled_is_hotter_and_quieter(mounted):
    wrong, well = pair(mounted, Fault("fans_stall", AT_S, 4000.0), fan_pct=100.0)
    assert rise_of(wrong, well, "coolant") > 1.5
    # Two of three: 10 lg(2/3) = -1.76 dB, less what room and pump add.
    assert mean_level_dba(wrong) - mean_level_dba(well) == pytest.approx(-1.6, abs=0.5)
    assert true(wrong, "fan_speed") == true(well, "fan_speed")  # the tach is that of a fan that still turns
    for rig in (wrong, well):
        rig.advance_to(7200.0, 150.0)
    assert rise_of(wrong, well, "die") == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("specimen", ["slate tower", "brook 1x120"])
def test_the_only_fan_stalled_shows_no_speed_and_no_noise(mounted, specimen):
    wrong, well = pair(mounted, Fault("fans_stall", AT_S), specimen=specimen, heat_w=60.0)
    assert wrong.shown["fan_speed"]() == 0.0
    assert rise_of(wrong, well, "die") > 5.0
    assert wrong.meter.level_dba < well.meter.level_dba - 2.0


# ---- paste, load, supply, room


def test_with_the_paste_pumped_out_the_die_is_hotter_and_the_coolant_as_it_was(mounted):
    wrong, well = pair(mounted, Fault("paste_pumped_out", AT_S, AT_S + 60.0, size=1.0), until_s=AT_S + 1200.0)
    # What falls over the paste alone, without the spreading of 0.02 K/W in the plate, falls twice.
    at_c = well.cooler.temperature_c
    passed_w = true(well, "heat") - 0.05 * (at_c("die") - true(well, "ambient"))
    assert rise_of(wrong, well, "die") == pytest.approx(at_c("spreader") - at_c("plate") - 0.02 * passed_w, rel=0.02)
    assert rise_of(wrong, well, "coolant") == pytest.approx(0.0, abs=0.05)


def test_a_load_that_does_not_obey_keeps_its_watts_until_it_is_mended(mounted):
    rig = mounted("brook 2x120", planned=[Fault("load_disobeys", 600.0, 900.0)])
    rig.advance_to(600.0, 150.0)
    rig.advance_to(899.0, 0.0)
    assert true(rig, "heat") == pytest.approx(150.0, rel=0.01)
    rig.advance_to(930.0, 0.0)
    assert true(rig, "heat") < 0.1


def test_a_load_that_throttles_holds_the_die_at_its_limit_with_fewer_watts(mounted):
    planned = [Fault("load_throttles", 0.0, 3000.0, size=60.0)]
    rig = mounted("brook 1x120", 60.0, planned=planned)
    rig.advance_to(1800.0, 200.0)
    seen_c, seen_w = [], []
    for _ in range(600):
        rig.advance_to(rig.t_s + 1.0, 200.0)
        seen_c.append(true(rig, "die"))
        seen_w.append(true(rig, "heat"))
    assert max(seen_c) - min(seen_c) < 0.01
    assert max(seen_c) == pytest.approx(60.0, abs=0.01)
    assert 80.0 < seen_w[-1] <= seen_w[0] < 180.0
    counted_s = rig.shown["throttled"]()
    assert 1500 < counted_s == rig.cooler.load.throttled_s
    rig.advance_to(4200.0, 200.0)
    assert true(rig, "heat") == pytest.approx(200.0, rel=0.01)
    assert true(rig, "die") > 65.0


def test_without_its_supply_nothing_heats_and_everything_coasts_down(mounted):
    rig = mounted("brook 2x120", 100.0, planned=[Fault("supply_lost", 600.0, 1200.0)])
    rig.advance_to(600.0, 200.0)
    rig.advance_to(602.0, 200.0)
    assert 500.0 < true(rig, "fan_speed") < 1900.0
    rig.advance_to(660.0, 200.0)
    assert (true(rig, "fan_speed"), true(rig, "pump_speed")) == (0.0, 0.0)
    assert true(rig, "heat") < 0.1
    before_j = rig.energy.in_j
    rig.advance_to(1199.0, 200.0)
    assert rig.energy.in_j - before_j < 1.0
    rig.advance_to(1260.0, 200.0)
    assert true(rig, "heat") == pytest.approx(200.0, rel=0.01)
    assert true(rig, "fan_speed") == pytest.approx(2200.0, rel=0.01)


def test_when_ambient_jumps_everything_follows_and_the_rise_is_what_it_was(mounted):
    wrong, well = pair(mounted, Fault("ambient_jumps", AT_S, AT_S + 60.0, size=3.0), until_s=3 * 3600.0)
    assert rise_of(wrong, well, "ambient") == pytest.approx(3.0)
    # Warmer coolant is thinner, warmer air lighter, a warmer load takes more: not exactly 3 K.
    assert rise_of(wrong, well, "die") == pytest.approx(3.0, abs=0.15)


# ---- sensors


@pytest.mark.parametrize("source", ["die", "ambient", "level", "fan_speed", "pump_speed", "throttled"])
def test_a_silent_sensor_answers_nothing_and_then_again(mounted, source):
    rig = mounted("brook 2x120", planned=[Fault("sensor_silent", 60.0, 120.0, source=source)])
    rig.advance_to(59.0, 100.0)
    assert rig.shown[source]() is not None
    rig.advance_to(61.0, 100.0)
    assert rig.shown[source]() is None
    rig.advance_to(121.0, 100.0)
    assert rig.shown[source]() is not None


def test_a_stuck_sensor_shows_its_last_reading_to_the_last_digit(mounted):
    rig = mounted("brook 2x120", planned=[Fault("sensor_stuck", 60.0, source="die")])
    rig.advance_to(60.0, 200.0)
    last = rig.shown["die"]()
    shown = set()
    for second in range(62, 120):
        rig.advance_to(float(second), 200.0)
        shown.add(rig.shown["die"]())
    assert shown == {last}
    assert true(rig, "die") > last + 1.5


def test_a_sensor_that_talks_nonsense_gives_wild_values_and_what_is_no_number(mounted):
    rig = mounted("brook 2x120", planned=[Fault("sensor_nonsense", 60.0, 200.0, source="coolant")])
    rig.advance_to(61.0, 100.0)
    said = [rig.shown["coolant"]() for _ in range(100)]
    assert 10 < sum(math.isnan(one) for one in said) < 60
    assert len({one for one in said if not math.isnan(one)}) > 30
    rig.advance_to(201.0, 100.0)
    assert rig.shown["coolant"]() == pytest.approx(true(rig, "coolant"), abs=0.5)


def test_a_fault_of_one_sensor_leaves_the_others_and_the_truth_alone(mounted):
    wrong, well = pair(mounted, Fault("sensor_nonsense", 0.0, source="die"), until_s=300.0)
    assert {name: read() for name, read in wrong.true.items()} == {name: read() for name, read in well.true.items()}
    assert wrong.shown["coolant"]() == well.shown["coolant"]()


def test_the_meter_is_silent_when_its_battery_is_dead_and_measures_with_a_new_one(mounted):
    rig = mounted("brook 2x120", 100.0, planned=[Fault("meter_battery_dies", 60.0, 300.0)])
    rig.advance_to(61.0, 0.0)
    assert rig.shown["level"]() is None
    rig.advance_to(301.0, 0.0)
    assert rig.shown["level"]() == pytest.approx(46.8, abs=2.0)


def test_a_fault_of_what_is_not_mounted_is_none(mounted):
    kinds = [Fault("pump_stalls", 10.0, 20.0), Fault("tube_kinks", 10.0, 20.0), Fault("air_lock", 10.0, 20.0)]
    planned = [*kinds, Fault("sensor_silent", 10.0, 20.0, source="coolant")]
    wrong, well = pair(mounted, *planned, specimen="slate tower", until_s=60.0)
    assert true(wrong, "die") == true(well, "die")


# ---- what faults there are


def test_faults_begin_on_the_second_whatever_the_ticks(mounted):
    fine, coarse = (mounted("brook 2x120", planned=[Fault("pump_stalls", 100.4, 130.2)]) for _ in range(2))
    for tick in range(1, 601):
        fine.advance_to(tick * 0.3, 200.0)
    coarse.advance_to(180.0, 200.0)
    assert true(fine, "die") == pytest.approx(true(coarse, "die"), abs=1e-9)


@pytest.mark.parametrize("kind", get_args(FaultKind))
@pytest.mark.parametrize("specimen", ["brook 2x140", "slate tower"])
def test_every_fault_begins_and_ends_on_every_specimen(mounted, kind, specimen):
    source = "die" if kind.startswith("sensor_") else None
    rig = mounted(specimen, planned=[Fault(kind, 5.0, 20.0, source=source)])
    for second in range(1, 60):
        rig.advance_to(float(second), 100.0)
        assert all(math.isfinite(read()) for read in rig.true.values())
    balance = rig.energy
    assert balance.in_j == pytest.approx(balance.stored_j + balance.cooler_j + balance.side_j, rel=1e-9)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"kind": "gremlins", "at_s": 0.0}, "no such fault"),
        ({"kind": "sensor_stuck", "at_s": 0.0}, "source goes with"),
        ({"kind": "leak", "at_s": 0.0, "source": "leak"}, "source goes with"),
        ({"kind": "sensor_stuck", "at_s": 0.0, "source": "tooth"}, "no sensor shows"),
        ({"kind": "leak", "at_s": -1.0}, "begins at 0 s"),
        ({"kind": "leak", "at_s": 5.0, "until_s": 5.0}, "ends after"),
        ({"kind": "tube_kinks", "at_s": 0.0, "size": 1.5}, "must be 0 to 1"),
        ({"kind": "pump_stalls", "at_s": 0.0, "size": math.nan}, "must be 0 to 1"),
        ({"kind": "smoulders", "at_s": 0.0, "size": 1.0}, "has no size"),
        ({"kind": "leak", "at_s": 0.0, "size": -1.0}, "must be 0 to"),
    ],
)
def test_impossible_faults_are_refused(wrong, says):
    with pytest.raises(ValueError, match=says):
        Fault(**wrong)


def test_the_usual_sizes_are_possible():
    for kind, size in USUAL.items():
        source = "die" if kind.startswith("sensor_") else None
        assert Fault(kind, 0.0, size=size, source=source).size == size
