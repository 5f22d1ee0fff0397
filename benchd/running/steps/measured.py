"""From the last stretch of a step to numbers with uncertainties."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.acoustics import energy_mean_estimate
from benchd.analysis.curves import LevelCurve
from benchd.analysis.resistance import mean_rise, thermal_resistance
from benchd.analysis.uncertainty import Estimate, from_expanded, from_resolution, mean_of_series
from benchd.instruments import ChannelSpec, unit_of
from benchd.running.found import SAME_PCT, SWEPT_LEVEL, Found, estimate_of, level_curve
from benchd.running.sensors import THROTTLED
from benchd.running.steps.base import Finding, SoakPoint
from benchd.running.steps.common import RISE_OF, Soaked, Window

#: More degrees of freedom than this make no difference to a 95 % interval.
MANY_DOF = 1e4
#: Of a rise that had no end; `why` in its detail.
DRIFTS = "drifts"
#: Of a rise that is not known because a sensor hung; `why` in its detail.
HANGS = "hangs"
#: Channels whose plain mean stands with every test point, where the bench has them.
MEANS = ("die_c", "ambient_c", "inlet_c", "coolant_c", "heat_w", "fan_rpm", "pump_rpm")


def level(window: Window, found: Found) -> Estimate | None:
    """Energy mean of the sound level [dBA] with the meter's own uncertainty; None with fewer than two samples."""
    if not _enough(window, "level_dba"):
        return None
    return _with_channel(energy_mean_estimate(window.series("level_dba")), found.channel("level_dba"))


def swept_level(window: Window, pump_pct: float, found: Found) -> Estimate | None:
    """The level [dBA] that the fan sweep found for the fan speed of this stretch; None where it does not reach.

    pump_pct [%]: of this stretch; a sweep at another pump speed says nothing of it. The speed counts with its scatter
    and resolution only: the calibration of its sensor is the same in sweep and stretch.
    """
    if not _enough(window, "fan_rpm"):
        return None
    speed = mean_of_series(window.series("fan_rpm")).widened(from_resolution(found.channel("fan_rpm").resolution))
    heard = [one for one in level_curve(found.findings) if abs(one.detail["pump_pct"] - pump_pct) <= SAME_PCT]
    turning = [(one.detail["fan_rpm"], estimate_of(one)) for one in heard if (one.detail["fan_rpm"] or 0) > 0]
    try:
        curve = LevelCurve(
            [rpm for rpm, _ in turning],
            [level.value for _, level in turning],
            [level.u_std for _, level in turning],
            [level.dof for _, level in turning],
        )
    except ValueError:
        return None
    return curve.level_estimate(speed) if speed.value > 0 else None


def mean_of(window: Window, channel: str, found: Found) -> Estimate | None:
    """Mean of a channel [its unit] with the channel's own uncertainty; None with fewer than two samples."""
    if not _enough(window, channel):
        return None
    return _with_channel(mean_of_series(window.series(channel)), found.channel(channel))


def rise(window: Window, found: Found, left_k: float) -> Estimate | None:
    """Mean rise of the die over ambient [K]; None when they gave fewer than two samples together, or one of them hung.

    left_k [K]: how far it probably was from its end, which counts as a standard uncertainty; infinite: no rise can be
    told.
    """
    die, ambient = found.channel("die_c"), found.channel("ambient_c")
    both = window.series("die_c") - window.series("ambient_c")
    if np.count_nonzero(~np.isnan(both)) < 2 or not math.isfinite(left_k) or window.hangs(RISE_OF):
        return None
    mean = mean_rise(
        window.series("die_c"),
        window.series("ambient_c"),
        die_u_k=die.uncertainty,
        ambient_u_k=ambient.uncertainty,
        die_resolution_k=die.resolution,
        ambient_resolution_k=ambient.resolution,
    )
    return mean.widened(left_k)


