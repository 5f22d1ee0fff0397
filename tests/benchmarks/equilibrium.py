"""How soon a soak can end, and how wrong one is then: `python -m tests.benchmarks.equilibrium`.

Compared are the habit of the trade, the rules of standards, the R statistic and benchd's detector, over random plants
whose end is known, and with the shortest time in which it could be known at all (`tests/equilibrium/bound.py`). Then
the length of the shipped overnight protocol with each ending, rehearsed on the simulator.

Soak times and errors are those of simulated time and the same on any machine. What an update costs is told beside a
floor measured in the same run, in processor time.
"""

from __future__ import annotations

import argparse
import math
import os
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from typing import NamedTuple, Protocol

import numpy as np

from benchd.analysis.equilibrium import EquilibriumDetector
from tests.benchmarks.nights import print_nights
from tests.equilibrium.plants import FAMILIES, RESOLUTION_CLASSES, Plant, random_plants
from tests.equilibrium.rules import FixedTime, PlainRule, RStatistic
from tests.equilibrium.trials import (
    AT_MOST_S,
    IN_A_ROW,
    TOLERANCE_K,
    Ended,
    Trial,
    coverage_limit,
    covers,
    rms,
    tolerance_k,
    tried,
)

RELEASED = 20261127
#: A rule's result is the mean of the last readings over this time [s].
READ_S = 60
#: Updates are timed over an hour at 1 Hz.
HOUR_S = 3600


class Rule(Protocol):
    def ended(self, t_s: float, rise_k: float) -> bool: ...


RULES: dict[str, Callable[[], Rule]] = {
    "fixed 25 min": lambda: FixedTime(25 * 60),
    "1 K in 5 min": lambda: PlainRule(1.0, 5 * 60),
    "3 K in 30 min": lambda: PlainRule(3.0, 30 * 60),
    "R statistic, 95 %": RStatistic,
}
SETTLED, PREDICTED = "benchd, settled", "benchd, predicted"


class Played(NamedTuple):
    """One plant with every ending: when each ended the soak [s], and its error [K]."""

    trial: Trial
    rules: dict[str, tuple[float, float]]


def played(plant: Plant) -> Played:
    return Played(tried(plant, to_the_end=True), {name: by_rule(plant, rule()) for name, rule in RULES.items()})


def by_rule(plant: Plant, rule: Rule) -> tuple[float, float]:
    t_s, shown_k = plant.series(AT_MOST_S)
    for at, (t, rise_k) in enumerate(zip(t_s.tolist(), shown_k.tolist(), strict=True)):
        if rule.ended(t, rise_k):
            return t, float(shown_k[max(at + 1 - READ_S, 0) : at + 1].mean()) - plant.final_k
    return math.inf, math.nan


def print_table(all_played: Sequence[Played]) -> None:
    trials = [one.trial for one in all_played]
    print(
        f"{'ending':<20}{'soak, median':>14}{'p90':>9}{'never':>7}{'mean |error|':>14}{'rms':>8}{'in tolerance':>14}"
        f"{'covered':>9}"
    )
    for name in RULES:
        times, errors = zip(*(one.rules[name] for one in all_played), strict=True)
        print_row(name, trials, times, errors, None)
    for name, ends in ((SETTLED, [t.settled for t in trials]), (PREDICTED, [t.predicted for t in trials])):
        off = [end.final_k - trial.plant.final_k for end, trial in zip(ends, trials, strict=True)]
        print_row(name, trials, [end.t_s for end in ends], off, ends)
    bound_s = [trial.bound_s for trial in trials]
    print(f"{'the bound':<20}{minutes(np.median(bound_s)):>14}{minutes(np.percentile(bound_s, 90)):>9}")


def print_row(
    name: str, trials: Sequence[Trial], times_s: Sequence[float], errors_k: Sequence[float], ends: list[Ended] | None
) -> None:
    errors = np.array(errors_k)
    known = np.isfinite(errors)
    within = np.mean([abs(error) <= tolerance_k(trial.plant) for error, trial in zip(errors, trials, strict=True)])
    hits = "" if ends is None else f"{np.mean([covers(t.plant, e) for t, e in zip(trials, ends, strict=True)]):.1%}"
    print(
        f"{name:<20}{minutes(np.median(times_s)):>14}{minutes(np.percentile(times_s, 90)):>9}{(~known).sum():>7}"
        f"{np.abs(errors[known]).mean():>12.3f} K{rms(errors[known].tolist()):>6.3f} K{within:>14.1%}{hits:>9}"
    )


def minutes(seconds: float) -> str:
    return f"{seconds / 60:.1f} min"


