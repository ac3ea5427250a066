"""Real processes for the system tests: the simulated scope, the daemon against it, and the demo.

Every child's output is kept in a file and printed when a test fails; teardown kills what is left.
"""

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any
from urllib.error import HTTPError
from urllib.request import Request, urlopen

import pytest

START_DEADLINE_S = 60.0
END_DEADLINE_S = 30.0


@dataclass
class Child:
    """A process of ours with its first line of standard output, and its standard error in a file."""

    process: subprocess.Popen[bytes]
    stderr_path: Path
    stderr_file: IO[bytes]
    first_line: str = ""

    @property
    def pid(self) -> int:
        return self.process.pid

    @property
    def stderr(self) -> str:
        return self.stderr_path.read_text(errors="replace")

    def wait(self, timeout_s: float = END_DEADLINE_S) -> int:
        return self.process.wait(timeout_s)

    def kill(self) -> None:
        """End it whatever state it is in."""
        if self.process.poll() is None:
            with suppress(ProcessLookupError):
                self.process.send_signal(signal.SIGCONT)
            self.process.kill()
            self.process.wait()
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                with suppress(OSError):
                    pipe.close()
        self.stderr_file.close()


def start_child(name: str, module: str, *arguments: str, folder: Path) -> Child:
    """Start `python -m module arguments`; its standard input is a pipe that we hold."""
    path = folder / f"{name}-{time.monotonic_ns()}.stderr"
    file = path.open("wb")
    environment = {key: value for key, value in os.environ.items() if key not in ("PYTHONUNBUFFERED", "DISPLAY")}
    process = subprocess.Popen(
        (sys.executable, "-m", module, *arguments),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=file,
        env=environment | {name: str(folder) for name in ("XDG_CONFIG_HOME", "XDG_STATE_HOME", "XDG_DATA_HOME")},
    )
    return Child(process, path, file)


def read_first_line(child: Child) -> str:
    """The first line that it writes, while it lives and within the deadline."""
    assert child.process.stdout is not None
    alarm = time.monotonic() + START_DEADLINE_S
    os.set_blocking(child.process.stdout.fileno(), False)
    line = b""
    while not line.endswith(b"\n"):
        if time.monotonic() > alarm or (child.process.poll() is not None and not line):
            raise AssertionError(f"no first line; status {child.process.poll()}; stderr:\n{child.stderr}")
        piece = child.process.stdout.readline()
        line += piece or b""
        if not piece:
            time.sleep(0.01)
    os.set_blocking(child.process.stdout.fileno(), True)
    child.first_line = line.decode().rstrip("\n")
    return child.first_line


@dataclass
class SimulatedScope:
    """A simulated scope process."""

    child: Child
    resource: str
    port: int
    control: int

    def ask(self, request: dict[str, Any]) -> Any:
        """Ask the control port."""
        with socket.create_connection(("127.0.0.1", self.control), 30.0) as link, link.makefile("rwb") as lines:
            lines.write(json.dumps(request).encode() + b"\n")
            lines.flush()
            return json.loads(lines.readline())

    def signal(self, number: int) -> None:
        self.child.process.send_signal(number)


@dataclass
class Daemon:
    """A daemon process. `url` ends with a slash."""

    child: Child
    url: str

    @property
    def process(self) -> subprocess.Popen[bytes]:
        return self.child.process

    @property
    def port(self) -> int:
        return int(self.url.rsplit(":", 1)[1].rstrip("/"))

    @property
    def live_url(self) -> str:
        return f"ws{self.url.removeprefix('http')}api/v1/live"

    def request(
        self, method: str, path: str, body: object = None, headers: dict[str, str] | None = None
    ) -> tuple[int, dict[str, str], bytes]:
        """Status, headers (names in lower case) and body; errors are answers too."""
        data = body if isinstance(body, bytes) or body is None else json.dumps(body).encode()
        sent = {"Content-Type": "application/json"} | (headers or {})
        try:
            with urlopen(Request(self.url + path, data, sent, method=method), timeout=60) as answer:
                return answer.status, {key.lower(): value for key, value in answer.headers.items()}, answer.read()
        except HTTPError as error:
            with error:
                return error.code, {key.lower(): value for key, value in error.headers.items()}, error.read()

    def json(self, method: str, path: str, body: object = None, headers: dict[str, str] | None = None) -> Any:
        """The body of an answer that must be good."""
        status, _, content = self.request(method, path, body, headers)
        assert status == 200, (status, content)
        return json.loads(content)


