"""What makes an instrument recognisable, taken out of a transcript: its serial number, and what its options tell of it."""

import re
from collections.abc import Callable, Iterable

SHORTEST_SERIAL = 4
"""A shorter third field of an identity is no serial number; to replace it would spoil the answers."""
LONGEST_OPTION = 10
MOST_DIGITS_OF_OPTION = 4

_FIELD = re.compile(r"[^,;\"']+")
_OPTION = re.compile(rf"\s*(?=[A-Z0-9])[A-Z0-9._+/-]{{1,{LONGEST_OPTION}}}(?![^\s:=])")


def replaced(text: str) -> str:
    """A text of the same length and shape that tells nothing: every digit is 0, every letter X."""
    return re.sub(r"[^\W\d_]", "X", re.sub(r"\d", "0", text))


def scrubber_of(serials: Iterable[str]) -> Callable[[str], str]:
    """What replaces every occurrence of these serial numbers by one of its shape."""
    numbers = "|".join(re.escape(serial) for serial in serials if len(serial) >= SHORTEST_SERIAL)
    if not numbers:
        return str
    return lambda text: re.sub(numbers, lambda match: replaced(match[0]), text, flags=re.IGNORECASE)


def scrubbed_options(reply: str) -> str:
    """An answer to `*OPT?` of which only the short names of options are left.

    Some makers put keys, serial numbers or a licensee there. Of every field, as commas, semicolons and quotation marks
    divide them, the first word is kept if it may be the name of an option: capitals and digits, ten characters at most, of
    which four digits at most. All other letters and digits are replaced.
    """
    return _FIELD.sub(_scrubbed_field, reply)


def _scrubbed_field(match: re.Match[str]) -> str:
    field = match[0]
    name = _OPTION.match(field)
    kept = name[0] if name and sum(map(str.isdigit, name[0])) <= MOST_DIGITS_OF_OPTION else ""
    return kept + replaced(field[len(kept) :])
