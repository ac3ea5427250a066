"""Links: the way to an instrument. `open_link` takes any VISA resource string that Peakwhite speaks.

`…::SOCKET` is a link of our own (`socket_link`); USBTMC, VXI-11 and HiSLIP go through PyVISA with pyvisa-py (`visa_link`).
PyVISA is imported only when a resource is looked at, and parses all of them. A link belongs to one thread.
"""

import re
from dataclasses import dataclass
from typing import Literal, Protocol

from .errors import MalformedResource, ReplyError
from .replies import other_protocol

TIMEOUT_S = 2.0
CONNECT_TIMEOUT_S = 1.0
EXAMPLES = "TCPIP0::192.0.2.10::5555::SOCKET, TCPIP0::192.0.2.10::inst0::INSTR or USB0::0x1234::0x5678::SERIAL::INSTR"

_BRACKETED = re.compile(r"\[([0-9A-Fa-f:.%\w]+)\]")
_PLACEHOLDER = "bracketed-address"


class Link(Protocol):
    """One conversation with one instrument.

    After LinkTimeout, LinkLost or ReplyError raised by a link it is dirty: an answer may still be on its way. A dirty link
    refuses everything but `clear` and `close`.
    """

    @property
    def resource(self) -> str:
        """The resource string that it was opened with."""
        ...

    @property
    def dirty(self) -> bool:
        """Whether it has to be cleared before it may be used again."""
        ...

    def write(self, command: str) -> None:
        """Send a message that has no answer. Raises LinkError."""
        ...

    def query(self, command: str) -> str:
        """Send a message and give its one line of answer, without line end. Raises LinkError, ReplyError."""
        ...

    def query_block(self, command: str, limit_bytes: int) -> memoryview:
        """Send a message and give the payload of the block that answers it, `limit_bytes` at most.

        An indefinite block is taken only where the transport marks the end. Raises LinkError, ReplyError.
        """
        ...

    def clear(self) -> None:
        """Bring a dirty link back by device clear or by connecting anew. Raises LinkError."""
        ...

    def close(self) -> None:
        """Give it back. Never raises; closing twice is fine."""
        ...


@dataclass(frozen=True)
class Address:
    """What a resource string means. `host` and `port` are those of a raw socket."""

    kind: Literal["socket", "hislip", "vxi-11", "usb"]
    host: str = ""
    port: int = 0


def open_link(resource: str, *, timeout_s: float = TIMEOUT_S, connect_timeout_s: float = CONNECT_TIMEOUT_S) -> Link:
    """Open the link that `resource` names. Raises MalformedResource, LinkTimeout, LinkLost.

    `timeout_s` bounds every later call as a whole. The opening of VXI-11 (3 s) and HiSLIP (5 s) is bounded by the library.
    """
    address = parse_resource(resource)
    if address.kind == "socket":
        from .socket_link import SocketLink

        return SocketLink(
            resource, address.host, address.port, timeout_s=timeout_s, connect_timeout_s=connect_timeout_s
        )
    from .visa_link import VisaLink

    return VisaLink(resource, address.kind, timeout_s=timeout_s)


def parse_resource(resource: str) -> Address:
    """What the resource string names. Raises MalformedResource for a string or a kind that we do not speak.

    PyVISA does not know bracketed IPv6 addresses, so that they are set aside while it parses.
    """
    from pyvisa import rname

    bracketed = _BRACKETED.search(resource)
    plain = _BRACKETED.sub(_PLACEHOLDER, resource, count=1)
    try:
        name = rname.ResourceName.from_string(plain)
    except ValueError as error:
        raise _malformed(resource, "not a VISA resource string") from error
    if isinstance(name, rname.TCPIPSocket):
        host = bracketed[1] if bracketed else name.host_address
        if not (name.port.isascii() and name.port.isdigit() and 0 < int(name.port) < 65536):
            raise _malformed(resource, f"'{name.port}' is not a port")
        return Address("socket", host, int(name.port))
    if isinstance(name, rname.TCPIPInstr) and not bracketed:
        return Address("hislip" if name.lan_device_name.lower().startswith("hislip") else "vxi-11")
    if isinstance(name, rname.USBInstr):
        return Address("usb")
    raise _malformed(resource, "a kind of link that Peakwhite does not speak")


def _malformed(resource: str, what: str) -> MalformedResource:
    return MalformedResource(what, where=resource or "(empty resource)", do=f"write it like {EXAMPLES}")


def identify(link: Link) -> str:
    """What the instrument answers to `*IDN?`. Raises LinkError, ReplyError."""
    identity = link.query("*IDN?")
    if other := other_protocol(identity):
        raise ReplyError(other, where=link.resource, do="give the address of the scope's SCPI port")
    if not identity or identity.startswith("<"):
        raise ReplyError(
            f"not a scope: it answers {identity!r}", where=link.resource, do="give the address of the scope's SCPI port"
        )
    return identity
