"""Steps that listen: background and fan sweep."""

from __future__ import annotations

import pytest

from benchd.protocol_file import Background, FanSweep
from benchd.running.found import Found
from benchd.running.states import Ending
from benchd.running.steps.base import Finding
from benchd.running.steps.room import background, fan_sweep

SWEEP = FanSweep(kind="fan_sweep", fan_pct=(40, 100, 70), settle_s=10, for_s=20)


def test_the_background_is_collected_with_everything_of_the_specimen_stopped(played, heater, known) -> None:
    heard = played(background(Background(kind="background", for_min=1, settle_s=30), known()), heater())
    assert {(w.heat_w, w.fan_pct, w.pump_pct) for w in heard.wants} == {(0, 0, 0)}
    assert heard.value("background_dba") == pytest.approx(30.0, abs=0.01)
    assert heard.found("background_dba")[0].u >= 0.7
    assert heard.seconds == pytest.approx(90, abs=2)


def test_while_fans_and_pump_come_to_rest_nothing_is_counted(played, heater, known) -> None:
    room = heater()

    def coasting(t_s, wants):
        return {**room(t_s, wants), **({"level_dba": 60.0} if t_s < 25 else {})}

    heard = played(background(Background(kind="background", for_min=1, settle_s=30), known()), coasting)
    assert heard.value("background_dba") == pytest.approx(30.0, abs=0.01)


def test_levels_are_averaged_by_energy(played, known) -> None:
    """Half the time 30 dBA and half 40 dBA is 37.4 dBA: 10 lg((10^3 + 10^4) / 2), IEC 61672-1, equivalent level."""
    heard = played(
        background(Background(kind="background", for_min=1, settle_s=0), known()),
        lambda t_s, _wants: {"level_dba": 30.0 if t_s % 2 else 40.0},
    )
    assert heard.value("background_dba") == pytest.approx(37.4, abs=0.1)


def test_a_deaf_meter_fails_the_step(played, heater, known) -> None:
    deaf = heater()
    deaf.lost = {"level_dba"}
    spec = Background(kind="background", for_min=1)
    assert played(background(spec, known()), deaf).outcome.ending is Ending.FAILED
    assert played(fan_sweep(SWEEP, known()), deaf).outcome.ending is Ending.FAILED


def test_a_fan_sweep_goes_from_fast_to_slow_with_heat_off(played, heater, known) -> None:
    swept = played(fan_sweep(SWEEP, known()), heater())
    assert list(dict.fromkeys(w.fan_pct for w in swept.wants)) == [100, 70, 40]
    assert {w.heat_w for w in swept.wants} == {0}


def test_a_fan_sweep_finds_level_and_speed_at_each_setting(played, heater, known) -> None:
    swept = played(fan_sweep(SWEEP, known()), heater())
    found = [(f.detail["fan_pct"], f.detail["fan_rpm"], round(f.value, 1)) for f in swept.found("fan_level_dba")]
    assert found == [(100, 2000, 50.0), (70, 1400, 45.5), (40, 800, 41.0)]
    assert all(f.unit == "dBA" and f.u > 0 for f in swept.found("fan_level_dba"))


@pytest.mark.parametrize(
    ("given", "found", "used"),
    [
        (None, (), 100.0),
        (None, (Finding("pump_pct", 55.0, "%"),), 55.0),
        (70.0, (Finding("pump_pct", 55.0, "%"),), 70.0),
    ],
    ids=["full when nothing is known", "the one the pump sweep found", "the one given"],
)
def test_the_pump_setting_of_a_sweep(played, heater, given, found, used) -> None:
    spec = SWEEP.model_copy(update={"pump_pct": given})
    swept = played(fan_sweep(spec, Found(found)), heater())
    assert {w.pump_pct for w in swept.wants} == {used}
