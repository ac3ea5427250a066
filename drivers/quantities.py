"""Numbers that may bear a unit: `5.00E-01V`, `2.00US`, `1.00GSa/s`, `14Mpts`."""

import re

from .replies import number

_QUANTITY = re.compile(r"(.*?)\s*([numkµgKMGNU]?)(V|s|Sa/s|Sa|pts|)", re.IGNORECASE | re.DOTALL)
_LONGEST = 40
"""Characters; whatever is longer is no number with a unit."""
_SMALL = {"": 1.0, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "m": 1e-3, "k": 1e3}
_LARGE = {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}


def quantity(text: str, *, of: str, where: str) -> float:
    """The number that a reply consists of, in V, s, samples a second or samples, with a unit or without.

    M is milli of volts and seconds, and mega of all else. Raises ReplyError as `number` does.
    """
    found = _QUANTITY.fullmatch(text.strip()) if len(text) <= _LONGEST else None
    if found is None:
        return number(text, of=of, where=where)
    digits, prefix, unit = found[1], found[2].lower(), found[3].lower()
    factor = (_SMALL if unit in ("v", "s") else _LARGE).get(prefix)
    if factor is None:
        return number(text, of=of, where=where)
    return number(digits, of=of, where=where) * factor
