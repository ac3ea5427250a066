"""`peakwhite record-scope`: a conversation with a scope as a file, from which its driver can be tested."""

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from .options import config_option
from .output import say

if TYPE_CHECKING:
    from ...drivers.errors import InstrumentError
    from ...drivers.family import Family
    from ...drivers.transcript import RecordingLink


@click.command("record-scope", short_help="Write down a conversation with a scope, for testing its driver.")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--scope", metavar="RESOURCE", help="VISA resource string; left out, the one in the settings.")
@click.option("--family", metavar="NAME", help="Force a family of scopes instead of asking the scope what it is.")
@config_option
def record_scope(file: Path, scope: str | None, family: str | None, config: Path | None) -> None:
    """Write down a conversation with a scope: what it is, how it is set, one short capture of channel 1.

    Its set-up is given back afterwards. The serial number is replaced and no address is kept; look through FILE all the
    same before you pass it on. What ends the conversation early is in the file too.
    """
    from ...drivers.errors import UsageError
    from ...drivers.families import family_named
    from ...drivers.links import open_link
    from ...drivers.transcript import RecordingLink
    from ..config.settings import load_settings

    table = load_settings(config).tables.scope
    resource, family = scope or table.resource, family or table.family
    if resource is None:
        raise UsageError("no scope is named", where="--scope", do="give its resource, or put it into the settings")
    if file.exists():
        raise UsageError("there is a file of that name", where=str(file), do="give another name")
    forced = None if family is None else family_named(family)
    link = RecordingLink(open_link(resource))
    try:
        error = _converse(link, file, forced)
    finally:
        link.close()
    if error is not None:
        raise error
    say(f"{file}: {len(link.exchanges)} messages, the serial number replaced; look through it before you pass it on")


def _converse(link: "RecordingLink", file: Path, forced: "Family | None") -> "InstrumentError | None":
    """Have the conversation and write the file; what ended it early. Raises UnknownInstrument and what opening raises."""
    from ...drivers.errors import InstrumentError
    from ...drivers.links import parse_resource
    from ...drivers.opening import open_driver
    from ...drivers.rehearsal import rehearse
    from ...drivers.transcript import transcript_of
    from ...drivers.waiting import Clock

    identity, family, driver = open_driver(link, forced, Clock())
    record, error = None, None
    try:
        record = rehearse(driver)
    except InstrumentError as caught:
        error = caught
    told = None if error is None else error.what
    kind = parse_resource(link.resource).kind
    transcript = transcript_of(link.exchanges, identity, family=family.name, link=kind, record=record, error=told)
    file.write_text(json.dumps(transcript, indent=1) + "\n", encoding="utf-8")
    return error
