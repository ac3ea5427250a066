"""`peakwhite book`: what the bench book holds."""

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from ...drivers.errors import BookError, BookUnreachable, NotInBook, PeakwhiteError, UsageError
from .options import book_option, config_option, json_option
from .output import say, warn

if TYPE_CHECKING:
    from ..book import BookPlace, BookReader
    from ..book.records import MarkLine
    from ..config.settings import Settings

F = TypeVar("F", bound=Callable[..., object])

MOST = 50
DAMAGED = 1


@click.group(no_args_is_help=False, short_help="The bench book: what was kept, of which unit.")
def book() -> None:
    """The bench book: jobs hold units, units hold stages, stages hold marks, which are readings that were kept.

    What is read is read while a daemon writes; what is written goes through that daemon, where one holds the book.
    """


def book_options(command: F) -> F:
    """--json, --book and --config."""
    return json_option(book_option(config_option(command)))


def settings_and_place(given: str | None, config: Path | None) -> "tuple[Settings, BookPlace]":
    """The settings, and the book that is meant. Raises UsageError, SettingsError."""
    from ..book_in_use import book_place
    from ..config.settings import load_settings

    settings = load_settings(config)
    return settings, book_place(settings, given)


@contextmanager
def reader_of(place: "BookPlace") -> "Iterator[BookReader]":
    """Reads the book that is written now: one beside it where it is damaged. Raises BookUnreachable where there is none."""
    from ..book import BookReader
    from ..book.opening import place_in_use

    used = place_in_use(place)
    if used.path is not None and not used.path.exists():
        raise BookUnreachable(
            "there is no book yet", where=str(used), do="begin with 'peakwhite book job NAME', or say which: --book"
        )
    with BookReader(used) as reader:
        yield reader


def kept_line(place: "BookPlace", number: int) -> "MarkLine | None":
    """A mark that was just written; None, and a warning, where it cannot be read back: written it is."""
    try:
        with reader_of(place) as reader:
            return reader.line(number)
    except BookError as error:
        warn(f"the mark is in the book, but cannot be read back: {error}")
        return None


number_argument = click.IntRange(1, 2**62)


@book.command("list", short_help="List marks, places, or what the watch caught.")
@click.option("--job", type=number_argument, metavar="N", help="Marks of this job alone.")
@click.option("--unit", type=number_argument, metavar="N", help="Marks of this unit alone.")
@click.option("--stage", type=number_argument, metavar="N", help="Marks of this stage alone.")
@click.option("--removed", is_flag=True, help="Those too that were taken back.")
@click.option("--before", type=number_argument, metavar="MARK", help="Marks older than this one.")
@click.option(
    "--most", type=click.IntRange(1, 1000), default=MOST, show_default=True, metavar="N", help="So many at most."
)
@click.option("--places", is_flag=True, help="Jobs, units and stages with their numbers instead.")
@click.option("--events", is_flag=True, help="What the watch caught instead.")
@book_options
def list_(
    job: int | None,
    unit: int | None,
    stage: int | None,
    removed: bool,
    before: int | None,
    most: int,
    places: bool,
    events: bool,
    as_json: bool,
    book: str | None,
    config: Path | None,
) -> None:
    """List marks, the newest first; or jobs, units and stages; or events."""
    from ..book import MarkFilter, PresentStage
    from ..book.objects import event_object, marks_object
    from .book_places import places_object
    from .book_text import events_as_text, marks_as_text, places_as_text

    _, place = settings_and_place(book, config)
    with reader_of(place) as reader:
        if places:
            present = PresentStage(place).stage_id
            say(json.dumps(places_object(reader, present)) if as_json else places_as_text(reader, present))
        elif events:
            found = reader.events(most)
            say(json.dumps({"events": [event_object(one) for one in found]}) if as_json else events_as_text(found))
        else:
            lines = reader.marks(MarkFilter(job, unit, stage, "", removed, before, most))
            say(json.dumps(marks_object(lines)) if as_json else marks_as_text(lines))


@book.command(short_help="Search marks by words.")
@click.argument("words", nargs=-1, required=True)
@click.option(
    "--most", type=click.IntRange(1, 1000), default=MOST, show_default=True, metavar="N", help="So many at most."
)
@book_options
def search(words: Sequence[str], most: int, as_json: bool, book: str | None, config: Path | None) -> None:
    """List the marks in whose job, unit, stage, note or who each of the WORDS occurs, as part of a word too."""
    from ..book.objects import marks_object
    from .book_text import marks_as_text

    _, place = settings_and_place(book, config)
    with reader_of(place) as reader:
        lines = reader.search(" ".join(words), most)
    say(json.dumps(marks_object(lines)) if as_json else marks_as_text(lines))


