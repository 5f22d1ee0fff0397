"""The shipped specimens: invented, complete, of plausible size, and ordered as their sizes are."""

import math

import pytest

from sim.specimens import load_specimens

SPECIMENS = load_specimens()
LIQUID = {name: specimen for name, specimen in SPECIMENS.items() if specimen.liquid}


def test_radiators_of_one_two_and_three_fans_and_two_heat_sinks():
    fans = {name: (one.fans.count, one.fans.noise.diameter_mm) for name, one in LIQUID.items()}
    assert sorted(fans.values()) == [(1, 120.0), (2, 120.0), (2, 140.0), (3, 120.0)]
    assert [one.cooling for one in SPECIMENS.values()].count("air") == 2


@pytest.mark.parametrize("name", SPECIMENS)
def test_each_is_either_a_loop_or_a_heat_sink_and_says_what_it_is(name):
    specimen = SPECIMENS[name]
    assert (specimen.liquid is None) != (specimen.air is None)
    assert specimen.name == name
    assert specimen.about
    assert specimen.price_eur > 0
    assert 0 <= specimen.recirculated < 1
    assert specimen.fans.noise.count == specimen.fans.count
    assert specimen.fans.drive.rated_rpm == specimen.fans.curve.rated_rpm


@pytest.mark.parametrize("name", LIQUID)
def test_a_radiator_is_as_wide_and_long_as_its_fans(name):
    specimen = SPECIMENS[name]
    core, side_m = specimen.liquid.radiator, specimen.fans.noise.diameter_mm / 1000
    assert core.width_m == pytest.approx(side_m)
    assert core.length_m == pytest.approx(side_m * specimen.fans.count)
    # Aluminium cores of this size weigh some 0.1 to 0.6 kg and hold a tenth of a litre: common practice, no source.
    assert 0.1 < core.metal_m3 * 2700.0 < 0.6
    assert 20e-6 < core.coolant_m3 + specimen.liquid.tanks_m3 < 300e-6


def test_equal_fans_behind_equal_parts_of_a_radiator_blow_equally_hard():
    one, two, three = (SPECIMENS[f"brook {count}x120"] for count in (1, 2, 3))
    assert one.pack.linear_pa_s_m3 == pytest.approx(2 * two.pack.linear_pa_s_m3)
    assert one.pack.quadratic_pa_s2_m6 == pytest.approx(9 * three.pack.quadratic_pa_s2_m6)


def test_a_pack_is_as_open_as_its_face_is_large():
    # Two of 140 x 140 mm are 2.72 parts of 120 x 120 mm.
    parts = 2 * 0.14**2 / 0.12**2
    one, large = SPECIMENS["brook 1x120"].pack, SPECIMENS["brook 2x140"].pack
    assert one.linear_pa_s_m3 == pytest.approx(parts * large.linear_pa_s_m3)
    assert one.quadratic_pa_s2_m6 == pytest.approx(parts**2 * large.quadratic_pa_s2_m6)


def test_more_metal_costs_more():
    liquid = list(LIQUID.values())
    metals = [one.liquid.radiator.metal_m3 for one in liquid]
    assert [one.name for one in sorted(liquid, key=lambda one: one.price_eur)] == [
        name for _, name in sorted(zip(metals, LIQUID, strict=True))
    ]


def test_they_are_loaded_once_and_cannot_be_changed():
    assert load_specimens() is SPECIMENS
    with pytest.raises(TypeError):
        SPECIMENS["brook 9x999"] = None
    assert all(math.isfinite(one.price_eur) for one in SPECIMENS.values())
