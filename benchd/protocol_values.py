"""What kinds of value the keys of a protocol file take, and within which bounds."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Annotated, Literal, TypeAlias

from pydantic import AfterValidator, BeforeValidator, Field

from benchd.instruments import Number
from benchd.toml_problems import shown

Watts: TypeAlias = Annotated[Number, Field(ge=0, le=2000)]
Heat: TypeAlias = Annotated[Number, Field(gt=0, le=2000)]
Percent: TypeAlias = Annotated[Number, Field(ge=0, le=100)]
Minutes: TypeAlias = Annotated[Number, Field(gt=0, le=24 * 60)]
Seconds: TypeAlias = Annotated[Number, Field(ge=0, le=3600)]
Kelvins: TypeAlias = Annotated[Number, Field(gt=0, le=100)]
Level: TypeAlias = Annotated[Number, Field(ge=0, le=120)]


def _listed(values: Sequence[float]) -> str:
    return f"[{', '.join(f'{value:g}' for value in values)}]"


def step_name(name: str) -> str:
    """The name of a step, as it may be. Raises ValueError."""
    if not re.fullmatch(r"[a-z][a-z0-9_]*", name):
        raise ValueError(f'must be small letters, digits and _, beginning with a letter, got "{name}"')
    return name


def _different(values: Sequence[float]) -> Sequence[float]:
    if len(set(values)) != len(values):
        raise ValueError(f"must be values that differ from each other, got {_listed(values)}")
    return values


def _sweep(values: Sequence[float]) -> Sequence[float]:
    if len(values) < 2:
        raise ValueError(f"must be at least two values, got {_listed(values)}")
    return _different(values)


def _ending(value: object) -> object:
    # Who asks for a third ending means a fixed time, which has a key of its own.
    if value not in ("predicted", "settled"):
        raise ValueError(
            f'must be "predicted" or "settled", got {shown(value)}; for a fixed time give for_min in its place'
        )
    return value


Until: TypeAlias = Annotated[Literal["predicted", "settled"], BeforeValidator(_ending)]
PercentSweep: TypeAlias = Annotated[tuple[Percent, ...], Field(strict=False), AfterValidator(_sweep)]
HeatList: TypeAlias = Annotated[tuple[Heat, ...], Field(strict=False, min_length=1), AfterValidator(_different)]
PercentList: TypeAlias = Annotated[tuple[Percent, ...], Field(strict=False, min_length=1), AfterValidator(_different)]
LevelList: TypeAlias = Annotated[tuple[Level, ...], Field(strict=False, min_length=1), AfterValidator(_different)]
