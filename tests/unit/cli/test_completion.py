"""Completion in a shell, by a real bash; a word is completed without what only a command that runs needs."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

HEAVY = ("fastapi", "starlette", "uvicorn", "pyvisa", "pyvisa_py", "numpy", "pydantic", "sqlalchemy")
PROGRAM = "from peakwhite.daemon.cli import main; main()"


def completed(*words: str) -> subprocess.CompletedProcess[str]:
    """What the program offers for the last of these words; on stderr the modules that it took, one a line."""
    program = f"import atexit, sys; atexit.register(lambda: print(*sys.modules, file=sys.stderr)); {PROGRAM}"
    asked = {"_PEAKWHITE_COMPLETE": "bash_complete", "COMP_WORDS": " ".join(words), "COMP_CWORD": str(len(words) - 1)}
    return subprocess.run(
        [sys.executable, "-c", program],
        check=False,
        capture_output=True,
        encoding="utf-8",
        timeout=60,
        env={**os.environ, **asked},
    )


@pytest.mark.skipif(shutil.which("bash") is None, reason="needs bash")
def test_bash_completes_a_command_by_the_line_that_readme_gives(tmp_path: Path) -> None:
    console_script = tmp_path / "peakwhite"
    console_script.write_text(f'#!/bin/sh\nexec {sys.executable} -c "{PROGRAM}" "$@"\n')
    console_script.chmod(0o755)
    script = (
        'eval "$(_PEAKWHITE_COMPLETE=bash_source peakwhite)" && COMP_WORDS=(peakwhite termi) COMP_CWORD=1 &&'
        ' _peakwhite_completion peakwhite && echo "${COMPREPLY[@]}"'
    )
    path = os.pathsep.join((str(tmp_path), os.environ["PATH"]))
    result = subprocess.run(
        ["bash", "-c", script],
        check=False,
        capture_output=True,
        encoding="utf-8",
        timeout=60,
        env={**os.environ, "PATH": path},
    )
    assert (result.returncode, result.stdout.split(), result.stderr) == (0, ["terminator-test"], "")


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        (("book", "resc"), "plain,rescue"),
        (("serve", "--hands"), "plain,--hands-off"),
        (("doctor", "--js"), "plain,--json"),
    ],
)
def test_a_word_is_completed_without_numbers_web_and_visa(words: tuple[str, ...], offered: str) -> None:
    result = completed("peakwhite", *words)
    assert result.stdout.splitlines() == [offered]
    assert not set(result.stderr.split()) & set(HEAVY)
