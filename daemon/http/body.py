"""Behind the gate, before the application: the body of a request, whole and within the limit.

It is read only of whom the gate let in. How long a client may take to send it, `connections.py` knows.
"""

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from .problems import problem

BODY_LIMIT_BYTES = 64 * 1024


class TooLarge(Exception):
    """The body is over the limit."""


class WholeBody:
    """ASGI middleware that calls the application with the body read."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        try:
            body = await _whole_body(Headers(scope=scope), receive)
        except TooLarge:
            await problem(413, f"the body is over {BODY_LIMIT_BYTES // 1024} KiB")(scope, receive, send)
            return
        if body is None:
            return

        given = False

        async def receive_body() -> Message:
            nonlocal given
            if given:
                return await receive()
            given = True
            return {"type": "http.request", "body": body, "more_body": False}

        await self._app(scope, receive_body, send)


async def _whole_body(headers: Headers, receive: Receive) -> bytes | None:
    """The body, or None where the client left. Raises TooLarge as soon as that is known."""
    length = headers.get("content-length", "0")
    if length.isdecimal() and int(length) > BODY_LIMIT_BYTES:
        raise TooLarge
    body = bytearray()
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            return None
        body += message.get("body", b"")
        if len(body) > BODY_LIMIT_BYTES:
            raise TooLarge
        if not message.get("more_body", False):
            return bytes(body)
