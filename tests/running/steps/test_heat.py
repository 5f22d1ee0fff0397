"""Steps that heat and cool, against a die with one time constant."""

from __future__ import annotations

import math
import re
import weakref
from dataclasses import replace

import pytest

from benchd.instruments import ChannelSpec
from benchd.protocol_file import BreakIn, CoolDown, CoolFor, Dwell, Equilibrium
from benchd.running.found import Found
from benchd.running.states import Ending
from benchd.running.steps.base import Finding, SoakPoint, Tick, Wants
from benchd.running.steps.heat import break_in, cool_down, dwell, soak

RULE = Equilibrium(within_k=0.5, at_most_min=15)


def point(**changes) -> SoakPoint:
    values = {"heat_w": 100, "noise_dba": None, "fan_pct": 60, "pump_pct": 80, "equilibrium": RULE, "read_min": 1}
    return SoakPoint(**{**values, **changes})


def test_a_soak_holds_constant_watts_until_equilibrium_and_reads_the_last_minutes(played, heater, known) -> None:
    soaked = played(soak(point(), known()), heater())
    assert {(w.heat_w, w.fan_pct, w.pump_pct) for w in soaked.wants} == {(100, 60, 80)}
    assert soaked.outcome.ending is Ending.SETTLED
    assert soaked.outcome.reason == "settled to within 0.5 K"
    assert soaked.value("rise_k") == pytest.approx(20.0, abs=0.3)
    assert soaked.value("resistance_k_per_w") == pytest.approx(0.2, abs=0.003)
    assert soaked.value("soak_s") == soaked.seconds


def test_what_a_soak_measures_has_unit_and_uncertainty(played, heater, known) -> None:
    soaked = played(soak(point(), known()), heater())
    for name, unit in (("rise_k", "K"), ("heat_w", "W"), ("level_dba", "dBA"), ("resistance_k_per_w", "K/W")):
        (finding,) = soaked.found(name)
        assert (finding.unit, finding.u > 0, finding.detail["missing"]) == (unit, True, 0.0)
    # The channels' own uncertainties are in it, 0.5 and 0.15 K, and what the rule leaves open; as squares.
    left_k = soaked.value("left_k")
    assert 0.05 < left_k < 0.5
    assert soaked.found("rise_k")[0].u == pytest.approx(math.hypot(0.5, 0.15, 1.96 * left_k), rel=0.1)


def test_a_soak_that_does_not_settle_ends_when_its_time_is_up(played, heater, known) -> None:
    slow = heater(tau_s=3000)
    soaked = played(soak(point(), known()), slow)
    assert soaked.outcome.ending is Ending.TIME_UP
    assert soaked.seconds == 15 * 60
    says = r"not settled to within 0\.5 K in 15 min: [^:]+, \d+\.\d\d ±\d+\.\d\d K so far, not proven"
    assert re.fullmatch(says, soaked.outcome.reason)


@pytest.mark.parametrize("until", ["predicted", "settled"])
def test_a_soak_that_is_over_early_lasts_until_there_is_enough_to_read(played, heater, known, until) -> None:
    """And what is read is without the seconds in which load and fans came up."""
    rule = Equilibrium(until=until, within_k=3, at_most_min=15)
    over_s = played(soak(point(equilibrium=rule), known()), heater()).seconds
    soaked = played(soak(point(equilibrium=rule, read_min=8), known()), heater())
    assert soaked.outcome.ending is Ending.SETTLED
    assert over_s < soaked.seconds == 8 * 60 + 20


def test_what_is_read_of_a_settled_soak_is_itself_within_the_tolerance(played, heater, known) -> None:
    """A rise that has just come to within 0.5 K of its end was further from it minutes before, when the mean begins."""
    slow = heater(tau_s=240)
    soaked = played(soak(point(equilibrium=Equilibrium(within_k=0.5, at_most_min=60), read_min=5), known()), slow)
    assert soaked.outcome.ending is Ending.SETTLED
    assert 19.5 < soaked.value("rise_k") < 20.0
    # The mean of 5 min of an exponential of 4 min, ended when the rise itself is within 0.5 K, is 1 K too low.
    assert soaked.seconds > 240 * math.log(20 / 0.5) + 60


