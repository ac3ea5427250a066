"""A PostgreSQL server to test with, where there is one: `PEAKWHITE_TEST_POSTGRES_URL` names a database on it."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count

import pytest
from sqlalchemy import URL, create_engine, text

from peakwhite.daemon.book import BookPlace, place_of

_numbers = count(1)


def server_url() -> URL:
    """The server's address. Skips where none is named; fails where the run requires one."""
    named = os.environ.get("PEAKWHITE_TEST_POSTGRES_URL")
    if named:
        url = place_of(named).url
        assert url is not None
        return url
    if os.environ.get("PEAKWHITE_REQUIRE_POSTGRES") == "1":
        pytest.fail("PEAKWHITE_REQUIRE_POSTGRES is set, but PEAKWHITE_TEST_POSTGRES_URL names no server")
    pytest.skip("PEAKWHITE_TEST_POSTGRES_URL names no PostgreSQL server")


@contextmanager
def tables_of_their_own() -> Iterator[BookPlace]:
    """A schema of its own on the server, gone afterwards."""
    url = server_url()
    name = f"peakwhite_{os.getpid()}_{next(_numbers)}"
    _administer(url, f"CREATE SCHEMA {name}")
    try:
        yield BookPlace(url=url.update_query_dict({"options": f"-csearch_path={name}"}))
    finally:
        _administer(url, f"DROP SCHEMA {name} CASCADE")


def _administer(url: URL, command: str) -> None:
    engine = create_engine(url, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text(command))
    engine.dispose()


def ask(place: BookPlace, question: str) -> object:
    """One value from the server."""
    assert place.url is not None
    engine = create_engine(place.url)
    with engine.connect() as connection:
        answer: object = connection.scalar(text(question))
    engine.dispose()
    return answer
