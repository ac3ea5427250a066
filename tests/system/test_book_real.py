"""The bench book of the whole daemon: kills, ends, full disks and damaged files lose nothing that was acknowledged."""

import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import closing
from http.client import HTTPException
from pathlib import Path
from typing import Any

import pytest

import small_book
from kept_marks import every_mark
from live_client import live_client
from peakwhite.daemon.book import BookPlace, BookReader
from peakwhite.daemon.book.check import check_book

pytestmark = pytest.mark.timeout(400)
"""A busy machine takes ten seconds to start each process."""

BOOK = "api/v1/book"
START_S = 100.0
HELPERS = str(Path(small_book.__file__).parent)


class Marker:
    """Keeps marks over REST, one after the other, and remembers those that were acknowledged."""

    def __init__(self, daemon: Any) -> None:
        self._daemon = daemon
        self.acknowledged: list[int] = []
        self.refused: list[int] = []
        self._thread = threading.Thread(target=self._keep_on)
        self._thread.start()

    def _keep_on(self) -> None:
        while True:
            try:
                status, _, body = self._daemon.request("POST", f"{BOOK}/marks", {})
            except (OSError, HTTPException):  # the daemon is gone
                return
            if status == 200:
                self.acknowledged.append(json.loads(body)["id"])
            else:
                self.refused.append(status)

    def join(self) -> None:
        """Until the daemon is gone."""
        self._thread.join(60.0)
        assert not self._thread.is_alive()


def reading_is_there(daemon: Any) -> bool:
    status, _, _ = daemon.request("GET", "api/v1/reading")
    return bool(status == 200)


def whole_marks(book: Path) -> set[int]:
    """The marks of a book, each of which must be there with its reading, its set-up and the codes of four channels."""
    with BookReader(BookPlace(book)) as reader:
        lines = list(every_mark(reader))
        for line in lines:
            shown, capture = reader.show(line.id), reader.capture(line.id)
            assert shown.reading is not None and shown.conditions is not None and not shown.damaged
            assert capture is not None and len(capture.channels) == 4
        return {line.id for line in lines}


def test_ten_kills_of_the_daemon_lose_no_mark_that_was_acknowledged(
    children: Any, lasting_fast_scope: Any, tmp_path: Path, eventually: Callable[..., Any]
) -> None:
    book, rng = tmp_path / "book.sqlite", random.Random(5)
    acknowledged: set[int] = set()
    for _ in range(10):
        daemon = children.daemon("serve", "--scope", lasting_fast_scope.resource, "--book", str(book))
        eventually(lambda daemon=daemon: reading_is_there(daemon))
        marker, wanted = Marker(daemon), rng.randrange(1, 6)
        eventually(lambda marker=marker, wanted=wanted: len(marker.acknowledged) >= wanted)
        time.sleep(rng.uniform(0.0, 0.03))  # a random instant of what the daemon is doing
        daemon.process.kill()
        daemon.child.wait()
        marker.join()
        acknowledged |= set(marker.acknowledged)
        assert acknowledged <= whole_marks(book)
    assert len(acknowledged) >= 10
    assert check_book(BookPlace(book)).sound


def test_a_daemon_that_is_ended_amid_marks_has_kept_every_one_that_it_acknowledged(
    children: Any, lasting_fast_scope: Any, tmp_path: Path, eventually: Callable[..., Any]
) -> None:
    book = tmp_path / "book.sqlite"
    daemon = children.daemon("serve", "--scope", lasting_fast_scope.resource, "--book", str(book))
    eventually(lambda: reading_is_there(daemon))
    marker = Marker(daemon)
    eventually(lambda: len(marker.acknowledged) >= 3)
    daemon.process.send_signal(signal.SIGTERM)
    assert daemon.child.wait() == 0
    marker.join()
    assert not book.with_name("book.sqlite-wal").exists(), "the book was closed, not left"
    assert set(marker.acknowledged) <= whole_marks(book)


def test_while_the_disk_is_full_the_live_view_goes_on_and_keeping_resumes_by_itself(
    children: Any,
    lasting_fast_scope: Any,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    eventually: Callable[..., Any],
) -> None:
    book = tmp_path / "book.sqlite"
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(filter(None, [HELPERS, os.environ.get("PYTHONPATH")])))
    daemon = children.daemon("serve", "--scope", lasting_fast_scope.resource, "--book", str(book), module="small_book")
    kept = [eventually(lambda: _kept(daemon))]
    while (answer := daemon.request("POST", f"{BOOK}/marks", {}))[0] == 200:
        kept.append(json.loads(answer[2])["id"])
    assert answer[0] == 507
    assert json.loads(answer[2])["code"] == "book-full"
    with live_client(daemon) as live:
        full = live.until("status", lambda frame: [one["code"] for one in frame["problems"]] == ["book-full"])
        assert "nothing is kept and logging has stopped" in full["problems"][0]["text"]
        assert "free some space" in full["problems"][0]["do"]
        first = live.reading()
        assert live.reading(lambda reading: reading["seq"] >= first["seq"] + 20)
        assert whole_marks(book) == set(kept)
        with closing(sqlite3.connect(book, timeout=60.0)) as other, other:
            other.execute("DELETE FROM log")
            other.execute("DELETE FROM codes WHERE capture_id < (SELECT max(capture_id) FROM marks)")
        number = eventually(lambda: _kept(daemon))
        live.until("mark", lambda frame: frame["id"] == number)
        live.until("status", lambda frame: frame["problems"] == [])
    assert check_book(BookPlace(book)).sound


