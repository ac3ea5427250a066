"""Hints: what to suspect, said as "likely", each with a test of ten seconds."""

import math
from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from .reading import ChannelReading, Hint

HINTS: Mapping[str, tuple[str, str]] = {
    "no-sync": (
        "No line sync was found on any channel of the hookup.",
        "Is the unit on, and the sync probe on its pin? Touch the probe to the scope's compensation output: a square wave should show.",
    ),
    "sync-not-found": (
        "The hookup names a sync that was not found; lines were told by blanking alone, which is likely right, not proven.",
        "Check the sync probe, or whether this output carries sync at all: pull the probe and see what the scope shows. With sync on EXT, time 0 of the record has to be its trigger.",
    ),
    "scope-clipping": (
        "The signal runs off the scope's range, so the level is only a lower bound.",
        "Choose the next coarser V/div or move the offset: the number should stop growing.",
    ),
    "white-not-in-record": (
        "No flat white was seen in this record: likely a dark picture, or white on other lines.",
        "Put a full white field or white bars on the screen and wait for a second.",
    ),
    "accuracy-assumed": (
        "The scope's gain specification is not known for sure: what is likely for its family was assumed, ±3 % where nothing is.",
        "Look up the DC gain accuracy in the scope's data sheet and give it with --gain-spec or in the settings.",
    ),
    "calibration-refused": (
        "The calibration of this channel is not used.",
        "Go back to the range and probe that it was made with, or make another with 'peakwhite calibrate'.",
    ),
    "sample-rate-too-low": (
        "There are fewer than four samples a subcarrier cycle, so colour cannot be told from luma.",
        "Shorten the time base or raise the memory depth until the sample rate is above 18 MS/s.",
    ),
    "channel-dead": (
        "This channel stays at blanking while another one shows picture: likely a bad contact or a dead output.",
        "Swap this probe with a good channel's: does the fault move with the probe or stay with the unit?",
    ),
    "bandwidth-limited": (
        "The picture's edges are as fast as the scope's bandwidth limiter lets them be: likely they are faster than shown.",
        "For edges, switch the limiter off and look again; for levels it is wanted.",
    ),
    "burst-through-limiter": (
        "The burst was measured through the scope's bandwidth limiter: likely a few per cent low. It is not corrected.",
        "Switch the limiter off and look at the burst again; the levels of white and sync may stay as they are.",
    ),
    "channels-swapped": (
        "This channel carries what another one's role should: likely two probes are exchanged.",
        "Show a full red field, or pull one plug: which channel changes? Then exchange the probes, or their roles.",
    ),
    "colour-bars-roles": (
        "The picture looks like colour bars, by which channels are likely others than the hookup says.",
        "Pull one of these plugs: its colour should go from the bars. Then give the channels these roles in the hookup.",
    ),
    "one-channel-off": (
        "This colour alone is off by a factor that a load explains: likely its terminator, or the unit.",
        "Swap this channel's terminator with a good one's: does the fault move with it or stay?",
    ),
    "range-too-coarse": (
        "The signal spans fewer than fifty steps of the scope's converter, so the level is coarse.",
        "Choose a finer V/div: the whole signal should fill half of the screen or more.",
    ),
    "dc-on-output": (
        "Blanking lies more than 0.3 V from zero: likely a coupling capacitor shorted or bypassed, or DC by design.",
        "Look at the output stage before loading it: is there a capacitor, and is one side at the same voltage as the other?",
    ),
    "ac-coupled-input": (
        "The record's mean is zero and blanking lies below it: likely an AC-coupled scope input, or an AC-coupled output.",
        "Set the scope's input to DC: if blanking moves to zero it was the scope.",
    ),
    "ttl-rgb": (
        "Two states above 2 V: likely digital RGB. Do not terminate it.",
        "Look the connector up: are there an intensity line and TTL drivers?",
    ),
    "high-impedance-output": (
        "White is far above what 75 ohm takes: likely an output made for 1 kilohm and more. Do not terminate it by reflex.",
        "Read what the display's input asks for before fitting any load.",
    ),
    "ttl-sync-into-75-ohm": (
        "A TTL sync drives a 75-ohm load, which can harm a display's input: likely a missing series resistor.",
        "Look for a series resistor of a few hundred ohms in the sync lead; with one the swing is about 0.3 V.",
    ),
    "probe-compensation": (
        "White is tilted on this channel only: likely its probe is not compensated.",
        "Put the probe on the scope's compensation output and trim it until the square wave's top is flat.",
    ),
    "burst-pedestal": (
        "Blanking under the burst and after it differ: likely the burst sits on a pedestal, or the clamp works on it.",
        "Look at the back porch on the scope: is the burst centred on blanking?",
    ),
    "may-be-blanking-line": (
        "The highest level stands on a minority of lines: likely data or a pulse in the vertical blanking interval.",
        "Put a full white field on the screen, or take a record of a whole field.",
    ),
    "no-back-termination": (
        "The output's source impedance is far below 75 ohm: likely there is no series resistor at the output.",
        "See that the terminator was really off in the second capture (or two really on). Then find the 75-ohm resistor between driver and connector and measure it with the unit off.",
    ),
    "termination-missing": (
        "Sync and white are about twice nominal: likely no 75-ohm termination, or the probe sits before the series resistor.",
        "Put a 75-ohm terminator on the tee: the level should halve.",
    ),
    "fifty-ohm-load": (
        "Sync and white are about 0.8 of nominal: likely a 50-ohm terminator or input.",
        "Set the scope's input to 1 megohm and read the print on the terminator: 75, not 50.",
    ),
    "terminated-twice": (
        "Sync and white are about two thirds of nominal: likely two 75-ohm loads.",
        "Unplug the monitor: the level should rise by half.",
    ),
    "loads-75-and-50": (
        "Sync and white are about 0.57 of nominal: likely 75 and 50 ohm together.",
        "Set the scope's input to 1 megohm: the level should rise to nominal.",
    ),
    "pattern-white": (
        "White is three quarters of nominal and sync is right: likely a 75 % pattern.",
        "Show 100 % white, or state the pattern's white as 75 %.",
    ),
    "probe-ratio": (
        "Sync and white are off by a factor of ten: likely the probe ratio.",
        "Compare the switch on the probe with the ratio set in the scope.",
    ),
}
"""Code to sentence and ten-second test."""


