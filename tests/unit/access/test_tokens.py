"""Tokens, sessions and their files: what is kept, for how long, and what a torn or damaged file does."""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from peakwhite.daemon.access import Admission, Refused, TokenFile, Visitor, first_token
from peakwhite.daemon.access.known_time import EARLIEST_S, known_time
from peakwhite.daemon.access.peer import peer_of
from peakwhite.daemon.access.reach import why_nobody_gets_in
from peakwhite.daemon.access.sessions import MOST_OF_ONE_TOKEN
from peakwhite.daemon.access.token_file import DAY_S, MOST_TOKENS
from peakwhite.daemon.access.tokens import Token, digest_of, of_secret
from peakwhite.drivers.errors import UnreadableInput, UsageError

PEER = peer_of("192.0.2.9", {})
START_S = 1_800_000_000


class Clock:
    def __init__(self) -> None:
        self.now_s = float(START_S)

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def file(tmp_path: Path, clock: Clock) -> TokenFile:
    return TokenFile(tmp_path, clock)


@pytest.fixture
def admitted(tmp_path: Path, clock: Clock) -> Callable[[], Admission]:
    return lambda: Admission(tmp_path, session_days=2, now_s=clock, monotonic_s=clock)


def came_in(admission: Admission, secret: str) -> str:
    return admission.sign_in(secret, PEER)[0]


def who(admission: Admission, cookie: str) -> Visitor | None:
    return admission.visitor(None, cookie, is_here=False)


def by_token(admission: Admission, secret: str) -> Visitor | None:
    return admission.visitor(f"Bearer {secret}", None, is_here=False)


@given(st.lists(st.text(max_size=8), unique=True, max_size=6), st.text(max_size=8))
def test_a_secret_is_found_exactly_where_it_is_known(known: list[str], given_one: str) -> None:
    found = of_secret(given_one, [(digest_of(one), one) for one in known])
    assert found == (given_one if given_one in known else None)


def test_a_secret_has_256_random_bits_and_is_not_kept(file: TokenFile) -> None:
    secrets = [file.add(f"n{number}", "viewer")[1] for number in range(5)]
    assert len(set(secrets)) == 5
    assert {len(one) for one in secrets} == {43}
    assert not [one for one in secrets if one in file.path.read_text()]


def test_the_first_token_is_made_once(tmp_path: Path) -> None:
    secret = first_token(tmp_path / "state")
    assert secret
    (token,) = TokenFile(tmp_path / "state").load().tokens
    assert (token.role, token.digest) == ("operator", digest_of(secret))
    assert first_token(str(tmp_path / "state")) == ""


@pytest.mark.parametrize("name", ["", "  ", "a\nb INFO forged", "a\x1b[31m", "x" * 41, "\u202eabc"])
def test_a_name_that_could_spoil_a_line_of_the_log_is_refused_or_made_one_line(file: TokenFile, name: str) -> None:
    try:
        token, _ = file.add(name, "viewer")
    except UsageError as error:
        assert "\n" not in str(error)
    else:
        assert token.name == "a b INFO forged"


def test_two_tokens_of_one_name_and_too_many_of_them_are_refused(
    file: TokenFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    file.add("phone", "operator")
    with pytest.raises(UsageError, match="already"):
        file.add("phone", "viewer")
    monkeypatch.setattr("peakwhite.daemon.access.token_file.MOST_TOKENS", 1)
    assert MOST_TOKENS == 200
    with pytest.raises(UsageError, match="1 tokens"):
        file.add("other", "viewer")
    with pytest.raises(UsageError, match="no token 'nobody'"):
        file.revoke("nobody")


def test_tokens_that_are_made_at_the_same_time_are_all_kept(tmp_path: Path) -> None:
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda number: TokenFile(tmp_path).add(f"n{number}", "viewer"), range(12)))
    assert len(TokenFile(tmp_path).load().tokens) == 12