def _kept(daemon: Any) -> int | None:
    status, _, body = daemon.request("POST", f"{BOOK}/marks", {})
    return int(json.loads(body)["id"]) if status == 200 else None


def test_a_second_daemon_on_one_book_is_refused_with_one_line(
    children: Any, lasting_fast_scope: Any, tmp_path: Path
) -> None:
    book = str(tmp_path / "book.sqlite")
    first = children.daemon("serve", "--scope", lasting_fast_scope.resource, "--book", book)
    second = children.start("second", "peakwhite.daemon", "serve", "--book", book, "--port", "0", "--no-browser")
    assert second.wait(START_S) == 3
    told = f"peakwhite: {book}: another program writes to this book (process {first.process.pid}); end that one, "
    assert second.stderr.startswith(told) and second.stderr.count("\n") == 1
    assert second.process.stdout.read() == b""


def test_a_damaged_book_is_set_aside_and_what_is_kept_goes_beside_it(
    children: Any, lasting_fast_scope: Any, tmp_path: Path, eventually: Callable[..., Any]
) -> None:
    book = tmp_path / "book.sqlite"
    book.write_bytes(b"no book at all " * 1000)
    daemon = children.daemon("serve", "--scope", lasting_fast_scope.resource, "--book", str(book))
    with live_client(daemon) as live:
        status = live.until("status", lambda frame: frame["problems"] != [])
        (problem,) = status["problems"]
        assert problem["code"] == "book-damaged"
        assert problem["text"].endswith(f"what is kept now goes to {tmp_path / 'book-2.sqlite'}")
        assert "book rescue" in problem["do"]
        live.reading()
    assert eventually(lambda: _kept(daemon)) == 100_000_001
    assert book.read_bytes() == b"no book at all " * 1000


def test_a_book_that_cannot_be_opened_is_a_problem_and_measuring_goes_on(
    children: Any, lasting_fast_scope: Any, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("in the way")
    book = tmp_path / "file" / "book.sqlite"
    daemon = children.daemon("serve", "--scope", lasting_fast_scope.resource, "--book", str(book))
    with live_client(daemon) as live:
        live.until("status", lambda frame: [one["code"] for one in frame["problems"]] == ["book-unreachable"])
        live.taken_in()
        assert daemon.request("POST", f"{BOOK}/marks", {})[0] == 503
        (tmp_path / "file").unlink()
        number = _kept(daemon)
        assert number == 1
        live.until("status", lambda frame: frame["problems"] == [])


def test_what_the_demo_keeps_is_gone_when_it_ends(
    children: Any, tmp_path: Path, eventually: Callable[..., Any]
) -> None:
    demo = children.daemon("demo")
    eventually(lambda: _kept(demo))
    book = Path(demo.json("GET", BOOK)["place"])
    assert book.exists() and tmp_path not in book.parents
    assert "what the demo keeps is gone when it ends" in demo.child.stderr
    demo.process.send_signal(signal.SIGTERM)
    assert demo.child.wait() == 0
    assert not book.parent.exists()
    assert not list(tmp_path.rglob("*.sqlite")), "the user's own book is left alone"


def test_commands_write_through_the_daemon_that_has_the_book_and_read_beside_it(
    children: Any, lasting_fast_scope: Any, tmp_path: Path, eventually: Callable[..., Any]
) -> None:
    book = str(tmp_path / "book.sqlite")
    daemon = children.daemon("serve", "--scope", lasting_fast_scope.resource, "--book", book)
    eventually(lambda: reading_is_there(daemon))

    def run(*arguments: str) -> Any:
        command = (sys.executable, "-m", "peakwhite.daemon", "book", *arguments, "--book", book, "--json")
        done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=START_S)
        return json.loads(done.stdout)

    assert run("job", "Quayside batch")["id"] == 1
    there = run("unit", "--model", "TM-2", "--serial", "TM2-0017")["present"]
    assert daemon.json("GET", f"{BOOK}/present")["present"] == there
    assert run("stage", "as left")["present"]["stage"]["name"] == "as left"
    mark = run("mark", "--note", "by command")
    assert (mark["stage"]["name"], mark["note"]) == ("as left", "by command")
    assert run("mark", str(mark["id"]), "--stage", str(there["stage"]["id"]))["stage"]["name"] == "as found"
    assert run("undo") == {"id": mark["id"]}
    run("undo", str(mark["id"]), "--restore")
    assert [one["id"] for one in run("list")["marks"]] == [mark["id"]]
