"""One writer a file: a lock beside the book, which the system takes back when its holder ends, however it ends.

A command holds it for a moment, and is waited for; a daemon says in it where it can be asked to write, and is not.
"""

import errno
import os
import sys
import time
from contextlib import suppress
from io import FileIO
from pathlib import Path

from ...drivers.errors import BookError, BookInUse, BookUnreachable

if sys.platform == "win32":
    import msvcrt

    def _take(file: FileIO) -> None:
        file.seek(FAR)
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
else:
    import fcntl

    def _take(file: FileIO) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


HELD = (errno.EACCES, errno.EAGAIN, errno.EDEADLK)
"""What systems answer where another holds it; any other answer says that they cannot lock."""
WAIT_S = 2.0
"""For a holder without an address: a command, which is done in a moment."""
AGAIN_S = 0.05
LONGEST = 1_000
FAR = 1 << 20
"""Where Windows locks: beyond the holder's number, which others may read."""


class BookLock:
    """Held from construction to `close`. Raises BookInUse where another process holds it and goes on so, BookUnreachable.

    The file stays where it is: one that is removed and made anew would be two locks. In it stand the holder's number and,
    on a second line, the `address` at which it may be asked to write, where it has one.
    """

    def __init__(self, book: Path, address: str = "") -> None:
        try:
            book.parent.mkdir(parents=True, exist_ok=True)
            self._file = _file_of(book).open("a+b", buffering=0)
        except OSError as error:
            raise _unlockable(book, error) from error
        try:
            _take_soon(self._file, book)
        except BookError:
            self._file.close()
            raise
        with suppress(OSError):  # on a full disk it stays unsaid who holds it
            self._file.truncate(0)
            self._file.write(f"{os.getpid()}\n{address}\n".encode())

    def close(self) -> None:
        """Let others write."""
        if not self._file.closed:
            with suppress(OSError):
                self._file.truncate(0)
            self._file.close()


def _take_soon(file: FileIO, book: Path) -> None:
    """Raises BookInUse, BookUnreachable."""
    until_s = time.monotonic() + WAIT_S
    while True:
        try:
            return _take(file)
        except OSError as error:
            if error.errno not in HELD:
                raise _unlockable(book, error) from error
            file.seek(0)
            holder, address = _said_in(file)
            if address or time.monotonic() > until_s:
                by = f" (process {holder})" if holder.isdigit() else ""
                do = "end that one, or give this one a book of its own"
                raise BookInUse(f"another program writes to this book{by}", where=str(book), do=do) from error
        time.sleep(AGAIN_S)


def _unlockable(book: Path, error: OSError) -> BookUnreachable:
    what = f"it cannot be locked: {(error.strerror or 'no access').lower()}"
    return BookUnreachable(what, where=str(book), do="see that its folder can be written to")


def address_of_holder(book: Path) -> str | None:
    """Where the daemon that holds the lock of a book may be asked to write; None where whoever holds it says none."""
    try:
        with _file_of(book).open("rb", buffering=0) as file:
            return _said_in(file)[1] or None
    except OSError:
        return None


def _file_of(book: Path) -> Path:
    """Beside the file itself, whatever links lead to it."""
    meant = Path(os.path.realpath(book))
    return meant.with_name(f"{meant.name}.lock")


def _said_in(file: FileIO) -> tuple[str, str]:
    """Number and address of the holder."""
    lines = file.read(LONGEST).decode(errors="replace").splitlines()
    holder, address = (line.strip() for line in [*lines, "", ""][:2])
    return holder, address
