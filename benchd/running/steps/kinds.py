"""Which generator plays which kind of step."""

from collections.abc import Callable, Mapping
from typing import Any

from benchd.running.found import Found
from benchd.running.steps.base import Step
from benchd.running.steps.heat import break_in, cool_down, dwell, soak
from benchd.running.steps.mount import mount_check
from benchd.running.steps.person import confirm
from benchd.running.steps.pump import pump_sweep
from benchd.running.steps.room import background, fan_sweep

KINDS: Mapping[str, Callable[[Any, Found], Step]] = {
    "background": background,
    "pump_sweep": pump_sweep,
    "fan_sweep": fan_sweep,
    "soak": soak,
    "cool_down": cool_down,
    "dwell": dwell,
    "break_in": break_in,
    "mount_check": mount_check,
    "confirm": confirm,
}
