"""What a channel's levels make suspect, beside the ratio table."""

import math
from collections.abc import Iterable, Mapping

from .hookup import COLOURS, Clip
from .levels import DARK_UNDER, Levels
from .reading import SyncClass
from .targets import Target

FEWEST_CODES = 50
"""A white of fewer ADC states than this is measured too coarsely."""
DC_BEYOND_MV = 300.0
"""Blanking further from 0 V than this is DC on the output."""
NO_MEAN = 0.05
COUPLED_BLANKING = 0.1
"""An AC-coupled record has a mean of nearly nothing, and blanking well below it (parts of the level)."""
TTL_FROM_MV = 2000.0
HIGH_FROM = 2.3
"""White further above nominal than a missing terminator explains: an output made for high impedance."""
TILTED = 0.008
UNTILTED = 0.003
"""Tilt of a white run: of a badly compensated probe, and of good ones beside it."""
LEAST_PEDESTAL_MV = 2.0
MINORITY = 0.5


def of_levels(levels: Levels, clip: Clip, target: Target | None, *, field_known: bool) -> list[str]:
    """Codes of the hints that one picture channel's levels raise.

    `field_known` says that the record holds a vertical sync, so that lines of the vertical interval were left out.
    """
    found = []
    nominal_mv = target.nominal_mv if target else 700.0
    if abs(levels.blanking_mv) > DC_BEYOND_MV:
        found.append("dc-on-output")
    if abs(levels.pedestal_mv) > max(3.0 * levels.pedestal_error_mv, LEAST_PEDESTAL_MV):
        found.append("burst-pedestal")
    if not levels.white_mv > DARK_UNDER * nominal_mv:
        return found
    if levels.white_mv < FEWEST_CODES * levels.lsb_mv:
        found.append("range-too-coarse")
    coupled = -levels.blanking_mv > COUPLED_BLANKING * levels.white_mv
    if coupled and abs(levels.mean_mv) < NO_MEAN * levels.white_mv:
        found.append("ac-coupled-input")
    few = 0 < levels.white_rows < MINORITY * levels.rows
    if few and not field_known and len(levels.picture_states) > 1:
        found.append("may-be-blanking-line")
    if clip.role in COLOURS and levels.white_mv > TTL_FROM_MV and len(levels.picture_states) <= 2:
        found.append("ttl-rgb")
    elif clip.role in COLOURS and levels.white_mv > HIGH_FROM * nominal_mv:
        found.append("high-impedance-output")
    return found


def of_sync(sync_class: SyncClass | None, clip: Clip) -> list[str]:
    """Codes of the hints that a sync channel raises."""
    into_75 = sync_class == "ttl-into-75-ohm" or (sync_class == "ttl" and clip.load in ("terminator", "monitor"))
    return ["ttl-sync-into-75-ohm"] if into_75 else []


def uncompensated(tilts: Mapping[str, float]) -> list[str]:
    """Channels whose white alone is tilted, of those given by name: likely their probe's compensation."""
    return [
        name
        for name, tilt in tilts.items()
        if abs(tilt) > TILTED and len(tilts) > 1 and _straight(tilts[other] for other in tilts if other != name)
    ]


def _straight(tilts: Iterable[float]) -> bool:
    return all(math.isfinite(tilt) and abs(tilt) < UNTILTED for tilt in tilts)
