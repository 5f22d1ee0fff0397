"""A finished stage as a test point: what was asked for, what was found, and what is to be held against it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from benchd.analysis.acoustics import source_level
from benchd.running.found import BACKGROUND, SWEPT_LEVEL, Found, estimate_of
from benchd.running.schedule import Stage
from benchd.running.sensors import THROTTLED
from benchd.running.states import Ending, Flag, Quality
from benchd.running.steps.base import Finding, Outcome, SoakPoint
from benchd.running.steps.measured import DRIFTS, HANGS
from benchd.store.records import PointRecord

#: A point with more than this part of its samples missing [1] is flagged.
MISSING_AT_MOST = 0.05
#: How far a rise may have been from its end, or that may be unknown, where the protocol did not say [K].
LEFT_K = 0.4
#: With one of these the rise is none of the specimen's.
VOID = frozenset({Flag.THROTTLED, Flag.SENSOR_HANGS})
#: Ambient may move by this [K] while a point is read.
AMBIENT_MOVES_K = 0.5
#: Measured heat may differ from the heat asked for by this part [1].
HEAT_OFF = 0.03
#: The level may differ from the level asked for by this [dB].
LEVEL_OFF_DB = 1.0


def measured_point(asked: SoakPoint, outcome: Outcome, found: Found) -> PointRecord:
    """The test point that a soak gave."""
    got = {finding.name: finding for finding in outcome.findings}
    record = _with_level(_asked(asked, Quality.GOOD), got, found)
    heat = got.get("heat_w")
    # A point that was broken off was still heating: what it had reached by then is no rise of the specimen's.
    settled = outcome.ending is not Ending.OVER_LIMIT
    rise = got.get("rise_k") if settled else None
    resistance = got.get("resistance_k_per_w") if settled else None
    record = replace(
        record,
        heat_w=_value(heat),
        heat_u_w=_u(heat),
        fan_rpm=_value(got.get("fan_rpm")),
        die_c=_value(got.get("die_c")),
        ambient_c=_value(got.get("ambient_c")),
        inlet_c=_value(got.get("inlet_c")),
        rise_k=_value(rise),
        rise_u_k=_u(rise),
        resistance_k_per_w=_value(resistance),
        resistance_u_k_per_w=_u(resistance),
        ended_by=str(outcome.ending),
        soak_s=_value(got.get("soak_s")),
        extrapolated_k=_value(got.get("extrapolated_k")) if settled else None,
        flags=tuple(_flags(asked, outcome, got)),
    )
    return replace(record, quality=_quality(record, outcome))


def skipped_point(stage: Stage) -> PointRecord:
    """The test point that was not measured."""
    if stage.point is None:
        raise ValueError(f"stage {stage.key} measures no point")
    flags = (Flag.SKIPPED,) if stage.skip_quality is Quality.OVER_LIMIT else ()
    return replace(_asked(stage.point, stage.skip_quality), ended_by="not measured", flags=flags)


def _asked(asked: SoakPoint, quality: Quality) -> PointRecord:
    return PointRecord(
        heat_set_w=asked.heat_w,
        noise_set_dba=asked.noise_dba,
        fan_pct=asked.fan_pct,
        pump_pct=asked.pump_pct,
        until=asked.equilibrium.words,
        quality=quality,
    )


def _level(got: Mapping[str, Finding]) -> Finding | None:
    """The point's level: of the fan sweep where the soak was not in a quiet room, else what the microphone heard."""
    return got.get(SWEPT_LEVEL) or got.get("level_dba")


def _with_level(record: PointRecord, got: Mapping[str, Finding], found: Found) -> PointRecord:
    level, background = _level(got), found.last(BACKGROUND)
    if level is None:
        return replace(record, background_dba=_value(background))
    record = replace(record, level_dba=level.value, level_u_db=level.u, background_dba=_value(background))
    if background is None:
        return record
    corrected = source_level(estimate_of(level), estimate_of(background))
    return replace(
        record,
        level_corrected_dba=corrected.level.value,
        level_corrected_u_db=corrected.level.expanded,
        level_bound=corrected.bound,
    )


def _flags(asked: SoakPoint, outcome: Outcome, got: Mapping[str, Finding]) -> list[Flag]:
    level, heat = _level(got), got.get("heat_w")
    throttled = [got[name] for name in THROTTLED if name in got]
    moved, left = got.get("ambient_moved_k"), got.get("left_k")
    needed = [got.get("rise_k"), heat, level]
    flags = []
    if HANGS in got:
        # What was seen of the rise was not the rise.
        flags.append(Flag.SENSOR_HANGS)
    elif outcome.ending is Ending.TIME_UP:
        flags.append(Flag.NOT_SETTLED)
    elif outcome.ending is Ending.FIXED and left is not None and left.value > LEFT_K:
        # What a soak asked for by `within_k` it has, when it ended by that; how well its end is known its ± tells.
        flags.append(Flag.STILL_MOVING)
    if DRIFTS in got and HANGS not in got:
        flags.append(Flag.DRIFTING)
    if any(count.value > 0 for count in throttled):
        flags.append(Flag.THROTTLED)
    if any(finding is not None and finding.detail["missing"] > MISSING_AT_MOST for finding in needed):
        flags.append(Flag.SAMPLES_MISSING)
    if moved is not None and abs(moved.value) > AMBIENT_MOVES_K:
        flags.append(Flag.AMBIENT_MOVED)
    if heat is not None and abs(heat.value - asked.heat_w) > HEAT_OFF * asked.heat_w:
        flags.append(Flag.HEAT_OFF_SET)
    if level is None:
        flags.append(Flag.LEVEL_MISSING)
    elif asked.noise_dba is not None and abs(level.value - asked.noise_dba) > LEVEL_OFF_DB:
        flags.append(Flag.LEVEL_OFF_SET)
    return flags


def _quality(record: PointRecord, outcome: Outcome) -> Quality:
    if outcome.ending is Ending.OVER_LIMIT:
        return Quality.OVER_LIMIT
    if record.rise_k is None or record.heat_w is None or VOID & set(record.flags):
        return Quality.VOID
    return Quality.FLAGGED if record.flags else Quality.GOOD


def _value(finding: Finding | None) -> float | None:
    return None if finding is None else finding.value


def _u(finding: Finding | None) -> float | None:
    return None if finding is None else finding.u