@pytest.mark.parametrize("rise_k", [0.0, 30.0])
def test_an_end_over_the_limit_is_foretold_from_any_start_and_which_load_would_just_be_held(
    played, heater, known, rise_k
):
    soaked = played(soak(point(heat_w=400), known(over_limit_c=80)), heater(tau_s=600, rise_k=rise_k))
    assert soaked.outcome.ending is Ending.OVER_LIMIT
    said = re.fullmatch(
        r"die would end at (\d+) ±(\d+) degC, limit 80 degC; about (\d+) W would just be held", soaked.outcome.reason
    )
    end_c, around_k, held_w = map(float, said.groups())
    # 400 W at 0.2 K/W over 22 degC; 80 degC is 58 K over it.
    # Known to a tenth of the rise, told rounded up.
    assert abs(end_c - 102) <= around_k <= math.ceil(0.1 * (end_c + 1 - 22))
    assert held_w == pytest.approx(58 / 0.2, rel=0.1)
    assert max(one.soaking.rise_k for one in soaked.wants[1:]) < 58


FROM_BELOW = re.compile(r"die at \d+\.\d degC, limit 80 degC; less than about (\d+) W would be held")


def test_of_a_die_over_its_limit_before_its_end_is_known_an_upper_bound_of_the_load_is_told(played, heater, known):
    """At 0.2 K/W and 58 K over the air 290 W would be held; cold at the start, it has come to 58 K and more since."""
    soaked = played(soak(point(heat_w=900), known(over_limit_c=80)), heater(tau_s=60))
    said = FROM_BELOW.fullmatch(soaked.outcome.reason)
    assert said is not None, soaked.outcome.reason
    assert soaked.seconds < 60
    assert 290 <= int(said[1]) < 900


def test_a_point_measured_before_at_this_setting_says_which_load_would_be_held(played, heater, known) -> None:
    """However warm the start: at 0.2 K/W and 58 K over the air it is 290 W."""
    before = played(soak(point(), known()), heater()).found("resistance_k_per_w")
    others = [replace(one, value=0.1, detail=one.detail | {"fan_pct": 90.0}) for one in before]
    soaked = played(soak(point(heat_w=900), known(*before, *others, over_limit_c=80)), heater(tau_s=60, rise_k=40))
    said = re.fullmatch(
        r"die at [\d.]+ degC, limit 80 degC; about (\d+) W would just be held, by a point measured at this setting",
        soaked.outcome.reason,
    )
    assert said is not None, soaked.outcome.reason
    assert int(said[1]) == pytest.approx(290, abs=6)


def test_what_was_hot_from_the_start_does_not_say_which_load_would_be_held(played, heater, known) -> None:
    """It cools: 50 W would be held for ever, however hot the die is now."""
    soaked = played(soak(point(heat_w=50), known(over_limit_c=80)), heater(tau_s=600, rise_k=70))
    assert re.fullmatch(r"die at \d+\.\d degC, limit 80 degC", soaked.outcome.reason)


@pytest.mark.parametrize(("coolant_tau_s", "tells"), [(200.0, True), (math.inf, False)])
def test_a_sink_that_gets_warmer_says_that_a_warm_start_makes_no_difference(
    played, heater, known, coolant_tau_s, tells
):
    """A die 30 K over a coolant of 22 K at the start; the coolant goes on getting warmer, or it does not."""
    die = heater(tau_s=12, rise_k=52)

    def loop(t_s, wants):
        more_k = 15 * (1 - math.exp(-t_s / coolant_tau_s))
        return {**die(t_s, wants), "coolant_c": 44 + more_k}

    soaked = played(soak(point(heat_w=310), known(over_limit_c=80)), loop)
    assert bool(FROM_BELOW.fullmatch(soaked.outcome.reason)) is tells, soaked.outcome.reason


def test_an_end_just_under_the_limit_is_not_called_over_it(played, heater, known) -> None:
    soaked = played(soak(point(heat_w=285), known(over_limit_c=80)), heater(tau_s=120))
    assert soaked.outcome.ending is Ending.SETTLED  # at 79 degC


def test_the_resolution_of_a_channel_is_in_its_uncertainty(played, heater) -> None:
    """A step of d leaves d / sqrt(12) as standard uncertainty (JCGM 100:2008 F.2.2.1), which no mean takes away."""
    coarse = Found((), {"fan_rpm": ChannelSpec(resolution=10)})
    (fans,) = played(soak(point(), coarse), heater()).found("fan_rpm")
    assert fans.u == pytest.approx(1.96 * 10 / math.sqrt(12), rel=1e-3)


def test_a_soak_says_at_each_tick_what_it_does(played, heater, known) -> None:
    soaked = played(soak(point(), known()), heater())
    assert soaked.wants[0].doing == "100 W at fans 60 %"
    assert re.fullmatch(r"100 W at fans 60 %, rise (19\.\d|20\.0) K", soaked.wants[-1].doing)


