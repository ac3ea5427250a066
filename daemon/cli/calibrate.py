"""`peakwhite calibrate`: a channel's gain, or its terminator, by what lies on the bench."""

import json
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from ...drivers.errors import UsageError
from .answers import OHMS, MeterReading, answer, meter_reading
from .options import config_option, json_option, role_option
from .output import say, warn

if TYPE_CHECKING:
    from ..config import Setup
    from ..config.settings import Settings
    from ..measure.calibration import Meter
    from .calibrate_gain import Result

F = TypeVar("F", bound=Callable[..., object])

CLIP_ON = "earth clip on first, then the tip, then switch on"
BEFORE = f"unit and supply off, {CLIP_ON}"
DONE = "q"


@click.group(
    no_args_is_help=False,
    short_help="Make levels surer, by a multimeter, a supply, an ohmmeter, or channels by each other.",
)
def calibrate() -> None:
    """Calibrate a channel with what lies on the bench, so that a 3 % scope tells a level to better than 1 %.

    What is asked for on stderr may be answered there, or given by options. A calibration is kept for the scope's serial
    number and holds for the channel, range and probe that it was made with, 90 days unless --days says otherwise.
    """


def bench_options(command: F) -> F:
    """What all ways share that look at the scope."""
    for option in (
        click.option("--channel", required=True, metavar="CH1", help="The channel to calibrate."),
        click.option("--scope", metavar="RESOURCE", help="VISA resource string; left out, the one in the settings."),
        click.option("--family", metavar="NAME", help="Force a family of scopes."),
        role_option,
        config_option,
        click.option("--resolution", metavar="0.1mV", help="Last digit of the meter; left out, that of what is typed."),
    ):
        command = option(command)
    return command


def meter_options(command: F) -> F:
    """How good the meter is, and how long the result serves."""
    for option in (
        click.option("--meter-pct", type=click.FloatRange(0, 20), default=0.5, show_default=True, help="Of reading."),
        click.option("--meter-counts", type=click.FloatRange(0, 100), default=2.0, show_default=True, help="Digits."),
        days_option,
    ):
        command = option(command)
    return command


def days_option(command: F) -> F:
    """--days N."""
    return click.option(
        "--days", type=click.FloatRange(1, 3660), default=90.0, show_default=True, help="Good for so long."
    )(command)


@calibrate.command(short_help="Gain, by a multimeter on the unit's own white and black.")
@bench_options
@click.option("--white", metavar="MV", help="Meter's DC reading on full white: 535.2 (mV) or 0.5352V.")
@click.option("--white-swapped", metavar="MV", help="The same with the meter's leads swapped.")
@click.option("--black", metavar="MV", help="Meter's DC reading on full black.")
@click.option("--black-swapped", metavar="MV", help="The same with the meter's leads swapped.")
@click.option("--white-file", type=click.Path(path_type=Path), metavar="FILE", help="Recorded .npz, not the scope.")
@click.option("--black-file", type=click.Path(path_type=Path), metavar="FILE", help="Recorded .npz, not the scope.")
@meter_options
@json_option
def multimeter(
    channel: str,
    scope: str | None,
    family: str | None,
    roles: Sequence[str],
    config: Path | None,
    resolution: str | None,
    white: str | None,
    white_swapped: str | None,
    black: str | None,
    black_swapped: str | None,
    white_file: Path | None,
    black_file: Path | None,
    meter_pct: float,
    meter_counts: float,
    days: float,
    as_json: bool,
) -> None:
    """Calibrate a channel's gain with a multimeter, on a unit with DC-coupled outputs.

    The meter stands on DC volts, across the terminator, while the scope looks on. Full white is shown, then full black;
    each is read with the meter's leads one way and the other. Offsets, sync and terminator cancel.
    """
    from .calibrate_captures import captures_of
    from .calibrate_gain import Bench, by_fields

    settings, setup = _settings(config, channel, roles)
    given = {"--white": white, "--white-swapped": white_swapped, "--black": black, "--black-swapped": black_swapped}
    for option, text in given.items():
        if text is not None:
            meter_reading(text, option)
    recorded = white_file is not None or black_file is not None
    caution(recorded, "the meter is on DC volts across the terminator and stays on one range; " + BEFORE)
    readings: dict[str, MeterReading] = {}

    def asked(picture: str) -> tuple[float, float]:
        for option, how in ((f"--{picture}", ""), (f"--{picture}-swapped", ", leads swapped")):
            question = f"Meter on {picture}{how}, mV"
            readings[option] = meter_reading(answer(given[option], question, option), option)
        return readings[f"--{picture}"].value, readings[f"--{picture}-swapped"].value

    with captures_of(settings, setup, [channel], scope=scope, family=family, recorded=recorded) as source:
        whites = source.take("Show a full white field", white_file)
        meter_white = asked("white")
        blacks = source.take("Show a full black field", black_file)
        meter_black = asked("black")
    meter = _meter(meter_pct, meter_counts, resolution, list(readings.values()))
    bench = Bench(setup.conditions, channel, meter, days)
    _keep(by_fields(bench, whites, meter_white, blacks, meter_black), as_json)


