"""What SIGINT and SIGTERM do until the daemon handles them itself."""

import contextlib
import os
import signal
from collections.abc import Iterator


@contextlib.contextmanager
def ended_at_once() -> Iterator[None]:
    """While this lasts they end the process at once with status 0: nothing runs yet that would have to be stopped.

    An exception would not do: raised amid the imports that follow it may end up in a callback that swallows it.
    """

    def end(number: int, frame: object) -> None:
        os._exit(0)

    before = {number: signal.signal(number, end) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
