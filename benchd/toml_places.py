"""Where each key and value of a TOML text stands: tomllib gives no places, so the text is walked again.

It is used only when something was refused, on text that tomllib has already accepted. So it knows the shape
of TOML and nothing of its values: it does not validate and never raises, whatever the text; lost, it keeps what it has.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from dataclasses import dataclass
from typing import TypeAlias

#: Keys and indexes (from 0) from the top of the file to one value.
Path: TypeAlias = tuple[str | int, ...]

_GAP = re.compile(r"(?:[ \t\r\n]++|#[^\n]*+)*+")
_SPACE = re.compile(r"[ \t]*+")
_PART = re.compile(r'"(?:[^"\\\n]|\\.)*+"|\'[^\'\n]*+\'|[A-Za-z0-9_-]++')
_STRING = re.compile(
    r'"""(?:[^"\\]|\\.|"(?!""))*+"""(?:"{0,2})'
    r"|'''(?:[^']|'(?!''))*+'''(?:'{0,2})"
    r'|"(?:[^"\\\n]|\\.)*+"'
    r"|'[^'\n]*+'",
    re.DOTALL,
)
_SCALAR = re.compile(r"[^,\]}#\r\n]*+")


@dataclass(frozen=True, slots=True)
class _At:
    """Offsets of one entry: of its key, and of its value (the opening bracket of a table's header)."""

    key: int
    value: int


class Places:
    """Line and column, both from 1, of every key path of a TOML text.

    A path that is not in the text gets the place of the nearest table or list around it, or the first line.

    >>> places = Places("[limits]\\nover_limit_c = 90")
    >>> path = ("limits", "over_limit_c")
    >>> places.value(path), places.key(path), places.value(("limits", "absent"))
    ((2, 16), (2, 1), (1, 1))
    """

    def __init__(self, text: str) -> None:
        self._starts = [0, *(match.end() for match in re.finditer("\n", text))]
        self._at = _Walk(text).entries()

    def value(self, path: Path) -> tuple[int, int]:
        """Where the value of a path begins; for a table, its header."""
        return self._place(self._nearest(path).value)

    def key(self, path: Path) -> tuple[int, int]:
        """Where the key of a path begins."""
        return self._place(self._nearest(path).key)

    def _nearest(self, path: Path) -> _At:
        while path and path not in self._at:
            path = path[:-1]
        return self._at.get(path, _At(0, 0))

    def _place(self, offset: int) -> tuple[int, int]:
        line = bisect_right(self._starts, offset)
        return line, offset - self._starts[line - 1] + 1


class _LostError(Exception):
    """The text is not what was expected."""


class _Walk:
    """One pass over the text. Nested values are kept on a list, not on Python's stack."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._pos = 0
        self._at: dict[Path, _At] = {}
        #: How many tables an array of tables has by now.
        self._lengths: dict[Path, int] = {}

    def entries(self) -> dict[Path, _At]:
        table: Path = ()
        try:
            while self._skip(_GAP) < len(self._text):
                if self._next() == "[":
                    table = self._header()
                else:
                    self._value(*self._pair(table))
        except _LostError:
            pass  # what was found up to here still helps
        return self._at

    def _next(self) -> str:
        return self._text[self._pos : self._pos + 1]

    def _skip(self, pattern: re.Pattern[str]) -> int:
        match = pattern.match(self._text, self._pos)
        self._pos = match.end() if match else self._pos
        return self._pos

    def _take(self, token: str) -> None:
        self._skip(_SPACE)
        if not self._text.startswith(token, self._pos):
            raise _LostError
        self._pos += len(token)

    def _key(self) -> list[tuple[str, int]]:
        """The parts of a dotted key, each with its offset."""
        parts = []
        while True:
            self._skip(_SPACE)
            match = _PART.match(self._text, self._pos)
            if not match:
                raise _LostError
            parts.append((_unquoted(match[0]), match.start()))
            self._pos = match.end()
            self._skip(_SPACE)
            if self._next() != ".":
                return parts
            self._pos += 1

    def _outer(self, base: Path, parts: list[tuple[str, int]], table_at: int | None) -> Path:
        """The path that the last part of a key is to be put on; tables that the others imply are noted."""
        for name, offset in parts:
            base = (*base, name)
            self._at.setdefault(base, _At(offset, offset if table_at is None else table_at))
            length = self._lengths.get(base)
            base = base if length is None else (*base, length - 1)
        return base

    def _header(self) -> Path:
        start = self._pos
        bracket = "[[" if self._text.startswith("[[", start) else "["
        self._pos += len(bracket)
        parts = self._key()
        self._take("]" * len(bracket))
        name, offset = parts[-1]
        path = (*self._outer((), parts[:-1], start), name)
        at = _At(offset, start)
        if bracket == "[[":
            self._at.setdefault(path, at)
            length = self._lengths.get(path, 0)
            self._lengths[path] = length + 1
            path = (*path, length)
        self._at[path] = at
        return path

    def _pair(self, table: Path) -> tuple[Path, int]:
        """Reads `key =`: the path it names and the offset of its key."""
        parts = self._key()
        self._take("=")
        self._skip(_SPACE)
        name, offset = parts[-1]
        return (*self._outer(table, parts[:-1], None), name), offset

    def _value(self, path: Path, key_at: int) -> None:
        """Reads one value and all that is nested in it."""
        opened: list[tuple[Path, bool]] = []
        counts: list[int] = []
        while True:
            self._at[path] = _At(key_at, self._pos)
            if self._next() in ("[", "{"):
                opened.append((path, self._next() == "["))
                counts.append(0)
                self._pos += 1
            else:
                self._scalar()
            while opened and self._past_comma() in ("]", "}"):
                opened.pop()
                counts.pop()
                self._pos += 1
            if not opened:
                return
            outer, is_list = opened[-1]
            if is_list:
                path, key_at = (*outer, counts[-1]), self._pos
                counts[-1] += 1
            else:
                path, key_at = self._pair(outer)

    def _scalar(self) -> None:
        """Reads one value that holds no other."""
        match = (_STRING if self._next() in ('"', "'") else _SCALAR).match(self._text, self._pos)
        if not match:
            raise _LostError
        self._pos = match.end()

    def _past_comma(self) -> str:
        self._skip(_GAP)
        if self._next() == ",":
            self._pos += 1
            self._skip(_GAP)
        if not self._next():
            raise _LostError
        return self._next()


def _unquoted(part: str) -> str:
    if part[0] == "'":
        return part[1:-1]
    if part[0] == '"':
        # tomllib knows the escapes.
        try:
            return str(tomllib.loads(f"key = {part}")["key"])
        except tomllib.TOMLDecodeError:
            raise _LostError from None
    return part
