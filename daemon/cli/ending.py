"""What SIGINT and SIGTERM do: until the daemon handles them itself, and while a command has a scope in its hands."""

import contextlib
import os
import signal
from collections.abc import Callable, Iterator

Handler = Callable[[int, object], None]


@contextlib.contextmanager
def ended_at_once() -> Iterator[None]:
    """While this lasts they end the process at once with status 0: nothing runs yet that would have to be stopped.

    An exception would not do: raised amid the imports that follow it may end up in a callback that swallows it.
    """

    def end(number: int, frame: object) -> None:
        os._exit(0)

    with _handled(end):
        yield


@contextlib.contextmanager
def ended_in_order() -> Iterator[None]:
    """While this lasts the first of them raises, so that what runs gives back what it borrowed; others change nothing.

    SIGINT raises KeyboardInterrupt, SIGTERM SystemExit with 143, what shells expect of a command that it ended. Enter it
    once all is imported (`ended_at_once` says why), and give back within a bounded time: nothing interrupts that.
    """
    ending = False

    def end(number: int, frame: object) -> None:
        nonlocal ending
        if not ending:
            ending = True
            raise _ended_by(number)

    with _handled(end):
        yield


@contextlib.contextmanager
def ended_afterwards() -> Iterator[None]:
    """While this lasts they wait; the first of them is raised at its end, as `ended_in_order` raises it.

    For giving back what was borrowed, within a bounded time.
    """
    came: list[int] = []
    with _handled(lambda number, frame: came.append(number)):
        yield
    if came:
        raise _ended_by(came[0])


def _ended_by(number: int) -> BaseException:
    return KeyboardInterrupt() if number == signal.SIGINT else SystemExit(128 + number)


@contextlib.contextmanager
def _handled(handler: Handler) -> Iterator[None]:
    before = {number: signal.signal(number, handler) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, earlier in before.items():
            signal.signal(number, earlier)
