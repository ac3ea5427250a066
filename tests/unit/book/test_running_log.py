"""The running log thins what it is given, loses no extreme, and stays small."""

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection, select

from kept_marks import made_reading, moment
from peakwhite.daemon.book import BookPlace, BookWriter
from peakwhite.daemon.book.records import LogBatch
from peakwhite.daemon.book.running_log import RunningLog
from peakwhite.daemon.book.schema import log as kept_log
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


def stretches(log: RunningLog, taken: Sequence[tuple[float, float | None]]) -> list[LogBatch]:
    """What the book has in the end: of each stretch the last batch."""
    return list({batch.moment.monotonic_ns: batch for batch in batches(log, taken)}.values())


def measured(batch: LogBatch) -> int:
    return int((~np.isnan(batch.channels[0].levels_mv[:, 1])).sum())


def test_a_batch_comes_every_ten_seconds_with_a_row_a_second_of_its_stretch_so_far() -> None:
    taken = [(number / 20.0, 700.0 + number) for number in range(20 * 75)]
    found = batches(RunningLog(), taken)
    assert [batch.moment.monotonic_ns // 10**9 for batch in found] == [0, 0, 0, 0, 0, 0, 60, 60]
    assert [measured(batch) for batch in found] == [10, 20, 30, 40, 50, 60, 10, 15]
    np.testing.assert_allclose(found[0].channels[0].levels_mv[1], [720.0, 729.5, 739.0])
    np.testing.assert_array_equal(found[5].channels[0].levels_mv[:10], found[0].channels[0].levels_mv[:10])


@given(
    st.lists(st.tuples(st.floats(0.0, 150.0), st.none() | st.floats(-100.0, 2000.0)), min_size=1, max_size=60).map(
        sorted_by_time := lambda taken: sorted(taken, key=lambda one: one[0])
    )
)
@settings(max_examples=100, deadline=None)
def test_no_level_is_lost_in_thinning(taken: list[tuple[float, float | None]]) -> None:
    levels = [level_mv for _, level_mv in taken if level_mv is not None]
    found = [one.levels_mv for batch in stretches(RunningLog(), taken) for one in batch.channels]
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


def test_in_the_book_a_stretch_grows_in_its_place(tmp_path: Path) -> None:
    place = BookPlace(tmp_path / "book.sqlite")
    with BookWriter(place, "now") as writer:
        for batch in batches(RunningLog(), [(float(second), 700.0 + second) for second in range(75)]):
            writer.write(partial(_keep_all, [batch]))
        rows = writer.write(lambda connection, _: connection.execute(select(kept_log).order_by(kept_log.c.id)).all())
    assert [(row.monotonic_ns // 10**9, row.min_mv, row.mean_mv, row.max_mv) for row in rows] == [
        (0, 700.0, 729.5, 759.0),
        (60, 760.0, 767.0, 774.0),
    ]
    assert [len(np.frombuffer(row.levels, "<f4").reshape(-1, 3)) for row in rows] == [60, 15]


def test_another_role_begins_another_stretch() -> None:
    log = RunningLog()
    log.take(reading_of(700.0), moment(0.0))
    channel = ChannelReading("CH1", "green", peak_white_mv=650.0)
    green = replace(made_reading(), measured=replace(made_reading().measured, channels=(channel,)))
    ended = log.take(green, moment(1.0))
    last = log.end()
    assert ended is not None and last is not None
    assert [(one.channels[0].role, float(one.channels[0].levels_mv[0, 1])) for one in (ended, last)] == [
        ("red", 700.0),
        ("green", 650.0),
    ]


def test_nothing_is_written_while_nothing_is_measured() -> None:
    taken = [(0.0, 700.0)] + [(float(second), None) for second in range(1, 60)]
    assert len(batches(RunningLog(), taken)) == 1


def reading_of_many(count: int) -> Reading:
    roles = ("red", "green", "blue", "luma", "composite", "chroma", "pb", "pr")
    channels = tuple(ChannelReading(f"CH{n}", role, peak_white_mv=700.0) for n, role in enumerate(roles[:count]))
    return replace(made_reading(), measured=replace(made_reading().measured, channels=channels))


def test_a_day_of_logging_writes_less_than_100_mb_to_the_books_own_log(tmp_path: Path) -> None:
    """Three channels for 20 minutes, each batch a transaction: what SQLite's log grows by, which is most of what is written."""
    path = tmp_path / "book.sqlite"
    log, sizes = RunningLog(), []
    with BookWriter(BookPlace(path), "now") as writer:
        for second in range(1201):
            batch = log.take(reading_of_many(3), moment(float(second)))
            if batch is not None:
                writer.write(partial(_keep_all, [batch]))
                sizes.append(path.with_name("book.sqlite-wal").stat().st_size)
    assert len(sizes) == 120
    assert 0 < (sizes[-1] - sizes[0]) / (len(sizes) - 1) * 8640 < 100_000_000


def test_a_day_of_logging_stays_under_25_mb(tmp_path: Path) -> None:
    """Eight channels for an hour: what the second half adds, times 48."""
    path = tmp_path / "book.sqlite"
    reading = reading_of_many(8)
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
