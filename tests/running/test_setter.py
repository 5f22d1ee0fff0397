"""Setpoints on their way to the bench: heat goes down first and up last, and what is refused is tried again."""

from __future__ import annotations

import pytest

from benchd.errors import NoAnswer, SettingRefused
from benchd.running.bench import OpenBench
from benchd.running.engine import REFUSED_AT_MOST_S
from benchd.running.setter import Setter
from benchd.running.states import RunState
from benchd.running.steps.base import Wants


@pytest.fixture
def bench(bench_of):
    with OpenBench(bench_of().bench, "liquid") as opened:
        yield opened


def sent(parts) -> list[dict[str, float]]:
    """What was written since the last look, in order."""
    values = [values for _, which, values in parts.order if which == "write"]
    parts.order.clear()
    return values


def refuses(_values) -> None:
    raise SettingRefused("it reads back otherwise")


def test_heat_goes_up_last_and_down_first(parts, bench) -> None:
    setter = Setter(bench)
    setter.command(Wants(200, 80, 60))
    assert sent(parts) == [{"fan_pct": 80}, {"pump_pct": 60}, {"heat_w": 200}]
    setter.command(Wants(100, 40, 30))
    assert sent(parts) == [{"heat_w": 100}, {"fan_pct": 40}, {"pump_pct": 30}]


def test_only_what_changed_is_sent(parts, bench) -> None:
    setter = Setter(bench)
    setter.command(Wants(200, 80, 60))
    sent(parts)
    setter.command(Wants(200, 80, 60, "another phrase"))
    assert sent(parts) == []
    setter.command(Wants(200, 80, 70))
    assert sent(parts) == [{"pump_pct": 70}]


def test_heat_is_not_raised_while_cooling_is_not_taken(parts, bench) -> None:
    setter = Setter(bench)
    setter.command(Wants(50, 80, 60))
    parts["fans"].write = refuses
    setter.command(Wants(200, 100, 60))
    assert {"heat_w": 200} not in sent(parts)
    assert set(setter.refused) == {"fan_pct", "heat_w"}
    parts["fans"].write = None
    setter.command(Wants(200, 100, 60))
    assert sent(parts) == [{"fan_pct": 100}, {"heat_w": 200}]
    assert setter.refused == {}


def test_heat_goes_down_though_cooling_is_not_taken(parts, bench) -> None:
    setter = Setter(bench)
    setter.command(Wants(200, 80, 60))
    sent(parts)
    parts["fans"].write = refuses
    setter.command(Wants(0, 100, 100))
    assert sent(parts)[0] == {"heat_w": 0}


def test_cooling_is_not_lowered_while_heat_has_not_come_down(parts, bench) -> None:
    setter = Setter(bench)
    setter.command(Wants(200, 50, 60))
    sent(parts)
    parts["load"].write = refuses
    setter.command(Wants(0, 20, 100))
    assert sent(parts) == [{"heat_w": 0}, {"pump_pct": 100}]
    assert set(setter.refused) == {"heat_w", "fan_pct"}
    parts["load"].write = None
    setter.command(Wants(0, 20, 100))
    assert sent(parts) == [{"heat_w": 0}, {"fan_pct": 20}]


def test_what_was_refused_is_sent_again_even_if_the_old_value_is_wanted(parts, bench) -> None:
    setter = Setter(bench)
    setter.command(Wants(0, 50, 60))
    sent(parts)
    parts["fans"].write = refuses
    setter.command(Wants(0, 70, 60))
    sent(parts)
    parts["fans"].write = None
    setter.command(Wants(0, 50, 60))
    assert sent(parts) == [{"fan_pct": 50}]


def test_a_device_that_fell_silent_is_commanded_anew(parts, real_night) -> None:
    def lost(t_s: float):
        if 2 <= t_s < 4:
            raise NoAnswer("fans: no answer")
        return {"fan_rpm": 1500.0}

    real_night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 0.1\nfan_pct = 40\n')
    parts["fans"].read = lost
    assert real_night.play() is RunState.COMPLETE
    assert [w["fan_pct"] for w in parts["fans"].writes if "fan_pct" in w] == [40, 40]


def test_a_setpoint_without_a_pump_to_move_is_not_sent(parts, night) -> None:
    night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 0.05\n', specimen="slate tower")
    assert night.play() is RunState.COMPLETE
    assert not any("pump_pct" in values for values in parts["fans"].writes)


def test_a_refused_setpoint_is_tried_each_tick_and_the_run_goes_on_when_it_is_taken(parts, night) -> None:
    parts["fans"].write = lambda values: refuses(values) if len(parts["fans"].writes) < 20 else None
    night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 0.5\nheat_w = 100\n')
    assert night.play() is RunState.COMPLETE
    assert len(night.said("setting_refused")) == 1
    assert [w for w in parts["load"].writes if w == {"heat_w": 100.0}]


def test_a_setpoint_refused_for_thirty_seconds_ends_the_run(parts, night) -> None:
    parts["fans"].write = refuses
    night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 10\nheat_w = 100\n')
    assert night.play() is RunState.FAILED
    assert REFUSED_AT_MOST_S == 30
    assert night.steps[-1].ended_ms == 30_000
    assert "not taken for 30 s" in night.row.reason
    assert "fan_pct" in night.row.reason
    assert {"heat_w": 100.0} not in parts["load"].writes
