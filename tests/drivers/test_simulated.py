"""The driver of the simulated bench, and the bench file that is shipped with it."""

import time
from contextlib import ExitStack, contextmanager
from importlib.resources import files

import pytest
from pydantic import ValidationError

from benchd.bench_file import parse_bench
from benchd.errors import FileProblems, InstrumentError, LinkLost, SettingRefused
from benchd.instruments import RunAbout, SampleFlag, Setup, find_driver
from benchd.running.bench import OpenBench
from benchd.running.sampler import Sampler
from drivers.simulated import SimulatedSpec
from sim.benches import load_benches
from sim.sensors import KINDS
from sim.specimens import load_specimens

BROOK = RunAbout("brook 2x140", "liquid", 1)
TOWER = RunAbout("slate tower", "air", 1)


def shipped():
    return parse_bench((files("benchd") / "benches" / "simulated.toml").read_text(encoding="utf-8"), "simulated.toml")


@contextmanager
def opened(bench=None):
    """All instruments of the shipped bench by name, opened."""
    shared = {}
    specs = (bench or shipped()).instruments
    instruments = {name: find_driver(spec.driver)(Setup(name, spec, shared)) for name, spec in specs.items()}
    with ExitStack() as closing:
        for instrument in instruments.values():
            closing.callback(instrument.close)
            instrument.open()
        yield instruments


def begin(instruments, about):
    for instrument in instruments.values():
        instrument.begin(about)


def read(instruments, t_s):
    return {name: value for one in instruments.values() for name, value in one.read(t_s).items()}


def night(instruments, about, seconds=20):
    begin(instruments, about)
    instruments["load"].write({"heat_w": 200.0})
    instruments["fans"].write({"fan_pct": 50.0})
    return [read(instruments, float(t_s)) for t_s in range(seconds)]


def test_the_shipped_bench_is_its_own_twin_and_mounts_what_there_is():
    bench = shipped()
    # All its instruments are simulated, so it is its own and need not say so.
    assert (bench.bench, bench.twin) == ("simulated", None)
    assert set(bench.specimens) <= set(load_specimens())
    assert {lock.channel for lock in bench.interlocks} >= {"die_c", "coolant_c", "heat_w"}


def test_the_shipped_bench_states_what_the_simulated_sensors_do():
    for name, (_, channel) in shipped().channels().items():
        kind = KINDS[channel.source]
        stated = (channel.resolution, channel.uncertainty, channel.uncertainty_pct)
        assert stated == (kind.resolution, kind.uncertainty, kind.uncertainty_pct), name


def test_safe_is_heat_off_and_full_speed():
    safe = {name: setpoint.safe for name, (_, setpoint) in shipped().setpoints().items()}
    assert safe == {"heat_w": 0, "fan_pct": 100, "pump_pct": 100}


@pytest.mark.parametrize("about", [BROOK, TOWER])
def test_every_channel_there_is_for_the_specimen_has_a_value_in_range(about):
    bench = shipped()
    with opened(bench) as instruments:
        taken = night(instruments, about)[-1]
    channels = bench.channels(about.cooling)
    assert taken.keys() == channels.keys()
    ranges = {name: spec.range or (0.0, float("inf")) for name, (_, spec) in channels.items()}
    assert all(low <= taken[name] <= high for name, (low, high) in ranges.items())


def test_the_instruments_of_one_bench_share_one_plant():
    with opened() as instruments:
        begin(instruments, BROOK)
        cold = read(instruments, 0.0)
        instruments["load"].write({"heat_w": 250.0})
        instruments["fans"].write({"fan_pct": 40.0, "pump_pct": 50.0})
        hot = read(instruments, 600.0)
    assert hot["die_c"] - cold["die_c"] > 40
    assert hot["heat_w"] == pytest.approx(250, rel=0.01)
    # The fans' speed lies by up to 1 % of full speed above the duty: 2000 x (0.4 + 0.01 x 0.96).
    assert hot["fan_rpm"] == pytest.approx(819, abs=15)
    assert hot["pump_rpm"] == pytest.approx(1500, abs=20)


def test_two_benches_do_not_share_anything():
    with opened() as one, opened() as other:
        begin(one, BROOK)
        with pytest.raises(InstrumentError, match="nothing is mounted"):
            read(other, 0.0)


def test_a_new_run_starts_from_nothing_and_is_the_same_again():
    with opened() as instruments:
        first = night(instruments, BROOK)
        night(instruments, TOWER)
        again = night(instruments, BROOK)
    assert first == again


def test_a_repeated_run_without_another_between_is_the_same_again():
    with opened() as instruments:
        assert night(instruments, BROOK) == night(instruments, BROOK)


def test_bench_time_starts_at_the_first_reading_after_begin():
    with opened() as instruments:
        night(instruments, BROOK, seconds=100)
        begin(instruments, BROOK)
        assert read(instruments, 3.0)["heat_w"] < 1


