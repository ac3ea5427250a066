"""One writer a file: a lock beside the book, which the system takes back when its holder ends, however it ends."""

import os
import sys
from pathlib import Path
from typing import IO

from ...drivers.errors import BookInUse, BookUnreachable

if sys.platform == "win32":
    import msvcrt

    def _take(file: IO[bytes]) -> None:
        file.seek(FAR)
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
else:
    import fcntl

    def _take(file: IO[bytes]) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


LONGEST = 1_000
FAR = 1 << 20
"""Where Windows locks: beyond the holder's number, which others may read."""


class BookLock:
    """Held from construction to `close`. Raises BookInUse where another process holds it, BookUnreachable.

    The file stays where it is: one that is removed and made anew would be two locks. In it stand the holder's number and,
    on a second line, the `address` at which it may be asked to write, where it has one.
    """

    def __init__(self, book: Path, address: str = "") -> None:
        path = _file_of(book)
        try:
            book.parent.mkdir(parents=True, exist_ok=True)
            file = path.open("a+b")
        except OSError as error:
            what = f"it cannot be locked: {(error.strerror or 'no access').lower()}"
            raise BookUnreachable(what, where=str(book), do="see that its folder can be written to") from error
        try:
            _take(file)
        except OSError as error:
            file.seek(0)
            holder, _ = _said_in(file)
            file.close()
            by = f" (process {holder})" if holder.isdigit() else ""
            do = "end that one, or give this one a book of its own"
            raise BookInUse(f"another daemon writes to this book{by}", where=str(book), do=do) from error
        file.truncate(0)
        file.write(f"{os.getpid()}\n{address}\n".encode())
        file.flush()
        self._file = file

    def close(self) -> None:
        """Let others write."""
        self._file.close()


def address_of_holder(book: Path) -> str | None:
    """Where the daemon that holds the lock of a book may be asked to write; None where whoever holds it says none."""
    try:
        with _file_of(book).open("rb") as file:
            return _said_in(file)[1] or None
    except OSError:
        return None


def _file_of(book: Path) -> Path:
    return book.with_name(f"{book.name}.lock")


def _said_in(file: IO[bytes]) -> tuple[str, str]:
    """Number and address of the holder."""
    lines = file.read(LONGEST).decode(errors="replace").splitlines()
    holder, address = (line.strip() for line in [*lines, "", ""][:2])
    return holder, address
