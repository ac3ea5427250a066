"""The demo's scope: the simulated one as a child process, started anew whenever it dies, and its control port."""

import json
import logging
import selectors
import socket
import subprocess
import sys
import threading
from collections.abc import Mapping
from typing import Any

from ..drivers.errors import LinkLost, ReplyError

log = logging.getLogger(__name__)

TRIMMERS_AT_START = {"red": 105.0, "green": 100.0, "blue": 98.0}
"""Per cent of nominal: the unit arrives running hot on red."""

START_DEADLINE_S = 20.0
CONTROL_DEADLINE_S = 2.0
RESTART_S = 0.5
END_DEADLINE_S = 3.0
WHERE = "simulated scope"


class SimulatedScope:
    """Keeps one simulated scope running, with the trimmers as they were last turned.

    The child ends when its standard input closes, so it outlives this process in no case.
    """

    def __init__(self, arguments: tuple[str, ...] = ("--clock", "real")) -> None:
        self._command = (sys.executable, "-m", "peakwhite.simulated_scope", *arguments)
        self._turned = dict(TRIMMERS_AT_START)
        self._lock = threading.Lock()
        self._ended = threading.Event()
        self._process: subprocess.Popen[bytes] | None = None
        self._address: tuple[str, int] | None = None
        self._up = threading.Event()
        self._thread = threading.Thread(target=self._keep_running, name="simulated-scope", daemon=True)

    def start(self) -> None:
        """Begin to keep it running; returns at once."""
        self._thread.start()

    def close(self) -> None:
        """End it and wait until it is gone."""
        with self._lock:
            self._ended.set()
            process = self._process
            if process is not None:
                _close_stdin(process)
        self._thread.join(END_DEADLINE_S)
        if process is not None and self._thread.is_alive():
            process.kill()
            self._thread.join(END_DEADLINE_S)

    @property
    def resource(self) -> str:
        """Its resource string. Raises LinkLost while it is not there."""
        return self._there()[0]

    def percent(self) -> Mapping[str, float]:
        """How far each role's trimmer is turned; 100 is nominal."""
        return dict(self._turned)

    def turn(self, role: str, percent: float) -> None:
        """Turn a trimmer. Raises InstrumentError where the scope does not take it; it then stays where it was."""
        _ask(self._there()[1], {"set": {role: {"gain_percent": percent}}})
        self._turned[role] = percent

    def _there(self) -> tuple[str, int]:
        """Resource string and control port, waiting a moment where it is just starting. Raises LinkLost."""
        self._up.wait(CONTROL_DEADLINE_S)
        address = self._address
        if address is None:
            raise LinkLost("is not running", where=WHERE, do="wait a moment, it is being started")
        return address

    def _keep_running(self) -> None:
        """Start it, wait until it ends, start it again; until `close`."""
        while not self._ended.is_set():
            with self._lock:
                if self._ended.is_set():
                    return
                process = self._process = subprocess.Popen(
                    self._command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True
                )
            try:
                address = _address_from(process)
                _ask(address[1], {"set": {role: {"gain_percent": percent} for role, percent in self._turned.items()}})
                self._address = address
                self._up.set()
            except (LinkLost, ReplyError) as error:
                if not self._ended.is_set():
                    log.error("%s", error)
                process.kill()
            status = process.wait()
            self._up.clear()
            self._address = None
            _close_pipes(process)
            if not self._ended.is_set():
                log.warning("the simulated scope ended with status %d; starting it again", status)
                self._ended.wait(RESTART_S)


def _address_from(process: subprocess.Popen[bytes]) -> tuple[str, int]:
    """Resource string and control port from the first line that it writes. Raises LinkLost, ReplyError."""
    assert process.stdout is not None
    with selectors.DefaultSelector() as selector:
        selector.register(process.stdout, selectors.EVENT_READ)
        line = process.stdout.readline(65536) if selector.select(START_DEADLINE_S) else b""
    if not line:
        raise LinkLost("did not start", where=WHERE, do="see its own messages above")
    answer = _answer(line)
    try:
        return str(answer["scpi"]), int(answer["control"])
    except (KeyError, ValueError) as error:
        raise ReplyError(f"wrote {line!r} first", where=WHERE, do="reinstall Peakwhite") from error


def _ask(port: int, request: dict[str, Any]) -> dict[str, Any]:
    """Ask the control port. Raises LinkLost, ReplyError."""
    try:
        with socket.create_connection(("127.0.0.1", port), CONTROL_DEADLINE_S) as link:
            link.sendall(json.dumps(request).encode() + b"\n")
            with link.makefile("rb") as answers:
                line = answers.readline(65536)
    except OSError as error:
        raise LinkLost(f"does not answer: {error}", where=WHERE, do="wait a moment, it is being started") from error
    return _answer(line)


def _answer(line: bytes) -> dict[str, Any]:
    """A line of JSON from the scope. Raises ReplyError where it is none, or tells an error."""
    try:
        answer = json.loads(line)
    except ValueError as error:
        raise ReplyError(f"wrote {line[:80]!r}", where=WHERE, do="reinstall Peakwhite") from error
    if not isinstance(answer, dict) or "error" in answer:
        raise ReplyError(f"refused: {answer}", where=WHERE, do="reinstall Peakwhite")
    return answer


def _close_stdin(process: subprocess.Popen[bytes]) -> None:
    assert process.stdin is not None
    try:
        process.stdin.close()
    except OSError:  # it is gone already
        pass


def _close_pipes(process: subprocess.Popen[bytes]) -> None:
    _close_stdin(process)
    assert process.stdout is not None
    process.stdout.close()