def print_groups(trials: Sequence[Trial]) -> None:
    print(
        f"{'predicted, of':<36}{'plants':>7}{'covered':>9}{'at least':>10}{'rms error/u':>13}{'to bound, median':>18}"
        f"{'p90':>7}"
    )
    print_group("all", trials)
    for family in FAMILIES:
        print_group(family, [trial for trial in trials if trial.family == family])
    for name in RESOLUTION_CLASSES:
        print_group(name, [trial for trial in trials if trial.plant.resolution_class == name])


def print_group(name: str, trials: Sequence[Trial]) -> None:
    if not trials:
        return
    told = [trial.error_in_u for trial in trials if math.isfinite(trial.predicted.t_s)]
    median, p90 = np.percentile([trial.to_bound for trial in trials], [50, 90])
    covered = np.mean([trial.covered for trial in trials])
    print(
        f"{name:<36}{len(trials):>7}{covered:>9.1%}{coverage_limit(trials):>10.3f}"
        f"{rms(told) if told else math.nan:>13.2f}{median:>18.2f}{p90:>7.2f}"
    )


def print_cost(plants: Sequence[Plant]) -> None:
    """Processor time of each update over an hour at 1 Hz, and of the least that is done for a tick anyway."""
    floor: list[int] = []
    for plant in plants:
        t_s, shown_k = (column.tolist() for column in plant.series(HOUR_S))
        floor += timed(PlainRule(1.0, 300).update, t_s, shown_k)
    sensitivity = np.random.default_rng(1).standard_normal((HOUR_S, 6))
    fit_ns = min(timed(lambda _, __: np.linalg.lstsq(sensitivity, sensitivity[:, 0]), range(20), range(20)))
    print("an update of the detector over an hour at 1 Hz, processor time:")
    for what, ours in (
        ("of the rise alone", cost(plants)),
        ("with air, watts and fans", cost(plants, beside=True)),
        ("the same, sensor of 1 mK", cost([replace(plant, resolution_k=0.001) for plant in plants], beside=True)),
    ):
        mean_ns, worst_ns = float(np.mean(ours)), max(ours)
        print(
            f"  {what:<25} mean {mean_ns / 1e6:.4f} ms, worst {worst_ns / 1e6:.1f} ms: "
            f"{mean_ns / np.mean(floor):.0f} plain rules, {worst_ns / fit_ns:.1f} linear fits"
        )
    print(f"  floors: an update of a plain rule {np.mean(floor) / 1e6:.4f} ms, a fit to the hour {fit_ns / 1e6:.2f} ms")


def cost(plants: Iterable[Plant], beside: bool = False) -> list[int]:
    """Of each update [ns]; with what a bench tells of air, watts and fans beside, if it is asked for."""
    taken: list[int] = []
    for at, plant in enumerate(plants):
        detector = EquilibriumDetector(tolerance_k(plant), resolution_k=plant.resolution_k)
        t_s, shown_k = plant.series(HOUR_S)
        rng = np.random.default_rng((at, 2))
        air_c = 22 + 0.2 * np.sin(2 * np.pi * t_s / 1200) + rng.normal(0, 0.02, HOUR_S)
        watts = 200 + rng.normal(0, 0.2, HOUR_S)
        columns = (t_s, shown_k, air_c, watts, np.full(HOUR_S, 60.0)) if beside else (t_s, shown_k)
        taken += timed(detector.update, *(column.tolist() for column in columns))
    return taken


def timed(call: Callable[..., object], *columns: Sequence[float]) -> list[int]:
    taken_ns = []
    for row in zip(*columns, strict=True):
        begun_ns = time.thread_time_ns()
        call(*row)
        taken_ns.append(time.thread_time_ns() - begun_ns)
    return taken_ns


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.equilibrium", description=__doc__)
    parser.add_argument("--plants", type=int, default=1000, help="how many (default 1000)")
    parser.add_argument("--seed", type=int, default=RELEASED, help=f"of the plants (default {RELEASED})")
    parser.add_argument("--nights", type=int, default=1, help="rehearsed with each ending, 0 for none (default 1)")
    asked = parser.parse_args()
    plants = random_plants(asked.plants, asked.seed)
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        all_played = list(pool.map(played, plants, chunksize=4))
    coarse = sum(plant.resolution_k > TOLERANCE_K for plant in plants)
    print(
        f"{len(plants)} random plants, seed {asked.seed}, 1 Hz, {TOLERANCE_K} K at 95 %; {coarse} sensors are coarser:"
    )
    print("there the tolerance is one step of the sensor, for the detector as for the bound")
    print(f"benchd ends on {IN_A_ROW} in a row; a rule's result is the mean of its last {READ_S} s\n")
    print_table(all_played)
    print()
    print_groups([one.trial for one in all_played])
    print()
    print_cost(plants[: len(FAMILIES)])
    if asked.nights > 0:
        print()
        print_nights(asked.nights)


if __name__ == "__main__":
    main()
