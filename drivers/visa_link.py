"""USBTMC through PyVISA with pyvisa-py, whose session finds the device and opens it; messages are those of `usbtmc`."""

import errno
import re
import time
from contextlib import suppress
from functools import cache
from typing import Any, cast

import pyvisa
from pyvisa import rname

from .blocks import shown
from .errors import LinkError, ReplyError
from .message_link import MessageLink
from .usb_devices import hidden_trouble, trouble_of
from .usbtmc import Usbtmc

OPEN_TIMEOUT_S = 3.0
"""For what is asked of the device once it is open; pyvisa-py gives each of its requests a second before that."""
ABORT_S = 0.4
"""Kept of every time-out for aborting the transfer that did not come."""
FAREWELL_S = 0.3
STALE_ANSWERS = 4
_STATUS = re.compile(rb"(?:\*STB )?[+-]?[0-9]+")
"""A whole number (NR1 of IEEE 488.2, 8.7.2, which may bear a sign), after a header where those are switched on."""


@cache
def resource_manager() -> pyvisa.ResourceManager:
    """The one resource manager of the process; closing it would close every session."""
    return pyvisa.ResourceManager("@py")


class VisaLink(MessageLink):
    """A link over USBTMC.

    After a time-out the transfer is aborted at once, so that the instrument drops the answer. Firmware is known that hangs
    on a device clear, or that does not like to be opened often: `clear` makes sure that questions and answers go together
    and opens anew only if that fails.
    """

    def __init__(self, resource: str, canonical: str, *, timeout_s: float) -> None:
        self._canonical = canonical
        super().__init__(resource, timeout_s=timeout_s, open_timeout_s=OPEN_TIMEOUT_S)

    def clear(self) -> None:
        if self._open:
            self._dirty = False
            with suppress(LinkError, ReplyError):
                return self._converse(self._pair_answers)
        super().clear()

    def _trouble(self, error: Exception) -> tuple[str, str]:
        return trouble_of(error)

    def _connect(self, deadline_s: float) -> None:
        self._session = self._opened_session()
        try:
            self._messages = Usbtmc(_sessions()[self._session].interface, self._resource)
            self._pair_answers(time.monotonic() + self._open_timeout_s)
        except BaseException:
            self._give_back(clean=False)
            raise

    def _opened_session(self) -> int:
        """Raises OSError."""
        try:
            return resource_manager().open_bare_resource(self._canonical)[0]
        except OSError:
            raise
        except ValueError as error:  # no such device among those that can be looked at
            name = cast(rname.USBInstr, rname.ResourceName.from_string(self._canonical))
            raise hidden_trouble(int(name.manufacturer_id, 0), int(name.model_code, 0)) from error
        except Exception as error:  # the library raises a bare one where a configuration is refused
            raise OSError(errno.EPIPE, f"it cannot be opened: {error}") from error

    def _pair_answers(self, deadline_s: float) -> None:
        """Ask two questions whose answers cannot be mistaken for each other, until each gets its own.

        An answer that nobody took, of a program that was killed, would else be taken for that to the first question, that
        for the next one's, and so on for ever.
        """
        for _ in range(STALE_ANSWERS):
            self._send(b"*IDN?\n", deadline_s)
            identity = self._answer(deadline_s)
            self._send(b"*STB?\n", deadline_s)
            status = self._answer(deadline_s)
            if b"," in identity and _STATUS.fullmatch(status):
                return
            try:
                self._answer(deadline_s)
            except TimeoutError:
                break
        what = f"it answers *IDN? with {shown(identity)} and *STB? with {shown(status)}"
        raise ReplyError(what, where=self._resource, do="switch it off and on")

    def _answer(self, deadline_s: float) -> bytes:
        place = memoryview(bytearray(1024))
        return bytes(place[: self._receive(place, deadline_s)]).strip()

    def _send(self, message: bytes, deadline_s: float) -> None:
        try:
            self._messages.send(message, deadline_s)
        except OSError as error:
            self._free_if_stalled(error)
            raise

    def _receive(self, place: memoryview, deadline_s: float) -> int:
        try:
            return self._messages.receive(place, deadline_s - ABORT_S)
        except TimeoutError:
            with suppress(OSError):
                self._messages.abort(deadline_s)
            raise
        except OSError as error:
            self._free_if_stalled(error)
            raise

    def _give_back(self, *, clean: bool) -> None:
        if clean:
            with suppress(OSError):
                self._messages.go_to_local(time.monotonic() + FAREWELL_S)
        session = _sessions().pop(self._session)  # pyvisa-py keeps every closed session, 2 kB each and its last buffers
        with suppress(OSError, ValueError):
            session.close()

    def _free_if_stalled(self, error: OSError) -> None:
        if error.errno == errno.EPIPE:
            with suppress(OSError):
                self._messages.clear_stall()


def _sessions() -> dict[int, Any]:
    return cast(dict[int, Any], resource_manager().visalib.sessions)  # type: ignore[attr-defined]
