"""What a step may know beyond its own settings: earlier findings, how good the channels are, the protocol's limit."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from benchd.analysis.uncertainty import Estimate, from_expanded
from benchd.instruments import ChannelSpec
from benchd.running.steps.base import Finding

BACKGROUND = "background_dba"
PUMP_SETTING = "pump_pct"
PUMP_HEARD = "pump_heard_pct"
PUMP_RISE = "pump_rise_k"
PUMP_LEVEL = "pump_level_dba"
FAN_LEVEL = "fan_level_dba"
#: The level of a test point as the fan sweep says it for the measured fan speed.
SWEPT_LEVEL = "swept_level_dba"
MOUNT = "mount_k_per_w"
OVER_LIMIT = "over_limit_c"
RESISTANCE = "resistance_k_per_w"
CYCLE_RISE = "cycle_rise_k"

#: Fan or pump settings closer than this [%] are one setting.
SAME_PCT = 0.05


@dataclass(frozen=True)
class Found:
    """The findings of a run so far, in the order they were made, and what is known of its channels."""

    findings: tuple[Finding, ...] = ()
    channels: Mapping[str, ChannelSpec] = field(default_factory=dict)
    over_limit_c: float | None = None
    """Die temperature [degC] at which a point ends as over limit."""

    def last(self, name: str) -> Finding | None:
        """The latest finding of that name."""
        return next((finding for finding in reversed(self.findings) if finding.name == name), None)

    def every(self, name: str) -> list[Finding]:
        """All findings of that name."""
        return [finding for finding in self.findings if finding.name == name]

    def resistance_at(self, fan_pct: float, pump_pct: float) -> float | None:
        """What the latest point that came to its end at these settings [%] gave [K/W], None without one."""
        for finding in reversed(self.every(RESISTANCE)):
            at = [finding.detail.get(key, math.nan) for key in ("fan_pct", "pump_pct")]
            if all(abs(one - asked) <= SAME_PCT for one, asked in zip(at, (fan_pct, pump_pct), strict=True)):
                return finding.value
        return None

    def channel(self, name: str) -> ChannelSpec:
        """How good a channel is; a channel nobody described is taken as exact."""
        return self.channels.get(name, ChannelSpec())

    def pump_pct(self, given: float | None) -> float:
        """The pump setting to use [%]: the given one, else the one the pump sweep found, else full."""
        if given is not None:
            return given
        found = self.last(PUMP_SETTING)
        return found.value if found else 100.0


def level_curve(findings: Iterable[Finding]) -> list[Finding]:
    """The findings of the fan sweep, slowest setting first."""
    return sorted(
        (finding for finding in findings if finding.name == FAN_LEVEL),
        key=lambda finding: finding.detail["fan_pct"],
    )


def estimate_of(finding: Finding) -> Estimate:
    """A finding with what is known of its error; one without is taken as exact."""
    dof = finding.dof or math.inf
    return Estimate(finding.value, from_expanded(finding.u or 0.0, dof), dof)
