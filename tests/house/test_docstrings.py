"""Docstrings of `benchd.analysis` and `sim` are data: what is public says what it does, in which units, and shows it.

The rule, for every public function, method and constructor of every module of the two packages:

1. It has a docstring (a constructor's stands at its class).
2. It names each numeric argument, in backticks or with a colon at the start of a line, and before it names the next
   there is a unit in square brackets: [K], [1] ... Numeric is what is annotated with float, int, Estimate, ArrayLike
   or NDArray; a function passed in is not.
3. A function or class that takes such an argument has a worked example, and the examples of the module run. A
   coroutine needs a wire to answer and shows nothing.

Dataclasses and named tuples have no constructor of their own to look at; their methods are looked at like any others.
"""

from __future__ import annotations

import doctest
import importlib
import inspect
import pkgutil
import re
from collections.abc import Callable, Iterator
from types import ModuleType
from typing import Any

import pytest

import benchd.analysis
import sim

NUMERIC = re.compile(r"\b(float|int|Estimate|ArrayLike|NDArray)\b")
NAMED = re.compile(r"`(\w+)`|^ *(\w+):", re.MULTILINE)
UNIT = re.compile(r"\[[^\[\]]+\]")


def modules() -> list[str]:
    packages = (benchd.analysis, sim)
    return [m.name for p in packages for m in pkgutil.iter_modules(p.__path__, f"{p.__name__}.")]


def public(module: ModuleType) -> Iterator[tuple[str, Callable[..., Any], str]]:
    """(name, what takes the arguments, docstring that must tell of them)."""
    for name, thing in vars(module).items():
        if name.startswith("_") or getattr(thing, "__module__", None) != module.__name__:
            continue
        if inspect.isfunction(inspect.unwrap(thing)):
            yield name, inspect.unwrap(thing), inspect.getdoc(thing) or ""
        elif inspect.isclass(thing):
            yield from of_class(thing)


def of_class(cls: type) -> Iterator[tuple[str, Callable[..., Any], str]]:
    own = vars(cls)
    if inspect.isfunction(own.get("__init__")) and "__dataclass_fields__" not in own:
        yield cls.__name__, own["__init__"], inspect.getdoc(cls) or ""
    for name, member in own.items():
        function = member.fget if isinstance(member, property) else getattr(member, "__func__", member)
        if not name.startswith("_") and inspect.isfunction(function) and function.__module__ == cls.__module__:
            yield f"{cls.__name__}.{name}", function, inspect.getdoc(function) or ""


def numeric_arguments(function: Callable[..., Any]) -> list[str]:
    notes = {name: str(note) for name, note in inspect.get_annotations(function).items() if name != "return"}
    return [name for name, note in notes.items() if NUMERIC.search(note) and not note.startswith("Callable")]


def without_unit(docstring: str, names: list[str]) -> list[str]:
    """The arguments after whose name no unit stands before something else is named."""
    told = set()
    pieces = NAMED.split(docstring)
    for in_text, in_list, text in zip(pieces[1::3], pieces[2::3], pieces[3::3], strict=True):
        if UNIT.search(text):
            told.add(in_text or in_list)
    return [name for name in names if name not in told]


def problems(module: ModuleType) -> list[str]:
    found = []
    for name, function, docstring in public(module):
        numeric = numeric_arguments(function)
        if not docstring:
            found.append(f"{name} has no docstring")
            continue
        found += [f"{name}: {argument} has no unit" for argument in without_unit(docstring, numeric)]
        if numeric and ">>>" not in docstring and not inspect.iscoroutinefunction(function):
            found.append(f"{name} has no worked example")
    return found


@pytest.mark.parametrize("name", modules())
def test_everything_public_says_what_it_takes(name: str) -> None:
    assert problems(importlib.import_module(name)) == []


@pytest.mark.parametrize("name", modules())
def test_worked_examples_run(name: str) -> None:
    result = doctest.testmod(importlib.import_module(name), optionflags=doctest.NORMALIZE_WHITESPACE)
    assert result.failed == 0


def test_the_rule_can_be_broken() -> None:
    module = ModuleType("broken")
    exec(  # the shortest way to a module with the three mistakes
        "def bare(rise_k: float) -> None: ...\n"
        "def half(rise_k: float, heat_w: float | None, f: Callable[[float], float]) -> None:\n"
        "    '''`rise_k` over ambient, `heat_w` [W].'''\n"
        "class Thing:\n"
        "    'A thing.'\n"
        "    def __init__(self, n: int) -> None: ...\n"
        "    def go(self) -> None: ...\n",
        {**vars(module), "__name__": "broken"},
        vars(module),
    )
    assert problems(module) == [
        "bare has no docstring",
        "half: rise_k has no unit",
        "half has no worked example",
        "Thing: n has no unit",
        "Thing has no worked example",
        "Thing.go has no docstring",
    ]
