"""The program that a service runs: found by itself, and refused where a service could not run it."""

import subprocess
import sys
from pathlib import Path

import pytest

from peakwhite.daemon.service import Program, refuse_unreachable, this_program
from peakwhite.daemon.service import program as program_module
from peakwhite.drivers.errors import UsageError


@pytest.fixture
def anywhere(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A folder that counts as none of temporary files, and can be entered by all."""
    monkeypatch.setattr(program_module, "TEMPORARY", ())
    for folder in (tmp_path, *tmp_path.parents):
        if not folder.stat().st_mode & 1:
            folder.chmod(0o755)
    return tmp_path


def a_program(folder: Path) -> Program:
    """An environment with an interpreter."""
    python = folder / "bin" / "python3"
    python.parent.mkdir(parents=True)
    python.write_text("")
    for path in (folder, python.parent, python):
        path.chmod(0o755)
    return Program(python, (folder,))


def test_this_program_is_the_interpreter_of_this_environment_and_can_be_run() -> None:
    found = this_program()
    assert found.python == Path(sys.prefix) / "bin" / "python3"
    said = subprocess.run([found.python, "-c", "import sys; print(sys.prefix)"], capture_output=True, check=True).stdout
    assert Path(said.decode().strip()) in found.folders
    assert any((folder / "daemon" / "service").is_dir() for folder in found.folders), "its own files are among them"


def test_a_program_that_all_may_read_is_taken(anywhere: Path) -> None:
    refuse_unreachable(a_program(anywhere / "venv"))


@pytest.mark.parametrize(
    ("part", "mode"), [("", 0o750), ("venv", 0o700), ("venv/bin/python3", 0o700)], ids=["above", "itself", "python"]
)
def test_a_program_that_the_service_may_not_reach_is_refused_with_what_to_do(
    anywhere: Path, part: str, mode: int
) -> None:
    found = a_program(anywhere / "venv")
    (anywhere / part).chmod(mode)
    with pytest.raises(UsageError, match=r"chmod o\+rX") as refused:
        refuse_unreachable(found)
    assert refused.value.where == str(anywhere / part)


def test_a_home_that_nobody_else_may_enter_is_no_hindrance(anywhere: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    home = anywhere / "home" / "ada"
    found = a_program(home / "venv")
    home.chmod(0o700)
    monkeypatch.setattr(program_module, "HOMES", (anywhere / "home",))
    refuse_unreachable(found)
    assert found.in_homes == (home / "venv",)


def test_a_program_among_temporary_files_is_refused() -> None:
    with pytest.raises(UsageError, match="temporary files"):
        refuse_unreachable(Program(Path("/tmp/venv/bin/python3"), (Path("/tmp/venv"),)))


@pytest.mark.parametrize("name", ["a'b", 'a"b', "a\\b", "a$b"])
def test_a_path_that_systemd_does_not_take_is_refused(name: str, anywhere: Path) -> None:
    with pytest.raises(UsageError, match="no unit may have"):
        refuse_unreachable(a_program(anywhere / name))


def test_what_is_gone_is_refused() -> None:
    with pytest.raises(UsageError, match="may not be entered"):
        refuse_unreachable(Program(Path("/opt/gone/bin/python3"), (Path("/opt/gone"),)))
