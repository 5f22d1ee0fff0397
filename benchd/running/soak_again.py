"""A soak once more, from its recorded samples: what its watch knew at each moment.

The detector is pure and the samples are all there, so nothing of it had to be stored: fed the same, it says the same.
"""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from benchd.analysis.equilibrium import Account
from benchd.analysis.lagged import Lagged, Share, nearest
from benchd.errors import NotFound
from benchd.instruments import ChannelSpec
from benchd.protocol_file import SINKS, Equilibrium
from benchd.running.found import Found
from benchd.running.sensors import HELD_AGAINST, WATCHED, Sensors
from benchd.running.steps.base import NONE_HANGS, Hanging, SoakPoint, Tick, Wants
from benchd.running.steps.common import RISE_OF, Window
from benchd.running.steps.watching import Seen, Watch
from benchd.store import queries
from benchd.store.records import TAKEN, PointRecord, RunRow, StepRow
from benchd.store.series import good_ticks, samples

Floats = NDArray[np.float64]

#: What a fixed soak is judged by, as it asked for nothing.
USUAL = Equilibrium(until="settled", at_most_min=24 * 60)


@dataclass(frozen=True)
class SoakAgain:
    """One soak, sample by sample. Times are bench time of the run [s]."""

    run: RunRow
    point: PointRecord
    asked: SoakPoint
    step: StepRow
    watch: Watch = field(repr=False)
    """As it was when the soak ended."""
    t_s: Floats
    rise_k: Floats
    """Die over ambient [K], NaN where a sample is missing."""
    own_k: Floats
    """The same with what air and watts did to it taken off, as the curve was fitted [K]."""
    ambient_c: float
    """Of the end of the soak [degC], NaN where it gave nothing."""
    seen: tuple[Seen, ...]
    """What was known at each tick."""
    hangs: str
    """Of a sensor that hung while it was read, which, in words; empty when none did."""

    @property
    def begun_s(self) -> float:
        """When it began [s]."""
        return float(self.t_s[0])

    @property
    def rule(self) -> Equilibrium:
        """What its end was watched by."""
        return self.asked.equilibrium if self.asked.equilibrium.for_min is None else USUAL

    @property
    def account(self) -> Account | None:
        """How the detector had come to what it said when the soak ended."""
        return self.watch.detector.account

    @property
    def limit_c(self) -> float | None:
        """The protocol's limit of the die [degC], None without one."""
        limit_c: float | None = tomllib.loads(self.run.protocol_text).get("limits", {}).get("over_limit_c")
        return limit_c

    @property
    def limit_k(self) -> float | None:
        """The same as a rise over the ambient of the end of the soak [K]."""
        return None if self.limit_c is None or math.isnan(self.ambient_c) else self.limit_c - self.ambient_c

    def changes(self) -> list[int]:
        """The ticks at which the verdict, its reason or the end became another one.

        Another end is one outside the interval of the last of these ticks, or known twice as well or half as well.
        """
        found = [0]
        for at, now in enumerate(self.seen):
            then = self.seen[found[-1]]
            if _verdict(now) != _verdict(self.seen[at - 1 if at else 0]) or now.is_known != then.is_known:
                found.append(at)
            elif now.is_known:
                left = abs(now.final_k - then.final_k) > then.half_width_k
                if left or not 0.5 < now.half_width_k / then.half_width_k < 2:
                    found.append(at)
        return found

    def half_widths_k(self, at: int) -> tuple[float, float] | None:
        """The least and the most half width [K] from a change on until the next one; None where nothing was known."""
        after = next((change for change in self.changes() if change > at), len(self.seen))
        halves_k = [one.half_width_k for one in self.seen[at:after] if one.is_known]
        return (min(halves_k), max(halves_k)) if halves_k else None

    def curve_k(self, t_s: Floats) -> Floats | None:
        """The likeliest curve of the die's rise at times [K], as it was known in the end; None without one.

        t_s [s]: bench time. Before the first sample that is used the curve says nothing: NaN.
        """
        return self.watch.curve_k(t_s)


def _verdict(seen: Seen) -> tuple[str, str]:
    """What makes one verdict another: figures in its reason do not."""
    return seen.state, "".join(letter for letter in seen.reason if not letter.isdigit() and letter not in "+-.")


