"""A scope is given back to its user at the end, over another link where the one that it was used by is broken."""

import os
import signal
from collections.abc import Iterator
from dataclasses import replace

import pytest

from family_rig import SimulatedScope, SleepingTime
from peakwhite.daemon.acquisition import Task
from peakwhite.daemon.config import Setup
from peakwhite.daemon.config.model import ScopeTable
from peakwhite.daemon.sources.borrowed_scope import BorrowedScope, borrowed_scope
from peakwhite.daemon.sources.scope import ScopeSource
from peakwhite.daemon.sources.users_setup import UsersSetup
from peakwhite.drivers.errors import LinkError, LinkLost
from peakwhite.drivers.links import Link, open_link
from peakwhite.drivers.present_setup import ScopeSetup
from peakwhite.drivers.tektronix_tds import TektronixTds

KNOBS = ":HEAD ON;:CH1:SCA 0.5;:CH2:POS 1;:HOR:MAI:SCA 1E-3;:DAT:SOU CH3;STAR 7;STOP 70"
LOOK = ":HEAD?;:CH1:SCA?;:CH2:POS?;:HOR:MAI:SCA?;:TRIG:MAI:MOD?;:ACQ:STATE?;:DAT:SOU?;STAR?;STOP?;ENC?;WID?"


@pytest.fixture(scope="module")
def scope() -> Iterator[SimulatedScope]:
    started = SimulatedScope("curve")
    yield started
    started.end()


@pytest.fixture
def user(scope: SimulatedScope) -> Iterator[Link]:
    """The scope's user, who has set it."""
    link = open_link(scope.resource)
    link.write(KNOBS)
    link.query("*IDN?")
    yield link
    scope.as_at_first()
    link.close()


def borrowed(scope: SimulatedScope, told: list[str], hands_off: bool = False) -> BorrowedScope:
    table = ScopeTable(resource=scope.resource)
    return borrowed_scope(table, scope.resource, family=None, hands_off=hands_off, tell=told.append)


def broken(scope: SimulatedScope, one: BorrowedScope) -> None:
    """It is used, and closed when its link broke in the middle of an answer."""
    source = one.open()
    source.configure(Task.LEVELS, Setup())
    scope.tell(fault="drop-mid-block")
    with pytest.raises(LinkLost):
        for _ in range(3):
            source.capture(1.0)
    source.close()


def test_a_scope_whose_link_broke_is_given_back_over_another_one(scope: SimulatedScope, user: Link) -> None:
    before, told = user.query(LOOK), list[str]()
    one = borrowed(scope, told)
    broken(scope, one)
    assert one.users.owed is not None and user.query(LOOK) != before
    one.give_back()
    assert (one.not_given_back, told) == (None, [])
    assert user.query(LOOK) == before


def test_one_that_was_closed_over_a_good_link_is_not_reached_again(
    scope: SimulatedScope, user: Link, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, one = user.query(LOOK), borrowed(scope, [])
    source = one.open()
    source.configure(Task.LEVELS, Setup())
    source.close()
    assert user.query(LOOK) == before
    monkeypatch.setattr("peakwhite.daemon.sources.borrowed_scope.reach", None)
    one.give_back()
    assert one.not_given_back is None


def test_one_that_cannot_be_reached_any_more_is_said_not_to_have_its_set_up(scope: SimulatedScope, user: Link) -> None:
    one = borrowed(scope, [])
    broken(scope, one)
    gone = replace(one, resource="TCPIP0::127.0.0.1::1::SOCKET")
    gone.give_back()
    assert gone.not_given_back is not None
    assert gone.not_given_back.startswith(
        "TCPIP0::127.0.0.1::1::SOCKET: its set-up could not be given back (no connection"
    )
    assert gone.not_given_back.endswith("; set it by hand")
    one.give_back()


def test_it_is_left_alone_first_for_as_long_as_it_needs(scope: SimulatedScope, user: Link) -> None:
    one, time = borrowed(scope, []), SleepingTime()
    broken(scope, one)
    replace(one, clock=time.clock).give_back(5.0)
    assert time.now_s >= 5.0
    assert one.not_given_back is None


def test_a_scope_that_hangs_while_it_is_given_back_is_still_owed_its_set_up(scope: SimulatedScope, user: Link) -> None:
    before, one = user.query(LOOK), borrowed(scope, [])
    source = one.open()
    assert isinstance(source, ScopeSource)
    source.configure(Task.LEVELS, Setup())
    os.kill(scope.process.pid, signal.SIGSTOP)
    try:
        source.close()
    finally:
        os.kill(scope.process.pid, signal.SIGCONT)
    assert one.users.owed is not None and one.users.owed.startswith("no answer within 2 s")
    one.give_back()
    assert one.not_given_back is None
    assert user.query(LOOK) == before


def test_a_setting_that_is_refused_on_the_way_back_is_told_in_one_line_and_raises_nothing(
    scope: SimulatedScope, user: Link, monkeypatch: pytest.MonkeyPatch
) -> None:
    restore = TektronixTds.restore

    def spoilt(driver: TektronixTds, setup: ScopeSetup) -> None:
        kept = tuple((header, "1E6" if header == ":CH1:SCA" else reply) for header, reply in setup.kept)
        restore(driver, replace(setup, kept=kept))

    before, told = user.query(LOOK), list[str]()
    one = borrowed(scope, told)
    source = one.open()
    source.configure(Task.LEVELS, Setup())
    monkeypatch.setattr(TektronixTds, "restore", spoilt)
    source.close()
    (line,) = told
    assert line.startswith(f"{scope.resource}: as its set-up was given back, it refused a setting: ")
    assert line.endswith("; set that by hand")
    assert one.not_given_back is None
    answers = zip(before.split(";"), user.query(LOOK).split(";"), strict=True)
    assert [index for index, (then, now) in enumerate(answers) if then != now] == [1], "all others are given back"


@pytest.mark.parametrize("hands_off", [False, True])
def test_how_the_scope_sent_records_is_given_back(scope: SimulatedScope, user: Link, hands_off: bool) -> None:
    user.query(":SEL:CH1 ON;:SEL:CH4 OFF;:ACQ:STATE STOP;:HEAD ON;*IDN?")
    before = user.query(LOOK)
    one = borrowed(scope, [], hands_off)
    source = one.open()
    source.configure(Task.LEVELS, Setup())
    source.capture(1.0)
    assert user.query(LOOK) != before
    source.close()
    assert user.query(LOOK) == before


def test_a_scope_that_was_never_reached_is_owed_nothing() -> None:
    one = BorrowedScope("TCPIP0::127.0.0.1::1::SOCKET", None, False, UsersSetup())
    with pytest.raises(LinkError):
        one.open()
    assert one.not_given_back is None
