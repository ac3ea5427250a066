"""Tokens on disk: `access.json` in the state folder, mode 0600, hashes only."""

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from ...drivers.errors import UnreadableInput, UsageError
from .known_time import KnownTime, known_time
from .private_file import write_private
from .tokens import Role, Token, checked_name, digest_of, new_secret

NAME = "access.json"
SCHEMA = "peakwhite.access/1"
MOST_BYTES = 1 << 20
MOST_TOKENS = 200
FIRST = "first operator"
DAY_S = 86_400

Stamp = tuple[int, int, int] | None


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class _Token(_Table):
    name: str
    role: Role
    digest: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    made_at_s: int
    ends_at_s: int | None


class _File(_Table):
    format: Annotated[Literal["peakwhite.access/1"], Field(alias="schema")]
    tokens: Annotated[list[_Token], Field(max_length=MOST_TOKENS)]
    seen_at_s: int = 0


@dataclass(frozen=True)
class Kept:
    """What the file holds: all tokens, also expired ones, and how late it was when it was written, seconds since 1970 UTC."""

    tokens: tuple[Token, ...] = ()
    seen_at_s: int = 0

    def happened_at_s(self) -> tuple[int, ...]:
        """Before none of this can it be now."""
        return self.seen_at_s, *(one.made_at_s for one in self.tokens)


class TokenFile:
    """The tokens of a state folder. Raises UnreadableInput where the file cannot be read or is none, OSError on writing.

    `clock_is_set` says whether the network has set the clock, None where nobody knows.
    """

    def __init__(
        self,
        folder: Path,
        now_s: Callable[[], float] = time.time,
        clock_is_set: Callable[[], bool | None] = lambda: None,
    ) -> None:
        self.path = folder / NAME
        self._now_s = now_s
        self._clock_is_set = clock_is_set

    @property
    def stamp(self) -> Stamp:
        """What tells the file from the one before; None where there is none, or where it cannot be looked at."""
        try:
            found = self.path.stat()
        except OSError:
            return None
        return found.st_ino, found.st_size, found.st_mtime_ns

    def now(self, kept: Kept, *others_at_s: int) -> KnownTime:
        """The time, which is not before anything that is kept, nor before what else is known to have happened."""
        return known_time(self._now_s(), (*kept.happened_at_s(), *others_at_s), self._clock_is_set())

    def load(self) -> Kept:
        """What is kept; nothing where there is no file."""
        try:
            with self.path.open("rb") as file:
                data = file.read(MOST_BYTES + 1)
            stored = _File.model_validate_json(data)
        except FileNotFoundError:
            return Kept()
        except OSError as error:
            raise self._unreadable((error.strerror or "it cannot be read").lower()) from error
        except ValidationError as error:
            raise self._unreadable("it holds no access tokens") from error
        return Kept(tuple(Token(**one.model_dump()) for one in stored.tokens), stored.seen_at_s)

    def add(self, name: str, role: Role, days: int | None = None) -> tuple[Token, str]:
        """Make a token that holds for so many days; gives it and its secret, which is kept nowhere. Raises UsageError."""
        name, secret = checked_name(name), new_secret()
        with self._changing() as kept:
            known, now_s = kept.tokens, int(self.now(kept).at_s)
            token = Token(name, role, digest_of(secret), now_s, None if days is None else now_s + days * DAY_S)
            if any(one.name == name for one in known):
                raise UsageError(
                    f"there is a token '{name}' already",
                    where="--name",
                    do=f"choose another name, or end that one first: peakwhite access revoke '{name}'",
                )
            if len(known) >= MOST_TOKENS:
                raise UsageError(
                    f"there are {MOST_TOKENS} tokens", where="--name", do="revoke those of no use any more"
                )
            self._write((*known, token), now_s)
        return token, secret

    def revoke(self, name: str) -> Token:
        """End a token. Raises UsageError where there is none of that name."""
        with self._changing() as kept:
            known = kept.tokens
            found = next((one for one in known if one.name == name), None)
            if found is None:
                raise UsageError(f"there is no token '{name}'", where="access", do="see 'peakwhite access list'")
            self._write(tuple(one for one in known if one is not found), int(self.now(kept).at_s))
        return found

    def see(self, at_s: int) -> None:
        """Keep that it is so late, for a computer that begins in 1970 after the next power cut."""
        with self._changing() as kept:
            self._write(kept.tokens, at_s)

    @contextmanager
    def _changing(self) -> Iterator[Kept]:
        """What is kept, while no other process changes them."""
        self.path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with _only_one(self.path.parent):
            yield self.load()

    def _write(self, tokens: tuple[Token, ...], seen_at_s: int) -> None:
        stored = [_Token(**asdict(one)) for one in tokens]
        file = _File.model_validate({"schema": SCHEMA, "tokens": stored, "seen_at_s": seen_at_s})
        write_private(self.path, file.model_dump_json(by_alias=True, indent=1).encode() + b"\n")

    def _unreadable(self, what: str) -> UnreadableInput:
        return UnreadableInput(what, where=str(self.path), do="move it away; 'peakwhite access new' makes a new one")


def first_token(state_directory: str | os.PathLike[str]) -> str:
    """Make the first operator's token, where there is none at all; gives its secret, empty where there is one already."""
    file = TokenFile(Path(state_directory))
    return "" if file.load().tokens else file.add(FIRST, "operator")[1]


@contextmanager
def _only_one(folder: Path) -> Iterator[None]:
    """The folder itself is locked: a lock file of its own would have to be looked after."""
    if os.name != "posix":
        yield
        return
    import fcntl

    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)
