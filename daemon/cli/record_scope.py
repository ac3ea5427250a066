"""`peakwhite record-scope`: a conversation with a scope as a file, from which its driver can be tested."""

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ...drivers.errors import PeakwhiteError, UsageError
from .ending import ended_in_order
from .options import config_option
from .output import say

if TYPE_CHECKING:
    from ...drivers.family import Family


@click.command("record-scope", short_help="Write down a conversation with a scope, for testing its driver.")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--scope", metavar="RESOURCE", help="VISA resource string; left out, the one in the settings.")
@click.option("--family", metavar="NAME", help="Force a family of scopes instead of asking the scope what it is.")
@config_option
def record_scope(file: Path, scope: str | None, family: str | None, config: Path | None) -> None:
    """Write down a conversation with a scope: what it is, how it is set, one short capture of channel 1.

    Its set-up is given back afterwards, also after Ctrl-C, which leaves no FILE. The serial number is replaced, of the
    options only short names are left, and no address is kept; look through FILE all the same before you pass it on. Once
    the scope is reached, what ends the conversation early is in FILE too.
    """
    from ...drivers.families import family_named
    from ..config.settings import load_settings

    table = load_settings(config).tables.scope
    resource, family = scope or table.resource, family or table.family
    if resource is None:
        raise UsageError("no scope is named", where="--scope", do="give its resource, or put it into the settings")
    if file.exists():
        raise UsageError("there is a file of that name", where=str(file), do="give another name")
    if not file.parent.is_dir():
        raise PeakwhiteError("there is no such folder", where=str(file.parent), do="make it first")
    messages = _converse(resource, file, None if family is None else family_named(family))
    say(f"{file}: {messages} messages, the serial number replaced; look through it before you pass it on")


def _converse(resource: str, file: Path, forced: "Family | None") -> int:
    """Have the conversation and write the file; how many messages. Raises what ended it early, with where the file is."""
    from ...drivers.errors import InstrumentError
    from ...drivers.links import open_link, parse_resource
    from ...drivers.opening import open_driver
    from ...drivers.rehearsal import rehearse
    from ...drivers.transcript import RecordingLink, transcript_of

    link = RecordingLink(open_link(resource))
    family, record, error = forced, None, None
    try:
        with ended_in_order():
            _, family, driver = open_driver(link, forced, link.clock)
            record = rehearse(driver, link)
    except InstrumentError as caught:
        error = caught
    finally:
        link.close()
    transcript = transcript_of(
        link.exchanges,
        family=None if family is None else family.name,
        link=parse_resource(resource).kind,
        record=record,
        error=None if error is None else error.what,
    )
    file.write_text(json.dumps(transcript, indent=1) + "\n", encoding="utf-8")
    if error is not None:
        error.do += f"; what was said until then is in {file}"
        raise error
    return len(link.exchanges)
