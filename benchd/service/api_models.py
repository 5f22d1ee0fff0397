"""What comes and goes through the API, described so that a person, a fuzzer and a program can read it."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from benchd.instruments import Cooling, Name

Run = Annotated[int, Field(ge=1, le=999_999_999, description="number of a run")]


def _utf8(text: str) -> str:
    try:
        text.encode()
    except UnicodeEncodeError:
        raise ValueError("must be text that can be written down: no half letters") from None
    return text


def _one_line(text: str) -> str:
    if text and not text.isprintable():
        raise ValueError("must be one line of letters that can be seen")
    return text


Line = Annotated[str, Field(max_length=500), AfterValidator(_one_line)]
Time = Annotated[str, Field(max_length=40), AfterValidator(_one_line)]


class Body(BaseModel):
    """Base of what is sent: unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", strict=True)


class Nothing(Body):
    """An order that needs no more than its name."""


class ProtocolBody(Body):
    """A protocol, by its text as a technician has it, or by the name of one that the daemon knows."""

    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,60}$")] | None = None
    # Many times the longest night; finding all mistakes of a longer one would take time from the thread that plays.
    text: Annotated[str, Field(max_length=100_000), AfterValidator(_utf8)] | None = None
    file: Line = "protocol.toml"
    """Its name in messages."""


class OrderBody(Body):
    """A run to be queued."""

    protocol: ProtocolBody
    specimen: Name
    cooling: Cooling | None = None
    mount: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    at: Time | None = Field(None, description='local time, "HH:MM" or "YYYY-MM-DD HH:MM"')
    quiet: Time | None = Field(None, description='quiet window, "HH:MM-HH:MM" local time')
    seed: Annotated[int, Field(ge=0, le=2**63 - 1)] = 1


class RunBody(Body):
    """A run."""

    run: Run


class MaybeRunBody(Body):
    """A run, or the only one that is meant."""

    run: Run | None = None


class ConfirmBody(MaybeRunBody):
    """What a person confirms, and what they say to it."""

    text: Line = ""


class SpecimenBody(Body):
    """A specimen for the books."""

    name: Name
    cooling: Cooling
    note: Line = ""


class MountBody(Body):
    """A specimen was mounted on the bench."""

    specimen: Name
    note: Line = ""


class ReadyBody(Body):
    """What is asked about before going home: a queued run, or an order that is not queued yet."""

    run: Run | None = None
    order: OrderBody | None = None


class Says(BaseModel):
    """What was done."""

    says: str


class QueuedAnswer(BaseModel):
    """A run that was queued."""

    run: int
    mount: int
    says: list[str]


class SpecimenAnswer(BaseModel):
    """A specimen of the books."""

    name: str
    cooling: Cooling
    note: str


class MountAnswer(BaseModel):
    """One mounting of a specimen."""

    specimen: str
    number: int
    state: Literal["planned", "on the bench", "taken off"]
    note: str
    bench: str | None
    mounted_local: str | None
    taken_off_local: str | None


class RunAnswer(BaseModel):
    """One run of the history."""

    run: int
    protocol: str
    specimen: str
    mount: int
    state: str
    reason: str
    simulated: bool
    queued_local: str
    started_local: str | None
    ended_local: str | None


class ErrorAnswer(BaseModel):
    """What happened, and what to do."""

    message: str
    hint: str = ""


ERRORS: dict[int | str, dict[str, Any]] = {
    404: {"model": ErrorAnswer, "description": "there is no such thing"},
    409: {"model": ErrorAnswer, "description": "not now: the state of the run or the bench does not allow it"},
    413: {"model": ErrorAnswer, "description": "too long"},
    422: {"model": ErrorAnswer, "description": "what was sent cannot be used"},
    500: {"model": ErrorAnswer, "description": "a fault in benchd, or a disk that takes no more"},
    503: {"model": ErrorAnswer, "description": "the bench did not come to it within two ticks; it will not be done"},
}
