"""How long the shipped overnight protocol takes with each ending, and how far its rises are from the truth.

Rehearsed on the simulator, where the truth can be had: each point of a night, its heat and speeds, stands for 90 min
in a room that does not move, and what the die then really is over that room, plus the calibration errors that the
bench's sensors have in all nights, is what the night should have found. The paste has run in before, so that it is
the same in all of them.
"""

from __future__ import annotations

import os
import tempfile
import tomllib
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import fmean
from typing import Any

import numpy as np

from benchd.bench_file import LoadedBench, load_bench
from benchd.named_files import find_bench, find_protocol
from benchd.protocol_file import LoadedProtocol, load_protocol
from benchd.running.rehearsal import Played, Rehearsal, known_specimens
from benchd.store import queries
from benchd.store.records import PointRecord
from benchd.store.writer import Writer
from benchd.toml_written import toml_of
from sim.bench_tables import USUAL
from sim.benches import Bench, load_benches
from sim.rig import Rig
from sim.sensors import Sensor, Source
from sim.specimens import load_specimens

PROTOCOL = "overnight"
BENCHES = ("simulated", "simulated_processor")
#: Hours of heat that the mount has had: its paste has settled.
RUN_IN_H = 1000.0
#: How long a point stands until it is at its end [s]: 13 time constants of the slowest part.
LONG_S = 90 * 60
#: Values at which a sensor is looked at for its calibration error, over whole steps of its display.
LOOKED_AT = 20_000

Step = dict[str, Any]


@dataclass(frozen=True)
class Way:
    """How the points of a night end, and how it cools down before them."""

    name: str
    equilibrium: Step
    cool_down: Step


FIXED = Way("fixed 25 + 25 min", {"for_min": 25}, {"cool_down": "fixed", "cool_for_min": 25})
SETTLED = Way("settled", {"until": "settled"}, {"cool_down": "none"})
PREDICTED = Way("predicted", {"until": "predicted"}, {"cool_down": "none"})
WAYS = (FIXED, SETTLED, PREDICTED)


@dataclass(frozen=True)
class Night:
    """One night, rehearsed."""

    bench: str
    specimen: str
    way: Way
    seed: int
    state: str
    total_s: float
    """From begin to end [s]."""
    soaking_s: float
    """Of this in the steps of the test points: cool-downs and soaks [s]."""
    points: int
    errors_k: tuple[float, ...]
    """Of the rises that it found [K]."""


def in_this_way(way: Way) -> LoadedProtocol:
    """The shipped protocol with this ending wherever it waits for an equilibrium."""
    found = find_protocol(PROTOCOL)
    data = tomllib.loads(found.text)
    for step in data["steps"]:
        if "equilibrium" in step:
            longest = {} if "for_min" in way.equilibrium else {"at_most_min": step["equilibrium"]["at_most_min"]}
            within = {} if "for_min" in way.equilibrium else {"within_k": step["equilibrium"]["within_k"]}
            step["equilibrium"] = {**way.equilibrium, **within, **longest}
        if step["kind"] == "soak":
            for key in ("cool_down", "cool_for_min", "to_within_k", "cool_at_most_min"):
                step.pop(key, None)
            step.update(way.cool_down)
    return load_protocol(toml_of(data), found.file)


def run_in(name: str) -> tuple[LoadedBench, Bench]:
    """A shipped bench with a mount that has run in; as benchd sees it, and as it is in a room that does not move."""
    found = find_bench(name)
    data = tomllib.loads(found.text)
    load = data["instruments"]["load"]
    load["run_in_h"] = RUN_IN_H
    bench = load_benches()[load.get("bench", USUAL)]
    calm = replace(bench.room, drift_k=0.0, ventilation_k=0.0, warming_k_per_w=0.0)
    return load_bench(toml_of(data), found.file), replace(bench, run_in_h=RUN_IN_H, room=calm)


