"""The bench book: list, search and compare in a large one, and what keeping a mark costs the live view.

100,000 marks without captures, 5,000 with 4 x 12 k codes, 20 with 4 x 250 k. Goals: list, search and compare under 100 ms;
keeping a mark of 4 x 250 k under 150 ms, and measuring never more than one frame late meanwhile. The yardstick of keeping
is the bare writing and syncing of as many bytes to the same disk.
"""

import os
import statistics
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, text

from kept_marks import CONDITIONS, S, a_stage, made_capture, made_reading, moment
from peakwhite.daemon.book import BookKeeper, BookPlace, BookReader, BookWriter, MarkFilter
from peakwhite.daemon.book.packing import pack
from peakwhite.daemon.book.records import NewMark, UnitText
from peakwhite.daemon.measure.engine import measure_capture

MARKS, WITH_CODES, LARGE = 100_000, 5_000, 20
STAGES = 500
RATE_HZ = 20.0
GOAL_MS, KEEP_GOAL_MS = 100.0, 150.0
NOTES = ("", "hot on red", "after the trimmer", "striped, see picture", "Größe geändert", "dim but steady")


def run(small: bool = False) -> dict[str, object]:
    """Rows of figures: each with its goal, and what it is."""
    scale = 20 if small else 1
    with tempfile.TemporaryDirectory() as folder:
        place = BookPlace(Path(folder) / "book.sqlite")
        with BookWriter(place, "bench") as writer:
            _fill(writer, MARKS // scale, WITH_CODES // scale)
        kept = _keeping(place, LARGE)
        with BookReader(place) as reader:
            asked = _asking(reader)
        size_mb = os.path.getsize(str(place)) / 1e6
    return {"book": [*asked, *kept], "book on disk": f"{size_mb:.0f} MB"}


def _fill(writer: BookWriter, plain: int, with_codes: int) -> None:
    """Marks of many units, a thousand to a transaction: each as the writer writes it, copied by the database."""
    stages = [
        a_stage(writer, f"job {number // 50}", UnitText("Tamarisk", "TM-2", f"TM2-{number:04}", "C"))
        for number in range(STAGES)
    ]
    first = writer.keep_mark(_mark(stages[0], 0.0, captured=False))
    captured = writer.keep_mark(_mark(stages[0], 0.5))
    for source, count, start in ((first, plain, 1), (captured, with_codes, plain + 1)):
        for begin in range(start, start + count, 1_000):
            numbers = range(begin, min(begin + 1_000, start + count))
            writer.write(partial(_copy, source, numbers, stages))


def _copy(source: int, numbers: Sequence[int], stages: Sequence[int], connection: Connection, _: int) -> None:
    """Copies of one mark under other stages, times and notes, with rows of their own for all that belongs to it."""
    offset = 10
    for number in numbers:
        note = NOTES[number % len(NOTES)]
        values = {
            "id": number + offset,
            "source": source,
            "stage": stages[number * len(stages) // (MARKS + WITH_CODES + 1)],
            "ns": number * S,
            "note": note,
            "folded": note.casefold(),
        }
        capture = connection.scalar(text("SELECT capture_id FROM marks WHERE id = :source"), values)
        values["capture"] = None if capture is None else number + offset
        if capture is not None:
            connection.execute(text(COPY_CAPTURE), values | {"of": capture})
            connection.execute(text(COPY_CODES), values | {"of": capture})
        for statement in (COPY_MARK, COPY_LEVELS, COPY_DOCUMENTS):
            connection.execute(text(statement), values)


COPY_CAPTURE = "INSERT INTO captures SELECT :capture, captured_at_ns, samples, meta, crc32 FROM captures WHERE id = :of"
COPY_CODES = """INSERT INTO codes SELECT :capture, position, channel, type, samples, crc32, packed FROM codes
WHERE capture_id = :of"""
COPY_MARK = """INSERT INTO marks SELECT :id, :stage, run_id, :ns, utc_ns + :ns, clock_synced, setup_id, :capture, identity,
unit_on_min, scope_on_min, cold, :note, who, removed_utc_ns, :folded FROM marks WHERE id = :source"""
COPY_LEVELS = """INSERT INTO levels SELECT :id, position, channel, role, peak_white_mv, u95_mv, off_aim_mv, target, zone,
verdict, held FROM levels WHERE mark_id = :source"""
COPY_DOCUMENTS = "INSERT INTO documents SELECT :id, kind, text, crc32 FROM documents WHERE mark_id = :source"


def _mark(stage: int, second: float, *, captured: bool = True, samples: int = 12_000) -> NewMark:
    capture = made_capture(750.0, samples) if captured else None
    return NewMark(stage, moment(second), made_reading(750.0), CONDITIONS, capture)


def _asking(reader: BookReader) -> list[dict[str, object]]:
    """The slowest of several of each question."""
    newest = reader.marks(MarkFilter(most=1))[0]
    middle = reader.marks(MarkFilter(most=1_000))[-1].id
    questions: dict[str, Callable[[], Any]] = {
        "list, newest 50": lambda: reader.marks(),
        "list, 50 further back": lambda: reader.marks(MarkFilter(before=middle)),
        "list, a unit": lambda: reader.marks(MarkFilter(unit_id=newest.unit.id)),
        "list, a job": lambda: reader.marks(MarkFilter(job_id=newest.job.id)),
        "search, a serial number": lambda: reader.search("TM2-0123"),
        "search, a word of every sixth note": lambda: reader.search("striped"),
        "search, two words": lambda: reader.search("tm2-03 größe"),
        "search, a word that is nowhere": lambda: reader.search("nowhere"),
        "search, every mark": lambda: reader.search("tamarisk"),
        "show": lambda: reader.show(newest.id),
        "compare": lambda: reader.compare(middle, newest.id),
        "capture, 4 x 250 k": lambda: reader.capture(newest.id),
    }
    return [_row(name, _slowest_ms(ask), GOAL_MS) for name, ask in questions.items()]


def _slowest_ms(ask: Callable[[], Any], times: int = 5) -> float:
    ask()  # the first of a kind also compiles its statement
    took = []
    for _ in range(times):
        began = time.perf_counter()
        ask()
        took.append((time.perf_counter() - began) * 1e3)
    return max(took)


def _keeping(place: BookPlace, count: int) -> list[dict[str, object]]:
    """Keep large marks while another thread measures at the pace of the live view, and see how late it gets."""
    mark = _mark(1, 0.0, samples=250_000)
    assert mark.capture is not None
    size = sum(len(one.packed) for one in pack(mark.capture).codes)
    keeper = BookKeeper(place, "keeping")
    keeper.start()
    quiet = Pace()
    quiet.measure_for(2.0)
    busy, took = Pace(), []
    ended = threading.Event()
    thread = threading.Thread(target=lambda: busy.measure_until(ended))
    thread.start()
    for number in range(count):
        began = time.perf_counter()
        keeper.keep(replace(mark, moment=moment(1e6 + number))).result(30.0)
        took.append((time.perf_counter() - began) * 1e3)
        ended.wait(0.2)
    ended.set()
    thread.join()
    keeper.stop()
    bare_ms = _bare_ms(place.path, size, count)
    frame_ms, usual_ms = 1e3 / RATE_HZ, statistics.median(quiet.took_ms)
    return [
        _row("keep 4 x 250 k, median", statistics.median(took), KEEP_GOAL_MS),
        _row("keep 4 x 250 k, slowest", max(took), KEEP_GOAL_MS),
        _row(f"bare write and sync of its {size / 1e3:.0f} kB, median", bare_ms, None),
        _row("keeping over bare writing", statistics.median(took) / bare_ms, None, unit="x"),
        _row("a reading late while nothing is kept, at most", max(quiet.took_ms) - usual_ms, frame_ms),
        _row("a reading late while marks are kept, at most", max(busy.took_ms) - usual_ms, frame_ms),
    ]


def _bare_ms(path: Path | None, size: int, count: int) -> float:
    assert path is not None
    data, took = os.urandom(size), []
    with path.with_name("bare").open("wb") as file:
        for _ in range(count):
            began = time.perf_counter()
            file.write(data)
            file.flush()
            os.fdatasync(file.fileno())
            took.append((time.perf_counter() - began) * 1e3)
    return statistics.median(took)


class Pace:
    """Measures 4 x 12 k captures at the pace of the live view and notes when each is done, from when it was due."""

    def __init__(self) -> None:
        self.took_ms: list[float] = []
        self._capture = made_capture(750.0)

    def measure_for(self, seconds: float) -> None:
        """For so long."""
        ended = threading.Event()
        threading.Timer(seconds, ended.set).start()
        self.measure_until(ended)

    def measure_until(self, ended: threading.Event) -> None:
        """Until that is set."""
        due = time.perf_counter()
        while not ended.wait(max(0.0, due - time.perf_counter())):
            measure_capture(self._capture, CONDITIONS)
            self.took_ms.append((time.perf_counter() - due) * 1e3)
            due = max(due + 1.0 / RATE_HZ, time.perf_counter())


def _row(what: str, value: float, goal: float | None, unit: str = "ms") -> dict[str, object]:
    return {"what": what, "figure": f"{value:.1f} {unit}", "goal": "" if goal is None else f"{goal:.0f} {unit}"}
