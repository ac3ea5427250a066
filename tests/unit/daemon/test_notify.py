"""What a service manager is told, and when: against a real datagram socket."""

import asyncio
import itertools
import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest

from peakwhite.daemon.acquisition import Acquisition, Origin, Time
from peakwhite.daemon.notify import ServiceManager
from peakwhite.drivers.capture import Capture
from scripted import Hand, Outlet, ScriptedSource, a_capture, a_job, a_measured

WATCHDOG_S = 0.4
SOON_S = 20.0


@pytest.fixture
def manager_socket(tmp_path: Path) -> Iterator[socket.socket]:
    """The socket of a service manager, in a temporary folder."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as bound:
        bound.bind(str(tmp_path / "notify"))
        bound.settimeout(SOON_S)
        yield bound


def told(manager_socket: socket.socket) -> list[str]:
    """All that was told and not read yet."""
    manager_socket.setblocking(False)
    found = []
    with suppress(BlockingIOError):
        while True:
            found.append(manager_socket.recv(4096).decode())
    manager_socket.settimeout(SOON_S)
    return found


def wait_for(manager_socket: socket.socket, datagram: str) -> None:
    """Read until that comes."""
    while manager_socket.recv(4096).decode() != datagram:
        pass


def test_ready_status_alive_and_stopping_are_the_lines_of_sd_notify(manager_socket: socket.socket) -> None:
    manager = ServiceManager(manager_socket.getsockname())
    manager.ready("http://127.0.0.1:8714/")
    manager.alive()
    manager.stopping()
    assert told(manager_socket) == [
        "READY=1\nSTATUS=http://127.0.0.1:8714/",
        "WATCHDOG=1",
        "STOPPING=1\nSTATUS=ending",
    ]


def test_a_status_is_told_on_change_and_never_as_two_assignments(manager_socket: socket.socket) -> None:
    manager = ServiceManager(manager_socket.getsockname())
    for text in ("absent: no scope", "absent: no scope", "lost:\nMAINPID=1"):
        manager.status(text)
    assert told(manager_socket) == ["STATUS=absent: no scope", "STATUS=lost: MAINPID=1"]


def test_an_abstract_socket_is_spoken_to() -> None:
    name = f"peakwhite-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as bound:
        bound.bind(f"\0{name}")
        ServiceManager(f"@{name}").alive()
        assert told(bound) == ["WATCHDOG=1"]


def test_a_manager_that_is_gone_fails_nothing(tmp_path: Path) -> None:
    ServiceManager(None).ready("up")
    ServiceManager(str(tmp_path / "gone")).ready("up")
    ServiceManager(str(tmp_path / ("long" * 60))).ready("up")


def test_a_manager_that_reads_nothing_is_not_waited_for_long(
    manager_socket: socket.socket, monkeypatch: pytest.MonkeyPatch
) -> None:
    address = manager_socket.getsockname()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as filling, suppress(BlockingIOError):
        filling.setblocking(False)
        while True:
            filling.sendto(b"full", address)
    monkeypatch.setattr("peakwhite.daemon.notify.FULL_S", 0.01)
    ServiceManager(address).alive()
    assert set(told(manager_socket)) == {"full"}


def test_the_environment_names_the_manager_and_children_do_not_inherit_it() -> None:
    environment = {
        "NOTIFY_SOCKET": "/run/notify",
        "WATCHDOG_USEC": "30000000",
        "WATCHDOG_PID": str(os.getpid()),
        "A": "b",
    }
    assert ServiceManager.of(environment).watchdog_s == 30.0
    assert environment == {"A": "b"}


@pytest.mark.parametrize(
    "environment",
    [
        {},
        {"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"},
        {"WATCHDOG_USEC": "0"},
        {"WATCHDOG_USEC": "soon"},
        {"WATCHDOG_USEC": "-1"},
    ],
)
def test_a_watchdog_of_another_process_or_without_an_interval_is_none_of_ours(environment: dict[str, str]) -> None:
    assert ServiceManager.of(environment).watchdog_s is None


def test_an_address_that_is_no_unix_socket_is_left_alone() -> None:
    manager = ServiceManager.of({"NOTIFY_SOCKET": "vsock:2:1234"})
    manager.ready("up")
    assert manager._address is None


class Loop:
    """An event loop on a thread of its own, in which the manager is told how the daemon is."""

    def __init__(self, manager: ServiceManager, *silences_s: Callable[[], float]) -> None:
        self._loop = asyncio.new_event_loop()
        self._following = self._loop.create_task(manager.follow(silences_s, lambda: "up"))
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        with suppress(asyncio.CancelledError):
            self._loop.run_until_complete(self._following)
        self._loop.close()

    def hang(self, until: threading.Event) -> None:
        """Let the loop do nothing until then, from when this returns on."""
        hanging = threading.Event()

        def hang() -> None:
            hanging.set()
            until.wait(SOON_S)

        self._loop.call_soon_threadsafe(hang)
        assert hanging.wait(SOON_S)

    def end(self) -> None:
        self._loop.call_soon_threadsafe(self._following.cancel)
        self._thread.join(SOON_S)


def test_the_watchdog_is_fed_while_the_acquisition_thread_goes_on_and_no_longer_when_its_source_hangs(
    manager_socket: socket.socket,
) -> None:
    hangs, free = threading.Event(), threading.Event()

    def steps() -> Iterator[object]:
        while not hangs.is_set():
            yield a_capture()
        free.wait(SOON_S)
        while True:
            yield a_capture()

    source = ScriptedSource(steps())  # type: ignore[arg-type]
    job = replace(a_job(Hand(), Outlet(), lambda capture: a_measured()), time=Time())
    acquisition = Acquisition(Origin(lambda: source, "scripted"), job)
    acquisition.start()

    def silence_s() -> float:
        return job.tally.beat_age_s(time.monotonic())

    loop = Loop(ServiceManager(manager_socket.getsockname(), WATCHDOG_S), silence_s)
    try:
        for _ in range(8):
            wait_for(manager_socket, "WATCHDOG=1")
        hangs.set()
        deadline = time.monotonic() + SOON_S
        while silence_s() < WATCHDOG_S:
            assert time.monotonic() < deadline
            free.wait(0.01)
        told(manager_socket)
        free.wait(2.0 * WATCHDOG_S)
        assert told(manager_socket) == []
        free.set()
        wait_for(manager_socket, "WATCHDOG=1")
    finally:
        free.set()
        loop.end()
        acquisition.stop()


def test_the_watchdog_is_no_longer_fed_when_the_event_loop_hangs(manager_socket: socket.socket) -> None:
    free = threading.Event()
    loop = Loop(ServiceManager(manager_socket.getsockname(), WATCHDOG_S))
    try:
        wait_for(manager_socket, "WATCHDOG=1")
        loop.hang(free)
        told(manager_socket)
        free.wait(2.0 * WATCHDOG_S)
        assert told(manager_socket) == []
        free.set()
        wait_for(manager_socket, "WATCHDOG=1")
    finally:
        free.set()
        loop.end()


def test_without_a_watchdog_only_the_status_is_told(manager_socket: socket.socket) -> None:
    loop = Loop(ServiceManager(manager_socket.getsockname()))
    wait_for(manager_socket, "STATUS=up")
    loop.end()
    assert told(manager_socket) == []


def test_the_acquisition_thread_says_that_it_goes_on_around_every_wait_and_after_every_opening() -> None:
    hand = Hand()
    job = a_job(hand, Outlet(), lambda capture: a_measured())
    waits = itertools.count()

    def wait(seconds: float) -> bool:
        assert job.tally.beat_s == hand.s, "said before a wait, and by then after the opening, which took time"
        hand.wait(5.0)
        return next(waits) == 1

    def captures() -> Iterator[Capture]:
        while True:
            assert job.tally.beat_s == hand.s, "said after a wait, or after the opening"
            yield a_capture()
            hand.wait(2.0)

    def open_source() -> ScriptedSource:
        hand.wait(3.0)
        return ScriptedSource(captures())

    Acquisition(Origin(open_source, "scripted"), job, wait).run()
    assert next(waits) == 2
