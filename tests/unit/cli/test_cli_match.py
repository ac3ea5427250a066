"""`peakwhite match` over four captures of one probe: files with and without a time, in words and in JSON, refusals."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from made_video import Made, capture_of, digitised, picture_wave, sync_wave, white
from peakwhite.daemon.cli import run
from peakwhite.daemon.sources.capture_file import write_capture
from peakwhite.drivers.capture import Capture, GainSpec

IDENTITY = "MAKER,MODEL-2,SN88,1.0"
BEGUN_NS = 1_767_323_045_678_000_000
GAIN = 1.03
ROLES = ["--role", "CH1=red", "--role", "CH2=sync"]
COLOURS_MV = (714.0, 702.0, 708.0, 714.0)

Said = Callable[..., tuple[int, str, str]]


@pytest.fixture(autouse=True)
def no_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("XDG_STATE_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(name, str(tmp_path))


@pytest.fixture
def said(capsys: pytest.CaptureFixture[str]) -> Said:
    def match(*arguments: object) -> tuple[int, str, str]:
        return run(["match", *map(str, arguments)]), *capsys.readouterr()

    return match


def seen(level_mv: float, seed: int, at_s: float = 0.0) -> Capture:
    """One colour on CH1, as a scope 3 % too high reads it, and sync on CH2."""
    made = Made(seed=seed, noise_mv=6.0)
    picture = digitised(made, "CH1", picture_wave(made, white(level_mv * GAIN)), 1)
    capture = capture_of(made, picture, digitised(made, "CH2", -285.7 * sync_wave(made), 2))
    at_ns = BEGUN_NS + round(at_s * 1e9)
    return replace(capture, identity=IDENTITY, gain_spec=GainSpec(3.0), captured_at_ns=at_ns)


def files(folder: Path, every_s: float = 15.0, levels_mv: tuple[float, ...] = COLOURS_MV) -> list[Path]:
    paths = [folder / f"{number}.npz" for number, _ in enumerate(levels_mv)]
    for number, (path, level_mv) in enumerate(zip(paths, levels_mv, strict=True)):
        write_capture(path, seen(level_mv, number + 1, number * every_s))
    return paths


def as_csv(path: Path, capture: Capture, headers: tuple[str, str]) -> Path:
    rows = [",".join(("s", *headers))]
    volts = [one.codes * one.volts_per_code + one.volts_at_code_zero for one in capture.channels]
    times_s = np.arange(capture.samples) * capture.seconds_per_sample
    rows += [f"{at:.9g},{first:.6g},{second:.6g}" for at, first, second in zip(times_s, *volts, strict=True)]
    path.write_text("\n".join(rows) + "\n")
    return path


def test_the_spread_is_told_far_better_than_the_gain_of_the_scope(said: Said, tmp_path: Path) -> None:
    status, out, err = said(*files(tmp_path), *ROLES, "--json")
    assert (status, err) == (0, "")
    found = json.loads(out)
    assert found["schema"] == "peakwhite.one-probe/1"
    assert [level["role"] for level in found["levels"]] == ["red", "green", "blue", "red"]
    assert [level["at_s"] for level in found["levels"]] == [0.0, 15.0, 30.0, 45.0]
    match = found["match"]
    assert (match["method"], match["highest"], match["lowest"], match["ok"]) == ("one-probe", "red", "green", True)
    assert abs(match["spread_mv"] - 12.0 * GAIN) <= match["u95_mv"] < 5.0


def test_it_is_said_in_words(said: Said, tmp_path: Path) -> None:
    status, out, _ = said(*files(tmp_path), *ROLES)
    *levels, drift, match = out.splitlines()
    assert status == 0
    assert [line.split()[0] for line in levels] == ["red", "green", "blue", "red"]
    assert levels[-1].startswith("red again  73") and levels[-1].endswith(" mV  at 45 s")
    assert drift.startswith("drift ") and drift.endswith(" mV")
    assert match.startswith("match      12.") and match.endswith("(lowest), one-probe: within 2 %")


def test_readings_too_far_apart_are_no_match(said: Said, tmp_path: Path) -> None:
    paths = files(tmp_path, every_s=30.0)
    status, out, _ = said(*paths, *ROLES)
    assert status == 0 and out.endswith("match      none: they lie 90 s apart, and 60 s is the most\n")
    assert json.loads(said(*paths, *ROLES, "--json")[1])["match"] is None
    assert said(*paths, *ROLES, "--judge")[0] == 1


@pytest.mark.parametrize(("green_mv", "status"), [(708.0, 0), (640.0, 1)])
def test_judging_ends_with_status_1_unless_they_match(said: Said, tmp_path: Path, green_mv: float, status: int) -> None:
    assert said(*files(tmp_path, levels_mv=(714.0, green_mv, 710.0, 714.0)), *ROLES, "--judge")[0] == status


def test_files_without_a_time_are_matched_by_the_times_that_are_given(said: Said, tmp_path: Path) -> None:
    colours = ("red", "green", "blue", "red")
    paths = [
        as_csv(tmp_path / f"{number}.csv", seen(level_mv, number), (colour, "sync"))
        for number, (level_mv, colour) in enumerate(zip(COLOURS_MV, colours, strict=True))
    ]
    status, _, err = said(*paths)
    assert status == 3 and "0.csv: it does not say when it was captured; say when they were taken: --at" in err
    found = json.loads(said(*paths, "--at", "0,10,20,30", "--json")[1])
    assert found["match"]["method"] == "one-probe"
    assert found["match"]["spread_mv"] == pytest.approx(12.0 * GAIN, abs=4.0)


def test_a_channel_may_be_named_where_several_carry_colours(said: Said, tmp_path: Path) -> None:
    paths = [tmp_path / f"{number}.npz" for number in range(4)]
    for number, path in enumerate(paths):
        one = seen(COLOURS_MV[number], number, 10.0 * number)
        idle = replace(one.channels[0], name="CH3")
        write_capture(path, replace(one, channels=(*one.channels, idle)))
    roles = [*ROLES, "--role", "CH3=green"]
    status, _, err = said(*paths, *roles)
    assert status == 2 and "2 channels carry a colour in 0.npz; say which was moved" in err
    assert json.loads(said(*paths, *roles, "--channel", "CH1", "--json")[1])["match"]["method"] == "one-probe"


def test_what_cannot_be_is_refused_in_one_line(said: Said, tmp_path: Path) -> None:
    good = files(tmp_path)
    dark, other, coarse = (tmp_path / f"{name}.npz" for name in ("dark", "other", "coarse"))
    write_capture(dark, seen(0.0, 5))
    write_capture(other, replace(seen(700.0, 5), identity=IDENTITY.replace("SN88", "SN89")))
    made = seen(700.0, 5)
    write_capture(coarse, replace(made, channels=tuple(replace(one, full_scale_v=4.0) for one in made.channels)))
    two = tmp_path / "two.npz"
    write_capture(two, seen(700.0, 5))
    refused: dict[str, tuple[list[object], int]] = {
        "no white is seen on CH1": ([good[0], dark, *good[2:], *ROLES], 3),
        "from different scopes": ([good[0], other, *good[2:], *ROLES], 2),
        "green was taken on another range": ([good[0], coarse, *good[2:], *ROLES], 2),
        "CH2 carries no colour": ([*good, *ROLES, "--channel", "CH2"], 2),
        "are no four times in seconds": ([*good, *ROLES, "--at", "0,1,2"], 2),
        "'0,2,1,3' do not rise": ([*good, *ROLES, "--at", "0,2,1,3"], 2),
        "green, reading 2, was not taken after": ([good[0], good[0], *good[2:], *ROLES], 2),
        "blue, reading 3, was not taken after": ([good[0], good[2], good[1], good[3], *ROLES], 2),
        "match: 3 captures are given; give four: RED GREEN BLUE RED_AGAIN": ([*good[:3], *ROLES], 2),
        "match: 5 captures are given": ([*good, good[0], *ROLES], 2),
        "match: 1 capture is given": ([good[0]], 2),
        "match: no captures are given": ([], 2),
        "no channel carries a colour in 0.npz": ([*good, "--role", "CH2=sync"], 2),
        "'0,1,2,x'": ([*good, *ROLES, "--at", "0,1,2,x"], 2),
        "match: no channel carries a colour in ": ([two, *good[1:]], 2),
        "no such file": ([*good[:3], tmp_path / "none.npz", *ROLES], 3),
    }
    for told, (arguments, expected) in refused.items():
        status, out, err = said(*arguments)
        assert (told, status, out, err.count("\n")) == (told, expected, "", 1), err
        assert told in err and err.startswith("peakwhite: ")