@calibrate.command(short_help="Gain and linearity, by a bench supply and a multimeter.")
@bench_options
@click.option("--level", "levels", multiple=True, metavar="MV[=FILE]", help="Meter's reading; three or more.")
@meter_options
@json_option
def supply(
    channel: str,
    scope: str | None,
    family: str | None,
    roles: Sequence[str],
    config: Path | None,
    resolution: str | None,
    levels: Sequence[str],
    meter_pct: float,
    meter_counts: float,
    days: float,
    as_json: bool,
) -> None:
    """Calibrate a channel's gain and linearity with a supply, its voltage read by a multimeter.

    The supply goes through the same cable and probe as the signal does. Three levels or more: 0, 350 and 700 mV serve
    well. What they are off a straight line is the linearity.
    """
    from .calibrate_captures import captures_of
    from .calibrate_gain import Bench, by_levels

    settings, setup = _settings(config, channel, roles)
    given = [_level_option(text) for text in levels]
    recorded = any(file is not None for _, file in given)
    caution(recorded, f"connect the supply to {channel} through the cable and probe of every day; " + BEFORE)
    readings, taken = [], []
    with captures_of(settings, setup, [channel], scope=scope, family=family, recorded=recorded) as source:
        for text, file in given:
            taken.append(source.take(f"Set the supply to {text}", file))
            readings.append(meter_reading(text, "--level"))
        while not given:
            number = len(readings) + 1
            if number > 3 and answer(None, f"Enter for one level more, {DONE} when that was all", "--level") == DONE:
                break
            captures = source.take(f"Set the supply to level {number}, such as {350 * (number - 1)} mV", None)
            readings.append(meter_reading(answer(None, "Meter, mV", "--level"), "--level"))
            taken.append(captures)
    meter = _meter(meter_pct, meter_counts, resolution, readings)
    bench = Bench(setup.conditions, channel, meter, days)
    _keep(by_levels(bench, [one.value for one in readings], taken), as_json)


@calibrate.command(short_help="The terminator, by an ohmmeter.")
@click.option("--channel", required=True, metavar="CH1", help="The channel that the terminator stands on.")
@click.option("--scope", metavar="RESOURCE", help="VISA resource string; left out, the one in the settings.")
@click.option("--family", metavar="NAME", help="Force a family of scopes.")
@click.option("--serial", metavar="TEXT", help="Serial number of the scope, where it is not at hand.")
@click.option("--shorted", metavar="OHM", help="Ohmmeter with its leads shorted.")
@click.option("--reading", metavar="OHM", help="Ohmmeter on the terminator, taken off the cable.")
@click.option("--resolution", metavar="0.1", help="Last digit of the meter in ohm; left out, that of what is typed.")
@meter_options
@json_option
@config_option
def terminator(
    channel: str,
    scope: str | None,
    family: str | None,
    serial: str | None,
    shorted: str | None,
    reading: str | None,
    resolution: str | None,
    meter_pct: float,
    meter_counts: float,
    days: float,
    as_json: bool,
    config: Path | None,
) -> None:
    """Calibrate the terminator on a channel with an ohmmeter, its leads shorted first.

    Levels are then those into 75 ohm, and the terminator's tolerance no longer counts.
    """
    from ..calibrations import keep_calibration
    from ..measure.calibration import Calibration, terminator_from_ohms
    from ..measure.targets import OVER_ABOVE_MV
    from .calibrate_result import result_text, terminator_u95_mv

    settings, setup = _settings(config, channel, ())
    serial = serial or _serial_of_scope(settings, scope, family)
    lead = meter_reading(answer(shorted, "Ohmmeter with its leads shorted, ohm", "--shorted"), "--shorted", OHMS)
    question = "Ohmmeter on the terminator alone, off the cable, ohm"
    whole = meter_reading(answer(reading, question, "--reading"), "--reading", OHMS)
    meter = _meter(meter_pct, meter_counts, resolution, [lead, whole], OHMS)
    found = terminator_from_ohms(whole.value, lead.value, meter)
    made = Calibration("terminator", time.time_ns(), serial, channel, terminator=found, valid_days=days)
    clip = setup.conditions.hookup.of_channel(channel)
    before_mv = terminator_u95_mv(OVER_ABOVE_MV, None, clip.load_tolerance_pct if clip else 1.0)
    now_mv = terminator_u95_mv(OVER_ABOVE_MV, found, 0.0)
    path = keep_calibration(made)
    say(result_text(made, path, OVER_ABOVE_MV, before_mv, now_mv, as_json=as_json))


