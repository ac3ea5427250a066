"""Nothing that was acknowledged is lost: to a kill, to a cut log, to a full disk."""

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from book_writers import kill_writers, writers
from kept_marks import a_stage, made_reading, moment, new_mark
from peakwhite.daemon.book import BookKeeper, BookPlace, BookReader, BookWriter, keeper
from peakwhite.daemon.book.check import check_book
from peakwhite.daemon.book.records import ChannelLog, LogBatch
from peakwhite.daemon.measure.reading import reading_object
from peakwhite.drivers.errors import BookFull
from told import SOON_S, Told

CALLS = "trace=fdatasync,fsync,write,pwrite64,sendto"
SYNCED = re.compile(r"(?:fsync|fdatasync)\(\d+<([^>]*)>")
WRITTEN = re.compile(r"(?:pwrite64|write)\(\d+<([^>]*)>")


def unsynced_acknowledgements(trace: str) -> list[bool]:
    """For every acknowledgement in a trace: whether the book's log had writes that no finished sync came after."""
    dirty, found = True, []
    waiting: dict[str, str] = {}
    for line in trace.splitlines():
        thread, call = line.split(maxsplit=1)
        if "resumed>" in call:
            finished = waiting.pop(thread, "")
            dirty = dirty and not _syncs_log(finished)
        elif call.endswith("<unfinished ...>"):
            waiting[thread] = call
            dirty = dirty or _writes_log(call)
        elif _syncs_log(call):
            dirty = False
        elif _writes_log(call):
            dirty = True
        if '"kept ' in call:
            found.append(dirty)
    return found


def _syncs_log(call: str) -> bool:
    match = SYNCED.match(call)
    return match is not None and match[1].endswith("-wal")


def _writes_log(call: str) -> bool:
    match = WRITTEN.match(call)
    return match is not None and match[1].endswith("-wal")


def traced(tmp_path: Path, *arguments: str) -> str:
    """The calls of a writer that keeps eight marks."""
    strace = shutil.which("strace")
    if strace is None:
        pytest.skip("strace is not installed")
    if subprocess.run((strace, "-qq", "true"), capture_output=True, check=False).returncode != 0:
        pytest.skip("strace may not trace here")
    book, trace = tmp_path / "book.sqlite", tmp_path / "trace"
    with BookWriter(BookPlace(book), "first") as writer:
        a_stage(writer)
    with writers(strace, "-f", "-qq", "-y", "-s", "32", "-e", CALLS, "-o", str(trace), arguments=arguments) as process:
        assert process.stdin is not None and process.stdout is not None
        print(book, "captured", 8, file=process.stdin, flush=True)
        while not process.stdout.readline().startswith("ended"):
            pass
    return trace.read_text(errors="replace")


def test_every_acknowledgement_comes_after_a_sync_of_all_that_the_log_was_given(tmp_path: Path) -> None:
    assert unsynced_acknowledgements(traced(tmp_path)) == [False] * 8


def test_a_writer_that_does_not_wait_for_the_disk_would_be_found(tmp_path: Path) -> None:
    found = unsynced_acknowledgements(traced(tmp_path, "careless"))
    assert len(found) == 8 and any(found)


def test_twenty_kills_lose_no_acknowledged_mark_and_leave_none_half_written(tmp_path: Path) -> None:
    killed = kill_writers(tmp_path, 20)
    assert (killed.kills, killed.lost, killed.unsound) == (20, 0, 0)
    assert killed.acknowledged >= 20


def test_a_log_that_is_cut_anywhere_gives_every_mark_before_the_cut_and_no_part_of_one(tmp_path: Path) -> None:
    """Fifty places; beyond each the file is as if it had never been written."""
    book, log = tmp_path / "book.sqlite", tmp_path / "book.sqlite-wal"
    with BookWriter(BookPlace(book), "first") as writer:
        stage = a_stage(writer)
    with BookWriter(BookPlace(book), "second") as writer:
        writer.write(lambda connection, _: None)
        ends = {}
        for second in range(12):
            number = writer.keep_mark(new_mark(stage, float(second)))
            ends[number] = log.stat().st_size
        base, whole = book.read_bytes(), log.read_bytes()
    cuts = np.random.default_rng(5).integers(0, len(whole), 50)
    for cut in cuts.tolist():
        folder = tmp_path / str(cut)
        folder.mkdir(exist_ok=True)
        (folder / "book.sqlite").write_bytes(base)
        (folder / "book.sqlite-wal").write_bytes(whole[:cut])
        with BookWriter(BookPlace(folder / "book.sqlite"), "after") as after:
            after.open()
            assert after.set_aside == ()
            with BookReader(after.place) as reader:
                there = {line.id for line in reader.marks()}
                assert there == {number for number, end in ends.items() if end <= cut}
                assert all(reader.show(number).reading == reading_object(made_reading()) for number in there)
            assert after.keep_mark(new_mark(stage, 99.0)) == len(there) + 1
        assert check_book(BookPlace(folder / "book.sqlite")).sound
        shutil.rmtree(folder)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Two mebibytes, where this process may mount them."""
    folder = tmp_path / "small"
    folder.mkdir()
    mount = ("mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(folder))
    if os.name != "posix" or os.geteuid() != 0 or shutil.which("mount") is None:
        pytest.skip("only root mounts a small disk")
    if subprocess.run(mount, capture_output=True, check=False).returncode != 0:
        pytest.skip("no disk may be mounted here")
    yield folder
    subprocess.run(("umount", str(folder)), check=True)


def a_batch(second: float) -> LogBatch:
    return LogBatch(moment(second), 1000, (ChannelLog("CH1", "red", np.full((10, 3), 750.0, np.float32)),))


def test_a_disk_that_runs_full_refuses_marks_whole_and_goes_on_once_there_is_room(
    small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeper, "RETRY_S", 0.05)
    told = Told()
    book = BookPlace(small_disk / "book.sqlite")
    with BookWriter(book, "first") as writer:
        stage = a_stage(writer)
    other = small_disk / "other"
    other.write_bytes(bytes(1 << 19))
    kept = BookKeeper(book, "now", tell=told)
    kept.start()
    numbers = []
    try:
        with pytest.raises(BookFull):
            for second in range(1_000):
                numbers.append(kept.keep(new_mark(stage, float(second))).result(SOON_S))
        assert told.codes() == ["book-full"]
        with kept.reader() as reader:
            assert [line.id for line in reader.marks()] == numbers[::-1]
        other.unlink()
        kept.keep_log(a_batch(1.0))
        told.wait_for()
        numbers.append(kept.keep(new_mark(stage, 5_000.0)).result(SOON_S))
    finally:
        assert kept.stop()
    checked = check_book(book)
    assert checked.sound
    assert (checked.counted["marks"], checked.counted["log"]) == (len(numbers), 1)
    assert len(numbers) > 3
