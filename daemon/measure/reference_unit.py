"""A reference unit: how the levels of the unit on the bench compare with those of one that is known to be good."""

from collections.abc import Sequence
from dataclasses import dataclass

from .calibration import SignalPath
from .level_budget import LevelBudget
from .reading import ChannelReading, ReferenceReading
from .uncertainty import COVERAGE, Item, combined

RECTANGLE = 0.95
"""From the half-width of a rectangle to that which holds 95 % of it."""


@dataclass(frozen=True)
class ReferenceLevel:
    """The level of a reference unit on one role.

    Attributes:
        role, level_mv: what was measured.
        u95_mv, u95_repeat_mv: two-sided 95 % half-widths, of all and of the random part.
        channel, serial, path: where it was measured: scope channel, serial number of the scope, range and probe in
            words (`path_words`); None where unknown.
    """

    role: str
    level_mv: float
    u95_mv: float
    u95_repeat_mv: float
    channel: str
    serial: str | None = None
    path: str | None = None


def path_words(path: SignalPath, calibration: float = 1.0) -> str:
    """Probe, range and correction of a channel: two levels with the same words share the error of its gain.

    The range is told by what a state of the ADC is worth, which a file knows too that does not know the full scale.
    """
    corrected = "" if calibration == 1.0 else f", corrected by {calibration:.6g}"
    return f"{path.link} x{path.probe_ratio:.6g}, {path.volts_per_state * 1e3:.6g} mV a state{corrected}"


def reference_levels(channels: Sequence[ChannelReading], serial: str | None) -> tuple[ReferenceLevel, ...]:
    """The reference that a reading makes: its levels that are neither held nor clipped."""
    return tuple(
        ReferenceLevel(one.role, one.peak_white_mv, one.u95_mv, one.u95_repeat_mv or 0.0, one.channel, serial, one.path)
        for one in channels
        if one.role and one.peak_white_mv and one.u95_mv is not None and not (one.held or one.clipped)
    )


def compared_with(
    reference: Sequence[ReferenceLevel], level: LevelBudget, serial: str | None
) -> ReferenceReading | None:
    """The level as per cent of the reference unit's on the same role; None where that has none.

    The relative errors of both are subtracted. Where both went through the same scope, channel, range and probe, gain
    and probe ratio are one error and drop out (JCGM 100:2008 5.2.2, fully correlated inputs); noise, quantisation,
    linearity and terminator count for each, those of the reference as large as this level's, which came the same way.
    Elsewhere both count in full: of the reference its random part as normal, the rest as one rectangle, which does not
    make it look better known than it is.
    """
    its = next((one for one in reference if one.role == level.role), None)
    if its is None or level.path is None:
        return None
    of_one = level.level_mv / its.level_mv
    random = Item("reference, noise", "random", "normal", its.u95_repeat_mv / COVERAGE * of_one)
    here = path_words(level.path, level.calibration)
    if serial is not None and (its.serial, its.channel, its.path) == (serial, level.channel, here):
        own = level.items_of("noise", "quantisation", "linearity", "termination", "other")
        of_reference = level.items_of("quantisation", "linearity", "termination")
        items = [*own, *of_reference, random]
    else:
        rest_mv = max(0.0, its.u95_mv**2 - its.u95_repeat_mv**2) ** 0.5
        items = [*level.items, random, Item("reference", "per-channel", "rectangular", rest_mv / RECTANGLE * of_one)]
    u95_mv = combined(item for item in items if item.kind != "common").quantile(0.975)
    return ReferenceReading(its.level_mv, 100.0 * of_one, 100.0 * u95_mv / its.level_mv)
