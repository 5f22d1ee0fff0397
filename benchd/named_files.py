"""Finds protocols and benches: shipped ones go by name, a person's own come first, and that is said.

Own files lie in `$XDG_CONFIG_HOME/benchd/protocols` and `.../benches` (`~/.config` unless set). What is in a
file is not looked at here, but for the first key, which says what kind of file it is.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, Literal, TypeAlias

from benchd.errors import FileProblems, NotFound, Problem
from benchd.toml_source import read

Kind: TypeAlias = Literal["protocol", "bench"]

_FOLDERS: Mapping[Kind, str] = {"protocol": "protocols", "bench": "benches"}
_ENDING = ".toml"


@dataclass(frozen=True)
class FoundFile:
    """A file that was asked for by name or path."""

    text: str
    file: str
    """Its path, for messages."""
    note: str = ""
    """What a person ought to be told of the choice, such as that it is their own; empty when nothing."""


def find_protocol(name_or_path: str) -> FoundFile:
    """The protocol file of that name, or at that path. Raises `NotFound` with the list, `InputError`."""
    return _find("protocol", name_or_path)


def find_bench(name_or_path: str) -> FoundFile:
    """The bench file of that name, or at that path. Raises `NotFound` with the list, `InputError`."""
    return _find("bench", name_or_path)


def shipped_bench(name: str) -> str | None:
    """The path of the shipped bench of that name, None when there is none."""
    return _shipped("bench").get(name)


def names(kind: Kind) -> list[str]:
    """The names that go without a path, a person's own and the shipped ones, sorted."""
    return sorted({**_shipped(kind), **_own(kind)})


def kind_of(data: Mapping[str, Any], file: str) -> Kind:
    """What kind of file it is, by its first key. Raises `FileProblems` when that is none of the two."""
    first = next(iter(data), "")
    if first == "protocol":
        return "protocol"
    if first == "bench":
        return "bench"
    what = 'neither a protocol nor a bench file; begin it with protocol = "NAME" or bench = "NAME"'
    raise FileProblems(file, [Problem(1, 1, "", what)])


def _find(kind: Kind, wanted: str) -> FoundFile:
    if "/" in wanted or os.sep in wanted or wanted.endswith(_ENDING):
        return _at_path(kind, wanted)
    own, shipped = _own(kind).get(wanted), _shipped(kind).get(wanted)
    if own:
        beside = f", not the shipped one ({shipped})" if shipped else ""
        return FoundFile(read(own), own, f"{kind} {wanted}: your own file {own}{beside}")
    if shipped:
        return FoundFile(read(shipped), shipped)
    raise NotFound(f"there is no {kind} named {wanted!r}", _what_there_is(kind, wanted))


def _at_path(kind: Kind, path: str) -> FoundFile:
    try:
        return FoundFile(read(path), path)
    except NotFound as error:
        stem = Path(path).stem
        raise NotFound(error.message, _what_there_is(kind, stem)) from None


def _what_there_is(kind: Kind, wanted: str) -> str:
    known = names(kind)
    near = get_close_matches(wanted[:60], known, n=1)
    perhaps = f"did you mean {near[0]}? " if near else ""
    return f"{perhaps}by name there are: {', '.join(known) or 'none'}; or give a path ending in {_ENDING}"


def _shipped(kind: Kind) -> dict[str, str]:
    folder: Traversable = files("protocols") if kind == "protocol" else files("benchd") / "benches"
    entries = folder.iterdir() if folder.is_dir() else iter(())
    # The packages are always installed as plain files, so a resource is a path.
    return {entry.name.removesuffix(_ENDING): str(entry) for entry in entries if entry.name.endswith(_ENDING)}


def _own(kind: Kind) -> dict[str, str]:
    folder = config_folder() / _FOLDERS[kind]
    try:
        names = sorted(name for name in os.listdir(folder) if name.endswith(_ENDING))
    except OSError:
        return {}  # none there, or not for us to see
    return {name.removesuffix(_ENDING): str(folder / name) for name in names}


def config_folder() -> Path:
    """Where a person's own benchd files lie."""
    given = os.environ.get("XDG_CONFIG_HOME", "")
    # The XDG Base Directory Specification has relative paths ignored.
    base = Path(given) if os.path.isabs(given) else Path("~/.config").expanduser()
    return base / "benchd"
