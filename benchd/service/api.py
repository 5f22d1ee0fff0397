"""The daemon's API: HTTP with JSON, described by /openapi.json.

It looks at the one picture on the board, reads the database with short connections of its own, and puts orders into the
inbox. It never touches the engine, the bench or the writer.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, FastAPI, Query, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, StreamingResponse
from starlette.exceptions import HTTPException

import benchd
from benchd.bench_file import BenchFile
from benchd.errors import BenchdError, InputError, NotFound, RunRefused
from benchd.named_files import find_protocol
from benchd.protocol_file import load_protocol
from benchd.report.morning import morning_page
from benchd.running.windows import QuietWindow, at_time
from benchd.service.api_models import (
    ERRORS,
    ConfirmBody,
    MaybeRunBody,
    MountAnswer,
    MountBody,
    Nothing,
    OrderBody,
    QueuedAnswer,
    ReadyBody,
    Run,
    RunAnswer,
    RunBody,
    Says,
    SpecimenAnswer,
    SpecimenBody,
)
from benchd.service.api_morning import MorningAnswer
from benchd.service.api_status import ReadyAnswer, StatusAnswer
from benchd.service.board import Board
from benchd.service.inbox import Busy, Inbox
from benchd.service.orders import Desk, Order
from benchd.service.ready import ready_answer
from benchd.service.server import who
from benchd.service.small_bodies import SmallBodies
from benchd.store import queries
from benchd.store.records import MountRow, RunRow

#: Nothing happened for so long [s]: a comment keeps the connection of a live view open.
KEEP_ALIVE_S = 15.0
#: A live view looks for a newer picture so often [s].
LOOK_S = 0.1
EVENTS: dict[int | str, dict[str, Any]] = {200: {"content": {"text/event-stream": {"schema": {"type": "string"}}}}}
#: Kinds of error and the status that tells them, the first that fits.
STATUS: tuple[tuple[type[BenchdError], int], ...] = ((NotFound, 404), (RunRefused, 409), (InputError, 422), (Busy, 503))


@dataclass(frozen=True)
class Desks:
    """What the API may use: the board, the inbox of the thread that plays, and where to look things up."""

    board: Board
    inbox: Inbox[Desk]
    database: Path
    zone: ZoneInfo
    now: Callable[[], datetime]
    """What the bench's clock on the wall shows."""
    bench: Callable[[], BenchFile]
    """The bench file as it was last read."""

    def local(self, utc: datetime | None) -> str | None:
        """An instant in local time."""
        return None if utc is None else utc.astimezone(self.zone).isoformat(timespec="seconds")

    def order(self, body: OrderBody) -> Order:
        """An order from what was sent. Raises `InputError`, `NotFound`."""
        asked = body.protocol
        if (asked.name is None) == (asked.text is None):
            raise InputError("say either the name or the text of a protocol, not both and not neither")
        if asked.text is not None:
            protocol = load_protocol(asked.text, asked.file)
        else:
            found = find_protocol(asked.name or "")
            protocol = load_protocol(found.text, found.file)
        return Order(
            protocol=protocol,
            specimen=body.specimen,
            cooling=body.cooling,
            mount=body.mount,
            due_utc=None if body.at is None else at_time(body.at, self.now(), self.zone),
            quiet=None if body.quiet is None else str(QuietWindow.parse(body.quiet)),
            seed=body.seed,
        )


def make_app(desks: Desks) -> FastAPI:
    """The application."""
    app = FastAPI(
        title="benchd",
        version=benchd.__version__,
        docs_url=None,  # those pages would fetch scripts from elsewhere
        redoc_url=None,
        redirect_slashes=False,
        responses=ERRORS,
        strict_content_type=False,
        # Nothing leaves this machine, whatever its environment says.
        telemetry={"tracing": False, "metrics": False, "logs": False, "auto_configure": False},
    )
    app.add_middleware(SmallBodies)
    app.include_router(_looks(desks))
    app.include_router(_acts(desks))
    app.include_router(_books(desks))
    app.add_exception_handler(BenchdError, _refused)
    app.add_exception_handler(RequestValidationError, _not_understood)
    app.add_exception_handler(HTTPException, _no_such_way)
    app.add_exception_handler(Exception, _fault)
    return app


