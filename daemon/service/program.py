"""The program that the service runs: this one. Where its files lie, and whether a service can see and read them."""

import stat
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from ...drivers.errors import UsageError

HOMES = (Path("/home"), Path("/root"), Path("/run/user"))
"""What ProtectHome= hides (systemd.exec)."""
TEMPORARY = (Path("/tmp"), Path("/var/tmp"))
"""Of which PrivateTmp= gives a service its own."""
UNSPOKEN = "\"'\\$"
"""systemd runs no program with one of these in its path."""
ELSEWHERE = "install Peakwhite into an environment elsewhere, such as one of 'python3 -m venv /opt/peakwhite'"


@dataclass(frozen=True)
class Program:
    """An interpreter that has Peakwhite.

    Attributes:
        python: its absolute path, in a virtual environment that of the environment.
        folders: what has to be readable for it to run: the environment, the Python it was made from, our own files.
    """

    python: Path
    folders: tuple[Path, ...]

    @property
    def in_homes(self) -> tuple[Path, ...]:
        """Those of its folders that lie in somebody's home, none of them inside another."""
        inside = [folder for folder in self.folders if any(folder.is_relative_to(home) for home in HOMES)]
        return tuple(one for one in inside if not any(one.is_relative_to(other) for other in inside if other != one))


def this_program() -> Program:
    """The interpreter that runs now, whoever made its environment: pipx, venv, or the system itself."""
    ours = Path(__file__).resolve().parents[2]
    usual = Path(sys.prefix) / "bin" / "python3"  # one name, by whatever name this process was started
    python = usual if usual.exists() else Path(sys.executable)
    folders = dict.fromkeys((Path(sys.prefix), Path(sys.base_prefix), python.resolve().parent, ours))
    return Program(python, tuple(folders))


def refuse_temporary(program: Program) -> None:
    """Raises UsageError where the program lies in folders of which a service has its own."""
    for folder in program.folders:
        if any(folder.is_relative_to(place) for place in TEMPORARY):
            what = "lies among temporary files, which a service does not see"
            raise UsageError(what, where=str(folder), do=ELSEWHERE)


def refuse_unreachable(program: Program) -> None:
    """Raises UsageError where a service, which is no user and has a /tmp of its own, could not run the program."""
    if any(character in str(path) for path in (program.python, *program.in_homes) for character in UNSPOKEN):
        what = f"has a character in its name that no unit may have ({' '.join(UNSPOKEN)})"
        raise UsageError(what, where=str(program.python), do=ELSEWHERE)
    refuse_temporary(program)
    for path in (*_way_to(program.folders), program.python):
        if not path.exists() or not path.stat().st_mode & (stat.S_IXOTH if path.is_dir() else stat.S_IROTH):
            raise UsageError(
                "may not be entered or read by a service", where=str(path), do=f"allow it (chmod o+rX), or {ELSEWHERE}"
            )


def _way_to(folders: Iterable[Path]) -> list[Path]:
    """All folders on the way, but for those of homes, past which a service is led."""
    way = dict.fromkeys(path for folder in folders for path in (*reversed(folder.parents), folder))
    return [path for path in way if path in folders or not any(path.is_relative_to(home) for home in HOMES)]
