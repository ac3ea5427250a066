"""The live socket: one task sends what waits for this viewer, one listens; whichever ends ends the other.

The listening one is what makes a stop quick: a handler that waits only on its own event never hears that the server ends.
"""

import asyncio
import contextlib
import json
from collections.abc import Iterable, Sequence
from typing import Any

from fastapi import APIRouter, WebSocket, WebSocketDisconnect
from pydantic import TypeAdapter, ValidationError

from ..live.frames import hello_frame
from ..live.hub import AT_ONCE, Hub, Viewer
from ..live.lines import view_of
from ..live.schema import REQUESTS
from ..measure.averaged_line import LineView
from .gate import visitor_of
from .services import Services

MESSAGE_LIMIT_BYTES = 4096
CLOSE_DEADLINE_S = 1.0
"""The server's close waits for room like any frame; for a client that does not read that would be for ever."""
POLICY_VIOLATION = 1008
TRY_AGAIN_LATER = 1013
AGAINST_THE_PROTOCOL = (1002, 1007, 1009)
"""So the server has closed the socket already, for broken frames, text that is no UTF-8, or one that is too long (RFC 6455)."""
HEARD_S = 1.0
"""Who finds the socket closed like that waits so long for the listener to hear why."""

_REQUESTS = {kind: TypeAdapter(request) for kind, request in REQUESTS.items()}


class BadMessage(Exception):
    """The client sent what it may not; the text goes into the close frame."""


def live_routes(services: Services) -> APIRouter:
    """The route of the live socket."""
    router = APIRouter()

    @router.websocket("/api/v1/live")
    async def live(socket: WebSocket) -> None:
        await socket.accept()
        viewer = services.hub.join()
        viewer.write = socket.scope.get("extensions", {}).get(AT_ONCE, {}).get("write")
        tasks = (
            asyncio.create_task(_send(socket, viewer, services)),
            asyncio.create_task(_listen(socket, viewer, services.hub)),
        )
        slow = False
        try:
            slow = await _until_one_ends(tasks, viewer, services)
        finally:
            services.hub.leave(viewer)
            for task in tasks:
                task.cancel()
            await asyncio.wait(tasks)
        ended = [task.exception() for task in tasks if not task.cancelled()]
        bad = any(isinstance(error, BadMessage) for error in ended)
        services.hub.tally.goodbyes["too-slow" if slow else "bad-message" if bad else "left"] += 1
        await _close(socket, slow, ended)

    return router


async def _until_one_ends(tasks: Sequence[asyncio.Task[None]], viewer: Viewer, services: Services) -> bool:
    """Wait until sending or listening ends, or one frame takes too long: then True.

    Looked at now and then: a timer for every frame would cost a fifth of sending it.
    """
    deadline_s = services.send_deadline_s
    while True:
        ended, _ = await asyncio.wait(tasks, timeout=deadline_s / 8, return_when=asyncio.FIRST_COMPLETED)
        since_s = viewer.sending_since_s
        if ended:
            return False
        if since_s is not None and services.now_s() - since_s >= deadline_s:
            return True


async def _send(socket: WebSocket, viewer: Viewer, services: Services) -> None:
    """Send hello, then the newest of each kind, one at a time; waits as long as the client does not read."""
    visitor = visitor_of(socket.scope)
    hello = hello_frame(
        version=services.version,
        run=services.run,
        rate_hz=services.setup.current.rate_hz,
        demo=services.trimmers is not None,
        role=visitor.role,
        signed_in_as=visitor.name,
    )
    payload: str | bytes = hello
    while True:
        message: dict[str, Any] = {"type": "websocket.send"}
        message["text" if isinstance(payload, str) else "bytes"] = payload
        viewer.sending_since_s = services.now_s()
        try:
            await socket.send(message)
        except (
            RuntimeError
        ):  # the server has closed it meanwhile, for what came was against the protocol: the listener hears it
            viewer.sending_since_s = None
            await asyncio.sleep(HEARD_S)
            return
        viewer.sending_since_s = None
        payload = await viewer.take()


async def _listen(socket: WebSocket, viewer: Viewer, hub: Hub) -> None:
    """Take what the client sends until it leaves. Raises BadMessage."""
    while True:
        message = await socket.receive()
        if message["type"] == "websocket.disconnect":
            if message.get("code") in AGAINST_THE_PROTOCOL:
                raise BadMessage("what came was no message")
            return
        request = request_of(message.get("text"))
        if request["type"] == "lines":
            hub.ask_lines(viewer, _view_of(request))
        else:
            hub.claim_control(viewer, request["token"])


def request_of(text: str | None) -> dict[str, Any]:
    """The request in a text frame (None for a binary one). Raises BadMessage."""
    if text is None:
        raise BadMessage("binary messages are not taken")
    if len(text.encode()) > MESSAGE_LIMIT_BYTES:
        raise BadMessage(f"a message is over {MESSAGE_LIMIT_BYTES} bytes")
    try:
        raw = json.loads(text)
        adapter = _REQUESTS[raw["type"]]
        request: dict[str, Any] = adapter.validate_python(raw, strict=True, extra="forbid")
    except (ValueError, TypeError, KeyError, RecursionError, ValidationError):
        raise BadMessage("only messages of type lines and control are taken") from None
    return request


def _view_of(request: dict[str, Any]) -> LineView | None:
    try:
        return view_of(request)
    except ValueError as error:
        raise BadMessage(str(error)) from None


async def _close(socket: WebSocket, slow: bool, ended: Iterable[BaseException | None]) -> None:
    """Close with the code that says why, as far as the client is still there to be told."""
    if slow:
        await _say_goodbye(socket, TRY_AGAIN_LATER, "too slow")
    for error in ended:
        if isinstance(error, BadMessage):
            await _say_goodbye(socket, POLICY_VIOLATION, str(error))
        elif error is not None and not isinstance(error, WebSocketDisconnect):
            raise error


async def _say_goodbye(socket: WebSocket, code: int, reason: str) -> None:
    with contextlib.suppress(WebSocketDisconnect, RuntimeError, TimeoutError):  # gone, or still not reading
        async with asyncio.timeout(CLOSE_DEADLINE_S):
            await socket.close(code, reason)