def _looks(desks: Desks) -> APIRouter:
    router = APIRouter()

    @router.get("/status", responses={200: {"model": StatusAnswer}})
    async def status() -> JSONResponse:
        """What is going on now."""
        return JSONResponse(desks.board.latest.document)

    @router.get("/live", response_class=StreamingResponse, responses=EVENTS)
    async def live(every_s: Annotated[float, Query(ge=0.2, le=60, allow_inf_nan=False)] = 1.0) -> StreamingResponse:
        """The same, live, as server-sent events: `status` with each new picture, `happened` with each new event."""
        return StreamingResponse(_stream(desks.board, every_s), media_type="text/event-stream")

    @router.get("/runs")
    def runs(limit: Annotated[int, Query(ge=1, le=1000)] = 50) -> list[RunAnswer]:
        """The runs there were, newest first."""
        with queries.reader(desks.database) as connection:
            return [_run(desks, row) for row in queries.runs(connection, limit)]

    @router.get("/runs/{run}", responses={200: {"model": MorningAnswer}})
    def one_run(run: Run) -> JSONResponse:
        """The morning page of a run."""
        with queries.reader(desks.database) as connection:
            return JSONResponse(morning_page(connection, run, desks.zone))

    return router


def _acts(desks: Desks) -> APIRouter:
    router = APIRouter()

    @router.post("/queue", status_code=201)
    def queue(body: OrderBody, request: Request) -> QueuedAnswer:
        """Queue a run."""
        order, by = desks.order(body), _who(request)
        queued = desks.inbox.ask(lambda desk: desk.queue(order, by))
        return QueuedAnswer(run=queued.run, mount=queued.mount, says=list(queued.says))

    @router.post("/queue/repair", status_code=201)
    def repair(body: RunBody, request: Request) -> QueuedAnswer:
        """Queue a run that has ended once more, for the points that are not good."""
        by = _who(request)
        queued = desks.inbox.ask(lambda desk: desk.repair(body.run, by))
        return QueuedAnswer(run=queued.run, mount=queued.mount, says=list(queued.says))

    @router.post("/hold")
    def hold(request: Request, _body: Nothing | None = None) -> Says:
        """Heat off; sampling goes on."""
        by = _who(request)
        return Says(says=desks.inbox.ask(lambda desk: desk.hold(by)))

    @router.post("/resume")
    def resume(body: MaybeRunBody, request: Request) -> Says:
        """A run that is held, or waits for a person, goes on."""
        by = _who(request)
        return Says(says=desks.inbox.ask(lambda desk: desk.resume(body.run, by)))

    @router.post("/abort")
    def abort(body: MaybeRunBody, request: Request) -> Says:
        """End a run for good."""
        by = _who(request)
        return Says(says=desks.inbox.ask(lambda desk: desk.abort(body.run, by)))

    @router.post("/confirm")
    def confirm(body: ConfirmBody, request: Request) -> Says:
        """Answer what is asked of a person."""
        by = _who(request)
        return Says(says=desks.inbox.ask(lambda desk: desk.confirm(body.text, body.run, by)))

    @router.post("/clear")
    def clear(request: Request, _body: Nothing | None = None) -> Says:
        """Re-arm the bench after a trip."""
        by = _who(request)
        return Says(says=desks.inbox.ask(lambda desk: desk.clear(by)))

    @router.post("/ready")
    def ready(body: ReadyBody) -> ReadyAnswer:
        """Whether a person may go home: one list."""
        if (body.run is None) == (body.order is None):
            raise InputError("say either a run or an order, not both and not neither")
        asked = body.run if body.order is None else desks.order(body.order)
        document = desks.board.latest.document
        assert asked is not None
        answer = ready_answer(asked, document, desks.database, desks.now(), desks.zone, bench=desks.bench())
        return ReadyAnswer.model_validate(answer)

    return router


