"""`peakwhite calibrate tie`: how the channels read one and the same signal."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ...drivers.errors import UsageError
from .calibrate import CLIP_ON, bench_settings, caution, days_option
from .options import config_option, json_option, role_option
from .output import say

if TYPE_CHECKING:
    from ...drivers.capture import Capture
    from ..measure.targets import Conditions
    from .calibrate_result import TieResult

STEP = "Put the probes of all colours on one output, with one terminator, and show a full field of that colour alone"


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
    from .calibrate_captures import captures_of
    from .calibrate_result import tie_text

    if files and scope is not None:
        do = "leave out one of the two"
        raise UsageError("recorded captures are given, and --scope too", where="calibrate tie", do=do)
    settings, setup = bench_settings(config, roles)
    channels = [clip.channel for clip in setup.conditions.hookup.clips if clip.role in COLOURS]
    caution(bool(files), f"unit off, {CLIP_ON}")
    with captures_of(settings, setup, channels, scope=scope, family=family, recorded=bool(files)) as source:
        captures = [capture for file in files or (None,) for capture in source.take(STEP, file)]
    result = _result(captures, setup.conditions, reference, days)
    path = keep_calibrations(result.calibrations)
    say(tie_text(result, path, as_json=as_json))


def _result(captures: "Sequence[Capture]", conditions: "Conditions", reference: str | None, days: float) -> "TieResult":
    """The ties, not yet kept, with what the match of the colours is good for before and after. Raises PeakwhiteError."""
    from dataclasses import replace

    from ..measure.calibrated import serial_of
    from ..measure.calibration import Calibration
    from ..measure.tie_learnt import learn_tie
    from .calibrate_gain import no_serial
    from .calibrate_result import TieResult

    last = captures[-1]
    if any(capture.identity != last.identity for capture in captures):
        raise UsageError("the captures are from different scopes", where="calibrate tie", do="take them from one")
    serial = serial_of(last.identity)
    if serial is None:
        raise no_serial(last.identity)
    made = tuple(
        Calibration("tie", last.captured_at_ns, serial, channel, tie=learnt, valid_days=days)
        for channel, learnt in learn_tie(captures, conditions, reference).items()
    )
    known = tuple(one for one in conditions.calibrations if not any(new.replaces(one) for new in made))
    after = replace(conditions, calibrations=(*known, *made))
    without = replace(conditions, calibrations=tuple(one for one in known if one.tie is None))
    return TieResult(made, _match_u95_mv(last, without), _match_u95_mv(last, after))


def _match_u95_mv(capture: "Capture", conditions: "Conditions") -> float | None:
    from ..measure.engine import measure_capture

    match = measure_capture(capture, conditions).match
    return None if match is None else match.u95_mv
