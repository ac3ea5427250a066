"""`peakwhite capture` as a process against the real simulated scope; what it wrote, measured by `peakwhite measure`."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

COLOURS = ("red", "green", "blue")


def peakwhite(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"XDG_CONFIG_HOME": str(folder), "XDG_STATE_HOME": str(folder)}
    command = (sys.executable, "-m", "peakwhite.daemon", *arguments)
    return subprocess.run(
        command, check=False, capture_output=True, encoding="utf-8", env=environment, cwd=folder, timeout=60
    )


@pytest.mark.parametrize("how", [(), ("--field",)], ids=["few lines", "field"])
def test_a_captured_file_measures_to_what_the_unit_puts_out(
    simulated_scope: Any, tmp_path: Path, how: tuple[str, ...]
) -> None:
    trimmed = {role: {"gain_percent": 90.0 + 8.0 * number} for number, role in enumerate(COLOURS)}
    assert "error" not in simulated_scope.ask({"set": trimmed})
    signals = simulated_scope.ask({"get": "truth"})["truth"]["signals"]
    done = peakwhite(tmp_path, "capture", "unit.npz", "--scope", simulated_scope.resource, *how)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("unit.npz: CH1 red, CH2 green, CH3 blue, CH4 sync; ")
    measured = peakwhite(tmp_path, "measure", "unit.npz", "--json")
    assert measured.returncode == 0, measured.stderr
    reading = json.loads(measured.stdout)
    assert reading["scope"]["identity"] in done.stdout and reading["captured_at"] in done.stdout
    assert (reading["sync"]["state"], reading["sync"]["field"] is not None) == ("locked", bool(how))
    for channel in reading["channels"][:3]:
        assert channel["peak_white_mv"] == pytest.approx(signals[channel["role"]]["peak_white_mv"], abs=3.0)


def test_a_unit_that_is_off_gives_no_file(simulated_scope: Any, tmp_path: Path) -> None:
    off = {role: {"disconnected": True} for role in (*COLOURS, "sync")}
    assert "error" not in simulated_scope.ask({"set": off})
    done = peakwhite(tmp_path, "capture", "unit.npz", "--scope", simulated_scope.resource)
    told = f"peakwhite: {simulated_scope.resource}: the scope found no trigger; check the sync probe, "
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (3, "", 1)
    assert done.stderr.startswith(told)
    assert not (tmp_path / "unit.npz").exists()
