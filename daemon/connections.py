"""How many connections there may be, and how long one may take to say what it wants: nobody shuts the others out.

uvicorn bounds neither. A connection that sends nothing, half a request's head or half its body costs a file descriptor and
memory, and whoever may not come in can make as many as he likes.
"""

import asyncio
import logging
from collections.abc import Collection, Iterable
from functools import lru_cache
from typing import Any

import h11
from uvicorn.config import Config
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.server import ServerState

from .access.peer import address_of, counted
from .counting import ConnectionTally

MOST = 512
"""Connections of all together; half the descriptors that this process may have, where that is less."""
MOST_OF_ONE = 64
"""Connections of one address. Loopback has no such limit: there a proxy speaks for all."""
SAY_BY_S = 10.0
"""So long a client may take to send the head of a request, and as long again for its body."""
QUIET_S = 60.0
"""There are few enough connections again once none was closed for so long."""

NOT_OURS = (
    "without completing handshake",  # an upgrade that is refused, as the guard refuses those of foreign pages
    "Invalid HTTP request received",
    "Unsupported upgrade request",
    "Invalid UTF-8 sequence received",
)
"""What uvicorn logs of what clients do wrong."""

log = logging.getLogger(__name__)


class Door:
    """Whether one more connection is taken. For the loop's thread.

    Args:
        tally: where those that were not are counted.
        most, most_of_one: how many there may be, of all and of one address.
        say_by_s: how long a client may take to say what it wants.
    """

    def __init__(
        self,
        tally: ConnectionTally,
        *,
        most: int | None = None,
        most_of_one: int = MOST_OF_ONE,
        say_by_s: float = SAY_BY_S,
        quiet_s: float = QUIET_S,
    ) -> None:
        self.tally = tally
        self.say_by_s = say_by_s
        self._most = most_connections() if most is None else most
        self._most_of_one = most_of_one
        self._quiet_s = quiet_s
        self._refused: int | None = None
        self._refused_before = 0

    def takes(self, client: tuple[str, int] | None, connections: Collection[Any]) -> bool:
        """Whether that client's connection, which is among these already, may stay. Says so once where it may not.

        Of each of these `client` is known, address and port, before and after it became a live socket.
        """
        address, is_here = _place(client)
        if len(connections) > self._most:
            self._refuse(f"{self._most} connections are open")
        elif not is_here and _count(address, connections) > self._most_of_one:
            self._refuse(f"{self._most_of_one} connections from {address} are open")
        else:
            return True
        return False

    def _refuse(self, why: str) -> None:
        self.tally.refused["too-many"] += 1
        if self._refused is None:
            self._refused = self._refused_before = 0
            log.warning("%s, what comes beyond is closed at once", why)
            asyncio.get_running_loop().call_later(self._quiet_s, self._look)
        self._refused += 1

    def _look(self) -> None:
        if self._refused == self._refused_before:
            log.warning("no connection was closed for %g s, before that %d were", self._quiet_s, self._refused)
            self._refused = None
        else:
            self._refused_before = self._refused or 0
            asyncio.get_running_loop().call_later(self._quiet_s, self._look)


class Connection(H11Protocol):
    """uvicorn's, which is not taken where there are too many, and ends where its client does not say what it wants."""

    def __init__(
        self,
        config: Config,
        server_state: ServerState,
        app_state: dict[str, Any],
        _loop: asyncio.AbstractEventLoop | None = None,
        *,
        door: Door,
    ) -> None:
        super().__init__(config, server_state, app_state, _loop)
        self._door = door
        self._owed: tuple[object, object] | None = None
        self._deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take it, or close it at once."""
        super().connection_made(transport)
        if self._door.takes(self.client, self.connections):
            self._mind_the_time()
        else:
            self.connections.discard(self)
            transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        """It has ended."""
        super().connection_lost(exc)
        self._mind_the_time()

    def handle_events(self) -> None:
        """Do what came."""
        super().handle_events()
        self._mind_the_time()

    def handle_websocket_upgrade(self, event: h11.Request) -> None:
        """Hand over to the live socket, or end where that cannot take the request: it would wait for ever."""
        super().handle_websocket_upgrade(event)
        if not getattr(self.transport.get_protocol(), "handshake_initiated", True):
            self._door.tally.refused["invalid"] += 1
            self.transport.close()

    def send_400_response(self, msg: str) -> None:
        """Answer what is no HTTP; where its answer has begun already, only end. The application is heard no more."""
        self._door.tally.refused["invalid"] += 1
        if self.cycle is not None and not self.cycle.response_complete:
            self.cycle.disconnected = True
            self.cycle.message_event.set()
        if self.conn.our_state in (h11.IDLE, h11.SEND_RESPONSE):
            super().send_400_response(msg)
        else:
            self.transport.close()

    def _mind_the_time(self) -> None:
        """Begin to count when the client begins to owe a head or a body, not with every byte that it sends."""
        owes = self in self.connections and self.conn.their_state in (h11.IDLE, h11.SEND_BODY)
        owed = (self.conn.their_state, self.cycle) if owes else None
        if owed == self._owed:
            return
        self._owed = owed
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None
        if owed is not None:
            self._deadline = self.loop.call_later(self._door.say_by_s, self._too_late)

    def _too_late(self) -> None:
        self._door.tally.refused["too-late"] += 1
        self.transport.close()


def most_connections() -> int:
    """Of all together: what else is opened, as the book and the scope, has as many descriptors again."""
    try:
        import resource
    except ImportError:  # Windows
        return MOST
    limit = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
    return MOST if limit == resource.RLIM_INFINITY else min(MOST, limit // 2)


def is_ours(told: logging.LogRecord) -> bool:
    """A filter of uvicorn's log: what clients do wrong is no error of ours, and they could fill the log with it."""
    message = told.getMessage()
    return not any(text in message for text in NOT_OURS)


def _count(address: str, connections: Iterable[Any]) -> int:
    return sum(_place(one.client)[0] == address for one in connections)


@lru_cache(maxsize=2 * MOST)
def _place_of(host: str) -> tuple[str, bool]:
    address = address_of(host)
    return counted(address), address is not None and address.is_loopback


def _place(client: tuple[str, int] | None) -> tuple[str, bool]:
    """Whose connection that is, an IPv6 network counting as one, and whether it is this computer's."""
    return _place_of("" if client is None else client[0])
