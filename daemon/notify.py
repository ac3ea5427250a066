"""Telling a service manager how the daemon is: the datagrams of sd_notify(3), by the standard library alone.

Where nobody listens (NOTIFY_SOCKET is not set, or its socket is gone) nothing is told, and nothing fails.
"""

import asyncio
import os
import socket
from collections.abc import Callable, MutableMapping, Sequence
from contextlib import suppress

FULL_S = 1.0
"""At most so long a manager that reads nothing is waited for."""
PINGS = 4
"""So many times within the watchdog's interval everything is looked at; the manual asks for two."""
STATUS_EVERY_S = 5.0
"""How often the status is looked at where there is no watchdog."""


class ServiceManager:
    """Whoever started the daemon and wants to know how it is; systemd, or anything else that speaks its protocol.

    Args:
        address: path of a datagram socket, or `@NAME` of an abstract one; None where nobody listens.
        watchdog_s: unless it is told within so many seconds that all goes on, the manager ends the daemon; None for never.
    """

    def __init__(self, address: str | None, watchdog_s: float | None = None) -> None:
        self._address = address
        self.watchdog_s = watchdog_s
        self._status = ""

    @classmethod
    def of(cls, environment: MutableMapping[str, str]) -> "ServiceManager":
        """The manager that the environment names, taken out of it: a child must not speak in the daemon's name."""
        address = environment.pop("NOTIFY_SOCKET", "")
        usec, pid = environment.pop("WATCHDOG_USEC", ""), environment.pop("WATCHDOG_PID", "")
        watched = usec.isdecimal() and int(usec) > 0 and pid in ("", str(os.getpid()))
        return cls(address if address[:1] in ("/", "@") else None, int(usec) / 1e6 if watched else None)

    def ready(self, text: str) -> None:
        """The daemon serves; `text` says what, for people."""
        self._status = text
        self._tell("READY=1", f"STATUS={_one_line(text)}")

    def stopping(self) -> None:
        """The daemon has begun to end."""
        self._tell("STOPPING=1", "STATUS=ending")

    def alive(self) -> None:
        """All that has to go on goes on."""
        self._tell("WATCHDOG=1")

    def status(self, text: str) -> None:
        """How the daemon is, for people; told where it is another than before."""
        if text != self._status:
            self._status = text
            self._tell(f"STATUS={_one_line(text)}")

    async def follow(self, silences_s: Sequence[Callable[[], float]], status: Callable[[], str]) -> None:
        """Tell the status, and that all goes on while no thread has been silent for over half of the watchdog's interval.

        Each of `silences_s` gives the seconds since a thread last showed that it goes on. This runs on the event loop and
        is itself that loop's sign: a loop that hangs tells nothing. Since it looks several times within the interval, a
        thread that once takes as long as the interval before it goes on is not ended.
        """
        every_s = STATUS_EVERY_S if self.watchdog_s is None else self.watchdog_s / PINGS
        while True:
            self.status(status())
            if self.watchdog_s is not None and all(silence_s() < self.watchdog_s / 2.0 for silence_s in silences_s):
                self.alive()
            await asyncio.sleep(every_s)

    def _tell(self, *assignments: str) -> None:
        if self._address is None:
            return
        address = f"\0{self._address[1:]}" if self._address.startswith("@") else self._address
        with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as told:
            told.settimeout(FULL_S)
            told.sendto("\n".join(assignments).encode(), address)


def _one_line(text: str) -> str:
    """A line break would begin another assignment."""
    return " ".join(text.split())
