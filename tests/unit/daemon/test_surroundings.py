"""Disk and clock: one line when they go and one when they are back, nothing in between."""

from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pytest

from peakwhite.daemon.book.clock import Clock
from peakwhite.daemon.live import ControlLease, Hub
from peakwhite.daemon.surroundings import LOW_BYTES, ROOM_BYTES, Surroundings, free_bytes

NOW_NS = int(datetime(2026, 5, 4, tzinfo=UTC).timestamp()) * 1_000_000_000


@dataclass
class Bench:
    """Surroundings whose disk and clock a test sets."""

    free: int | OSError = 10 * ROOM_BYTES
    utc_ns: int = NOW_NS
    monotonic_ns: int = 0
    synced: bool | None = True
    hub: Hub = field(default_factory=lambda: Hub(ControlLease(lambda: 0.0), lambda: 1, lambda: 0.0))

    def __post_init__(self) -> None:
        clock = Clock(lambda: self.monotonic_ns, lambda: self.utc_ns, lambda: self.synced)
        self.surroundings = Surroundings(self.hub, Path("/bench"), clock, self._room)

    def _room(self, folder: Path) -> int:
        if isinstance(self.free, OSError):
            raise self.free
        return self.free

    def look(self, times: int = 1) -> None:
        for _ in range(times):
            self.monotonic_ns += 10_000_000_000
            self.utc_ns += 10_000_000_000
            self.surroundings.look()


def told(caplog: pytest.LogCaptureFixture) -> list[str]:
    """What was logged since we last asked."""
    lines = [record.getMessage() for record in caplog.records]
    caplog.clear()
    return lines


@pytest.fixture(autouse=True)
def info(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO", "peakwhite")


def test_where_all_is_well_nothing_is_said(caplog: pytest.LogCaptureFixture) -> None:
    Bench().look(5)
    assert told(caplog) == []


def test_a_disk_that_fills_is_told_once_on_log_and_page_and_once_when_there_is_room(
    caplog: pytest.LogCaptureFixture,
) -> None:
    bench = Bench()
    bench.look()
    bench.free = LOW_BYTES - 1
    bench.look(3)
    (line,) = told(caplog)
    assert "less than 200 MB are left" in line
    assert [problem.code for problem in bench.hub.all_problems] == ["disk-low"]
    bench.free = ROOM_BYTES - 1
    bench.look(3)
    assert told(caplog) == []
    bench.free = ROOM_BYTES
    bench.look(3)
    (line,) = told(caplog)
    assert "there is room" in line
    assert bench.hub.all_problems == ()


def test_a_disk_that_cannot_be_asked_changes_nothing(caplog: pytest.LogCaptureFixture) -> None:
    bench = Bench(free=OSError("gone"))
    bench.look(2)
    assert told(caplog) == []


def test_a_clock_that_begins_in_the_past_is_told_and_when_it_is_set_by_how_much(
    caplog: pytest.LogCaptureFixture,
) -> None:
    bench = Bench(utc_ns=0, synced=False)
    bench.look(3)
    (line,) = told(caplog)
    assert "1970-01-01 00:00" in line
    assert caplog.records == []
    bench.utc_ns, bench.synced = NOW_NS, True
    bench.look(3)
    (line,) = told(caplog)
    assert line.startswith("the clock is set, by +")


def test_a_clock_that_is_plausible_but_not_set_is_worth_a_word_and_no_warning(caplog: pytest.LogCaptureFixture) -> None:
    bench = Bench(synced=False)
    bench.look(3)
    assert [record.levelname for record in caplog.records] == ["INFO"]


def test_a_clock_that_somebody_puts_is_told(caplog: pytest.LogCaptureFixture) -> None:
    bench = Bench(synced=None)
    bench.look()
    bench.utc_ns -= 3600 * 1_000_000_000
    bench.look(2)
    assert told(caplog) == ["the clock was put to another time, by -3600 s"]


def test_a_clock_that_is_adjusted_a_little_at_a_time_is_not(caplog: pytest.LogCaptureFixture) -> None:
    bench = Bench()
    for _ in range(10):
        bench.utc_ns += 500_000_000
        bench.look()
    assert told(caplog) == []


def test_room_is_asked_of_the_folder_that_is_there(tmp_path: Path) -> None:
    assert free_bytes(tmp_path / "not" / "there yet") > 0