def test_a_soak_says_at_each_tick_how_near_it_is_to_its_end(played, heater, known) -> None:
    soaked = played(soak(point(), known()), heater())
    assert soaked.wants[0].soaking is None  # before its first tick it does not know what time it is
    told = [wants.soaking for wants in soaked.wants[1:]]
    assert {(one.latest_s, one.until) for one in told} == {(15 * 60, "settled to within 0.5 K")}
    assert (told[0].state, told[0].final_k, told[0].half_width_k, told[0].ends_s) == ("settling", None, None, None)
    known_at = [one for one in told if one.ends_s is not None]
    assert known_at[0].state in ("predicted", "settled")
    for one in known_at:
        assert abs(one.final_k - 20) < one.half_width_k + 0.1
    # When it would end was known half a minute or more before, and not wrong by much.
    assert known_at[0].ends_s == pytest.approx(soaked.seconds, abs=60)
    assert told[-1].state == "settled"


def test_when_a_fixed_soak_ends_is_known_from_its_first_tick(played, heater, known) -> None:
    soaked = played(soak(point(equilibrium=Equilibrium(for_min=6)), known()), heater())
    assert {(one.soaking.ends_s, one.soaking.latest_s) for one in soaked.wants[1:]} == {(360, 360)}


PREDICTED = Equilibrium(until="predicted", within_k=0.5, at_most_min=60)


def test_a_predicted_end_is_reported_before_it_is_reached_and_how_far_it_was(played, heater, known) -> None:
    slow = heater(tau_s=300)
    soaked = played(soak(point(equilibrium=PREDICTED), known()), slow)
    assert (soaked.outcome.ending, soaked.outcome.reason) == (Ending.PREDICTED, "predicted to within 0.5 K")
    settled = played(soak(point(equilibrium=Equilibrium(within_k=0.5, at_most_min=60)), known()), heater(tau_s=300))
    assert soaked.seconds < 0.8 * settled.seconds
    (rise,) = soaked.found("rise_k")
    assert rise.value == pytest.approx(20.0, abs=0.5)
    assert soaked.value("extrapolated_k") == pytest.approx(20.0 - slow.rise_k, abs=0.5)
    assert soaked.value("extrapolated_k") > 0.5
    assert soaked.value("resistance_k_per_w") == pytest.approx(0.2, abs=0.005)
    # Half the width of its interval, 0.5 K at most, and the sensors' own uncertainties; as squares.
    assert math.hypot(0.5, 0.15) < rise.u < math.hypot(0.5, 0.15, 0.5)
    assert settled.found("extrapolated_k") == []


def test_a_predicted_end_belongs_to_the_watts_that_were_measured(played, heater, known) -> None:
    """A supply that gives 3 % less than it is told: rise and watts are what they were, and K/W is right."""
    weak = heater(tau_s=300)

    def bench(t_s, wants):
        return {**weak(t_s, replace(wants, heat_w=0.97 * wants.heat_w))}

    soaked = played(soak(point(equilibrium=PREDICTED), known()), bench)
    assert soaked.outcome.ending is Ending.PREDICTED
    assert soaked.value("heat_w") == pytest.approx(97.0, abs=0.1)
    assert soaked.value("rise_k") == pytest.approx(19.4, abs=0.5)
    assert soaked.value("resistance_k_per_w") == pytest.approx(0.2, abs=0.005)


def test_a_fixed_soak_lasts_exactly_so_long_and_tells_what_it_left_open(played, heater, known) -> None:
    quick, slow = (
        played(soak(point(equilibrium=Equilibrium(for_min=25)), known()), heater(tau_s=tau_s)) for tau_s in (60, 1200)
    )
    for soaked in (quick, slow):
        assert (soaked.outcome.ending, soaked.outcome.reason) == (Ending.FIXED, "fixed 25 min")
        assert soaked.seconds == 25 * 60
        assert soaked.found("extrapolated_k") == []
    assert quick.found("rise_k")[0].u < 0.7
    # A specimen of 20 minutes has 5.8 K to go after 25; its uncertainty must say so.
    (rise,) = slow.found("rise_k")
    assert rise.value == pytest.approx(20 * (1 - math.exp(-1.25)), abs=0.3)
    assert rise.value + rise.u > 20


def test_a_rise_without_an_end_is_told(played, heater, known) -> None:
    warm = heater()

    def bench(t_s, wants):
        values = warm(t_s, wants)
        return {**values, "die_c": values["die_c"] + 6 * t_s / 3600}

    soaked = played(soak(point(equilibrium=Equilibrium(until="predicted", at_most_min=60)), known()), bench)
    assert soaked.outcome.ending is Ending.TIME_UP
    (drifts,) = soaked.found("drifts")
    assert drifts.detail["why"]
    assert soaked.outcome.reason == f"not predicted to within 0.2 K in 60 min: {drifts.detail['why']}"


