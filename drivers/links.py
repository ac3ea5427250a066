"""Links: the way to an instrument. `open_link` takes any VISA resource string that Peakwhite speaks.

Raw sockets, VXI-11 and HiSLIP have links of our own; USBTMC goes through PyVISA with pyvisa-py (`visa_link`). PyVISA is
imported only when a resource is looked at, and parses all of them. A link belongs to one thread.
"""

import ipaddress
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol

from .errors import MalformedResource, ReplyError
from .replies import other_protocol

if TYPE_CHECKING:
    from pyvisa import rname

TIMEOUT_S = 2.0
CONNECT_TIMEOUT_S = 1.0
HISLIP_PORT = 4880
EXAMPLES = "TCPIP0::192.0.2.10::5555::SOCKET, TCPIP0::192.0.2.10::inst0::INSTR or USB0::0x1234::0x5678::SERIAL::INSTR"

CLASSES = ("INSTR", "SOCKET", "RAW")
"""What a resource string may end with."""

_BRACKETED = re.compile(r"(?<=::)\[([^\[\]]+)\](?=::|,|$)")
_IDN_HEADER = re.compile(r"^\s*\*IDN\s+", re.IGNORECASE)
_PLACEHOLDER = "bracketed-address"
_NUMBER = re.compile(r"0[xX][0-9A-Fa-f]{1,4}|0|[1-9][0-9]{0,4}")
"""As `int(digits, 0)` reads it, without underscores."""


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
        """Give it back, and the front panel with it where the transport knows a remote state. Never raises; twice is fine.

        USBTMC has GO_TO_LOCAL, VXI-11 device_local, HiSLIP AsyncRemoteLocalControl; a dirty link sends none of them. A raw
        socket has nothing of the kind: where a dialect can lock the panel, its `release` and `restore` unlock it.
        """
        ...


@dataclass(frozen=True)
class Address:
    """What a resource string means.

    On the network `host`, `port` (0: ask the port mapper) and `device` say where; on USB `device` is the string as PyVISA
    knows it.
    """

    kind: Literal["socket", "hislip", "vxi-11", "usb"]
    host: str = ""
    port: int = 0
    device: str = ""


def open_link(resource: str, *, timeout_s: float = TIMEOUT_S, connect_timeout_s: float = CONNECT_TIMEOUT_S) -> Link:
    """Open the link that `resource` names. Raises MalformedResource, LinkTimeout, LinkLost.

    `timeout_s` bounds every later call as a whole. Opening is bounded by `connect_timeout_s` for a raw socket, by 3 s for
    VXI-11 and 5 s for HiSLIP, which exchange several messages then, however many addresses a host has; for USB by a second
    for every request. What a resolver takes to look a host's name up comes before that, and cannot be bounded
    (`wire.looked_up`): an address in digits has none of it.
    """
    where = parse_resource(resource)
    match where.kind:
        case "socket":
            from .socket_link import SocketLink

            return SocketLink(
                resource, where.host, where.port, timeout_s=timeout_s, connect_timeout_s=connect_timeout_s
            )
        case "hislip":
            from .hislip_link import HislipLink

            return HislipLink(resource, where.host, where.port, where.device, timeout_s=timeout_s)
        case "vxi-11":
            from .vxi11_link import Vxi11Link

            return Vxi11Link(resource, where.host, where.port, where.device, timeout_s=timeout_s)
        case "usb":
            from .visa_link import VisaLink

            return VisaLink(resource, where.device, timeout_s=timeout_s)


def parse_resource(resource: str) -> Address:
    """What the resource string names. Raises MalformedResource for a string or a kind that we do not speak.

    Upper and lower case are the same in its first and last word, as in all VISA strings. PyVISA knows that of the first
    alone, and no bracketed IPv6 addresses, so that they are set aside while it parses.
    """
    from pyvisa import rname

    if not resource.isprintable():
        raise _malformed(resource, "a character that cannot be printed")
    words = resource.split("::")
    words[0] = words[0].upper()
    if words[-1].upper() in CLASSES:
        words[-1] = words[-1].upper()
    canonical = "::".join(words)
    bracketed = _BRACKETED.search(canonical)
    try:
        name = rname.ResourceName.from_string(_BRACKETED.sub(_PLACEHOLDER, canonical, count=1))
    except ValueError as error:
        raise _malformed(resource, "not a VISA resource string") from error
    if isinstance(name, rname.USBInstr):
        _check_usb(name, resource)
        return Address("usb", device=canonical)
    if not isinstance(name, rname.TCPIPSocket | rname.TCPIPInstr):
        raise _malformed(resource, "a kind of link that Peakwhite does not speak")
    host, comma, port = name.host_address.partition(",")
    host = _host(host, bracketed, resource)
    if isinstance(name, rname.TCPIPSocket):
        if comma:
            raise _malformed(resource, "two ports")
        return Address("socket", host, _port(name.port, resource))
    if not name.lan_device_name.isascii():
        raise _malformed(resource, "a device name that is not ASCII")
    if not name.lan_device_name.lower().startswith("hislip"):
        return Address("vxi-11", host, _port(port, resource) if comma else 0, name.lan_device_name)
    if comma:
        raise _malformed(resource, "a port beside the host, which HiSLIP has beside the device")
    device, comma, port = name.lan_device_name.partition(",")
    return Address("hislip", host, _port(port, resource) if comma else HISLIP_PORT, device)


def _host(host: str, bracketed: re.Match[str] | None, resource: str) -> str:
    """A name or an address, without the brackets that one of IPv6 has."""
    if (bracketed is not None) != (host == _PLACEHOLDER) or not host.isprintable() or set(host) & set(" []"):
        raise _malformed(resource, "not a host")
    if bracketed is None:
        return host
    try:
        ipaddress.IPv6Address(bracketed[1])
    except ValueError as error:
        raise _malformed(resource, f"'{bracketed[1]}' is not an IPv6 address") from error
    return bracketed[1]


def _check_usb(name: "rname.USBInstr", resource: str) -> None:
    """Raises MalformedResource unless the numbers are such."""
    for digits, most in (
        (name.manufacturer_id, 0xFFFF),
        (name.model_code, 0xFFFF),
        (name.usb_interface_number, 0xFF),
    ):
        if not _NUMBER.fullmatch(digits) or int(digits, 0) > most:
            raise _malformed(resource, f"'{digits}' where a number of at most 0x{most:X} belongs")


def _port(digits: str, resource: str) -> int:
    if not (digits.isascii() and digits.isdigit() and 0 < int(digits) < 65536):
        raise _malformed(resource, f"'{digits}' is not a port")
    return int(digits)


def _malformed(resource: str, what: str) -> MalformedResource:
    return MalformedResource(what, where=resource or "(empty resource)", do=f"write it like {EXAMPLES}")


def identify(link: Link) -> str:
    """What the instrument answers to `*IDN?`, without the header that old firmware repeats. Raises LinkError, ReplyError."""
    identity = _IDN_HEADER.sub("", link.query("*IDN?"), count=1)
    if other := other_protocol(identity):
        raise ReplyError(other, where=link.resource, do="give the address of the scope's SCPI port")
    if not identity or identity.startswith("<"):
        raise ReplyError(
            f"not a scope: it answers {identity!r}", where=link.resource, do="give the address of the scope's SCPI port"
        )
    return identity