def test_another_seed_is_another_night():
    with opened() as instruments:
        assert night(instruments, BROOK) != night(instruments, RunAbout("brook 2x140", "liquid", 2))


def test_a_reading_before_a_run_is_refused_plainly():
    with opened() as instruments, pytest.raises(InstrumentError, match="load: nothing is mounted"):
        instruments["load"].read(0.0)


def test_a_closed_instrument_neither_reads_nor_writes():
    with opened() as instruments:
        begin(instruments, BROOK)
        instruments["load"].close()
        with pytest.raises(LinkLost, match="load is not open"):
            instruments["load"].read(0.0)
        with pytest.raises(LinkLost):
            instruments["load"].write({"heat_w": 0.0})
        instruments["load"].open()
        assert instruments["load"].read(0.0)["heat_w"] < 1


def test_time_that_goes_back_is_refused():
    with opened() as instruments:
        night(instruments, BROOK)
        with pytest.raises(InstrumentError, match="went back"):
            instruments["load"].read(1.0)


@pytest.mark.parametrize("heat_w", [-1.0, 300.1, float("nan"), float("inf")])
def test_a_setpoint_outside_its_range_is_refused_and_changes_nothing(heat_w):
    with opened() as instruments:
        night(instruments, BROOK)
        with pytest.raises(SettingRefused, match="is outside its range 0 to 300"):
            instruments["load"].write({"heat_w": heat_w})
        assert read(instruments, 30.0)["heat_w"] == pytest.approx(200, rel=0.01)


def test_an_unknown_setpoint_is_refused():
    with opened() as instruments, pytest.raises(SettingRefused, match="meter: there is no setpoint 'heat_w'"):
        instruments["meter"].write({"heat_w": 0.0})


@pytest.mark.parametrize("about", [BROOK, TOWER])
def test_safe_state_can_be_commanded_before_and_during_a_run_whatever_is_mounted(about):
    with opened() as instruments:
        instruments["load"].make_safe({"heat_w": 0.0})
        night(instruments, about)
        instruments["load"].make_safe({"heat_w": 0.0})
        instruments["fans"].make_safe({"fan_pct": 100.0, "pump_pct": 100.0})
        safe = read(instruments, 60.0)
    assert safe["heat_w"] < 1
    assert safe["fan_rpm"] == pytest.approx(load_specimens()[about.specimen].fans.drive.rated_rpm, abs=20)


def test_an_unknown_specimen_is_refused_with_the_list_of_those_there_are():
    with opened() as instruments, pytest.raises(InstrumentError, match="brook 2x120, brook 3x120") as refused:
        instruments["load"].begin(RunAbout("brook 9x999", "liquid", 1))
    assert "brook 9x999" in refused.value.message


def test_it_says_that_it_is_simulated():
    with opened() as instruments:
        assert instruments["meter"].identify() == "simulated: nothing mounted"
        begin(instruments, BROOK)
        assert instruments["meter"].identify() == "simulated: brook 2x140"
        assert dict(instruments["meter"].specimens()) == {
            "brook 1x120": "liquid",
            "brook 2x120": "liquid",
            "brook 3x120": "liquid",
            "brook 2x140": "liquid",
            "slate tower": "air",
            "slate low": "air",
        }


@pytest.mark.parametrize(
    "wrong",
    [
        {"channels": {"die_c": {"source": "tooth"}}},
        {"channels": {"die_w": {"source": "die"}}},
        {"channels": {"die_c": {}}},
        {"setpoints": {"heat_w": {"target": "lamp", "range": [0, 1], "safe": 0}}},
        {"faults": [{"kind": "gremlins", "at_s": 1.0}]},
        {"faults": [{"kind": "leak"}]},
        {"faults": [{"kind": "leak", "at_s": 1.0, "colour": "red"}]},
        {"faults": [{"kind": "sensor_stuck", "at_s": 1.0}]},
        {"faults": [{"kind": "tube_kinks", "at_s": 1.0, "size": 2.0}]},
        {"faults": {"kind": "leak", "at_s": 1.0}},
    ],
)
def test_a_wrong_table_is_refused(wrong):
    with pytest.raises(ValidationError):
        SimulatedSpec.model_validate({"driver": "simulated", **wrong})


BAD_NIGHT = {
    "thermometer": """faults = [
        { kind = "sensor_silent", at_s = 10.0, until_s = 20.0, source = "die" },
        { kind = "sensor_nonsense", at_s = 30, source = "ambient" },
    ]""",
    "fans": """faults = [{ kind = "pump_stalls", at_s = 60.0, until_s = 70.0 }]""",
    "meter": """faults = [{ kind = "meter_battery_dies", at_s = 40.0 }]""",
}


def with_faults(faults):
    """The shipped bench, and what goes wrong by instrument."""
    text = (files("benchd") / "benches" / "simulated.toml").read_text(encoding="utf-8")
    for name, keys in faults.items():
        head = f"[instruments.{name}]\n"
        assert head in text
        text = text.replace(head, f"{head}{keys}\n")
    return parse_bench(text, "bad_night.toml")


