"""Who may come in, and as what: this computer itself, a program with a token, a browser that signed in with one."""

import asyncio
import logging
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from ...drivers.errors import PeakwhiteError
from .attempts import Attempts
from .known_time import KnownTime
from .peer import Peer
from .sessions import Session, Sessions
from .token_file import Kept, Stamp, TokenFile
from .tokens import Role, Token, of_secret

LOOK_EVERY_S = 1.0
"""So soon an open socket ends after its token was revoked or has expired; requests are refused at once."""

log = logging.getLogger(__name__)


class Refused(Exception):
    """A code that signs nobody in: wrong, expired or revoked, which is not told apart. `wait_s` is 0, or how long to wait."""

    def __init__(self, wait_s: int = 0) -> None:
        super().__init__(wait_s)
        self.wait_s = wait_s


@dataclass(frozen=True)
class Visitor:
    """Who asks.

    Attributes:
        role: what it may do.
        name: that of its token; None for this computer itself.
        token: digest of its token.
        session: digest of its session, None where it sent the token itself.
    """

    role: Role = "operator"
    name: str | None = None
    token: str | None = None
    session: str | None = None


THIS_COMPUTER = Visitor()


@dataclass(eq=False)
class Stay:
    """A visitor whose live socket is open, and whether it has to go."""

    visitor: Visitor
    over: asyncio.Event = field(default_factory=asyncio.Event)


class Admission:
    """Whoever the web face asks who may come in. For the loop's thread.

    Args:
        folder: state folder with the tokens and the sessions.
        trusts_loopback: whether this computer itself is an operator without a token.
        session_days: how long a browser stays signed in.
        now_s, monotonic_s: the calendar's clock, seconds since 1970 UTC, and one that only goes on.
        clock_is_set: whether the network has set the calendar's clock, None where nobody knows.
    """

    def __init__(
        self,
        folder: Path,
        *,
        trusts_loopback: bool = True,
        session_days: int = 90,
        now_s: Callable[[], float] = time.time,
        monotonic_s: Callable[[], float] = time.monotonic,
        clock_is_set: Callable[[], bool | None] = lambda: None,
    ) -> None:
        self._trusts_loopback = trusts_loopback
        self._file = TokenFile(folder, now_s, clock_is_set)
        self._sessions = Sessions(folder, session_days, self._now)
        self._attempts = Attempts(monotonic_s)
        self._stays: set[Stay] = set()
        self._stamp: Stamp = None
        self._kept = Kept()
        self._seen_at_s = 0

    def visitor(self, authorization: str | None, cookie: str | None, *, is_here: bool) -> Visitor | None:
        """Who that is; None where nobody knows. `is_here` says that it is this computer itself, as far as can be told.

        A token that is sent counts alone, and is refused where it does not hold.
        """
        if authorization is not None:
            scheme, _, secret = authorization.partition(" ")
            token = self._token_of(secret.strip()) if scheme.lower() == "bearer" else None
            return None if token is None else Visitor(token.role, token.name, token.digest)
        if self._trusts_loopback and is_here:
            return THIS_COMPUTER
        self._sessions.date()
        session = None if cookie is None else self._sessions.of_cookie(cookie)
        token = None if session is None else self._token(session.token)
        return None if token is None or session is None else _signed_in(token, session)

    def sign_in(self, secret: str, peer: Peer) -> tuple[str, Session, Token]:
        """Begin a session; gives its cookie's value. Raises Refused."""
        if wait_s := self._attempts.wait_s(peer.address):
            raise Refused(wait_s)
        token = self._token_of(secret)
        if token is None:
            self._attempts.wrong(peer.address)
            if self._attempts.wait_s(peer.address):
                log.warning("too many wrong codes, the last from %s: it has to wait", peer.address)
            raise Refused
        value, session = self._sessions.begin(token)
        log.info("%s signed in as %s from %s", token.name, token.role, peer.address)
        return value, session, token

    def sign_out(self, cookie: str) -> None:
        """End the session of that cookie, and its live sockets."""
        session = self._sessions.of_cookie(cookie)
        if session is not None:
            self._sessions.end(session.digest)
            self.look()

    @contextmanager
    def staying(self, visitor: Visitor) -> Iterator[Stay]:
        """While this lasts the visitor has a socket open; `over` is set when it has to go."""
        stay = Stay(visitor)
        self._stays.add(stay)
        try:
            yield stay
        finally:
            self._stays.discard(stay)

    def look(self) -> None:
        """Send away whoever may not stay any more, and keep that a token has expired."""
        self._sessions.date()
        self._keep_how_late_it_is()
        for stay in self._stays:
            if not self._may_stay(stay.visitor):
                stay.over.set()

    async def follow(self) -> None:
        """Look once a second, for ever."""
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            self.look()

    def _may_stay(self, visitor: Visitor) -> bool:
        if visitor.token is None:
            return True
        return self._token(visitor.token) is not None and (
            visitor.session is None or self._sessions.has(visitor.session)
        )

    def _token_of(self, secret: str) -> Token | None:
        token = of_secret(secret, ((one.digest, one) for one in self._tokens()))
        return token if token is not None and token.holds(self._now().at_s) else None

    def _token(self, digest: str) -> Token | None:
        """The token that is kept under that digest, while it holds."""
        now_s = self._now().at_s
        return next((one for one in self._tokens() if one.digest == digest and one.holds(now_s)), None)

    def _now(self) -> KnownTime:
        self._tokens()
        return self._file.now(self._kept, *self._sessions.begun_at_s(), self._seen_at_s)

    def _keep_how_late_it_is(self) -> None:
        """Once a token has expired: a clock that stands in the past at the next start shall not have it hold again."""
        now_s = int(self._now().at_s)
        seen_at_s = max(self._seen_at_s, self._kept.seen_at_s)
        if not any(one.ends_at_s is not None and seen_at_s < one.ends_at_s <= now_s for one in self._kept.tokens):
            return
        self._seen_at_s = now_s
        try:
            self._file.see(now_s)
        except (OSError, PeakwhiteError) as error:
            log.warning("%s: that a token has expired is not remembered beyond this run: %s", self._file.path, error)

    def _tokens(self) -> tuple[Token, ...]:
        """All tokens, read again when the file is another; none while it cannot be read: that closes the door."""
        stamp = self._file.stamp
        if stamp != self._stamp:
            self._stamp = stamp
            try:
                self._kept = self._file.load()
            except PeakwhiteError as error:
                log.error("nobody is let in by a token: %s", error)
                self._kept = Kept()
            else:
                self._sessions.keep_only(one.digest for one in self._kept.tokens)
        return self._kept.tokens


def _signed_in(token: Token, session: Session) -> Visitor:
    return Visitor(token.role, token.name, token.digest, session.digest)
