"""`peakwhite terminator-test FIRST SECOND`: the source impedance of an output, from two recorded captures."""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ...drivers.errors import UnreadableInput, UsageError
from .options import config_option, gain_spec_option, json_option, role_option
from .output import say, warn

if TYPE_CHECKING:
    from ..measure.reading import Measured
    from ..measure.terminator_test import Second, SourceImpedance

SCHEMA = "peakwhite.source-impedance/1"


@click.command("terminator-test", short_help="Find an output's source impedance from two captures.")
@click.argument("first", type=click.Path(path_type=Path))
@click.argument("second", type=click.Path(path_type=Path))
@click.option(
    "--with",
    "with_second",
    type=click.Choice(["open", "two-loads"]),
    required=True,
    help="What the second capture was into: no terminator, or one more (a monitor teed in counts as one).",
)
@role_option
@click.option("--probe", "probes", multiple=True, metavar="CH1=10", help="Multiply a channel's volts. Repeatable.")
@gain_spec_option
@json_option
@config_option
def terminator_test(
    first: Path,
    second: Path,
    with_second: "Second",
    roles: Sequence[str],
    probes: Sequence[str],
    gain_spec: str | None,
    as_json: bool,
    config: Path | None,
) -> None:
    """Find the source impedance of each output from its white in two captures, CSV or .npz.

    FIRST is into one terminator, as always; SECOND is of the same picture with the terminator off, or with another one
    beside it. The scope's gain cancels if its range is left alone.
    """
    from ..measure.calibrated import serial_of
    from ..measure.engine import measure_capture
    from ..measure.terminator_test import source_impedances
    from .measure_conditions import Given, capture_and_conditions

    given = Given(roles=roles, probes=probes, gain_spec=gain_spec, config=config)
    capture, conditions, note = capture_and_conditions(first, given)
    other_capture, other_conditions, _ = capture_and_conditions(second, given)
    if serial_of(capture.identity) != serial_of(other_capture.identity):
        raise UsageError("the captures are from different scopes", where="terminator-test", do="take them from one")
    one, other = measure_capture(capture, conditions), measure_capture(other_capture, other_conditions)
    found = source_impedances(one.budgets, other.budgets, conditions.hookup, with_second)
    if note and found:
        warn(f"{first}: {note}")
    if found:
        say(_as_json(found, with_second) if as_json else _as_text(found, with_second))
    _refuse_what_is_untold(found, [(first, one), (second, other)])


def _refuse_what_is_untold(found: Sequence["SourceImpedance"], measured: Sequence[tuple[Path, "Measured"]]) -> None:
    """Raises UnreadableInput where a channel gives no source impedance, once those that do are printed."""
    from ..measure.hookup import WHITE_ROLES

    for file, one in measured:
        clipped = [reading.channel for reading in one.channels if reading.clipped and reading.role in WHITE_ROLES]
        if clipped:
            what = f"{', '.join(clipped)} ran off the scope's range, so no level is known"
            raise UnreadableInput(what, where=str(file), do="choose a range that holds both and take both again")
    second = str(measured[-1][0])
    if not found:
        do = "show a full white field, and leave the picture alone between the two"
        raise UnreadableInput("no channel shows white in both", where=second, do=do)
    impossible = [one.channel for one in found if one.source_ohm is None]
    if impossible:
        do = "see that the files are in order and --with says what the second is of"
        raise UnreadableInput(f"no source impedance gives the levels of {', '.join(impossible)}", where=second, do=do)


def _as_json(found: Sequence["SourceImpedance"], with_second: str) -> str:
    from ..measure.reading import plain

    return json.dumps({"schema": SCHEMA, "with": with_second, "channels": plain(found)}, allow_nan=False)


def _as_text(found: Sequence["SourceImpedance"], with_second: str) -> str:
    lines = []
    into = {"open": "open", "two-loads": "into two loads"}[with_second]
    for one in found:
        lines.append(
            f"{one.channel}  {one.role}  {one.level_mv:.1f} mV into one load, {one.second_mv:.1f} mV {into}: {_ohm(one)}"
        )
        if not one.same_range:
            lines.append("  The two are not known to be on one range, so the scope's gain does not cancel.")
        for hint in one.hints:
            lines += [f"  {hint.code}: {hint.text}", f"    {hint.test}"]
    return "\n".join(lines)


def _ohm(one: "SourceImpedance") -> str:
    if one.source_ohm is None or one.u95_ohm is None:
        return "no source impedance gives these"
    return f"source {one.source_ohm:.1f} ± {one.u95_ohm:.1f} ohm"