def test_a_token_file_is_whole_or_as_it_was(file: TokenFile, monkeypatch: pytest.MonkeyPatch) -> None:
    file.add("phone", "operator")
    before = file.path.read_bytes()

    def no_room(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", no_room)
    with pytest.raises(OSError, match="No space"):
        file.add("other", "viewer")
    assert file.path.read_bytes() == before
    assert [path.name for path in file.path.parent.iterdir()] == ["access.json"]


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b'{"schema":"peakwhite.access/2","tokens":[]}', b"\xff" * 100])
def test_a_damaged_token_file_lets_nobody_in_and_is_left_as_it_is(
    file: TokenFile, admitted: Callable[[], Admission], content: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    secret = file.add("phone", "operator")[1]
    admission = admitted()
    cookie = came_in(admission, secret)
    file.path.write_bytes(content)
    assert by_token(admission, secret) is None
    assert who(admission, cookie) is None
    assert caplog.text.count("nobody is let in") == 1
    with pytest.raises(UnreadableInput, match=r"access\.json"):
        file.add("other", "viewer")
    assert file.path.read_bytes() == content


@pytest.mark.skipif(os.name != "posix" or os.geteuid() != 0, reason="only root may give a file away")
def test_what_root_writes_belongs_to_whom_the_folder_belongs(tmp_path: Path) -> None:
    os.chown(tmp_path, 12345, 23456)
    file = TokenFile(tmp_path)
    file.add("phone", "operator")
    found = file.path.stat()
    assert (found.st_uid, found.st_gid, found.st_mode & 0o777) == (12345, 23456, 0o600)


def test_a_token_expires_with_its_sessions(file: TokenFile, admitted: Callable[[], Admission], clock: Clock) -> None:
    secret = file.add("guest", "viewer", days=1)[1]
    admission = admitted()
    cookie = came_in(admission, secret)
    clock.now_s += DAY_S - 1
    assert by_token(admission, secret) is not None
    assert who(admission, cookie) == who(admitted(), cookie) is not None
    clock.now_s += 1
    assert by_token(admission, secret) is None
    assert who(admission, cookie) is None
    with pytest.raises(Refused):
        came_in(admission, secret)


def test_a_session_expires_and_its_socket_has_to_go(
    file: TokenFile, admitted: Callable[[], Admission], clock: Clock
) -> None:
    admission = admitted()
    cookie = came_in(admission, file.add("phone", "operator")[1])
    visitor = who(admission, cookie)
    assert visitor is not None
    with admission.staying(visitor) as stay:
        clock.now_s += 2 * DAY_S - 1
        admission.look()
        assert not stay.over.is_set()
        clock.now_s += 1
        admission.look()
        assert stay.over.is_set()
    assert who(admission, cookie) is None


def test_a_clock_that_stands_before_the_token_was_made_makes_nothing_last_longer(clock: Clock) -> None:
    token = Token("guest", "viewer", "0" * 64, START_S, START_S + DAY_S)
    assert token.holds(0.0)
    assert not Token("guest", "viewer", "0" * 64, START_S, START_S).holds(0.0)


def test_a_session_begun_while_the_clock_was_not_set_holds_once_it_is(
    file: TokenFile, admitted: Callable[[], Admission], clock: Clock
) -> None:
    secret = file.add("phone", "operator")[1]
    clock.now_s = 1000.0
    admission = admitted()
    cookie = came_in(admission, secret)
    for _ in range(2):  # those who run on, and those who are switched on anew
        clock.now_s = 2000.0
        assert who(admission, cookie) is not None
        admission = admitted()
    clock.now_s = float(START_S + 100 * DAY_S)
    assert who(admission, cookie) is not None
    clock.now_s += 2 * DAY_S - 1  # counted from when the clock was set, once
    assert who(admitted(), cookie) is not None
    clock.now_s += 1
    assert who(admitted(), cookie) is None


def test_an_open_socket_stays_when_the_clock_is_set(
    file: TokenFile, admitted: Callable[[], Admission], clock: Clock
) -> None:
    secret = file.add("phone", "operator")[1]
    clock.now_s = 1000.0
    admission = admitted()
    visitor = who(admission, came_in(admission, secret))
    assert visitor is not None
    with admission.staying(visitor) as stay:
        clock.now_s = float(START_S + 100 * DAY_S)
        admission.look()
        assert not stay.over.is_set()


def test_token_and_session_that_were_both_made_before_the_clock_was_set_hold_once_it_is(
    file: TokenFile, admitted: Callable[[], Admission], clock: Clock
) -> None:
    clock.now_s = 1000.0
    secret = file.add("first", "operator")[1]
    admission = admitted()
    cookie = came_in(admission, secret)
    clock.now_s = float(START_S)
    assert who(admission, cookie) is not None


def test_a_token_that_ended_before_the_last_thing_that_happened_does_not_hold_again_in_1970(
    file: TokenFile, admitted: Callable[[], Admission], clock: Clock
) -> None:
    guest = file.add("guest", "viewer", days=1)[1]
    cookie = came_in(admitted(), guest)
    phone = file.add("phone", "operator")[1]
    clock.now_s += 3 * DAY_S
    came_in(admitted(), phone)
    clock.now_s = 1000.0
    admission = admitted()
    assert by_token(admission, guest) is None
    assert who(admission, cookie) is None
    with pytest.raises(Refused):
        came_in(admission, guest)
    assert by_token(admission, phone) is not None


def test_a_token_whose_end_was_seen_does_not_hold_again_in_1970(
    file: TokenFile, admitted: Callable[[], Admission], clock: Clock
) -> None:
    """Nobody did anything after it ended, but the daemon ran, or another token was revoked."""
    guest = file.add("guest", "viewer", days=1)[1]
    clock.now_s += 2 * DAY_S
    admitted().look()
    clock.now_s = 1000.0
    assert by_token(admitted(), guest) is None
    assert not file.load().tokens[0].holds(file.now(file.load()).at_s)


def test_a_door_is_not_opened_for_a_token_that_has_expired_whatever_the_clock_says(tmp_path: Path) -> None:
    file = TokenFile(tmp_path, lambda: 4_000_000_000.0)
    file.add("guest", "operator", days=1)
    look = partial(
        why_nobody_gets_in, tmp_path, "0.0.0.0", trusts_loopback=True, has_other_addresses=False, do="make one"
    )
    assert look() is None
    file.see(4_000_000_000 + DAY_S)
    assert isinstance(look(), UsageError)


def test_a_revoked_token_leaves_how_late_it_was(
    file: TokenFile, admitted: Callable[[], Admission], clock: Clock
) -> None:
    guest = file.add("guest", "viewer", days=1)[1]
    file.add("phone", "operator")
    clock.now_s += 2 * DAY_S
    file.revoke("phone")
    clock.now_s = 1000.0
    assert by_token(admitted(), guest) is None


def test_how_late_it_is_is_written_when_a_token_expires_and_not_otherwise(
    file: TokenFile, admitted: Callable[[], Admission], clock: Clock
) -> None:
    file.add("guest", "viewer", days=1)
    admission, before = admitted(), file.stamp
    admission.look()
    assert file.stamp == before
    clock.now_s += DAY_S
    admission.look()
    after = file.stamp
    assert after != before
    clock.now_s += DAY_S
    admission.look()
    assert file.stamp == after


def test_a_clock_that_once_stood_in_the_future_ends_no_token_once_the_network_has_set_it(
    tmp_path: Path, clock: Clock
) -> None:
    file = TokenFile(tmp_path, clock, lambda: True)
    guest = file.add("guest", "viewer", days=7)[1]
    clock.now_s += 5000 * DAY_S
    early = file.add("early", "viewer", days=7)[1]
    Admission(tmp_path, now_s=clock, monotonic_s=clock).look()
    clock.now_s = float(START_S + DAY_S)
    assert by_token(Admission(tmp_path, now_s=clock, monotonic_s=clock), guest) is None
    admission = Admission(tmp_path, now_s=clock, monotonic_s=clock, clock_is_set=lambda: True)
    assert by_token(admission, guest) is not None
    assert by_token(admission, early) is not None
    late, _ = file.add("late", "viewer", days=7)
    assert late.ends_at_s == START_S + 8 * DAY_S


def test_a_guests_session_is_not_lengthened_beyond_its_token_by_setting_the_clock(
    file: TokenFile, admitted: Callable[[], Admission], clock: Clock
) -> None:
    guest = file.add("guest", "viewer", days=1)[1]
    clock.now_s = 1000.0
    admission = admitted()
    cookie = came_in(admission, guest)
    clock.now_s = float(START_S + DAY_S)
    assert who(admission, cookie) is None


@given(st.floats(0, 4e9), st.lists(st.integers(0, 4_000_000_000)))
def test_the_time_is_never_before_anything_that_happened(clock_s: float, happened: list[int]) -> None:
    found = known_time(clock_s, happened)
    assert found.at_s >= max([clock_s, EARLIEST_S, *happened])
    assert found.at_s in (clock_s, EARLIEST_S, *happened)
    assert not found.is_clocks or found.at_s == clock_s


def test_one_token_has_so_many_sessions_and_the_oldest_go(file: TokenFile, admitted: Callable[[], Admission]) -> None:
    secret = file.add("phone", "operator")[1]
    admission = admitted()
    cookies = [came_in(admission, secret) for _ in range(MOST_OF_ONE_TOKEN + 2)]
    assert [who(admission, one) is not None for one in cookies] == [False] * 2 + [True] * MOST_OF_ONE_TOKEN


def test_a_damaged_file_of_sessions_holds_none_and_signing_in_goes_on(
    file: TokenFile, admitted: Callable[[], Admission], tmp_path: Path
) -> None:
    secret = file.add("phone", "operator")[1]
    cookie = came_in(admitted(), secret)
    (tmp_path / "sessions.json").write_text("{")
    admission = admitted()
    assert who(admission, cookie) is None
    assert who(admission, came_in(admission, secret)) is not None


def test_a_full_disk_keeps_nobody_out(
    file: TokenFile,
    admitted: Callable[[], Admission],
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    secret = file.add("phone", "operator")[1]
    admission = admitted()

    def no_room(path: Path, content: bytes) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("peakwhite.daemon.access.sessions.write_private", no_room)
    assert who(admission, came_in(admission, secret)) is not None
    assert "not remembered" in caplog.text


def test_a_token_that_is_sent_counts_alone(file: TokenFile, admitted: Callable[[], Admission]) -> None:
    admission = admitted()
    viewer = file.add("wall", "viewer")[1]
    cookie = came_in(admission, file.add("phone", "operator")[1])
    found = admission.visitor(f"bearer {viewer}", cookie, is_here=True)
    assert found is not None and found.role == "viewer"
    assert admission.visitor("Bearer x", cookie, is_here=True) is None
    assert admission.visitor(None, cookie, is_here=True) == Visitor("operator", None)
