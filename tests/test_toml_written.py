"""Data written as TOML is read again as the same data."""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import protocols
from benchd.toml_written import toml_of

TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
VALUES = st.recursive(
    st.one_of(TEXTS, st.booleans(), st.integers(-(2**63), 2**63 - 1), st.floats(allow_nan=False)),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXTS, inner, max_size=4),
    max_leaves=20,
)


@given(st.dictionaries(TEXTS, VALUES, max_size=6))
def test_what_is_written_is_read_as_it_was(data: dict[str, object]) -> None:
    assert tomllib.loads(toml_of(data)) == data


@pytest.mark.parametrize("path", sorted(Path(protocols.__file__).parent.glob("*.toml")), ids=lambda path: path.stem)
def test_every_shipped_protocol_comes_back_whole(path: Path) -> None:
    data = tomllib.loads(path.read_text())
    assert tomllib.loads(toml_of(data)) == data


def test_not_a_number_stays_one() -> None:
    assert str(tomllib.loads(toml_of({"x": float("nan")}))["x"]) == "nan"


def test_what_it_does_not_know_is_refused() -> None:
    with pytest.raises(TypeError, match="no value of a TOML file"):
        toml_of({"when": date(2026, 1, 31)})
