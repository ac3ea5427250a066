"""`peakwhite capture FILE`: one capture from the scope, kept as a file."""

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ...drivers.errors import PeakwhiteError, UsageError
from .options import config_option, role_option
from .output import say

if TYPE_CHECKING:
    from ...drivers.capture import Capture
    from ..acquisition import Source
    from ..config import Setup
    from ..measure.hookup import Hookup

NPZ = ".npz"
MOST_LOOKS = 8
"""So many few-line records that show no picture are passed over: some fall into the vertical interval."""


@click.command(short_help="Keep one capture from the scope as an .npz file.")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--scope", metavar="RESOURCE", help="VISA resource string; left out, the one in the settings.")
@click.option("--family", metavar="NAME", help="Force a family of scopes.")
@click.option("--field", is_flag=True, help="Two fields and a little, instead of a few lines.")
@click.option("--overwrite", is_flag=True, help="Write over a file that is there.")
@role_option
@config_option
def capture(
    file: Path,
    scope: str | None,
    family: str | None,
    field: bool,
    overwrite: bool,
    roles: Sequence[str],
    config: Path | None,
) -> None:
    """Take one capture of all channels of the hookup and keep it in FILE, an .npz that the other commands measure.

    It is taken once all channels are on their ranges and the scope triggers. --role takes the place of the settings'
    whole hookup; it is not kept in FILE, which holds what the scope sent.
    """
    _check(file, overwrite)
    from ..measure import engine  # noqa: F401 - no import may follow while signals raise (`ended_in_order`)
    from .from_scope import opened_scope
    from .given_settings import settings_with_roles

    settings = settings_with_roles(config, roles)
    setup = settings.setup()
    with opened_scope(settings, scope=scope, family=family, where="capture") as source:
        taken = _taken(source, setup, field)
    _write(file, taken, overwrite)
    say(f"{file}: {_told(taken, setup.conditions.hookup)}")


def _check(file: Path, overwrite: bool) -> None:
    """Refuse a file that could not be written before anything is asked of the scope."""
    if file.suffix.lower() != NPZ:
        raise UsageError("a capture is kept as .npz", where=str(file), do=f"name it {file.stem or 'capture'}{NPZ}")
    if os.path.lexists(file) and not overwrite:
        raise _is_there(file)
    if not file.parent.is_dir():
        raise PeakwhiteError("there is no such folder", where=str(file.parent), do="make it first")


def _is_there(file: Path) -> UsageError:
    return UsageError("it is there already", where=str(file), do="name another file, or say --overwrite")


def _taken(source: "Source", setup: "Setup", field: bool) -> "Capture":
    """Few lines come first, since from these the source learns where to trigger. Raises UsageError, InstrumentError."""
    from ..acquisition import Task
    from .from_scope import settled

    hookup = setup.conditions.hookup
    source.check(hookup)
    source.configure(Task.LEVELS, setup)
    taken = settled(source, hookup.recorded.channels, triggered=True)
    if field:
        source.configure(Task.FIELD, setup)
        return settled(source, hookup.recorded.channels, triggered=True)
    for _ in range(MOST_LOOKS):
        if _shows_picture(taken, setup):
            break
        taken = settled(source, hookup.recorded.channels, triggered=True)
    return taken


def _shows_picture(taken: "Capture", setup: "Setup") -> bool:
    """Whether white stands in these few lines, and not the vertical interval or a dark part. A black picture has none."""
    from ..acquisition.fields import lacks_white
    from ..measure.engine import measure_capture

    measured = measure_capture(taken, setup.conditions)
    dark = [channel for channel in measured.channels if lacks_white(measured, channel.channel)]
    return measured.sync.state != "vertical-interval" and not dark


def _write(file: Path, taken: "Capture", overwrite: bool) -> None:
    from ..sources.capture_file import write_capture

    try:
        write_capture(file, taken, overwrite=overwrite)
    except FileExistsError as error:
        raise _is_there(file) from error
    except OSError as error:
        what = (error.strerror or "it cannot be written").lower()
        raise PeakwhiteError(what, where=str(file), do="name a place where there is room and one may write") from error


def _told(taken: "Capture", hookup: "Hookup") -> str:
    """What was written: channels, samples, when, by which scope."""
    from ..measure.reading import iso_utc

    clips = [(record.name, hookup.of_channel(record.name)) for record in taken.channels]
    channels = ", ".join(f"{name} {clip.role}" if clip else name for name, clip in clips)
    span_ms = taken.samples * taken.seconds_per_sample * 1e3
    when = iso_utc(taken.captured_at_ns)
    return f"{channels}; {taken.samples} samples over {span_ms:.4g} ms, {when}, {taken.identity}"
