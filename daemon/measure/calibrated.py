"""Which calibrations hold for a capture, what they change, and why the others are refused."""

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from ...drivers.capture import Capture, ChannelRecord
from ...drivers.errors import UsageError
from .calibration import ROOT_3, Calibration, Gain, SignalPath, Terminator, Tie, Tied
from .hints import hint
from .hookup import COLOURS, Clip, Hookup
from .reading import Hint
from .targets import Conditions
from .uncertainty import Item

SAME_WITHIN = 1e-6
"""Two ranges, or two probe ratios, are the same within this part."""
NEAR_STATES = 8.0
"""So many states of the ADC away from where it was compared, its linearity is as unknown as if nothing had been (our
choice); in between the doubt grows in proportion, so that no verdict jumps from one level to the next."""
NS_PER_DAY = 86_400_000_000_000


@dataclass(frozen=True)
class Calibrated:
    """What the calibrations in force say of one channel of a capture.

    Attributes:
        gain, terminator, tie: those that hold, None where none does.
        tied_at_ns: when the tie was made.
        only_at_states: the gain was compared at its states alone, not anywhere between them.
        mv_per_state: corrected, at the point of measurement.
        low_rail_mv: the ADC's low rail there, against scope zero.
        refused: why calibrations of this channel were not used.
    """

    gain: Gain | None = None
    terminator: Terminator | None = None
    tie: Tie | None = None
    tied_at_ns: int = 0
    only_at_states: bool = False
    mv_per_state: float = 1.0
    low_rail_mv: float = math.nan
    refused: tuple[Hint, ...] = ()

    @property
    def factor(self) -> float:
        """What every voltage of the channel is to be multiplied by."""
        return self.gain_factor * (self.terminator.factor if self.terminator else 1.0)

    @property
    def gain_factor(self) -> float:
        """The part of `factor` that is the scope's and the probe's."""
        return self.gain.compared.factor if self.gain else 1.0

    def tied(self, blanking_mv: float, white_mv: float) -> Tied | None:
        """What the tie in force says of a white that stands `white_mv` above `blanking_mv`; None where none is."""
        if self.tie is None:
            return None
        places = [self._place(level_mv) for level_mv in (blanking_mv, blanking_mv + white_mv)]
        black, white = (min(1.0, _away(place, self.tie.states, only_at=True) / NEAR_STATES) for place in places)
        return Tied(self.tie, self.tied_at_ns, self.gain_factor, (black, white))

    def gain_items(self, level_mv: float) -> Iterator[Item]:
        """What stands in the budget in the place of the scope's gain and the probe's ratio."""
        if self.gain is None:
            return
        compared, size_mv = self.gain.compared, abs(level_mv)
        yield Item(
            f"calibrating meter ±{compared.meter_pct:g} %",
            "per-channel",
            "rectangular",
            compared.meter_pct / 100.0 * size_mv,
            "gain",
        )
        yield Item("calibration", "per-channel", "normal", compared.rest_u * size_mv, "gain")

    def terminator_items(self, level_mv: float) -> Iterator[Item]:
        """What stands in the budget in the place of the terminator's tolerance."""
        if self.terminator is not None:
            size_mv = self.terminator.relative_u * abs(level_mv)
            yield Item("termination, measured", "per-channel", "normal", size_mv, "termination")

    def linearity_item(self, state: str, blanking_mv: float, white_mv: float, half_width_mv: float) -> Item:
        """What a state of the ADC may be off the straight line; `half_width_mv` where nothing was compared.

        What the calibration left open and what distance from the compared states adds are added as squares (JCGM
        100:2008 5.1.2).
        """
        name = f"ADC linearity, {state}"
        if self.gain is None:
            return Item(name, "per-channel", "rectangular", half_width_mv, "linearity")
        places = [self._place(level_mv) for level_mv in (blanking_mv, blanking_mv + white_mv)]
        away = max(_away(place, self.gain.states, only_at=self.only_at_states) for place in places) / NEAR_STATES
        unknown_mv = half_width_mv / ROOT_3 * min(1.0, away)
        size_mv = math.hypot(self.gain.compared.linearity_u_mv, unknown_mv)
        return Item(name, "per-channel", "normal", size_mv, "linearity")

    def _place(self, level_mv: float) -> float:
        """Where the ADC stands at a level against scope zero, in states above its low rail."""
        return (level_mv - self.low_rail_mv) / self.mv_per_state


UNCALIBRATED = Calibrated()


@dataclass(frozen=True)
class CalibrationsInForce:
    """The conditions with every channel's factor in its probe ratio, and what holds for each channel."""

    conditions: Conditions
    channels: Mapping[str, Calibrated]


def calibrations_in_force(capture: Capture, conditions: Conditions) -> CalibrationsInForce:
    """Which calibrations hold for this capture.

    A calibration's factor multiplies volts as a probe's ratio does, so it goes where that one goes: sync, burst, noise
    and levels are then corrected alike.
    """
    if not conditions.calibrations:
        return CalibrationsInForce(conditions, {})
    matched = all(conditions.hookup.of_role(role) is not None for role in COLOURS)  # else a tie is of no use
    known = [one for one in conditions.calibrations if matched or one.tie is None]
    found = {
        clip.channel: _of_channel(capture, record, clip, known)
        for clip in conditions.hookup.clips
        if (record := capture.channel(clip.channel)) is not None
    }
    clips = tuple(
        replace(clip, probe_ratio=clip.probe_ratio * found[clip.channel].factor) if clip.channel in found else clip
        for clip in conditions.hookup.clips
    )
    return CalibrationsInForce(replace(conditions, hookup=Hookup(clips)), found)


