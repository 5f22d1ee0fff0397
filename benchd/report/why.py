"""Why a soak ended when it did: what was known, what it rests on, what was set aside. Lines for 80 columns."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from benchd.analysis.equilibrium import Account
from benchd.protocol_file import SINKS
from benchd.report.screen import wrapped
from benchd.report.tables import WIDTH, with_u, worth
from benchd.report.tables import asked as asked_words
from benchd.running.soak_again import SoakAgain
from benchd.running.states import Ending, Flag, Quality
from benchd.running.steps.watching import Seen
from benchd.store.records import finite

#: So many samples set aside are named; of more the number.
NAMED = 8
#: A verdict that changes more often than this is told by its first and last changes.
CHANGES = 16
#: A half width that went up and down within one line by more than this is told as a range [1].
WENT = 1.1
_LABEL = 12
#: Where the words of a fact, of a verdict and of what was set aside begin.
_FACT, _REASON, _WHY = 2 + _LABEL, 40, 10


def title(soak: SoakAgain) -> str:
    """Which soak it is, in a line."""
    point = soak.point
    simulated = ", simulated" if soak.run.simulated else ""
    of = f"Point {point.point} of run {point.run}: {point.specimen}"
    return f"{of}, {point.heat_set_w:g} W at {asked_words(point)}{simulated}"


def why_lines(soak: SoakAgain) -> list[str]:
    """The account of a soak, for a terminal."""
    lines = wrapped(title(soak), WIDTH, "  ")
    for label, text in _facts(soak):
        lines += _hung(f"  {label:<{_LABEL}}", text, _FACT)
    lines += ["", "What was known of its end, by minute of the soak:", *_verdicts(soak)]
    aside = list(_aside(soak))
    return [*lines, "", "Set aside:", *aside] if aside else [*lines, "", "Nothing was set aside."]


def why_json(soak: SoakAgain) -> dict[str, Any]:
    """The same as data; unknown is None, times of the soak in [s] from its begin."""
    last, account, rule, point = soak.seen[-1], soak.account, soak.rule, soak.point
    return {
        "point": point.point,
        "run": point.run,
        "simulated": soak.run.simulated,
        "quality": str(point.quality),
        "flags": [str(flag) for flag in point.flags],
        "until": point.until,
        "ended_by": point.ended_by,
        "ended_because": soak.step.reason,
        "soak_s": point.soak_s,
        "within_k": rule.within_k,
        "confidence": rule.confidence,
        "slow_tail_k": rule.slow_tail_k,
        "over_limit_c": soak.limit_c,
        "watched": soak.watch.sink or "die_c",
        "state": last.state,
        "reason": last.reason,
        "hangs": soak.hangs,
        "heat_set_w": point.heat_set_w,
        "final_k": finite(last.final_k),
        "half_width_k": finite(last.half_width_k),
        "left_k": finite(-last.left_k),
        "heat_w": point.heat_w,
        "rise_k": point.rise_k,
        "rise_u_k": point.rise_u_k,
        "curve": None if account is None else _curve_json(soak, account),
        "set_aside": [{"t_s": t_s - soak.begun_s, "why": why} for t_s, why in _rejected(soak)],
        "verdicts": [_verdict_json(soak, at) for at in soak.changes()],
    }


def _curve_json(soak: SoakAgain, account: Account) -> dict[str, Any]:
    return {
        "used_from_s": account.since_s - soak.begun_s,
        "samples": account.samples,
        "tau_s": list(account.tau_s),
        "amplitude_k": list(account.amplitude_k),
        "tail_k": account.tail_k,
        "noise_sd_k": account.noise.sd_k,
        "noise_correlation": account.noise.r,
        "misfit": account.misfit,
        "held": account.held,
        "off_k": account.off_k,
        "drift_k_per_h": account.drift_k_per_h,
        "drift_u_std_k_per_h": account.drift_u_k_per_h,
        "air_lag_s": account.lag_s,
    }


def _verdict_json(soak: SoakAgain, at: int) -> dict[str, Any]:
    seen = soak.seen[at]
    least_k, most_k = soak.half_widths_k(at) or (None, None)
    return {
        "t_s": float(soak.t_s[at]) - soak.begun_s,
        "state": seen.state,
        "final_k": finite(seen.final_k),
        "half_width_k": finite(seen.half_width_k),
        "least_half_width_k": least_k,
        "most_half_width_k": most_k,
        "reason": seen.reason,
    }


def _facts(soak: SoakAgain) -> Iterator[tuple[str, str]]:
    point, rule, account = soak.point, soak.rule, soak.account
    yield "asked", point.until or ""
    if soak.asked.equilibrium.for_min is not None:
        yield "", f"below, it is judged as if asked to within {rule.within_k:g} K"
    slow = f"; a slow change of {rule.slow_tail_k:g} K more (case, room) is allowed for" if rule.slow_tail_k else ""
    yield "", f"at {100 * rule.confidence:g} %{slow}"
    yield from _worth(soak)
    yield "ended", f"{(point.ended_by or '').replace('_', ' ')} after {(point.soak_s or 0) / 60:.1f} min"
    yield from _end(soak, soak.seen[-1])
    if soak.watch.sink is not None:
        sink = SINKS[soak.watch.sink]
        yield "watched", f"the {sink}, and the die over it: the die's own sensor is too coarse"
    if account is None:
        yield "curve", "none: too few samples"
        return
    of = f" of the {SINKS[soak.watch.sink]}" if soak.watch.sink else ""
    parts = [f"{a:+.2f} K in {tau:.0f} s" for tau, a in zip(account.tau_s, account.amplitude_k, strict=True)]
    yield "curve", f"{parts[0]}, {parts[1]}, slow change {account.tail_k:+.2f} K"
    yield "", f"fitted to {account.samples:.0f} samples{of}, from {_minute(soak, account.since_s):.1f} min on"
    noise = account.noise
    yield "noise", f"{noise.sd_k:.3f} K a sample, {100 * max(noise.r, 0):.0f} % of it lasts into the next one"
    yield "fit", f"what the curve leaves is {math.sqrt(account.misfit):.2f} times the noise; about 1 where it fits"
    if account.held is None or account.off_k is None:
        yield "tested", "not yet: there is no earlier curve that could foretell anything"
    else:
        yield (
            "tested",
            (
                f"the curve of the first four fifths foretold the rest to {abs(account.off_k):.3f} K, "
                f"{abs(account.held):.1f} times its standard uncertainty (up to 3 is passed)"
            ),
        )
    if account.drift_k_per_h is not None and account.drift_u_k_per_h is not None:
        yield "drift", f"{account.drift_k_per_h:+.1f} K/h beside the curve, ±{2 * account.drift_u_k_per_h:.1f} K/h"
    if account.lag_s is not None:
        yield "air", f"the rise follows its changes over about {account.lag_s:.0f} s; taken off"


def _worth(soak: SoakAgain) -> Iterator[tuple[str, str]]:
    """What the point is worth, and why, where it is not simply good."""
    point = soak.point
    yield "worth", worth(point)
    if point.ended_by == Ending.OVER_LIMIT:
        yield "", f"{soak.step.reason}: broken off, so no rise is told"
        return
    gave = "" if point.heat_w is None else f"{point.heat_w:.1f} of {point.heat_set_w:g} W"
    if Flag.THROTTLED in point.flags:
        yield "", f"the load throttled{f': it gave {gave}' if gave else ''}"
        yield "", f"the end below is scaled to {point.heat_set_w:g} W and is none of the cooler's"
    elif soak.hangs:
        yield "", f"{soak.hangs}: there is no rise"
    elif point.quality is Quality.VOID:
        why = "no watts were measured" if point.heat_w is None else "no rise can be told of its samples"
        yield "", f"{why}: {soak.step.reason}"
    elif Flag.HEAT_OFF_SET in point.flags:
        yield "", f"the load gave {gave}"


def _end(soak: SoakAgain, last: Seen) -> Iterator[tuple[str, str]]:
    """The end of the rise, and why another figure stands in the table."""
    point = soak.point
    if not last.is_known:
        yield "end", "unknown" if soak.hangs else f"unknown: {last.reason}"
    else:
        proven = "" if last.state in ("predicted", "settled") else " so far, not proven"
        yield "end", f"{last.final_k:.2f} ±{last.half_width_k:.2f} K at {point.heat_set_w:g} W{proven}"
        yield "left", f"{-last.left_k:+.2f} K: the end less the rise that it had come to"
    if point.rise_k is None:
        return
    rise = f"{with_u(point.rise_k, point.rise_u_k, 2)} K"
    at = "" if point.heat_w is None else f" at the {point.heat_w:.1f} W that were measured"
    if point.extrapolated_k is not None:
        yield "in table", f"{rise}: this end{at}, and in its ± what the sensors may be off"
    else:
        yield "in table", f"{rise}: the mean of the last {soak.asked.read_min:g} min{at}"


def _verdicts(soak: SoakAgain) -> Iterator[str]:
    changes = soak.changes()
    shown = changes if len(changes) <= CHANGES else [*changes[: CHANGES // 2], *changes[-CHANGES // 2 :]]
    for number, at in enumerate(shown):
        if len(changes) > CHANGES and number == CHANGES // 2:
            yield f"         ... {len(changes) - CHANGES} changes more"
        seen = soak.seen[at]
        end = f"{seen.final_k:8.2f} ±{seen.half_width_k:.2f} K" if seen.is_known else ""
        row = f"  {_minute(soak, float(soak.t_s[at])):6.1f}  {seen.state:<10}{end:<20}"
        yield from _hung(row, f"{seen.reason}{_went(soak, at, changes)}", _REASON)


def _went(soak: SoakAgain, at: int, changes: list[int]) -> str:
    """Between which half widths the end was known until the next line, where that does not show by itself."""
    between = soak.half_widths_k(at)
    after = next((change for change in changes if change > at), len(soak.seen) - 1)
    here, there = soak.seen[at], soak.seen[after]
    if between is None or not here.is_known:
        return ""
    halves_k = [one.half_width_k for one in (here, there) if one.is_known]
    if min(halves_k) <= WENT * between[0] and between[1] <= WENT * max(halves_k):
        return ""
    return f"; then ±{between[0]:.2f} to ±{between[1]:.2f} K"


def _aside(soak: SoakAgain) -> Iterator[str]:
    rejected = _rejected(soak)
    for t_s, why in rejected[:NAMED]:
        yield from _hung(f"  {_minute(soak, t_s):6.1f}  ", why, _WHY)
    if len(rejected) > NAMED:
        yield f"          and {len(rejected) - NAMED} more"


def _hung(head: str, text: str, indent: int) -> list[str]:
    """The text behind its head, broken so that it hangs there."""
    first, *others = wrapped(text, WIDTH - indent)
    return [f"{head:<{indent}}{first}".rstrip(), *(f"{'':{indent}}{line}" for line in others)]


def _rejected(soak: SoakAgain) -> tuple[tuple[float, str], ...]:
    return soak.account.rejected if soak.account is not None else ()


def _minute(soak: SoakAgain, t_s: float) -> float:
    return (t_s - soak.begun_s) / 60
