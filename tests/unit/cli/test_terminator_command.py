"""`peakwhite terminator-test`: source impedance and its hint from two captures made for a known source."""

import json
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from made_video import Made, rgb_sync, white
from peakwhite.daemon import cli
from peakwhite.daemon.measure.calibration import SignalPath
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT
from peakwhite.daemon.measure.level_budget import LevelBudget
from peakwhite.daemon.measure.terminator_test import source_impedances
from peakwhite.daemon.measure.uncertainty import Item
from peakwhite.daemon.sources.capture_file import write_capture

Run = Callable[..., subprocess.CompletedProcess[str]]
NO_LOAD = 1e12
IDENTITY = "MAKER,MODEL-4,SN77,1.0"


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.setenv("XDG_CONFIG_HOME", "/nonexistent")

    def run_here(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
        status = cli.run([str(argument) for argument in arguments])
        return subprocess.CompletedProcess(arguments, status, *capsys.readouterr())

    return run_here


def captured(
    folder: Path, name: str, source_ohm: float, load_ohm: float, identity: str = IDENTITY, **range_: float
) -> Path:
    """White of a source that gives 700 mV into 75 ohm, into another load."""
    share = (source_ohm + 75.0) / 75.0 * load_ohm / (source_ohm + load_ohm)
    made = Made(**{"lsb_mv": 10.0, "centre_mv": 600.0, "noise_mv": 6.0, **range_})  # type: ignore[arg-type]
    path = folder / name
    level = white(700.0 * share)
    write_capture(path, replace(rgb_sync(made, level, level, level), identity=identity))
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
    assert (
        "\n    See that the terminator was really off in the second capture (or two really on). Then" in result.stdout
    )


def test_help_says_what_counts_as_a_second_load(run: Run) -> None:
    assert "(a monitor teed in counts as one)" in " ".join(run("terminator-test", "--help").stdout.split())


def test_on_different_ranges_gain_does_not_cancel_and_that_is_said(run: Run, tmp_path: Path) -> None:
    first = captured(tmp_path, "first.npz", 75.0, 75.0, lsb_mv=8.0, centre_mv=400.0)
    second = captured(tmp_path, "second.npz", 75.0, NO_LOAD)
    for one in channels(run("terminator-test", first, second, "--with", "open", "--json")).values():
        assert one["same_range"] is False
        assert one["u95_ohm"] > 4.0
    assert "gain does not cancel" in run("terminator-test", first, second, "--with", "open").stdout


def test_files_the_wrong_way_round_give_no_impedance(run: Run, tmp_path: Path) -> None:
    terminated, opened = (captured(tmp_path, f"{load:g}.npz", 75.0, load) for load in (75.0, NO_LOAD))
    result = run("terminator-test", opened, terminated, "--with", "open", "--json")
    for one in json.loads(result.stdout)["channels"]:
        assert one["source_ohm"] is None
        assert one["hints"] == []
    assert result.returncode == 3
    assert "75.npz: no source impedance gives the levels of CH1, CH2, CH3; see that the files are" in result.stderr


def test_no_white_is_said(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "black.npz"
    write_capture(path, rgb_sync(Made(), white(0.0), white(0.0), white(0.0)))
    result = run("terminator-test", path, path, "--with", "open")
    assert (result.returncode, result.stdout) == (3, "")
    assert result.stderr.startswith(f"peakwhite: {path}: no channel shows white in both; show a full white field")


def test_a_level_that_ran_off_the_range_is_no_level(run: Run, tmp_path: Path) -> None:
    first = captured(tmp_path, "first.npz", 75.0, 75.0, lsb_mv=8.0, centre_mv=400.0)
    second = captured(tmp_path, "second.npz", 75.0, NO_LOAD, lsb_mv=8.0, centre_mv=200.0)
    result = run("terminator-test", first, second, "--with", "open")
    assert (result.returncode, result.stdout) == (3, "")
    assert result.stderr.startswith(f"peakwhite: {second}: CH1, CH2, CH3 ran off the scope's range")
    assert result.stderr.endswith("; choose a range that holds both and take both again\n")


def test_channels_that_did_not_run_off_the_range_are_told_all_the_same(run: Run, tmp_path: Path) -> None:
    made = Made(lsb_mv=8.0, centre_mv=600.0, noise_mv=6.0)
    first, second = tmp_path / "first.npz", tmp_path / "second.npz"
    for path, red_mv, green_mv in ((first, 1000.0, 700.0), (second, 2000.0, 1400.0)):
        write_capture(path, rgb_sync(made, white(red_mv), white(green_mv), white(green_mv)))
    result = run("terminator-test", first, second, "--with", "open", "--json")
    assert [one["channel"] for one in json.loads(result.stdout)["channels"]] == ["CH2", "CH3"]
    assert result.returncode == 3 and f"{second}: CH1 ran off" in result.stderr


def test_captures_of_two_scopes_are_refused(run: Run, tmp_path: Path) -> None:
    first = captured(tmp_path, "first.npz", 75.0, 75.0)
    second = captured(tmp_path, "second.npz", 75.0, NO_LOAD, identity=IDENTITY.replace("SN77", "SN78"))
    result = run("terminator-test", first, second, "--with", "open")
    assert (result.returncode, result.stdout) == (2, "")
    assert result.stderr == "peakwhite: terminator-test: the captures are from different scopes; take them from one\n"


def test_levels_corrected_differently_share_no_gain() -> None:
    gain = Item("scope gain ±3 %", "per-channel", "rectangular", 21.0, "gain")
    noise = Item("noise", "random", "normal", 0.1, "noise")
    path = SignalPath(0.008, 1.6, "coax", 1.0)
    one = LevelBudget("red", 700.0, (noise, gain), channel="CH1", path=path)
    alike, corrected = replace(one, level_mv=1400.0), replace(one, level_mv=1400.0, calibration=0.98)
    same, other = (source_impedances([one], [second], BENCH_DEFAULT, "open")[0] for second in (alike, corrected))
    assert (same.same_range, other.same_range) == (True, False)
    assert same.u95_ohm is not None and other.u95_ohm is not None
    assert other.u95_ohm > 2.5 * same.u95_ohm


def test_what_the_second_capture_is_of_has_to_be_said(run: Run, tmp_path: Path) -> None:
    path = captured(tmp_path, "first.npz", 75.0, 75.0)
    result = run("terminator-test", path, path)
    assert result.returncode == 2
    assert "--with" in result.stderr
