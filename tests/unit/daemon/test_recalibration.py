"""Calibrations taken up while the daemon runs: made, replaced, removed, damaged, mended."""

import asyncio
import json
import os
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from peakwhite.daemon.calibrations import StoredCalibrations, keep_calibration, remove_calibrations
from peakwhite.daemon.config import Setup, SetupInForce
from peakwhite.daemon.live import ControlLease, Hub
from peakwhite.daemon.measure.calibration import Calibration, Terminator
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.recalibration import EVERY_S, Recalibration

ONE = Calibration("terminator", 1, "SN77", "CH1", terminator=Terminator(74.8, 0.27))
OTHER = replace(ONE, channel="CH2")


class Running:
    """What a daemon has of all this, started with what is on disk, and one viewer."""

    def __init__(self, folder: Path) -> None:
        stored = StoredCalibrations(folder)
        self.setup = SetupInForce(Setup(conditions=Conditions(BENCH_DEFAULT, calibrations=stored.load())))
        self.hub = Hub(ControlLease(lambda: 0.0), lambda: self.setup.current.generation, lambda: 0.0)
        self.viewer = self.hub.join()
        self.waits: list[float] = []
        self.recalibration = Recalibration(stored, self.setup, self.hub, self._sleep, lambda: 1_000_000_000)

    def look(self) -> None:
        asyncio.run(self._look())

    async def _look(self) -> None:
        self.hub.attach()
        await self.recalibration.look()
        await asyncio.sleep(0.0)

    async def _sleep(self, seconds: float) -> None:
        if self.waits:
            raise asyncio.CancelledError
        self.waits.append(seconds)

    def in_force(self) -> tuple[int, tuple[Calibration, ...]]:
        return self.setup.current.generation, self.setup.current.conditions.calibrations

    @property
    def status(self) -> Any:
        return json.loads(self.viewer.slots["status"])


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "calibrations"


@pytest.fixture
def running(folder: Path) -> Running:
    """A daemon that started without any calibration."""
    return Running(folder)


def test_while_nothing_changes_the_setup_stays(folder: Path) -> None:
    keep_calibration(ONE, folder)
    running = Running(folder)
    before = running.setup.current
    running.look()
    assert running.setup.current is before and before.conditions.calibrations == (ONE,)


def test_what_is_made_and_removed_is_in_force_under_a_generation_of_its_own(folder: Path, running: Running) -> None:
    keep_calibration(ONE, folder)
    running.look()
    assert running.in_force() == (2, (ONE,))
    assert running.status["setup"] == 2
    keep_calibration(OTHER, folder)
    running.look()
    assert running.in_force() == (3, (ONE, OTHER))
    remove_calibrations("SN77", "CH1", folder)
    running.look()
    assert running.in_force() == (4, (OTHER,))
    (folder / "SN77.json").unlink()
    running.look()
    assert running.in_force() == (5, ())


def test_the_rest_of_the_setup_stays_as_it_was_put_meanwhile(folder: Path, running: Running) -> None:
    running.setup.swap(replace(running.setup.current.conditions, pattern_white_pct=75.0))
    keep_calibration(ONE, folder)
    running.look()
    assert running.setup.current.conditions == Conditions(BENCH_DEFAULT, pattern_white_pct=75.0, calibrations=(ONE,))


def test_the_same_content_written_again_is_no_other_setup(folder: Path) -> None:
    path = keep_calibration(ONE, folder)
    running = Running(folder)
    keep_calibration(ONE, folder)
    os.utime(path, ns=(7, 7))
    running.look()
    assert running.in_force() == (1, (ONE,))


def test_a_damaged_file_leaves_the_old_ones_in_force_and_the_status_says_so_until_it_is_mended(folder: Path) -> None:
    path = keep_calibration(ONE, folder)
    running = Running(folder)
    sound = path.read_bytes()
    path.write_bytes(sound[:40])
    for _ in range(2):
        running.look()
        assert running.in_force() == (1, (ONE,))
        [problem] = running.status["problems"]
        assert problem["code"] == "unreadable-input" and problem["since"] == "1970-01-01T00:00:01.000Z"
        assert problem["text"].startswith(f"calibrations stay as they were: {path}: it holds no calibrations: ")
        assert problem["do"] == "mend it or move it away; 'peakwhite calibrate' makes a new one"
    path.write_bytes(sound)
    running.look()
    assert (running.in_force(), running.status["problems"]) == ((1, (ONE,)), [])


def test_it_looks_once_a_second(folder: Path, running: Running) -> None:
    keep_calibration(ONE, folder)
    with pytest.raises(asyncio.CancelledError):
        asyncio.run(running.recalibration.follow())
    assert (running.waits, running.in_force()) == ([EVERY_S], (2, (ONE,)))


class SlowlyRead(StoredCalibrations):
    """Takes a while to be read, and is taken for read as soon as that began."""

    def load(self) -> tuple[Calibration, ...]:
        found = super().load()
        if self.waits:
            assert self.released.wait(10.0)
        return found

    waits = False
    released = threading.Event()


def test_a_look_while_another_one_lasts_ends_with_what_that_found_in_force(folder: Path) -> None:
    stored = SlowlyRead(folder)
    setup = SetupInForce(Setup(conditions=Conditions(BENCH_DEFAULT, calibrations=stored.load())))
    hub = Hub(ControlLease(lambda: 0.0), lambda: setup.current.generation, lambda: 0.0)
    recalibration = Recalibration(stored, setup, hub)
    keep_calibration(ONE, folder)

    async def two_looks() -> None:
        stored.waits = True
        first = asyncio.create_task(recalibration.look())
        await asyncio.sleep(0.0)
        asyncio.get_running_loop().call_later(0.05, stored.released.set)
        await recalibration.look()
        assert setup.current.conditions.calibrations == (ONE,)
        await first

    asyncio.run(two_looks())
