"""Tokens on disk: `access.json` in the state folder, mode 0600, hashes only."""

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from ...drivers.errors import UnreadableInput, UsageError
from .known_time import known_time
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


class TokenFile:
    """The tokens of a state folder. Raises UnreadableInput where the file cannot be read or is none, OSError on writing."""

    def __init__(self, folder: Path, now_s: Callable[[], float] = time.time) -> None:
        self.path = folder / NAME
        self._now_s = now_s

    @property
    def stamp(self) -> Stamp:
        """What tells the file from the one before; None where there is none, or where it cannot be looked at."""
        try:
            found = self.path.stat()
        except OSError:
            return None
        return found.st_ino, found.st_size, found.st_mtime_ns

    def load(self) -> tuple[Token, ...]:
        """All tokens, also expired ones; none where there is no file."""
        try:
            with self.path.open("rb") as file:
                data = file.read(MOST_BYTES + 1)
            stored = _File.model_validate_json(data)
        except FileNotFoundError:
            return ()
        except OSError as error:
            raise self._unreadable((error.strerror or "it cannot be read").lower()) from error
        except ValidationError as error:
            raise self._unreadable("it holds no access tokens") from error
        return tuple(Token(**one.model_dump()) for one in stored.tokens)

    def add(self, name: str, role: Role, days: int | None = None) -> tuple[Token, str]:
        """Make a token that holds for so many days; gives it and its secret, which is kept nowhere. Raises UsageError."""
        name, secret = checked_name(name), new_secret()
        with self._changing() as known:
            now_s = int(known_time(self._now_s(), (one.made_at_s for one in known)).at_s)
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
            self._write((*known, token))
        return token, secret

    def revoke(self, name: str) -> Token:
        """End a token. Raises UsageError where there is none of that name."""
        with self._changing() as known:
            found = next((one for one in known if one.name == name), None)
            if found is None:
                raise UsageError(f"there is no token '{name}'", where="access", do="see 'peakwhite access list'")
            self._write(tuple(one for one in known if one is not found))
        return found

    @contextmanager
    def _changing(self) -> Iterator[tuple[Token, ...]]:
        """The tokens, while no other process changes them."""
        self.path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with _only_one(self.path.parent):
            yield self.load()

    def _write(self, tokens: tuple[Token, ...]) -> None:
        stored = _File.model_validate({"schema": SCHEMA, "tokens": [_Token(**asdict(one)) for one in tokens]})
        write_private(self.path, stored.model_dump_json(by_alias=True, indent=1).encode() + b"\n")

    def _unreadable(self, what: str) -> UnreadableInput:
        return UnreadableInput(what, where=str(self.path), do="move it away; 'peakwhite access new' makes a new one")


def first_token(state_directory: str | os.PathLike[str]) -> str:
    """Make the first operator's token, where there is none at all; gives its secret, empty where there is one already."""
    file = TokenFile(Path(state_directory))
    return "" if file.load() else file.add(FIRST, "operator")[1]


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
