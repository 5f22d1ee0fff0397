"""How long an hour of the simulated bench takes at 1 Hz, against a floor measured in the same run:
`python -m tests.benchmarks.plant`, and with `--profile NAME` where the time of one specimen goes.

Ratios hold on any machine; single seconds do not. The floor is the least that such an hour can be made of: 3600
products of a 14 by 14 matrix with a vector, the state as a list, and the normal random numbers that its sensors draw.
The figures are the least of several turns, which is what the code takes when nobody else wants the core.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import time
from collections.abc import Callable
from functools import partial

import numpy as np

from sim.plant import Plant
from sim.specimens import load_specimens

TICKS = 3600
TURNS = 5
#: What one hour of the physics alone should take at most on two usual cores [s].
WANTED_S = 0.15
NODES = 14
SENSORS = 15


def least_s(call: Callable[[], object]) -> float:
    taken_s = []
    for _ in range(TURNS):
        begun_s = time.process_time()
        call()
        taken_s.append(time.process_time() - begun_s)
    return min(taken_s)


def floor() -> None:
    draw = np.random.default_rng(1)
    matrix, state = 0.01 * draw.random((NODES, NODES)), draw.random(NODES)
    for _ in range(TICKS):
        state = matrix @ state
        state.tolist()
    for _ in range(SENSORS):
        draw.standard_normal(TICKS).tolist()


class Bench:
    """One specimen under heat; each `hour` goes on from where the last one ended, a new duty every ten minutes."""

    def __init__(self, specimen: str) -> None:
        self.plant = Plant()
        self.plant.mount(specimen, seed=1)
        self.plant.set(heat_w=165.0, fan_pct=60.0, pump_pct=60.0)
        self.plant.advance(0.0)
        self.t_s = 0

    def hour(self, read: bool) -> None:
        plant = self.plant
        channels = list(plant.shown.values()) if read else []
        for t_s in range(self.t_s + 1, self.t_s + TICKS + 1):
            if t_s % 600 == 0:
                plant.set(fan_pct=40.0 + t_s // 600 % 6 * 10.0)
            plant.advance(float(t_s))
            for channel in channels:
                channel()
        self.t_s += TICKS


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.plant", description=__doc__)
    parser.add_argument(
        "--profile", metavar="NAME", choices=list(load_specimens()), help="profile this specimen instead"
    )
    name = parser.parse_args().profile
    if name:
        bench, profile = Bench(name), cProfile.Profile()
        profile.runcall(bench.hour, True)
        pstats.Stats(profile).sort_stats("tottime").print_stats(20)
        return
    floor_s = least_s(floor)
    print(f"one bench-hour at 1 Hz, seconds of one core; floor {floor_s:.3f} s; wanted {WANTED_S} s for physics alone")
    print(f"{'specimen':14}{'physics':>9}{'ratio':>7}{'all read':>10}{'ratio':>7}")
    for specimen in load_specimens():
        bench = Bench(specimen)
        physics_s, read_s = (least_s(partial(bench.hour, read)) for read in (False, True))
        print(f"{specimen:14}{physics_s:9.3f}{physics_s / floor_s:7.1f}{read_s:10.3f}{read_s / floor_s:7.1f}")


if __name__ == "__main__":
    main()
