"""How many channels a model has, as far as its name tells."""

import re

from .identity import Identity


def told_count(identity: Identity, counts: str = "24") -> int | None:
    """How many channels the model has, from the last digit of its number (2024 and 54 have four); None where unclear.

    The simulated scope has four where it bears no number.
    """
    number = re.search(r"\d{2,5}", identity.model)
    if number is None and identity.is_simulated:
        return 4
    return int(number[0][-1]) if number and number[0][-1] in counts else None


def channel_count(identity: Identity, third: str, counts: str = "24") -> int:
    """The same; where it is unclear two, which every scope has, or four where the question `third`, of CH3, was answered."""
    return told_count(identity, counts) or (4 if third in identity.answered else 2)
