"""Who is at the other end of a connection: this computer itself, somebody beyond it, or a proxy that speaks for others. Pure."""

import ipaddress
from collections.abc import Mapping
from dataclasses import dataclass

FORWARDED = ("forwarded", "via", "x-real-ip", "x-client-ip", "x-original-host", "cf-connecting-ip", "true-client-ip")
"""Headers that a proxy puts on what it passes on, beside X-Forwarded-… One of them, and the request is not this computer's own."""

Address = ipaddress.IPv4Address | ipaddress.IPv6Address


@dataclass(frozen=True)
class Peer:
    """The other end.

    Attributes:
        address: whom wrong codes are counted against; an IPv6 network counts as one.
        on_loopback: the connection comes over loopback.
        is_forwarded: a proxy says that it speaks for somebody else.
        is_encrypted: the browser speaks TLS, to a proxy.
    """

    address: str
    on_loopback: bool
    is_forwarded: bool
    is_encrypted: bool

    @property
    def is_this_computer(self) -> bool:
        """A program or browser of this computer, as far as can be told."""
        return self.on_loopback and not self.is_forwarded


def peer_of(client: str | None, headers: Mapping[str, str], scheme: str = "http") -> Peer:
    """The peer of a request from that address. `headers` have names in lower case.

    Whom a proxy speaks for is believed only of one on loopback, and then the last it names, which is the one that it saw:
    a client can make up all others. That it speaks TLS is believed of anybody: it only makes a cookie stricter.
    """
    address = address_of(client)
    on_loopback = address is not None and address.is_loopback
    told = address_of(headers.get("x-forwarded-for", "").rsplit(",", 1)[-1].strip()) if on_loopback else None
    return Peer(
        address=counted(told or address),
        on_loopback=on_loopback,
        is_forwarded=any(name in FORWARDED or name.startswith("x-forwarded-") for name in headers),
        is_encrypted=scheme in ("https", "wss") or headers.get("x-forwarded-proto", "").strip().lower() == "https",
    )


def address_of(text: str | None) -> Address | None:
    """An IP address, of a mapped one the IPv4 address; None for anything else."""
    try:
        address = ipaddress.ip_address((text or "").split("%", 1)[0])
    except ValueError:
        return None
    return getattr(address, "ipv4_mapped", None) or address


def counted(address: Address | None) -> str:
    """Whom something is counted against: an IPv6 network counts as one."""
    if address is None:
        return "unknown"
    return str(ipaddress.ip_network((address, 64), strict=False)) if address.version == 6 else str(address)


def is_beyond_loopback(host: str) -> bool:
    """Whether others can reach a daemon that listens there."""
    address = address_of(host)
    return host != "localhost" and (address is None or not address.is_loopback)
