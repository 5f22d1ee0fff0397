"""Refuses requests with a body that no order needs, before it is read."""

from __future__ import annotations

import json

from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: The longest body [bytes].
LONGEST = 1_000_000


class _TooLong(Exception):
    """More has come than any order needs."""


class SmallBodies:
    """ASGI middleware: 413 for a longer body, whether it says how long it is or not."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass one request on."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        said = dict(scope["headers"]).get(b"content-length", b"0")
        if said.isdigit() and int(said) > LONGEST:
            await _refuse(send)
            return
        came = 0
        begun = False

        async def counted() -> Message:
            nonlocal came
            message = await receive()
            came += len(message.get("body", b""))
            if came > LONGEST:
                raise _TooLong
            return message

        async def noted(message: Message) -> None:
            nonlocal begun
            begun = True
            await send(message)

        try:
            await self._app(scope, counted, noted)
        except _TooLong:
            if not begun:
                await _refuse(send)


async def _refuse(send: Send) -> None:
    text = json.dumps({"message": f"a body of more than {LONGEST} bytes is refused", "hint": "see /openapi.json"})
    headers = [(b"content-type", b"application/json"), (b"connection", b"close")]
    await send({"type": "http.response.start", "status": 413, "headers": headers})
    await send({"type": "http.response.body", "body": text.encode()})
