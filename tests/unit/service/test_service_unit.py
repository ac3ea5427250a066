"""The unit as systemd's own tools judge it, without a systemd that runs, and as the daemon bears it."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from peakwhite.daemon.service import Program, items, this_program
from peakwhite.daemon.service.files import RULES, SETTINGS, UNIT_FILE, unit

MOST_EXPOSED = 30
"""In tenths, as `--threshold` takes it."""
REQUIRED = os.environ.get("PEAKWHITE_REQUIRE_SYSTEMD") == "1"

analysed = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None and not REQUIRED, reason="systemd-analyze is not there (Debian: systemd)"
)


def written(folder: Path, program: Program) -> Path:
    """The unit in a file of its name."""
    path = folder / "peakwhite.service"
    path.write_text(unit(program), "utf-8")
    return path


def ran(*command: str) -> tuple[int, str]:
    """Status and all that it says."""
    done = subprocess.run(command, capture_output=True, check=False, encoding="utf-8", timeout=60)
    return done.returncode, done.stdout + done.stderr


def values(text: str, key: str) -> list[str]:
    """What is assigned to that key, in order."""
    return re.findall(rf"^{key}=(.*)$", text, re.MULTILINE)


def elsewhere(tmp_path: Path, name: str) -> Program:
    """This interpreter under a path of that name."""
    folder = tmp_path / name / "bin"
    folder.mkdir(parents=True)
    (folder / "python3").symlink_to(Path(sys.executable).resolve())
    return Program(folder / "python3", (folder.parent,))


@analysed
@pytest.mark.parametrize("name", ["venv", "a bench: 100% of it"])
def test_systemd_finds_nothing_wrong_with_the_unit_wherever_the_program_lies(tmp_path: Path, name: str) -> None:
    assert ran("systemd-analyze", "verify", str(written(tmp_path, elsewhere(tmp_path, name)))) == (0, "")


@analysed
def test_systemd_finds_nothing_wrong_where_the_program_lies_in_a_home(tmp_path: Path) -> None:
    program = Program(this_program().python, (Path("/home/ada/.local/share/pipx/venvs/peakwhite"), Path("/usr")))
    path = written(tmp_path, program)
    assert ran("systemd-analyze", "verify", str(path)) == (0, "")
    assert values(path.read_text(), "BindReadOnlyPaths") == ["/home/ada/.local/share/pipx/venvs/peakwhite"]


@analysed
def test_a_unit_with_a_key_that_there_is_not_would_be_found(tmp_path: Path) -> None:
    path = written(tmp_path, this_program())
    path.write_text(path.read_text().replace("PrivateTmp=", "PrivateTemp="))
    assert "PrivateTemp" in ran("systemd-analyze", "verify", str(path))[1]


@analysed
def test_its_exposure_is_under_three(tmp_path: Path) -> None:
    path = written(tmp_path, this_program())
    status, told = ran(
        "systemd-analyze", "security", "--offline=true", f"--threshold={MOST_EXPOSED}", "--no-pager", str(path)
    )
    assert status == 0, told
    exposure = re.search(r"Overall exposure level for peakwhite.service: ([0-9.]+)", told)
    assert exposure is not None and float(exposure[1]) < MOST_EXPOSED / 10.0


def test_the_watchdog_allows_for_the_slowest_call_and_is_fed_by_the_daemon_itself() -> None:
    text = unit(this_program())
    assert values(text, "Type") == ["notify"]
    assert int(values(text, "WatchdogSec")[0]) / 2 > 5 + 6, "opening HiSLIP, and the longest wait before it"
    assert values(text, "Restart") == ["on-failure"]
    assert values(text, "StartLimitIntervalSec") == ["0"], "a scope or an address may take its time"


def test_homes_are_hidden_but_for_what_the_program_needs() -> None:
    nothing = Program(Path("/opt/peakwhite/bin/python3"), (Path("/opt/peakwhite"), Path("/usr")))
    assert values(unit(nothing), "ProtectHome") == ["yes"]
    assert values(unit(nothing), "BindReadOnlyPaths") == []
    homes = (Path("/home/ada/venv"), Path("/home/ada/venv/lib"), Path("/root/.pyenv/3.11"), Path("/homestead"))
    within = unit(Program(homes[0] / "bin/python3", homes))
    assert values(within, "ProtectHome") == ["tmpfs"]
    assert values(within, "BindReadOnlyPaths") == ["/home/ada/venv", "/root/.pyenv/3.11"]


def test_the_only_devices_are_those_of_usb_and_of_these_only_test_instruments_are_the_groups() -> None:
    wanted = {item.path: item for item in items(this_program(), "127.0.0.1")}
    text = wanted[UNIT_FILE].text or ""
    assert values(text, "DevicePolicy") == ["closed"]
    assert values(text, "DeviceAllow") == ["char-usb_device rw"]
    assert values(text, "SupplementaryGroups") == []
    rules = [line for line in (wanted[RULES].text or "").splitlines() if "GROUP=" in line]
    assert rules == ['ENV{ID_USB_INTERFACES}=="*:fe03??:*", MODE="0660", GROUP="peakwhite", TAG+="uaccess"']
    assert "60-peakwhite.rules" < RULES.name < "73-"


def test_nothing_of_proc_is_hidden_that_the_daemon_counts_by() -> None:
    """The metrics of the process itself need /proc/stat, which is none of a process (ProcSubset=)."""
    text = unit(this_program())
    assert values(text, "ProcSubset") == []
    assert values(text, "ProtectProc") == ["invisible"]


def test_settings_are_the_users_own_and_the_page_may_change_them() -> None:
    wanted = {item.path: item for item in items(this_program(), "127.0.0.1")}
    assert wanted[SETTINGS].kept
    assert values(wanted[UNIT_FILE].text or "", "ReadWritePaths") == [f"-{SETTINGS.parent}"]


PR_SET_MDWE, PR_MDWE_REFUSE_EXEC_GAIN = 65, 1
"""prctl(2): what MemoryDenyWriteExecute= does, since Linux 6.3."""


def refuses_exec_gain() -> bool:
    """Whether this system can refuse writable memory that is executable; asked of a child, since it cannot be undone."""
    program = f"import ctypes, sys; sys.exit(ctypes.CDLL(None).prctl({PR_SET_MDWE}, {PR_MDWE_REFUSE_EXEC_GAIN}, 0, 0, 0) != 0)"
    return sys.platform == "linux" and subprocess.run([sys.executable, "-c", program], check=False).returncode == 0


@pytest.mark.skipif(not refuses_exec_gain(), reason="this system cannot refuse writable and executable memory")
def test_the_daemon_needs_no_memory_that_is_both_writable_and_executable() -> None:
    program = f"""
import ctypes, mmap
assert ctypes.CDLL(None).prctl({PR_SET_MDWE}, {PR_MDWE_REFUSE_EXEC_GAIN}, 0, 0, 0) == 0
try:
    mmap.mmap(-1, 4096, prot=mmap.PROT_READ | mmap.PROT_WRITE | mmap.PROT_EXEC)
except PermissionError:
    print("refused")
import numpy, usb.backend.libusb1
from peakwhite.daemon import compose
from peakwhite.daemon.book.clock import clock_synced
clock_synced()
usb.backend.libusb1.get_backend()
print(numpy.linalg.inv(numpy.eye(3)).sum())
"""
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, check=False, encoding="utf-8", timeout=60
    )
    assert done.stdout.split() == ["refused", "3.0"], done.stderr
