"""What validation refuses, said plainly: what is wrong, what is allowed, and at which line and column.

It knows pydantic's kinds of mistake and how to walk a model; it knows no key of any file.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, time
from difflib import get_close_matches
from typing import Any

from pydantic import BaseModel, ValidationError

from benchd.errors import Problem
from benchd.instruments import unit_of
from benchd.toml_models import annotations_at, inside, keys_of, models_at, wanted
from benchd.toml_places import Path, Places

#: A file with more mistakes than this is the wrong file; the rest is only counted.
MOST_PROBLEMS = 50
_LONGEST = 300
_LONGEST_VALUE = 40


def problems_of(
    error: ValidationError, places: Places, data: Mapping[str, Any], model: type[BaseModel], base: Path = ()
) -> list[Problem]:
    """The mistakes that validation found, in the order of the file.

    places, data: of the same file. model: what was validated, standing at the path `base` of it.
    """
    table = value_at(data, base)
    mistakes = []
    for said in error.errors(include_url=False):
        path = (*base, *_without_tags(said["loc"], said["type"], table))
        mistake = _Mistake(said["type"], path, said["input"], said.get("ctx", {}), said["msg"])
        if not _is_after_effect(mistake):
            mistakes.append(mistake)
    # A list of a hundred thousand wrong values must not take minutes: only the first ones are worded.
    mistakes.sort(key=lambda mistake: places.value(mistake.path))
    around = _Around(data, model, base)
    problems = sorted({_problem(mistake, around, places) for mistake in mistakes[:MOST_PROBLEMS]})
    rest = mistakes[MOST_PROBLEMS:]
    if rest:
        more = f"and {len(rest)} more mistakes from here on"
        problems.append(Problem(*places.value(rest[0].path), "", more))
    return problems


def _problem(mistake: _Mistake, around: _Around, places: Places) -> Problem:
    words = _worded(mistake, around)
    place = places.key(words.path) if words.of_key else places.value(words.path)
    return Problem(*place, where(words.path, around.data), _one_line(words.what))


def problem_at(places: Places, data: Mapping[str, Any], path: Path, what: str) -> Problem:
    """A mistake that a later check found in the value at a path, in the same form."""
    return Problem(*places.value(path), where(path, data), _one_line(what))


def where(path: Path, data: Mapping[str, Any]) -> str:
    """A path in words: counted from 1, with the name or kind of what is counted.

    >>> where(("steps", 0, "heat_w"), {"steps": [{"kind": "soak", "heat_w": 5}]})
    'steps.1 (soak).heat_w'
    """
    words = []
    here: Any = data
    for part in path:
        here = inside(here, part)
        words.append(_named(part, here) if isinstance(part, int) else shown_key(part))
    return ".".join(words)


def value_at(data: Any, path: Path) -> Any:
    """What stands at a path of parsed data, None when nothing does."""
    for part in path:
        data = inside(data, part)
    return data


def did_you_mean(name: object, allowed: Iterable[str]) -> str:
    """` (did you mean "x"?)` when an allowed name is near, else nothing."""
    near = get_close_matches(str(name)[:_LONGEST_VALUE], list(allowed), n=1)
    return f' (did you mean "{near[0]}"?)' if near else ""


def shown(value: object) -> str:
    """A value of a file as a person wrote it, shortened."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) >= 10**15:
        return "a very large number"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    if isinstance(value, str):
        short = value if len(value) <= _LONGEST_VALUE else f"{value[:_LONGEST_VALUE]}..."
        return json.dumps(short, ensure_ascii=False)
    if isinstance(value, list | tuple):
        return "a list"
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, date | time):
        return f"the date or time {value.isoformat()}"
    return str(value)


def shown_key(key: object) -> str:
    """A key of a file: as it stands when it is a plain word, else in quotes and shortened."""
    return str(key) if re.fullmatch(r"[A-Za-z0-9_-]{1,60}", str(key)) else shown(str(key))


# --- from pydantic's location to a path in the file


def _without_tags(loc: tuple[str | int, ...], kind: str, here: Any) -> Path:
    """A location without the names that pydantic puts in for the members of a union."""
    path: Path = ()
    tagged = False
    for index, part in enumerate(loc):
        is_tag = isinstance(here, Mapping) and not tagged and part == here.get("kind")
        is_absent = index == len(loc) - 1 and kind == "missing"
        there = inside(here, part) is not None or is_absent
        tagged = is_tag
        if is_tag or not there:
            continue
        path = (*path, part)
        here = inside(here, part)
    return path


def _named(index: int, entry: Any) -> str:
    names = [entry.get(key) for key in ("name", "kind", "channel")] if isinstance(entry, Mapping) else []
    name = next((name for name in names if isinstance(name, str) and name), None)
    return f"{index + 1} ({shown_key(name)})" if name else f"{index + 1}"


# --- the words

#: Kinds of mistake that say what a value must be; `{}` are the limits that pydantic gives along.
_MUST_BE = {
    "float_type": "must be a number",
    "float_parsing": "must be a number",
    "int_type": "must be a whole number",
    "int_parsing": "must be a whole number",
    "int_from_float": "must be a whole number",
    "bool_type": "must be true or false",
    "bool_parsing": "must be true or false",
    "string_type": 'must be a "text" in quotes',
    "tuple_type": "must be a list in [ ]",
    "list_type": "must be a list in [ ]",
    "model_type": "must be a table",
    "model_attributes_type": "must be a table",
    "dict_type": "must be a table",
    "mapping_type": "must be a table",
    "finite_number": "must be a finite number",
    "greater_than": "must be above {gt}",
    "greater_than_equal": "must be at least {ge}",
    "less_than": "must be below {lt}",
    "less_than_equal": "must be at most {le}",
    "string_pattern_mismatch": "must match the pattern {pattern}",
    "literal_error": "must be {expected}",
    "enum": "must be {expected}",
}


