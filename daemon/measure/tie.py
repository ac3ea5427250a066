"""A tie in force: levels of channels that are known against each other, whatever the scope's gain is off by."""

from collections.abc import Sequence
from dataclasses import replace

from .budget import LINEARITY_LSB
from .calibration import Tied
from .level_budget import LevelBudget, scaled
from .uncertainty import Item


def tied_levels(levels: Sequence[LevelBudget]) -> tuple[list[LevelBudget], LevelBudget] | None:
    """The levels as the reference channel would read them, and the level whose gain they all share now.

    None unless all of them were tied at once. Each level is divided by its relative gain, which was found with one and
    the same signal on all probes. What is left of its budget:

    - noise and quantisation of the measurement, and those of the tie (`own_u`);
    - the terminators: in the tie there was one for all, now each channel has its own. With 75 ohm ±1 % against a source
      of 75 ohm each moves its level by ±0.5 %, so two of them leave a triangle of ±1 %, 5.5 mV of 714.3 at 95 %;
    - linearity as far as the ADC now stands elsewhere than in the tie. What a state is off was read in the tie as part
      of the relative gain, so at the same states it cancels; from there it grows in proportion to the distance, and is
      as unknown as ever NEAR_STATES away.

    Gain of scope and probe, by specification or calibrated, drops out of the differences up to the scale that is left
    to all in common: that of the level given second (JCGM 100:2008 5.2.2, fully correlated inputs).
    """
    ties = [level.tied for level in levels]
    first = ties[0] if ties else None
    if first is None or not _are_tied_at_once(levels):
        return None
    scale = next((level for level in levels if level.channel == first.tie.reference), levels[0])
    common = scale.tied.gain_factor if scale.tied and scale.channel == first.tie.reference else 1.0
    return [_tied(level, tied, common) for level, tied in zip(levels, ties, strict=True) if tied is not None], scale


def half_tied(levels: Sequence[LevelBudget]) -> str | None:
    """Why a tie that holds for some of the levels does not serve; None where none holds, or all share one."""
    tied = [level for level in levels if level.tied is not None]
    lacking = [level.channel for level in levels if level.tied is None]
    if not tied or _are_tied_at_once(levels):
        return None
    return f"it does not hold for {lacking[0]}" if lacking else "its channels were not all tied at once"


def _are_tied_at_once(levels: Sequence[LevelBudget]) -> bool:
    which = {level.tied and (level.tied.made_at_ns, level.tied.tie.reference) for level in levels}
    return len(which) == 1 and None not in which


def _tied(level: LevelBudget, tied: Tied, common: float) -> LevelBudget:
    by = common / (tied.gain_factor * tied.tie.relative_gain)
    gained_mv = (level.level_mv - level.unscaled_mv) * by
    state_mv = level.state_mv * by
    items = (
        *scaled(level.items_of("noise", "quantisation", "termination", "other"), by),
        *(
            Item(f"ADC linearity, {state}", "per-channel", "rectangular", LINEARITY_LSB * state_mv * share, "linearity")
            for state, share in zip(("blanking", "white"), tied.unknown_linearity, strict=True)
        ),
        Item("tie", "per-channel", "normal", tied.tie.own_u * abs(gained_mv)),
    )
    return replace(level, level_mv=gained_mv + level.unscaled_mv, items=items, state_mv=state_mv)
