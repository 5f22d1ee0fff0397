"""Specimens side by side at equal heat and equal noise, over one stated background.

A measured total level holds for the background of its night only. So every level is first freed of its own
background, then put over one stated background, the floor; from that curve comes the speed at which the
specimen makes the asked level, and from its test points the rise at that speed. Nothing is read beyond
measured points: not reached is a result, with the reach. It must not know where the points are kept nor how
results are printed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from benchd.analysis.acoustics import Bound, level_sum, source_level
from benchd.analysis.curves import SAME_SPEED_PART, LevelCurve, Reach, by_speed, within
from benchd.analysis.resistance import thermal_resistance
from benchd.analysis.uncertainty import Estimate, Part, combine, rectangular

_WORST_FIRST: tuple[Bound, ...] = ("upper", "indicative", "value")


@dataclass(frozen=True, slots=True)
class HeardSpeed:
    """What a specimen sounded like at one fan speed: `fan_rpm` [rpm], `total` [dBA] at the microphone,
    `background` [dBA]."""

    fan_rpm: float
    total: Estimate
    background: Estimate


@dataclass(frozen=True, slots=True)
class MeasuredPoint:
    """A test point as the comparison needs it.

    `heat_set_w` [W] the heat load it belongs to; `fan_rpm` [rpm] mean speed during the reading; `rise` [K]
    and `heat` [W] as measured; `total` [dBA] and `background` [dBA], None where the level was not measured;
    `usable` False for a point that is void, over the limit or not reached.
    """

    heat_set_w: float
    fan_rpm: float
    rise: Estimate
    heat: Estimate
    total: Estimate | None = None
    background: Estimate | None = None
    usable: bool = True


@dataclass(frozen=True, slots=True)
class Measured:
    """All that is known of one specimen on one mount: `name`, its fan `sweep` and its test `points`."""

    name: str
    sweep: Sequence[HeardSpeed]
    points: Sequence[MeasuredPoint]

    def heard(self) -> list[HeardSpeed]:
        """Every speed with a level and its background: of the sweep, then of the usable points.

        >>> Measured("brook 2x140", (), ()).heard()
        []
        """
        of_points = [
            HeardSpeed(point.fan_rpm, point.total, point.background)
            for point in self.points
            if point.usable and point.total is not None and point.background is not None
        ]
        return [*self.sweep, *of_points]


@dataclass(frozen=True, slots=True)
class AtLevel:
    """One specimen at one heat load and one noise level over one floor.

    Reached: `rise` [K], `resistance` [K/W] and `fan_rpm` [rpm] are there. Not reached: they are None, `reach`
    [dBA] says which levels over this floor the points cover (None when there is no usable point), and `why`
    says it in words.

    `bound` is the worth of the source levels the speed was read from. With "upper" the specimen may be
    quieter than taken, run faster at the same noise, and be cooler: the rise is then an upper bound too.
    `repair_db` [dB] is by how much measured levels had to be moved because they fell while the speed rose.
    """

    name: str
    heat_w: float
    level_dba: float
    floor_dba: float
    reach: Reach | None
    rise: Estimate | None = None
    resistance: Estimate | None = None
    fan_rpm: Estimate | None = None
    bound: Bound = "value"
    repair_db: float = 0.0
    why: str = ""

    @property
    def reached(self) -> bool:
        """Whether there is a rise."""
        return self.rise is not None


def at_equal_noise(measured: Measured, heat_w: float, level_dba: float, floor_dba: float) -> AtLevel:
    """What a specimen does at a heat load and a total noise level over a stated background.

    1. Source level of every speed heard: total less its own background (`acoustics.source_level`). 2. The
    source level that makes the asked total over the floor, and its speed on the curve (`curves.LevelCurve`).
    3. The rise there: the usable points of this heat load, each scaled to exactly this heat, over lg(speed)
    (`curves.within`); u^2 = u_rise^2 + (slope u_lg_speed)^2. The points' errors are taken as shared (same
    sensors), so between two points their uncertainty is interpolated, and the smaller degrees of freedom
    hold.

    A speed up to 1 % beyond the last point takes that point's rise; the uncertainty then has a rectangular
    part of the rise times that distance, as a rise falls at most as fast as the speed grows (common practice,
    no source). This also serves a specimen with a single point at the asked level.

    `measured` what is known of the specimen; `heat_w` [W] above 0; `level_dba` [dBA] total, above `floor_dba`
    [dBA], the stated background. Raises ValueError otherwise. Range of validity: levels and rises between
    measured points; a measured heat near the load, as the rise is scaled with it. Source: ISO 3744:2010 8.2.3
    for the correction; JCGM 100:2008 5.1 for the uncertainty.

    >>> def spot(rpm, level, rise):
    ...     near = Estimate(rise, 0.2), Estimate(300, 1), Estimate(level, 0.2), Estimate(30, 0.2)
    ...     return MeasuredPoint(300, rpm, *near)
    >>> points = [spot(700, 33.0, 46.0), spot(1000, 38.0, 40.0), spot(1400, 44.0, 36.0)]
    >>> brook = Measured("brook 2x140", (), points)
    >>> at = at_equal_noise(brook, heat_w=300, level_dba=36.0, floor_dba=31.5)
    >>> round(at.fan_rpm.value), round(at.rise.value, 1), at.bound
    (857, 42.4, 'indicative')
    >>> at_equal_noise(brook, heat_w=300, level_dba=50.0, floor_dba=31.5).why
    'not reached: 33.8 to 44.1 dBA'
    """
    if not heat_w > 0:
        raise ValueError(f"the heat load must be above 0 W, got {heat_w}")
    if not level_dba > floor_dba:
        raise ValueError(f"the level must be above the floor of {floor_dba} dBA, got {level_dba}")
    points = sorted(_at_heat(measured.points, heat_w), key=lambda point: point.fan_rpm)
    if not points:
        return AtLevel(measured.name, heat_w, level_dba, floor_dba, None, why=f"no usable point at {heat_w:g} W")
    sources = [(heard.fan_rpm, source_level(heard.total, heard.background)) for heard in measured.heard()]
    try:
        curve = _curve([(rpm, source.level) for rpm, source in sources])
    except ValueError:
        why = "levels were measured at fewer than two speeds"
        return AtLevel(measured.name, heat_w, level_dba, floor_dba, None, why=why)
    reach = _reach(curve, points, floor_dba)
    speed = curve.speed_estimate(_source_for(level_dba, floor_dba))
    knots = [_knot(group, heat_w) for group in by_speed(points, lambda point: point.fan_rpm)]
    rise = None if speed is None else _rise_at(knots, speed)
    if speed is None or rise is None:
        why = f"not reached: {reach}" if reach else "not reached: no point lies on the level curve"
        return AtLevel(measured.name, heat_w, level_dba, floor_dba, reach, repair_db=curve.repair_db, why=why)
    return AtLevel(
        measured.name,
        heat_w,
        level_dba,
        floor_dba,
        reach,
        rise=rise,
        resistance=thermal_resistance(rise, Estimate(heat_w, 0.0)),
        fan_rpm=speed,
        bound=_bound_near(speed.value, [(rpm, source.bound) for rpm, source in sources]),
        repair_db=curve.repair_db,
    )


@dataclass(frozen=True, slots=True)
class Difference:
    """How two specimens differ: `estimate` [unit of the two], first less second; `meaningful` when it exceeds
    its expanded uncertainty. No meaningful difference is a result too."""

    estimate: Estimate

    @property
    def meaningful(self) -> bool:
        """Whether the 95 % interval leaves zero out."""
        return abs(self.estimate.value) > self.estimate.expanded


def difference(first: Estimate, second: Estimate) -> Difference:
    """How two independent results differ, and whether that means anything.

    `first` [any unit], `second` [the same unit]. What both share, as the calibration of one bench's sensors,
    is counted twice, which errs towards no meaningful difference; how much another mounting of the same
    specimen would differ is not in it unless the estimates hold it. Source: JCGM 100:2008 5.1.2, G.6.4.

    >>> found = difference(Estimate(42.8, 0.3), Estimate(42.2, 0.4))
    >>> round(found.estimate.expanded, 2), found.meaningful
    (0.98, False)
    """
    return Difference(first.minus(second))


def _at_heat(points: Sequence[MeasuredPoint], heat_w: float) -> list[MeasuredPoint]:
    return [p for p in points if p.usable and p.fan_rpm > 0 and math.isclose(p.heat_set_w, heat_w)]


def _curve(sources: Sequence[tuple[float, Estimate]]) -> LevelCurve:
    turning = [(rpm, level) for rpm, level in sources if rpm > 0]
    return LevelCurve(
        [rpm for rpm, _ in turning],
        [level.value for _, level in turning],
        [level.u_std for _, level in turning],
        [level.dof for _, level in turning],
    )


def _source_for(level_dba: float, floor_dba: float) -> float:
    """The source level that makes a total over the floor, exactly: both are stated, not measured."""
    return level_dba + 10 * math.log10(1 - 10 ** ((floor_dba - level_dba) / 10))


def _reach(curve: LevelCurve, points: Sequence[MeasuredPoint], floor_dba: float) -> Reach | None:
    low, high = max(points[0].fan_rpm, curve.speeds.low), min(points[-1].fan_rpm, curve.speeds.high)
    quiet, loud = curve.level_at(low), curve.level_at(high)
    if low > high or quiet is None or loud is None:
        return None
    return Reach(level_sum([quiet, floor_dba]), level_sum([loud, floor_dba]), "dBA")


@dataclass(frozen=True, slots=True)
class _Knot:
    lg: float
    rise: Estimate


def _knot(group: Sequence[MeasuredPoint], heat_w: float) -> _Knot:
    """The points at one speed as one, scaled to the heat load."""
    scaled = [thermal_resistance(point.rise, point.heat) for point in group]
    rises = [heat_w * one.value for one in scaled]
    mean = sum(rises) / len(rises)
    # Repeats that differ by more than their own uncertainty tell what it really is.
    spread = math.sqrt(sum((rise - mean) ** 2 for rise in rises) / max(len(rises) - 1, 1))
    u_std = max(spread, *(heat_w * one.u_std for one in scaled))
    lg = sum(math.log10(point.fan_rpm) for point in group) / len(group)
    return _Knot(lg, Estimate(mean, u_std, min(one.dof for one in scaled)))


def _rise_at(knots: Sequence[_Knot], speed: Estimate) -> Estimate | None:
    lg = math.log10(speed.value)
    at = min(max(lg, knots[0].lg), knots[-1].lg)
    beyond = abs(lg - at) * math.log(10)
    if beyond > SAME_SPEED_PART:
        return None
    value, slope, u_std, dof = _between(knots, at)
    u_lg = speed.u_std / (speed.value * math.log(10))
    parts = [Part(u_std, 1.0, dof), Part(u_lg, slope, speed.dof), Part(rectangular(abs(value) * beyond))]
    both = combine(parts)
    return Estimate(value, both.u_std, both.dof)


def _between(knots: Sequence[_Knot], at: float) -> tuple[float, float, float, float]:
    """Rise, slope over lg(speed), standard uncertainty and degrees of freedom at a place within the knots."""
    if len(knots) == 1:
        # One point has no slope: the steepest there can be, a rise that falls as fast as the speed grows.
        rise = knots[0].rise
        return rise.value, -rise.value * math.log(10), rise.u_std, rise.dof
    read = within([knot.lg for knot in knots], [knot.rise.value for knot in knots], at)
    left, right = next((a, b) for a, b in pairwise(knots) if at <= b.lg)
    share = (at - left.lg) / (right.lg - left.lg)
    u_std = left.rise.u_std + share * (right.rise.u_std - left.rise.u_std)
    assert read is not None, "the place was taken from within the knots"
    return read.value, read.slope, u_std, min(left.rise.dof, right.rise.dof)


def _bound_near(fan_rpm: float, bounds: Sequence[tuple[float, Bound]]) -> Bound:
    """The worst worth among the levels that the curve was read between."""
    left = max((rpm for rpm, _ in bounds if rpm <= fan_rpm), default=fan_rpm) / (1 + SAME_SPEED_PART)
    right = min((rpm for rpm, _ in bounds if rpm >= fan_rpm), default=fan_rpm) * (1 + SAME_SPEED_PART)
    near = {bound for rpm, bound in bounds if left <= rpm <= right}
    return next(bound for bound in _WORST_FIRST if bound in near)