@dataclass(frozen=True)
class _Mistake:
    """One mistake as pydantic tells it, with its path in the file."""

    kind: str
    path: Path
    got: Any
    limits: Mapping[str, Any]
    said: str


@dataclass(frozen=True)
class _Around:
    """The file's data and the model that stands at the path `base` of it."""

    data: Mapping[str, Any]
    model: type[BaseModel]
    base: Path

    def annotations(self, path: Path) -> list[Any]:
        """The types wanted at a path of the file."""
        return annotations_at(self.model, path[len(self.base) :], value_at(self.data, self.base))

    def allowed_keys(self, path: Path) -> list[str]:
        """The keys allowed in the table at a path of the file."""
        models = models_at(self.model, path[len(self.base) :], value_at(self.data, self.base))
        return list(dict.fromkeys(key for found in models for key in keys_of(found)))


@dataclass(frozen=True)
class _Words:
    """What is said of a mistake, and of what: of a key itself, or of the value at a path."""

    path: Path
    what: str
    of_key: bool = False


def _worded(mistake: _Mistake, around: _Around) -> _Words:
    special = _SPECIAL.get(mistake.kind)
    if special:
        return special(mistake, around)
    got = shown(mistake.got)
    if mistake.kind not in _MUST_BE:
        return _Words(mistake.path, f"{mistake.said[:1].lower()}{mistake.said[1:]}, got {got}")
    is_number = isinstance(mistake.got, int | float) and not isinstance(mistake.got, bool)
    unit = _unit(mistake.path) if is_number else ""
    limits = {name: _limit(value) for name, value in mistake.limits.items()}
    return _Words(mistake.path, f"{_MUST_BE[mistake.kind].format_map(limits)}, got {got}{unit}")


def _limit(value: object) -> str:
    return value.replace("'", '"') if isinstance(value, str) else shown(value)


def _unit(path: Path) -> str:
    name = next((part for part in reversed(path) if isinstance(part, str)), "")
    unit = unit_of(name)
    return f" [{unit}]" if unit else ""


def _unknown_key(mistake: _Mistake, around: _Around) -> _Words:
    allowed = around.allowed_keys(mistake.path[:-1])
    near = did_you_mean(mistake.path[-1], allowed)
    return _Words(mistake.path, f"unknown key; allowed here: {', '.join(allowed)}{near}", of_key=True)


def _missing(mistake: _Mistake, around: _Around) -> _Words:
    outer = mistake.path[:-1]
    there = value_at(around.data, outer)
    if isinstance(there, list):
        return _Words(outer, f"must be {wanted(around.annotations(outer))}, got {len(there)}")
    needed = wanted(around.annotations(mistake.path)) or "a value"
    return _Words(mistake.path, f"missing; give {needed}{_unit(mistake.path)}")


def _unknown_kind(mistake: _Mistake, _around: _Around) -> _Words:
    key = mistake.limits["discriminator"].strip("'")
    kinds = re.findall(r"'([^']*)'", mistake.limits["expected_tags"])
    got = inside(mistake.got, key)
    near = did_you_mean(got, kinds)
    return _Words((*mistake.path, key), f"unknown {key} {shown(got)}; allowed here: {', '.join(kinds)}{near}")


def _no_kind(mistake: _Mistake, around: _Around) -> _Words:
    path = (*mistake.path, mistake.limits["discriminator"].strip("'"))
    return _Words(path, f"missing; give {wanted(around.annotations(path)) or 'a text'}")


def _wrong_length(mistake: _Mistake, _around: _Around) -> _Words:
    if mistake.limits.get("min_length") == 1:
        return _Words(mistake.path, "must not be empty")
    side, count = ("least", "min_length") if mistake.kind.endswith("too_short") else ("most", "max_length")
    limit = mistake.limits[count]
    what = "characters" if isinstance(mistake.got, str) else "values"
    return _Words(mistake.path, f"must have at {side} {limit} {what}, got {len(mistake.got)}")


def _said_by_model(mistake: _Mistake, around: _Around) -> _Words:
    """A model's own rule. When its words begin with a key of the table, the mistake is shown at that key."""
    said = str(mistake.limits["error"])
    first, _, rest = said.partition(" ")
    table = value_at(around.data, mistake.path)
    if isinstance(table, Mapping) and first in table:
        return _Words((*mistake.path, first), rest)
    return _Words(mistake.path, said)


_SPECIAL: dict[str, Callable[[_Mistake, _Around], _Words]] = {
    "extra_forbidden": _unknown_key,
    "missing": _missing,
    "union_tag_invalid": _unknown_kind,
    "union_tag_not_found": _no_kind,
    "too_short": _wrong_length,
    "too_long": _wrong_length,
    "string_too_short": _wrong_length,
    "string_too_long": _wrong_length,
    "value_error": _said_by_model,
    "assertion_error": _said_by_model,
}


def _is_after_effect(mistake: _Mistake) -> bool:
    """A list whose values were refused is also called too short, though it is not."""
    return mistake.kind == "too_short" and len(mistake.got) >= mistake.limits["min_length"]


def _one_line(what: str) -> str:
    line = " ".join(what.split())
    return line if len(line) <= _LONGEST else f"{line[:_LONGEST]}..."