@dataclass
class Children:
    """Starts children and knows them all."""

    folder: Path
    started: list[Child] = field(default_factory=list)

    def start(self, name: str, module: str, *arguments: str) -> Child:
        """Start one without waiting for anything."""
        child = start_child(name, module, *arguments, folder=self.folder)
        self.started.append(child)
        return child

    def scope(self, *arguments: str) -> SimulatedScope:
        """Start a simulated scope and wait for its address."""
        child = self.start("scope", "peakwhite.simulated_scope", *arguments)
        address = json.loads(read_first_line(child))
        return SimulatedScope(child, address["scpi"], int(address["scpi"].split("::")[2]), address["control"])

    def daemon(self, *arguments: str, module: str = "peakwhite.daemon") -> Daemon:
        """Start `peakwhite arguments` on a free port and wait for its address."""
        child = self.start("daemon", module, *arguments, "--port", "0", "--no-browser")
        return Daemon(child, read_first_line(child))

    def end_all(self) -> None:
        """Kill what is left, youngest first."""
        for child in reversed(self.started):
            child.kill()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Iterator[None]:
    """Show what the children of a failed test said."""
    report = yield
    if report.failed:  # type: ignore[attr-defined]
        for child in {child.pid: child for child in _children_in(getattr(item, "funcargs", {}).values())}.values():
            report.sections.append((child.stderr_path.name, child.stderr))  # type: ignore[attr-defined]
    return report


def _children_in(fixtures: Iterable[Any]) -> Iterator[Child]:
    """Every process that one of these fixtures stands for."""
    for value in fixtures:
        if isinstance(value, Children):
            yield from value.started
        elif isinstance(value, Bench):
            yield from (value.scope.child, value.daemon.child)
        elif isinstance(value, (SimulatedScope, Daemon)):
            yield value.child


@pytest.fixture
def children(tmp_path: Path) -> Iterator[Children]:
    """Starts processes that do not outlive the test."""
    started = Children(tmp_path)
    yield started
    started.end_all()


@pytest.fixture(scope="module")
def lasting_children(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Children]:
    """Starts processes for all tests of a module."""
    started = Children(tmp_path_factory.mktemp("children"))
    yield started
    started.end_all()


@pytest.fixture
def simulated_scope(children: Children) -> SimulatedScope:
    """A simulated scope process as the demo starts it."""
    return children.scope("--clock", "real")


@pytest.fixture
def daemon(children: Children, simulated_scope: SimulatedScope) -> Daemon:
    """The daemon, serving that scope."""
    return children.daemon("serve", "--scope", simulated_scope.resource)


@pytest.fixture
def demo(children: Children) -> Daemon:
    """`peakwhite demo`, with a simulated scope of its own. `.url` ends with a slash, `.process` is the child."""
    return children.daemon("demo")


@dataclass
class Bench:
    """A daemon and the simulated scope that it serves."""

    scope: SimulatedScope
    daemon: Daemon


@pytest.fixture(scope="module")
def lasting_bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """Scope and daemon for all tests of a module that leave them standing."""
    started = Children(tmp_path_factory.mktemp("bench"))
    scope = started.scope("--clock", "real")
    yield Bench(scope, started.daemon("serve", "--scope", scope.resource))
    started.end_all()


@pytest.fixture(scope="module")
def lasting_fast_scope(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SimulatedScope]:
    """A simulated scope that makes nobody wait, for all tests of a module."""
    started = Children(tmp_path_factory.mktemp("scope"))
    yield started.scope("--clock", "fast", "--seed", "7")
    started.end_all()


@pytest.fixture(scope="module")
def lasting_demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    """Like `demo`, but one for all tests of a module that leave it standing."""
    started = Children(tmp_path_factory.mktemp("demo"))
    yield started.daemon("demo")
    started.end_all()


@pytest.fixture
def eventually() -> Callable[..., Any]:
    """Waits until a condition holds; gives its value."""

    def wait(condition: Callable[[], Any], timeout_s: float = 30.0) -> Any:
        end = time.monotonic() + timeout_s
        while not (value := condition()):
            assert time.monotonic() < end, f"{condition} did not come true in {timeout_s} s"
            time.sleep(0.02)
        return value

    return wait
