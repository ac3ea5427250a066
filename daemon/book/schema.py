"""The tables of the bench book, and what stands in them: this is the layout that other programs may read.

A book is an SQLite file, or the same tables on PostgreSQL. Python's `sqlite3`, `zlib`, `json` and numpy read it all:

    jobs      one a customer's order or a batch: name, note
    units     job_id; maker, model, serial, revision (of the board): free text; note
    stages    unit_id; name: "as found", "after first change", own names
    runs      one a run of the program that kept something: name, bench (the computer's name), began_utc_ns
    marks     one a kept reading: stage_id; run_id, monotonic_ns, utc_ns, clock_synced; setup_id; capture_id; identity of
              the scope; unit_on_min, scope_on_min (minutes since each came on), cold; note, who; removed_utc_ns
    levels    mark_id, position: what the reading says of each channel, in short, for lists and tables
    documents mark_id, kind: JSON in full. kind is "reading" (schema peakwhite.reading/1), "budgets" (each comparable
              level with all that it may be off by), later "inspect" and "remedy"; crc32 is of the text's UTF-8 bytes
    setups    the user's word under which a capture was measured: hookup, targets, calibrations, as JSON; each one once
    captures  one record of all channels: meta is JSON of schema peakwhite.capture/1; crc32 of its UTF-8 bytes
    codes     capture_id, position: one channel of a capture. packed is the raw integer codes, compressed by zlib: as
              numpy reads them, `frombuffer(zlib.decompress(packed), type)`, with type "|u1", "|i1" or "<u2"; samples of
              them; crc32 (as `zlib.crc32`) is of the bytes before compression. Volts at the probe tip are
              codes * volts_per_code + volts_at_code_zero, of the same entry of meta's channels
    log       the running log, one row a channel and stretch, of which the last still grows: periods of period_ms each;
              levels holds for every period minimum, mean and maximum in mV, `frombuffer(levels, "<f4").reshape(-1, 3)`,
              NaN where none was measured, and where a stretch did not come to its end; min_mv, mean_mv and max_mv are
              of all of it
    events    what the watch caught: kind, channel, text; event_captures: its captures by position, negative before
    alembic_version  version_num: the version of these tables

Times `…_ns` are nanoseconds, `utc` since 1970, `monotonic` of a clock that never jumps but begins anew when the computer
does. Marks are in order by run_id, monotonic_ns, id; utc_ns is for show, and right where clock_synced is true (null: not
known). A row that was undone stays and has its removed_utc_ns. `folded` is all text of a row in lower case, for search.
Nothing is ever deleted.
"""

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
)
from sqlalchemy.types import Double

HEAD = "0001"
"""The version of the tables that this program writes; the last of `migrations`."""
APPLICATION_ID = 0x5077626B
"""Stands in the header of an SQLite book, and tells it from other files of SQLite."""

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)
Whole = BigInteger().with_variant(Integer, "sqlite")
"""64 bits; SQLite has them under the name INTEGER only."""


def _id() -> "Column[int]":
    return Column("id", Whole, primary_key=True)


def _to(table: str, *, needed: bool = True, part_of_key: bool = False, indexed: bool = False) -> "Column[int]":
    return Column(
        f"{table.removesuffix('s')}_id",
        Whole,
        ForeignKey(f"{table}.id"),
        nullable=not needed,
        primary_key=part_of_key,
        index=indexed,
        autoincrement=False,
    )


def _text(name: str, *, needed: bool = True) -> "Column[str]":
    return Column(name, Text, nullable=not needed)


def _whole(name: str, *, needed: bool = True) -> "Column[int]":
    return Column(name, Whole, nullable=not needed)


def _number(name: str) -> "Column[float]":
    return Column(name, Double)


def _position() -> "Column[int]":
    return Column("position", Integer, primary_key=True, autoincrement=False)


