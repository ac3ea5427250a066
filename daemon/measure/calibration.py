"""Calibrating one channel with what lies on the bench: a multimeter, a supply, an ohmmeter. Arithmetic alone.

A multimeter of 0.5 % + 2 counts knows a level far better than a scope of ±3 %. What the scope reads wrong by a factor is
found by showing both the same thing, and from then on taken out (JCGM 100:2008 3.2.4: a known systematic effect is
corrected, and the uncertainty of the correction counts instead of the effect).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from ...drivers.errors import UsageError
from .hookup import Link

Way = Literal["multimeter", "supply", "terminator", "tie"]

VALID_DAYS = 90
"""How long a calibration serves unless the user says otherwise (practice)."""
METER_PCT = 0.5
METER_COUNTS = 2.0
"""Accuracy of a common multimeter on DC volts (practice)."""
TERMINATOR_OHM = 75.0
MOST_OFF = 0.10
"""No scope in order is off by more: something else is wrong then (our choice)."""
LEAST_DIFFERENCE_MV = 200.0
"""White and black that differ by less in their mean tell a gain badly, or come through a capacitor."""
LEAST_SPAN_MV = 300.0
LEAST_GAP_MV = 50.0
MOST_BENT = 0.02
"""A level further from the straight line than this part of the span was mistyped or is not steady."""
TERMINATOR_WITHIN_OHM = 5.0
MOST_LEAD_OHM = 5.0

ROOT_3 = math.sqrt(3.0)


@dataclass(frozen=True)
class Meter:
    """How good the meter is: ±(`pct` % of the reading + `counts` last digits of `resolution`), in the reading's unit."""

    pct: float = METER_PCT
    counts: float = METER_COUNTS
    resolution: float = 1.0

    @property
    def counts_size(self) -> float:
        """Half-width of the part that does not grow with the reading."""
        return self.counts * self.resolution


@dataclass(frozen=True)
class FieldSeen:
    """One picture as both saw it: DC reading of the meter at the terminator, its leads one way and the other, and the
    scope's mean over whole fields with its standard uncertainty."""

    meter_mv: float
    swapped_mv: float
    scope_mv: float
    scope_u_mv: float


@dataclass(frozen=True)
class LevelSeen:
    """One steady level as both saw it."""

    meter_mv: float
    scope_mv: float
    scope_u_mv: float


@dataclass(frozen=True)
class Compared:
    """What a comparison tells of a channel's gain.

    Attributes:
        factor: true over read.
        meter_pct: the meter's per cent, a rectangle: common to all that one meter calibrated.
        rest_u: standard uncertainty of the factor from everything else, relative.
        linearity_u_mv: standard uncertainty of one state off the straight line.
    """

    factor: float
    meter_pct: float
    rest_u: float
    linearity_u_mv: float = 0.0

    @property
    def relative_u(self) -> float:
        """Combined standard uncertainty of the factor, relative (JCGM 100:2008 5.1.6)."""
        return math.hypot(self.meter_pct / 100.0 / ROOT_3, self.rest_u)


@dataclass(frozen=True)
class SignalPath:
    """What a gain calibration is bound to: the range, and what lies before the scope.

    Attributes:
        volts_per_state: volts at the probe tip from one state of the ADC to the next.
        full_scale_v: bottom to top of the screen; None where unknown.
        link, probe_ratio: as in the hookup.
    """

    volts_per_state: float
    full_scale_v: float | None
    link: Link
    probe_ratio: float


@dataclass(frozen=True)
class Gain:
    """The gain of a channel on one range.

    Attributes:
        compared: factor and uncertainty.
        path: what it holds for.
        states: where the ADC stood, in states above its low rail: with a supply anything between the lowest and the
            highest counts as compared, with a multimeter on the unit only these.
    """

    compared: Compared
    path: SignalPath
    states: tuple[float, ...] = ()


@dataclass(frozen=True)
class Terminator:
    """Resistance of the terminator on a channel, with its standard uncertainty."""

    ohm: float
    u_ohm: float

    @property
    def factor(self) -> float:
        """What a level has to be multiplied by to be the one into 75 ohm.

        V is in proportion to RL/(Rs + RL); with Rs = 75 ohm the factor is (75 + RL)/(2 RL).
        """
        return (TERMINATOR_OHM + self.ohm) / (2.0 * self.ohm)

    @property
    def relative_u(self) -> float:
        """Standard uncertainty of the level from the resistance: the factor moves by half of what RL does."""
        return 0.5 * self.u_ohm / self.ohm


