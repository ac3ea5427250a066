"""`peakwhite book job|unit|stage|mark|undo`: what is put into the book by hand."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ...drivers.errors import UsageError
from .book import book_options, kept_line, number_argument, reader_of, settings_and_place
from .output import say, warn

if TYPE_CHECKING:
    from ..book import BookPlace, BookReader
    from ..book.records import Job, Stage, Unit

AS_FOUND = "as found"


@click.command(short_help="Add a job.")
@click.argument("name")
@click.option("--note", default="", metavar="TEXT", help="Anything else.")
@book_options
def job(name: str, note: str, as_json: bool, book: str | None, config: Path | None) -> None:
    """Add a job: a customer's order, or a batch."""
    from ..book.objects import job_object
    from ..book.records import JobText
    from .book_hands import writing_hand

    text = JobText(name, note)
    settings, place = settings_and_place(book, config)
    with writing_hand(place, settings) as hand:
        number = hand.add_job(text)
    with reader_of(place) as reader:
        added = reader.job(number)
    say(json.dumps(job_object(added)) if as_json else f"job {number}: {name}")


@click.command(short_help="Add a unit, which is on the bench then.")
@click.option(
    "--job",
    "job_id",
    type=number_argument,
    metavar="N",
    help="Its job; left out, one just added, else that on the bench.",
)
@click.option("--maker", default="", metavar="TEXT", help="Who made it.")
@click.option("--model", default="", metavar="TEXT", help="Which model it is.")
@click.option("--serial", default="", metavar="TEXT", help="What is written on it.")
@click.option("--revision", default="", metavar="TEXT", help="Of its board.")
@click.option("--note", default="", metavar="TEXT", help="Anything else.")
@click.option("--stage", default=AS_FOUND, show_default=True, metavar="NAME", help="The stage that it is in.")
@book_options
def unit(
    job_id: int | None,
    maker: str,
    model: str,
    serial: str,
    revision: str,
    note: str,
    stage: str,
    as_json: bool,
    book: str | None,
    config: Path | None,
) -> None:
    """Add a unit with its first stage. What is kept from now on goes there."""
    from ..book.records import StageText, UnitText
    from .book_hands import writing_hand

    text, first = UnitText(maker, model, serial, revision, note), StageText(stage)
    settings, place = settings_and_place(book, config)
    job_number = _job_meant(place, job_id)
    with reader_of(place) as reader:
        alike = [one.id for one in reader.units(job_number) if serial and one.text.serial == serial]
    with writing_hand(place, settings) as hand:
        number = hand.add_unit(job_number, text, first)
    if alike:
        warn(f"unit {alike[0]} of this job has that serial too; 'peakwhite book list --places' shows its stages")
    _say_present(place, number, as_json)


@click.command(short_help="Add a stage, or go back to one.")
@click.argument("name", required=False)
@click.option("--unit", "unit_id", type=number_argument, metavar="N", help="Its unit; left out, that on the bench.")
@click.option("--choose", type=number_argument, metavar="N", help="Put this stage on the bench instead of adding one.")
@click.option("--none", "nothing", is_flag=True, help="Put nothing on the bench: marks are loose ones of the day.")
@book_options
def stage(
    name: str | None,
    unit_id: int | None,
    choose: int | None,
    nothing: bool,
    as_json: bool,
    book: str | None,
    config: Path | None,
) -> None:
    """Add the stage NAME to a unit: "after first change", "as left". What is kept from now on goes there."""
    from ..book.records import StageText
    from .book_hands import writing_hand

    if sum((name is not None, choose is not None, nothing)) != 1:
        raise UsageError("one of NAME, --choose and --none is needed", where="book stage", do="give one")
    text = None if name is None else StageText(name)
    settings, place = settings_and_place(book, config)
    if choose is not None:
        _whereabouts(place, choose)
    with writing_hand(place, settings) as hand:
        if text is None:
            hand.choose(choose)
            number = choose
        else:
            number = hand.add_stage(_unit_meant(place, unit_id), text)
    _say_present(place, number, as_json)


