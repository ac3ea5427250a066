"""The uncertainty budget of every level in words and figures, for people."""

from ...drivers.capture import Capture
from .engine import budgets
from .level_budget import LevelBudget
from .targets import Conditions
from .uncertainty import combined


def explain(capture: Capture, conditions: Conditions) -> str:
    """The budget of each channel that has a peak white: items, kinds, sizes, and what they come to together."""
    parts = [_channel_text(one) for one in budgets(capture, conditions)]
    return "\n\n".join(parts) if parts else "No channel has a peak white, so there is no budget to explain."


def _channel_text(one: LevelBudget) -> str:
    spread = combined(one.items)
    lines = [
        f"{one.channel} {one.role}: {one.level_mv:.1f} mV",
        f"  {'item':<28}{'kind':<13}{'shape':<13}{'size mV':>9}{'u mV':>9}",
    ]
    lines += [
        f"  {item.name:<28}{item.kind:<13}{item.shape:<13}{item.size_mv:>9.3f}{item.standard_mv:>9.3f}"
        for item in sorted(one.items, key=lambda item: -item.standard_mv)
    ]
    lines.append(
        f"  together: ±{spread.quantile(0.975):.2f} mV (95 %), "
        f"5 to 95 %: {one.level_mv - spread.quantile(0.95):.1f} to {one.level_mv + spread.quantile(0.95):.1f} mV"
    )
    return "\n".join(lines)
