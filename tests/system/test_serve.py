"""`peakwhite serve` against what is no scope, and what it refuses before it starts."""

import os
import signal
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from http.client import HTTPException
from pathlib import Path
from typing import Any

import pytest

from live_client import live_client
from processes import children_of, is_running

STARTS_AND_ENDS_S = 60.0


def speak_old_http(connection: socket.socket) -> None:
    connection.recv(1024)
    connection.sendall(b"<!DOCTYPE HTML>\n<html>\n<body>Bad request</body></html>\n")


@contextmanager
def listener(talk: Callable[[socket.socket], None]) -> Iterator[int]:
    """A TCP server that talks to everybody who connects; its port."""
    connections: list[socket.socket] = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def accept() -> None:
            while True:
                try:
                    connection, _ = server.accept()
                except OSError:
                    return
                connections.append(connection)
                with suppress(OSError):  # who asked has gone meanwhile
                    talk(connection)

        thread = threading.Thread(target=accept)
        thread.start()
        yield server.getsockname()[1]
        server.shutdown(socket.SHUT_RDWR)
        thread.join()
    for connection in connections:
        connection.close()


def say_nothing(connection: socket.socket) -> None:
    pass


def speak_http(connection: socket.socket) -> None:
    connection.recv(1024)
    connection.sendall(b"HTTP/1.1 400 Bad Request\r\nContent-Length: 0\r\n\r\n")


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port: int = server.getsockname()[1]
        return port


def resource(port: int) -> str:
    return f"TCPIP0::127.0.0.1::{port}::SOCKET"


def ended(children: Any, *arguments: str) -> tuple[int, str, str]:
    """Status, stdout and stderr of a command that ends by itself."""
    child = children.start("peakwhite", "peakwhite.daemon", *arguments)
    status = child.wait(STARTS_AND_ENDS_S)
    return status, child.process.stdout.read().decode(), child.stderr


def one_line(stderr: str) -> str:
    lines = stderr.splitlines()
    assert len(lines) == 1, stderr
    assert lines[0].startswith("peakwhite: ")
    return lines[0]


@pytest.fixture
def daemon_ends(children: Any) -> Iterator[None]:
    """Whatever a daemon met, SIGTERM ends it with 0 and without a traceback."""
    yield
    for child in children.started:
        if child.first_line.startswith("http") and child.process.poll() is None:
            child.process.send_signal(signal.SIGTERM)
            assert child.wait() == 0
            assert child.process.stdout.read() == b""
            assert "Traceback" not in child.stderr


@pytest.mark.usefixtures("daemon_ends")
class TestPageFirst:
    """The page is up, its status says what is the matter, and the daemon goes on trying."""

    def test_without_a_scope_it_says_how_to_name_one(self, children: Any) -> None:
        daemon = children.daemon("serve")
        with live_client(daemon) as live:
            live.until("status", lambda frame: "--scope" in (frame["scope"]["do"] or ""))
        status, _, body = daemon.request("GET", "api/v1/reading")
        assert (status, b"no-reading" in body) == (503, True)
        assert daemon.request("GET", "")[0] == 200

    def test_where_nothing_listens_it_waits_and_takes_the_scope_that_appears(self, children: Any) -> None:
        port = free_port()
        daemon = children.daemon("serve", "--scope", resource(port))
        with live_client(daemon) as live:
            status = live.until("status", lambda frame: frame["problems"] != [])
            assert status["scope"]["state"] == "absent"
            assert [problem["code"] for problem in status["problems"]] == ["link-lost"]
            children.scope("--clock", "real", "--port", str(port))
            live.status("ready")
            live.reading(lambda reading: reading["sync"]["state"] == "locked")
        assert daemon.child.stderr.count("scope not there") == 1

    @pytest.mark.parametrize("speak", [speak_http, speak_old_http])
    def test_what_speaks_http_is_no_scope(self, children: Any, speak: Callable[[socket.socket], None]) -> None:
        with listener(speak) as port:
            daemon = children.daemon("serve", "--scope", resource(port))
            with live_client(daemon) as live:
                status = live.until("status", lambda frame: frame["problems"] != [])
        assert status["scope"]["state"] == "absent"
        assert status["problems"][0]["code"] == "instrument-reply"
        assert status["scope"]["text"].endswith("it speaks HTTP, not SCPI")
        assert "SCPI port" in status["scope"]["do"]

    def test_what_accepts_and_never_answers_is_said_to_be_silent(self, children: Any) -> None:
        with listener(say_nothing) as port:
            daemon = children.daemon("serve", "--scope", resource(port))
            with live_client(daemon) as live:
                status = live.until("status", lambda frame: frame["problems"] != [])
        assert status["scope"]["state"] == "absent"
        assert status["problems"][0]["code"] == "link-timeout"

    def test_an_unknown_instrument_is_named_with_how_to_force_a_family(self, children: Any) -> None:
        scope = children.scope("--clock", "real", "--identity", "QUAYSIDE,TOASTER,1,1")
        daemon = children.daemon("serve", "--scope", scope.resource)
        with live_client(daemon) as live:
            status = live.until("status", lambda frame: frame["problems"] != [])
        assert status["problems"][0]["code"] == "unknown-instrument"
        assert "TOASTER" in status["scope"]["text"]
        assert "--family" in status["scope"]["do"]

    def test_the_cautions_are_on_standard_error_before_the_address(self, children: Any) -> None:
        daemon = children.daemon("serve")
        cautions = [line for line in daemon.child.stderr.splitlines() if line.startswith("caution: ")]
        shown = daemon.json("GET", "api/v1/cautions")
        assert [line.removeprefix("caution: ") for line in cautions] == [*shown["items"], shown["note"]]
        assert daemon.child.first_line == f"http://127.0.0.1:{daemon.port}/"