@click.command(short_help="Keep the present reading, or change a mark.")
@click.argument("mark", required=False, type=number_argument)
@click.option("--note", metavar="TEXT", help="What to remember of it.")
@click.option("--who", metavar="NAME", help="Who measured, of a new mark.")
@click.option("--stage", "stage_id", type=number_argument, metavar="N", help="Its stage; left out, that on the bench.")
@book_options
def mark(
    mark: int | None,
    note: str | None,
    who: str | None,
    stage_id: int | None,
    as_json: bool,
    book: str | None,
    config: Path | None,
) -> None:
    """Keep the present reading of the daemon that has the book open; or, of the mark with the number MARK, change note or
    stage. What was measured never changes."""
    from ..book.objects import mark_object
    from .book_hands import daemon_of, writing_hand
    from .book_text import kept_as_text

    settings, place = settings_and_place(book, config)
    number = mark
    if number is None:
        number = daemon_of(place, settings).keep(stage_id, note or "", who or "")
    elif who is not None or (note is None and stage_id is None):
        raise UsageError(
            "of a mark that is kept, note and stage can change", where="book mark", do="give --note or --stage"
        )
    else:
        with writing_hand(place, settings) as hand:
            hand.change_mark(number, note, stage_id)
    line = kept_line(place, number)
    if as_json:
        say(json.dumps({"id": number} if line is None else mark_object(line)))
    else:
        say(kept_as_text(number, line, "kept" if mark is None else "changed"))


@click.command(short_help="Take a mark back, or put it back.")
@click.argument("mark", required=False, type=number_argument)
@click.option("--restore", is_flag=True, help="Put MARK back that was taken back.")
@book_options
def undo(mark: int | None, restore: bool, as_json: bool, book: str | None, config: Path | None) -> None:
    """Take back the last mark of this bench, or MARK. It stays in the book, and --restore puts it back."""
    from .book_hands import writing_hand
    from .book_text import kept_as_text

    if restore and mark is None:
        raise UsageError("it needs the number of a mark", where="--restore", do="give MARK")
    settings, place = settings_and_place(book, config)
    number = mark
    with writing_hand(place, settings) as hand:
        if number is None:
            number = hand.undo()
        else:
            hand.set_removed(number, not restore)
    told = "there is no mark to take back"
    if number is not None:
        told = kept_as_text(number, kept_line(place, number), "put back" if restore else "taken back")
    say(json.dumps({"id": number}) if as_json else told)


def places_object(reader: "BookReader", present: int | None) -> dict[str, Any]:
    """All jobs with their units, these with their stages, and the stage on the bench."""
    from ..book.objects import job_object, stage_object, unit_object

    def unit_with(unit: "Unit") -> dict[str, Any]:
        return {**unit_object(unit), "stages": [stage_object(stage) for stage in reader.stages(unit.id)]}

    jobs = [{**job_object(job), "units": [unit_with(unit) for unit in reader.units(job.id)]} for job in reader.jobs()]
    return {"jobs": jobs, "present": present}


def _say_present(place: "BookPlace", stage_id: int | None, as_json: bool) -> None:
    """What is on the bench now."""
    from ..book.objects import whereabouts_object
    from .book_text import place_words

    found = None if stage_id is None else _whereabouts(place, stage_id)
    if as_json:
        say(json.dumps({"present": whereabouts_object(found)}))
    elif found is None:
        say("nothing on the bench: marks are loose ones of the day")
    else:
        say(f"on the bench, stage {stage_id}: {place_words(*found)}")


def _whereabouts(place: "BookPlace", stage_id: int) -> "tuple[Job, Unit, Stage]":
    """Raises NotInBook."""
    with reader_of(place) as reader:
        return reader.whereabouts(stage_id)


def _present_whereabouts(place: "BookPlace") -> "tuple[Job, Unit, Stage] | None":
    from ...drivers.errors import NotInBook
    from ..book import PresentStage

    stage_id = PresentStage(place).stage_id
    try:
        return None if stage_id is None else _whereabouts(place, stage_id)
    except NotInBook:
        return None


def _job_meant(place: "BookPlace", given: int | None) -> int:
    """Raises UsageError where there is none."""
    if given is not None:
        return given
    with reader_of(place) as reader:
        newest = next(iter(reader.jobs()), None)
        is_new = newest is not None and not reader.units(newest.id)
    if newest is None:
        raise UsageError("there is no job yet", where="book unit", do="add one first: 'peakwhite book job NAME'")
    present = None if is_new else _present_whereabouts(place)
    return newest.id if present is None else present[0].id


def _unit_meant(place: "BookPlace", given: int | None) -> int:
    """Raises UsageError where there is none."""
    if given is not None:
        return given
    present = _present_whereabouts(place)
    if present is None:
        do = "say which: --unit N, of 'peakwhite book list --places'"
        raise UsageError("no unit is on the bench", where="book stage", do=do)
    return present[1].id
