"""The daemon as a service manager starts it: what it is told over a real socket, and what it makes of a wrong clock."""

import os
import re
import signal
import socket
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import pytest

from bench_network import access, command, on_network
from live_client import is_fresh, live_client
from peakwhite.daemon.service import this_program
from peakwhite.daemon.service.files import unit

pytestmark = pytest.mark.timeout(400)
"""A busy machine takes ten seconds to start each process."""

SOON_S = 30.0


@pytest.fixture
def manager_socket(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[socket.socket]:
    """The socket of a service manager, which every child of this test is told of."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as bound:
        bound.bind(str(tmp_path / "notify"))
        bound.settimeout(SOON_S)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        yield bound


def told(manager_socket: socket.socket, beginning: str) -> str:
    """The next datagram that begins so."""
    while not (datagram := manager_socket.recv(4096).decode()).startswith(beginning):
        pass
    return datagram


def exec_start() -> list[str]:
    """The unit's command, without its options on what to listen to."""
    (command,) = re.findall(r"^ExecStart=(.*)$", unit(this_program()), re.MULTILINE)
    return command.split()  # type: ignore[no-any-return]


def test_the_units_own_command_says_ready_once_the_page_answers_and_stopping_when_it_is_ended(
    manager_socket: socket.socket, children: Any, simulated_scope: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WATCHDOG_USEC", "4000000")
    python, _, module, *arguments = exec_start()
    assert Path(python).resolve() == Path(sys.executable).resolve()
    child = children.start("daemon", module, *arguments, "--port", "0", "--scope", simulated_scope.resource)
    ready, status = told(manager_socket, "READY=1").splitlines()
    url = re.fullmatch(r"STATUS=(http://127\.0\.0\.1:\d+/) .+", status)
    assert url is not None, status
    with urlopen(url[1], timeout=10) as page:
        assert page.status == 200
    assert ready == "READY=1"
    if "ready: capturing" not in status:  # the scope was not there before the page
        assert "ready: capturing" in told(manager_socket, f"STATUS={url[1]} ready")
    told(manager_socket, "WATCHDOG=1")
    child.process.send_signal(signal.SIGTERM)
    assert told(manager_socket, "STOPPING=1")
    assert child.wait() == 0


def test_before_the_port_is_its_own_nothing_is_said(manager_socket: socket.socket, children: Any) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        child = children.start("daemon", "peakwhite.daemon", "serve", "--port", str(taken.getsockname()[1]))
        assert child.wait(60.0) == 3
    manager_socket.setblocking(False)
    with pytest.raises(BlockingIOError):
        manager_socket.recv(4096)


def test_a_service_that_nobody_has_a_token_for_comes_up_lets_nobody_in_and_takes_a_token_made_later(
    manager_socket: socket.socket, children: Any, eventually: Callable[..., Any]
) -> None:
    daemon = on_network(children, addresses=["http://bench.local:8714"])
    told_why = "nobody gets in from elsewhere"
    ready = told(manager_socket, "READY=1")
    assert f"{daemon.url} (others: http://bench.local:8714/" in ready and told_why in ready
    assert daemon.request("GET", "")[0] == 200
    assert daemon.request("GET", "api/v1/hookup")[0] == 401
    eventually(lambda: f"{told_why}: " in daemon.child.stderr and "peakwhite access new --role" in daemon.child.stderr)
    made = access(children.folder, "new", "--role", "operator", "--name", "phone")
    signed_in = {"Authorization": f"Bearer {made['secret']}"}
    assert daemon.request("GET", "api/v1/hookup", headers=signed_in)[0] == 200
    eventually(lambda: "there is an access token again" in daemon.child.stderr)
    while told_why in told(manager_socket, "STATUS="):  # as what changed before the token was there
        pass
    assert command(children.folder, "access", "revoke", "phone").returncode == 0
    eventually(lambda: daemon.child.stderr.count(told_why) == 2)


def test_a_stopped_daemon_feeds_no_watchdog_and_does_again_when_it_goes_on(
    manager_socket: socket.socket, children: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WATCHDOG_USEC", "1000000")
    daemon = children.daemon("serve")
    told(manager_socket, "WATCHDOG=1")
    daemon.process.send_signal(signal.SIGSTOP)
    manager_socket.settimeout(1.5)
    with pytest.raises(TimeoutError):
        while True:  # what was told before
            manager_socket.recv(4096)
    daemon.process.send_signal(signal.SIGCONT)
    manager_socket.settimeout(SOON_S)
    told(manager_socket, "WATCHDOG=1")


WITHOUT_CLOCK = """
import sys, time
from pathlib import Path
unset, began_ns, real_ns = Path(sys.argv.pop(1)), time.monotonic_ns(), time.time_ns
def wall_ns():
    return time.monotonic_ns() - began_ns if unset.exists() else real_ns()
time.time_ns, time.time = wall_ns, lambda: wall_ns() / 1e9
from peakwhite.daemon.cli import main
main()
"""
"""The daemon on a computer whose calendar begins in 1970 and is set when that file goes."""


def test_it_starts_in_1970_and_is_right_once_the_clock_is_set(
    children: Any, simulated_scope: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    unset, package = tmp_path / "unset", tmp_path / "modules"
    unset.touch()
    package.mkdir()
    (package / "without_clock.py").write_text(WITHOUT_CLOCK)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(filter(None, (str(package), os.environ.get("PYTHONPATH")))))
    daemon = children.daemon(str(unset), "serve", "--scope", simulated_scope.resource, module="without_clock")
    with live_client(daemon) as live:
        assert live.taken_in()["captured_at"].startswith("1970-01-01T00:")
        kept = daemon.json("POST", "api/v1/book/marks", {})
        assert kept["at"].startswith("1970-01-01T00:")
        unset.unlink()
        now = time.strftime("%Y-", time.gmtime())
        dated = live.reading(lambda reading: reading["captured_at"].startswith(now) and is_fresh(reading))
        assert dated["sync"]["state"] == "locked"
    assert "Traceback" not in daemon.child.stderr
