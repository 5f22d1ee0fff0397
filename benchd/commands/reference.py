"""Writes the README's reference from the program itself: `python -m benchd.commands.reference README.md`.

Commands come from their own help, keys from the models that validate them, so that neither can rot: a test compares.
"""

from __future__ import annotations

import ast
import inspect
import sys
import textwrap
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import get_args

import click
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from benchd import protocol_file as p
from benchd.bench_file import BenchFile, Interlock
from benchd.cli import group
from benchd.instruments import ChannelSpec, InstrumentSpec, SetpointSpec, driver_names, find_driver

BEGIN, END = "<!-- reference: written by python -m benchd.commands.reference -->", "<!-- end of reference -->"


def reference() -> str:
    """The reference as Markdown: commands, protocol keys, bench keys, and the keys of each driver."""
    return "\n".join([*_commands(), *_protocol_keys(), *_bench_keys()]).rstrip() + "\n"


def _commands() -> Iterator[str]:
    yield "### Commands\n"
    # A fixed width: the same text on every terminal.
    above = click.Context(group, info_name="benchd", terminal_width=88, **group.context_settings)
    yield from _commands_of(group, above)


def _commands_of(group: click.Group, above: click.Context) -> Iterator[str]:
    for name, command in sorted(group.commands.items()):
        context = click.Context(command, parent=above, info_name=name)
        yield "```text"
        yield command.get_help(context)
        yield "```\n"
        if isinstance(command, click.Group):
            yield from _commands_of(command, context)


def _protocol_keys() -> Iterator[str]:
    yield "### Keys of a protocol file\n"
    yield from _keys("At the top", p.Protocol)
    yield from _keys("`[limits]`", p.Limits)
    yield "Each step is a table `[[steps]]` with a `kind`, and these keys of every step:\n"
    yield from _rows(p.StepSpec)
    for step in get_args(get_args(p.AnyStep)[0]):
        kind = get_args(step.model_fields["kind"].annotation)[0]
        yield from _keys(f'`kind = "{kind}"`', step, without=("kind", *p.StepSpec.model_fields))
    yield from _keys("`equilibrium = { ... }`", p.Equilibrium)


def _bench_keys() -> Iterator[str]:
    yield "### Keys of a bench file\n"
    yield from _keys("At the top", BenchFile)
    yield from _keys("`[[interlocks]]`", Interlock)
    yield from _keys("`[instruments.NAME]`, whatever the driver", InstrumentSpec)
    yield from _keys("`[instruments.NAME.channels.CHANNEL]`", ChannelSpec)
    yield from _keys("`[instruments.NAME.setpoints.SETPOINT]`", SetpointSpec)
    for name in driver_names():
        spec = find_driver(name).Spec
        title = f'`driver = "{name}"`'
        yield from _keys(f"{title} also takes", spec, without=tuple(InstrumentSpec.model_fields))
        for what, base in (("channels", ChannelSpec), ("setpoints", SetpointSpec)):
            own = get_args(spec.model_fields[what].annotation)[1]
            yield from _keys(f"{title}, its {what}", own, without=tuple(base.model_fields))


def _keys(title: str, model: type[BaseModel], without: tuple[str, ...] = ()) -> Iterator[str]:
    if set(model.model_fields) - set(without):
        yield f"{title}. {inspect.cleandoc(model.__doc__ or '').splitlines()[0]}\n"
        yield from _rows(model, without)


def _rows(model: type[BaseModel], without: tuple[str, ...] = ()) -> Iterator[str]:
    meanings = _meanings(model)
    yield "| key | default | meaning |"
    yield "| --- | --- | --- |"
    for name, field in model.model_fields.items():
        if name not in without:
            yield f"| `{field.alias or name}` | {_default(field)} | {meanings[name]} |"
    yield ""


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    match field.get_default(call_default_factory=True):
        case None | "" | ():
            return "none"
        case bool(value):
            return f"`{str(value).lower()}`"
        case str(value):
            return f'`"{value.encode("unicode_escape").decode()}"`'
        case int(value) | float(value):
            return f"`{value:g}`"
        case _:
            return "none"


def _meanings(model: type[BaseModel]) -> dict[str, str]:
    """The docstring that stands under each field, in a model or those it is made from."""
    meanings: dict[str, str] = {}
    for base in reversed(model.__mro__):
        if issubclass(base, BaseModel) and base is not BaseModel:
            body = ast.parse(textwrap.dedent(inspect.getsource(base))).body[0]
            meanings |= dict(_documented(body))
    return meanings


def _documented(body: ast.stmt) -> Iterator[tuple[str, str]]:
    statements = body.body if isinstance(body, ast.ClassDef) else []
    for field, text in pairwise(statements):
        match field, text:
            case ast.AnnAssign(target=ast.Name(id=name)), ast.Expr(value=ast.Constant(value=str(words))):
                yield name, " ".join(words.split()).replace("|", "\\|")


def written(readme: str) -> str:
    """The README with its reference brought up to date. Raises ValueError when the marks are missing."""
    before, found, rest = readme.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not (found and end):
        raise ValueError(f"the README must hold the lines {BEGIN} and {END}")
    return f"{before}{BEGIN}\n\n{reference()}\n{END}{after}"


if __name__ == "__main__":
    path = Path(sys.argv[1])
    path.write_text(written(path.read_text(encoding="utf-8")), encoding="utf-8")