def serial_of(identity: str) -> str | None:
    """The serial number in an answer to `*IDN?`, its third field (IEEE 488.2 10.14); None where there is none.

    A field of 0 says that there is none.
    """
    fields = [field.strip() for field in identity.split(",")]
    return fields[2] if len(fields) >= 4 and fields[2] not in ("", "0") else None


def valid_until_ns(one: Calibration) -> int:
    """When it expires, nanoseconds since 1970 UTC."""
    return one.made_at_ns + round(one.valid_days * NS_PER_DAY)


def no_serial(identity: str) -> UsageError:
    """What to say of a scope, or file, that gives no serial number."""
    what = f"'{identity[:60]}' gives no serial number" if identity else "the capture names no scope"
    return UsageError(
        f"{what}, so no calibration can be kept for it",
        where="calibrate",
        do="calibrate on the scope itself, or from an .npz that came from it",
    )


def path_of(record: ChannelRecord, clip: Clip) -> SignalPath:
    """What a gain of this channel would be bound to."""
    return SignalPath(abs(record.volts_per_code) * record.code_step, record.full_scale_v, clip.link, clip.probe_ratio)


def state_of(record: ChannelRecord, volts: float) -> float | None:
    """Where the ADC stands at `volts` at the probe tip, in states above its low rail; None where that is not known."""
    rail = record.low_rail_code
    if rail is None:
        return None
    return ((volts - record.volts_at_code_zero) / record.volts_per_code - rail) / record.code_step


def _of_channel(capture: Capture, record: ChannelRecord, clip: Clip, calibrations: Iterable[Calibration]) -> Calibrated:
    own = sorted((one for one in calibrations if one.channel == record.name), key=lambda one: -one.made_at_ns)
    if not own:
        return UNCALIBRATED
    gains = [one for one in own if one.gain is not None]
    terminators = [one for one in own if one.terminator is not None and clip.load == "terminator"]
    ties = [one for one in own if one.tie is not None]
    held, refused = [], []
    for name, kind in (("calibration", gains), ("calibration", terminators), ("tie", ties)):
        reasons = [(one, _refusal(one, capture, record, clip)) for one in kind]
        held.append(next((one for one, reason in reasons if reason is None), None))
        if kind and held[-1] is None:
            refused.append(refusal_hint(f"The {name} of this channel", _nearest(reasons, serial_of(capture.identity))))
    gain, terminator, tie = held
    found = Calibrated(
        gain=gain.gain if gain else None,
        terminator=terminator.terminator if terminator else None,
        tie=tie.tie if tie else None,
        tied_at_ns=tie.made_at_ns if tie else 0,
        only_at_states=gain is not None and gain.way == "multimeter",
        refused=tuple(dict.fromkeys(refused)),
    )
    scale_mv = clip.probe_ratio * found.factor * 1e3
    rail = record.low_rail_code
    rail_v = math.nan if rail is None else record.volts_at_code_zero + rail * record.volts_per_code
    return replace(
        found, mv_per_state=record.volts_per_code * record.code_step * scale_mv, low_rail_mv=rail_v * scale_mv
    )


def _refusal(calibration: Calibration, capture: Capture, record: ChannelRecord, clip: Clip) -> str | None:
    """Why a calibration of this channel does not hold here; None where it does."""
    serial = serial_of(capture.identity)
    if serial is None:
        return f"it was made on the scope {calibration.serial}, and this capture does not say which scope it is from"
    if serial != calibration.serial:
        return f"it was made on the scope {calibration.serial}, and this one is {serial}"
    if capture.captured_at_ns == 0:
        return "this capture does not say when it was made"
    if abs(capture.captured_at_ns - calibration.made_at_ns) > calibration.valid_days * NS_PER_DAY:
        return f"it was made more than {calibration.valid_days:g} days away from this capture, and has expired"
    made, now = calibration.path, path_of(record, clip)
    if made is None:
        return None
    if made.link != now.link or not _same(made.probe_ratio, now.probe_ratio):
        return f"it was made through {_probe(made)}, and this is {_probe(now)}"
    both_known = made.full_scale_v is not None and now.full_scale_v is not None
    same_scale = not both_known or _same(made.full_scale_v or 0.0, now.full_scale_v or 0.0)
    if not (_same(made.volts_per_state, now.volts_per_state) and same_scale):
        return f"it was made on another range, {_range(made)}, and this one is {_range(now)}"
    return None


def _nearest(reasons: list[tuple[Calibration, str | None]], serial: str | None) -> str:
    """The reason to tell of several: that of the latest made on this scope, else of the latest."""
    return next((str(reason) for one, reason in reasons if one.serial == serial), str(reasons[0][1]))


def refusal_hint(what: str, reason: str) -> Hint:
    """The hint that `what` is not used, and why."""
    return replace(hint("calibration-refused"), text=f"{what} is not used: {reason}.")


def _away(place: float, states: tuple[float, ...], *, only_at: bool) -> float:
    """How far a place on the ADC lies from where it was compared; infinite where that is not known.

    Compared are the states alone, or anything between the lowest and the highest.
    """
    if not states or math.isnan(place):
        return math.inf
    if only_at:
        return min(abs(place - state) for state in states)
    return max(0.0, min(states) - place, place - max(states))


def _same(one: float, other: float) -> bool:
    return abs(one - other) <= SAME_WITHIN * max(abs(one), abs(other))


def _probe(path: SignalPath) -> str:
    return f"{path.link}, ratio {path.probe_ratio:g}"


def _range(path: SignalPath) -> str:
    if path.full_scale_v is None:
        return f"{path.volts_per_state * 1e3:.4g} mV a state"
    return f"{path.full_scale_v:.4g} V full scale"