@calibrate.command("list", short_help="All calibrations that are kept.")
@json_option
def list_(as_json: bool) -> None:
    """List all calibrations that are kept, of all scopes."""
    from ..calibrations import load_calibrations
    from .calibrate_result import calibration_object, list_text

    known = load_calibrations()
    say(json.dumps([calibration_object(one) for one in known]) if as_json else list_text(known, time.time_ns()))


@calibrate.command(short_help="Forget the calibrations of a channel.")
@click.argument("channel")
@click.option("--serial", metavar="TEXT", help="Serial number of the scope; needed where several are known.")
def remove(channel: str, serial: str | None) -> None:
    """Forget what is kept of CHANNEL."""
    from ..calibrations import load_calibrations, remove_calibrations

    known = load_calibrations()
    serials = sorted({one.serial for one in known if one.channel == channel and serial in (None, one.serial)})
    if not serials:
        raise UsageError(
            f"nothing is kept of {channel}" + (f" on {serial}" if serial else ""),
            where="calibrate remove",
            do="see 'peakwhite calibrate list'",
        )
    if len(serials) > 1:
        raise UsageError(
            f"{channel} is kept for several scopes",
            where="calibrate remove",
            do=f"say --serial, {' or '.join(serials)}",
        )
    gone = remove_calibrations(serials[0], channel)
    say(f"{channel} on {serials[0]}: {len(gone)} forgotten")


def _settings(config: Path | None, channel: str, roles: Sequence[str]) -> "tuple[Settings, Setup]":
    """Settings, and the set-up of every day with calibrations. Raises UsageError for a channel that cannot be calibrated."""
    from ..measure.hookup import WHITE_ROLES

    settings, setup = bench_settings(config, roles)
    clip = setup.conditions.hookup.of_channel(channel)
    if clip is None or clip.role not in WHITE_ROLES:
        fit = ", ".join(one.channel for one in setup.conditions.hookup.clips if one.role in WHITE_ROLES)
        what = "is not in the hookup" if clip is None else f"carries {clip.role}, of which no level is told"
        raise UsageError(f"{channel} {what}", where="--channel", do=f"choose of {fit}, or say --role {channel}=red")
    return settings, setup


def bench_settings(config: Path | None, roles: Sequence[str]) -> "tuple[Settings, Setup]":
    """Settings, and the set-up of every day with calibrations and with these roles. Raises PeakwhiteError."""
    from dataclasses import replace

    from ..calibrations import with_calibrations
    from .given_settings import settings_with_roles

    settings = settings_with_roles(config, roles)
    setup = settings.setup()
    return settings, replace(setup, conditions=with_calibrations(setup.conditions))


def _keep(result: "Result", as_json: bool) -> None:
    from ..calibrations import keep_calibration
    from .calibrate_result import result_text

    path = keep_calibration(result.calibration)
    say(result_text(result.calibration, path, result.level_mv, result.before_mv, result.now_mv, as_json=as_json))


def caution(recorded: bool, text: str) -> None:
    """Say what to mind before anything is clipped on; not where recorded files take the scope's place."""
    if not recorded:
        warn(f"caution: {text}")


def _meter(
    pct: float,
    counts: float,
    resolution: str | None,
    readings: list[MeterReading],
    units: dict[str, float] | None = None,
) -> "Meter":
    """The meter; its last digit is that of the largest reading unless it is given."""
    from ..measure.calibration import Meter
    from .answers import UNITS

    if resolution is not None:
        return Meter(pct, counts, abs(meter_reading(resolution, "--resolution", units or UNITS).value))
    return Meter(pct, counts, max(readings, key=lambda one: abs(one.value)).resolution if readings else 1.0)


def _level_option(text: str) -> tuple[str, Path | None]:
    reading, equals, file = text.partition("=")
    meter_reading(reading, "--level")
    return reading.strip(), Path(file) if equals else None


def _serial_of_scope(settings: "Settings", scope: str | None, family: str | None) -> str:
    from ..measure.calibrated import no_serial, serial_of

    resource = scope or settings.tables.scope.resource
    if resource is None:
        raise UsageError("it is not said which scope", where="calibrate terminator", do="give --serial or --scope")
    from ..sources.hands_off import open_hands_off

    source = open_hands_off(resource, family=family or settings.tables.scope.family)
    try:
        serial = serial_of(source.identity)
    finally:
        source.close()
    if serial is None:
        raise no_serial(source.identity)
    return serial
