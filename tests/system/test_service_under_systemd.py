"""The installed service under a systemd that runs, in namespaces of its own; by command, as root: PEAKWHITE_TEST_SYSTEMD=1.

Below it lies this computer's own system, written to in memory only. It has no network, no udev and no devices but a few.
"""

import os
import signal
import subprocess
import sys
import sysconfig
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from peakwhite import daemon, drivers, web

pytestmark = [
    pytest.mark.skipif(os.environ.get("PEAKWHITE_TEST_SYSTEMD") != "1", reason="PEAKWHITE_TEST_SYSTEMD=1 asks for it"),
    pytest.mark.timeout(400),
]

OUTER = r"""
set -e
mount --make-rprivate /
mount -t tmpfs tmpfs "$work" && mkdir "$work/up" "$work/work" "$work/root" "$work/groups"
mount -t cgroup2 cgroup2 "$work/groups"
mkdir -p "$work/groups/$group" && echo $$ > "$work/groups/$group/cgroup.procs"
exec setpriv --bounding-set=-sys_time,-sys_module,-sys_rawio,-syslog,-wake_alarm \
  unshare --mount --pid --fork --kill-child --net --uts --ipc --cgroup bash -c "$inner"
"""
"""Memory to write to, and a control group that systemd may take for the root of all."""

INNER = r"""
set -e
root=$work/root
mount -t overlay overlay -o "lowerdir=/,upperdir=$work/up,workdir=$work/work" "$root"
: > "$root/etc/fstab"
rm -f "$root"/etc/systemd/system/*.wants/*
mount -t proc proc "$root/proc"
mount --bind "$root/proc/sys" "$root/proc/sys" && mount -o remount,bind,ro "$root/proc/sys"
mount -t sysfs -o ro sysfs "$root/sys"
mount -t cgroup2 cgroup2 "$root/sys/fs/cgroup"
for folder in run tmp dev; do mount -t tmpfs -o mode=1777 tmpfs "$root/$folder"; done
for device in null zero full random urandom tty; do
  touch "$root/dev/$device" && mount --bind "/dev/$device" "$root/dev/$device"
done
mkdir "$root/dev/pts" "$root/dev/shm"
mount -t devpts -o newinstance,ptmxmode=0666 devpts "$root/dev/pts" && ln -s pts/ptmx "$root/dev/ptmx"
mount -t tmpfs -o mode=1777 tmpfs "$root/dev/shm"
printf '[Unit]\nWants=systemd-journald.service peakwhite.service\nAllowIsolate=yes\n' > "$root/etc/systemd/system/tried.target"
mkdir -p "$root/srv/site" && mount --bind "$site" "$root/srv/site"
"$base" -m venv --without-pip "$root/opt/peakwhite"
packages=$(echo "$root"/opt/peakwhite/lib/python3*/site-packages)
echo /srv/site > "$packages/dependencies.pth"
mkdir "$packages/peakwhite" && cp -rL $parts "$packages/peakwhite/"
python3 -c "import fcntl, socket, struct; fcntl.ioctl(socket.socket(), 0x8914, struct.pack('16sh', b'lo', 1))"
chroot "$root" /opt/peakwhite/bin/python3 -m peakwhite.daemon service install --yes
container=other exec chroot "$root" /lib/systemd/systemd --system --unit=tried.target --log-target=journal
"""
"""A system over this one, in which the program is installed as a user would, before systemd is started in it."""


