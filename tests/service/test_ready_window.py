"""The quiet part of a night against the window, on the clock of that night."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from benchd.protocol_file import AnyStep, parse_protocol
from benchd.running.forecast import left_by_step
from benchd.running.schedule import schedule
from benchd.service.ready_window import quiet_window

BERLIN = ZoneInfo("Europe/Berlin")
STEPS = parse_protocol(
    """
protocol = "three"
[[steps]]
kind = "dwell"
name = "warm"
for_min = 60
[[steps]]
kind = "background"
quiet = true
for_min = 10
[[steps]]
kind = "cool_down"
to_within_k = 3
at_most_min = 60
""",
    "three.toml",
).steps
WARM, QUIET, COOL = STEPS


def judged(*left: tuple[AnyStep, float], starts: str, quiet: str | None = "22:00-06:00") -> tuple[bool | None, str]:
    """Hours of each step in; whether it fits and in which words out."""
    at = datetime.fromisoformat(starts).replace(tzinfo=BERLIN)
    window = quiet_window([(step, hours * 3600) for step, hours in left], quiet, at, BERLIN)
    return window.fits, window.words


def test_what_is_not_quiet_may_lie_outside() -> None:
    fits, words = judged((WARM, 2), (QUIET, 7.5), (COOL, 5), starts="2026-11-25 20:00")
    assert fits
    assert words == "the quiet part takes about 7:30 h, 22:00 to 05:30; quiet until 06:00"


def test_what_is_ready_too_early_waits_for_the_window_to_open() -> None:
    fits, words = judged((QUIET, 8), starts="2026-11-25 18:00")
    assert (fits, words) == (True, "the quiet part takes about 8:00 h, 22:00 to 06:00; quiet until 06:00")


def test_what_begins_in_the_window_has_only_the_rest_of_it() -> None:
    fits, words = judged((WARM, 2), (QUIET, 7), starts="2026-11-25 23:30")
    assert not fits
    assert words == (
        "the quiet part takes about 7:00 h, and 4:30 h of 22:00-06:00 are left: the rest would wait for the next night"
    )


def test_after_midnight_it_is_still_the_window_of_the_evening_before() -> None:
    assert judged((QUIET, 1), starts="2026-11-26 01:00")[1].endswith("01:00 to 02:00; quiet until 06:00")


def test_a_window_within_one_day() -> None:
    assert judged((QUIET, 2), starts="2026-11-25 18:00", quiet="12:00-14:00")[0]
    assert not judged((QUIET, 2), starts="2026-11-25 12:30", quiet="12:00-14:00")[0]


@pytest.mark.parametrize(
    ("starts", "hours"),
    [("2026-03-28 20:00", 7), ("2026-06-01 20:00", 8), ("2026-10-24 20:00", 9)],
    ids=["clocks forward", "an ordinary night", "clocks back"],
)
def test_the_window_is_as_long_as_the_clock_says_on_that_night(starts, hours) -> None:
    assert judged((QUIET, hours), starts=starts)[0]
    assert not judged((QUIET, hours + 0.02), starts=starts)[0]


def test_between_quiet_steps_the_time_counts_as_well() -> None:
    assert not judged((QUIET, 3), (WARM, 3), (QUIET, 3), starts="2026-11-25 20:00")[0]


def test_without_a_window_or_a_start_it_is_not_known() -> None:
    assert judged((QUIET, 1), starts="2026-11-25 20:00", quiet=None)[0] is None
    assert quiet_window([(QUIET, 3600)], "22:00-06:00", None, BERLIN).fits is None


def test_when_nothing_quiet_is_left_it_fits() -> None:
    assert judged((WARM, 20), starts="2026-11-25 20:00")[0]


# What is left

NIGHT = parse_protocol(
    """
protocol = "night"
[[steps]]
kind = "background"
for_min = 10
settle_s = 60
[[steps]]
kind = "fan_sweep"
fan_pct = [100, 50]
pump_pct = 60
settle_s = 30
for_s = 60
[[steps]]
kind = "soak"
heat_w = [100, 200]
noise_dba = [36]
pump_pct = 60
equilibrium = { for_min = 30 }
""",
    "night.toml",
)


def test_before_the_sweep_the_points_to_come_are_counted_by_the_protocol() -> None:
    planned = schedule(NIGHT, (), seed=1, cooling="liquid")
    left = left_by_step(NIGHT, planned, frozenset(), {})
    assert [(step.kind, seconds) for step, seconds in left] == [
        ("background", 660.0),
        ("fan_sweep", 180.0),
        ("soak", 2 * 1800.0),
    ]


def test_what_is_done_is_not_left() -> None:
    planned = schedule(NIGHT, (), seed=1, cooling="liquid")
    left = left_by_step(NIGHT, planned, frozenset({"background"}), {"background": 640.0})
    assert [step.kind for step, _ in left] == ["fan_sweep", "soak"]
