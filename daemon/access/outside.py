"""Addresses under which browsers reach the daemon by another name than that of its socket. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass
from urllib.parse import urlsplit


@dataclass(frozen=True)
class Outside:
    """All addresses of the setting.

    Attributes:
        urls: the addresses, each with a slash at its end.
        hosts: what a browser writes in Host there.
        origins: what it writes in Origin there.
    """

    urls: tuple[str, ...] = ()
    hosts: frozenset[str] = frozenset()
    origins: frozenset[str] = frozenset()


NOWHERE_ELSE = Outside()


def outside(addresses: Iterable[str]) -> Outside:
    """The addresses as the settings have them: `http://bench.local:8714`, `https://bench.example/levels/`."""
    urls = tuple(f"{one.rstrip('/')}/" for one in addresses)
    parts = [urlsplit(one.lower()) for one in urls]
    return Outside(
        urls, frozenset(one.netloc for one in parts), frozenset(f"{one.scheme}://{one.netloc}" for one in parts)
    )


def sign_in_link(url: str, secret: str) -> str:
    """The link that signs a browser in. The secret stands in the fragment, which no browser sends to anybody."""
    return f"{url}#sign-in={secret}"