def test_when_a_soak_ends_in_any_case_is_said_in_bench_time_of_the_run(heater, known) -> None:
    step, warm = soak(point(), known()), heater()
    wants = step.send(Tick(5000.0, warm(5000.0, next(step))))
    assert wants.soaking.latest_s == 5000 + 15 * 60


SWEEP = [
    Finding("fan_level_dba", level, "dBA", 0.8, 40.0, {"fan_pct": pct, "fan_rpm": 20.0 * pct, "pump_pct": 80.0})
    for pct, level in ((100, 48.0), (70, 42.0), (40, 36.0))
]


def test_by_day_the_level_of_a_point_comes_from_the_fan_sweep_at_the_measured_speed(played, heater, known) -> None:
    by_day = played(soak(point(), known(*SWEEP)), heater())
    (swept,) = by_day.found("swept_level_dba")
    # 1200 of 800 to 1400 1/min, straight in lg(speed).
    assert swept.value == pytest.approx(36 + 6 * math.log(1200 / 800) / math.log(1400 / 800), abs=0.01)
    assert (swept.unit, swept.u, swept.detail) == ("dBA", pytest.approx(0.8, abs=0.01), {"missing": 0.0})
    assert by_day.value("level_dba") == pytest.approx(43.0, abs=0.1)  # what the microphone heard is kept as well


def test_the_step_of_a_tachometer_is_in_the_uncertainty_of_that_level_and_its_calibration_is_not(
    played, heater
) -> None:
    """100 1/min leave 29 (JCGM 100:2008 F.2.2.1), through 6 dB from 800 to 1400 1/min; both have one sensor."""
    channels = {"fan_rpm": ChannelSpec(resolution=100, uncertainty_pct=5)}
    (swept,) = played(soak(point(), Found(tuple(SWEEP), channels)), heater()).found("swept_level_dba")
    through_db = 6 / math.log(1400 / 800) / 1200 * 100 / math.sqrt(12)
    assert swept.u == pytest.approx(math.hypot(0.8, 1.96 * through_db), rel=0.02)


@pytest.mark.parametrize(
    ("changes", "sweep"),
    [
        ({"quiet": True}, SWEEP),
        ({}, []),
        ({}, SWEEP[:1]),
        ({"pump_pct": 60}, SWEEP),  # at another pump speed
        ({"fan_pct": 30}, SWEEP),  # slower than the sweep went
        ({"fan_pct": 0}, SWEEP),
    ],
)
def test_in_a_quiet_room_or_where_no_sweep_reaches_it_is_what_the_microphone_hears(
    played, heater, known, changes, sweep
):
    soaked = played(soak(point(**changes), known(*sweep)), heater())
    assert soaked.found("swept_level_dba") == []
    assert soaked.found("level_dba")


def test_a_point_over_the_limit_is_a_finding_with_its_settings(played, heater, known) -> None:
    soaked = played(soak(point(heat_w=400), known(over_limit_c=80)), heater())
    assert soaked.outcome.ending is Ending.OVER_LIMIT
    (over,) = soaked.found("over_limit_c")
    assert over.value >= 80
    assert over.detail == {"heat_w": 400, "fan_pct": 60, "pump_pct": 80}


def test_a_soak_without_a_channel_leaves_its_finding_out(played, heater, known) -> None:
    deaf = heater()
    deaf.lost = {"level_dba"}
    soaked = played(soak(point(), known()), deaf)
    assert soaked.found("level_dba") == []
    assert soaked.found("rise_k")


def test_a_point_without_a_fan_setting_cannot_be_measured(known) -> None:
    with pytest.raises(ValueError, match="cannot be measured"):
        next(soak(point(fan_pct=None, noise_dba=60), known()))


def test_a_cool_down_wants_heat_off_and_everything_else_full(played, heater, known) -> None:
    cooled = played(cool_down(CoolDown(to_within_k=3, at_most_min=30), known()), heater(rise_k=40))
    assert {(w.heat_w, w.fan_pct, w.pump_pct) for w in cooled.wants} == {(0, 100, 100)}
    assert cooled.outcome.ending is Ending.DONE
    # exp(-t / 60) = 3 / 40, and the mean of ten ticks must be below.
    assert 60 * math.log(40 / 3) < cooled.seconds < 60 * math.log(40 / 3) + 10


