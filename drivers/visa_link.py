"""Links through PyVISA with pyvisa-py: USBTMC, VXI-11, HiSLIP. The only module that imports PyVISA's resources.

All three mark the end of a message, so reading never uses a termination character (in a binary block it would end a read
at every 0x0A) and always asks for more than the message can be: a read of exactly its length leaves pyvisa-py 0.8.1 waiting
(VXI-11), with an empty packet in the pipe (USB) or spinning (HiSLIP).
"""

import struct
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any, Literal, cast

import pyvisa
from pyvisa.constants import StatusCode
from pyvisa.resources import MessageBasedResource
from pyvisa_py.protocols.rpc import RPCError
from pyvisa_py.protocols.vxi11 import Vxi11Error
from pyvisa_py.protocols.xdrlib import Error as XdrError

from .blocks import block_header, block_payload
from .errors import LinkError, LinkLost, LinkTimeout, ReplyError
from .socket_link import REPLY_LIMIT_BYTES, text_of

OPEN_TIMEOUT_MS = 3000
"""Passed to VXI-11, where 0 would mean 100 ms and "not found" on a slow network; HiSLIP has 5 s of its own."""
SLACK_BYTES = 1024
CHECK_POWER = "check the resource, the cable, and that the scope is on"
REOPEN = "close it and open it again"
LIBRARY_QUIRKS = (ValueError, NotImplementedError, RuntimeError)
"""An unplugged USB scope or a missing libusb; a link kind without its back end; an unexpected HiSLIP message."""
USB_TROUBLE = "unplug the scope and plug it in again; for want of permission see the udev rule in the README"


@cache
def resource_manager() -> pyvisa.ResourceManager:
    """The one resource manager of the process; closing it would close every session."""
    return pyvisa.ResourceManager("@py")


class VisaLink:
    """A link over USBTMC, VXI-11 or HiSLIP."""

    def __init__(self, resource: str, kind: Literal["hislip", "vxi-11", "usb"], *, timeout_s: float) -> None:
        self._resource = resource
        self._kind = kind
        self._timeout_s = timeout_s
        self._dirty = False
        self._instrument: MessageBasedResource | None = self._open()

    @property
    def resource(self) -> str:
        return self._resource

    @property
    def dirty(self) -> bool:
        return self._dirty or self._instrument is None

    def write(self, command: str) -> None:
        with self._conversation() as instrument:
            instrument.write_raw(command.encode("ascii") + b"\n")

    def query(self, command: str) -> str:
        with self._conversation() as instrument:
            return self._query(instrument, command)

    def query_block(self, command: str, limit_bytes: int) -> memoryview:
        with self._conversation() as instrument:
            instrument.write_raw(command.encode("ascii") + b"\n")
            message = self._read(instrument, limit_bytes + SLACK_BYTES)
            while self._unfinished(message, limit_bytes):
                more = self._read(instrument, limit_bytes + SLACK_BYTES)
                if not more:
                    raise ReplyError("a block that ends before its announced length", where=self._resource, do=REOPEN)
                message += more
            return block_payload(message, limit_bytes=limit_bytes, where=self._resource)

    def clear(self) -> None:
        """Device clear where that is safe, then an identity query that has to be answered.

        On USB pyvisa-py has aborted the transfer after the time-out by itself, and some firmware hangs on INITIATE_CLEAR:
        there only the query is made.
        """
        if self._instrument is None:
            raise LinkLost("the link is closed", where=self._resource, do=REOPEN)
        self._dirty = False
        with self._conversation() as instrument:
            if self._kind != "usb":
                instrument.clear()
            self._query(instrument, "*IDN?")

    def close(self) -> None:
        instrument, self._instrument = self._instrument, None
        if instrument is None:
            return
        handle = instrument.session
        try:
            with _mapped(self._resource, self._timeout_s):
                instrument.close()
        except (LinkError, ReplyError):
            pass  # what cannot be closed is gone
        _forget(handle)

    def _open(self) -> MessageBasedResource:
        manager = resource_manager()
        with _mapped(self._resource, OPEN_TIMEOUT_MS / 1e3):
            opened = manager.open_resource(
                self._resource, open_timeout=OPEN_TIMEOUT_MS, read_termination=None, write_termination=None
            )
            opened.timeout = self._timeout_s * 1e3
        if self._kind == "vxi-11":
            _sessions()[opened.session].lock_timeout = 0  # some instruments refuse a link that would wait for a lock
        return cast(MessageBasedResource, opened)

    def _query(self, instrument: MessageBasedResource, command: str) -> str:
        instrument.write_raw(command.encode("ascii") + b"\n")
        reply = self._read(instrument, REPLY_LIMIT_BYTES)
        if not reply:
            raise ReplyError("an empty answer", where=self._resource, do=REOPEN)
        return text_of(reply, where=self._resource)

    @staticmethod
    def _read(instrument: MessageBasedResource, count: int) -> bytearray:
        """One read of at most `count` bytes; PyVISA's own `read_raw` would go on without a limit until the end mark."""
        with instrument.ignore_warning(StatusCode.success_max_count_read, StatusCode.success_device_not_present):
            data, _ = instrument.visalib.read(instrument.session, count)
        return bytearray(data)

    def _unfinished(self, message: bytearray, limit_bytes: int) -> bool:
        header = block_header(message, limit_bytes=limit_bytes, where=self._resource)
        return header is None or (header.length is not None and len(message) < header.end)

    @contextmanager
    def _conversation(self) -> Iterator[MessageBasedResource]:
        """Whatever goes wrong within leaves the link dirty."""
        if self._instrument is None or self._dirty:
            raise LinkLost("the link needs clearing after an error", where=self._resource, do=REOPEN)
        self._dirty = True
        with _mapped(self._resource, self._timeout_s):
            yield self._instrument
        self._dirty = False


@contextmanager
def _mapped(resource: str, timeout_s: float) -> Iterator[None]:
    """What PyVISA, pyvisa-py and pyusb raise, as our own errors. Each of them was seen to come through."""
    try:
        yield
    except TimeoutError as error:
        raise LinkTimeout(f"no answer within {timeout_s:g} s", where=resource, do=CHECK_POWER) from error
    except struct.error as error:
        raise ReplyError("a transfer that is cut short", where=resource, do=REOPEN) from error
    except (pyvisa.errors.Error, RPCError, Vxi11Error, XdrError, OSError, EOFError, *LIBRARY_QUIRKS) as error:
        if isinstance(error, pyvisa.errors.VisaIOError) and error.error_code == StatusCode.error_timeout:
            raise LinkTimeout(f"no answer within {timeout_s:g} s", where=resource, do=CHECK_POWER) from error
        do = USB_TROUBLE if resource.upper().startswith("USB") else CHECK_POWER
        raise LinkLost(f"the link broke ({_text(error)})", where=resource, do=do) from error


def _sessions() -> dict[int, Any]:
    return cast(dict[int, Any], resource_manager().visalib.sessions)  # type: ignore[attr-defined]


def _forget(handle: int) -> None:
    """pyvisa-py keeps every closed session, 2 kB each and its last buffers."""
    _sessions().pop(handle, None)


def _text(error: BaseException) -> str:
    first = str(error).strip().partition("\n")[0]
    return first[:120].rstrip(".") or type(error).__name__
