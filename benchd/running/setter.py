"""Commands setpoints to the bench, and remembers which the instruments have taken."""

from __future__ import annotations

from collections.abc import Mapping

from benchd.bench_file import HEAT_SETPOINT
from benchd.running.bench import OpenBench
from benchd.running.steps.base import Wants


class Setter:
    """Sends what changed, and again each tick what was not taken.

    Heat goes down before anything else moves, and goes up only when fans and pump have taken their setting. While heat
    that should go down is not taken, fans and pump are not lowered.
    """

    def __init__(self, bench: OpenBench) -> None:
        self._bench = bench
        self._taken: dict[str, float] = {}
        self._wants: Wants | None = None
        #: The heater gives at least and at most this [W]; they differ when it did not take its last setting.
        self._heat_between_w = 0.0, 0.0
        #: Setpoints that were not taken, and why.
        self.refused: dict[str, str] = {}

    def command(self, wants: Wants) -> None:
        """Bring the bench's setpoints to what a step wants. What fails stands in `refused` afterwards."""
        last = self._wants
        unsure = self._bench.silent_setpoints()
        for name in unsure:
            # A device that fell silent may have turned its output off: what it had taken counts no longer.
            self._taken.pop(name, None)
            if name == HEAT_SETPOINT:
                self._heat_between_w = 0.0, self._heat_between_w[1]
        if (
            last is not None
            and not self.refused
            and not unsure
            and wants.heat_w == last.heat_w
            and wants.fan_pct == last.fan_pct
            and wants.pump_pct == last.pump_pct
        ):
            return
        self._wants = wants
        asked = {"heat_w": wants.heat_w, "fan_pct": wants.fan_pct, "pump_pct": wants.pump_pct}
        self._send({name: asked[name] for name in self._bench.setpoints if name in asked})

    def _send(self, asked: Mapping[str, float]) -> None:
        changed = {name: value for name, value in asked.items() if self._taken.get(name) != value}
        heat = {name: value for name, value in changed.items() if name == HEAT_SETPOINT}
        cooling = {name: value for name, value in changed.items() if name != HEAT_SETPOINT}
        least_w, most_w = self._heat_between_w
        rising = any(value > least_w for value in heat.values())
        falling = any(value < most_w for value in heat.values())
        lowered = {name: value for name, value in cooling.items() if falling and self._lowers(name, value)}
        self.refused = {}
        if not rising:
            self._write(heat)
        self._write({name: value for name, value in cooling.items() if name not in lowered})
        if rising and not self.refused:
            self._write(heat)
        elif rising:
            self.refused[HEAT_SETPOINT] = "not raised while cooling is not as commanded"
        if HEAT_SETPOINT in self.refused:
            self.refused |= dict.fromkeys(lowered, "not lowered while heat is not as commanded")
        else:
            self._write(lowered)

    def _lowers(self, name: str, value: float) -> bool:
        return value < self._taken.get(name, self._bench.setpoints[name].safe)

    def _write(self, values: Mapping[str, float]) -> None:
        if not values:
            return
        failed = self._bench.write(values)
        for name, value in values.items():
            if name in failed:
                # What the instrument now has is unknown: it is commanded again even if the old value is wanted.
                self._taken.pop(name, None)
                self.refused[name] = failed[name]
            else:
                self._taken[name] = value
            if name == HEAT_SETPOINT:
                among_w = (*self._heat_between_w, value) if name in failed else (value,)
                self._heat_between_w = min(among_w), max(among_w)