@dataclass(frozen=True)
class Tie:
    """How a channel read the level that stood on all probes at once.

    Attributes:
        reference: the channel that all of them are compared with.
        relative_gain: what this channel read over what the reference read.
        own_u: relative standard uncertainty of this channel's own reading then, from noise and quantisation. That of
            the reference is not in it: between two channels of one tie the reference drops out.
        offset_mv: blanking here less blanking on the reference, both against scope zero.
        delay_ns, delay_u_ns: by how much later than on the reference the same edge came, and its standard uncertainty,
            None where that is not known.
        path: what it holds for.
        states: where the ADC stood on blanking and on white.
    """

    reference: str
    relative_gain: float
    own_u: float
    offset_mv: float
    delay_ns: float
    delay_u_ns: float | None
    path: SignalPath
    states: tuple[float, ...] = ()


@dataclass(frozen=True)
class Tied:
    """What a tie says of one level.

    Attributes:
        tie: relative gain and its uncertainty.
        made_at_ns: which tie: channels tied at once share it.
        gain_factor: of the calibration that the level went through.
        unknown_linearity: 0 where the ADC stands as it did in the tie, 1 from `calibrated.NEAR_STATES` away: blanking, white.
    """

    tie: Tie
    made_at_ns: int
    gain_factor: float
    unknown_linearity: tuple[float, float]


@dataclass(frozen=True)
class Calibration:
    """What was found of one channel of one scope: its gain, its terminator, or how it reads beside others.

    Attributes:
        made_at_ns: when, nanoseconds since 1970 UTC.
        valid_days: for how long.
        serial: of the scope.
        channel: the scope's name of it.
    """

    way: Way
    made_at_ns: int
    serial: str
    channel: str
    gain: Gain | None = None
    terminator: Terminator | None = None
    valid_days: float = VALID_DAYS
    tie: Tie | None = None

    def __post_init__(self) -> None:
        due = {"terminator": self.terminator, "tie": self.tie}.get(self.way, self.gain)
        if due is None or sum(one is not None for one in (self.gain, self.terminator, self.tie)) != 1:
            raise ValueError(f"a calibration by {self.way} holds a gain, a terminator or a tie, the one that it is of")

    @property
    def path(self) -> SignalPath | None:
        """What it is bound to; None for a terminator, which serves on any range."""
        bound = self.gain or self.tie
        return None if bound is None else bound.path

    def replaces(self, other: "Calibration") -> bool:
        """Whether this one stands for the same thing: gain or tie on the same range and probe, or the terminator."""
        return self._stands_for == other._stands_for

    @property
    def _stands_for(self) -> tuple[object, ...]:
        return (self.serial, self.channel, self.tie is None, self.path)


def gain_from_fields(white: FieldSeen, black: FieldSeen, meter: Meter) -> Compared:
    """The gain from a full white and a full black picture, way (a).

    Meter and scope both tell the mean of sync, blanking and picture. In the difference of the two pictures the offsets
    of both, sync and blanking fall out, and both sides see the same terminator. The uncertainties, each of its own:
    the meter's per cent, common to its readings; its counts once for white and once for black, rectangular (JCGM
    100:2008 4.3.7); the scope's two means; added as squares (5.1.2, relative as in 5.1.6).

    Worked: 535 mV of difference on a meter of 1 mV, 0.5 % + 2 counts: u = 1.63 mV beside 1.54 mV; at 714.3 mV together
    3.0 mV, ±5.8 mV at 95 %.

    Raises UsageError where swapped leads change more than the sign, or the difference cannot be.
    """
    for name, one in (("white", white), ("black", black)):
        rest_mv = abs(one.meter_mv + one.swapped_mv)
        if rest_mv > 2.0 * meter.counts_size * (1.0 + 1e-9):
            raise _refused(
                f"with its leads swapped the meter reads {one.swapped_mv:g} mV on {name} where {-one.meter_mv:g} is due",
                "set it to DC volts, keep the range, hold both tips still and measure again",
            )
    meter_mv = 0.5 * (white.meter_mv - white.swapped_mv) - 0.5 * (black.meter_mv - black.swapped_mv)
    scope_mv = white.scope_mv - black.scope_mv
    if abs(meter_mv) < LEAST_DIFFERENCE_MV:
        raise _refused(
            f"white and black differ by {abs(meter_mv):.0f} mV at the meter, which is too little",
            "is the output DC-coupled, and were full white and full black shown? Else calibrate with a supply",
        )
    factor = _plausible(meter_mv, scope_mv)
    rest_mv = math.sqrt(2.0 * meter.counts_size**2 / 3.0 + (white.scope_u_mv**2 + black.scope_u_mv**2) * factor**2)
    return Compared(factor, meter.pct, rest_mv / abs(meter_mv))


