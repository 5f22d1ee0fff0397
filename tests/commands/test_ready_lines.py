"""The list before going home as it is printed: what is to do first, in 80 columns, commands that a shell takes."""

from __future__ import annotations

import shlex
from typing import Any

import pytest

from benchd.commands.ready import ready_lines

QUEUE = "benchd queue overnight --specimen 'brook 2x140' --mount 2 --at 22:00 --quiet 22:00-06:00"


def printed(*items: tuple[str, str, str, str], headline: str = "Not yet: 2 things to do.") -> list[str]:
    keys = ("name", "verdict", "sentence", "do")
    answer: dict[str, Any] = {"headline": headline, "items": [dict(zip(keys, item, strict=True)) for item in items]}
    return [line.plain for line in ready_lines(answer)]


def test_what_is_to_do_comes_first_and_what_is_well_last() -> None:
    lines = printed(
        ("disk", "yes", "50.0 GB free", ""),
        ("calibrator", "not proven", "no step can check the meter yet", ""),
        ("mount", "asked", "is mount 2 of brook 2x140 on the bench?", "benchd confirm"),
        ("bench free", "no", "the bench tripped", "see to the cause, then: benchd clear"),
    )
    assert lines == [
        "Not yet: 2 things to do.",
        "",
        "no          bench free       the bench tripped",
        "                             see to the cause, then:",
        "                             benchd clear",
        "asked       mount            is mount 2 of brook 2x140 on the bench?",
        "                             benchd confirm",
        "not proven  calibrator       no step can check the meter yet",
        "yes         disk             50.0 GB free",
    ]


@pytest.mark.parametrize("specimen", ["brook 2x140", "a b", "o'hara 1x120", "x" * 40])
def test_a_long_command_goes_on_as_a_shell_takes_it(specimen: str) -> None:
    command = shlex.join(["benchd", "queue", "overnight", "--specimen", specimen, "--quiet", "22:00-06:00"])
    lines = printed(("queued", "no", "it is not in the queue", command))
    said = "\n".join(line[29:] for line in lines[3:])
    # A shell drops a backslash at the end of a line, and the end of the line with it.
    assert shlex.split(said.replace("\\\n", "")) == shlex.split(command)


def test_everything_stays_within_80_columns() -> None:
    long = "36 dBA is 2.1 dB above the background of 33.9: it would be an upper bound; 38 dBA is 4.1 dB: indicative"
    lines = printed(
        ("background", "no", long, f"make the room quieter, or ask for 36.9 dBA and more: {QUEUE}"),
        headline="You may leave: overnight on brook 2x140, mount 2, starts 22:00, ends about 06:30.",
    )
    assert max(map(len, lines)) <= 80
