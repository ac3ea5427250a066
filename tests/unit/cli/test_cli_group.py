"""The command line as a whole: help, version, usage errors, what is imported, settings, and what serve refuses."""

import json
import os
import subprocess
import sys
import tomllib
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import pytest

from peakwhite.daemon import cli

HEAVY = ("fastapi", "starlette", "uvicorn", "websockets", "pyvisa", "pyvisa_py", "usb")
COMMANDS = tuple(cli.commands.commands)


def run(*arguments: str | Path, home: Path | None = None) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "XDG_CONFIG_HOME": str(home or "/nonexistent")}
    command = [sys.executable, "-m", "peakwhite.daemon", *map(str, arguments)]
    return subprocess.run(command, check=False, capture_output=True, encoding="utf-8", timeout=60, env=environment)


def imported_by(*arguments: str) -> set[str]:
    """The modules in a process that ran this command line."""
    program = (
        "import sys; from peakwhite.daemon.cli import run; status = run(sys.argv[1:]);"
        " print(*sys.modules, file=sys.stderr); sys.exit(status)"
    )
    environment = {**os.environ, "XDG_CONFIG_HOME": "/nonexistent"}
    command = [sys.executable, "-c", program, *arguments]
    result = subprocess.run(command, check=False, capture_output=True, encoding="utf-8", timeout=60, env=environment)
    assert result.returncode == 0, result.stderr
    return set(result.stderr.split())


def test_help_names_every_command() -> None:
    result = run("--help")
    assert (result.returncode, result.stderr) == (0, "")
    for command in COMMANDS:
        assert f"\n  {command} " in result.stdout


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help(command: str) -> None:
    result = run(command, "--help")
    assert (result.returncode, result.stderr) == (0, "")
    assert result.stdout.startswith(f"Usage: peakwhite {command} ")


def test_the_version_is_that_of_the_installed_package() -> None:
    try:
        expected = f"peakwhite {version('peakwhite')}\n"
    except PackageNotFoundError:
        expected = "peakwhite, not installed\n"
    assert run("--version").stdout == expected


def test_help_imports_neither_numbers_nor_web_nor_visa() -> None:
    assert not imported_by("--help") & {*HEAVY, "numpy", "pydantic"}


