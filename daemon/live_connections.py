"""Connections of the live socket: little is on its way to a viewer, so that a slow one sees the level of now, not one of before.

Systems and browsers take megabytes that nobody has read: levels of many seconds, while the hub believes all of them seen. So
frames are followed by pings, which every client answers once it has read what came before (RFC 6455, 5.5.2), and where an
answer is late nothing more is sent: the newest takes the place of what waits (live/hub.py).
"""

import asyncio
from functools import lru_cache
from typing import Any

from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol
from websockets.frames import Frame, Opcode

from .live.hub import AT_ONCE, Payload

AHEAD_S = 0.2
"""A ping goes out so often at least and is waited for so long at most; an answer that took longer is late."""
TRUST_S = 0.02
"""Whoever is new or was late is given one frame a ping; so much longer are both times with every answer that is not late."""
CLOSE_S = 2.0
"""A client has so long to answer a close before its connection ends."""


class LiveConnection(WebSocketsSansIOProtocol):
    """uvicorn's, whose `send` ends when the client is not behind."""

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self.close_timeout = CLOSE_S
        self._caught_up = asyncio.Event()
        self._caught_up.set()
        self._pings = 0
        self._asked_at_s: float | None = None
        self._next_at_s = 0.0
        self._ahead_s = 0.0
        self._impatient: asyncio.TimerHandle | None = None

    async def send(self, message: Any) -> None:
        """Send; after a frame wait until the client has read enough of what it was sent to be given another."""
        await super().send(message)
        if message["type"] == "websocket.send":
            if self._asked_at_s is None and self.loop.time() >= self._next_at_s:
                self._ask()
            await self._caught_up.wait()
            await self.writable.wait()

    def write_at_once(self, payload: Payload) -> bool:
        """Write a frame past the application's queue; False, and nothing written, unless all before it was read in good time.

        A reading goes to every viewer: a task to wake for each, and its frame made anew, would cost five times the writing.
        """
        behind = self._ahead_s < AHEAD_S or not self._caught_up.is_set() or self.transport.get_write_buffer_size()
        if behind or self.close_sent or self.disconnected or self.transport.is_closing():
            return False
        self.transport.write(_framed(payload))
        if self._asked_at_s is None and self.loop.time() >= self._next_at_s:
            self._ask()
        return True

    def _ask(self) -> None:
        self._pings += 1
        self._asked_at_s = self.loop.time()
        self._next_at_s = self._asked_at_s + self._ahead_s
        self.conn.send_ping(self._ping)
        self.transport.write(b"".join(self.conn.data_to_send()))
        if self._ahead_s > 0.0:
            self._impatient = self.loop.call_later(self._ahead_s, self._caught_up.clear)
        else:
            self._caught_up.clear()

    @property
    def _ping(self) -> bytes:
        """What the last ping carries: longer than those with which uvicorn looks whether the client is there."""
        return self._pings.to_bytes(8, "big")

    def handle_pong(self, event: Frame) -> None:
        """The client has read all that was sent before this ping."""
        if self._asked_at_s is None or bytes(event.data) != self._ping:
            super().handle_pong(event)
            return
        late = self.loop.time() - self._asked_at_s > AHEAD_S
        self._ahead_s = 0.0 if late else min(self._ahead_s + TRUST_S, AHEAD_S)
        self._asked_at_s = None
        self._go_on()

    def connection_lost(self, exc: Exception | None) -> None:
        """It has ended: nobody waits for an answer."""
        super().connection_lost(exc)
        self._go_on()

    def _go_on(self) -> None:
        if self._impatient is not None:
            self._impatient.cancel()
            self._impatient = None
        self._caught_up.set()

    async def run_asgi(self) -> None:
        """Run the application; when it is done, nothing waits for a client that takes nothing."""
        self.scope["extensions"][AT_ONCE] = {"write": self.write_at_once}
        await super().run_asgi()
        if not self.writable.is_set():
            self.transport.abort()


@lru_cache(maxsize=2)
def _framed(payload: Payload) -> bytes:
    """One frame of it, the same for every viewer (RFC 6455, 5.2: what a server sends is not masked)."""
    if isinstance(payload, str):
        return Frame(Opcode.TEXT, payload.encode()).serialize(mask=False)
    return Frame(Opcode.BINARY, payload).serialize(mask=False)
