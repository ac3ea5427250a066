"""Control is a lease."""

import pytest

from peakwhite.daemon.live.lease import GRACE_S, ControlLease
from peakwhite.drivers.errors import ControlHeld, outcome_of


class Clock:
    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def lease(clock: Clock) -> ControlLease:
    tokens = iter(f"token-{number}" for number in range(10))
    return ControlLease(clock, lambda: next(tokens))


def test_while_nobody_holds_control_everybody_may_write(lease: ControlLease) -> None:
    lease.check(None)
    lease.check("anything")
    assert lease.holder is None


def test_a_write_without_the_holders_token_is_refused_with_the_holders_name(lease: ControlLease) -> None:
    token = lease.take("phone")
    lease.check(token)
    with pytest.raises(ControlHeld, match="phone holds control") as caught:
        lease.check(None)
    assert outcome_of(caught.value).http_status == 409
    with pytest.raises(ControlHeld):
        lease.check("token-9")


def test_a_second_one_gets_control_only_by_force(lease: ControlLease) -> None:
    first = lease.take("phone")
    with pytest.raises(ControlHeld):
        lease.take("laptop")
    second = lease.take("laptop", by_force=True)
    assert lease.holder == "laptop"
    lease.check(second)
    with pytest.raises(ControlHeld):
        lease.check(first)


def test_asking_again_with_the_token_keeps_it(lease: ControlLease) -> None:
    token = lease.take("phone")
    assert lease.take("old phone", token) == token
    assert lease.holder == "old phone"


def test_it_ends_fifteen_seconds_after_the_holders_socket_closed(lease: ControlLease, clock: Clock) -> None:
    token = lease.take("phone")
    assert lease.arrive(token)
    clock.now_s += 1000.0
    assert lease.holder == "phone"
    lease.leave(token)
    clock.now_s += GRACE_S - 0.1
    assert lease.holder == "phone"
    clock.now_s += 0.1
    assert lease.holder is None
    lease.check(None)


def test_it_lasts_while_one_of_two_sockets_is_open(lease: ControlLease, clock: Clock) -> None:
    token = lease.take("phone")
    lease.arrive(token)
    lease.arrive(token)
    lease.leave(token)
    clock.now_s += 60.0
    assert lease.holder == "phone"


def test_without_a_socket_every_use_prolongs_it(lease: ControlLease, clock: Clock) -> None:
    token = lease.take("script")
    for _ in range(5):
        clock.now_s += GRACE_S - 1.0
        lease.check(token)
    assert lease.holder == "script"
    clock.now_s += GRACE_S
    assert lease.holder is None


def test_the_socket_of_a_former_holder_ends_nothing(lease: ControlLease, clock: Clock) -> None:
    first = lease.take("phone")
    lease.arrive(first)
    second = lease.take("laptop", by_force=True)
    lease.arrive(second)
    lease.leave(first)
    clock.now_s += 60.0
    assert lease.holder == "laptop"
    assert not lease.arrive(first)


def test_only_the_holder_can_give_it_back(lease: ControlLease) -> None:
    token = lease.take("phone")
    with pytest.raises(ControlHeld):
        lease.release("token-9")
    lease.release(token)
    assert lease.holder is None
