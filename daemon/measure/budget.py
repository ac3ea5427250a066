"""The uncertainty budget of a peak white: which items it has, and how large they are at a given level."""

import math
from collections.abc import Iterator
from dataclasses import replace

from ...drivers.capture import GainSpec
from .calibrated import UNCALIBRATED, Calibrated
from .hookup import Clip
from .levels import Levels
from .uncertainty import Item

ASSUMED_GAIN = GainSpec(3.0)
"""Taken where neither the user nor the driver says what the scope's gain is good for."""
LINEARITY_LSB = 0.5
"""How far an ADC state may lie off the straight line, where it was not calibrated (our default)."""
PROBE_10X_PCT = 2.0
"""Ratio of a 10x probe (practice)."""
QUIET_LSB = 0.45
"""With less noise than this a state can sit anywhere between two codes, however long one averages.

A noiseless state halfway between two codes shows 0.41 LSB.
"""


def budget(
    level_mv: float,
    levels: Levels,
    clip: Clip,
    gain: GainSpec,
    full_scale_mv: float,
    pattern_pct: float,
    calibrated: Calibrated = UNCALIBRATED,
    setup_mv: float = 0.0,
) -> tuple[Item, ...]:
    """Items of a level of `level_mv` on full white, measured as `levels` says with the given hookup.

    `full_scale_mv` counts only where the gain is specified of full scale. On a pattern whose white is `pattern_pct`
    of full, what was measured is so much smaller and every absolute item is enlarged by 100/pattern_pct; `setup_mv` below
    the picture was not smaller, and grows with the rest. What `calibrated` knows better stands in the place of the
    specification.
    """
    enlarged = 100.0 / pattern_pct
    level_mv += setup_mv * (enlarged - 1.0)
    items = [Item("noise", "random", "normal", levels.white_random_mv * enlarged, "noise")]
    items += (
        calibrated.gain_items(level_mv)
        if calibrated.gain
        else _gain_items(level_mv, clip, gain, full_scale_mv * enlarged)
    )
    blanking_mv = levels.blanking_mv if math.isfinite(levels.blanking_mv) else 0.0
    for state, noise_mv in (("white", levels.noise_mv), ("blanking", levels.blanking_noise_mv)):
        item = calibrated.linearity_item(state, blanking_mv, level_mv / enlarged, LINEARITY_LSB * levels.lsb_mv)
        items.append(item if enlarged == 1.0 else replace(item, size_mv=item.size_mv * enlarged))
        if not noise_mv >= QUIET_LSB * levels.lsb_mv:
            half_mv = 0.5 * levels.lsb_mv * enlarged
            items.append(Item(f"quantisation, {state}", "per-channel", "rectangular", half_mv, "quantisation"))
    if calibrated.terminator:
        items += calibrated.terminator_items(level_mv)
    elif clip.load != "none":
        # V is in proportion to RL/(Rs + RL): with Rs = RL half of the terminator's error reaches the level.
        part = 0.5 * clip.load_tolerance_pct / 100.0
        items.append(Item("termination", "per-channel", "rectangular", part * abs(level_mv), "termination"))
    return tuple(item for item in items if math.isfinite(item.size_mv) and item.size_mv > 0.0)


def _gain_items(level_mv: float, clip: Clip, gain: GainSpec, full_scale_mv: float) -> Iterator[Item]:
    """Scope and probe by their specifications."""
    of_mv = full_scale_mv if gain.of == "full-scale" else abs(level_mv)
    yield Item(f"scope gain ±{gain.pct:g} %", "per-channel", "rectangular", gain.pct / 100.0 * of_mv, "gain")
    if clip.link == "probe-10x":
        yield Item("probe ratio", "per-channel", "rectangular", PROBE_10X_PCT / 100.0 * abs(level_mv), "gain")


def repeatable(items: tuple[Item, ...]) -> tuple[Item, ...]:
    """The items that differ at every reading."""
    return tuple(item for item in items if item.kind == "random")
