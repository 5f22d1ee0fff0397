"""Structured logs: one line a record on standard error, `TIME LEVEL EVENT key=value ...`.

A value is quoted when it needs to be, and no record is ever more than one line. Where journald reads them the time is
left out, since it writes its own: systemd.exec(5), JOURNAL_STREAM.
"""

from __future__ import annotations

import json
import logging
import os
import sys
from typing import Literal, TypeAlias

from benchd.clock import utc_now

Level: TypeAlias = Literal["info", "warning", "error", "critical"]

_OURS = logging.getLogger("benchd")


def set_up() -> None:
    """Send all logs of this process to standard error: our own from `info`, those of libraries from `warning`."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(_OneLine(timed=not _journald_reads(sys.stderr.fileno())))
    logging.basicConfig(level=logging.WARNING, handlers=[handler], force=True)
    _OURS.setLevel(logging.INFO)


def log(level: Level, event: str, **fields: object) -> None:
    """Something happened: a word for it, and what belongs to it."""
    _OURS.log(logging.getLevelNamesMapping()[level.upper()], event, extra={"fields": fields})


class _OneLine(logging.Formatter):
    def __init__(self, *, timed: bool) -> None:
        super().__init__()
        self._timed = timed

    def format(self, record: logging.LogRecord) -> str:
        fields: dict[str, object] = dict(getattr(record, "fields", {}))
        event = record.getMessage()
        if record.name != _OURS.name:
            fields, event = {"what": event}, record.name
        if record.exc_info:
            fields["trace"] = self.formatException(record.exc_info)
        time = [utc_now().isoformat(timespec="milliseconds").replace("+00:00", "Z")] if self._timed else []
        said = [f"{key}={_value(value)}" for key, value in fields.items() if value not in (None, "")]
        return " ".join([*time, record.levelname.lower(), _value(event), *said])


def _value(value: object) -> str:
    r"""A value as it stands in a line.

    >>> print(_value(12), _value("a b"), _value("two\nlines"), _value('say "x"'))
    12 "a b" "two\nlines" "say \"x\""
    """
    text = str(value)
    plain = text.isprintable() and not any(letter in text for letter in ' "=\\')
    return text if plain else json.dumps(text, ensure_ascii=not text.replace("\n", "").isprintable())


def _journald_reads(descriptor: int) -> bool:
    """Whether a descriptor is the stream that the service manager connected to its journal."""
    device, _, inode = os.environ.get("JOURNAL_STREAM", "").partition(":")
    if not (device.isdigit() and inode.isdigit()):
        return False
    there = os.fstat(descriptor)
    return (there.st_dev, there.st_ino) == (int(device), int(inode))
