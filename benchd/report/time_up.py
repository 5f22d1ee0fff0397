"""What of a played run did not come to its end in the time it was given: soaks, settings of a sweep, cool-downs."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence

from benchd.protocol_file import Equilibrium
from benchd.running.found import PUMP_RISE
from benchd.running.states import FINISHED, Ending
from benchd.running.steps.base import SoakPoint
from benchd.store.records import FindingRow, StepRow

#: What is told of one thing that was waited for: of what kind it is, what would become of it in vain, which one it is,
#: and whether it was in vain.
_Told = tuple[str, str, str, bool]


def time_up_lines(steps: Sequence[StepRow], findings: Sequence[FindingRow]) -> list[str]:
    """A sentence for each rule that ran into its time, with how many of those it was for; empty when none did."""
    groups: dict[tuple[str, str], list[tuple[str, bool]]] = {}
    for noun, vain, which, late in (*_waited_for(steps), *_swept(findings)):
        groups.setdefault((noun, vain), []).append((which, late))
    return [_sentence(*of, members) for of, members in groups.items() if any(late for _, late in members)]


def _sentence(noun: str, vain: str, members: Sequence[tuple[str, bool]]) -> str:
    late = [which for which, is_late in members if is_late]
    # Where it is all of them, or they have no names, nobody has to be told which.
    which = f": {', '.join(late)}" if all(late) and len(late) < len(members) else ""
    return f"{len(late)} of {len(members)} {noun}{'s' if len(members) > 1 else ''} would {vain}{which}"


def _waited_for(steps: Iterable[StepRow]) -> Iterator[_Told]:
    for step in steps:
        if step.ending not in FINISHED:
            continue
        late = step.ending is Ending.TIME_UP
        if step.kind == "soak":
            point = SoakPoint.model_validate_json(step.spec)
            yield "point", _not_there(point.equilibrium), point.words, late
        elif step.kind == "cool_down" and (spec := json.loads(step.spec)).get("to_within_k") is not None:
            yield "cool-down", f"still be over {spec['to_within_k']:g} K after {spec['at_most_min']:g} min", "", late


def _swept(findings: Iterable[FindingRow]) -> Iterator[_Told]:
    for row in findings:
        detail = row.finding.detail
        if row.finding.name == PUMP_RISE:
            rule = Equilibrium.model_validate(json.loads(row.step.spec)["equilibrium"])
            late = detail.get("ended_by") == Ending.TIME_UP
            yield f"{row.step.stage} setting", _not_there(rule), f"pump at {detail['pump_pct']:g} %", late


def _not_there(rule: Equilibrium) -> str:
    return f"not be {rule.words} in {rule.longest_min:g} min"