def soak_again(connection: Connection, run_id: int, number: int) -> SoakAgain:
    """Replays the soak of a test point. Raises `NotFound` where there is none."""
    point = queries.point(connection, run_id, number)
    step_id = next(one.step_id for one in queries.point_places(connection, run_id) if one.point == number)
    if step_id is None:
        raise NotFound(
            f"point {number} of run {run_id} was not soaked: {point.ended_by}", "there is nothing to explain"
        )
    step = next(one for one in queries.steps(connection, run_id) if one.id == step_id)
    asked = SoakPoint.model_validate_json(step.spec)
    channels = {
        row.name: ChannelSpec(
            resolution=row.resolution, uncertainty=row.uncertainty, uncertainty_pct=row.uncertainty_pct
        )
        for row in queries.channels(connection, run_id).values()
    }
    ticks = _ticks(connection, step, channels)
    if not ticks:
        raise NotFound(f"no samples of point {number} of run {run_id} stand in the database any more")
    if asked.fan_pct is None:
        raise NotFound(f"point {number} of run {run_id} had no fan setting", "there is nothing to explain")
    rule = asked.equilibrium if asked.equilibrium.for_min is None else USUAL
    watch = Watch(rule, Wants(asked.heat_w, asked.fan_pct, asked.pump_pct), Found(channels=channels))
    seen = tuple(watch.update(tick) for tick in ticks)
    times = np.array([tick.t_s for tick in ticks])
    rises = np.array([tick.rise_k for tick in ticks])
    read = Window(tick for tick in ticks if tick.t_s >= ticks[-1].t_s - asked.read_min * 60)
    own_k = _own_k(ticks, asked.heat_w, watch)
    air_c = next((tick["ambient_c"] for tick in reversed(ticks) if not math.isnan(tick["ambient_c"])), math.nan)
    run = queries.run(connection, run_id)
    return SoakAgain(run, point, asked, step, watch, times, rises, own_k, air_c, seen, read.hangs(RISE_OF))


def _own_k(ticks: list[Tick], set_w: float, watch: Watch) -> Floats:
    """The rises with air and watts taken off by the lag that the detector found in the end [K].

    What the die is over its sink follows the watts at once, where it is watched through that.
    """
    account = watch.detector.account
    if account is None or account.lag_s is None:
        return np.array([tick.rise_k for tick in ticks])
    lag, air, watts = nearest(account.lag_s), Lagged(), Share(set_w)
    own, last_s = [], ticks[0].t_s
    for tick in ticks:
        since_s, last_s = tick.t_s - last_s, tick.t_s
        air.put(since_s, tick["ambient_c"])
        watts.put(since_s, tick.t_s - ticks[0].t_s, tick["heat_w"])
        share = 1.0 if watts.values is None else float(watts.values[lag])
        over_k = 0.0 if watch.sink is None else tick["die_c"] - tick[watch.sink]
        share_now = tick["heat_w"] / set_w if tick["heat_w"] > 0.5 * set_w > 0 else 1.0
        own.append((tick.rise_k - over_k + air.now - float(air.values[lag])) / share + over_k / share_now)
    return np.array(own)


def _ticks(connection: Connection, step: StepRow, channels: dict[str, ChannelSpec]) -> list[Tick]:
    """The ticks of a step, with the channels that a soak is watched by; a sample that was not good reads NaN."""
    values: dict[int, dict[str, float]] = {}
    for name in ("die_c", "ambient_c", "heat_w", *SINKS):
        if name not in channels:
            continue
        series = samples(connection, step.id, name)
        for t_ms, value, good in zip(series.t_ms.tolist(), series.value.tolist(), series.good.tolist(), strict=True):
            values.setdefault(t_ms, {})[name] = value if good else math.nan
    hanging = _hanging(connection, step, channels)
    return [Tick(t_ms / 1000, values[t_ms], hanging=hanging.get(t_ms, NONE_HANGS)) for t_ms in sorted(values)]


def _hanging(
    connection: Connection, soak: StepRow, channels: dict[str, ChannelSpec]
) -> dict[int, Mapping[str, Hanging]]:
    """Which channels did not follow at which tick [ms] of a soak: the watch over the run so far, once more."""
    # An engine that takes the run begins its watch anew.
    anew_ms = [event.t_ms for event in queries.events(connection, soak.run_id) if event.what == TAKEN]
    commanded = {step.id: _commanded(step) for step in queries.steps(connection, soak.run_id)}
    sensors, found = Sensors(channels), {}
    for step_id, t_ms, values in good_ticks(connection, soak.run_id, (*WATCHED, *HELD_AGAINST), soak.id):
        while anew_ms and (anew_ms[0] or 0) <= t_ms:
            anew_ms.pop(0)
            sensors = Sensors(channels)
        hanging = sensors.take(t_ms / 1000, values, commanded[step_id])
        if step_id == soak.id and hanging:
            found[t_ms] = hanging
    return found


def _commanded(step: StepRow) -> Wants:
    """What a step commanded, for a bench that does not measure it; NaN where the step went through several settings."""
    cools = step.kind in ("cool_down", "hold")
    usual = {"heat_w": 0.0 if cools else math.nan, "fan_pct": 100.0 if cools else math.nan, "pump_pct": 100.0}
    said = json.loads(step.spec)
    heat_w, fan_pct, pump_pct = (
        float(said[key]) if isinstance(said.get(key), int | float) else value for key, value in usual.items()
    )
    return Wants(heat_w, fan_pct, pump_pct)