def test_measuring_a_file_imports_neither_web_nor_visa(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("t,red,sync\n0,0.1,0.2\n1e-8,0.2,0.3\n2e-8,0.2,0.3\n")
    modules = imported_by("measure", str(path), "--explain")
    assert "peakwhite.daemon.measure.engine" in modules
    assert not modules & set(HEAVY)


USAGE = {
    "no command": ((), "command line: no command is given; "),
    "unknown command": (("mesure",), "command line: no such command 'mesure'"),
    "unknown option": (("--jason",), "command line: no such option '--jason'"),
    "unknown option of a command": (("demo", "--prot", "0"), "demo: no such option '--prot', the nearest is '--port'"),
    "missing file": (("measure",), "measure: missing argument 'FILE'; see 'peakwhite measure --help'"),
    "two files": (("measure", "a", "b"), "measure: got unexpected extra argument"),
    "missing value": (
        ("serve", "--scope"),
        "serve: option '--scope' requires an argument; see 'peakwhite serve --help'",
    ),
    "port of words": (("serve", "--port", "http"), "serve: invalid value for '--port'"),
    "port too high": (("demo", "--port", "65536"), "demo: invalid value for '--port'"),
    "role of nobody": (("serve", "--role", "CH1=rot"), "--role: there is no role 'rot'; the nearest is "),
    "pattern of words": (("serve", "--pattern-white", "bright"), "--pattern-white: 'bright' is no white of a pattern"),
    "gain of words": (("demo", "--gain-spec", "3"), "--gain-spec: '3' is no gain specification"),
    "settings without a word": (("settings",), "settings: no command is given; see 'peakwhite settings --help'"),
    "calibrate without a word": (("calibrate",), "calibrate: no command is given; see 'peakwhite calibrate --help'"),
    "missing value of a part": (("calibrate", "tie", "--days"), "calibrate tie: option '--days' requires an argument"),
    "unknown part of settings": (("settings", "shw"), "settings: no such command 'shw'"),
}


@pytest.mark.parametrize(("arguments", "said"), USAGE.values(), ids=USAGE.keys())
def test_a_command_line_that_cannot_be_meant_is_refused_in_one_line(
    arguments: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"peakwhite: {said}")
    assert err.count("\n") == 1 and "; " in err


def test_a_malformed_resource_is_refused_before_anything_starts() -> None:
    result = run("serve", "--scope", "over there", "--port", "0", "--no-browser")
    assert (result.returncode, result.stdout) == (2, "")
    assert result.stderr.startswith("peakwhite: over there: ")
    assert result.stderr.count("\n") == 1


def test_settings_as_shown_are_a_settings_file_that_means_the_same(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(
        "[live]\nrate_hz = 40.0\n[hookup.CH1]\nrole = 'luma'\n"
        "[targets.'TM-2 board']\nroles = ['luma']\nnominal_mv = 700.0\n[target_of]\nluma = 'TM-2 board'\n"
    )
    shown = run("settings", "show", "--config", path)
    assert (shown.returncode, shown.stderr) == (0, "")
    assert "rate_hz = 40.0" in shown.stdout and "# live, Hz, 1 to 100, line 2, default 20.0: " in shown.stdout
    path.write_text(shown.stdout)
    again = run("settings", "show", "--config", path, "--json")
    values = {(*row["table"], row["key"]): row["value"] for row in json.loads(again.stdout)}
    assert values["live", "rate_hz"] == 40.0
    assert values["hookup", "CH1", "role"] == "luma"
    assert values["targets", "TM-2 board", "on_from_mv"] == 665.0
    assert values["target_of", "luma"] == "TM-2 board"
    assert tomllib.loads(shown.stdout)["http"]["host"] == "127.0.0.1"


def test_settings_as_shown_without_a_file_are_the_defaults() -> None:
    rows = json.loads(run("settings", "show", "--json").stdout)
    assert {row["origin"] for row in rows} == {"default", "not given"}
    derived = {row["key"]: row["default"] for row in rows if row["value"] != row["default"]}
    assert derived == {"on_from_mv": "95 % of nominal_mv"}
    assert all(row["meaning"] for row in rows)


def test_settings_as_shown_tell_the_range_of_a_key_and_where_there_is_no_default() -> None:
    shown = {line.removeprefix("# ").split(" = ")[0]: line for line in run("settings", "show").stdout.splitlines()}
    assert "# 0 to 65535, default: " in shown["port"]
    assert "# live, no default: " in shown["resource"]
    assert '# live, coax|probe-1x|probe-10x, not given, default "coax": ' in shown["link"]
    assert "# live, mV, over 0 to 20000, not given, no default: " in shown["nominal_mv"]
    assert "# live, mV, over 0 to 20000, not given, default 95 % of nominal_mv: " in shown["on_from_mv"]


def test_checking_settings_tells_good_from_bad(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text("[live]\nrate_hz = 40.0\n")
    good = run("settings", "check", "--config", path)
    assert (good.returncode, good.stdout, good.stderr) == (0, f"{path}: in order\n", "")
    path.write_text("[live]\nrate_hs = 40.0\n")
    bad = run("settings", "check", "--config", path)
    assert (bad.returncode, bad.stdout) == (2, "")
    assert "line 2" in bad.stderr and "rate_hz" in bad.stderr and bad.stderr.count("\n") == 1


def test_checking_settings_that_are_not_there_says_where_they_would_be(tmp_path: Path) -> None:
    result = run("settings", "check", home=tmp_path)
    assert result.returncode == 0
    assert result.stdout == f"{tmp_path / 'peakwhite' / 'peakwhite.toml'}: not there, every key has its default\n"