def test_a_bench_file_can_ask_for_a_bad_night_and_the_sampler_flags_it():
    flags = {}
    with OpenBench(with_faults(BAD_NIGHT), "liquid") as bench:
        bench.begin(BROOK)
        bench.write({"heat_w": 200.0})
        sampler = Sampler(bench)
        for t_s in range(90):
            for sample in sampler.take(float(t_s)):
                flags.setdefault(sample.channel, []).append(sample)
    assert [one.flag for one in flags["die_c"][11:20]] == [SampleFlag.MISSING] * 9
    assert flags["die_c"][9].flag == flags["die_c"][25].flag == SampleFlag.OK
    nonsense = {one.flag for one in flags["ambient_c"][31:]}
    assert {SampleFlag.GARBLED, SampleFlag.OUT_OF_RANGE} <= nonsense
    assert all(one.value is None for one in flags["ambient_c"] if one.flag is SampleFlag.GARBLED)
    assert {one.flag for one in flags["level_dba"][41:]} == {SampleFlag.MISSING}
    assert {one.flag for one in flags["heat_w"]} == {SampleFlag.OK}
    assert flags["pump_rpm"][66].value == 0.0
    assert flags["pump_rpm"][89].value > 2500.0


def test_the_same_things_go_wrong_in_every_run():
    with opened(with_faults(BAD_NIGHT)) as instruments:
        first = night(instruments, BROOK, seconds=70)
        assert night(instruments, BROOK, seconds=70) == first
    assert first[15]["die_c"] is SampleFlag.MISSING


def test_a_bad_night_of_liquid_coolers_does_no_harm_to_a_heat_sink():
    with opened(with_faults(BAD_NIGHT)) as instruments:
        assert night(instruments, TOWER, seconds=70)[65]["fan_rpm"] > 0


# ---- which bench it is


def changed(*instruments, **keys):
    """The shipped bench with keys at its first instruments."""
    lines = "\n".join(f"{key} = {value}" for key, value in keys.items())
    return with_faults(dict.fromkeys(instruments or ("load",), lines))


def warm_c(bench, about=BROOK):
    with opened(bench) as instruments:
        return night(instruments, about, seconds=200)[-1]["die_c"]


def test_a_bench_file_chooses_bench_copy_and_state_of_the_mount():
    usual_c = warm_c(shipped())
    assert warm_c(changed(bench='"heater"', copy_number=1, run_in_h=8)) == usual_c
    with opened() as one, opened(changed(copy_number=17)) as other:
        assert night(one, BROOK)[-1]["supply_v"] != night(other, BROOK)[-1]["supply_v"]
    assert warm_c(changed(run_in_h=0)) > usual_c + 1.5
    assert float(warm_c(changed(bench='"processor"'))).is_integer()
    with opened(changed("watch", bench='"heater high"')) as instruments:
        begin(instruments, BROOK)
        assert 820 < read(instruments, 0.0)["pressure_hpa"] < 870


def test_another_mount_is_another_paste():
    dies_c = {warm_c(shipped(), RunAbout("brook 2x140", "liquid", 1, mount)) for mount in range(1, 5)}
    assert max(dies_c) - min(dies_c) > 0.3


def test_two_instruments_may_say_the_same_of_the_bench_but_not_different_things():
    with opened(changed("load", "watch", copy_number=4)):
        pass
    different = with_faults({"load": "copy_number = 4", "watch": "copy_number = 5"})
    with pytest.raises(InstrumentError, match="copy_number is 5, but another instrument of the bench says 4"):
        OpenBench(different)


@pytest.mark.parametrize("wrong", ["bench = 'attic'", "copy_number = -1", "run_in_h = -0.1", "run_in_h = nan"])
def test_a_bench_that_there_is_not_is_refused_by_the_file(wrong):
    with pytest.raises(FileProblems):
        with_faults({"load": wrong})


def test_the_shipped_processor_states_what_its_sensors_do():
    text = (files("benchd") / "benches" / "simulated_processor.toml").read_text(encoding="utf-8")
    for name, (_, channel) in parse_bench(text, "simulated_processor.toml").channels().items():
        kind = load_benches()["processor"].sensors[channel.source]
        stated = (channel.resolution, channel.uncertainty, channel.uncertainty_pct)
        assert stated == (kind.resolution, kind.uncertainty, kind.uncertainty_pct), name


def test_a_tick_is_cheap():
    # A night is some 80 000 ticks and is to be played in seconds; a tick takes about 10 us on an idle machine.
    with opened() as instruments:
        night(instruments, BROOK)
        started_s = time.process_time()
        for t_s in range(100, 2100):
            read(instruments, float(t_s))
        assert time.process_time() - started_s < 2000 * 200e-6
