"""The running log thins what it is given, loses no extreme, and stays small."""

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection

from kept_marks import made_reading, moment
from peakwhite.daemon.book import BookPlace, BookWriter
from peakwhite.daemon.book.records import LogBatch
from peakwhite.daemon.book.running_log import RunningLog
from peakwhite.daemon.book.writing import keep_log
from peakwhite.daemon.measure.reading import ChannelReading, Reading

MOST_BYTES_A_DAY = 25_000_000


def reading_of(level_mv: float | None, *, held: bool = False) -> Reading:
    """A reading of red alone."""
    channel = ChannelReading("CH1", "red", peak_white_mv=level_mv, held=held)
    return replace(made_reading(), measured=replace(made_reading().measured, channels=(channel,)))


def batches(log: RunningLog, taken: Sequence[tuple[float, float | None]]) -> list[LogBatch]:
    given = [log.take(reading_of(level_mv), moment(second)) for second, level_mv in taken]
    return [batch for batch in (*given, log.end()) if batch is not None]


def test_a_batch_comes_every_ten_seconds_with_a_row_a_second() -> None:
    taken = [(number / 20.0, 700.0 + number) for number in range(20 * 25)]
    found = batches(RunningLog(), taken)
    assert [batch.moment.monotonic_ns // 10**9 for batch in found] == [0, 10, 20]
    assert [len(batch.channels[0].levels_mv) for batch in found] == [10, 10, 5]
    np.testing.assert_allclose(found[0].channels[0].levels_mv[1], [720.0, 729.5, 739.0])


@given(
    st.lists(st.tuples(st.floats(0.0, 60.0), st.none() | st.floats(-100.0, 2000.0)), min_size=1, max_size=60).map(
        sorted_by_time := lambda taken: sorted(taken, key=lambda one: one[0])
    )
)
@settings(max_examples=100, deadline=None)
def test_no_level_is_lost_in_thinning(taken: list[tuple[float, float | None]]) -> None:
    levels = [level_mv for _, level_mv in taken if level_mv is not None]
    found = [one.levels_mv for batch in batches(RunningLog(), taken) for one in batch.channels]
    if not levels:
        assert not found
        return
    thinned = np.concatenate(found)
    seen = thinned[~np.isnan(thinned[:, 1])]
    assert float(seen[:, 0].min()) == pytest.approx(min(levels), rel=1e-6, abs=1e-4)
    assert float(seen[:, 2].max()) == pytest.approx(max(levels), rel=1e-6, abs=1e-4)
    assert (seen[:, 0] <= seen[:, 1] + 1e-3).all() and (seen[:, 1] <= seen[:, 2] + 1e-3).all()
    assert np.isnan(thinned).all(axis=1).sum() == np.isnan(thinned).any(axis=1).sum()


def test_a_level_that_is_held_is_not_logged() -> None:
    log = RunningLog()
    log.take(reading_of(700.0, held=True), moment(0.0))
    assert log.end() is None


def test_a_period_without_a_level_is_not_a_number() -> None:
    (batch,) = batches(RunningLog(), [(0.0, 700.0), (1.0, None), (2.0, 710.0)])
    assert np.isnan(batch.channels[0].levels_mv[:, 1]).tolist() == [False, True, False]


def test_another_stage_begins_another_batch() -> None:
    log = RunningLog()
    log.take(reading_of(700.0), moment(0.0), 1)
    ended = log.take(reading_of(710.0), moment(1.0), 2)
    assert ended is not None and ended.stage_id == 1
    last = log.end()
    assert last is not None and last.stage_id == 2


def test_a_day_of_logging_stays_under_25_mb(tmp_path: Path) -> None:
    """Eight channels for an hour: what the second half adds, times 48."""
    path = tmp_path / "book.sqlite"
    roles = ("red", "green", "blue", "luma", "composite", "chroma", "pb", "pr")
    channels = tuple(ChannelReading(f"CH{n}", role, peak_white_mv=700.0) for n, role in enumerate(roles))
    reading = replace(made_reading(), measured=replace(made_reading().measured, channels=channels))
    log, sizes = RunningLog(), []
    for half in (0, 1800):
        kept = [log.take(reading, moment(float(half + second))) for second in range(1800)]
        with BookWriter(BookPlace(path), "now") as writer:
            writer.write(partial(_keep_all, kept))
        sizes.append(path.stat().st_size)
    assert 0 < (sizes[1] - sizes[0]) * 48 < MOST_BYTES_A_DAY


def _keep_all(kept: list[LogBatch | None], connection: Connection, run: int) -> None:
    for batch in kept:
        if batch is not None:
            keep_log(connection, run, batch)