def test_a_cool_down_ends_in_any_case(played, heater, known) -> None:
    cooled = played(cool_down(CoolDown(to_within_k=3, at_most_min=1), known()), heater(rise_k=40, tau_s=600))
    assert (cooled.outcome.ending, cooled.seconds) == (Ending.TIME_UP, 60)


def test_a_fixed_cool_down_takes_exactly_its_time_however_cold_it_is(played, heater, known) -> None:
    for rise_k in (0, 40):
        cooled = played(cool_down(CoolFor(for_min=25), known()), heater(rise_k=rise_k))
        assert {(w.heat_w, w.fan_pct, w.pump_pct) for w in cooled.wants} == {(0, 100, 100)}
        assert (cooled.outcome.ending, cooled.outcome.reason, cooled.seconds) == (Ending.DONE, "25 min", 25 * 60)


def test_one_noisy_sample_does_not_end_a_cool_down_nor_does_one_gap_prolong_it(played, heater, known) -> None:
    cold, gaps = heater(rise_k=30, tau_s=1e9), heater(rise_k=1, tau_s=1e9)

    def noisy(t_s, wants):
        return {**cold(t_s, wants), **({"die_c": 22.0} if t_s == 20 else {})}

    def gappy(t_s, wants):
        return {} if t_s == 5 else gaps(t_s, wants)

    assert played(cool_down(CoolDown(to_within_k=3, at_most_min=2), known()), noisy).outcome.ending is Ending.TIME_UP
    assert played(cool_down(CoolDown(to_within_k=3, at_most_min=2), known()), gappy).seconds == 10


def test_a_dwell_holds_its_settings_for_its_time(played, heater, known) -> None:
    dwelt = played(dwell(Dwell(kind="dwell", for_min=2, heat_w=50, fan_pct=30, pump_pct=40), known()), heater())
    assert set(dwelt.wants) == {Wants(50, 30, 40, "dwelling")}
    assert (dwelt.seconds, dwelt.outcome.ending) == (120, Ending.DONE)


def test_a_break_in_cycles_the_heat_and_says_what_the_last_cycle_gained(played, heater, known) -> None:
    gaining = heater()

    def bench(t_s, wants):
        gaining.k_per_w = 0.22 if t_s < 600 else 0.20  # bubbles run out
        return gaining(t_s, wants)

    spec = BreakIn(kind="break_in", cycles=2, heat_w=100, on_min=6, off_min=4)
    broken_in = played(break_in(spec, known()), bench)
    first, second = broken_in.found("cycle_rise_k")
    assert first.value == pytest.approx(22, abs=0.2)
    assert second.value == pytest.approx(20, abs=0.2)
    assert broken_in.outcome.reason.startswith("the last of 2 cycles gained +1.99 K")
    heats = [w.heat_w for w in broken_in.wants]
    assert [h for i, h in enumerate(heats) if i == 0 or heats[i - 1] != h] == [100, 0, 100, 0]
    assert broken_in.seconds == pytest.approx(2 * 10 * 60, abs=5)


def test_a_break_in_of_one_cycle_has_nothing_to_compare(played, heater, known) -> None:
    spec = BreakIn(kind="break_in", cycles=1, heat_w=100, on_min=1, off_min=1)
    assert played(break_in(spec, known()), heater()).outcome.reason == "1 cycles"


def test_a_long_dwell_keeps_none_of_its_ticks(heater) -> None:
    """A night at 10 Hz would else fill the memory."""
    step = dwell(Dwell(kind="dwell", for_min=300, heat_w=100, fan_pct=60, pump_pct=80), Found())
    warm, wants = heater(), next(step)
    alive: list[weakref.ref[Mine]] = []
    for t_s in range(1000):
        tick = Mine(float(t_s), warm(float(t_s), wants))
        alive.append(weakref.ref(tick))
        wants = step.send(tick)
        del tick
    assert sum(one() is not None for one in alive) <= 2


class Mine(Tick):
    """A tick that can be watched."""


def test_a_heat_cycle_is_judged_by_its_last_tenth(played, heater, known) -> None:
    spec = BreakIn(kind="break_in", cycles=2, heat_w=100, on_min=20, off_min=5, fan_pct=60, pump_pct=80)
    cycles = played(break_in(spec, known()), heater(tau_s=300.0)).found("cycle_rise_k")
    # From 18 to 20 min of a rise with 300 s: the mean of 1 - exp(-t/tau) there is 0.9777; the second begins warm.
    assert cycles[0].value == pytest.approx(20.0 * 0.9777, abs=0.05)
