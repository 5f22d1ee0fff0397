"""Walks a pydantic model by key path: which keys are allowed at a place, and what kind of value is wanted.

It follows models, lists, tables of one kind and unions; anything else ends the walk with nothing found.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from benchd.toml_places import Path

_WANTED = {
    float: "a number",
    int: "a whole number",
    bool: "true or false",
    str: 'a "text" in quotes',
}


def keys_of(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """The keys that a table of the model may have: a field's alias where it has one, else its name."""
    return {info.alias or name: info for name, info in model.model_fields.items()}


def models_at(model: type[BaseModel], path: Path, data: Any) -> list[type[BaseModel]]:
    """The models that a table at a path may be of; `data` decides between the members of a union."""
    return [found for found in annotations_at(model, path, data) if _is_model(found)]


def annotations_at(model: type[BaseModel], path: Path, data: Any) -> list[Any]:
    """The types that the value at a path may have, empty when the walk ends before it."""
    found: list[Any] = [model]
    for part in path:
        data = inside(data, part)
        found = _fitting([inner for outer in found for inner in _under(outer, part)], data)
    return found


def inside(here: Any, part: str | int) -> Any:
    """What stands in parsed data under one key or index, None when nothing does."""
    if isinstance(here, Mapping):
        return here.get(part)
    if isinstance(here, list | tuple) and isinstance(part, int) and part < len(here):
        return here[part]
    return None


def wanted(annotations: Iterable[Any]) -> str:
    """What kind of value the types ask for, in words; empty when there are none."""
    words = [word for annotation in annotations for word in _words(annotation)]
    given = list(dict.fromkeys(words))
    return f"one of {', '.join(given)}" if len(given) > 2 else " or ".join(given)


def _words(annotation: Any) -> list[str]:
    if annotation in _WANTED:
        return [_WANTED[annotation]]
    if get_origin(annotation) is Literal:
        return [f'"{value}"' for value in get_args(annotation)]
    if _is_model(annotation):
        needed = [name for name, info in keys_of(annotation).items() if info.is_required()]
        return [f"a table with {', '.join(needed)}" if needed else "a table"]
    if _is_list(annotation):
        inner = get_args(annotation)
        is_fixed = len(inner) > 1 and inner[-1] is not Ellipsis
        return [f"a list of {len(inner)} values" if is_fixed else "a list in [ ]"]
    return ["a table"] if _is_table(annotation) else []


def _under(annotation: Any, part: str | int) -> list[Any]:
    if _is_model(annotation):
        info = keys_of(annotation).get(str(part))
        return _members(info.annotation) if info else []
    inner = get_args(annotation)
    if _is_list(annotation) and isinstance(part, int) and inner:
        fixed = len(inner) > 1 and inner[-1] is not Ellipsis
        return _members(inner[part] if fixed and part < len(inner) else inner[0])
    return _members(inner[-1]) if _is_table(annotation) and inner else []


def _members(annotation: Any) -> list[Any]:
    if get_origin(annotation) is Annotated:
        return _members(get_args(annotation)[0])
    if get_origin(annotation) in (Union, UnionType):
        return [member for inner in get_args(annotation) for member in _members(inner)]
    return [annotation]


def _fitting(annotations: list[Any], table: Any) -> list[Any]:
    """Of several models those whose fixed words the table has, such as its kind; all when it has none."""
    models = [annotation for annotation in annotations if _is_model(annotation)]
    if len(models) < 2 or not isinstance(table, Mapping):
        return annotations
    return [model for model in models if _has_words_of(model, table)] or annotations


def _has_words_of(model: type[BaseModel], table: Mapping[str, Any]) -> bool:
    fixed = {name: info.annotation for name, info in keys_of(model).items() if info.is_required()}
    words = {name: get_args(wanted) for name, wanted in fixed.items() if get_origin(wanted) is Literal}
    return bool(words) and all(table.get(name) in allowed for name, allowed in words.items())


def _is_model(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)


def _is_list(annotation: Any) -> bool:
    origin = get_origin(annotation)
    return isinstance(origin, type) and issubclass(origin, Sequence)


def _is_table(annotation: Any) -> bool:
    origin = get_origin(annotation)
    return isinstance(origin, type) and issubclass(origin, Mapping)
