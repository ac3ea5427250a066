"""`peakwhite measure FILE --keep`: the reading of a recorded capture as a mark of the bench book."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from ...drivers.errors import UsageError
from .options import book_option

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from ...drivers.capture import Capture
    from ..measure.reading import Reading
    from ..measure.targets import Conditions

F = TypeVar("F", bound=Callable[..., object])

RUN = "file"


def keeping_options(command: F) -> F:
    """The options that `Keeping` holds."""
    options = (
        click.option("--keep", is_flag=True, help="Keep it in the bench book, with its capture and set-up."),
        click.option("--job", metavar="NAME", help="Its job there, added where need be; left out, that on the bench."),
        click.option("--unit", metavar="SERIAL", help="Its unit there, likewise."),
        click.option("--stage", metavar="NAME", help="Its stage there, likewise."),
        click.option("--note", metavar="TEXT", help="What to remember of it there."),
        click.option("--who", metavar="NAME", help="Who measured, there."),
        book_option,
    )
    for option in reversed(options):
        command = option(command)
    return command


@dataclass(frozen=True)
class Keeping:
    """The options of one command line that say where a mark goes, and what is said of it."""

    keep: bool
    job: str | None
    unit: str | None
    stage: str | None
    note: str | None
    who: str | None
    book: str | None

    def check(self) -> None:
        """Raises UsageError for an option that means nothing without --keep."""
        for name in ("job", "unit", "stage", "note", "who", "book"):
            if not self.keep and getattr(self, name) is not None:
                raise UsageError("it needs --keep", where=f"--{name}", do="say --keep too, or leave it out")


def keep_reading(
    keeping: Keeping, config: Path | None, reading: "Reading", capture: "Capture", conditions: "Conditions"
) -> str:
    """Keep it with its capture and set-up, durable on return; gives what is told of that. Raises UsageError, BookError."""
    from ..book import BookWriter, PresentStage
    from ..book.clock import clock_synced
    from ..book.placing import named_stage
    from ..book.records import Moment, NewMark, Warmth
    from .book import kept_line, settings_and_place
    from .book_text import kept_as_text

    settings, place = settings_and_place(keeping.book, config)
    now_ns, taken_ns = time.time_ns(), capture.captured_at_ns
    moment = Moment(time.monotonic_ns(), taken_ns or now_ns, None if taken_ns else clock_synced())
    present = PresentStage(place).stage_id
    with BookWriter(place, RUN, bench=settings.tables.book.bench) as writer:

        def work(connection: "Connection", run_id: int) -> int:
            stage_id = named_stage(connection, present, now_ns, job=keeping.job, unit=keeping.unit, stage=keeping.stage)
            said = keeping.note or "", keeping.who or ""
            mark = NewMark(stage_id, moment, reading, conditions, capture, Warmth(), *said)
            return writer.keep_in(connection, run_id, mark)

        number = writer.write(work)
    return kept_as_text(number, kept_line(place, number))
