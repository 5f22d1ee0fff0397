"""Refuses requests with a body that no order needs, before more of it is read."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: The longest body [bytes].
LONGEST = 1_000_000


class SmallBodies:
    """ASGI middleware: whoever reads a longer body gets 413, whether it says how long it is or not."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass one request on."""
        said = dict(scope["headers"]).get(b"content-length", b"0") if scope["type"] == "http" else b"0"
        came = int(said) if said.isdigit() else 0
        counts = came == 0

        async def counted() -> Message:
            nonlocal came
            if came <= LONGEST:
                message = await receive()
                came += len(message.get("body", b"")) if counts else 0
            if came > LONGEST:
                raise HTTPException(413, f"a body of more than {LONGEST} bytes is refused")
            return message

        await self._app(scope, counted, send)
