"""Why a soak ended when it did: what was known, what it rests on, what was set aside. Lines for 80 columns."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from benchd.analysis.equilibrium import Account
from benchd.protocol_file import SINKS
from benchd.report.tables import asked as asked_words
from benchd.running.soak_again import SoakAgain
from benchd.store.records import finite

#: So many samples set aside are named; of more the number.
NAMED = 8
#: A verdict that changes more often than this is told by its first and last changes.
CHANGES = 12
_LABEL = 12


def why_lines(soak: SoakAgain) -> list[str]:
    """The account of a soak, for a terminal."""
    point = soak.point
    lines = [
        f"Point {point.point} of run {point.run}: {point.specimen}, {point.heat_set_w:g} W at {asked_words(point)}"
    ]
    lines += [f"  {label:<{_LABEL}}{text}" for label, text in _facts(soak)]
    lines += ["", "What was known, by minute of the soak:", *_verdicts(soak)]
    aside = list(_aside(soak))
    lines += ["", "Set aside:", *aside] if aside else ["", "Nothing was set aside."]
    return lines


def why_json(soak: SoakAgain) -> dict[str, Any]:
    """The same as data; unknown is None, times of the soak in [s] from its begin."""
    last, account, rule = soak.seen[-1], soak.account, soak.rule
    return {
        "point": soak.point.point,
        "run": soak.point.run,
        "until": soak.point.until,
        "ended_by": soak.point.ended_by,
        "soak_s": soak.point.soak_s,
        "within_k": rule.within_k,
        "confidence": rule.confidence,
        "slow_tail_k": rule.slow_tail_k,
        "watched": soak.watch.sink or "die_c",
        "state": last.state,
        "reason": last.reason,
        "final_k": finite(last.final_k),
        "half_width_k": finite(last.half_width_k),
        "left_k": finite(last.left_k),
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
        "drift_k_per_h": account.drift_k_per_h,
        "drift_u_std_k_per_h": account.drift_u_k_per_h,
        "air_lag_s": account.lag_s,
    }


def _verdict_json(soak: SoakAgain, at: int) -> dict[str, Any]:
    seen = soak.seen[at]
    return {
        "t_s": float(soak.t_s[at]) - soak.begun_s,
        "state": seen.state,
        "final_k": finite(seen.final_k),
        "half_width_k": finite(seen.half_width_k),
        "reason": seen.reason,
    }


def _facts(soak: SoakAgain) -> Iterator[tuple[str, str]]:
    point, rule, last, account = soak.point, soak.rule, soak.seen[-1], soak.account
    yield "asked", f"{point.until}"
    if soak.asked.equilibrium.for_min is not None:
        yield "", f"judged as if to within {rule.within_k:g} K at {100 * rule.confidence:g} %:"
    else:
        yield "", f"at {100 * rule.confidence:g} %; a slow mode of {rule.slow_tail_k:g} K may be there"
    yield "ended", f"{(point.ended_by or '').replace('_', ' ')} after {(point.soak_s or 0) / 60:.1f} min"
    if last.is_known:
        left = -last.left_k
        yield "end", f"{last.final_k:.2f} ±{last.half_width_k:.2f} K; the rise had {left:+.2f} K to go"
    if soak.watch.sink is not None:
        yield "watched", f"the {SINKS[soak.watch.sink]}, and the die over it: the die's own sensor is too coarse"
    if account is None:
        yield "curve", "none: too few samples"
        return
    parts = [f"{tau:.0f} s with {a:+.2f} K" for tau, a in zip(account.tau_s, account.amplitude_k, strict=True)]
    yield "curve", f"{parts[0]}, {parts[1]}, slow mode {account.tail_k:+.2f} K"
    yield "", f"from {_minute(soak, account.since_s):.1f} min on, {account.samples:.0f} samples"
    noise = account.noise
    yield "noise", f"{noise.sd_k:.3f} K a sample, neighbours correlated by {noise.r:.2f}"
    yield "fit", f"chi squared over degrees of freedom {account.misfit:.2f}: about 1 where it fits"
    if account.held is None:
        yield "held", "no earlier curve to hold it against yet"
    else:
        yield "held", f"the curve known at 80 % of the time is off by {abs(account.held):.1f} of its"
        yield "", "standard uncertainties since"
    if account.drift_k_per_h is not None and account.drift_u_k_per_h is not None:
        yield "drift", f"{account.drift_k_per_h:+.1f} K/h, standard uncertainty {account.drift_u_k_per_h:.1f} K/h"
    if account.lag_s is not None:
        yield "air", f"taken off as seen with a lag of {account.lag_s:.0f} s"


def _verdicts(soak: SoakAgain) -> Iterator[str]:
    changes = soak.changes()
    shown = changes if len(changes) <= CHANGES else [*changes[: CHANGES // 2], *changes[-CHANGES // 2 :]]
    for number, at in enumerate(shown):
        if len(changes) > CHANGES and number == CHANGES // 2:
            yield f"         ... {len(changes) - CHANGES} changes more"
        seen = soak.seen[at]
        end = f"{seen.final_k:8.2f} ±{seen.half_width_k:.2f} K" if seen.is_known else ""
        yield f"  {_minute(soak, float(soak.t_s[at])):6.1f}  {seen.state:<10}{end:<20}{_short(seen.reason)}".rstrip()


def _short(reason: str) -> str:
    room = 80 - 40
    return reason if len(reason) <= room else f"{reason[: room - 3].rstrip()}..."


def _aside(soak: SoakAgain) -> Iterator[str]:
    rejected = _rejected(soak)
    for t_s, why in rejected[:NAMED]:
        yield f"  {_minute(soak, t_s):6.1f}  {why}"
    if len(rejected) > NAMED:
        yield f"          and {len(rejected) - NAMED} more"


def _rejected(soak: SoakAgain) -> tuple[tuple[float, str], ...]:
    return soak.account.rejected if soak.account is not None else ()


def _minute(soak: SoakAgain, t_s: float) -> float:
    return (t_s - soak.begun_s) / 60
