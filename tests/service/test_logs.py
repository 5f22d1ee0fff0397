"""Logs: one line a record, whatever; our own from `info`, libraries from `warning`; journald's time is its own."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

BEGIN = "import logging; from benchd.service.logs import log, set_up; set_up()\n"


def said(script: str, **environment: str) -> list[str]:
    """What a process of its own logs: logging is set up once a process."""
    ended = subprocess.run(
        [sys.executable, "-c", BEGIN + script],
        capture_output=True,
        encoding="utf-8",
        timeout=30,
        check=True,
        env={**os.environ, "PYTHONUTF8": "1", **environment},
    )
    assert ended.stdout == ""
    return ended.stderr.splitlines()


def untimed(line: str) -> str:
    time, _, rest = line.partition(" ")
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", time)
    return rest


def test_a_record_is_a_line_of_time_level_event_and_fields():
    script = """log("info", "run_begins", run=12, specimen="brook 2x140", left_s=2.5, note="", mount=None, ok=False)"""
    assert [untimed(line) for line in said(script)] == [
        'info run_begins run=12 specimen="brook 2x140" left_s=2.5 ok=False'
    ]


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        ("plain", "plain"),
        ("21 °C", '"21 °C"'),
        ("Übergröße", "Übergröße"),
        ("two\nlines", r'"two\nlines"'),
        ("a\rb", r'"a\rb"'),
        ('say "x"', r'"say \"x\""'),
        ("a=b", '"a=b"'),
        ("back\\slash", r'"back\\slash"'),
        ("\x1b[31mred", r'"\u001b[31mred"'),
        ("a\u2028b", r'"a\u2028b"'),
        ("a\x85b", r'"a\u0085b"'),
        ("\x7f", r'"\u007f"'),
        ("\ud800", r'"\ud800"'),
        ("\u202eabc", r'"\u202eabc"'),
    ],
)
def test_no_value_breaks_its_line_or_steers_a_terminal(value: str, shown: str):
    lines = said(f"log('info', 'said', what={value!r}, after=1)")
    assert [untimed(line) for line in lines] == [f"info said what={shown} after=1"]
    if shown.startswith('"'):
        assert json.loads(shown) == value


def test_ours_from_info_and_libraries_from_warning():
    lines = said(
        """
logging.getLogger("benchd").debug("not this")
logging.getLogger("wire").info("nor this")
logging.getLogger("wire").warning("port %s is\\ngone", "/dev/ttyUSB0")
logging.getLogger("benchd").info("this")
"""
    )
    assert [untimed(line) for line in lines] == [r'warning wire what="port /dev/ttyUSB0 is\ngone"', "info this"]


def test_a_traceback_is_one_field_of_one_line():
    lines = said(
        """
try:
    1 / 0
except ZeroDivisionError:
    logging.getLogger("wire").exception("it broke")
"""
    )
    assert len(lines) == 1
    assert untimed(lines[0]).startswith('error wire what="it broke" trace="Traceback (most recent call last):\\n')
    assert "ZeroDivisionError" in lines[0]


def test_an_event_of_several_lines_stays_one_line():
    assert len(said("log('error', 'bad\\nevent', what=1)")) == 1


def test_where_journald_reads_it_writes_the_time(tmp_path: Path):
    """JOURNAL_STREAM names the stream by device and inode: systemd.exec(5)."""
    file = tmp_path / "journal"
    with file.open("w") as stream:
        there = os.fstat(stream.fileno())
        for named in (f"{there.st_dev}:{there.st_ino}", f"{there.st_dev}:{there.st_ino + 1}", "rubbish"):
            subprocess.run(
                [sys.executable, "-c", BEGIN + "log('warning', 'here')"],
                stderr=stream,
                timeout=30,
                check=True,
                env={**os.environ, "JOURNAL_STREAM": named},
            )
    first, *others = file.read_text().splitlines()
    assert first == "warning here"
    assert [untimed(line) for line in others] == ["warning here"] * 2


def test_whoever_closed_the_terminal_does_not_end_the_daemon():
    """Standard error is a pipe that nobody reads any more."""
    script = "import os; r, w = os.pipe(); os.close(r); os.dup2(w, 2); log('info', 'a'); log('info', 'b'); print('on')"
    ended = subprocess.run(
        [sys.executable, "-c", BEGIN + script], capture_output=True, text=True, timeout=30, check=False
    )
    assert ended.stdout == "on\n"
