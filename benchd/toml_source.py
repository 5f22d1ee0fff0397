"""File to text, text to data, data to model; and every mistake on the way as a plain line with its place.

What the keys mean is the models' business. `toml_problems` words what validation refuses, `toml_places` finds
it.
"""

from __future__ import annotations

import os
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from benchd.errors import FileProblems, InputError, NotFound, Problem
from benchd.toml_places import Places
from benchd.toml_problems import problems_of

#: A protocol or bench file of a person's hand has a few kB; what is larger is the wrong file.
LIMIT_BYTES = 1_000_000

M = TypeVar("M", bound=BaseModel)


@dataclass(frozen=True)
class TomlFile:
    """A TOML file as it was read."""

    file: str
    text: str
    data: dict[str, Any]


def load(path: str | os.PathLike[str], limit_bytes: int = LIMIT_BYTES) -> TomlFile:
    """Read and parse a file. Raises `InputError` when it cannot be read, `FileProblems` when not TOML."""
    file = os.fspath(path)
    text = read(path, limit_bytes)
    return TomlFile(file, text, parse(text, file, limit_bytes))


def read(path: str | os.PathLike[str], limit_bytes: int = LIMIT_BYTES) -> str:
    """The text of a file of at most limit_bytes. Raises `InputError`, `FileProblems` when not UTF-8 text."""
    file = os.fspath(path)
    try:
        # Anything but a plain file may block for ever or never end.
        if os.path.isdir(path):
            raise InputError(f"{file} is a folder, not a file")
        if os.path.exists(path) and not os.path.isfile(path):
            raise InputError(f"{file} is not a plain file")
        if os.path.isfile(path) and os.path.getsize(path) > limit_bytes:
            raise InputError(_too_large(file, os.path.getsize(path), limit_bytes))
        raw = Path(path).read_bytes()
    except FileNotFoundError:
        raise NotFound(f"there is no file {file}") from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise InputError(f"{file} cannot be read: {why}") from None
    try:
        # Some editors put a byte order mark at the head of a file; it is no mistake of the person's.
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        what = f"not UTF-8 text: byte 0x{raw[error.start]:02x}; save the file as UTF-8"
        raise FileProblems(file, [_at_byte(raw, error.start, what)]) from None
    if "\0" in text:
        raise FileProblems(file, [_at_byte(raw, raw.index(0), "not a text file: a zero byte stands here")])
    return text


def parse(text: str, file: str, limit_bytes: int = LIMIT_BYTES) -> dict[str, Any]:
    """The data of a TOML text; `file` is its name in messages.

    Raises `FileProblems`, or `InputError` when it is too large.
    """
    if len(text) > limit_bytes:
        raise InputError(_too_large(file, len(text), limit_bytes))
    if not text.strip():
        raise FileProblems(file, [Problem(1, 1, "", "the file is empty")])
    long_key = _LONG_KEY.search(text)
    if long_key:
        what = f"a key of more than {MOST_KEY_PARTS} parts"
        raise FileProblems(file, [_at_offset(text, long_key.start(), what)])
    try:
        # A lone surrogate cannot come out of a file but out of JSON; nobody could print or store it.
        text.encode()
        return tomllib.loads(text)
    except RecursionError:
        raise FileProblems(file, [_deepest(text)]) from None
    except UnicodeEncodeError as error:
        what = f"not a character: code {ord(text[error.start]):#x}"
        raise FileProblems(file, [_at_offset(text, error.start, what)]) from None
    except ValueError as error:
        raise FileProblems(file, [_syntax_problem(text, str(error))]) from None


def validated(model: type[M], data: dict[str, Any], text: str, file: str) -> M:
    """The data as a model. Raises `FileProblems` with all mistakes; `text` is where `data` came from."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise FileProblems(file, problems_of(error, Places(text), data, model)) from None


# --- text that is not TOML

#: tomllib's time grows with the square of the parts of a key; no honest key has so many.
MOST_KEY_PARTS = 32
_KEY_PART = r"""(?:"[^"\n]*+"|'[^'\n]*+'|[A-Za-z0-9_-]++)[ \t]*+"""
_LONG_KEY = re.compile(rf"(?<![A-Za-z0-9_-])(?:{_KEY_PART}\.[ \t]*+){{{MOST_KEY_PARTS}}}")

