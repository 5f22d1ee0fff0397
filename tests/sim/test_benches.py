"""The simulated benches: what they share, what copies and mounts differ in, what altitude and a processor change."""

import statistics
from dataclasses import replace

import pytest

from sim.bench_tables import USUAL
from sim.benches import load_benches
from sim.rig import Rig
from sim.room import standard_pressure_hpa
from sim.specimens import load_specimens

BENCHES = load_benches()
SPECIMENS = load_specimens()


@pytest.mark.parametrize("name", BENCHES)
def test_each_says_what_it_is_and_takes_every_specimen(name):
    bench = BENCHES[name]
    assert bench.name == name
    assert bench.about
    for specimen in SPECIMENS.values():
        rig = Rig(specimen, 1, bench)
        rig.advance_to(60.0, 50.0)
        assert all(read() is not None for read in rig.shown.values())


def test_copies_are_told_apart_by_their_numbers():
    assert len({bench.copy_number for bench in BENCHES.values()}) == len(BENCHES)
    assert USUAL in BENCHES


def test_they_are_loaded_once_and_cannot_be_changed():
    assert load_benches() is BENCHES
    with pytest.raises(TypeError):
        BENCHES["attic"] = BENCHES[USUAL]
    with pytest.raises(TypeError):
        BENCHES[USUAL].sensors["die"] = None


def read_mean(rig, source, count=200):
    return statistics.fmean(rig.shown[source]() for _ in range(count))


@pytest.mark.parametrize("source", ["ambient", "heat", "level"])
def test_another_copy_errs_otherwise_and_keeps_its_error_for_all_nights(mounted, source):
    def error(copy_number, seed, mount=1):
        rig = mounted("brook 2x120", seed=seed, mount=mount, changed={"copy_number": copy_number})
        rig.advance_to(600.0, 200.0)
        true = rig.meter.level_dba if source == "level" else rig.true[source]()
        return read_mean(rig, source) - true

    # Noise of a mean of 200, and of the display's steps, is far below what copies differ by.
    same = [error(5, seed=seed, mount=mount) for seed, mount in ((1, 1), (2, 1), (3, 2))]
    assert max(same) - min(same) < 0.06
    others = [error(copy_number, seed=1) for copy_number in range(6, 12)]
    assert statistics.stdev(others) > 0.05


def test_the_mount_changes_the_paste_and_nothing_else(mounted):
    one, other = (mounted("brook 2x140", mount=mount) for mount in (1, 2))
    for rig in (one, other):
        rig.advance_to(1800.0, 200.0)
    assert abs(one.true["die"]() - other.true["die"]()) > 0.05
    assert one.true["coolant"]() == pytest.approx(other.true["coolant"](), abs=0.01)
    assert one.true["ambient"]() == pytest.approx(other.true["ambient"](), abs=0.001)
    assert [one.shown["level"]() for _ in range(9)] == [other.shown["level"]() for _ in range(9)]


def test_pastes_of_mounts_scatter_as_stated():
    bench = BENCHES[USUAL]
    mean = bench.path.paste.k_per_w
    off_pct = [100 * (bench.paste_of("brook 2x140", mount).k_per_w / mean - 1) for mount in range(1, 200)]
    assert max(map(abs, off_pct)) <= bench.paste_varies_pct + 1e-9
    assert statistics.stdev(off_pct) == pytest.approx(bench.paste_varies_pct / 2, rel=0.2)
    assert bench.paste_of("brook 2x120", 1) != bench.paste_of("brook 2x140", 1)


def test_a_fresh_mount_is_hotter_louder_at_the_pump_and_gets_better_over_hours(mounted):
    fresh, run_in = (mounted("brook 2x120", 20.0, 60.0, changed={"run_in_h": hours}) for hours in (0.0, 8.0))
    for rig in (fresh, run_in):
        rig.advance_to(1800.0, 150.0)
    assert fresh.true["die"]() - run_in.true["die"]() > 1.0
    assert 0.1 < fresh.true["level"]() - run_in.true["level"]() < 2.0
    gap_k = fresh.true["die"]() - run_in.true["die"]()
    for rig in (fresh, run_in):
        rig.advance_to(1800.0 + 4 * 3600.0, 150.0)
    assert fresh.true["die"]() - run_in.true["die"]() < 0.5 * gap_k


def test_high_up_the_air_is_thinner_and_everything_is_hotter(mounted):
    # U.S. Standard Atmosphere, 1976, table I: 845.6 hPa at 1500 m, from memory.
    assert standard_pressure_hpa(1500.0) == pytest.approx(845.6, abs=0.1)
    room = BENCHES["heater high"].room
    low, high = (mounted("brook 2x120", room=replace(room, altitude_m=metres)) for metres in (0.0, 1500.0))
    for rig in (low, high):
        rig.advance_to(3600.0, 200.0)
    assert low.true["pressure"]() - high.true["pressure"]() == pytest.approx(167.0, abs=2.0)
    rises_k = [rig.true["coolant"]() - rig.true["ambient"]() for rig in (low, high)]
    # 16 % less mass flow at the same volume flow; at most that much more rise of the air, and the loop has more to it.
    assert 1.02 < rises_k[1] / rises_k[0] < 1.16


# ---- a processor as its own load


def test_a_processor_that_is_told_nothing_still_draws_its_idle_watts_and_warms(mounted):
    rig = mounted("brook 2x120", bench="processor")
    rig.advance_to(1800.0, 0.0)
    assert rig.true["heat"]() == pytest.approx(9.0, rel=0.1)
    assert 0.5 < rig.true["die"]() - rig.true["ambient"]() < 4.0
    assert rig.true["supply_voltage"]() == 12.0


def test_a_throttling_processor_shows_a_flat_temperature_fewer_watts_and_counts(mounted):
    rig = mounted("brook 1x120", 30.0, bench="processor")
    rig.advance_to(1200.0, 300.0)
    shown = []
    for _ in range(600):
        rig.advance_to(rig.t_s + 1.0, 300.0)
        shown.append(rig.shown["die"]())
    limit_c = BENCHES["processor"].load.limit_c
    assert rig.true["die"]() == pytest.approx(limit_c, abs=0.2)
    # Flat but for the noise of a sensor of 1 K: an equilibrium that is none.
    assert max(shown) - min(shown) <= 2.0
    assert all(value.is_integer() for value in shown)
    assert rig.true["heat"]() < 270.0
    assert rig.shown["clock"]() < 97.0
    assert rig.shown["throttled"]() >= 600.0


def test_below_its_limit_a_processor_counts_nothing(mounted):
    rig = mounted("brook 2x140", bench="processor")
    rig.advance_to(1800.0, 150.0)
    assert rig.shown["throttled"]() == 0.0
    assert rig.shown["clock"]() == 100.0


def test_leakage_makes_a_hotter_processor_draw_more(mounted):
    cool, hot = (mounted("brook 2x140", fan_pct, bench="processor") for fan_pct in (100.0, 30.0))
    for rig in (cool, hot):
        rig.advance_to(2400.0, 150.0)
    warmer_k = hot.true["die"]() - cool.true["die"]()
    assert warmer_k > 5.0
    assert hot.true["heat"]() / cool.true["heat"]() - 1 == pytest.approx(0.002 * warmer_k, rel=0.1)
