"""The table of a served bench: which instruments stand on which wires and show which quantities; sim's own TOML.

Owns its shape and the shipped ones; in `bench.toml` every key is explained. What a kind of wire needs beside
(registers, headers, lines) it hands on as it stands. Knows no plant and no server.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from importlib.resources import files
from typing import Any, Literal, TypeAlias, get_args

from sim.bench_tables import USUAL
from sim.benches import load_benches
from sim.specimens import load_specimens
from sim.wires.heater_supply import SupplyLimits

WireKind: TypeAlias = Literal["modbus_tcp", "modbus_rtu", "scpi", "text_line", "sysfs"]
Keys: TypeAlias = Mapping[str, Any]

#: The table when none is named.
USUAL_TABLE = "bench"


@dataclass(frozen=True)
class InstrumentTable:
    """One instrument: its wire, and what it shows and takes."""

    name: str
    wire: WireKind
    sources: Mapping[str, str]
    """What it shows: source by the name of the reading."""
    targets: Mapping[str, str]
    """What it can be told: target by the name of the setting."""
    reads: Mapping[str, Keys]
    """What the server of this kind of wire must know of each reading."""
    writes: Mapping[str, Keys]
    """The same of each setting."""
    keys: Keys
    """The same of the instrument."""
    late_s: float = 0.7
    """By how much its late answers come late [s]."""


@dataclass(frozen=True)
class StationTable:
    """A whole table. Raises ValueError for a bench, specimen or supply that there cannot be."""

    instruments: Mapping[str, InstrumentTable]
    specimen: str
    bench: str = USUAL
    seed: int = 1
    mount: int = 1
    supply: SupplyLimits = field(default_factory=SupplyLimits)
    control_port: int = 0
    """Where faults are switched [no unit]; 0 for a free port."""

    def __post_init__(self) -> None:
        _known("bench", self.bench, load_benches())
        _known("specimen", self.specimen, load_specimens())

    def with_free_ports(self) -> StationTable:
        """The same on whatever TCP ports are free.

        >>> load_table(shipped()).with_free_ports().instruments["supply"].keys["port"]
        0
        """
        freed = {
            name: replace(one, keys={**one.keys, "port": 0}) if "port" in one.keys else one
            for name, one in self.instruments.items()
        }
        return replace(self, instruments=freed, control_port=0)


def shipped(name: str = USUAL_TABLE) -> str:
    """The text of a shipped table. Raises ValueError for a name that there is not.

    Args:
        name: `bench`, five instruments, or `load`, a heater load alone [no unit]

    >>> len(load_table(shipped()).instruments), list(load_table(shipped("load")).instruments)
    (5, ['load'])
    """
    tables = {file.name.removesuffix(".toml"): file for file in (files("sim") / "wires").iterdir()}
    names = [one for one, file in tables.items() if file.name.endswith(".toml")]
    if name not in names:
        raise ValueError(f"there is no table {name!r}; there are: {', '.join(sorted(names))}")
    return tables[name].read_text(encoding="utf-8")


def load_table(text: str) -> StationTable:
    """A table from its text. Raises ValueError that says what is wrong.

    Args:
        text: TOML [no unit]

    >>> table = load_table('''
    ... specimen = "slate tower"
    ... [instruments.meter]
    ... wire = "text_line"
    ... reads.level = { source = "level", decimals = 1 }
    ... ''')
    >>> table.instruments["meter"].sources, table.instruments["meter"].reads
    ({'level': 'level'}, {'level': {'decimals': 1}})
    """
    table = tomllib.loads(text)
    instruments = _take(table, "instruments", dict, {})
    supply = _take(table, "supply", dict, {})
    known = {"specimen": str, "bench": str, "seed": int, "mount": int, "control_port": int}
    for key, value in table.items():
        if key not in known:
            raise ValueError(f"there is no key {key}; there are: {', '.join([*known, 'supply', 'instruments'])}")
        if isinstance(value, bool) or not isinstance(value, known[key]):
            raise ValueError(f"{key} cannot be {value!r}")
    if "specimen" not in table:
        raise ValueError(f"specimen is not said; there are: {', '.join(load_specimens())}")
    return StationTable(
        instruments={name: _instrument(name, one) for name, one in instruments.items()},
        supply=_supply(supply),
        **table,
    )


def _supply(table: Keys) -> SupplyLimits:
    known = [one.name for one in fields(SupplyLimits)]
    for key, value in table.items():
        if key not in known:
            raise ValueError(f"supply: there is no key {key}; there are: {', '.join(known)}")
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ValueError(f"supply: {key} cannot be {value!r}")
    return SupplyLimits(**table)


def _instrument(name: str, table: Any) -> InstrumentTable:
    if not isinstance(table, dict):
        raise ValueError(f"instruments.{name} must be a table")
    if not name.isidentifier():
        raise ValueError(f"instruments.{name}: a name is letters, digits and _, and does not begin with a digit")
    keys = dict(table)
    where = f"instruments.{name}: "
    wire = _take(keys, "wire", str, "", where)
    kinds: tuple[WireKind, ...] = get_args(WireKind)
    kind = next((one for one in kinds if one == wire), None)
    if kind is None:
        raise ValueError(f"instruments.{name}: wire must be one of {', '.join(kinds)}, got {wire!r}")
    late_s = float(_take(keys, "late_s", (int, float), 0.7, where))
    if not 0 <= late_s < math.inf:
        raise ValueError(f"{where}late_s must be 0 or more, got {late_s:g}")
    sources, reads = _apart(f"instruments.{name}.reads", _take(keys, "reads", dict, {}, where), "source")
    targets, writes = _apart(f"instruments.{name}.writes", _take(keys, "writes", dict, {}, where), "target")
    return InstrumentTable(name, kind, sources, targets, reads, writes, keys, late_s)


def _apart(where: str, table: Keys, what: str) -> tuple[dict[str, str], dict[str, Keys]]:
    """From each entry the plant's quantity, and the rest for the server."""
    quantities: dict[str, str] = {}
    rest: dict[str, Keys] = {}
    for name, entry in table.items():
        if not isinstance(entry, dict) or not isinstance(entry.get(what), str):
            raise ValueError(f"{where}.{name}: {what} must be said")
        quantities[name] = entry[what]
        rest[name] = {key: value for key, value in entry.items() if key != what}
    return quantities, rest


def _take(table: dict[str, Any], key: str, kind: type | tuple[type, ...], default: Any, where: str = "") -> Any:
    value = table.pop(key, default)
    if isinstance(value, bool) or not isinstance(value, kind):
        raise ValueError(f"{where}{key} cannot be {value!r}")
    return value


def _known(what: str, name: str, there_are: Mapping[str, Any]) -> None:
    if name not in there_are:
        raise ValueError(f"there is no {what} {name!r}; there are: {', '.join(there_are)}")
