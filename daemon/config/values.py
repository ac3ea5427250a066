"""What people write for a gain specification and for the white of a pattern."""

import re
from fractions import Fraction

from ...drivers.capture import GainSpec
from ...drivers.errors import UsageError

CHANNEL_NAME = r"[A-Za-z][A-Za-z0-9_]{0,15}"
"""A channel's name goes to the scope within a command: nothing may hide in it."""

_GAIN_SPEC = re.compile(r"\s*(\d+(?:\.\d+)?)\s*%\s*(fs)?\s*", re.IGNORECASE)


def parse_gain_spec(text: str, where: str = "gain_spec") -> GainSpec:
    """`3%` is of the reading, `3%fs` of full scale. Raises UsageError outside 0 (exclusive) to 100 %."""
    match = _GAIN_SPEC.fullmatch(text)
    if match is None or not 0.0 < float(match[1]) <= 100.0:
        raise UsageError(f"'{text}' is no gain specification", where=where, do="write it like 3% or 3%fs")
    return GainSpec(float(match[1]), "full-scale" if match[2] else "reading")


def parse_pattern_white(text: str | float, where: str = "pattern_white") -> float:
    """Per cent of full white: `75` is 75 %, and a fraction such as `28/31` is 90.32 %. Raises UsageError outside 1 to 100."""
    try:
        pct = float(Fraction(text)) * 100.0 if isinstance(text, str) and "/" in text else float(text)
    except (ValueError, ZeroDivisionError):
        pct = 0.0
    if not 1.0 <= pct <= 100.0:
        raise UsageError(
            f"'{text}' is no white of a pattern",
            where=where,
            do="give per cent from 1 to 100, or a fraction like 28/31",
        )
    return pct
