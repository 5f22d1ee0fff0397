"""The step `pump_sweep`: the slowest pump setting that loses nothing, and the one at which the pump is heard."""

from __future__ import annotations

from collections.abc import Generator, Sequence

from benchd.analysis.acoustics import level_sum
from benchd.protocol_file import PumpSweep
from benchd.running.found import BACKGROUND, PUMP_HEARD, PUMP_LEVEL, PUMP_RISE, PUMP_SETTING, Found
from benchd.running.states import Ending
from benchd.running.steps.base import Finding, Outcome, Step, Tick, Wants
from benchd.running.steps.common import collect, settle, soak_until
from benchd.running.steps.measured import level, soaked_rise

#: Fans and pump need this [s] to come to their speed before anyone listens.
LISTEN_AFTER_S = 20.0
#: The pump is heard when it alone is as loud as the room: the total is then 3 dB above the background.
HEARD_ABOVE_DB = level_sum([0.0, 0.0])


def pump_sweep(spec: PumpSweep, found: Found) -> Step:
    """Listens at each setting with heat and fans off, then soaks at each, fastest first."""
    findings: list[Finding] = []
    if spec.listen_s > 0:
        findings += yield from _listen(spec, found)
    rises: list[Finding] = []
    note = ""
    for number, pump_pct in enumerate(sorted(spec.pump_pct, reverse=True), 1):
        doing = f"pump at {pump_pct:g} % ({number} of {len(spec.pump_pct)})"
        wants = Wants(spec.heat_w, spec.fan_pct, pump_pct, doing)
        soaked = yield from soak_until(wants, spec.equilibrium, spec.read_min * 60, found)
        if soaked.ending is Ending.OVER_LIMIT:
            note = f"; not slower than that: {soaked.reason} at {pump_pct:g} %"
            break
        measured = soaked_rise(soaked, found)
        if soaked.hangs:
            return Outcome(Ending.FAILED, f"{soaked.hangs}: no rise is known with the pump at {pump_pct:g} %")
        if measured is None:
            return Outcome(Ending.FAILED, f"die or ambient gave nothing usable with the pump at {pump_pct:g} %")
        detail = {
            "pump_pct": pump_pct,
            "pump_rpm": soaked.window.mean("pump_rpm"),
            "heat_w": spec.heat_w,
            "fan_pct": spec.fan_pct,
            "until": spec.equilibrium.words,
            "ended_by": str(soaked.ending),
            "soak_s": soaked.seconds,
            "extrapolated_k": soaked.extrapolated_k,
        }
        rises.append(Finding(PUMP_RISE, measured.value, "K", measured.expanded, measured.dof, detail))
    if not rises:
        return Outcome(Ending.FAILED, f"the specimen does not hold {spec.heat_w:g} W at full pump{note}")
    setting = slowest_without_loss(rises, spec.loses_k)
    findings += [*rises, setting]
    heard = next((finding for finding in findings if finding.name == PUMP_HEARD), None)
    heard_words = f", heard from {heard.value:g} %" if heard else ""
    reason = f"pump {setting.value:g} % loses at most {spec.loses_k:g} K against the best{heard_words}{note}"
    return Outcome(Ending.DONE, reason, tuple(findings))


def slowest_without_loss(rises: Sequence[Finding], loses_k: float) -> Finding:
    """The slowest setting, from the fastest down without a break, whose rise is within loses_k [K] of the lowest."""
    best = min(rises, key=lambda finding: finding.value)
    chosen = rises[0]
    for finding in rises:
        if finding.value > best.value + loses_k:
            break
        chosen = finding
    detail = {"loses_k": chosen.value - best.value, "best_pump_pct": best.detail["pump_pct"]}
    return Finding(PUMP_SETTING, chosen.detail["pump_pct"], "%", detail=detail)


def _listen(spec: PumpSweep, found: Found) -> Generator[Wants, Tick, list[Finding]]:
    findings = []
    for pump_pct in sorted(spec.pump_pct):
        wants = Wants(0, 0, pump_pct, f"listening to the pump at {pump_pct:g} %")
        yield from settle(wants, LISTEN_AFTER_S)
        window = yield from collect(wants, spec.listen_s)
        measured = level(window, found)
        if measured is not None:
            detail = {"pump_pct": pump_pct}
            findings.append(Finding(PUMP_LEVEL, measured.value, "dBA", measured.expanded, measured.dof, detail))
    background = found.last(BACKGROUND)
    if background is not None:
        heard = [finding for finding in findings if finding.value >= background.value + HEARD_ABOVE_DB]
        if heard:
            findings.append(Finding(PUMP_HEARD, heard[0].detail["pump_pct"], "%"))
    return findings
