"""Steps that heat and cool: `soak`, `cool_down`, `break_in`, `dwell`."""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from statistics import fmean

from benchd.protocol_file import BreakIn, CoolDown, CoolFor, Dwell
from benchd.running.found import CYCLE_RISE, OVER_LIMIT, RESISTANCE, Found
from benchd.running.states import Ending
from benchd.running.steps.base import Finding, Outcome, SoakPoint, Step, Wants
from benchd.running.steps.common import collect, settle, soak_until
from benchd.running.steps.limit import IN_A_ROW
from benchd.running.steps.measured import point_findings, rise

FULL_PCT = 100.0


def soak(spec: SoakPoint, found: Found) -> Step:
    """Constant watts at one fan and pump setting until equilibrium, then the means of the last minutes."""
    if spec.fan_pct is None:
        raise ValueError("a point without a fan setting cannot be measured")
    wants = Wants(spec.heat_w, spec.fan_pct, spec.pump_pct, spec.words)
    soaked = yield from soak_until(wants, spec.equilibrium, spec.read_min * 60, found)
    findings = point_findings(soaked, found, spec)
    at = {"heat_w": spec.heat_w, "fan_pct": spec.fan_pct, "pump_pct": spec.pump_pct}
    if soaked.ending is Ending.OVER_LIMIT:
        findings.append(Finding(OVER_LIMIT, soaked.window.ticks[-1]["die_c"], "degC", detail=at))
    elif soaked.ending in (Ending.SETTLED, Ending.PREDICTED):
        # For a later point over its limit at these settings.
        findings = [replace(one, detail={**one.detail, **at}) if one.name == RESISTANCE else one for one in findings]
    return Outcome(soaked.ending, soaked.reason, tuple(findings))


def cool_down(spec: CoolDown | CoolFor, _found: Found) -> Step:
    """Heat off, fans and pump full, until the rise is small or for a fixed time."""
    if isinstance(spec, CoolFor):
        wants = Wants(0, FULL_PCT, FULL_PCT, f"cooling down for {spec.for_min:g} min")
        yield from settle(wants, spec.for_min * 60)
        return Outcome(Ending.DONE, f"{spec.for_min:g} min")
    tick = yield Wants(0, FULL_PCT, FULL_PCT, "cooling down")
    begun_s = tick.t_s
    recent: deque[float] = deque([tick.rise_k], maxlen=IN_A_ROW)
    # One noisy sample must not end it, nor one missing sample (NaN compares false) keep it going.
    while not (len(recent) == IN_A_ROW and fmean(recent) <= spec.to_within_k):
        if tick.t_s - begun_s >= spec.at_most_min * 60:
            return Outcome(Ending.TIME_UP, f"rise still {tick.rise_k:.1f} K after {spec.at_most_min:g} min")
        tick = yield Wants(0, FULL_PCT, FULL_PCT, f"cooling down, rise {tick.rise_k:.1f} K")
        if tick.rise_k == tick.rise_k:
            recent.append(tick.rise_k)
    return Outcome(Ending.DONE, f"rise at most {spec.to_within_k:g} K after {(tick.t_s - begun_s) / 60:.1f} min")


def dwell(spec: Dwell, _found: Found) -> Step:
    """Holds settings for a time."""
    yield from settle(Wants(spec.heat_w, spec.fan_pct, spec.pump_pct, "dwelling"), spec.for_min * 60)
    return Outcome(Ending.DONE, f"{spec.for_min:g} min")


def break_in(spec: BreakIn, found: Found) -> Step:
    """Heat cycles; the rise at the end of each tells whether the paste still gains."""
    findings = []
    for number in range(1, spec.cycles + 1):
        doing = f"cycle {number} of {spec.cycles}"
        hot = Wants(spec.heat_w, spec.fan_pct, spec.pump_pct, f"{doing}, heat on")
        # The last tenth of the cycle: near its end, and long enough to average.
        window = yield from collect(hot, spec.on_min * 60, keep_s=spec.on_min * 6)
        measured = rise(window, found, left_k=0.0)
        if measured is not None:
            detail = {"cycle": number, "heat_w": spec.heat_w}
            findings.append(Finding(CYCLE_RISE, measured.value, "K", measured.expanded, measured.dof, detail))
        yield from settle(Wants(0, spec.fan_pct, spec.pump_pct, f"{doing}, heat off"), spec.off_min * 60)
    if len(findings) < 2:
        return Outcome(Ending.DONE, f"{spec.cycles} cycles", tuple(findings))
    gained_k = findings[-2].value - findings[-1].value
    return Outcome(Ending.DONE, f"the last of {spec.cycles} cycles gained {gained_k:+.2f} K", tuple(findings))
