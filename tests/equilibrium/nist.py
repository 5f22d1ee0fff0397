"""Reads the files of NIST's Statistical Reference Datasets for regression, as they are published."""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]

DATA = Path(__file__).parents[1] / "data"


class Certified(NamedTuple):
    """A published value, the standard deviation of its estimate, and where to start looking for it."""

    value: float
    sd: float
    starts: tuple[float, ...]


class NistSet(NamedTuple):
    """One data set of the nonlinear regressions."""

    x: Floats
    y: Floats
    parameters: tuple[Certified, ...]
    residual_sd: float


def columns(name: str) -> tuple[Floats, Floats]:
    """Predictor and response of a data set with one of each; the head of the file says in which lines they stand."""
    lines = (DATA / f"{name}.dat").read_text().splitlines()
    head = re.search(r"Data +\(lines (\d+) to (\d+)\)", "\n".join(lines))
    if head is None:
        raise ValueError(f"{name}.dat does not say where its data are")
    first, last = map(int, head.groups())
    y, x = np.array([line.split() for line in lines[first - 1 : last]], dtype=float).T
    return x, y


def nonlinear(name: str) -> NistSet:
    """A data set with its certified parameters b1, b2, ..."""
    text = (DATA / f"{name}.dat").read_text()
    rows = re.findall(r"^ *b\d+ = +(\S+) +(\S+) +(\S+) +(\S+)$", text, re.MULTILINE)
    parameters = tuple(Certified(float(v), float(sd), (float(a), float(b))) for a, b, v, sd in rows)
    residual_sd = re.search(r"Residual Standard Deviation: +(\S+)", text)
    if residual_sd is None or not parameters:
        raise ValueError(f"{name}.dat has no certified values")
    return NistSet(*columns(name), parameters, float(residual_sd[1]))
