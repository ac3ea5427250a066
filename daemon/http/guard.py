"""Before any request or upgrade reaches the application: Host and Origin, and the headers of every answer.

A daemon on loopback is reachable by every web page that its user opens, and one on the bench's network by those of all
others there. Host is checked against rebinding of names, Origin against pages of others; an absent Origin passes, for
programs send none. The address to which a connection was made is always a right Host: only a name can be rebound.
"""

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from ..access.outside import Outside
from ..access.peer import address_of
from .foreign_host import page, wants_page
from .problems import problem

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; connect-src 'self'; "
    "manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)

SAFETY_HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}


class Guard:
    """ASGI middleware. `hosts` are `host:port` in lower case, `outside` the addresses under which others come."""

    def __init__(self, app: ASGIApp, hosts: frozenset[str], outside: Outside) -> None:
        self._app = app
        self._hosts = hosts
        self._outside = outside

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        if refusal := self._refusal(headers, self._hosts | _connected_to(scope)):
            if refusal[0] == 421 and scope["type"] == "http" and wants_page(scope["method"], headers):
                await page(headers.get("host", ""))(scope, receive, with_safety_headers(send))
                return
            await self._refuse(*refusal, scope, receive, send)
        elif scope["type"] == "websocket":
            await self._app(scope, receive, send)
        else:
            await self._app(scope, receive, with_safety_headers(send))

    def _refusal(self, headers: Headers, hosts: frozenset[str]) -> tuple[int, str] | None:
        host = headers.getlist("host")
        if len(host) != 1 or host[0].lower() not in hosts | self._outside.hosts:
            return 421, f"the Host header says '{', '.join(host)[:80]}', which is not this daemon"
        for origin in map(str.lower, headers.getlist("origin")):
            if origin.removeprefix("http://") not in hosts and origin not in self._outside.origins:
                return 403, f"a page of '{origin[:80]}' may not use this daemon"
        return None

    async def _refuse(self, status: int, detail: str, scope: Scope, receive: Receive, send: Send) -> None:
        answer = send if scope["type"] == "http" else _as_handshake_answer(send)
        await problem(status, detail)({**scope, "type": "http"}, receive, with_safety_headers(answer))


def _connected_to(scope: Scope) -> frozenset[str]:
    """What Host says of the very address, of this computer, to which the connection was made."""
    server, port = scope.get("server") or ("", None)
    address = address_of(server)
    if address is None:
        return frozenset()
    host = f"[{address}]" if address.version == 6 else str(address)
    return frozenset({f"{host}:{port}"} | ({host} if port == 80 else set()))


def with_safety_headers(send: Send) -> Send:
    """`send` that adds the safety headers to the start of an answer, and `no-store` where nothing says otherwise."""

    async def send_with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(raw=message["headers"])
            headers.update(SAFETY_HEADERS)
            headers.setdefault("cache-control", "no-store")
        await send(message)

    return send_with_headers


def _as_handshake_answer(send: Send) -> Send:
    """`send` that answers a refused upgrade with a plain HTTP answer."""

    async def send_answer(message: Message) -> None:
        await send({**message, "type": f"websocket.{message['type']}"})

    return send_answer