@pytest.mark.parametrize("malformed", ["oscilloscope", "TCPIP0::127.0.0.1::99999::SOCKET"])
def test_a_malformed_resource_ends_with_2_before_anything_starts(children: Any, malformed: str) -> None:
    status, stdout, stderr = ended(children, "serve", "--scope", malformed, "--port", "0", "--no-browser")
    assert (status, stdout) == (2, "")
    assert malformed in one_line(stderr)


def test_an_unknown_family_ends_with_2_and_the_nearest_name(children: Any) -> None:
    status, stdout, stderr = ended(children, "serve", "--scope", resource(1), "--family", "tektronics", "--port", "0")
    assert (status, stdout) == (2, "")
    assert "the nearest is" in one_line(stderr)


@pytest.mark.parametrize("command", ["serve", "demo"])
def test_a_port_that_is_taken_ends_with_3_and_nothing_is_left(children: Any, command: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        status, stdout, stderr = ended(children, command, "--port", str(port), "--no-browser")
    assert (status, stdout) == (3, "")
    assert f"127.0.0.1:{port}" in one_line(stderr)


def test_an_address_that_others_can_reach_is_refused_while_there_is_no_token(children: Any) -> None:
    status, stdout, stderr = ended(children, "serve", "--host", "0.0.0.0", "--port", "0", "--no-browser")
    assert (status, stdout) == (2, "")
    assert "peakwhite access new" in one_line(stderr)


@pytest.mark.parametrize("command", ["serve", "demo"])
def test_a_typo_in_the_settings_ends_with_2_and_file_line_key_and_nearest_name(
    children: Any, tmp_path: Path, command: str
) -> None:
    path = tmp_path / "bench.toml"
    path.write_text("# the bench\n[live]\nrate_herz = 10\n")
    status, stdout, stderr = ended(children, command, "--config", str(path), "--port", "0", "--no-browser")
    assert (status, stdout) == (2, "")
    assert f"{path}: line 3: [live] rate_herz is no key, the nearest is 'rate_hz'" in one_line(stderr)


def test_settings_reach_the_running_daemon(children: Any, tmp_path: Path) -> None:
    scope = children.scope("--clock", "real")
    path = tmp_path / "bench.toml"
    path.write_text(
        f'[scope]\nresource = "{scope.resource}"\n[live]\nrate_hz = 7\n[target_of]\nred = "rgb-700"\n'
        '[hookup.CH1]\nrole = "red"\n[hookup.CH4]\nrole = "sync"\n'
    )
    daemon = children.daemon("serve", "--config", str(path))
    with live_client(daemon) as live:
        assert live.frame()["rate_hz"] == 7.0
        reading = live.reading()
    roles = {channel["channel"]: (channel["role"], channel["target"]) for channel in reading["channels"]}
    assert roles["CH1"] == ("red", "rgb-700")
    assert roles["CH4"] == ("sync", None)


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ('[scope]\nresource = "oscilloscope"\n', "not a VISA resource string"),
        ('[scope]\nfamily = "tektronics"\n', "the nearest is"),
        ('[http]\nhost = "0.0.0.0"\n', "peakwhite access new"),
    ],
)
def test_settings_check_refuses_what_serve_refuses_and_for_the_same_reason(
    children: Any, tmp_path: Path, table: str, told: str
) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(table)
    checked = ended(children, "settings", "check", "--config", str(path))
    started = ended(children, "serve", "--config", str(path), "--port", "0", "--no-browser")
    assert checked[:2] == started[:2] == (2, "")
    assert told in one_line(checked[2]) and told in one_line(started[2])
    assert "line 2" in checked[2]


