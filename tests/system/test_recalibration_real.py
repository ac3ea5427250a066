"""A daemon that runs takes up calibrations which another process makes, and those that are removed."""

import math
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from live_client import LiveClient, channel_of, is_fresh, live_client

OHM = 75.3


def calibrate(folder: Path, *arguments: str) -> None:
    environment = os.environ | {"XDG_CONFIG_HOME": str(folder), "XDG_STATE_HOME": str(folder)}
    command = (sys.executable, "-m", "peakwhite.daemon", "calibrate", *arguments)
    done = subprocess.run(command, check=False, capture_output=True, encoding="utf-8", env=environment, timeout=60)
    assert done.returncode == 0, done.stderr


def red(client: LiveClient, setup: int) -> Any:
    """Red of a fresh reading made under that set-up."""
    return channel_of(client.reading(lambda reading: reading["setup"] == setup and is_fresh(reading, "red")), "red")


def part_of_level(channel: Any) -> float:
    """The uncertainty without noise as part of the level: what does not change from reading to reading."""
    return math.sqrt(channel["u95_mv"] ** 2 - channel["u95_repeat_mv"] ** 2) / float(channel["peak_white_mv"])


def test_a_terminator_calibrated_while_serving_is_in_the_next_readings(daemon: Any, tmp_path: Path) -> None:
    file = tmp_path / "peakwhite" / "calibrations" / "SIM000001.json"
    with live_client(daemon) as client:
        before = red(client, 1)
        calibrate(
            tmp_path, "terminator", "--channel", "CH1", "--serial", "SIM000001", "--shorted", "0.2", "--reading", "75.5"
        )
        after = red(client, 2)
        # into the terminator's 75.3 ohm instead of 75: by measuring.md half of its error reaches the level
        assert after["peak_white_mv"] == pytest.approx(before["peak_white_mv"] * 150.3 / 150.6, abs=1.0)
        assert part_of_level(after) < part_of_level(before) - 1e-4

        sound = file.read_bytes()
        file.write_bytes(b"{")
        told = client.until("status", lambda frame: frame["problems"] != [])
        assert [problem["code"] for problem in told["problems"]] == ["unreadable-input"]
        assert str(file) in told["problems"][0]["text"]
        assert part_of_level(red(client, 2)) == pytest.approx(part_of_level(after), abs=5e-5), "the old ones stay"
        file.write_bytes(sound)
        assert client.until("status", lambda frame: frame["problems"] == [])["setup"] == 2

        calibrate(tmp_path, "remove", "CH1")
        assert part_of_level(red(client, 3)) == pytest.approx(part_of_level(before), abs=2e-5)
