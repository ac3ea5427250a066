"""A book on a server that does not answer, and benches that write to one server at the same time."""

import threading
import time
from collections.abc import Callable, Iterator
from queue import Queue

import pytest
from sqlalchemy import Connection, create_engine, text

from kept_marks import a_stage, new_mark
from peakwhite.daemon.book import BookKeeper, BookPlace, BookReader, BookWriter, keeper, place
from peakwhite.daemon.book.placing import loose_stage
from peakwhite.drivers.errors import BookUnreachable
from postgres import ask, tables_of_their_own
from relay import Relay
from told import SOON_S, Told


@pytest.fixture
def server() -> Iterator[BookPlace]:
    with tables_of_their_own() as made:
        yield made


@pytest.fixture
def benches(server: BookPlace) -> Iterator[tuple[BookWriter, BookWriter]]:
    """Two that write to one server, both with a connection tried."""
    with BookWriter(server, "a", bench="left") as left, BookWriter(server, "b", bench="right") as right:
        for writer in (left, right):
            writer.write(lambda connection, run_id: None)
        yield left, right


def test_a_server_that_falls_silent_in_a_write_is_told_and_given_up(
    server: BookPlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeper, "SLOW_S", 0.2)
    monkeypatch.setattr(keeper, "GIVE_UP_S", 1.0)
    assert server.url is not None and server.url.host is not None
    told = Told()
    with Relay(server.url.host, server.url.port or 5432) as relay:
        there = BookPlace(url=server.url.set(host="127.0.0.1", port=relay.port))
        kept = BookKeeper(there, "now", tell=told)
        kept.start()
        try:

            def fall_silent(connection: Connection, run_id: int) -> None:
                relay.speaks.clear()
                connection.execute(text("SELECT 1"))

            waiting = kept.submit(fall_silent)
            told.wait_for("book-unreachable")
            assert "has waited for more than" in next(problems[0].text for problems in told.history if problems)
            with pytest.raises(BookUnreachable):
                waiting.result(SOON_S)
            relay.speaks.set()
            assert kept.submit(lambda connection, run_id: connection.scalar(text("SELECT 7"))).result(SOON_S) == 7
            told.wait_for()
        finally:
            kept.stop()


def test_a_table_that_another_holds_is_said_and_not_waited_for_without_end(
    server: BookPlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(place, "LOCKED_MS", 200)
    assert server.url is not None
    other = create_engine(server.url)
    with BookWriter(server, "a") as writer:
        stage = a_stage(writer)
        with other.begin() as connection:
            connection.execute(text("LOCK TABLE marks IN ACCESS EXCLUSIVE MODE"))
            with pytest.raises(BookUnreachable, match="another program holds it"):
                writer.keep_mark(new_mark(stage, captured=False))
        assert writer.keep_mark(new_mark(stage, captured=False))
    other.dispose()


def both_at_once(
    server: BookPlace,
    benches: tuple[BookWriter, BookWriter],
    left: Callable[[Connection, int], int],
    right: Callable[[Connection, int], int],
) -> list[int]:
    """What both give, where the left one commits only when the right one waits for it."""
    begun, pids, done = threading.Event(), Queue[int](), Queue[int]()

    def held(connection: Connection, run_id: int) -> int:
        number = left(connection, run_id)
        begun.set()
        waits = f"SELECT wait_event_type = 'Lock' FROM pg_stat_activity WHERE pid = {pids.get(timeout=SOON_S)}"
        until_s = time.monotonic() + 2.0
        while not ask(server, waits) and done.empty() and time.monotonic() < until_s:
            time.sleep(0.02)
        return number

    def follows(connection: Connection, run_id: int) -> int:
        pids.put(int(connection.scalar(text("SELECT pg_backend_pid()")) or 0))
        return right(connection, run_id)

    first = threading.Thread(target=lambda: done.put(benches[0].write(held)))
    first.start()
    try:
        assert begun.wait(SOON_S)
        second = benches[1].write(follows)
    finally:
        first.join()
    return [done.get(timeout=SOON_S), second]


def test_two_benches_store_the_same_new_setup_at_once(
    server: BookPlace, benches: tuple[BookWriter, BookWriter]
) -> None:
    stage = a_stage(benches[0])
    mark = new_mark(stage, captured=False)
    left, right = (lambda connection, run_id, one=one: one.keep_in(connection, run_id, mark) for one in benches)
    kept = both_at_once(server, benches, left, right)
    with BookReader(server) as reader:
        assert {line.id: line.bench for line in reader.marks()} == dict(zip(kept, ("left", "right"), strict=True))
    assert ask(server, "SELECT count(*) FROM setups") == 1


def test_two_benches_make_the_stage_of_loose_marks_once(
    server: BookPlace, benches: tuple[BookWriter, BookWriter]
) -> None:
    def loose(connection: Connection, run_id: int) -> int:
        return loose_stage(connection, new_mark(1).moment.utc_ns)

    left, right = both_at_once(server, benches, loose, loose)
    assert left == right
    assert [ask(server, f"SELECT count(*) FROM {table}") for table in ("jobs", "units", "stages")] == [1, 1, 1]
