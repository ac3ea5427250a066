"""Looking for scopes: what is found, what fails, what takes too long."""

import socket
import threading
from collections.abc import Callable

from peakwhite.drivers.discovery import FoundScope, find_scopes

Serve = Callable[[Callable[[socket.socket], None]], str]


def answer_identity(connection: socket.socket) -> None:
    connection.recv(100)
    connection.sendall(b"MAKER,MODEL,1,1\n")
    connection.recv(100)


def test_a_scope_is_found_with_what_it_calls_itself(serve: Serve) -> None:
    resource = serve(answer_identity)
    assert find_scopes(30.0, listings={"LAN": lambda: [resource]}) == (FoundScope(resource, "MAKER,MODEL,1,1"),)


def test_a_scope_that_does_not_answer_is_listed_with_the_reason(serve: Serve) -> None:
    resource = serve(lambda connection: None)
    (found,) = find_scopes(30.0, listings={"LAN": lambda: [resource]})
    assert found.identity is None
    assert found.problem is not None and "connection" in found.problem


def test_a_listing_that_fails_does_not_hide_what_the_other_finds(serve: Serve) -> None:
    def broken() -> list[str]:
        raise OSError("no such network")

    resource = serve(answer_identity)
    found = find_scopes(30.0, listings={"USB": broken, "LAN": lambda: [resource]})
    assert found == (
        FoundScope("USB", problem="could not look (no such network)"),
        FoundScope(resource, "MAKER,MODEL,1,1"),
    )


def test_a_listing_that_hangs_is_left_behind() -> None:
    ended = threading.Event()

    def hanging() -> list[str]:
        ended.wait(30.0)
        return []

    (found,) = find_scopes(0.1, listings={"USB": hanging})
    ended.set()
    assert found == FoundScope("USB", problem="no answer within the time limit")
