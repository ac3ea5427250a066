"""Whether a daemon may start where others can reach it, and where that is."""

import socket
from collections.abc import Callable, Iterable
from pathlib import Path

from ...drivers.errors import PeakwhiteError, UnreadableInput, UsageError
from .outside import outside
from .peer import address_of, is_beyond_loopback
from .token_file import TokenFile

DOCUMENTATION_NET = ("192.0.2.1", 9)
"""An address that nobody has (RFC 5737): asking the way there sends nothing and tells which address of ours leads out."""


def why_nobody_gets_in(
    folder: Path,
    host: str,
    *,
    trusts_loopback: bool,
    has_other_addresses: bool,
    do: str,
    clock_is_set: Callable[[], bool | None] = lambda: None,
) -> PeakwhiteError | None:
    """UsageError where others can reach the daemon and nobody has a token that holds, UnreadableInput where that cannot be read.

    `do` says how a token is made.
    """
    if is_beyond_loopback(host):
        what = f"'{host}' can be reached by others"
    elif has_other_addresses:
        what = "addresses are named by which others reach it"
    elif not trusts_loopback:
        what = "loopback is not trusted"
    else:
        return None
    file = TokenFile(folder, clock_is_set=clock_is_set)
    try:
        kept = file.load()
    except UnreadableInput as error:
        return error
    if any(one.holds(file.now(kept).at_s) for one in kept.tokens):
        return None
    return UsageError(f"{what}, and there is no access token that holds", where="host", do=do)


def is_any_address(host: str) -> bool:
    """Whether that stands for all addresses of this computer."""
    address = address_of(host)
    return host == "" or (address is not None and address.is_unspecified)


def url_here(host: str, port: int) -> str:
    """The address of a daemon that listens there, for this computer itself."""
    address = address_of(host)
    if address is not None and address.is_unspecified:
        host = "127.0.0.1" if address.version == 4 else "::1"
    return f"http://{f'[{host}]' if ':' in host else host}:{port}/"


def url_on_network(host: str, port: int) -> str | None:
    """Its address for others; None where it listens on loopback, or the network is not there."""
    if not is_beyond_loopback(host):
        return None
    if is_any_address(host):
        found = _own_address()
        return None if found is None else url_here(found, port)
    return url_here(host, port)


def urls_for_others(host: str, port: int, named: Iterable[str]) -> tuple[str, ...]:
    """All addresses by which others reach it: those that are named, and that of the socket where the network is there."""
    on_network = url_on_network(host, port)
    return (*outside(named).urls, *(() if on_network is None else (on_network,)))


def _own_address() -> str | None:
    """The IPv4 address by which this computer goes out, None without a network."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(DOCUMENTATION_NET)
        except OSError:
            return None
        found: str = probe.getsockname()[0]
    return found