#: What tomllib says -> what a person needs to hear. The first that fits counts.
_PLAIN = (
    ("Invalid statement", 'neither a [table] nor a line of the form "key = value"'),
    (
        "Expected newline or end of document",
        "something is left over after the value; a number takes a point, no comma",
    ),
    ("Expected '=' after a key", 'an "=" must follow the key'),
    ("Expected ']", "the table's header is not closed; write [name] or [[name]]"),
    ("Expected \"'", "a text in single quotes is not closed"),
    (
        "Invalid initial character for a key part",
        "a key is missing here; allowed in it: letters, digits, _ and -",
    ),
    ("Cannot declare", "this table stands here a second time"),
    ("Cannot overwrite a value", "this key stands here a second time"),
    ("Cannot redefine namespace", "this table was already given by another key"),
    ("Cannot mutate immutable namespace", "this table or list was closed before and cannot be added to"),
    ("Duplicate inline table key", "a key stands twice in one { }"),
    ("Unclosed array", "a list is not closed, or a comma is missing in it"),
    ("Unclosed inline table", "a { } is not closed on its line, or a comma is missing in it"),
    ("Unescaped '\\'", "a single backslash in a text; write two, or put the text in 'single quotes'"),
    ("Invalid hex value", "a backslash code in a text is not one; write two backslashes for one"),
    ("Escaped character is not", "a backslash code in a text names no character"),
    ("Unterminated string", "a text is not closed"),
    ("Illegal character '\\n'", "a text in quotes is not closed on its line"),
    ("Found invalid character '\\n'", "a text in quotes is not closed on its line"),
    ("Illegal character", "a character that is not allowed here"),
    ("Found invalid character", "a character that is not allowed here"),
    ("Invalid date", "no such date or time"),
    (
        "Invalid value",
        'not a value; allowed: a number, true, false, "text" in quotes, a list in [ ], a table in { }',
    ),
    ("Exceeds the limit", "a number has too many digits"),
)
#: tomllib notices these at the end of the statement; they are shown at its first line's beginning.
_OF_STATEMENT = ("Cannot",)


def _syntax_problem(text: str, said: str) -> Problem:
    line, column = _place_said(text, said)
    if said.startswith(_OF_STATEMENT):
        found = text.splitlines()[line - 1 : line]
        column = 1 + len(found[0]) - len(found[0].lstrip()) if found else column
    what = next((plain for beginning, plain in _PLAIN if said.startswith(beginning)), said)
    return Problem(line, column, "", what)


def _place_said(text: str, said: str) -> tuple[int, int]:
    match = re.search(r"\(at line (\d+), column (\d+)\)$", said)
    if match:
        return int(match[1]), int(match[2])
    if "end of document" in said:
        end = text.rstrip()
        return end.count("\n") + 1, len(end) - (end.rfind("\n") + 1) + 1
    too_long = re.search(r"[0-9][0-9_]{1000,}", text)
    return _line_column(text, too_long.start() if too_long else 0)


def _deepest(text: str) -> Problem:
    """The line with the most opening brackets stands for what is nested too deeply."""
    lines = text.split("\n")
    most = max(range(len(lines)), key=lambda index: lines[index].count("[") + lines[index].count("{"))
    return Problem(most + 1, 1, "", "lists or tables are nested too deeply")


def _line_column(text: str, offset: int) -> tuple[int, int]:
    return text.count("\n", 0, offset) + 1, offset - (text.rfind("\n", 0, offset) + 1) + 1


def _at_offset(text: str, offset: int, what: str) -> Problem:
    return Problem(*_line_column(text, offset), "", what)


def _at_byte(raw: bytes, offset: int, what: str) -> Problem:
    before = raw[:offset].decode("utf-8", "replace")
    return _at_offset(before, len(before), what)


def _too_large(file: str, size: int, limit: int) -> str:
    return f"{file} has {size / 1e6:.1f} MB, at most {limit / 1e6:g} MB are read; such a file has a few kB"
