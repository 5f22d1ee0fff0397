"""How long a stalled pump leaves before the die is too hot, for each liquid specimen: `python -m sim.stall`.

Only die, spreader, cold plate and the coolant in it take the heat then, a few hundred J/K.
"""

from __future__ import annotations

from sim.faults import Fault
from sim.rig import Rig
from sim.specimens import Specimen, load_specimens

_SETTLE_S = 1800.0
_STEP_S = 0.1
_AT_MOST_S = 600.0


def stall_s(specimen: Specimen, heat_w: float = 200.0, from_c: float = 60.0, to_c: float = 95.0) -> float:
    """From one temperature of the die to another with the pump stalled [s], to a tenth of a second.

    Valid for a liquid specimen, and for a range above what 40 % of the heat settle at; raises ValueError outside. It
    settles at 40 % of the heat with full fans, then pump stalls and the whole heat comes on.

    Args:
        specimen: which [no unit]
        heat_w: heat after the stall, above 0 [W]
        from_c: where the time begins [degC]
        to_c: where it ends [degC]

    >>> 30.0 < stall_s(load_specimens()["brook 2x120"]) < 50.0
    True
    """
    rig = Rig(specimen, 1, planned=[Fault("pump_stalls", _SETTLE_S)])
    if rig.pump is None:
        raise ValueError(f"{specimen.name} has no pump")
    rig.advance_to(_SETTLE_S, 0.4 * heat_w)
    if rig.true["die"]() >= from_c:
        raise ValueError(f"{specimen.name} is above {from_c:g} degC before its pump stalls")
    passed_s: list[float] = []
    for mark_c in (from_c, to_c):
        while rig.true["die"]() < mark_c:
            if rig.t_s > _SETTLE_S + _AT_MOST_S:
                raise ValueError(f"{specimen.name} does not get to {mark_c:g} degC at {heat_w:g} W")
            rig.advance_to(rig.t_s + _STEP_S, heat_w)
        passed_s.append(rig.t_s)
    return passed_s[1] - passed_s[0]


def main() -> None:
    """Print it for each liquid specimen."""
    print("pump stalled at 200 W, die from 60 to 95 degC (simulated):")
    for name, specimen in load_specimens().items():
        if specimen.liquid:
            print(f"  {name}: {stall_s(specimen):.1f} s")


if __name__ == "__main__":
    main()
