"""The step `mount_check`: against a die with one time constant, and against the simulated benches."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from benchd.bench_file import load_bench
from benchd.instruments import ChannelSpec, RunAbout, SampleFlag
from benchd.named_files import find_bench
from benchd.protocol_file import MountCheck
from benchd.running.bench import OpenBench
from benchd.running.found import Found
from benchd.running.sampler import Sampler
from benchd.running.sensors import Sensors
from benchd.running.setter import Setter
from benchd.running.states import Ending
from benchd.running.steps.base import Finding, Step, Tick, Wants
from benchd.running.steps.mount import NO_SINK, mount_check
from sim.benches import load_benches
from sim.plant import Plant

SPEC = MountCheck(kind="mount_check")
DIE = {"die_c": ChannelSpec(uncertainty=0.5, resolution=0.1), "heat_w": ChannelSpec(uncertainty=0.5)}
LIQUID = Found((), {**DIE, "coolant_c": ChannelSpec(uncertainty=0.2, resolution=0.01)})
AIR = Found((), {**DIE, "fin_c": ChannelSpec(uncertainty=0.2, resolution=0.01)})


class Mounted:
    """A die that is k_per_w [K/W] over a sink, with one time constant; the sink drifts by sink_k_per_s [K/s]."""

    def __init__(self, sink: str, k_per_w: float = 0.15, tau_s: float = 15.0, sink_k_per_s: float = 0.01) -> None:
        self.sink, self.k_per_w, self.tau_s, self.sink_k_per_s = sink, k_per_w, tau_s, sink_k_per_s
        self.over_k = 0.0
        self.lost: set[str] = set()

    def __call__(self, t_s: float, wants: Wants) -> dict[str, float]:
        self.over_k += (wants.heat_w * self.k_per_w - self.over_k) * (1 - math.exp(-1 / self.tau_s))
        wobble = 0.05 if t_s % 2 else -0.05
        sink_c = 23 + self.sink_k_per_s * t_s
        values = {"die_c": sink_c + self.over_k + wobble, self.sink: sink_c, "heat_w": wants.heat_w + wobble}
        return {name: value for name, value in values.items() if name not in self.lost}


def test_five_minutes_at_60_w_with_fans_and_pump_full_unless_asked_otherwise(played) -> None:
    checked = played(mount_check(SPEC, LIQUID), Mounted("coolant_c"))
    assert {(w.heat_w, w.fan_pct, w.pump_pct) for w in checked.wants} == {(60, 100, 100)}
    assert (checked.seconds, checked.outcome.ending) == (300, Ending.DONE)
    other = MountCheck(kind="mount_check", heat_w=80, for_min=4, fan_pct=50, pump_pct=60)
    checked = played(mount_check(other, LIQUID), Mounted("coolant_c"))
    assert {(w.heat_w, w.fan_pct, w.pump_pct) for w in checked.wants} == {(80, 50, 60)}
    assert checked.seconds == 240


@pytest.mark.parametrize(("sink", "found", "word"), [("coolant_c", LIQUID, "coolant"), ("fin_c", AIR, "fins")])
def test_it_finds_the_resistance_to_the_coolant_or_to_the_fins(played, sink, found, word) -> None:
    checked = played(mount_check(SPEC, found), Mounted(sink, sink_k_per_s=0.0))
    (finding,) = checked.outcome.findings
    assert (finding.name, finding.unit) == ("mount_k_per_w", "K/W")
    assert finding.value == pytest.approx(0.15, abs=1e-4)
    # 0.5 and 0.2 K of the sensors over 60 W, and 0.5 of the 60 W; as squares.
    assert finding.u == pytest.approx(math.hypot(0.5 / 60, 0.2 / 60, 0.15 * 0.5 / 60), rel=0.05)
    assert finding.detail == {"sink": sink, "heat_w": 60, "fan_pct": 100, "pump_pct": 100, "missing": 0.0}
    assert checked.outcome.reason == f"die to {word} {finding.value:.4f} ±{finding.u:.4f} K/W"


@pytest.mark.parametrize("coarse", ["die_c", "coolant_c"])
def test_a_coarse_display_counts(played, coarse) -> None:
    """A step of 1 K leaves 0.29 K as standard uncertainty (JCGM 100:2008 F.2.2.1)."""
    channels = {name: ChannelSpec(resolution=float(name == coarse)) for name in ("die_c", "coolant_c", "heat_w")}
    (finding,) = played(mount_check(SPEC, Found((), channels)), Mounted("coolant_c", sink_k_per_s=0.0)).outcome.findings
    assert finding.u == pytest.approx(1.96 / math.sqrt(12) / 60, rel=0.02)


def test_only_the_last_minute_is_read(played) -> None:
    mounted = Mounted("coolant_c")

    def seated(t_s: float, wants: Wants) -> dict[str, float]:
        mounted.k_per_w = 0.3 if t_s < 150 else 0.15
        return mounted(t_s, wants)

    assert played(mount_check(SPEC, LIQUID), seated).value("mount_k_per_w") == pytest.approx(0.15, abs=2e-3)


def test_what_still_changes_is_in_the_uncertainty(played) -> None:
    slow = Mounted("coolant_c", tau_s=150.0)
    (finding,) = played(mount_check(SPEC, LIQUID), slow).outcome.findings
    assert finding.value < 0.15 - 0.012
    assert finding.value + finding.u > 0.15


@pytest.mark.parametrize("lost", ["die_c", "coolant_c", "heat_w"])
def test_without_one_of_its_channels_it_fails_and_says_which(played, lost) -> None:
    mounted = Mounted("coolant_c")
    mounted.lost = {lost}
    outcome = played(mount_check(SPEC, LIQUID), mounted).outcome
    assert (outcome.ending, outcome.findings) == (Ending.FAILED, ())
    assert {"heat_w": "no watts"}.get(lost, lost) in outcome.reason


def test_a_bench_that_measures_neither_coolant_nor_fins_fails_with_a_hint_before_any_heat() -> None:
    with pytest.raises(StopIteration) as stop:
        next(mount_check(SPEC, Found((), {**DIE, "ambient_c": ChannelSpec()})))
    assert stop.value.value.ending is Ending.FAILED
    assert stop.value.value.reason == NO_SINK
    assert "coolant_c or fin_c" in NO_SINK
    assert "bench file" in NO_SINK


def test_a_specimen_that_passes_the_limit_with_so_little_heat_fails(played) -> None:
    outcome = played(mount_check(SPEC, replace(LIQUID, over_limit_c=60.0)), Mounted("coolant_c", k_per_w=0.8)).outcome
    assert outcome.ending is Ending.FAILED
    assert outcome.reason.endswith("limit 60 degC, at 60 W only: seat the specimen again")


# --- against the simulated benches

CASES = [
    (bench, specimen, mount, run_in_h, fan_pct)
    for bench in ("simulated", "simulated_processor")
    for specimen, mount, run_in_h, fan_pct in (
        ("brook 2x140", 1, 8.0, 100.0),
        ("brook 2x140", 2, 0.0, 100.0),
        ("brook 3x120", 3, 8.0, 40.0),
        ("brook 1x120", 4, 0.0, 40.0),
        ("brook 2x120", 5, 8.0, 60.0),
    )
]


@pytest.mark.parametrize(("bench", "specimen", "mount", "run_in_h", "fan_pct"), CASES)
def test_its_uncertainty_covers_the_true_end_whatever_the_mount(
    played, bench, specimen, mount, run_in_h, fan_pct
) -> None:
    """Fresh paste and settled paste, several mounts and nights, the slowest specimen with little air among them."""
    finding = checked_on(played, bench, specimen, mount, run_in_h, fan_pct)
    true = true_end(bench, specimen, mount, run_in_h, fan_pct)
    assert abs(finding.value - true) < finding.u
    assert finding.u < {"simulated": 0.012, "simulated_processor": 0.025}[bench]


def test_without_errors_of_sensors_it_is_within_one_per_cent_of_the_true_end(played) -> None:
    """The slowest specimen with little air: the coolant still drifts by 0.7 K/min after the 5 minutes."""
    plant = fresh("simulated", "brook 1x120", 1, 0.0)

    def true(t_s: float, wants: Wants) -> dict[str, float]:
        plant.set(heat_w=wants.heat_w, fan_pct=wants.fan_pct, pump_pct=wants.pump_pct)
        plant.advance(t_s)
        return {"die_c": plant.true("die"), "coolant_c": plant.true("coolant"), "heat_w": plant.true("heat")}

    spec = MountCheck(kind="mount_check", fan_pct=40)
    found = Found((), {name: ChannelSpec() for name in ("die_c", "coolant_c", "heat_w")})
    (finding,) = played(mount_check(spec, found), true).outcome.findings
    end = true_end("simulated", "brook 1x120", 1, 0.0, 40.0)
    assert end * 0.99 < finding.value < end
    assert finding.value + finding.u > end


def checked_on(played, bench: str, specimen: str, mount: int, run_in_h: float, fan_pct: float) -> Finding:
    """What a check finds on a shipped bench, with its sensors and their errors; night and mount have one number."""
    file = find_bench(bench)
    text = file.text.replace('driver = "simulated"', f'driver = "simulated"\nrun_in_h = {run_in_h}', 1)
    with OpenBench(load_bench(text, file.file).bench, "liquid") as opened:
        opened.begin(RunAbout(specimen, "liquid", mount, mount))
        setter, sampler = Setter(opened), Sampler(opened)

        def model(t_s: float, wants: Wants) -> dict[str, float]:
            setter.command(wants)
            samples = sampler.take(t_s)
            return {name: value for name, value, flag in samples if value is not None and flag is SampleFlag.OK}

        step = mount_check(MountCheck(kind="mount_check", fan_pct=fan_pct), Found((), opened.channels))
        (finding,) = played(step, model).outcome.findings
    return finding


def true_end(bench: str, specimen: str, mount: int, run_in_h: float, fan_pct: float) -> float:
    """From the die to the coolant after two hours of the same, which no bench can know [K/W]."""
    plant = fresh(bench, specimen, mount, run_in_h)
    plant.set(heat_w=60.0, fan_pct=fan_pct, pump_pct=100.0)
    plant.advance(0.0)
    plant.advance(7200.0)
    return (plant.true("die") - plant.true("coolant")) / plant.true("heat")


def fresh(bench: str, specimen: str, mount: int, run_in_h: float) -> Plant:
    named = {"simulated": "heater", "simulated_processor": "processor"}[bench]
    plant = Plant(replace(load_benches()[named], run_in_h=run_in_h))
    plant.mount(specimen, mount, mount)
    return plant


def test_a_sensor_that_hangs_fails_it(played) -> None:
    bench, found = Mounted("coolant_c"), LIQUID

    def watched(step: Step) -> Step:
        """As the engine plays it."""
        sensors, wants = Sensors(found.channels), next(step)
        while True:
            tick = yield wants
            hanging = sensors.take(tick.t_s, tick.values, wants)
            try:
                wants = step.send(Tick(tick.t_s, tick.values, hanging=hanging))
            except StopIteration as stop:
                return stop.value

    def hung(t_s: float, wants: Wants) -> dict[str, float]:
        return {**bench(t_s, wants), "die_c": 30.0}

    outcome = played(watched(mount_check(SPEC, found)), hung).outcome
    assert outcome.ending is Ending.FAILED
    assert outcome.reason.startswith("die_c shows 30.00 degC for 5 min although ")
