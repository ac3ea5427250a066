"""Tokens: a secret that is shown once, and what is kept of it. Pure.

A secret is 256 random bits, so there is nothing to guess and no dictionary to try: one SHA-256 of it is as good as any slow
hash, which exists to protect what people think up. It also costs a request nothing.
"""

import hmac
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from hashlib import sha256
from typing import Literal, TypeVar

from ...drivers.errors import UsageError

Role = Literal["operator", "viewer"]
"""An operator may do everything, a viewer looks and reads only."""

SECRET_BYTES = 32
LONGEST_SECRET = 200
LONGEST_NAME = 40


@dataclass(frozen=True)
class Token:
    """What is kept of a token.

    Attributes:
        name: whose it is, or of which device; unique.
        role: what it allows.
        digest: SHA-256 of its secret, in hexadecimal digits.
        made_at_s: when it was made, seconds since 1970 UTC.
        ends_at_s: until when it holds, None for ever.
    """

    name: str
    role: Role
    digest: str
    made_at_s: int
    ends_at_s: int | None = None

    def holds(self, now_s: float) -> bool:
        """Whether it has not expired. A clock that stands before the token was made is wrong, and taken for that moment."""
        return self.ends_at_s is None or max(now_s, self.made_at_s) < self.ends_at_s


Held = TypeVar("Held")


def new_secret() -> str:
    """A new secret: 256 random bits as 43 characters that may stand in an address."""
    return secrets.token_urlsafe(SECRET_BYTES)


def digest_of(secret: str) -> str:
    """What is kept of a secret."""
    return sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


def of_secret(secret: str, known: Iterable[tuple[str, Held]]) -> Held | None:
    """What goes with that secret, out of pairs of digest and thing. Every digest is compared, each in constant time."""
    given = digest_of(secret) if len(secret) <= LONGEST_SECRET else ""
    found = None
    for digest, held in known:
        if hmac.compare_digest(digest, given):
            found = held
    return found


def checked_name(name: str, where: str = "--name") -> str:
    """The name as it is kept. Raises UsageError for one that is empty, too long, or could spoil a line of a log."""
    kept = " ".join(name.split())
    if not kept or len(kept) > LONGEST_NAME or not kept.isprintable():
        raise UsageError(
            f"'{name[:LONGEST_NAME]}' is no name of a token",
            where=where,
            do=f"give 1 to {LONGEST_NAME} plain characters",
        )
    return kept
