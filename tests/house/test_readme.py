"""The README cannot rot: its reference is what the program says of itself."""

from __future__ import annotations

from pathlib import Path

from benchd.commands.reference import written

README = Path(__file__).parents[2] / "README.md"


def test_reference_is_up_to_date() -> None:
    text = README.read_text(encoding="utf-8")
    assert written(text) == text, "run: python -m benchd.commands.reference README.md"


def test_cautions_stand_before_the_first_command() -> None:
    before = README.read_text(encoding="utf-8").partition("## Set up")[0]
    for caution in ("hot", "mains", "liquid", "independent thermal cut-out", "licensed person", "local", "Linux only"):
        assert caution in before, caution