def soaked_rise(soaked: Soaked, found: Found) -> Estimate | None:
    """The rise that a soak gave [K]: its predicted end, or the mean of its last stretch; None when it gave none."""
    if soaked.hangs:
        return None
    if soaked.predicted is None:
        return rise(soaked.window, found, soaked.left_k)
    # What the display's steps cost is in the prediction already; what the sensors are wrong by is not.
    sensors = [found.channel(name).uncertainty for name in RISE_OF]
    return soaked.predicted.widened(math.hypot(*map(from_expanded, sensors)))


def point_findings(soaked: Soaked, found: Found, point: SoakPoint) -> list[Finding]:
    """What a test point consists of, as findings, each with in `detail` the part of its samples that is missing."""
    window = soaked.window
    findings = [_finding(name, mean_of(window, name, found), window) for name in MEANS if name in found.channels]
    findings.append(_finding("level_dba", level(window, found), window))
    if not point.quiet:
        findings.append(_finding(SWEPT_LEVEL, swept_level(window, point.pump_pct, found), window, "fan_rpm"))
    over_ambient = soaked_rise(soaked, found)
    heat = mean_of(window, "heat_w", found)
    findings.append(_finding("rise_k", over_ambient, window, "die_c"))
    if over_ambient is not None and heat is not None and heat.value > 0:
        resistance = thermal_resistance(over_ambient, heat)
        findings.append(_finding("resistance_k_per_w", resistance, window, "die_c"))
    findings.append(Finding("ambient_moved_k", _moved(window.series("ambient_c")), "K"))
    findings.append(Finding("left_k", soaked.left_k, "K"))
    if soaked.extrapolated_k is not None:
        findings.append(Finding("extrapolated_k", soaked.extrapolated_k, "K"))
    if soaked.drifts:
        findings.append(Finding(DRIFTS, 1.0, "1", detail={"why": soaked.drifts}))
    if soaked.hangs:
        findings.append(Finding(HANGS, 1.0, "1", detail={"why": soaked.hangs}))
    findings += [
        Finding(name, _counted(window.series(name)), unit_of(name) or "")
        for name in THROTTLED
        if name in found.channels
    ]
    findings.append(Finding("soak_s", soaked.seconds, "s"))
    return [finding for finding in findings if math.isfinite(finding.value)]


def words(estimate: Estimate, unit: str) -> str:
    """The estimate for a person: value, expanded uncertainty, unit."""
    return f"{estimate.value:.1f} ±{estimate.expanded:.1f} {unit}"


def _enough(window: Window, channel: str) -> bool:
    return int(np.count_nonzero(~np.isnan(window.series(channel)))) >= 2


def _with_channel(mean: Estimate, spec: ChannelSpec) -> Estimate:
    own = math.hypot(spec.uncertainty, spec.uncertainty_pct / 100 * mean.value)
    return mean.widened(from_expanded(own)).widened(from_resolution(spec.resolution))


def _finding(name: str, estimate: Estimate | None, window: Window, channel: str = "") -> Finding:
    detail = {"missing": window.missing(channel or name)}
    if estimate is None:
        return Finding(name, math.nan, unit_of(name) or "", detail=detail)
    # So many degrees of freedom are as good as known exactly, and nobody wants to read nine digits of them.
    dof = estimate.dof if estimate.dof < MANY_DOF else None
    return Finding(name, estimate.value, unit_of(name) or "", estimate.expanded, dof, detail)


def _moved(series: NDArray[np.float64]) -> float:
    """How far a channel moved over the stretch [its unit]: twice the step between the means of its halves."""
    half = len(series) // 2
    halves = [part[~np.isnan(part)] for part in (series[:half], series[half:])]
    return float(2 * (halves[1].mean() - halves[0].mean())) if all(part.size for part in halves) else math.nan


def _counted(series: NDArray[np.float64]) -> float:
    """How far a count went over the stretch [its unit]; NaN when it never answered."""
    known = series[~np.isnan(series)]
    return float(known.max() - known.min()) if known.size else math.nan
