"""The unit forbids nothing that the daemon does: its system calls, seen by strace, against the lists of systemd."""

import os
import re
import shutil
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bench_network import sign_in, state_of
from live_client import live_client
from peakwhite.daemon.access import TokenFile
from peakwhite.daemon.access.token_file import DAY_S
from peakwhite.daemon.service import this_program
from peakwhite.daemon.service.files import unit

QUIET = {
    "brk", "close", "epoll_wait", "fstat", "futex", "getdents64", "ioctl", "lseek", "madvise", "mmap", "mprotect", "munmap",
    "newfstatat", "openat", "poll", "pread64", "pwrite64", "read", "readlink", "recvfrom", "recvmsg", "rt_sigaction", "write",
}  # fmt: skip
"""So many of these are made that watching them takes half a minute; they are looked up without having been seen."""
UNHEEDED = {"mbind"}
"""OpenBLAS asks for it, and goes on without."""
OF_ROOT_ALONE = {"fchown", "chown", "lchown"}
"""SQLite gives what root makes to the owner of the book."""


def expanded(name: str) -> set[str]:
    """The system calls of a group of systemd's, those of the groups in it too."""
    command = ("systemd-analyze", "syscall-filter", name)
    told = subprocess.run(command, capture_output=True, check=True, encoding="utf-8", timeout=60).stdout
    names = [line.strip() for line in told.splitlines()[1:] if line.strip() and not line.strip().startswith("#")]
    return {call for entry in names for call in (expanded(entry) if entry.startswith("@") else {entry})}


def allowed_calls(text: str) -> set[str]:
    """What the unit's SystemCallFilter= lines leave, read in their order; systemd adds @default to any allow list."""
    allowed = expanded("@default")
    for line in values(text, "SystemCallFilter"):
        names = line.removeprefix("~").split()
        calls = {call for name in names for call in (expanded(name) if name.startswith("@") else {name})}
        allowed = allowed - calls if line.startswith("~") else allowed | calls
    return allowed


def values(text: str, key: str) -> list[str]:
    """What the unit assigns to that key, in order."""
    return re.findall(rf"^{key}=(.*)$", text, re.MULTILINE)


TRACED = """
import os, sys
quiet = sys.argv.pop(1)
os.execvp("strace", ["strace", "-D", "-f", "-q", "--seccomp-bpf", "-e", f"trace=!{quiet}", "-o", sys.argv.pop(1),
                     sys.executable, "-m", "peakwhite.daemon", *sys.argv[1:]])
"""
"""The daemon under strace, which leaves it its place as our child."""


@pytest.mark.skipif(
    (shutil.which("systemd-analyze") is None or shutil.which("strace") is None)
    and os.environ.get("PEAKWHITE_REQUIRE_SYSTEMD") != "1",
    reason="systemd-analyze or strace is not there",
)
def test_every_system_call_and_address_family_that_the_daemon_uses_is_one_that_the_unit_allows(
    children: Any, simulated_scope: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, eventually: Callable[..., Any]
) -> None:
    trace = tmp_path / "trace"
    (tmp_path / "traced.py").write_text(TRACED)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(filter(None, (str(tmp_path), os.environ.get("PYTHONPATH")))))
    monkeypatch.setenv("NOTIFY_SOCKET", "/nonexistent")
    (settings := tmp_path / "bench.toml").write_text("[live]\nrate_hz = 5\n")
    tokens = TokenFile(state_of(children.folder).path.parent, lambda: time.time() - 2 * DAY_S)
    secret = tokens.add("phone", "operator")[1]
    tokens.add("guest", "viewer", days=1)
    arguments = (",".join(QUIET), str(trace), "serve", "--scope", simulated_scope.resource, "--config", str(settings))
    daemon = children.daemon(*arguments, module="traced")
    eventually(lambda: tokens.load().seen_at_s > time.time() - DAY_S)  # written by the daemon, once a token has expired
    sign_in(daemon, secret)
    known = daemon.json("GET", "api/v1/settings")
    change = {"table": ["live"], "key": "rate_hz", "value": 7}
    daemon.json("PUT", "api/v1/settings", {"digest": known["digest"], "changes": [change]})
    daemon.process.send_signal(signal.SIGHUP)
    eventually(lambda: "settings read anew" in daemon.child.stderr)
    assert daemon.request("GET", "metrics")[0] == 200
    with live_client(daemon) as live:
        live.taken_in()
        daemon.json("POST", "api/v1/book/marks", {})
    assert daemon.request("POST", "api/v1/scopes/scan")[0] in (200, 504)  # under strace it may take longer than it may
    daemon.process.send_signal(signal.SIGTERM)
    assert daemon.child.wait() == 0
    ended = re.compile(rf"^{daemon.child.pid} +\+\+\+ exited with 0", re.MULTILINE)
    eventually(lambda: ended.search(trace.read_text(errors="replace")))
    lines, text = trace.read_text(errors="replace"), unit(this_program())
    used = set(re.findall(r"^\d+ +([a-z_0-9]+)\(", lines, re.MULTILINE))
    assert {"sendto", "fdatasync", "accept4"} <= used, "the page was served and a mark was kept"
    assert {"fsync", "rename"} <= used and "rate_hz = 7" in settings.read_text(), (
        "token, session and settings were written"
    )
    assert used & {"adjtimex", "clock_adjtime"}, "it was asked whether the clock is set"
    assert (used | QUIET) - allowed_calls(text) <= UNHEEDED | (OF_ROOT_ALONE if os.geteuid() == 0 else set())
    families = set(re.findall(r"socket\((AF_[A-Z0-9_]+)", lines))
    assert families == set(values(text, "RestrictAddressFamilies")[0].split()) - {"AF_INET6"}
