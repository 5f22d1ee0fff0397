"""The morning page of a run, described for whoever reads /openapi.json. Every key is always there.

The page is made by `benchd.report.morning` and sent as it is; a test holds it against this description.
"""

from __future__ import annotations

from benchd.running.states import Quality
from benchd.service.api_status import Part


class PointPart(Part):
    """A test point, as `benchd results --json` prints it, and its stage. `*_u_*` are expanded uncertainties, 95 %."""

    point: int
    run: int
    specimen: str
    mount: int
    stage: str
    heat_set_w: float
    heat_w: float | None
    heat_u_w: float | None
    noise_set_dba: float | None
    fan_pct: float | None
    pump_pct: float | None
    fan_rpm: float | None
    level_dba: float | None
    level_u_db: float | None
    level_corrected_dba: float | None
    level_corrected_u_db: float | None
    level_bound: str | None
    background_dba: float | None
    die_c: float | None
    ambient_c: float | None
    inlet_c: float | None
    rise_k: float | None
    rise_u_k: float | None
    resistance_k_per_w: float | None
    resistance_u_k_per_w: float | None
    until: str | None
    ended_by: str | None
    soak_s: float | None
    extrapolated_k: float | None
    quality: Quality
    flags: list[str]


class CountsPart(Part):
    """How many points are worth what."""

    good: int
    flagged: int
    over_limit: int
    not_reached: int
    void: int


class HappenedPart(Part):
    """Something that a person wants to know of in the morning; t_s: since the run began [s]."""

    t_s: float | None
    local: str
    kind: str
    what: str
    who: str | None


class PromptPart(Part):
    """Something that the run still asks of a person."""

    what: str
    asked_local: str
    limit_local: str | None


class MorningAnswer(Part):
    """Did it finish, what is each point worth, and what to do next; unknown is null."""

    run: int
    protocol: str
    specimen: str
    mount: int
    bench: str
    simulated: bool
    state: str
    reason: str
    started_local: str | None
    ended_local: str | None
    lasted_s: float | None
    says: str
    counts: CountsPart
    points: list[PointPart]
    found: list[str]
    mount_check: str | None
    events: list[HappenedPart]
    prompts: list[PromptPart]
    next: str | None
