"""The step `confirm`: asks a person and waits, heat off. How it is asked and who answered is the engine's business."""

from __future__ import annotations

from benchd.protocol_file import Confirm
from benchd.running.found import Found
from benchd.running.states import Ending
from benchd.running.steps.base import Outcome, Step, Wants

#: What stands for an answer without words.
CONFIRMED = "confirmed"


def confirm(spec: Confirm, _found: Found) -> Step:
    """Waits until somebody answers, or for as long as it may."""
    # The first tick tells what time it is: only then can it be said until when an answer is waited for.
    tick = yield Wants(0, spec.fan_pct, spec.pump_pct, spec.ask)
    until_s = tick.t_s + spec.at_most_min * 60
    asks = Wants(
        0, spec.fan_pct, spec.pump_pct, f"waiting for a person: {spec.ask}", asks=spec.ask, asks_until_s=until_s
    )
    while tick.answer is None:
        if tick.t_s >= until_s:
            unanswered = f"not answered within {spec.at_most_min:g} min: {spec.ask}"
            return Outcome(Ending.PENDING if spec.later else Ending.FAILED, unanswered)
        tick = yield asks
    return Outcome(Ending.DONE, tick.answer or CONFIRMED)
