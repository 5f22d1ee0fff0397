"""The load: lag and error of a heater, idling and throttling of a processor."""

import math

import pytest

from sim.load import Load, LoadParameters

PROCESSOR = LoadParameters(kind="processor", idle_w=9.0, limit_c=95.0, lag_s=0.0, growth_per_k=0.002)


def test_power_follows_with_its_lag_and_ends_with_its_error():
    load = Load(LoadParameters(gain=1.004, lag_s=3.0, growth_per_k=0.0))
    load.set_w = 100.0
    given_w = [load.next_heat().w for _ in range(60)]
    # what is missing in the end of all seconds together: target times lag
    assert sum(100.4 - w for w in given_w) == pytest.approx(100.4 * 3.0, rel=1e-5)
    assert given_w[0] == pytest.approx(100.4 * (1 - 3.0 * -math.expm1(-1 / 3.0)))
    assert given_w[-1] == 100.4
    assert given_w == sorted(given_w)


def test_a_processor_idles_at_some_watts():
    load = Load(PROCESSOR)
    assert load.next_heat().w == 9.0
    load.set_w = 4.0
    assert load.next_heat().w == 9.0
    with pytest.raises(ValueError, match="idles at some watts"):
        Load(LoadParameters(kind="processor"))


def test_growth_is_a_share_of_the_power_and_exact_once_it_has_settled():
    load = Load(LoadParameters(lag_s=5.0, growth_per_k=0.002, growth_at_c=50.0))
    for set_w in (200.0, 201.0):
        load.set_w = set_w
        heats = [load.next_heat() for _ in range(120)]
        for heat in heats:
            assert heat.growth_w_per_k == pytest.approx(0.002 * heat.w, rel=0.011)
        assert heats[-1] == load.settled_heat() == (set_w, 0.002 * set_w, 50.0)


def test_growth_does_not_follow_each_small_move():
    load = Load(LoadParameters(lag_s=60.0, growth_per_k=0.002))
    load.set_w = 200.0
    growths = [load.next_heat().growth_w_per_k for _ in range(600)]
    assert len(set(growths)) < 150


def test_a_heater_never_throttles():
    load = Load(LoadParameters(limit_c=60.0))
    load.set_w = 300.0
    load.next_heat()
    assert not load.could_throttle(200.0, 10.0)


def test_it_is_cut_at_once_and_given_back_slowly():
    load = Load(PROCESSOR)
    load.set_w = 200.0
    load.next_heat()
    assert load.throttle(holding_w=100.0).w == 100.0
    given_w = []
    while load.could_throttle(30.0, 20.0):
        load.next_heat()
        given_w.append(load.throttle(holding_w=1000.0).w)
    assert given_w == pytest.approx([110, 120, 130, 140, 150, 160, 170, 180, 190, 200])
    assert load.throttled_s == 10
    assert load.clock_pct == 100.0


def test_it_is_not_cut_below_idle():
    load = Load(PROCESSOR)
    load.set_w = 200.0
    load.next_heat()
    assert load.throttle(holding_w=-50.0).w == 9.0
    assert load.clock_pct == 0.0


@pytest.mark.parametrize("wrong", [{"lag_s": -1.0}, {"release_s": 0.0}, {"idle_w": -1.0}])
def test_parameters_that_cannot_be(wrong):
    with pytest.raises(ValueError, match="0 or more"):
        Load(LoadParameters(**wrong))
