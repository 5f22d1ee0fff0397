"""One item of the list that is looked at before a person goes home: what is known of it, and what to do about it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from enum import StrEnum


class Verdict(StrEnum):
    """What is known of an item. `NO` and `ASKED` hold a person at the bench."""

    YES = "yes"
    NO = "no"
    NOT_PROVEN = "not proven"
    ASKED = "asked"


@dataclass(frozen=True)
class Item:
    """One item of the list."""

    name: str
    verdict: Verdict
    sentence: str
    do: str = ""
    """What to do about it: a command to type, or what to look at; with `NO` and `ASKED` always."""

    @property
    def holds(self) -> bool:
        """Whether nobody may leave because of it."""
        return self.verdict in (Verdict.NO, Verdict.ASKED)

    def as_json(self) -> dict[str, str]:
        """Every key; the verdict as a word."""
        return {key: str(value) for key, value in asdict(self).items()}


def yes(name: str, sentence: str) -> Item:
    return Item(name, Verdict.YES, sentence)


def no(name: str, sentence: str, do: str) -> Item:
    return Item(name, Verdict.NO, sentence, do)


def asked(name: str, sentence: str, do: str) -> Item:
    return Item(name, Verdict.ASKED, sentence, do)


def not_proven(name: str, sentence: str, do: str = "") -> Item:
    return Item(name, Verdict.NOT_PROVEN, sentence, do)
