"""`peakwhite measure` reads what scopes write to a USB stick, as it is."""

import json
from pathlib import Path

import pytest

from made_video import Made, rgb_sync, white
from peakwhite.daemon import cli
from scope_csv import LAYOUTS, ONE_CHANNEL, beside

ROLES = [part for role in ("CH1=red", "CH2=green", "CH3=blue", "CH4=sync") for part in ("--role", role)]
CAPTURE = rgb_sync(Made(samples=6_000, sample_ns=80.0, centre_mv=300.0), white(640.0), white(700.0), white(712.0))


@pytest.fixture(autouse=True)
def no_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a settings file."""
    monkeypatch.setenv("XDG_CONFIG_HOME", "/nonexistent")


@pytest.mark.parametrize("layout", [name for name in LAYOUTS if name not in ONE_CHANNEL])
def test_measure_prints_the_levels_of_an_export(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], layout: str
) -> None:
    path = tmp_path / "export.csv"
    path.write_text(LAYOUTS[layout](CAPTURE))
    assert cli.run(["measure", str(path), "--json", *ROLES]) == 0
    levels = [channel["peak_white_mv"] for channel in json.loads(capsys.readouterr().out)["channels"][:3]]
    assert levels == pytest.approx([640.0, 700.0, 712.0], abs=3.0)


def test_measure_of_an_unknown_layout_shows_the_line_and_ends_with_status_3(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "export.csv"
    path.write_text(beside(CAPTURE).replace("Vertical Units,V,", "Vertical Units,A,"))
    assert cli.run(["measure", str(path), *ROLES]) == 3
    assert "row 8, 'Vertical Units,A,, 0.000000560000," in capsys.readouterr().err