def gain_from_levels(levels: Sequence[LevelSeen], meter: Meter, state_mv: float) -> Compared:
    """The gain from three steady levels or more, way (b): a straight line of meter over scope by least squares.

    Slope, its uncertainty and the scatter s = sqrt(sum of squares/(n - 2)) are those of JCGM 100:2008 H.3.3. The slope
    is held to be no better known than the meter's counts and the scope's means allow. The scatter is what one state of
    the ADC is off the line; since three levels leave it one degree of freedom, and then it is small by luck too often,
    half a state, rectangular, goes in as one degree of freedom more (pooled as in 4.2.4). On a made scope of
    independent states, each off by up to half, that turns 89 % of coverage at stated 95 % into 96 %.

    `state_mv` is the distance between neighbouring states of the ADC. Raises UsageError for fewer than three levels,
    levels too close together, and levels that do not lie on a line.
    """
    ordered = sorted(levels, key=lambda one: one.meter_mv)
    gaps_mv = [after.meter_mv - before.meter_mv for before, after in pairwise(ordered)]
    if len(levels) < 3 or min(gaps_mv) < LEAST_GAP_MV or sum(gaps_mv) < LEAST_SPAN_MV:
        raise _refused(
            f"{len(levels)} levels over {sum(gaps_mv):.0f} mV do not make a line",
            "give three or more, such as 0, 350 and 700 mV",
        )
    count = len(levels)
    mean_scope_mv = sum(one.scope_mv for one in levels) / count
    mean_meter_mv = sum(one.meter_mv for one in levels) / count
    squares = sum((one.scope_mv - mean_scope_mv) ** 2 for one in levels)
    if squares == 0.0:
        raise _refused("the scope read the same at every level", "is the supply on this channel?")
    slope = sum((one.scope_mv - mean_scope_mv) * (one.meter_mv - mean_meter_mv) for one in levels) / squares
    _plausible(slope, 1.0)
    off_mv = [one.meter_mv - mean_meter_mv - slope * (one.scope_mv - mean_scope_mv) for one in levels]
    worst = max(range(count), key=lambda index: abs(off_mv[index]))
    if abs(off_mv[worst]) > MOST_BENT * sum(gaps_mv):
        raise _refused(
            f"{levels[worst].meter_mv:g} mV lies {abs(off_mv[worst]):.0f} mV off the line through the others",
            "read the meter once more, and wait until the supply is steady",
        )
    scatter_mv = math.sqrt(sum(one**2 for one in off_mv) / (count - 2))
    of_scope = sum((one.scope_u_mv * slope) ** 2 for one in levels) / count
    a_point_mv = math.sqrt(meter.counts_size**2 / 3.0 + of_scope)
    rest_u = max(scatter_mv, a_point_mv) / math.sqrt(squares) / slope
    half_state_mv = 0.5 * state_mv / ROOT_3
    linearity_mv = math.sqrt((half_state_mv**2 + (count - 2) * scatter_mv**2) / (count - 1))
    return Compared(slope, meter.pct, rest_u, linearity_mv)


def terminator_from_ohms(reading_ohm: float, shorted_ohm: float, meter: Meter) -> Terminator:
    """The terminator by ohmmeter, way (c): its reading less that of the leads shorted.

    Uncertainty: the meter's per cent of the difference, and its counts in both readings, rectangular (JCGM 100:2008
    4.3.7, 5.1.2). Raises UsageError unless it is a terminator of 75 ohm, within 5 ohm.
    """
    if not 0.0 <= shorted_ohm <= MOST_LEAD_OHM:
        raise _refused(f"shorted leads of {shorted_ohm:g} ohm cannot be", "short the tips and read again")
    ohm = reading_ohm - shorted_ohm
    if abs(ohm - TERMINATOR_OHM) > TERMINATOR_WITHIN_OHM:
        raise _refused(
            f"{ohm:.1f} ohm is no 75-ohm terminator", "take it off the cable, measure it alone, or use another one"
        )
    return Terminator(ohm, math.sqrt((meter.pct / 100.0 * ohm) ** 2 / 3.0 + 2.0 * meter.counts_size**2 / 3.0))


def _plausible(true: float, read: float) -> float:
    """true/read, where a scope in order can be off so much."""
    factor = true / read if read else math.inf
    if not abs(factor - 1.0) <= MOST_OFF:
        raise _refused(
            f"meter and scope differ by a factor of {factor:.3g}, which no scope in order does",
            "check unit (mV or V), channel, probe ratio and that both see the same point",
        )
    return factor


def _refused(what: str, do: str) -> UsageError:
    return UsageError(what, where="calibrate", do=do)
