"""Brings a book forward to the tables of this program, and refuses one that is further on.

What does that is imported when there is something to do: a small computer starts half a second sooner.
"""

from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, Engine, inspect, text

from ...drivers.errors import BookDamaged, BookError, BookNewer, BookUnreachable
from .faults import DO_RESCUE
from .place import BookPlace
from .schema import APPLICATION_ID, HEAD, metadata

if TYPE_CHECKING:
    from alembic.config import Config

FOLDER = Path(__file__).with_name("migrations")
ONE_AT_A_TIME = 0x5077626B
"""Number of the server's advisory lock: two daemons that start at once do not both make the tables."""


def bring_forward(engine: Engine, place: BookPlace) -> None:
    """Make or change the tables, all steps in one transaction. Raises as `version_of`, and sqlalchemy's DBAPIError."""
    with engine.begin() as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:number)"), {"number": ONE_AT_A_TIME})
            connection.execute(text("SET LOCAL statement_timeout = 0"))  # a step may take its time
        if version_of(connection, place) != HEAD:
            from alembic import command

            command.upgrade(_config(connection), "head")


def version_of(connection: Connection, place: BookPlace) -> str | None:
    """The version of the tables; None where there are none.

    Raises BookNewer where a newer program made them, BookError where there are tables, but not those of a book, BookDamaged
    where they are, and their version is lost.
    """
    names = set(inspect(connection).get_table_names())
    ours = names & metadata.tables.keys()
    if names and connection.dialect.name == "sqlite" and not (_is_marked(connection) or ours == metadata.tables.keys()):
        raise BookError("that is a database, but no bench book", where=str(place), do="give another path")
    version: str | None = None
    if "alembic_version" in names:
        version = connection.scalar(text("SELECT version_num FROM alembic_version"))
    if ours and version is None:
        do = DO_RESCUE if place.path is not None else "restore a backup, or give another database"
        raise BookDamaged("the version of its tables is lost", where=str(place), do=do)
    refuse_newer(version, place)
    return version


def _is_marked(connection: Connection) -> bool:
    """Whether the header of an SQLite file says that it is a book; one that was made of a dump says nothing."""
    return connection.exec_driver_sql("PRAGMA application_id").scalar() == APPLICATION_ID


def require_head(connection: Connection, place: BookPlace) -> None:
    """Raises BookUnreachable where there is no book yet, BookError where it waits to be brought forward; as `version_of`."""
    version = version_of(connection, place)
    if version is None:
        raise BookUnreachable("there is no book yet", where=str(place), do="keep something first")
    if version != HEAD:
        do = "it is brought forward by itself when it is next written to"
        raise BookError(f"an older Peakwhite wrote this book (tables {version})", where=str(place), do=do)


def refuse_newer(version: str | None, place: BookPlace) -> None:
    """Raises BookNewer for a version that this program does not know."""
    if version not in (None, HEAD) and version not in known_versions():
        raise BookNewer(
            f"a newer Peakwhite wrote this book (tables {version}, this one knows {HEAD})",
            where=str(place),
            do="update this Peakwhite, or give it another book",
        )


def known_versions() -> tuple[str, ...]:
    """All versions that there have been, the newest first."""
    from alembic.script import ScriptDirectory

    return tuple(step.revision for step in ScriptDirectory.from_config(_config(None)).walk_revisions())


def _config(connection: Connection | None) -> "Config":
    from alembic.config import Config

    config = Config(attributes={"connection": connection})
    config.set_main_option("script_location", str(FOLDER).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config
