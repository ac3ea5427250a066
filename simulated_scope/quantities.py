"""Numbers with units, as an older dialect says and takes them."""

import math
import re

from .scpi import ScpiError, only

_QUANTITY = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:E[+-]?\d+)?)\s*([NUMKG]?)(V|S|SA/S|PTS|)", re.IGNORECASE)
_SMALL = {"": 1.0, "N": 1e-9, "U": 1e-6, "M": 1e-3, "K": 1e3}
_LARGE = {"": 1.0, "K": 1e3, "M": 1e6, "G": 1e9}


def quantity(arguments: tuple[str, ...], low: float, high: float) -> float:
    """The one argument, such as `2US`, `5.00E-01V` or `500MV`, within limits. M is milli of volts and seconds, else mega.

    Raises:
        ScpiError: -104 not a number, -131 a prefix that this unit does not have, -222 out of range.
    """
    text = only(arguments)
    found = _QUANTITY.fullmatch(text)
    if found is None:
        raise ScpiError(-104, f"Data type error; {text}")
    digits, prefix, unit = found[1], found[2].upper(), found[3].upper()
    factor = (_SMALL if unit in ("V", "S") else _LARGE).get(prefix)
    if factor is None:
        raise ScpiError(-131, f"Invalid suffix; {text}")
    value = float(digits) * factor
    if not (math.isfinite(value) and low <= value <= high):
        raise ScpiError(-222, f"Data out of range; {text}")
    return value


def three_digits(value: float) -> str:
    """As the instrument prints numbers: 5.00E-01."""
    return f"{value + 0.0:.2E}" if math.isfinite(value) else "NAN"


def prefixed(value: float, form: str) -> str:
    """As it prints counts and rates where units are on, the number in that format: 70K, 1.00G."""
    for prefix, factor in (("G", 1e9), ("M", 1e6), ("K", 1e3)):
        if value >= factor:
            return f"{value / factor:{form}}{prefix}"
    return f"{value:{form}}"
