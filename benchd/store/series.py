"""The samples of one channel in one step, with what was found of them later."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, select

from benchd.instruments import SampleFlag
from benchd.store import schema as s


@dataclass(frozen=True)
class Series:
    """The samples of one channel in one step, equally long arrays in the order of time."""

    t_ms: NDArray[np.int64]
    """Bench time [ms]."""
    value: NDArray[np.float64]
    """[unit of the channel]; NaN where there is none."""
    flag: NDArray[np.int64]
    """Codes of `SampleFlag`."""
    excluded: NDArray[np.bool_]
    """Whether it was found later that the sample does not count."""

    @property
    def good(self) -> NDArray[np.bool_]:
        """Which samples count."""
        counts: NDArray[np.bool_] = (self.flag == SampleFlag.OK.value) & ~self.excluded
        return counts


def samples(connection: Connection, step_id: int, channel: str) -> Series:
    """The samples of one channel in one step; empty arrays when there are none."""
    rows = connection.execute(
        select(s.sample.c.t_ms, s.sample.c.value, s.sample.c.flag)
        .join(s.channel, s.channel.c.id == s.sample.c.channel_id)
        .where(s.sample.c.step_id == step_id, s.channel.c.name == channel)
        .order_by(s.sample.c.t_ms)
    ).all()
    t_ms = np.array([row.t_ms for row in rows], dtype=np.int64)
    excluded = np.zeros(len(rows), dtype=np.bool_)
    for from_ms, to_ms in _excluded(connection, step_id, channel):
        excluded |= (t_ms >= from_ms) & (t_ms <= to_ms)
    return Series(
        t_ms=t_ms,
        value=np.array([row.value for row in rows], dtype=np.float64),
        flag=np.array([row.flag for row in rows], dtype=np.int64),
        excluded=excluded,
    )


def good_ticks(
    connection: Connection, run_id: int, channels: Iterable[str], last_step: int
) -> Iterator[tuple[int, int, dict[str, float]]]:
    """Tick by tick what a run's channels gave that was good when it was taken, up to the end of a step.

    Gives step, bench time [ms] and values by channel [each its unit].
    """
    names = {
        row.id: row.name
        for row in connection.execute(select(s.channel.c.id, s.channel.c.name).where(s.channel.c.run_id == run_id))
    }
    wanted = [number for number, name in names.items() if name in set(channels)]
    steps = select(s.step.c.id).where(s.step.c.run_id == run_id, s.step.c.id <= last_step).order_by(s.step.c.id)
    for step_id in connection.execute(steps).scalars().all():
        rows = connection.execute(
            select(s.sample.c.t_ms, s.sample.c.channel_id, s.sample.c.value, s.sample.c.flag)
            .where(s.sample.c.step_id == step_id, s.sample.c.channel_id.in_(wanted))
            .order_by(s.sample.c.t_ms)
        )
        for t_ms, tick in groupby(rows, itemgetter(0)):
            good = {names[channel]: value for _, channel, value, flag in tick if flag == SampleFlag.OK.value}
            yield step_id, t_ms, good


def _excluded(connection: Connection, step_id: int, channel: str) -> Iterable[tuple[int, int]]:
    rows = connection.execute(
        select(s.exclusion.c.from_ms, s.exclusion.c.to_ms)
        .outerjoin(s.channel, s.channel.c.id == s.exclusion.c.channel_id)
        .where(s.exclusion.c.step_id == step_id)
        .where(s.exclusion.c.channel_id.is_(None) | (s.channel.c.name == channel))
    )
    return [(from_ms, to_ms) for from_ms, to_ms in rows]
