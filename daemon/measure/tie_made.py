"""Ties as calibrations, from captures of one signal on the probes of all colours, and what they do to the match."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from ...drivers.capture import Capture
from ...drivers.errors import UsageError
from .calibrated import no_serial, serial_of
from .calibration import VALID_DAYS, Calibration, Tie
from .engine import measure_capture
from .targets import Conditions
from .tie_learnt import learn_tie

TIE_STEP = (
    "Put the probes of all colours on one output, with one terminator, and show a full field of that colour alone"
)


@dataclass(frozen=True)
class TieResult:
    """The ties of all channels, with the 95 % half-width of the colours' match before and now; None for two colours."""

    calibrations: Sequence[Calibration]
    before_mv: float | None
    now_mv: float | None


def make_tie(
    captures: Sequence[Capture], conditions: Conditions, reference: str | None = None, days: float = VALID_DAYS
) -> TieResult:
    """The ties, not yet kept. Raises UsageError for captures of several scopes or one without a serial number, and what
    `learn_tie` raises."""
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


def tie_words(tie: Tie, channel: str) -> str:
    """How the channel reads beside the reference."""
    scale = "" if tie.path.full_scale_v is None else f" at {tie.path.full_scale_v:.4g} V full scale"
    if channel == tie.reference:
        return f"the others are compared with it{scale}, {tie.path.link}"
    early = "late" if tie.delay_ns >= 0.0 else "early"
    return (
        f"reads {tie.relative_gain:.4f} of {tie.reference}, u {100.0 * tie.own_u:.2g} %, "
        f"{abs(tie.delay_ns):.1f} ns {early}{scale}, {tie.path.link}"
    )


def _match_u95_mv(capture: Capture, conditions: Conditions) -> float | None:
    match = measure_capture(capture, conditions).match
    return None if match is None else match.u95_mv
