"""Nights on which everything goes wrong: the simulator goes on, its books close, and the load cuts itself out."""

import math

import pytest

from sim.faults import Fault
from sim.specimens import load_specimens

SPECIMENS = list(load_specimens())
NIGHT_S = 6 * 3600.0
AT_S = 1800.0

STALLED = [Fault("fans_stall", AT_S, 4 * 3600.0, size=3.0), Fault("pump_stalls", AT_S, 4 * 3600.0)]
STUCK = [Fault("sensor_stuck", AT_S, source="die"), Fault("fans_stall", AT_S, size=3.0)]
DRY = [Fault("leak", AT_S, size=30.0), Fault("tube_kinks", AT_S + 60.0), Fault("air_lock", AT_S + 90.0, AT_S + 5000.0)]
WORST = [*STALLED, *DRY, Fault("paste_pumped_out", AT_S, size=20.0), Fault("ambient_jumps", AT_S, size=-25.0)]
NIGHTS = {"stalled": STALLED, "stuck": STUCK, "dry": DRY, "worst": WORST}


@pytest.mark.parametrize(("bench", "night"), [*(("heater", night) for night in NIGHTS), ("processor", "worst")])
@pytest.mark.parametrize("specimen", SPECIMENS)
def test_the_worst_nights_end_with_sensible_figures_and_closed_books(mounted, specimen, night, bench):
    rig = mounted(specimen, planned=NIGHTS[night], bench=bench)
    hottest_c = 0.0
    while rig.t_s < NIGHT_S:
        rig.advance_to(rig.t_s + 60.0, 260.0)
        readings = [read() for read in rig.shown.values()]
        assert all(reading is None or math.isfinite(reading) for reading in readings)
        hottest_c = max(hottest_c, rig.true["die"]())
        balance = rig.energy
        given_off_j = balance.stored_j + balance.cooler_j + balance.side_j
        assert abs(balance.in_j - given_off_j) < 1e-7 * balance.in_j
    assert hottest_c < 240.0
    assert 0.0 <= rig.true["humidity"]() <= 100.0


def test_a_heater_that_nobody_stops_is_stopped_by_its_cut_out_for_good(mounted):
    rig = mounted("brook 2x120", planned=[Fault("pump_stalls", AT_S, AT_S + 1200.0)])
    rig.advance_to(AT_S + 1200.0, 260.0)
    assert rig.cooler.load.cut_out
    assert rig.true["heat"]() < 0.1
    rig.advance_to(AT_S + 4800.0, 260.0)
    assert rig.true["heat"]() < 0.1
    assert rig.true["die"]() < 30.0


def test_a_processor_throttles_long_before_its_own_cut_out(mounted):
    rig = mounted("brook 1x120", 20.0, bench="processor")
    rig.advance_to(7200.0, 300.0)
    assert not rig.cooler.load.cut_out
    assert rig.true["throttled"]() > 1000.0


def test_without_supply_a_processor_draws_nothing_and_the_bench_is_silent(mounted):
    rig = mounted("brook 2x120", bench="processor", planned=[Fault("supply_lost", AT_S, AT_S + 600.0)])
    rig.advance_to(AT_S + 300.0, 150.0)
    assert rig.true["heat"]() < 0.01
    # The room alone: 32.2 dBA, as everything with a fan stands still.
    assert rig.true["level"]() == pytest.approx(32.2, abs=0.05)
    rig.advance_to(AT_S + 900.0, 150.0)
    assert rig.true["heat"]() > 140.0


# ---- faults that meet


def test_faults_one_after_the_other_do_not_mend_each_other(mounted):
    rig = mounted("brook 2x120", planned=[Fault("pump_stalls", 10.0, 100.0), Fault("pump_stalls", 100.0, 200.0)])
    rig.advance_to(150.0, 50.0)
    assert rig.true["pump_speed"]() == 0.0
    rig.advance_to(260.0, 50.0)
    assert rig.true["pump_speed"]() > 1700.0


