"""A book read by Python's sqlite3 and numpy alone, as `daemon/book/schema.py` documents it: no code of ours reads here."""

import json
import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from kept_marks import STARTED_NS, a_stage, made_capture, made_reading, moment, new_mark
from peakwhite.daemon.book import BookPlace, BookWriter
from peakwhite.daemon.book.records import ChannelLog, LogBatch
from peakwhite.daemon.book.writing import keep_log

LEVELS_MV = np.array([[749.0, 750.25, 751.5], [np.nan, np.nan, np.nan], [748.0, 748.5, 749.0]], np.float32)


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two marks and a stretch of the log, while the writer has it open."""
    path = tmp_path_factory.mktemp("book") / "book.sqlite"
    with BookWriter(BookPlace(path), "9f3c", bench="left") as writer:
        stage = a_stage(writer)
        writer.keep_mark(new_mark(stage, 1.0, note="hot on red", who="M"))
        writer.keep_mark(new_mark(stage, 2.0, red_mv=700.0))
        batch = LogBatch(moment(3.0), 1000, (ChannelLog("CH1", "red", LEVELS_MV),), stage)
        writer.write(lambda connection, run: keep_log(connection, run, batch))
    return path


@pytest.fixture
def sql(book: Path) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(f"file:{book}?mode=ro", uri=True)) as connection:
        connection.row_factory = sqlite3.Row
        yield connection


def test_codes_are_those_of_the_capture_and_scale_to_its_volts(sql: sqlite3.Connection) -> None:
    asked = """SELECT codes.*, captures.meta FROM marks JOIN captures ON captures.id = marks.capture_id
               JOIN codes ON codes.capture_id = captures.id WHERE marks.note = 'hot on red' ORDER BY position"""
    rows = sql.execute(asked).fetchall()
    for row, record in zip(rows, made_capture().channels, strict=True):
        raw = zlib.decompress(row["packed"])
        assert zlib.crc32(raw) == row["crc32"]
        codes = np.frombuffer(raw, row["type"])
        assert (row["channel"], row["samples"]) == (record.name, codes.size)
        np.testing.assert_array_equal(codes, record.codes)
        channel = json.loads(row["meta"])["channels"][row["position"]]
        volts = codes * channel["volts_per_code"] + channel["volts_at_code_zero"]
        np.testing.assert_array_equal(volts, record.codes * record.volts_per_code + record.volts_at_code_zero)


def test_the_time_axis_stands_beside_the_codes(sql: sqlite3.Connection) -> None:
    meta = json.loads(sql.execute("SELECT meta FROM captures WHERE id = 1").fetchone()["meta"])
    given = made_capture()
    assert (meta["seconds_per_sample"], meta["first_sample_s"]) == (given.seconds_per_sample, given.first_sample_s)
    assert meta["schema"] == "peakwhite.capture/1"


def test_the_reading_is_the_object_that_every_other_way_gives(sql: sqlite3.Connection) -> None:
    row = sql.execute("SELECT text, crc32 FROM documents WHERE mark_id = 1 AND kind = 'reading'").fetchone()
    assert zlib.crc32(row["text"].encode()) == row["crc32"]
    reading = json.loads(row["text"])
    assert reading["schema"] == "peakwhite.reading/1"
    red = reading["channels"][0]
    assert red["peak_white_mv"] == pytest.approx(made_reading().measured.channels[0].peak_white_mv, abs=1e-3)


def test_the_setup_says_what_was_clipped_where(sql: sqlite3.Connection) -> None:
    asked = "SELECT document FROM setups JOIN marks ON marks.setup_id = setups.id WHERE marks.id = 1"
    setup = json.loads(sql.execute(asked).fetchone()["document"])
    assert [(clip["channel"], clip["role"]) for clip in setup["hookup"]["clips"]] == [
        ("CH1", "red"),
        ("CH2", "green"),
        ("CH3", "blue"),
        ("CH4", "sync"),
    ]
    assert setup["targets"]["rgb-525"]["nominal_mv"] == 714.3


def test_a_table_of_the_batch_is_one_question(sql: sqlite3.Connection) -> None:
    asked = """SELECT serial, stages.name AS stage, role, peak_white_mv, verdict, utc_ns FROM marks
               JOIN stages ON stages.id = marks.stage_id JOIN units ON units.id = stages.unit_id
               JOIN levels ON levels.mark_id = marks.id
               WHERE removed_utc_ns IS NULL AND role = 'red' ORDER BY run_id, monotonic_ns, marks.id"""
    rows = [tuple(row)[:3] for row in sql.execute(asked)]
    assert rows == [("TM2-0017", "as found", "red")] * 2
    levels = [row["peak_white_mv"] for row in sql.execute(asked)]
    assert levels == pytest.approx([750.0, 700.0], abs=2.0)
    first = sql.execute(asked).fetchone()
    assert datetime.fromtimestamp(first["utc_ns"] / 1e9, UTC) == datetime(2026, 1, 2, 3, 4, 6, 678000, UTC)
    assert first["utc_ns"] == STARTED_NS + 1_000_000_000


def test_the_log_holds_minimum_mean_and_maximum_of_every_period(sql: sqlite3.Connection) -> None:
    row = sql.execute("SELECT * FROM log").fetchone()
    np.testing.assert_array_equal(np.frombuffer(row["levels"], "<f4").reshape(-1, 3), LEVELS_MV)
    assert (row["channel"], row["role"], row["period_ms"]) == ("CH1", "red", 1000)
    assert (row["min_mv"], row["mean_mv"], row["max_mv"]) == (748.0, pytest.approx(749.375), 751.5)


def test_the_version_of_the_layout_can_be_told(sql: sqlite3.Connection) -> None:
    assert sql.execute("SELECT version_num FROM alembic_version").fetchone()[0] == "0001"
    assert sql.execute("PRAGMA application_id").fetchone()[0].to_bytes(4, "big") == b"Pwbk"
