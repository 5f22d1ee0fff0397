"""One protocol, its soaks cooling down in each of the three ways before their points: to see what each costs.

Pure: protocol in, protocols out. It must not know how they are played.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass

from benchd.protocol_file import COOL_KEYS, CoolWay, LoadedProtocol, Soak, load_protocol
from benchd.toml_written import toml_of

#: What is taken for a key that the protocol does not give, as it cools down in another way: the habits of the trade.
HABITS: Mapping[str, float] = {"cool_for_min": 25.0, "to_within_k": 2.0, "cool_at_most_min": 30.0}


@dataclass(frozen=True)
class Cooled:
    """A protocol of which every soak cools down in one way."""

    way: CoolWay
    keys: Mapping[str, float]
    """The keys that go with the way."""
    taken: bool
    """Whether they are the habits of the trade, the protocol having none."""
    chosen: bool
    """Whether the protocol says so itself."""
    protocol: LoadedProtocol

    @property
    def words(self) -> str:
        """The way for a person, with its figures."""
        match self.way:
            case "fixed":
                return f'"fixed", {self.keys["cool_for_min"]:g} min'
            case "to_within_k":
                within_k, at_most_min = self.keys["to_within_k"], self.keys["cool_at_most_min"]
                return f'"to_within_k", {within_k:g} K or {at_most_min:g} min'
            case "none":
                return '"none"'


def in_each_way(loaded: LoadedProtocol) -> list[Cooled]:
    """The protocol in the three ways, none when it has no soak; the one that it chose itself is the protocol itself.

    Of several soaks the first that chose a way gives the keys of it.
    """
    soaks = [step for step in loaded.protocol.steps if isinstance(step, Soak)]
    return [_cooled(loaded, soaks, way) for way in COOL_KEYS] if soaks else []


def _cooled(loaded: LoadedProtocol, soaks: list[Soak], way: CoolWay) -> Cooled:
    own = next((soak for soak in soaks if soak.cool_down == way), None)
    keys = {key: HABITS[key] if own is None else getattr(own, key) for key in COOL_KEYS[way]}
    chosen = all((soak.cool_down, soak.cools) == (way, soaks[0].cools) for soak in soaks)
    return Cooled(way, keys, bool(keys) and own is None, chosen, loaded if chosen else _changed(loaded, way, keys))


def _changed(loaded: LoadedProtocol, way: CoolWay, keys: Mapping[str, float]) -> LoadedProtocol:
    data = tomllib.loads(loaded.text)
    for step in data["steps"]:
        if step["kind"] == "soak":
            for key in HABITS:
                step.pop(key, None)
            step.update({"cool_down": way, **keys})
    return load_protocol(toml_of(data), loaded.file)
