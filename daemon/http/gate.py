"""After the guard, before the application: nobody comes in but this computer itself and who has signed in.

Closed is the rule. Open are what holds no data: the page's own files, whether the process lives, and signing in and out.
"""

import asyncio
import contextlib
from http import HTTPStatus
from pathlib import Path

from starlette.datastructures import Headers
from starlette.requests import cookie_parser
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocketDisconnect

from ..access import Admission, Visitor
from ..access.admission import THIS_COMPUTER
from ..access.peer import peer_of
from .methods import MethodsOf
from .pages import is_of_page
from .problems import problem

_NOT_SIGNED_IN = problem(401, "only who has signed in may do that")
_NOT_SIGNED_IN.headers["WWW-Authenticate"] = "Bearer"
_LOOKS_ONLY = problem(403, "a viewer may look on only", code="viewer", do="sign in with the code of an operator")

VISITOR = "peakwhite.visitor"
"""Where the application finds in the scope who asks."""

OPEN = {("GET", "/healthz"), ("HEAD", "/healthz"), ("POST", "/api/v1/sign-in"), ("POST", "/api/v1/sign-out")}
LOOKS = ("GET", "HEAD")
POLICY_VIOLATION = 1008
CLOSE_DEADLINE_S = 1.0


def visitor_of(scope: Scope) -> Visitor:
    """Who asks; where nobody stands at the gate, this computer itself."""
    found = scope.get(VISITOR, THIS_COMPUTER)
    assert isinstance(found, Visitor)
    return found


def cookie_name(scope: Scope) -> str:
    """Two daemons on one computer have cookies of their own: browsers do not tell ports apart."""
    return f"peakwhite-{(scope.get('server') or ('', 0))[1]}"


def cookie_of(scope: Scope) -> str | None:
    """The session's cookie, None where none was sent."""
    sent = "; ".join(Headers(scope=scope).getlist("cookie"))
    return cookie_parser(sent).get(cookie_name(scope))


class Gate:
    """ASGI middleware. `page` is the folder of the page's files, `outside_hosts` what Host says where others come from.

    `methods_of` tells the methods of a path.
    """

    def __init__(
        self, app: ASGIApp, admission: Admission, page: Path, outside_hosts: frozenset[str], methods_of: MethodsOf
    ) -> None:
        self._app = app
        self._admission = admission
        self._page = page
        self._outside_hosts = outside_hosts
        self._methods_of = methods_of

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        visitor = self._visitor(scope)
        if scope["type"] == "websocket":
            await self._live(visitor, scope, receive, send)
        elif self._is_open(scope):
            await self._app(scope, receive, send)
        elif visitor is None:
            await _NOT_SIGNED_IN(scope, receive, send)
        elif visitor.role == "viewer" and scope["method"] not in LOOKS:
            await self._to_a_viewer(scope["method"], scope["path"])(scope, receive, send)
        else:
            await self._app(scope, receive, send)

    def _visitor(self, scope: Scope) -> Visitor | None:
        headers = Headers(scope=scope)
        client = scope.get("client")
        peer = peer_of(None if client is None else client[0], dict(headers), scope["scheme"])
        by_outside_name = headers.get("host", "").lower() in self._outside_hosts
        return self._admission.visitor(
            headers.get("authorization"), cookie_of(scope), is_here=peer.is_this_computer and not by_outside_name
        )

    def _is_open(self, scope: Scope) -> bool:
        method, path = scope["method"], scope["path"]
        is_api = path.startswith("/api/")
        return (method, path) in OPEN or (method in LOOKS and not is_api and is_of_page(self._page, path))

    def _to_a_viewer(self, method: str, path: str) -> Response:
        """What a viewer is answered who would do more than look: that nobody may, where the path does not take it."""
        takes = self._methods_of(path) or (LOOKS if is_of_page(self._page, path) else ())
        if not takes or method in takes:
            return _LOOKS_ONLY
        refusal = problem(405, f"{method} {path}: {HTTPStatus(405).phrase}")
        refusal.headers["Allow"] = ", ".join(takes)
        return refusal

    async def _live(self, visitor: Visitor | None, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a socket on, as long as its visitor may stay. Who may not come in is told so by a close: a page hears no status
        of an upgrade that is refused."""
        if visitor is None:
            await receive()
            await send({"type": "websocket.accept"})
            await send({"type": "websocket.close", "code": POLICY_VIOLATION, "reason": "sign in first"})
            return
        with self._admission.staying(visitor) as stay:
            await self._app({**scope, VISITOR: visitor}, _until(stay.over, receive), send)
            if stay.over.is_set():
                with contextlib.suppress(WebSocketDisconnect, RuntimeError, TimeoutError):  # gone, or not reading
                    async with asyncio.timeout(CLOSE_DEADLINE_S):
                        await send({"type": "websocket.close", "code": POLICY_VIOLATION, "reason": "signed out"})


def _until(over: asyncio.Event, receive: Receive) -> Receive:
    """`receive` that says that the client has gone as soon as `over` is set."""

    async def receive_until() -> Message:
        message, ended = asyncio.ensure_future(receive()), asyncio.ensure_future(over.wait())
        try:
            await asyncio.wait((message, ended), return_when=asyncio.FIRST_COMPLETED)
            return {"type": "websocket.disconnect", "code": POLICY_VIOLATION} if over.is_set() else await message
        finally:
            message.cancel()
            ended.cancel()

    return receive_until
