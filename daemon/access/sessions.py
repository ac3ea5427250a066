"""Sessions: what a browser that has signed in carries as a cookie, and until when. They outlive the daemon, which is switched
off with the bench, in `sessions.json` in the state folder: mode 0600, hashes only, written when somebody signs in or out."""

import logging
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from .known_time import KnownTime
from .private_file import write_private
from .token_file import DAY_S
from .tokens import Token, digest_of, new_secret, of_secret

NAME = "sessions.json"
SCHEMA = "peakwhite.sessions/1"
MOST_BYTES = 4 << 20
MOST_OF_ONE_TOKEN = 32

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Session:
    """What is kept of a session: the digest of its cookie, that of the token it was begun with, and until when it holds.

    One that was begun before the clock was set is not `dated`: it counts from when the clock is.
    """

    digest: str
    token: str
    made_at_s: int
    ends_at_s: int
    dated: bool = True

    def holds(self, now_s: float) -> bool:
        """Whether it has not expired."""
        return now_s < self.ends_at_s


_Digest = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]


class _Session(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    digest: _Digest
    token: _Digest
    made_at_s: int
    ends_at_s: int
    dated: bool = True


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    format: Annotated[Literal["peakwhite.sessions/1"], Field(alias="schema")]
    sessions: list[_Session]


class Sessions:
    """All sessions, for the loop's thread. A file that is damaged holds none; one that cannot be written leaves them to this
    run of the daemon. `now` says what the time is at least."""

    def __init__(self, folder: Path, days: int, now: Callable[[], KnownTime]) -> None:
        self._path = folder / NAME
        self._days = days
        self._now = now
        self._sessions = self._read()

    def begin(self, token: Token) -> tuple[str, Session]:
        """A new session, no longer than its token; gives the cookie's value too, which is kept nowhere."""
        value, now = new_secret(), self._now()
        now_s = int(now.at_s)
        ends_at_s = now_s + self._days * DAY_S
        ends_at_s = min(ends_at_s, token.ends_at_s or ends_at_s)
        session = Session(digest_of(value), token.digest, now_s, ends_at_s, now.is_clocks)
        of_token = [one for one in self._sessions if one.token == token.digest]
        given_up = of_token[: max(0, len(of_token) + 1 - MOST_OF_ONE_TOKEN)]
        self._keep((*(one for one in self._sessions if one not in given_up and one.holds(now_s)), session))
        return value, session

    def of_cookie(self, value: str) -> Session | None:
        """The session of that cookie, None where there is none, or not any more."""
        found = of_secret(value, ((one.digest, one) for one in self._sessions))
        return found if found is not None and found.holds(self._now().at_s) else None

    def has(self, digest: str) -> bool:
        """Whether a session goes on."""
        return any(one.digest == digest and one.holds(self._now().at_s) for one in self._sessions)

    def begun_at_s(self) -> Iterator[int]:
        """When each was begun."""
        return (one.made_at_s for one in self._sessions)

    def date(self) -> None:
        """Those that were begun before the clock was set count from now, once it is; their tokens' ends stay."""
        if all(one.dated for one in self._sessions) or not (now := self._now()).is_clocks:
            return
        now_s = int(now.at_s)
        ends_at_s = now_s + self._days * DAY_S
        begun_now = (replace(one, made_at_s=now_s, ends_at_s=ends_at_s, dated=True) for one in self._sessions)
        self._keep(tuple(old if old.dated else new for old, new in zip(self._sessions, begun_now, strict=True)))

    def end(self, digest: str) -> None:
        """End one."""
        self._keep(tuple(one for one in self._sessions if one.digest != digest))

    def keep_only(self, tokens: Iterable[str]) -> None:
        """End those of all other tokens."""
        known = frozenset(tokens)
        if any(one.token not in known for one in self._sessions):
            self._keep(tuple(one for one in self._sessions if one.token in known))

    def _keep(self, sessions: tuple[Session, ...]) -> None:
        self._sessions = sessions
        stored = _File.model_validate({"schema": SCHEMA, "sessions": [_Session(**asdict(one)) for one in sessions]})
        try:
            write_private(self._path, stored.model_dump_json(by_alias=True).encode() + b"\n")
        except OSError as error:
            log.warning("%s: who is signed in is not remembered beyond this run: %s", self._path, error.strerror)

    def _read(self) -> tuple[Session, ...]:
        try:
            with self._path.open("rb") as file:
                stored = _File.model_validate_json(file.read(MOST_BYTES))
        except FileNotFoundError:
            return ()
        except (OSError, ValidationError):
            log.warning("%s: cannot be read; everybody has to sign in anew", self._path)
            return ()
        return tuple(Session(**one.model_dump()) for one in stored.sessions)