def hint(code: str) -> Hint:
    """The hint of that code."""
    text, test = HINTS[code]
    return Hint(code, text, test)


def hinted(readings: Iterable[ChannelReading], code: str, channels: Container[str]) -> list[ChannelReading]:
    """The readings, with one hint more on those channels."""
    return [replace(one, hints=(*one.hints, hint(code))) if one.channel in channels else one for one in readings]


@dataclass(frozen=True)
class Factor:
    """One row of the ratio table: measured over nominal, and what it is likely to mean."""

    code: str
    low: float
    high: float

    def accepts(self, ratio: float) -> bool:
        """Whether the ratio is this factor."""
        return self.low <= ratio <= self.high


def _about(code: str, factor: float) -> Factor:
    return Factor(code, factor * 0.97, factor * 1.03)


RATIO_TABLE = (
    Factor("termination-missing", 1.6, 2.3),
    _about("fifty-ohm-load", 0.80),
    _about("terminated-twice", 2.0 / 3.0),
    _about("loads-75-and-50", 4.0 / 7.0),
    Factor("probe-ratio", 8.0, 12.0),
    Factor("probe-ratio", 0.08, 0.12),
)
"""Loads against 75 ohm, ±3 % where no range is given; a probe's ratio is off by ten or not at all."""
OF_ONE_COLOUR = frozenset({"one-channel-off"})
OF_WHITE_ALONE = OF_ONE_COLOUR | {"pattern-white"}
"""No sync shows these."""
OF_THE_HOOKUP = OF_WHITE_ALONE | {factor.code for factor in RATIO_TABLE}
"""What the hookup is suspected of, and not the unit, where a level is off by a factor."""
PATTERN_WHITE = 0.75
NEAR_NOMINAL = 0.15
LOOSER_FOR_WHITE = 0.06
"""White may be trimmed off nominal, so next to a sync that shows the factor it is accepted within ±6 %."""


def ratio_hint(syncs: Sequence[float], burst: float, whites: Sequence[float], burst_droop: float = 0.0) -> Hint | None:
    """What the ratios of measured to nominal say together.

    `syncs` are the ratios of one measured sync to each nominal depth that it may have (none where no sync shares the
    path); `burst` is NaN where not measured, and may be low by up to the part `burst_droop`; `whites` has one ratio a
    channel. A factor is accepted when sync and burst
    show it and white shows it, or three quarters of it (a 75 % pattern). Where no sync shares the path all of three
    colours or more must show it. White high with sync right is the unit.
    """
    if not whites:
        return None
    if not syncs:
        return _ratio_hint_of_whites(whites)
    for factor in RATIO_TABLE:
        sync_shows = any(factor.accepts(ratio) for ratio in syncs)
        burst_agrees = math.isnan(burst) or factor.low * (1.0 - burst_droop) <= burst <= factor.high
        if sync_shows and burst_agrees and any(_white_fits(one, factor) for one in whites):
            return hint(factor.code)
    right = any(0.9 <= ratio <= 1.1 for ratio in syncs)
    if right and all(abs(one / PATTERN_WHITE - 1.0) <= LOOSER_FOR_WHITE for one in whites):
        return hint("pattern-white")
    return None


def _ratio_hint_of_whites(whites: Sequence[float]) -> Hint | None:
    if len(whites) < 3:
        return None
    for factor in (*RATIO_TABLE, _about("pattern-white", PATTERN_WHITE)):
        if all(factor.accepts(one) for one in whites):
            return hint(factor.code)
    return None


def odd_one_out(whites: Mapping[str, float]) -> str | None:
    """The one of three channels whose white is off by a factor of the load table while the others are near nominal."""
    off = _off_nominal(whites)
    if len(whites) < 3 or len(off) != 1:
        return None
    shown = any(factor.accepts(whites[off[0]]) for factor in RATIO_TABLE)
    return off[0] if shown else None


def are_near_nominal(whites: Mapping[str, float]) -> bool:
    """Whether all three channels are, so that none is the odd one out any more."""
    return len(whites) == 3 and not _off_nominal(whites)


def _off_nominal(whites: Mapping[str, float]) -> list[str]:
    return [name for name, ratio in whites.items() if abs(ratio - 1.0) > NEAR_NOMINAL]


def _white_fits(white: float, factor: Factor) -> bool:
    low, high = factor.low * (1.0 - LOOSER_FOR_WHITE), factor.high * (1.0 + LOOSER_FOR_WHITE)
    return low <= white <= high or low <= white / PATTERN_WHITE <= high
