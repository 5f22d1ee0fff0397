"""The one picture of what is going on: published by the thread that plays, looked at by any other.

A picture is the status document, plain JSON values, and is never changed once it is here. Who publishes never waits.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

Document: TypeAlias = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Picture:
    """The status as of one moment. `number` counts pictures from 1; 0 is the empty one before the first."""

    number: int
    document: Document


class Board:
    """Where the latest picture hangs. One thread publishes, any may look: a reference is exchanged whole."""

    def __init__(self) -> None:
        self._picture = Picture(0, {})

    @property
    def latest(self) -> Picture:
        """The latest picture."""
        return self._picture

    def publish(self, document: Document) -> None:
        """Hang up a new picture."""
        self._picture = Picture(self._picture.number + 1, document)
