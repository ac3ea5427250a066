"""`peakwhite measure` as a process of its own: what it says of a good capture, and of every bad one."""

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from peakwhite.daemon import cli

SAMPLES_PER_US = 25.0
LINE_US = 1001 / 15.75  # 525 lines at 30/1.001 Hz, ITU-R BT.470: 63.556 us
Run = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def process() -> Run:
    """Runs one command line as a process of its own, without a settings file."""

    def run_process(*arguments: str | Path, **more: Any) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "peakwhite.daemon", *map(str, arguments)]
        environment = {**os.environ, "XDG_CONFIG_HOME": "/nonexistent"}
        pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **more}
        return subprocess.run(command, check=False, encoding="utf-8", timeout=60, env=environment, **pipes)

    return run_process


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Runs one command line in this process, without a settings file: the same, and quicker."""
    monkeypatch.setenv("XDG_CONFIG_HOME", "/nonexistent")

    def run_here(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
        status = cli.run([str(argument) for argument in arguments])
        return subprocess.CompletedProcess(arguments, status, *capsys.readouterr())

    return run_here


def refused(result: subprocess.CompletedProcess[str], status: int) -> str:
    """The one line of a refusal."""
    assert result.stdout == ""
    assert result.stderr.startswith("peakwhite: ")
    assert result.stderr.count("\n") == 1 and result.stderr.endswith("\n")
    assert result.returncode == status
    where, _, rest = result.stderr.removeprefix("peakwhite: ").partition(": ")
    assert where and ";" in rest
    return result.stderr


def lines_mv(white_mv: float, lines: int, *, offset_mv: float = 0.0, seed: int = 0) -> NDArray[Any]:
    """Some lines of white on black for one colour: blanking, then 40 us of white from 12 us after sync began, 3 mV noise."""
    us = np.arange(int(lines * LINE_US * SAMPLES_PER_US)) / SAMPLES_PER_US % LINE_US
    white = np.clip((us - 12.0) / 0.2, 0.0, 1.0) * np.clip((52.0 - us) / 0.2, 0.0, 1.0)
    noise = np.random.default_rng(seed).normal(0.0, 3.0, us.size)
    return np.rint((offset_mv + white_mv * white + noise) / 4.0) * 4.0


def sync_mv(lines: int) -> NDArray[Any]:
    """Negative pulses of 4.7 us and 300 mV that begin 0.6 us into each line."""
    us = np.arange(int(lines * LINE_US * SAMPLES_PER_US)) / SAMPLES_PER_US % LINE_US
    low = np.clip((us - 0.5) / 0.2, 0.0, 1.0) * np.clip((5.4 - us) / 0.2, 0.0, 1.0)
    return np.rint((-300.0 * low + np.random.default_rng(9).normal(0.0, 3.0, us.size)) / 4.0) * 4.0


def rgb_csv(
    path: Path,
    levels_mv: tuple[float, float, float] = (750.0, 690.0, 650.0),
    headers: str = "t,red,green,blue,sync",
    scale: float = 1.0,
) -> Path:
    """Twelve lines of three colours with separate sync."""
    colours = [lines_mv(level_mv, 12, offset_mv=20.0, seed=n) for n, level_mv in enumerate(levels_mv)]
    columns = [*colours, sync_mv(12)]
    time = np.arange(columns[0].size) / SAMPLES_PER_US * 1e-6
    table = np.column_stack([time, *(column / 1e3 * scale for column in columns)])
    np.savetxt(path, table, fmt="%.6g", delimiter=",", header=headers, comments="")
    return path


@pytest.fixture(scope="module")
def good_csv(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return rgb_csv(tmp_path_factory.mktemp("good") / "tamarisk.csv")


@pytest.fixture(scope="module")
def bench_csv(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return rgb_csv(tmp_path_factory.mktemp("bench") / "bench.csv", headers="t,CH1,CH2,CH3,CH4")


def channels(result: subprocess.CompletedProcess[str]) -> dict[str, dict[str, Any]]:
    assert result.returncode in (0, 1), result.stderr
    return {channel["channel"]: channel for channel in json.loads(result.stdout)["channels"]}


def test_a_capture_whose_headers_are_roles_is_measured_to_the_millivolt(process: Run, good_csv: Path) -> None:
    result = process("measure", good_csv, "--json")
    assert (result.returncode, result.stderr, result.stdout.count("\n")) == (0, "", 1)
    reading = json.loads(result.stdout)
    assert reading["schema"] == "peakwhite.reading/1"
    assert (reading["run"], reading["seq"], reading["captured_at"]) == ("file", 1, None)
    assert reading["scope"] == {"identity": "tamarisk.csv", "resource": None}
    assert reading["sync"]["state"] == "locked"
    assert reading["sync"]["system"] == "525/60"
    assert reading["sync"]["line_period_us"] == pytest.approx(LINE_US, rel=2e-5)
    for name, level_mv in (("red", 750.0), ("green", 690.0), ("blue", 650.0)):
        assert channels(result)[name]["peak_white_mv"] == pytest.approx(level_mv, abs=1.0)
        assert channels(result)[name]["blanking_mv"] == pytest.approx(20.0, abs=1.0)


def test_sync_on_ext_is_taken_from_time_zero_of_the_file(run: Run, good_csv: Path, tmp_path: Path) -> None:
    table = np.loadtxt(good_csv, delimiter=",", skiprows=1)
    path = tmp_path / "ext.csv"
    for zero_us, state in ((0.6 + 3 * LINE_US, "locked"), (30.0, "none")):
        table[:, 0] = np.arange(table.shape[0]) / SAMPLES_PER_US * 1e-6 - zero_us * 1e-6
        np.savetxt(path, table[:, :4], fmt="%.9g", delimiter=",", header="t,red,green,blue", comments="")
        result = run("measure", path, "--role", "EXT=sync", "--json")
        sync = json.loads(result.stdout)["sync"]
        assert (sync["state"], sync["channel"]) == (state, "EXT" if state == "locked" else None)
        level_mv = channels(result)["red"]["peak_white_mv"]
        assert level_mv == (pytest.approx(750.0, abs=1.0) if state == "locked" else None)


def test_ext_carries_no_picture(run: Run, good_csv: Path) -> None:
    assert "EXT cannot be luma" in refused(run("measure", good_csv, "--role", "EXT=luma"), 2)


def test_text_gives_each_channel_a_row_with_level_and_verdict(process: Run, good_csv: Path) -> None:
    result = process("measure", good_csv)
    assert result.returncode == 0
    table = result.stdout.split("\n\n")[0]
    rows = {row.split()[0]: row for row in table.splitlines()}
    assert "750." in rows["red"] or "749." in rows["red"]
    assert rows["red"].endswith("mV too high")
    assert "leave it" in rows["blue"]
    assert "\nsync   locked on sync, 525/60" in result.stdout
    assert "accuracy-assumed" in result.stdout


def test_text_gives_the_aim_and_zones_in_words(run: Run, good_csv: Path, tmp_path: Path) -> None:
    shown = run("measure", good_csv).stdout
    aims = {
        channel["aim_mv"] for name, channel in channels(run("measure", good_csv, "--json")).items() if name != "sync"
    }
    assert {f"{aim_mv:.1f} mV" for aim_mv in aims} <= set(re.findall(r"\d+\.\d mV", shown))
    assert re.search(r"^green .* on target +(leave it|unsure), ", shown, re.MULTILINE)
    assert "  75-ohm sync" in shown
    low = run("measure", rgb_csv(tmp_path / "low.csv", (400.0, 400.0, 400.0))).stdout
    assert "  too low " in low


def test_text_gives_what_else_was_measured_and_nothing_of_what_was_not(run: Run, good_csv: Path) -> None:
    lines = run("measure", good_csv).stdout.splitlines()
    red = next(line for line in lines if line.startswith("red    blanking "))
    reading = channels(run("measure", good_csv, "--json"))["red"]
    assert f"black {reading['black_mv']:.1f} mV" in red
    assert f"average {reading['average_mv']:.1f} mV" in red
    assert f"noise {reading['noise_mv_rms']:.1f} mV rms in " in red
    assert "burst" not in red and "None" not in red
    assert any(
        re.fullmatch(r"sync   blanking .*, sync 29\d\.\d mV deep|sync   .*sync 30\d\.\d mV deep", line)
        for line in lines
    )


def test_text_says_that_a_partial_white_is_scaled_and_what_that_assumes(run: Run, good_csv: Path) -> None:
    said = "Levels are scaled from a pattern's white of 90.32 % to full white; that the unit is linear"
    assert said in run("measure", good_csv, "--pattern-white", "28/31").stdout
    assert "scaled" not in run("measure", good_csv).stdout


def test_channels_one_to_four_are_taken_as_the_bench_default_and_it_is_said(process: Run, bench_csv: Path) -> None:
    result = process("measure", bench_csv, "--json")
    assert channels(result)["CH1"]["role"] == "red"
    assert channels(result)["CH4"]["role"] == "sync"
    assert result.stderr.count("\n") == 1
    assert "taken as CH1 red, CH2 green, CH3 blue, CH4 sync" in result.stderr


def test_roles_that_are_given_are_the_roles_and_the_rest_have_none(run: Run, bench_csv: Path) -> None:
    result = run("measure", bench_csv, "--json", "--role", "CH2=red", "--role", "CH4=sync")
    assert result.stderr == ""
    assert {name: channel["role"] for name, channel in channels(result).items()} == {
        "CH1": None,
        "CH2": "red",
        "CH3": None,
        "CH4": "sync",
    }
    assert channels(result)["CH2"]["peak_white_mv"] == pytest.approx(690.0, abs=1.0)


def test_a_role_that_is_given_goes_before_a_header(run: Run, good_csv: Path) -> None:
    result = run("measure", good_csv, "--json", "--role", "red=luma")
    assert channels(result)["red"]["role"] == "luma"
    assert channels(result)["green"]["role"] == "green"


def test_channels_of_other_names_are_listed_without_a_role_and_it_is_said_how_to_give_one(
    run: Run, tmp_path: Path
) -> None:
    result = run("measure", rgb_csv(tmp_path / "x.csv", headers="t,A,B,C,D"), "--json")
    assert [channel["role"] for channel in channels(result).values()] == [None] * 4
    assert "--role A=red" in result.stderr and result.stderr.count("\n") == 1


def test_a_probe_ratio_multiplies_the_volts(run: Run, tmp_path: Path) -> None:
    path = rgb_csv(tmp_path / "x.csv", scale=0.1)
    plain = channels(run("measure", path, "--json"))
    probed = channels(run("measure", path, "--json", "--probe", "red=10", "--probe", "sync=10"))
    assert plain["red"]["peak_white_mv"] == pytest.approx(75.0, abs=0.5)
    assert probed["red"]["peak_white_mv"] == pytest.approx(750.0, abs=2.0)
    assert probed["green"]["peak_white_mv"] == pytest.approx(69.0, abs=0.5)


def test_the_white_of_the_pattern_scales_the_level_to_full(run: Run, good_csv: Path) -> None:
    result = run("measure", good_csv, "--json", "--pattern-white", "9/10")
    assert channels(result)["green"]["peak_white_mv"] == pytest.approx(690.0 / 0.9, abs=1.5)


def test_a_better_gain_specification_narrows_the_uncertainty(run: Run, good_csv: Path) -> None:
    assumed = channels(run("measure", good_csv, "--json"))["red"]["u95_mv"]
    stated = channels(run("measure", good_csv, "--json", "--gain-spec", "0.5%"))["red"]["u95_mv"]
    assert stated < 0.5 * assumed


def test_a_target_is_chosen_for_all_roles_or_for_one(run: Run, good_csv: Path) -> None:
    result = run("measure", good_csv, "--json", "--target", "rgb-700", "--target", "red=rgb-525")
    targets = {name: channel["target"] for name, channel in channels(result).items()}
    assert targets == {"red": "rgb-525", "green": "rgb-700", "blue": "rgb-700", "sync": None}


def test_a_target_of_the_settings_file_can_be_chosen(run: Run, good_csv: Path, tmp_path: Path) -> None:
    config = tmp_path / "bench.toml"
    config.write_text(
        "[targets.tm2]\nroles = ['red']\nnominal_mv = 760.0\nover_above_mv = 800.0\non_from_mv = 740.0\ndim_from_mv = 650.0\n"
    )
    result = run("measure", good_csv, "--json", "--config", config, "--target", "red=tm2")
    assert channels(result)["red"]["target"] == "tm2"
    assert channels(result)["red"]["zone"] == "on-target"


def test_judging_ends_with_1_for_a_level_that_may_not_stay_and_with_0_where_all_may(run: Run, tmp_path: Path) -> None:
    assert run("measure", rgb_csv(tmp_path / "hot.csv"), "--judge").returncode == 1
    assert run("measure", rgb_csv(tmp_path / "good.csv", (680.0, 670.0, 660.0)), "--judge").returncode == 0


def test_judging_ends_with_1_where_no_verdict_can_be_given(run: Run, bench_csv: Path) -> None:
    assert run("measure", bench_csv, "--judge", "--role", "CH4=sync").returncode == 1
    assert run("measure", bench_csv, "--judge", "--role", "CH4=red").returncode == 1


def test_a_capture_without_sync_is_a_reading(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "flat.csv"
    path.write_text("t,red,sync\n" + "".join(f"{n}e-8,0.1,0.0\n" for n in range(3000)))
    result = run("measure", path, "--json")
    assert (result.returncode, result.stderr) == (0, "")
    reading = json.loads(result.stdout)
    assert reading["sync"]["state"] == "none"
    assert reading["channels"][0]["peak_white_mv"] is None
    assert "no-sync" in [hint["code"] for hint in reading["hints"]]


def test_explain_prints_the_budget_of_each_level(run: Run, good_csv: Path) -> None:
    result = run("measure", good_csv, "--explain")
    assert result.returncode == 0
    assert "gain" in result.stdout
    assert result.stdout.count("together: ±") == 3


def csv_of(*rows: str) -> bytes:
    return "\n".join(["t,red,sync", *rows, ""]).encode()


def even_rows(count: int) -> list[str]:
    return [f"{n}e-6,0.1,0.2" for n in range(count)]


BAD_FILES: dict[str, tuple[str, bytes]] = {
    "empty": ("a.csv", b""),
    "text": ("a.csv", b"Board 7 came back washed out.\nLooks hot on red.\n"),
    "gap": ("a.csv", csv_of(*even_rows(50), *(f"{n}e-6,0.1,0.2" for n in range(90, 140)))),
    "nan": ("a.csv", csv_of(*even_rows(9), "9e-6,nan,0.2")),
    "infinity": ("a.csv", csv_of(*even_rows(9), "9e-6,0.1,inf")),
    "backwards": ("a.csv", csv_of(*reversed(even_rows(20)))),
    "not uniform": ("a.csv", csv_of(*(f"{n * n}e-6,0.1,0.2" for n in range(30)))),
    "one column": ("a.csv", b"t\n0\n1e-6\n2e-6\n"),
    "thousands of columns": ("a.csv", b"\n".join(b",".join(b"c%d" % (n + k) for n in range(4000)) for k in range(3))),
    "ragged": ("a.csv", csv_of(*even_rows(9), "9e-6,0.1")),
    "binary noise": ("a.csv", np.random.default_rng(3).bytes(5000)),
    "binary noise as npz": ("a.npz", np.random.default_rng(4).bytes(5000)),
    "torn npz": ("a.npz", b"PK\x03\x04" + bytes(100)),
    "quoted": ("a.csv", b'"t","red"\n"0","1"\n'),
    "semicolons": ("a.csv", b"t;red\n0;0,1\n1e-6;0,2\n"),
    "duplicate headers": ("a.csv", b"t,red,red\n0,1,2\n1e-6,1,2\n"),
}


@pytest.mark.parametrize(("name", "content"), BAD_FILES.values(), ids=BAD_FILES.keys())
def test_a_bad_file_is_refused_in_one_line_with_status_3(
    process: Run, run: Run, tmp_path: Path, name: str, content: bytes
) -> None:
    (tmp_path / name).write_bytes(content)
    line = refused(process("measure", tmp_path / name), 3)
    assert line.startswith(f"peakwhite: {tmp_path / name}: ")
    assert refused(run("measure", tmp_path / name, "--json"), 3) == line


def test_a_directory_and_a_missing_file_are_refused_with_status_3(process: Run, tmp_path: Path) -> None:
    assert "is a directory" in refused(process("measure", tmp_path), 3)
    assert "no such file" in refused(process("measure", tmp_path / "absent.csv", "--json"), 3)


BAD_OPTIONS = {
    "unknown role": (["--role", "red=rouge"], "there is no role 'rouge'"),
    "no pair": (["--role", "red"], "'red' is no pair"),
    "channel twice": (["--role", "red=red", "--role", "red=green"], "'red' is given twice"),
    "role twice": (["--role", "green=red"], "the role red is given twice"),
    "unknown channel": (["--role", "CH1=red"], "there is no channel 'CH1'"),
    "unknown target": (["--target", "rgb-526"], "there is no target 'rgb-526'; the nearest is 'rgb-525'"),
    "unfit target": (["--target", "red=luma-525"], "the target 'luma-525' is not for red"),
    "target of nobody": (["--target", "luma-525"], "no channel carries luma"),
    "probe of words": (["--probe", "red=ten"], "'ten' is no probe ratio"),
    "probe of nothing": (["--probe", "red=0"], "'0' is no probe ratio"),
    "pattern": (["--pattern-white", "bright"], "'bright' is no white"),
    "gain": (["--gain-spec", "3"], "'3' is no gain specification"),
    "unknown option": (["--rôle", "red=red"], "no such option"),
    "explain as json": (["--explain", "--json"], "leave out one of the two"),
    "no settings file": (["--config", "absent.toml"], "there is no such file"),
}


@pytest.mark.parametrize(("options", "said"), BAD_OPTIONS.values(), ids=BAD_OPTIONS.keys())
def test_an_option_that_cannot_be_meant_is_refused_with_status_2(
    run: Run, good_csv: Path, options: list[str], said: str
) -> None:
    assert said in refused(run("measure", good_csv, *options), 2)


def test_a_settings_file_with_a_typo_is_refused_with_status_2(run: Run, good_csv: Path, tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text("[measure]\ngain_spek = '3%'\n")
    assert "line 2" in refused(run("measure", good_csv, "--config", tmp_path / "bench.toml"), 2)


def test_a_reader_that_goes_away_leaves_no_traceback(process: Run, good_csv: Path) -> None:
    read_end, write_end = os.pipe()
    os.close(read_end)
    with os.fdopen(write_end, "wb") as nobody_reads:
        result = process("measure", good_csv, stdout=nobody_reads)
    assert result.stderr == ""
    assert result.returncode != 0


def test_a_full_disk_behind_stdout_is_told_in_one_line(process: Run, good_csv: Path) -> None:
    with open("/dev/full", "wb") as full:
        result = process("measure", good_csv, stdout=full)
    assert result.stderr.startswith("peakwhite: standard output: no space left on device; ")
    assert (result.returncode, result.stderr.count("\n")) == (3, 1)


@pytest.mark.parametrize(("number", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, -signal.SIGTERM)])
def test_an_interrupted_measurement_leaves_no_traceback(good_csv: Path, number: int, status: int) -> None:
    program = (  # a shell's background job ignores SIGINT, and its children inherit that
        "import signal; signal.signal(signal.SIGINT, signal.default_int_handler);"
        "signal.signal(signal.SIGTERM, signal.SIG_DFL); from peakwhite.daemon import cli; from peakwhite.daemon.sources import csv_capture;"
        f"csv_capture._even_time = lambda *_: signal.raise_signal({int(number)}); cli.main()"
    )
    command = [sys.executable, "-c", program, "measure", str(good_csv)]
    environment = {**os.environ, "XDG_CONFIG_HOME": "/nonexistent"}
    result = subprocess.run(command, check=False, capture_output=True, timeout=60, env=environment)
    assert (result.returncode, result.stdout) == (status, b"")
    assert result.stderr.strip() == b""
