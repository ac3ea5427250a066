"""`measure --reference FILE` and `--hold`: in words and in JSON, from captures and from readings; refusals."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from made_video import Made, rgb_sync, white
from peakwhite.daemon import compose
from peakwhite.daemon.cli import run
from peakwhite.daemon.config.settings import Settings
from peakwhite.daemon.sources.capture_file import write_capture
from peakwhite.drivers.capture import GainSpec

IDENTITY = "MAKER,MODEL-4,SN77,1.0"
ROLES = [
    part for number, role in enumerate(("red", "green", "blue", "sync"), 1) for part in ("--role", f"CH{number}={role}")
]

Said = Callable[..., tuple[int, str, str]]


@pytest.fixture(autouse=True)
def no_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("XDG_STATE_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(name, str(tmp_path))


@pytest.fixture
def said(capsys: pytest.CaptureFixture[str]) -> Said:
    def measure(*arguments: object) -> tuple[int, str, str]:
        return run(["measure", *map(str, arguments), *ROLES]), *capsys.readouterr()

    return measure


def file(folder: Path, name: str, *levels_mv: float, identity: str = IDENTITY) -> Path:
    red, green, blue = (white(one) for one in levels_mv)
    made = rgb_sync(Made(noise_mv=6.0), red, green, blue)
    path = folder / name
    write_capture(path, replace(made, identity=identity, gain_spec=GainSpec(3.0)))
    return path


def channels(out: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(out)["channels"]
    return found


def test_without_either_both_are_null(said: Said, tmp_path: Path) -> None:
    for one in channels(said(file(tmp_path, "unit.npz", 700.0, 700.0, 700.0), "--json")[1]):
        assert one["reference"] is None and one["highest"] is None


def test_a_capture_of_a_good_unit_is_the_reference(said: Said, tmp_path: Path) -> None:
    good, unit = file(tmp_path, "good.npz", 714.0, 714.0, 714.0), file(tmp_path, "unit.npz", 714.0, 700.0, 357.0)
    status, out, err = said(unit, "--reference", good, "--json")
    assert (status, err) == (0, "")
    red, green, blue, sync = (one["reference"] for one in channels(out))
    assert sync is None
    assert [one["percent"] for one in (red, green, blue)] == pytest.approx([100.0, 98.04, 50.0], abs=0.4)
    assert red["level_mv"] == pytest.approx(714.0, abs=1.5)
    assert red["u95_percent"] < 2.0
    told = said(unit, "--reference", good)[1]
    assert f"{green['percent']:.2f} ± {green['u95_percent']:.2f} % of the reference's 71" in told


def test_a_reading_serves_as_well_as_the_capture_that_it_is_of(said: Said, tmp_path: Path) -> None:
    good, unit = file(tmp_path, "good.npz", 714.0, 714.0, 714.0), file(tmp_path, "unit.npz", 714.0, 700.0, 357.0)
    reading = tmp_path / "good.json"
    reading.write_text(said(good, "--json")[1])
    by_capture, by_reading = (channels(said(unit, "--reference", one, "--json")[1]) for one in (good, reading))
    for one, other in zip(by_capture[:3], by_reading[:3], strict=True):
        assert other["reference"] == pytest.approx(one["reference"], rel=1e-5)


def test_another_scope_counts_both_gains(said: Said, tmp_path: Path) -> None:
    other = file(tmp_path, "other.npz", 714.0, 714.0, 714.0, identity=IDENTITY.replace("SN77", "SN78"))
    unit = file(tmp_path, "unit.npz", 714.0, 700.0, 357.0)
    reading = tmp_path / "other.json"
    reading.write_text(said(other, "--json")[1])
    for reference in (other, reading):
        assert channels(said(unit, "--reference", reference, "--json")[1])[0]["reference"]["u95_percent"] > 4.0


def wrong_references(folder: Path) -> dict[str, tuple[Path, str]]:
    texts = {
        "other": '{"schema": "peakwhite.reading/2"}',
        "torn": '{"schema": "peakwhite.read',
        "no identity": '{"schema": "peakwhite.reading/1", "scope": {}, "channels": []}',
        "infinite": json.dumps(
            {
                "schema": "peakwhite.reading/1",
                "scope": {"identity": "x"},
                "channels": [{"channel": "CH1", "role": "red", "peak_white_mv": -7, "u95_mv": 1, "u95_repeat_mv": 1}],
            }
        ),
        "nothing": '{"schema": "peakwhite.reading/1", "scope": {"identity": "x"}, "channels": []}',
        "huge": "{" + " " * (1 << 20),
        "deep": "{" + '"a":[' * 100_000,
    }
    for name, text in texts.items():
        (folder / f"{name}.json").write_text(text)
    told = {
        "other": "its schema is not peakwhite.reading/1",
        "torn": "it is no reading",
        "no identity": "scope has no 'identity', or one that is no text",
        "infinite": "CH1 has levels that cannot be",
        "nothing": "it holds no level",
        "huge": "far too large for a reading",
        "deep": "it is no reading",
    }
    dark = file(folder, "dark.npz", 0.0, 0.0, 0.0)
    return {name: (folder / f"{name}.json", told[name]) for name in texts} | {
        "dark": (dark, "it holds no level"),
        "missing": (folder / "none.json", "no such file"),
    }


def test_what_is_no_reference_is_refused_in_one_line(said: Said, tmp_path: Path) -> None:
    unit = file(tmp_path, "unit.npz", 714.0, 700.0, 357.0)
    for name, (path, told) in wrong_references(tmp_path).items():
        status, out, err = said(unit, "--reference", path)
        assert (name, status, out, err.count("\n")) == (name, 3, "", 1), err
        assert told in err and path.name in err, (name, err)


def test_a_reference_of_other_roles_is_refused(said: Said, tmp_path: Path) -> None:
    unit, reading = file(tmp_path, "unit.npz", 700.0, 700.0, 700.0), tmp_path / "good.json"
    good = json.loads(said(unit, "--json")[1])
    reading.write_text(json.dumps(good | {"channels": [good["channels"][0] | {"role": "luma"}]}))
    status, out, err = said(unit, "--reference", reading)
    assert (status, out) == (2, "")
    assert (
        err
        == "peakwhite: --reference: it has luma, and the unit red, green, blue; give a reference with the same roles\n"
    )


def test_hold_tells_the_highest_level_seen_and_never_calls_it_white(said: Said, tmp_path: Path) -> None:
    unit = file(tmp_path, "unit.npz", 714.0, 700.0, 357.0)
    status, out, _ = said(unit, "--hold", "--json")
    assert status == 0
    red, _, _, sync = channels(out)
    assert sync["highest"] is None
    assert red["highest"]["level_mv"] == red["peak_white_mv"]
    assert (red["highest"]["age_s"], red["highest"]["lines"] > 4) == (0.0, True)
    told = said(unit, "--hold")[1]
    assert told.count("highest seen ") == 3 and "white" not in told.lower()
    verdicts = [one["verdict"] for one in channels(out)[:3]]
    assert verdicts == ["unsure", "unsure", None], "blue stands at half, of which nobody knows that it is white"
    blue = next(line for line in told.splitlines() if line.startswith("CH3"))
    assert "too low" not in blue and "not over so far, 3" in blue
    assert f"highest seen {red['highest']['level_mv']:.1f} mV for " in told


@pytest.mark.parametrize("command", ["serve", "demo"])
def test_hold_is_an_option_of_the_daemon_and_a_key_of_the_settings(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    started: list[Settings] = []

    def start(given: Settings | Callable[[], Settings], **_: object) -> int:
        started.append(given() if callable(given) else given)
        return 0

    monkeypatch.setattr(compose, command, start)
    settings = tmp_path / "bench.toml"
    settings.write_text("[measure]\nhold = true\n")
    for arguments in ([], ["--hold"], ["--config", str(settings)]):
        assert run([command, *arguments]) == 0
    assert [one.setup().conditions.hold_since for one in started] == [None, 1, 1]