def handles(pid: int, number: int) -> bool:
    """Whether a process has a handler of its own for a signal."""
    status = Path(f"/proc/{pid}/status").read_text()
    caught = next(line for line in status.splitlines() if line.startswith("SigCgt:"))
    return bool(int(caught.split()[1], 16) >> (number - 1) & 1)


LONG_IMPORT = """import time
from pathlib import Path

Path(__file__).with_name("reached").touch()
time.sleep(100.0)
"""


@pytest.mark.parametrize("command", ["serve", "demo"])
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_amid_the_imports_ends_with_0_and_in_silence(
    children: Any,
    eventually: Callable[..., Any],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    command: str,
    number: int,
) -> None:
    (tmp_path / "pydantic_core.py").write_text(LONG_IMPORT)  # in place of one of those that take long
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(filter(None, [str(tmp_path), os.environ.get("PYTHONPATH")])))
    child = children.start("peakwhite", "peakwhite.daemon", command, "--port", "0", "--no-browser")
    eventually((tmp_path / "reached").exists, STARTS_AND_ENDS_S)
    assert handles(child.pid, signal.SIGTERM), "the handlers come before the imports that take long"
    child.process.send_signal(number)
    assert child.wait() == 0
    assert (child.process.stdout.read(), child.stderr) == (b"", "")


def test_a_hookup_that_the_scope_cannot_have_is_refused_and_the_readings_go_on(children: Any) -> None:
    scope = children.scope("--clock", "real")
    daemon = children.daemon("serve", "--scope", scope.resource)
    with live_client(daemon) as live:
        live.status("ready")
        status, _, body = daemon.request("PUT", "api/v1/hookup", {"clips": [{"channel": "CH9", "role": "red"}]})
        assert (status, b"no channel 'CH9'" in body) == (422, True)
        live.reading()
        answer = daemon.json("PUT", "api/v1/hookup", {"clips": []})
        empty = live.until("status", lambda frame: frame["setup"] == answer["setup"] and frame["problems"] != [])
        assert (empty["scope"]["state"], empty["problems"][0]["code"]) == ("ready", "nothing-to-measure")
        assert daemon.request("GET", "api/v1/reading")[0] == 503
        answer = daemon.json("PUT", "api/v1/hookup", {"clips": [{"channel": "CH1", "role": "red"}]})
        assert live.reading(lambda reading: reading["setup"] == answer["setup"])["channels"][0]["role"] == "red"
    assert "scope lost" not in daemon.child.stderr


def test_a_hookup_of_the_settings_that_the_scope_cannot_have_is_told_and_the_scope_kept(
    children: Any, tmp_path: Path
) -> None:
    scope = children.scope("--clock", "real")
    path = tmp_path / "bench.toml"
    path.write_text(f'[scope]\nresource = "{scope.resource}"\n[hookup.CH9]\nrole = "red"\n')
    daemon = children.daemon("serve", "--config", str(path))
    with live_client(daemon) as live:
        status = live.status("ready")
        assert (status["problems"][0]["code"], "CH9" in status["scope"]["text"]) == ("hookup", True)
        daemon.json("PUT", "api/v1/hookup", {"clips": [{"channel": "CH1", "role": "red"}]})
        live.reading()
    assert "scope not there" not in daemon.child.stderr


def test_looking_for_scopes_runs_in_a_process_of_its_own_which_ends_with_the_daemon(
    children: Any, eventually: Callable[..., Any]
) -> None:
    daemon = children.daemon("serve")
    asking = threading.Thread(target=lambda: look_for_ever(daemon))
    asking.start()
    (looking,) = eventually(lambda: children_of(daemon.process.pid))
    daemon.process.send_signal(signal.SIGTERM)
    assert daemon.child.wait() == 0
    asking.join()
    assert not is_running(looking)
    assert "Traceback" not in daemon.child.stderr


def look_for_ever(daemon: Any) -> None:
    """Ask for one scan after the other, until the daemon is gone."""
    with suppress(OSError, HTTPException):
        while True:
            daemon.request("POST", "api/v1/scopes/scan")


def test_a_scan_gives_what_it_found(children: Any) -> None:
    daemon = children.daemon("serve")
    found = daemon.json("POST", "api/v1/scopes/scan")
    assert isinstance(found["scopes"], list)
    assert daemon.json("GET", "api/v1/scopes") == found
    assert children_of(daemon.process.pid) == []