class Tried:
    """A systemd that runs."""

    def __init__(self, starter: "subprocess.Popen[bytes]", log: Path) -> None:
        self._starter, self._log = starter, log

    def run(self, *command: str) -> str:
        """What a command says inside it; empty where it fails."""
        inside = ("nsenter", "-t", str(self._first), "-m", "-p", "-n", "-u", "-i", "-C", "-r", "-w", *command)
        return subprocess.run(inside, capture_output=True, check=False, encoding="utf-8", timeout=60).stdout.strip()

    def shown(self, name: str) -> str:
        """A property of the service."""
        return self.run("systemctl", "show", "--property", name, "--value", "peakwhite.service")

    def peakwhite(self, *arguments: str) -> str:
        return self.run("/opt/peakwhite/bin/python3", "-m", "peakwhite.daemon", *arguments)

    @property
    def _first(self) -> int:
        """Its first process, as seen from here."""
        assert self._starter.poll() is None, self._log.read_text(errors="replace")
        children = Path(f"/proc/{self._starter.pid}/task/{self._starter.pid}/children").read_text().split()
        return int(children[0]) if children else self._starter.pid

    def end(self) -> None:
        if self._starter.poll() is None:
            os.kill(self._first, signal.SIGKILL)
        self._starter.wait(30.0)


def forget_groups(group: str) -> None:
    """Take away the control groups that nothing is in any more, where this computer shows them."""
    for mounted in (Path("/sys/fs/cgroup/unified"), Path("/sys/fs/cgroup")):
        if (mounted / group).is_dir():
            for folder, _, _ in os.walk(mounted / group, topdown=False):
                os.rmdir(folder)


@pytest.fixture
def tried(tmp_path: Path, eventually: Callable[..., Any]) -> Iterator[Tried]:
    """A systemd that has started the service."""
    log, group = tmp_path / "log", f"peakwhite-test-{os.getpid()}"
    environment = {
        **os.environ,
        "work": str(tmp_path),
        "group": group,
        "inner": INNER,
        "base": f"{sys.base_prefix}/bin/python3",
        "site": sysconfig.get_path("purelib"),
        "parts": " ".join(str(Path(next(iter(part.__path__)))) for part in (daemon, drivers, web)),
    }
    environment.pop("PYTHONPATH", None)
    with log.open("wb") as file:
        starter = subprocess.Popen(
            ("unshare", "--mount", "bash", "-c", OUTER),
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=file,
            stderr=file,
        )
    found = Tried(starter, log)
    try:
        eventually(lambda: found.shown("ActiveState") == "active", 120.0)
        yield found
    finally:
        found.end()
        forget_groups(group)


def test_the_service_runs_confined_is_started_again_by_the_watchdog_and_goes_leaving_the_book(
    tried: Tried, eventually: Callable[..., Any]
) -> None:
    assert "http://127.0.0.1:8714/ absent" in tried.shown("StatusText")
    page = "import urllib.request as r; print(r.urlopen('http://127.0.0.1:8714/healthz', timeout=10).status)"
    assert tried.run("python3", "-c", page) == "200"
    counted = (
        "import urllib.request as r; print(r.urlopen('http://127.0.0.1:8714/metrics', timeout=10).read().decode())"
    )
    assert "\nprocess_cpu_seconds_total " in tried.run("python3", "-c", counted), (
        "of /proc all that is read can be read"
    )
    status = dict(
        line.split(":", 1) for line in tried.run("cat", f"/proc/{tried.shown('MainPID')}/status").splitlines()
    )
    assert status["Uid"].split()[0] != "0"
    assert (status["CapBnd"].strip(), status["NoNewPrivs"].strip(), status["Seccomp"].strip()) == ("0" * 16, "1", "2")
    told = tried.peakwhite("service", "status")
    assert "active (running)" in told
    assert "as this program writes it" in told
    tried.run("kill", "-STOP", tried.shown("MainPID"))
    eventually(lambda: (tried.shown("NRestarts"), tried.shown("ActiveState")) == ("1", "active"), 120.0)
    assert "Watchdog timeout" in tried.run("journalctl", "-u", "peakwhite", "--no-pager")
    assert "the bench book stays" in tried.peakwhite("service", "remove", "--yes")
    assert tried.shown("LoadState") == "not-found"
    assert "book.sqlite" in tried.run("ls", "/var/lib/peakwhite").split()
