"""Peers, addresses and attempts: who is at the other end, how it is reached, how often it may be wrong."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from peakwhite.daemon.access.attempts import MOST_ADDRESSES, WINDOW_S, WRONG_IN_ALL, WRONG_PER_ADDRESS, Attempts
from peakwhite.daemon.access.outside import outside, sign_in_link
from peakwhite.daemon.access.peer import FORWARDED, is_beyond_loopback, peer_of
from peakwhite.daemon.access.reach import is_any_address, url_here, url_on_network
from peakwhite.daemon.config.settings import parse_settings
from peakwhite.drivers.errors import SettingsError


class Clock:
    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


@pytest.mark.parametrize("client", ["127.0.0.1", "127.8.8.8", "::1", "::ffff:127.0.0.1"])
def test_loopback_is_this_computer(client: str) -> None:
    assert peer_of(client, {}).is_this_computer


@pytest.mark.parametrize("client", [None, "", "192.0.2.7", "::ffff:192.0.2.7", "2001:db8::1", "fe80::1%eth0", "socket"])
def test_anything_else_is_not(client: str | None) -> None:
    assert not peer_of(client, {}).is_this_computer


@pytest.mark.parametrize(
    "name", [*FORWARDED, *(f"x-forwarded-{what}" for what in ("for", "host", "proto", "server", "port", "anything"))]
)
def test_what_is_forwarded_is_not_this_computers_own(name: str) -> None:
    assert not peer_of("127.0.0.1", {name: "127.0.0.1"}).is_this_computer
    assert not peer_of("127.0.0.1", {name: ""}).is_this_computer


@pytest.mark.parametrize(
    ("client", "forwarded_for", "counted"),
    [
        ("127.0.0.1", "127.0.0.1, 192.0.2.9", "192.0.2.9"),  # the first was made up
        ("127.0.0.1", "nonsense", "127.0.0.1"),
        ("192.0.2.7", "192.0.2.9", "192.0.2.7"),  # no proxy of ours
        ("2001:db8::1", "", "2001:db8::/64"),
        ("2001:db8::2", "", "2001:db8::/64"),
        (None, "", "unknown"),
    ],
)
def test_wrong_codes_are_counted_against_whom_the_proxy_saw(
    client: str | None, forwarded_for: str, counted: str
) -> None:
    assert peer_of(client, {"x-forwarded-for": forwarded_for}).address == counted


def test_whoever_says_that_it_came_encrypted_gets_the_stricter_cookie() -> None:
    assert peer_of("192.0.2.7", {"x-forwarded-proto": "HTTPS"}).is_encrypted
    assert peer_of("192.0.2.7", {}, "https").is_encrypted
    assert not peer_of("192.0.2.7", {"x-forwarded-proto": "http"}).is_encrypted


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "::1", "127.0.0.2"])
def test_loopback_is_not_beyond_itself(host: str) -> None:
    assert not is_beyond_loopback(host)
    assert url_on_network(host, 8714) is None


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7", "bench", "127.0.0.1.example", ""])
def test_anything_else_is_beyond_loopback(host: str) -> None:
    assert is_beyond_loopback(host)


def test_an_address_of_all_addresses_is_told_as_one_that_can_be_opened() -> None:
    assert is_any_address("0.0.0.0") and is_any_address("::") and not is_any_address("192.0.2.7")
    assert url_here("0.0.0.0", 8714) == "http://127.0.0.1:8714/"
    assert url_here("::", 8714) == "http://[::1]:8714/"
    assert url_here("2001:db8::1", 80) == "http://[2001:db8::1]:80/"
    assert url_on_network("192.0.2.7", 8714) == "http://192.0.2.7:8714/"


def test_other_addresses_are_known_by_host_and_origin_whatever_their_path() -> None:
    found = outside(["https://Bench.example/levels", "http://bench.local:8714/"])
    assert found.urls == ("https://Bench.example/levels/", "http://bench.local:8714/")
    assert found.hosts == {"bench.example", "bench.local:8714"}
    assert found.origins == {"https://bench.example", "http://bench.local:8714"}
    assert sign_in_link(found.urls[0], "abc") == "https://Bench.example/levels/#sign-in=abc"


@pytest.mark.parametrize(
    "address", ["bench.local", "ftp://bench.local", "http://bench local", "http://a/?b", "http://u:p@a"]
)
def test_an_address_that_is_none_is_named_with_its_line(address: str) -> None:
    with pytest.raises(SettingsError, match=r"line 2: \[http\] addresses must be addresses like http://bench"):
        parse_settings(f'[http]\naddresses = ["{address}"]\n', Path("p.toml"))
    assert parse_settings('[http]\naddresses = ["https://bench.example:444/a/b/"]\n', Path("p.toml"))


def test_an_address_waits_after_some_wrong_codes_and_others_do_not() -> None:
    clock = Clock()
    attempts = Attempts(clock)
    for _ in range(WRONG_PER_ADDRESS):
        assert attempts.wait_s("a") == 0
        attempts.wrong("a")
        clock.now_s += 1.0
    assert attempts.wait_s("a") == WINDOW_S - WRONG_PER_ADDRESS
    assert attempts.wait_s("b") == 0
    clock.now_s = WINDOW_S
    assert attempts.wait_s("a") == 0


def test_all_wait_after_very_many_wrong_codes_from_many_addresses() -> None:
    attempts = Attempts(Clock())
    for number in range(WRONG_IN_ALL):
        assert attempts.wait_s("b") == 0
        attempts.wrong(str(number))
    assert attempts.wait_s("b") == WINDOW_S


@given(st.lists(st.tuples(st.integers(0, 3 * MOST_ADDRESSES), st.floats(0.0, 100.0)), max_size=60))
def test_what_is_remembered_is_bounded_and_no_wait_is_longer_than_the_window(tries: list[tuple[int, float]]) -> None:
    clock = Clock()
    attempts = Attempts(clock)
    for number, later_s in tries:
        clock.now_s += later_s
        attempts.wrong(str(number))
        assert 0 <= attempts.wait_s(str(number)) <= WINDOW_S


def test_so_many_addresses_are_remembered_and_no_more() -> None:
    attempts = Attempts(Clock())
    for number in range(2 * MOST_ADDRESSES):
        attempts.wrong(str(number))
    assert len(attempts._of_address) == MOST_ADDRESSES
    assert len(attempts._in_all) == WRONG_IN_ALL
