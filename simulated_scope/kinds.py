"""Kinds of settings: how a value is said in an answer and taken from an argument."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from .scpi import choice, flag, nr3, number

Arguments = tuple[str, ...]


@dataclass(frozen=True)
class Kind:
    """`say` gives the answer for a value, `take` the value that arguments mean; `take` raises ScpiError."""

    say: Callable[[Any], str]
    take: Callable[[Arguments], Any]


SWITCH = Kind(lambda on: str(int(on)), flag)
"""Answered 1 or 0."""

ON_OFF = Kind(lambda on: "ON" if on else "OFF", flag)
"""Answered ON or OFF."""


def numbers(low: float, high: float) -> Kind:
    """A number within limits, answered like 2.5E-5."""
    return Kind(nr3, lambda arguments: number(arguments, low, high))


def integers(low: float, high: float) -> Kind:
    """A whole number within limits."""
    return Kind(str, lambda arguments: int(number(arguments, low, high)))


def words(meanings: Mapping[str, Any], *, short: bool = True) -> Kind:
    """One word of several, each with the value that it means; capitals are its short form.

    Answers are in the short form, or in capitals throughout; of two words with one meaning the first is said.
    """

    def say(value: Any) -> str:
        word = next(name for name, meaning in meanings.items() if meaning == value)
        return short_form(word) if short else word.upper()

    return Kind(say, lambda arguments: meanings[choice(arguments, *meanings)])


IMPEDANCE = words({"ONEMeg": False, "FIFTy": True})
"""Whether an input is one of 50 ohm, answered in short forms."""


def short_form(name: str) -> str:
    """The capitals of a word or header."""
    return re.sub(r"[a-z]", "", name)