@book.command(short_help="Show a mark in full, or an event.")
@click.argument("mark", type=number_argument)
@click.option(
    "--capture", "file", type=click.Path(path_type=Path), metavar="FILE", help="Write its capture as .npz too."
)
@click.option("--event", is_flag=True, help="MARK is the number of an event: show the captures around it.")
@book_options
def show(mark: int, file: Path | None, event: bool, as_json: bool, book: str | None, config: Path | None) -> None:
    """Show MARK with its reading, as 'measure' prints one. With --capture it can be measured again."""
    from ..book.objects import shown_object
    from .book_text import shown_as_text

    if event and file is not None:
        raise UsageError("an event has many captures", where="--capture", do="leave it out")
    _, place = settings_and_place(book, config)
    with reader_of(place) as reader:
        if event:
            say(_event_shown(reader, mark, as_json))
            return
        shown = reader.show(mark)
        if file is not None:
            _write_capture(reader, mark, file)
    say(json.dumps(shown_object(shown)) if as_json else shown_as_text(shown))


def _event_shown(reader: "BookReader", number: int, as_json: bool) -> str:
    """Raises NotInBook."""
    from ..book.objects import event_capture_object
    from .book_text import event_as_text

    captures = reader.event_captures(number)
    if not captures:
        raise NotInBook(f"there is no event {number}", where="book", do="see 'peakwhite book list --events'")
    if as_json:
        return json.dumps({"captures": [event_capture_object(one) for one in captures]})
    return event_as_text(captures)


def _write_capture(reader: "BookReader", mark: int, file: Path) -> None:
    """Raises UsageError where the mark has none or the file is there, PeakwhiteError where it cannot be written."""
    from ..sources.capture_file import write_capture

    capture = reader.capture(mark)
    if capture is None:
        raise UsageError(f"mark {mark} was kept without its codes", where="--capture", do="leave it out")
    try:
        write_capture(file, capture, overwrite=False)
    except FileExistsError as error:
        raise UsageError("it is there already", where=str(file), do="name another file") from error
    except OSError as error:
        what = (error.strerror or "it cannot be written").lower()
        raise PeakwhiteError(what, where=str(file), do="name a place where there is room and one may write") from error


@book.command(short_help="Compare two marks.")
@click.argument("before", type=number_argument)
@click.argument("after", type=number_argument)
@book_options
def compare(before: int, after: int, as_json: bool, book: str | None, config: Path | None) -> None:
    """Compare the mark AFTER with the mark BEFORE: levels, their ratio with its uncertainty, and the match of the colours.

    What both may be off by alike drops out: through the same scope, channel, range and probe that is the gain.
    """
    from ..book.objects import comparison_object
    from .book_text import compared_as_text

    _, place = settings_and_place(book, config)
    with reader_of(place) as reader:
        found = reader.compare(before, after)
    say(json.dumps(comparison_object(before, after, found)) if as_json else compared_as_text(before, after, found))


@book.command(short_help="Name what of the book is damaged.")
@book_options
def check(as_json: bool, book: str | None, config: Path | None) -> int:
    """Read all of the book, and of those that were begun beside it, and name what is damaged: status 1 then."""
    from ..book import BookPlace
    from ..book.check import check_book
    from ..book.opening import books_beside
    from .book_text import checked_as_text

    _, place = settings_and_place(book, config)
    files = [] if place.path is None else books_beside(place.path)
    checked = [(one, check_book(one)) for one in ([BookPlace(file) for file in files] or [place])]
    found = [
        {"place": str(one), "sound": result.sound, "damage": list(result.damage), "counted": result.counted}
        for one, result in checked
    ]
    text = "\n".join(checked_as_text(str(one), result) for one, result in checked)
    say(json.dumps({"books": found}) if as_json else text)
    return 0 if all(result.sound for _, result in checked) else DAMAGED


@book.command(short_help="Copy out of a damaged book what can be read.")
@click.argument("target", type=click.Path(path_type=Path))
@book_options
def rescue(target: Path, as_json: bool, book: str | None, config: Path | None) -> None:
    """Copy everything that can be read to TARGET: of the book, and of those that were begun beside it. None is changed."""
    from ..book.opening import books_beside
    from ..book.rescue import rescue_book
    from .book_text import counted_words

    _, place = settings_and_place(book, config)
    if place.path is None:
        do = "a server looks after its own: pg_restore brings back a backup"
        raise UsageError("a book on a server is not rescued from here", where=str(place), do=do)
    results = [(file, rescue_book(file, target)) for file in books_beside(place.path) or [place.path]]
    found = [{"place": str(file), "copied": one.copied, "lost": list(one.lost)} for file, one in results]
    lines = [f"{file} to {target}: {counted_words(one.copied)}" for file, one in results]
    lines += [f"  lost: {clause}" for _, one in results for clause in one.lost]
    say(json.dumps({"target": str(target), "books": found}) if as_json else "\n".join(lines))


@book.command(short_help="Copy the book, while it is written.")
@click.argument("target", type=click.Path(path_type=Path))
@book_options
def backup(target: Path, as_json: bool, book: str | None, config: Path | None) -> None:
    """Copy the book as it stands now to TARGET, a file that is not there yet. A daemon may go on writing."""
    from ..book.backup import back_up
    from ..book.opening import place_in_use

    _, place = settings_and_place(book, config)
    source = place_in_use(place)
    back_up(source, target)
    say(json.dumps({"place": str(source), "target": str(target)}) if as_json else f"{source} copied to {target}")