def test_what_is_mended_uncovers_what_is_still_wrong(mounted):
    first, second = Fault("fans_stall", 10.0, 200.0, size=2.0), Fault("fans_stall", 50.0, 100.0, size=1.0)
    rig = mounted("brook 3x120", planned=[first, second])
    turning = []
    for t_s in (20.5, 60.5, 110.5, 210.5):
        rig.advance_to(t_s, 50.0)
        turning.append(rig.turning)
    assert turning == [1, 2, 1, 3]


def test_a_sensor_that_is_mended_of_one_thing_still_has_the_other(mounted):
    stuck = Fault("sensor_stuck", 10.0, 100.0, source="die")
    silent = Fault("sensor_silent", 50.0, 200.0, source="die")
    rig = mounted("brook 2x120", planned=[stuck, silent])
    for t_s, answers in ((60.5, False), (150.5, False), (210.5, True)):
        rig.advance_to(t_s, 50.0)
        assert (rig.shown["die"]() is not None) == answers


@pytest.mark.parametrize("bench", ["heater", "processor"])
def test_a_load_that_is_mended_gives_everything_back(mounted, bench):
    mended = mounted("brook 1x120", bench=bench, planned=[Fault("load_throttles", 600.0, 3000.0, size=60.0)])
    well = mounted("brook 1x120", bench=bench)
    for rig in (mended, well):
        rig.advance_to(3000.0, 200.0)
    assert mended.true["heat"]() < well.true["heat"]() - 20.0
    for rig in (mended, well):
        rig.advance_to(6000.0, 200.0)
    assert mended.true["clock"]() == 100.0
    assert mended.true["heat"]() == pytest.approx(well.true["heat"](), abs=0.02)
    assert mended.cooler.load.limit_c == well.cooler.load.limit_c


def test_a_sensor_that_drops_out_comes_back_by_itself_and_is_well_when_mended(mounted):
    rig = mounted("brook 2x120", planned=[Fault("sensor_drops_out", 600.0, 4200.0, source="coolant")])
    gone = {"before": 0, "meanwhile": 0, "after": 0}
    for second in range(1, 5000):
        rig.advance_to(float(second), 100.0)
        when = "before" if second <= 600 else "meanwhile" if second <= 4200 else "after"
        gone[when] += rig.shown["coolant"]() is None
    # 60 an hour of 3 s on average.
    assert 90 < gone["meanwhile"] < 300
    assert gone["before"] == gone["after"] == 0


# ---- fans that stand still


def test_without_fans_a_bigger_radiator_still_loses_more(mounted):
    ends_k = {}
    for specimen in SPECIMENS:
        rig = mounted(specimen, planned=[Fault("fans_stall", 0.0, size=3.0)])
        rig.advance_to(3 * 3600.0, 15.0)
        metal = "radiator" if rig.pump is not None else "fins"
        ends_k[specimen] = rig.cooler.temperature_c(metal) - rig.cooler.temperature_c("case")
    assert ends_k["brook 1x120"] > 1.5 * ends_k["brook 2x120"] > 1.5 * 1.2 * ends_k["brook 3x120"]
    assert ends_k["slate low"] > 2.5 * ends_k["slate tower"]
    # 0.05 m2 at 10 to 13 W/(m2 K): common for free convection with radiation; common practice, no source.
    assert 15.0 < ends_k["brook 1x120"] < 30.0


def test_still_air_takes_more_than_in_proportion_when_it_is_hotter(mounted):
    rises_k = []
    for heat_w in (10.0, 20.0):
        rig = mounted("slate tower", planned=[Fault("fans_stall", 0.0)])
        rig.advance_to(6 * 3600.0, heat_w)
        rises_k.append(rig.cooler.temperature_c("fins") - rig.cooler.temperature_c("case"))
    assert 1.75 < rises_k[1] / rises_k[0] < 1.95