def _books(desks: Desks) -> APIRouter:
    router = APIRouter()

    @router.get("/specimens")
    def specimens() -> list[SpecimenAnswer]:
        """The specimens in the books."""
        with queries.reader(desks.database) as connection:
            rows = queries.specimens(connection)
        return [SpecimenAnswer(name=row.name, cooling=row.cooling, note=row.note) for row in rows]

    @router.post("/specimens", status_code=201)
    def add_specimen(body: SpecimenBody, request: Request) -> SpecimenAnswer:
        """Enter a specimen."""
        by = _who(request)
        row = desks.inbox.ask(lambda desk: desk.add_specimen(body.name, body.cooling, body.note, by))
        return SpecimenAnswer(name=row.name, cooling=row.cooling, note=row.note)

    @router.get("/mounts")
    def mounts(specimen: Annotated[str, Query(max_length=60)] = "") -> list[MountAnswer]:
        """The mounts of a specimen, or of all."""
        with queries.reader(desks.database) as connection:
            rows = [row for row in queries.specimens(connection) if specimen in ("", row.name)]
            if specimen and not rows:
                raise NotFound(f"there is no specimen {specimen!r}", "see benchd specimens")
            return [_mount(desks, row.name, one) for row in rows for one in queries.mounts(connection, row.id)]

    @router.post("/mounts", status_code=201)
    def add_mount(body: MountBody, request: Request) -> MountAnswer:
        """A specimen was mounted on the bench; what stood there was taken off."""
        by = _who(request)
        row = desks.inbox.ask(lambda desk: desk.add_mount(body.specimen, body.note, by))
        return _mount(desks, body.specimen, row)

    return router


def _mount(desks: Desks, specimen: str, row: MountRow) -> MountAnswer:
    stands = "planned" if row.mounted_utc is None else "on the bench"
    return MountAnswer(
        specimen=specimen,
        number=row.number,
        state="taken off" if row.taken_off_utc else stands,
        note=row.note,
        bench=row.bench,
        mounted_local=desks.local(row.mounted_utc),
        taken_off_local=desks.local(row.taken_off_utc),
    )


def _run(desks: Desks, row: RunRow) -> RunAnswer:
    return RunAnswer(
        run=row.id,
        protocol=row.protocol,
        specimen=row.specimen,
        mount=row.mount,
        state=str(row.state),
        reason=row.reason,
        simulated=row.simulated,
        queued_local=row.queued_utc.astimezone(desks.zone).isoformat(timespec="seconds"),
        started_local=desks.local(row.started_utc),
        ended_local=desks.local(row.ended_utc),
    )


async def _stream(board: Board, every_s: float) -> AsyncIterator[bytes]:
    """Pictures as they come, at most one each every_s [s]; a picture that nobody had time for is left out."""
    number, due_s, silent_s = 0, 0.0, 0.0
    told: int | None = None
    while True:
        picture = board.latest
        if picture.number > number and due_s <= 0:
            number, due_s, silent_s = picture.number, every_s, 0.0
            events = list(picture.document.get("events", ()))
            fresh = events if told is None else [event for event in events if event["event"] > told]
            for event in fresh if told is not None else ():
                yield _event("happened", event)
            told = events[-1]["event"] if events else told or 0
            yield _event("status", picture.document)
        elif silent_s >= KEEP_ALIVE_S:
            silent_s = 0.0
            yield b": still here\n\n"
        await asyncio.sleep(LOOK_S)
        due_s -= LOOK_S
        silent_s += LOOK_S


def _event(kind: str, value: Any) -> bytes:
    return f"event: {kind}\ndata: {json.dumps(value)}\n\n".encode()


def _who(request: Request) -> str:
    return who(request.client.host) if request.client else "nobody known"


# Errors, all in one shape


def _answer(status: int, message: str, hint: str = "") -> JSONResponse:
    return JSONResponse({"message": message, "hint": hint}, status)


async def _refused(_request: Request, error: Exception) -> JSONResponse:
    status = next((status for kind, status in STATUS if isinstance(error, kind)), 500)
    return _answer(status, getattr(error, "message", str(error)), getattr(error, "hint", ""))


async def _not_understood(_request: Request, error: Exception) -> JSONResponse:
    problems = error.errors() if isinstance(error, RequestValidationError) else []
    said = [f"{'.'.join(str(part) for part in one['loc'][1:]) or one['loc'][0]}: {one['msg']}" for one in problems]
    # What was sent may hold halves of letters, which no answer can hold.
    text = "; ".join(said).encode(errors="replace").decode()
    return _answer(422, text, "see /openapi.json")


async def _no_such_way(_request: Request, error: Exception) -> JSONResponse:
    """What the framework refuses: an unknown path or method, a body that is too long or no JSON at all."""
    assert isinstance(error, HTTPException)
    # Bytes that are no text at all; other bodies that are no JSON are told with 422 already.
    status = 422 if error.status_code == 400 else error.status_code
    answer = _answer(status, error.detail, "see /openapi.json")
    answer.headers.update(error.headers or {})
    return answer


async def _fault(_request: Request, error: Exception) -> JSONResponse:
    """The log has the traceback."""
    return _answer(500, f"a fault in benchd itself: {type(error).__name__}", "the daemon's log says where")
