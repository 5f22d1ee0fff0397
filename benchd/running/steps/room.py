"""Steps that listen to the room and the fans: `background` and `fan_sweep`."""

from __future__ import annotations

from benchd.protocol_file import Background, FanSweep
from benchd.running.found import BACKGROUND, FAN_LEVEL, Found
from benchd.running.states import Ending
from benchd.running.steps.base import Finding, Outcome, Step, Wants
from benchd.running.steps.common import collect, settle
from benchd.running.steps.measured import level, words


def background(spec: Background, found: Found) -> Step:
    """Level with everything running that is not the specimen: heat off, fans and pump stopped."""
    stopped = Wants(0, 0, 0, "waiting for the room to be still")
    yield from settle(stopped, spec.settle_s)
    window = yield from collect(Wants(0, 0, 0, "collecting the background"), spec.for_min * 60)
    measured = level(window, found)
    if measured is None:
        return Outcome(Ending.FAILED, "the sound meter gave no usable level for the background")
    finding = Finding(BACKGROUND, measured.value, "dBA", measured.expanded, measured.dof)
    return Outcome(Ending.DONE, words(measured, "dBA"), (finding,))


def fan_sweep(spec: FanSweep, found: Found) -> Step:
    """Level and speed at each fan setting, fastest first, heat off."""
    pump_pct = found.pump_pct(spec.pump_pct)
    findings = []
    for number, fan_pct in enumerate(sorted(spec.fan_pct, reverse=True), 1):
        doing = f"fans at {fan_pct:g} % ({number} of {len(spec.fan_pct)})"
        wants = Wants(0, fan_pct, pump_pct, doing)
        yield from settle(wants, spec.settle_s)
        window = yield from collect(wants, spec.for_s)
        measured = level(window, found)
        if measured is None:
            return Outcome(Ending.FAILED, f"the sound meter gave no usable level with fans at {fan_pct:g} %")
        detail = {"fan_pct": fan_pct, "fan_rpm": window.mean("fan_rpm"), "pump_pct": pump_pct}
        findings.append(Finding(FAN_LEVEL, measured.value, "dBA", measured.expanded, measured.dof, detail))
    levels = [finding.value for finding in findings]
    return Outcome(Ending.DONE, f"{min(levels):.1f} to {max(levels):.1f} dBA", tuple(findings))
