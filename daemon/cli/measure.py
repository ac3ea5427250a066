"""`peakwhite measure FILE`: one reading from a recorded capture."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from time import perf_counter
from typing import Any

import click

from ...drivers.errors import UsageError
from .measure_keep import Keeping, keep_reading, keeping_options
from .options import (
    config_option,
    gain_spec_option,
    hold_option,
    json_option,
    pattern_white_option,
    role_option,
)
from .output import say, warn

NOT_TO_BE_LEFT = 1


@click.command(short_help="Measure a recorded capture, CSV or .npz.")
@click.argument("file", type=click.Path(path_type=Path))
@role_option
@click.option("--probe", "probes", multiple=True, metavar="CH1=10", help="Multiply a channel's volts. Repeatable.")
@pattern_white_option
@click.option("--target", "targets", multiple=True, metavar="NAME|red=NAME", help="Target, for all or for one role.")
@gain_spec_option
@hold_option
@click.option(
    "--reference", type=click.Path(path_type=Path), metavar="FILE", help="Capture or --json reading of a good unit."
)
@click.option("--explain", is_flag=True, help="Print the uncertainty budget of every level too.")
@click.option("--judge", is_flag=True, help="End with status 1 unless every level may be left.")
@keeping_options
@json_option
@config_option
def measure(
    file: Path,
    roles: Sequence[str],
    probes: Sequence[str],
    pattern_white: str | None,
    targets: Sequence[str],
    gain_spec: str | None,
    hold: bool,
    reference: Path | None,
    explain: bool,
    judge: bool,
    as_json: bool,
    config: Path | None,
    **kept: Any,
) -> int:
    """Measure the levels in FILE, a CSV or .npz capture.

    A CSV file has a header row, then time in seconds and the volts of each channel at the probe tip. A header that is a
    role (red, sync, …) needs no --role. Where no role is known and there are CH1 to CH4, they are taken as red, green,
    blue and sync, and stderr says so.
    """
    if explain and as_json:
        raise UsageError("the budget is text and --json allows none", where="--explain", do="leave out one of the two")
    from .measure_conditions import Given, capture_and_conditions

    keeping = Keeping(**kept)
    keeping.check()
    given = Given(roles, probes, pattern_white, targets, gain_spec, config, hold)
    capture, conditions, assumed = capture_and_conditions(file, given)
    if reference is not None:
        from .reference_file import reference_for

        conditions = replace(conditions, reference=reference_for(conditions.hookup, reference, given))

    from ..measure.engine import measure_capture
    from ..measure.explain import explain as explained
    from ..measure.reading import LatencyMs, Reading, ScopeTag, encode_reading
    from .reading_text import may_be_left, reading_as_text

    began_s = perf_counter()
    measured = measure_capture(capture, conditions)
    took_ms = (perf_counter() - began_s) * 1e3
    tag = ScopeTag(capture.identity, None)
    reading = Reading("file", 1, 1, capture.captured_at_ns, LatencyMs(None, took_ms), tag, measured)
    told = keep_reading(keeping, config, reading, capture, conditions) if keeping.keep else None
    if assumed:
        warn(f"{file}: {assumed}")
    if as_json:
        say(encode_reading(reading))
    else:
        say(reading_as_text(measured, conditions.pattern_white_pct))
    if explain:
        say("\n" + explained(capture, conditions))
    if told is not None:
        warn(told) if as_json else say(f"\n{told}")
    return NOT_TO_BE_LEFT if judge and not may_be_left(measured) else 0
