"""`peakwhite calibrate tie`: how the channels read one and the same signal."""

from collections.abc import Sequence
from pathlib import Path

import click

from ...drivers.errors import UsageError
from .calibrate import CLIP_ON, bench_settings, caution, days_option
from .options import config_option, json_option, role_option
from .output import say


@click.command(short_help="Channels against each other, all probes on one output.")
@click.argument("files", nargs=-1, type=click.Path(path_type=Path), metavar="[FILE]...")
@click.option("--reference", metavar="CH1", help="The channel to compare with; left out, that of the first colour.")
@click.option("--scope", metavar="RESOURCE", help="VISA resource string; left out, the one in the settings.")
@click.option("--family", metavar="NAME", help="Force a family of scopes.")
@role_option
@config_option
@days_option
@json_option
def tie(
    files: Sequence[Path],
    reference: str | None,
    scope: str | None,
    family: str | None,
    roles: Sequence[str],
    config: Path | None,
    days: float,
    as_json: bool,
) -> None:
    """Tie the channels of red, green and blue: all of their probes on one output, so that all see the same signal.

    From then on the match of the colours is told without the error of the scope's gain. Recorded .npz captures, each a
    FILE, take the scope's place. The picture is in that one colour alone, so that a probe that was left elsewhere sees none.
    """
    from ..calibrations import keep_calibrations
    from ..measure.hookup import COLOURS
    from ..measure.tie_made import TIE_STEP, make_tie
    from .calibrate_captures import captures_of
    from .calibrate_result import tie_text

    if files and scope is not None:
        do = "leave out one of the two"
        raise UsageError("recorded captures are given, and --scope too", where="calibrate tie", do=do)
    settings, setup = bench_settings(config, roles)
    channels = [clip.channel for clip in setup.conditions.hookup.clips if clip.role in COLOURS]
    caution(bool(files), f"unit off, {CLIP_ON}")
    with captures_of(settings, setup, channels, scope=scope, family=family, recorded=bool(files)) as source:
        captures = [capture for file in files or (None,) for capture in source.take(TIE_STEP, file)]
    result = make_tie(captures, setup.conditions, reference, days)
    path = keep_calibrations(result.calibrations)
    say(tie_text(result, path, as_json=as_json))
