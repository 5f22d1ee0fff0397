"""The file `benches.toml` as it stands: which benches there are, and the table of each with what it takes from another.

Knows no class that a table becomes, so that a name can be checked without the physics.
"""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any, TypeAlias

Table: TypeAlias = dict[str, Any]

#: The bench when none is named.
USUAL = "heater"


def bench_names() -> tuple[str, ...]:
    """Names of all simulated benches. Valid for the shipped file; invented, no source.

    >>> bench_names()
    ('heater', 'processor', 'heater high')
    """
    return tuple(_file()["benches"])


def bench_table(name: str) -> Table:
    """The figures of one bench, those it takes from the one that it is like included. KeyError for an unknown name.

    Valid for the shipped file; figures invented, no source.

    Args:
        name: of the bench [no unit]

    >>> bench_table("heater high")["load"] == bench_table("heater")["load"]
    True
    """
    own = dict(_file()["benches"][name])
    like = own.pop("like", None)
    return own if like is None else bench_table(like) | own


def shared_table(kind: str, name: str) -> Table:
    """A table that several benches share. KeyError for what is not there.

    Valid for the shipped file; figures invented, no source.

    Args:
        kind: of table: `rooms` [no unit]
        name: which of them, as a bench says it [no unit]

    >>> "background_dba" in shared_table("rooms", bench_table("heater")["room"])
    True
    """
    return dict(_file()[kind][name])


@cache
def _file() -> Table:
    return tomllib.loads((files("sim") / "benches.toml").read_text(encoding="utf-8"))