def _moment() -> "tuple[Column[int], Column[int], Column[bool]]":
    return _whole("monotonic_ns"), _whole("utc_ns"), Column("clock_synced", Boolean)


def _counted(name: str, *columns: "Column[int] | Column[str] | Column[float] | Column[bool] | Column[bytes]") -> Table:
    """A table whose numbers are never given twice."""
    return Table(name, metadata, _id(), *columns, sqlite_autoincrement=True)


jobs = _counted("jobs", _text("name"), _text("note"), _whole("created_utc_ns"), _text("folded"))

units = _counted(
    "units",
    _to("jobs", indexed=True),
    _text("maker"),
    _text("model"),
    _text("serial"),
    _text("revision"),
    _text("note"),
    _whole("created_utc_ns"),
    _text("folded"),
)

stages = _counted("stages", _to("units", indexed=True), _text("name"), _whole("created_utc_ns"), _text("folded"))

runs = _counted("runs", _text("name"), _text("bench"), _whole("began_utc_ns"))

setups = _counted("setups", Column("sha256", Text, nullable=False, unique=True), _text("document"))

captures = _counted("captures", _whole("captured_at_ns"), _whole("samples"), _text("meta"), _whole("crc32"))

codes = Table(
    "codes",
    metadata,
    _to("captures", part_of_key=True),
    _position(),
    _text("channel"),
    _text("type"),
    _whole("samples"),
    _whole("crc32"),
    Column("packed", LargeBinary, nullable=False),
)

marks = _counted(
    "marks",
    _to("stages"),
    _to("runs"),
    *_moment(),
    _to("setups"),
    _to("captures", needed=False),
    _text("identity"),
    _number("unit_on_min"),
    _number("scope_on_min"),
    Column("cold", Boolean, nullable=False),
    _text("note"),
    _text("who"),
    _whole("removed_utc_ns", needed=False),
    _text("folded"),
)
IN_ORDER = (marks.c.run_id, marks.c.monotonic_ns, marks.c.id)
"""What marks are in order by; the last tells apart what was kept at once."""
Index("ix_marks_of_stage", marks.c.stage_id, *IN_ORDER)
Index("ix_marks_in_order", *IN_ORDER).ddl_if(dialect="postgresql")
Index("ix_marks_searched", *IN_ORDER, marks.c.stage_id, marks.c.removed_utc_ns, marks.c.folded).ddl_if(dialect="sqlite")
"""What a search reads of each mark, all in one place; a server has no index for texts of any length, and needs none."""

levels = Table(
    "levels",
    metadata,
    _to("marks", part_of_key=True),
    _position(),
    _text("channel"),
    _text("role", needed=False),
    _number("peak_white_mv"),
    _number("u95_mv"),
    _number("off_aim_mv"),
    _text("target", needed=False),
    _text("zone", needed=False),
    _text("verdict", needed=False),
    Column("held", Boolean, nullable=False),
)

documents = Table(
    "documents",
    metadata,
    _to("marks", part_of_key=True),
    Column("kind", Text, primary_key=True),
    _text("text"),
    _whole("crc32"),
)

log = _counted(
    "log",
    _to("runs"),
    _to("stages", needed=False, indexed=True),
    *_moment(),
    _whole("period_ms"),
    _text("channel"),
    _text("role", needed=False),
    _number("min_mv"),
    _number("mean_mv"),
    _number("max_mv"),
    Column("levels", LargeBinary, nullable=False),
)
Index("ix_log_in_order", log.c.run_id, log.c.monotonic_ns)

events = _counted(
    "events",
    _to("runs"),
    _to("stages", needed=False, indexed=True),
    *_moment(),
    _to("setups"),
    _text("kind"),
    _text("channel", needed=False),
    _text("text"),
)
Index("ix_events_in_order", events.c.run_id, events.c.monotonic_ns)

event_captures = Table(
    "event_captures",
    metadata,
    _to("events", part_of_key=True),
    _position(),
    _to("captures"),
    _text("reading", needed=False),
)