class Truth:
    """What a night on a bench should find for a specimen."""

    def __init__(self, bench: Bench, specimen: str, seed: int) -> None:
        self._bench, self._specimen, self._seed = bench, specimen, seed
        self._offset_k = self._shown("die", 50.0) - self._shown("ambient", 23.0) - 27.0

    def rise_k(self, point: PointRecord) -> float:
        """The rise of a point at the watts that were measured there [K]."""
        if point.heat_w is None:
            raise ValueError("a point without heat has no rise")
        rig = Rig(load_specimens()[self._specimen], self._seed, self._bench)
        rig.fans.command(point.fan_pct or 0.0)
        if rig.pump is not None:
            rig.pump.command(point.pump_pct or 0.0)
        for t_s in range(1, LONG_S + 1):
            rig.advance_to(float(t_s), point.heat_set_w)
        rise_k = rig.true["die"]() - rig.true["ambient"]()
        return (rise_k + self._offset_k) * point.heat_w / self._shown("heat", rig.true["heat"]())

    def _shown(self, source: Source, value: float) -> float:
        """What a sensor of this bench shows on average, its steps and noise averaged out [its unit]."""
        kind = self._bench.sensors[source]
        sensor = Sensor(source, kind, self._seed, self._specimen, value, self._bench.copy_number)
        about = np.linspace(-2, 2, LOOKED_AT, endpoint=False) * kind.resolution
        return value + fmean(sensor.show(value + off) - off - value for off in about.tolist())


def rehearsed(bench_name: str, specimen: str, way: Way, seed: int) -> Night:
    bench, calm = run_in(bench_name)
    with tempfile.TemporaryDirectory() as folder, Writer.open(Path(folder) / "night.db", durable=False) as writer:
        specimens = {specimen: known_specimens(bench)[specimen]}
        played = Rehearsal(writer, in_this_way(way), bench, specimens, seed).play(specimen, specimens[specimen])
        soaking_s = in_points_s(writer, played)
    truth = Truth(calm, specimen, seed)
    errors_k = tuple(p.rise_k - truth.rise_k(p) for p in played.points if p.rise_k is not None)
    return Night(
        bench_name, specimen, way, seed, str(played.state), played.bench_s, soaking_s, len(played.points), errors_k
    )


def in_points_s(writer: Writer, played: Played) -> float:
    """How long the steps of the test points took [s]."""
    with writer.reading() as connection:
        steps = queries.steps(connection, played.run)
    return sum(
        (step.ended_ms - step.started_ms) / 1000
        for step in steps
        if step.ended_ms is not None and step.stage.startswith("soak")
    )


def asked_for(seeds: int) -> list[tuple[str, str, Way, int]]:
    benches = {name: load_bench(find_bench(name).text, name).bench for name in BENCHES}
    return [
        (name, specimen, way, seed)
        for name, bench in benches.items()
        for specimen in bench.specimens
        for seed in range(1, seeds + 1)
        for way in WAYS
    ]


def print_nights(seeds: int = 1) -> None:
    """Plays and prints them, `seeds` nights of each kind."""
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        nights = list(pool.map(rehearsed, *zip(*asked_for(seeds), strict=True)))
    print(
        f"the shipped protocol {PROTOCOL!r}, its pump sweep too, on the simulator; in the points: soaks and cool-downs"
    )
    print(
        f"{'bench':<21}{'specimen':<13}{'ending':<19}{'night':>8}{'to fixed':>10}{'in points':>11}{'points':>8}"
        f"{'mean |error|':>14}{'largest':>9}{'mean':>9}"
    )
    for night in nights:
        print_night(night, next(one for one in nights if one.way == FIXED and alike(one, night)))
    for bench in BENCHES:
        print_summary(bench, [night for night in nights if night.bench == bench])


def alike(one: Night, other: Night) -> bool:
    return (one.bench, one.specimen, one.seed) == (other.bench, other.specimen, other.seed)


def print_night(night: Night, fixed: Night) -> None:
    errors = np.array(night.errors_k)
    told = f"{len(errors)}/{night.points}" + ("" if night.state == "complete" else f" {night.state}")
    print(
        f"{night.bench:<21}{night.specimen:<13}{night.way.name:<19}{night.total_s / 3600:>6.1f} h"
        f"{night.total_s / fixed.total_s:>10.2f}{night.soaking_s / 3600:>9.1f} h{told:>8}"
        f"{np.abs(errors).mean():>12.3f} K{np.abs(errors).max():>7.2f} K{errors.mean():>+7.2f} K"
    )


def print_summary(bench: str, nights: Sequence[Night]) -> None:
    fixed_s = sum(night.total_s for night in nights if night.way.name == FIXED.name)
    for way in WAYS:
        of_it = [night for night in nights if night.way.name == way.name]
        errors = np.concatenate([night.errors_k for night in of_it])
        ratio = sum(night.total_s for night in of_it) / fixed_s
        print(f"{bench}, {way.name}: {ratio:.2f} of the fixed night, mean |error| {np.abs(errors).mean():.3f} K")


if __name__ == "__main__":
    print_nights()
