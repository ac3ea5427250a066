"""Who may write to a file: one, whatever name it goes by; a command is waited for, a daemon is not."""

import errno
import threading
from pathlib import Path

import pytest

from peakwhite.daemon.book import lock, place_of
from peakwhite.daemon.book.lock import BookLock, address_of_holder
from peakwhite.drivers.errors import BookInUse, BookUnreachable

ADDRESS = "http://127.0.0.1:8714/"


def test_a_command_that_is_done_in_a_moment_is_waited_for(book_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lock, "WAIT_S", 60.0)
    first = BookLock(book_file)
    tried = threading.Event()
    taken: list[BookLock] = []

    def take() -> None:
        tried.set()
        taken.append(BookLock(book_file))

    second = threading.Thread(target=take)
    second.start()
    assert tried.wait(20.0)
    second.join(0.1)
    assert not taken
    first.close()
    second.join()
    taken[0].close()


def test_one_that_holds_it_on_and_on_is_named(book_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lock, "WAIT_S", 0.1)
    first = BookLock(book_file)
    with pytest.raises(BookInUse, match=r"another program writes to this book \(process \d+\)"):
        BookLock(book_file)
    first.close()


def test_a_daemon_that_can_be_asked_is_not_waited_for(book_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lock, "WAIT_S", 1e9)
    daemon = BookLock(book_file, ADDRESS)
    with pytest.raises(BookInUse):
        BookLock(book_file)
    assert address_of_holder(book_file) == ADDRESS
    daemon.close()
    assert address_of_holder(book_file) is None


def test_a_link_to_a_book_is_the_same_book(book_file: Path, tmp_path: Path) -> None:
    link = tmp_path / "alias.sqlite"
    link.symlink_to(book_file)
    assert place_of(str(link)) == place_of(str(book_file))
    daemon = BookLock(book_file, ADDRESS)
    with pytest.raises(BookInUse):
        BookLock(link)
    assert address_of_holder(link) == ADDRESS
    daemon.close()


def test_a_folder_whose_system_cannot_lock_is_not_said_to_be_in_use(
    book_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_locks(file: object) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(lock, "_take", no_locks)
    with pytest.raises(BookUnreachable, match="it cannot be locked: no locks available"):
        BookLock(book_file)
