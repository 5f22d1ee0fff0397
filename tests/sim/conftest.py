"""What the tests of the whole rig share: a room in which nothing happens, and a rig that is set up."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from sim.benches import load_benches
from sim.rig import Rig
from sim.room import RoomKind
from sim.specimens import load_specimens

#: No drift, no cycle, no warming by the bench, no event; the drawn mean is 22.7 to 23.3 degC.
STILL = RoomKind(background_dba=32.2, swing_db=0.0, drift_k=0.0, ventilation_k=0.0, mean_c=23.0)


@pytest.fixture(scope="session")
def mounted() -> Callable[..., Rig]:
    """Makes a rig with fans and pump told what to do, in a still room unless told another.

    `bench` is its name, `changed` what is different there; extra arguments are the rig's.
    """

    def make(
        specimen: str,
        fan_pct: float = 100.0,
        pump_pct: float = 60.0,
        seed: int = 1,
        room: RoomKind = STILL,
        bench: str = "heater",
        changed: dict[str, object] | None = None,
        **more: object,
    ) -> Rig:
        there = replace(load_benches()[bench], room=room, **(changed or {}))
        rig = Rig(load_specimens()[specimen], seed, there, **more)
        rig.fans.command(fan_pct)
        if rig.pump is not None:
            rig.pump.command(pump_pct)
        return rig

    return make
