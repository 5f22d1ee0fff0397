"""The invented benches on which specimens can be mounted, built from their figures in `benches.toml`.

Owns which class takes which table, what belongs to one copy of a bench and to one mount on it; what a parameter means
stands at that class. The file itself is bench_tables.py's. Knows no specimen and no time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from types import MappingProxyType

from sim.bench_tables import Table, bench_names, bench_table, shared_table
from sim.cooler import Case, HeatPath, Paste
from sim.load import LoadParameters
from sim.meter import MeterKind
from sim.room import RoomKind
from sim.seeds import clipped_normal, stream
from sim.sensors import KINDS, SensorKind, Source
from sim.sound import Auxiliaries
from sim.supply import Supply


@dataclass(frozen=True)
class Bench:
    """One simulated bench: all that stands there but the specimen."""

    name: str
    about: str
    copy_number: int
    """Which copy: another one has other errors of its instruments, the same ones in all its nights [1]."""
    run_in_h: float
    """Hours of heat and of pumping that a mount has had when its run begins; 0 is fresh from filling [h]."""
    room: RoomKind
    case: Case
    path: HeatPath
    """From the die to the cooler, with the paste of a mean mount."""
    paste_varies_pct: float
    """How far the paste of one mount may differ from the next, half width of the 95 % interval [%]."""
    load: LoadParameters
    """Without its error."""
    load_error_pct: float
    """How far the load may be from what it is told, half width of the 95 % interval [%]."""
    supply: Supply
    smokes_above_c: float
    """Temperature of the die from which on something smoulders [degC]."""
    meter: MeterKind
    auxiliaries: Auxiliaries
    sensors: Mapping[Source, SensorKind]
    """What measures, by source."""

    def paste_of(self, specimen: str, mount: int) -> Paste:
        """The paste of one mount: that of the bench, thicker or thinner by what the mount has drawn.

        Valid for every mount. The same on every bench with the same paste.

        Args:
            specimen: what is mounted [no unit]
            mount: number of the mount [1]

        >>> bench = load_benches()["heater"]
        >>> thicknesses = [bench.paste_of("brook 2x140", mount).k_per_w / bench.path.paste.k_per_w for mount in (1, 2)]
        >>> thicknesses[0] != thicknesses[1], all(0.94 <= one <= 1.06 for one in thicknesses)
        (True, True)
        """
        varies_pct = clipped_normal(stream(mount, "paste", specimen), self.paste_varies_pct)
        return replace(self.path.paste, k_per_w=self.path.paste.k_per_w * (1 + varies_pct / 100))

    def path_of(self, specimen: str, mount: int) -> HeatPath:
        """The heat path of one mount.

        Args:
            specimen: what is mounted [no unit]
            mount: number of the mount [1]

        >>> bench = load_benches()["heater"]
        >>> bench.path_of("brook 2x140", 1).paste == bench.paste_of("brook 2x140", 1)
        True
        """
        return replace(self.path, paste=self.paste_of(specimen, mount))

    def erring_load(self) -> LoadParameters:
        """The load with the error that this copy of it has.

        >>> 0.996 <= load_benches()["heater"].erring_load().gain <= 1.004
        True
        """
        return replace(
            self.load, gain=1 + clipped_normal(stream(self.copy_number, "heater"), self.load_error_pct) / 100
        )

    def with_exact_load(self) -> Bench:
        """The same, but its load gives the watts that it is told: a heater without lag, error or growth.

        >>> load = load_benches()["processor"].with_exact_load().erring_load()
        >>> load.kind, load.gain, load.lag_s
        ('heater', 1.0, 0.0)
        """
        return replace(self, load=LoadParameters(lag_s=0.0, growth_per_k=0.0), load_error_pct=0.0)


@cache
def load_benches() -> Mapping[str, Bench]:
    """All simulated benches by name. Valid for the shipped file; figures invented, no source.

    >>> list(load_benches())
    ['heater', 'processor', 'heater high']
    """
    return MappingProxyType({name: _bench(name) for name in bench_names()})


def _bench(name: str) -> Bench:
    table: Table = bench_table(name)
    paste, sensors = Paste(**table.pop("paste")), table.pop("sensors")
    return Bench(
        name=name,
        room=RoomKind(**shared_table("rooms", table.pop("room"))),
        case=Case(**table.pop("case")),
        path=HeatPath(paste=paste, **table.pop("path")),
        load=LoadParameters(**table.pop("load")),
        supply=Supply(**table.pop("supply")),
        meter=MeterKind(**table.pop("meter")),
        auxiliaries=Auxiliaries(**table.pop("auxiliaries")),
        sensors=MappingProxyType(KINDS | {source: SensorKind(**kind) for source, kind in sensors.items()}),
        **table,
    )
