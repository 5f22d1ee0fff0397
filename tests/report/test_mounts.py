"""How well a specimen is mounted, against its earlier mounts."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchd.analysis.uncertainty import Estimate, from_expanded
from benchd.report.mounts import MountChecked, compare_mounts, mount_checks, seat_again
from benchd.running.steps.base import Finding
from benchd.store import queries


def check(mount: int, k_per_w: float, u: float = 0.009, **changes) -> MountChecked:
    """One with the size of uncertainty that a heater block has."""
    known = MountChecked(mount, mount, "garden", Estimate(k_per_w, from_expanded(u)), "coolant_c", 100.0)
    return replace(known, **changes)


EARLIER = [check(1, 0.139), check(2, 0.142)]


def test_the_first_one_says_so() -> None:
    assert compare_mounts(check(1, 0.14), []) == "first mount of this specimen that was checked"
    assert compare_mounts(check(1, 0.14), [check(1, 0.20)]) == "first mount of this specimen that was checked"


@pytest.mark.parametrize(
    ("k_per_w", "words", "again"),
    [
        (0.1605, "0.02 K/W worse than the last two: seat it again?", True),
        (0.1405, "as good as the last two", False),
        # 6 % more of the 0.065 K/W of paste: within the uncertainty of 0.009 on both sides, 0.0127.
        (0.1445, "as good as the last two", False),
        (0.1530, "as good as the last two", False),
        (0.1535, "0.01 K/W worse than the last two: seat it again?", True),
        (0.1205, "0.02 K/W better than the last two", False),
        (0.4405, "0.30 K/W worse than the last two: seat it again?", True),
    ],
)
def test_what_is_worse_by_more_than_the_uncertainties_calls_for_reseating(k_per_w, words, again) -> None:
    now = check(3, k_per_w)
    assert (compare_mounts(now, EARLIER), seat_again(now, EARLIER)) == (words, again)


def test_one_earlier_mount_is_enough() -> None:
    assert compare_mounts(check(2, 0.16), EARLIER[:1]) == "0.02 K/W worse than the last one: seat it again?"


def test_only_the_last_two_count() -> None:
    assert compare_mounts(check(4, 0.16), [check(3, 0.30), *EARLIER]).startswith("0.02 K/W worse than the last two")


def test_a_small_difference_keeps_its_first_digit() -> None:
    now = check(3, 0.1445, u=0.001)
    assert compare_mounts(now, [check(1, 0.14, u=0.001)]) == "0.004 K/W worse than the last one: seat it again?"


def test_the_least_sure_of_the_earlier_ones_counts() -> None:
    now = check(3, 0.16, u=0.001)
    assert seat_again(now, [check(1, 0.14, u=0.001), check(2, 0.14, u=0.001)])
    assert not seat_again(now, [check(1, 0.14, u=0.001), check(2, 0.14, u=0.03)])
    # Two degrees of freedom: t = 4.3 in place of 1.96 (JCGM 100:2008 table G.2).
    assert seat_again(now, [check(1, 0.14, resistance=Estimate(0.14, 0.006))])
    assert not seat_again(now, [check(1, 0.14, resistance=Estimate(0.14, 0.006, 2.0))])


@pytest.mark.parametrize("changes", [{"bench": "cellar"}, {"sink": "fin_c"}, {"pump_pct": 60.0}])
def test_what_was_checked_in_another_way_is_not_compared(changes) -> None:
    now, other = check(3, 0.20), check(2, 0.14, **changes)
    assert compare_mounts(now, [other]) == "no other mount of this specimen was checked in the same way"
    assert not seat_again(now, [other])
    assert compare_mounts(now, [check(1, 0.14), other]) == "0.06 K/W worse than the last one: seat it again?"


def test_a_check_in_words() -> None:
    assert check(1, 0.1405).words == "die to coolant 0.1405 ±0.0090 K/W"
    assert check(1, 0.1405, sink="fin_c").words == "die to fins 0.1405 ±0.0090 K/W"


# --- from the database


def found(k_per_w: float, **detail: object) -> Finding:
    values = {"sink": "coolant_c", "heat_w": 60.0, "fan_pct": 100.0, "pump_pct": 100.0, "missing": 0.0, **detail}
    return Finding("mount_k_per_w", k_per_w, "K/W", 0.009, 50.0, values)


def test_the_latest_check_of_each_mount_comes_back_in_the_order_of_the_checks(books) -> None:
    brook, other = (books.writer.specimen(name, "liquid") for name in ("brook 2x140", "brook 1x120"))
    first, second, third = (books.writer.plan_mount(brook, number) for number in (1, 2, 3))
    elsewhere = books.writer.plan_mount(other, 1)
    runs = []
    for mount, bench, k_per_w in (
        (first, "garden", 0.150),
        (elsewhere, "garden", 0.999),
        (second, "garden", 0.142),
        (first, "cellar", 0.139),
    ):
        runs.append(books.begin(mount, bench=bench))
        books.step(runs[-1], "mount_check", [found(k_per_w, pump_pct=80.0)])
    books.step(books.begin(third), "background", [Finding("background_dba", 30.0, "dBA", 0.2)])
    with queries.reader(books.path) as connection:
        checks = mount_checks(connection, "brook 2x140")
        assert mount_checks(connection, "slate tower") == []
    assert [(c.mount, c.run, c.bench, c.resistance.value) for c in checks] == [
        (2, runs[2], "garden", 0.142),
        (1, runs[3], "cellar", 0.139),
    ]
    assert {(c.sink, c.pump_pct, c.resistance.dof, round(c.resistance.expanded, 6)) for c in checks} == {
        ("coolant_c", 80.0, 50.0, 0.009)
    }
