"""`peakwhite terminator-test`: source impedance and its hint from two captures made for a known source."""

import json
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from made_video import Made, rgb_sync, white
from peakwhite.daemon import cli
from peakwhite.daemon.sources.capture_file import write_capture

Run = Callable[..., subprocess.CompletedProcess[str]]
NO_LOAD = 1e12


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.setenv("XDG_CONFIG_HOME", "/nonexistent")

    def run_here(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
        status = cli.run([str(argument) for argument in arguments])
        return subprocess.CompletedProcess(arguments, status, *capsys.readouterr())

    return run_here


def captured(folder: Path, name: str, source_ohm: float, load_ohm: float, **range_: float) -> Path:
    """White of a source that gives 700 mV into 75 ohm, into another load."""
    share = (source_ohm + 75.0) / 75.0 * load_ohm / (source_ohm + load_ohm)
    made = Made(**{"lsb_mv": 10.0, "centre_mv": 600.0, "noise_mv": 6.0, **range_})  # type: ignore[arg-type]
    path = folder / name
    write_capture(path, rgb_sync(made, white(700.0 * share), white(700.0 * share), white(700.0 * share)))
    return path


def channels(result: subprocess.CompletedProcess[str]) -> dict[str, dict[str, Any]]:
    assert (result.returncode, result.stderr.count("peakwhite:")) == (0, 1), result.stderr
    found = json.loads(result.stdout)
    assert found["schema"] == "peakwhite.source-impedance/1"
    return {one["role"]: one for one in found["channels"]}


@pytest.mark.parametrize(("with_second", "load_ohm"), [("open", NO_LOAD), ("two-loads", 37.5)])
@pytest.mark.parametrize(("source_ohm", "codes"), [(75.0, []), (10.0, ["no-back-termination"])])
def test_two_captures_give_the_source_impedance(
    run: Run, tmp_path: Path, with_second: str, load_ohm: float, source_ohm: float, codes: list[str]
) -> None:
    first = captured(tmp_path, "first.npz", source_ohm, 75.0)
    second = captured(tmp_path, "second.npz", source_ohm, load_ohm)
    found = channels(run("terminator-test", first, second, "--with", with_second, "--json"))
    assert set(found) == {"red", "green", "blue"}
    for one in found.values():
        assert one["source_ohm"] == pytest.approx(source_ohm, abs=one["u95_ohm"])
        assert one["u95_ohm"] < 12.0
        assert one["same_range"] is True
        assert [hint["code"] for hint in one["hints"]] == codes


def test_text_says_the_impedance_and_what_it_makes_suspect(run: Run, tmp_path: Path) -> None:
    first, second = (captured(tmp_path, f"{load:g}.npz", 5.0, load) for load in (75.0, NO_LOAD))
    result = run("terminator-test", first, second, "--with", "open")
    assert result.stdout.startswith("CH1  red  700.")
    assert "ohm\n  no-back-termination: " in result.stdout


def test_on_different_ranges_gain_does_not_cancel_and_that_is_said(run: Run, tmp_path: Path) -> None:
    first = captured(tmp_path, "first.npz", 75.0, 75.0, lsb_mv=8.0, centre_mv=400.0)
    second = captured(tmp_path, "second.npz", 75.0, NO_LOAD)
    for one in channels(run("terminator-test", first, second, "--with", "open", "--json")).values():
        assert one["same_range"] is False
        assert one["u95_ohm"] > 4.0
    assert "gain does not cancel" in run("terminator-test", first, second, "--with", "open").stdout


def test_files_the_wrong_way_round_give_no_impedance(run: Run, tmp_path: Path) -> None:
    terminated, opened = (captured(tmp_path, f"{load:g}.npz", 75.0, load) for load in (75.0, NO_LOAD))
    for one in channels(run("terminator-test", opened, terminated, "--with", "open", "--json")).values():
        assert one["source_ohm"] is None
        assert one["hints"] == []
    assert "are the files in order" in run("terminator-test", opened, terminated, "--with", "open").stdout


def test_no_white_is_said(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "black.npz"
    write_capture(path, rgb_sync(Made(), white(0.0), white(0.0), white(0.0)))
    assert "No channel shows white" in run("terminator-test", path, path, "--with", "open").stdout


def test_what_the_second_capture_is_of_has_to_be_said(run: Run, tmp_path: Path) -> None:
    path = captured(tmp_path, "first.npz", 75.0, 75.0)
    result = run("terminator-test", path, path)
    assert result.returncode == 2
    assert "--with" in result.stderr
