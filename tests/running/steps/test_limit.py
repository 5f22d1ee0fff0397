"""A die is over its limit when ten readings say so, or an end that holds does."""

from __future__ import annotations

import math

import pytest

from benchd.instruments import ChannelSpec
from benchd.running.found import Found
from benchd.running.steps.base import Tick, Wants
from benchd.running.steps.limit import IN_A_ROW, Limit
from benchd.running.steps.watching import Seen

WANTS = Wants(200.0, 60.0, 80.0)


@pytest.fixture
def limit() -> Limit:
    channels = {name: ChannelSpec(resolution=0.1) for name in ("die_c", "ambient_c")}
    return Limit(Found(channels=channels, over_limit_c=85.0), WANTS)


def said(limit: Limit, die_c: float, seen: Seen, times: int = IN_A_ROW) -> list[str]:
    return [limit.passed(Tick(float(t), {"die_c": die_c, "ambient_c": 22.0}), seen) for t in range(times)]


def end(final_k: float, half_width_k: float, holds: bool) -> Seen:
    return Seen("settling", final_k, half_width_k, -20.0, None, "its end is not known yet", holds)


def test_an_end_over_the_limit_counts_once_it_holds(limit) -> None:
    words = said(limit, 60.0, end(80.0, 5.0, holds=True))
    assert words[:-1] == [""] * (IN_A_ROW - 1)
    assert words[-1] == "die would end at 102 ±5 degC, limit 85 degC; about 158 W would just be held"


def test_a_curve_that_does_not_fit_or_has_not_held_says_nothing(limit) -> None:
    assert set(said(limit, 60.0, end(80.0, 5.0, holds=False), 100)) == {""}


@pytest.mark.parametrize(("final_k", "half_width_k"), [(80.0, 9.0), (64.0, 2.0), (math.nan, math.inf)])
def test_nor_does_one_that_is_too_uncertain_or_may_lie_below(limit, final_k, half_width_k) -> None:
    assert set(said(limit, 60.0, end(final_k, half_width_k, holds=True), 100)) == {""}
