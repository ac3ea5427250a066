"""`peakwhite match RED GREEN BLUE RED_AGAIN`: the colours of an output against each other, by one probe."""

import json
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ...drivers.errors import UnreadableInput, UsageError
from .options import config_option, gain_spec_option, json_option, pattern_white_option, role_option
from .output import say, warn

if TYPE_CHECKING:
    from ..measure.hookup import Hookup
    from ..measure.level_budget import LevelBudget
    from ..measure.reading import MatchReading
    from .measure_conditions import Given

SCHEMA = "peakwhite.one-probe/1"
NOT_MATCHED = 1
NS_PER_S = 1e9


@click.command(short_help="Match red, green and blue by one probe, from four captures.")
@click.argument("files", nargs=-1, type=click.Path(path_type=Path), metavar="RED GREEN BLUE RED_AGAIN")
@click.option("--channel", metavar="CH1", help="The channel that was moved; left out, the only one with a colour.")
@click.option("--at", metavar="S,S,S,S", help="Seconds at which they were taken, for files that do not say.")
@role_option
@click.option("--probe", "probes", multiple=True, metavar="CH1=10", help="Multiply a channel's volts. Repeatable.")
@pattern_white_option
@gain_spec_option
@click.option("--judge", is_flag=True, help="End with status 1 unless the colours match.")
@json_option
@config_option
def match(
    files: Sequence[Path],
    channel: str | None,
    at: str | None,
    roles: Sequence[str],
    probes: Sequence[str],
    pattern_white: str | None,
    gain_spec: str | None,
    judge: bool,
    as_json: bool,
    config: Path | None,
) -> int:
    """Match the colours by one probe: the same channel, cable and terminator on red, green, blue, and on red again.

    The gain of the scope cancels, and the way back to red bounds what drifted. The four CSV or .npz captures lie within
    60 s. --role says what the channel carries, any colour, and where the sync is.
    """
    from ..measure.one_probe import ORDER, check_one_probe, one_probe
    from .measure_conditions import Given

    if len(files) != len(ORDER):
        what = f"{len(files) or 'no'} capture{' is' if len(files) == 1 else 's are'} given"
        raise UsageError(what, where="match", do="give four: RED GREEN BLUE RED_AGAIN")
    times_ns = _times(at)
    given = Given(roles=roles, probes=probes, pattern_white=pattern_white, gain_spec=gain_spec, config=config)
    taken = _levels(files, channel, given, times_ns)
    check_one_probe(taken)
    found = one_probe(taken)
    say(_as_json(taken, found) if as_json else _as_text(taken, found))
    return NOT_MATCHED if judge and (found is None or not found.ok) else 0


def _levels(
    files: Sequence[Path], channel: str | None, given: "Given", times_ns: Sequence[int] | None
) -> "list[LevelBudget]":
    """The level in each file, as the colour that was due. Raises PeakwhiteError."""
    from ..measure.calibrated import serial_of
    from ..measure.engine import measure_capture
    from ..measure.one_probe import ORDER
    from .hookups import role_of_header
    from .measure_conditions import capture_and_conditions

    taken: list[LevelBudget] = []
    serials, said = set(), ""
    for number, (file, role) in enumerate(zip(files, ORDER, strict=True)):
        capture, conditions, note = capture_and_conditions(file, given)
        said = said or (f"{file}: {note}" if note else "")
        moved = _moved(channel, conditions.hookup, file)
        serials.add(serial_of(capture.identity))
        captured_at_ns = capture.captured_at_ns if times_ns is None else times_ns[number]
        if captured_at_ns == 0:
            raise UnreadableInput(
                "it does not say when it was captured", where=str(file), do="say when they were taken: --at 0,15,30,45"
            )
        fit = measure_capture(capture, conditions).budgets
        level = next((one for one in fit if one.channel == moved), None)
        if level is None:
            do = "show a full white field, and see that nothing is clipped"
            raise UnreadableInput(f"no white is seen on {moved} that could be measured", where=str(file), do=do)
        name = "" if role_of_header(moved) else moved
        taken.append(replace(level, role=role, channel=name, captured_at_ns=captured_at_ns))
    if len(serials) > 1:
        raise UsageError("the captures are from different scopes", where="match", do="take them from one")
    if said:
        warn(said)
    return taken


def _moved(channel: str | None, hookup: "Hookup", file: Path) -> str:
    """The channel with the probe that is moved. Raises UsageError."""
    from ..measure.hookup import COLOURS, carrying_a_colour

    colours = [clip.channel for clip in hookup.clips if clip.role in COLOURS]
    if channel is not None and channel in colours:
        return channel
    if channel is None and len(colours) == 1:
        return colours[0]
    what = f"{channel} carries no colour" if channel else carrying_a_colour(len(colours))
    raise UsageError(f"{what} in {file.name}", where="match", do="say which was moved: --channel CH1 --role CH1=red")


def _times(at: str | None) -> list[int] | None:
    """`0,15,30,45` as nanoseconds of any beginning. Raises UsageError."""
    if at is None:
        return None
    try:
        seconds = [float(part) for part in at.split(",")]
    except ValueError:
        seconds = []
    if len(seconds) != 4 or not all(0.0 <= one <= 1e6 for one in seconds):
        raise UsageError(f"'{at}' are no four times in seconds", where="--at", do="write them like --at 0,15,30,45")
    if not all(earlier < later for earlier, later in pairwise(seconds)):
        raise UsageError(f"'{at}' do not rise", where="--at", do="take red, green, blue and red again, in that order")
    return [round((1.0 + one) * NS_PER_S) for one in seconds]


def _seconds(taken: "Sequence[LevelBudget]") -> list[float]:
    return [(one.captured_at_ns - taken[0].captured_at_ns) / NS_PER_S for one in taken]


def _as_json(taken: "Sequence[LevelBudget]", found: "MatchReading | None") -> str:
    from ..measure.reading import plain

    levels = [
        {"role": one.role, "level_mv": plain(one.level_mv), "at_s": plain(at_s)}
        for one, at_s in zip(taken, _seconds(taken), strict=True)
    ]
    return json.dumps({"schema": SCHEMA, "levels": levels, "match": plain(found)}, allow_nan=False)


def _as_text(taken: "Sequence[LevelBudget]", found: "MatchReading | None") -> str:
    from ..measure.one_probe import LONGEST_S, too_far_apart_s
    from .reading_text import match_words

    names = ("red", "green", "blue", "red again")
    lines = [
        f"{name:<9}  {one.level_mv:.1f} mV  at {at_s:.0f} s"
        for name, one, at_s in zip(names, taken, _seconds(taken), strict=True)
    ]
    drift_mv = taken[-1].level_mv - taken[0].level_mv
    lines.append(f"drift      {drift_mv:+.1f} mV")
    if found is None:
        apart_s = too_far_apart_s(taken) or 0.0
        return "\n".join([*lines, f"match      none: they lie {apart_s:.0f} s apart, and {LONGEST_S:g} s is the most"])
    return "\n".join([*lines, f"match      {match_words(found)}"])
