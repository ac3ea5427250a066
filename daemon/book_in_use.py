"""Which book is written to: by the settings and the command line, and of the demo a temporary one."""

import contextlib
import tempfile
from collections.abc import Iterator
from pathlib import Path

from .book import BookPlace, default_place, place_of
from .config.settings import Settings


def book_place(settings: Settings, given: str | None) -> BookPlace:
    """Path or URL as given, else that of the settings (a path is then as from their folder), else the user's own book.

    Raises UsageError for an address that is none of a book.
    """
    named = settings.tables.book.place
    if given is not None:
        return place_of(given)
    if named is None:
        return default_place()
    return place_of(named) if settings.path is None else place_of(named, settings.path.parent)


@contextlib.contextmanager
def temporary_book() -> Iterator[BookPlace]:
    """A book that is gone at the end."""
    with tempfile.TemporaryDirectory(prefix="peakwhite-demo-", ignore_cleanup_errors=True) as folder:
        yield BookPlace(Path(folder) / "book.sqlite")
