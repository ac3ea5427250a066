"""Writing the service to the disk, under any root, and taking it away again; what other programs are to do then."""

import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from ...drivers.errors import PeakwhiteError, UsageError
from .files import SYSUSERS, TMPFILES, UNIT, UNIT_FILE, Item

Command = tuple[str, ...]
Say = Callable[[str], None]

BOOTED = Path("/run/systemd/system")
"""There where systemd runs the computer (sd_booted)."""
UDEV = Path("/run/udev/control")
"""There where udev runs, which containers do without."""
UNITS_AGAIN, RULES_AGAIN = ("systemctl", "daemon-reload"), ("udevadm", "control", "--reload")
USB_AGAIN = ("udevadm", "trigger", "--subsystem-match=usb", "--action=change")
"""The rules are put into effect for what is plugged in already."""
TIME_LIMIT_S = 180.0
"""Longer than the unit lets the daemon take to start."""


def under(root: Path, path: Path) -> Path:
    """Where that path of the system lies, seen from here."""
    return root / path.relative_to("/")


def runs_here(root: Path) -> bool:
    """Whether it is the running system that is written to, and systemd runs it."""
    return root == Path("/") and BOOTED.is_dir()


def install(root: Path, wanted: Sequence[Item]) -> None:
    """Write all of it under `root`. What is the user's own and there already stays as it is.

    Raises UsageError where a link would lead out of `root`, before anything is written; OSError.
    """
    _refuse_what_leads_out_of(root, wanted)
    for item in wanted:
        path = under(root, item.path)
        if item.kept and path.exists():
            continue
        path.parent.mkdir(parents=True, exist_ok=True)
        if item.text is None and item.target is None:
            path.mkdir(mode=item.mode, exist_ok=True)
            path.chmod(item.mode)  # whatever the umask is
            continue
        with _replacing(path) as part:
            if item.target is not None:
                part.symlink_to(item.target)
            else:
                part.write_text(item.text or "", "utf-8")
                part.chmod(item.mode)
    os.sync()  # the bench switch may be next


def removed(root: Path, wanted: Sequence[Item]) -> tuple[Path, ...]:
    """What there is to be taken away, as seen from here, in that order. Raises UsageError where a link leads out of `root`."""
    going = [item for item in reversed(wanted) if not item.kept]
    _refuse_what_leads_out_of(root, going)
    paths = [under(root, item.path) for item in going]
    return tuple(path for path in paths if path.is_symlink() or path.exists())


def remove(paths: Sequence[Path]) -> None:
    """Take them away. Raises OSError."""
    for path in paths:
        path.unlink(missing_ok=True)


def commands_after_installing(root: Path) -> tuple[Command, ...]:
    """What puts into effect that the files were written, as far as it can be done from here."""
    image = () if root == Path("/") else (f"--root={root}",)
    made = (("systemd-sysusers", *image, SYSUSERS.name), ("systemd-tmpfiles", *image, "--create", TMPFILES.name))
    if not runs_here(root):
        return made
    again = (RULES_AGAIN, USB_AGAIN) if UDEV.exists() else ()
    return (*made, *again, UNITS_AGAIN, ("systemctl", "restart", UNIT))


def commands_before_removing(root: Path) -> tuple[Command, ...]:
    """What ends the service while its files are still there."""
    return (("systemctl", "disable", "--now", UNIT),) if runs_here(root) and UNIT_FILE.exists() else ()


def commands_after_removing(root: Path) -> tuple[Command, ...]:
    """What puts into effect that the files are gone."""
    if not runs_here(root):
        return ()
    return (UNITS_AGAIN, RULES_AGAIN) if UDEV.exists() else (UNITS_AGAIN,)


def carry_out(todo: Sequence[Command], tell: Say) -> None:
    """Run them one after the other; which of them cannot be run from here is told. Raises PeakwhiteError where one fails."""
    for command in todo:
        why_not = "only root may" if os.geteuid() != 0 else "not there" if shutil.which(command[0]) is None else ""
        if why_not:
            tell(f"not run, {why_not}: {' '.join(command)}")
            continue
        try:
            done = subprocess.run(command, capture_output=True, check=False, timeout=TIME_LIMIT_S)
        except subprocess.TimeoutExpired:
            what = f"does not end within {TIME_LIMIT_S:g} s"
        else:
            if done.returncode == 0:
                continue
            said = done.stderr.decode(errors="replace").strip()
            what = f"ended with {done.returncode}: {said}" if said else f"ended with {done.returncode}"
        do = "mend that and give it again; why the service does not start is in 'journalctl -u peakwhite'"
        raise PeakwhiteError(what, where=" ".join(command), do=do)


def _refuse_what_leads_out_of(root: Path, wanted: Sequence[Item]) -> None:
    """Raises UsageError. Of what is kept the path itself counts too: a link there is followed, any other is replaced."""
    for item in wanted:
        path = under(root, item.path)
        for one in (path.parent, path) if item.kept else (path.parent,):
            if not one.resolve().is_relative_to(root.resolve()):
                raise UsageError(f"leads out of {root}", where=str(one), do="make it a folder there, or mend the link")


@contextmanager
def _replacing(path: Path) -> Iterator[Path]:
    """A path beside it that takes its place at the end: what is there is whole at any time."""
    with tempfile.TemporaryDirectory(prefix=".peakwhite-", dir=path.parent) as folder:
        part = Path(folder) / path.name
        yield part
        os.replace(part, path)
