"""The one picture of what is going on: published by the thread that plays, looked at by any other.

A picture is the status document, plain JSON values, and is never changed once it is here. Who publishes never waits.
"""

from __future__ import annotations

import threading
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
    """Where the latest picture hangs."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._picture = Picture(0, {})

    @property
    def latest(self) -> Picture:
        """The latest picture."""
        return self._picture

    def publish(self, document: Document) -> None:
        """Hang up a new picture and wake whoever waits for one."""
        with self._changed:
            self._picture = Picture(self._picture.number + 1, document)
            self._changed.notify_all()

    def newer_than(self, number: int, timeout_s: float) -> Picture | None:
        """The first picture seen after `number`; None when none comes within timeout_s [s] of real time."""
        with self._changed:
            self._changed.wait_for(lambda: self._picture.number > number, timeout_s)
            return self._picture if self._picture.number > number else None
