"""Control is a lease: one holder at a time, handed out by token, ended 15 s after the holder was last there."""

import hmac
import secrets
from collections.abc import Callable
from dataclasses import dataclass

from ...drivers.errors import ControlHeld

GRACE_S = 15.0
"""How long the lease outlives the holder's last socket, or its last use where there never was one."""


@dataclass
class _Holding:
    name: str
    token: str
    sockets: int
    left_at_s: float


class ControlLease:
    """Who may write. While nobody holds control, everybody may. For the event loop's thread only."""

    def __init__(
        self, now_s: Callable[[], float], new_token: Callable[[], str] = lambda: secrets.token_urlsafe(24)
    ) -> None:
        self._now_s = now_s
        self._new_token = new_token
        self._holding: _Holding | None = None

    @property
    def holder(self) -> str | None:
        """Name of who holds control now."""
        holding = self._valid()
        return None if holding is None else holding.name

    def take(self, name: str, token: str | None = None, *, by_force: bool = False) -> str:
        """Give control to `name` and return its token. Raises ControlHeld where another holds it, unless by force."""
        holding = self._valid()
        if holding is not None and _same(holding.token, token):
            holding.name, holding.left_at_s = name, self._now_s()
            return holding.token
        if holding is not None and not by_force:
            raise _held_by(holding)
        self._holding = _Holding(name, self._new_token(), 0, self._now_s())
        return self._holding.token

    def release(self, token: str | None) -> None:
        """Give control back. Raises ControlHeld where the token is not the holder's."""
        self.check(token)
        self._holding = None

    def check(self, token: str | None) -> None:
        """May whoever sent this token write? Raises ControlHeld with the holder's name. Using it prolongs the lease."""
        holding = self._valid()
        if holding is None:
            return
        if not _same(holding.token, token):
            raise _held_by(holding)
        holding.left_at_s = self._now_s()

    def is_held_by(self, token: str | None) -> bool:
        """Whether this token is that of the holder."""
        holding = self._valid()
        return holding is not None and _same(holding.token, token)

    def arrive(self, token: str) -> bool:
        """A socket of the holder opened; False where the token is not the holder's."""
        holding = self._valid()
        if holding is None or not _same(holding.token, token):
            return False
        holding.sockets += 1
        return True

    def leave(self, token: str) -> None:
        """A socket that had arrived with this token closed."""
        holding = self._holding
        if holding is not None and _same(holding.token, token):
            holding.sockets -= 1
            holding.left_at_s = self._now_s()

    def _valid(self) -> _Holding | None:
        holding = self._holding
        if holding is not None and holding.sockets == 0 and self._now_s() - holding.left_at_s >= GRACE_S:
            self._holding = None
        return self._holding


def _same(token: str, other: str | None) -> bool:
    return other is not None and hmac.compare_digest(token.encode(), other.encode())


def _held_by(holding: _Holding) -> ControlHeld:
    return ControlHeld(
        f"{holding.name} holds control", where="control", do="ask them, or take it: POST control with take true"
    )
