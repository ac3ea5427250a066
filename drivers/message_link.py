"""What the links share whose transport marks the end of a message: USBTMC, VXI-11, HiSLIP.

Reading never ends at a termination character (a binary block is full of 0x0A) and always has room for more than the
message can be, so that its end mark is taken with it.
"""

import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from contextlib import suppress
from typing import Concatenate, ParamSpec, TypeVar

import numpy as np

from .blocks import HEADER_LIMIT_BYTES, UnfinishedBlock, block_payload
from .errors import LinkError, LinkLost, LinkTimeout, ReplyError
from .socket_link import ANSWERED_BEFORE, REPLY_LIMIT_BYTES, text_of, timed_out
from .wire import message_of, reason

SLACK_BYTES = HEADER_LIMIT_BYTES + 64
CHECK_POWER = "check the resource, the cable, and that the scope is on"
REOPEN = "close it and open it again"

P = ParamSpec("P")
T = TypeVar("T")


class MessageLink(ABC):
    """A link of messages. Every call is bounded as a whole by `timeout_s`, however slowly the bytes drip.

    Whatever goes wrong within a call leaves the link dirty; `clear` opens it anew, so that a late answer has no way in.
    """

    def __init__(self, resource: str, *, timeout_s: float, open_timeout_s: float) -> None:
        self._resource = resource
        self._timeout_s = timeout_s
        self._open_timeout_s = open_timeout_s
        self._open = self._dirty = self._unanswered = self._heard = False
        self._asked = ""
        self._reopen()

    @property
    def resource(self) -> str:
        return self._resource

    @property
    def dirty(self) -> bool:
        return self._dirty or not self._open

    def write(self, command: str) -> None:
        self._converse(self._written, command)
        self._unanswered = True

    def query(self, command: str) -> str:
        answer = self._converse(self._line, command)
        self._unanswered, self._heard = False, True
        return answer

    def query_block(self, command: str, limit_bytes: int) -> memoryview:
        """The payload of a block, received into the one place where it stays.

        An instrument may mark an end before the block is complete: reading then goes on.
        """
        block = self._converse(self._block, command, limit_bytes)
        self._heard = True
        return block

    def clear(self) -> None:
        self.close()
        self._reopen()

    def close(self) -> None:
        """Give the link back; what does not answer any more is left behind. Never raises.

        The front panel is given back beside the messages, and would be taken again by one that the instrument has not yet
        carried out: a last answer says that it has.
        """
        if not self._open:
            return
        if self._unanswered and not self._dirty:
            with suppress(LinkError, ReplyError):
                self.query("*IDN?")
        self._open = False
        self._give_back(clean=not self._dirty)

    def _trouble(self, error: Exception) -> tuple[str, str]:
        """What an error of the system's means, and what to do about it."""
        return f"the link broke ({reason(error)})", CHECK_POWER

    def _look_up(self) -> None:
        """Find the addresses of the host, in the time that takes. Raises OSError, UnicodeError."""

    @abstractmethod
    def _connect(self, deadline_s: float) -> None:
        """Open it. Raises TimeoutError, OSError, LinkError, ReplyError, and leaves nothing open then."""

    @abstractmethod
    def _send(self, message: bytes, deadline_s: float) -> None:
        """Send one message. Raises TimeoutError, OSError, LinkError, ReplyError."""

    @abstractmethod
    def _receive(self, place: memoryview, deadline_s: float) -> int:
        """Receive into `place` up to the end mark; how many bytes. Raises as `_send` does, and ReplyError for too many."""

    @abstractmethod
    def _give_back(self, *, clean: bool) -> None:
        """Close it within a moment, as far as the other side still answers. Never raises."""

    def _written(self, deadline_s: float, command: str) -> None:
        self._asked = command
        self._send(message_of(command, where=self._resource), deadline_s)

    def _line(self, deadline_s: float, command: str) -> str:
        self._written(deadline_s, command)
        place = memoryview(bytearray(REPLY_LIMIT_BYTES))
        reply = bytes(place[: self._receive(place, deadline_s)])
        if not reply:
            raise ReplyError("an empty answer", where=self._resource, do=REOPEN)
        return text_of(reply, where=self._resource)

    def _block(self, deadline_s: float, command: str, limit_bytes: int) -> memoryview:
        self._written(deadline_s, command)
        place = np.empty(limit_bytes + SLACK_BYTES, np.uint8).data
        count = self._receive(place, deadline_s)
        while True:
            try:
                return block_payload(place[:count], limit_bytes=limit_bytes, where=self._resource)
            except UnfinishedBlock as unfinished:
                try:
                    more = self._receive(place[count:], deadline_s)
                except TimeoutError as error:
                    what = f"{unfinished.what}, and no more within {self._timeout_s:g} s"
                    raise LinkTimeout(what, where=self._resource, do=unfinished.do) from error
                if not more:
                    raise
                count += more

    def _reopen(self) -> None:
        try:
            self._look_up()
            self._connect(time.monotonic() + self._open_timeout_s)
        except (OSError, UnicodeError) as error:
            raise self._link_error(error, f"not opened within {self._open_timeout_s:g} s", CHECK_POWER) from error
        self._open, self._dirty, self._unanswered, self._heard = True, False, False, False

    def _too_long(self, limit_bytes: int) -> ReplyError:
        return ReplyError(f"an answer of more than {limit_bytes} bytes", where=self._resource, do=REOPEN)

    def _converse(self, talk: Callable[Concatenate[float, P], T], *args: P.args, **kwargs: P.kwargs) -> T:
        """What `talk` gives, called with the deadline first. Whatever goes wrong leaves the link dirty."""
        if self._dirty or not self._open:
            raise LinkLost("the link needs clearing after an error", where=self._resource, do=REOPEN)
        self._dirty, self._asked = True, ""
        try:
            answer = talk(time.monotonic() + self._timeout_s, *args, **kwargs)
        except (OSError, UnicodeError) as error:
            do = ANSWERED_BEFORE if self._heard else CHECK_POWER
            raise self._link_error(error, timed_out(self._asked, self._timeout_s), do) from error
        self._dirty = False
        return answer

    def _link_error(self, error: Exception, too_late: str, do_then: str) -> LinkError:
        """What the system raised, as our own error."""
        if isinstance(error, TimeoutError):
            return LinkTimeout(too_late, where=self._resource, do=do_then)
        what, do = self._trouble(error)
        return LinkLost(what, where=self._resource, do=do)
