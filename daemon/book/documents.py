"""What is stored as JSON: the set-up of a mark, and the budgets of its levels. Decoded, it is what was encoded."""

import json
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import Any

from pydantic import TypeAdapter

from ..measure.level_budget import LevelBudget
from ..measure.targets import Conditions

_CONDITIONS = TypeAdapter(Conditions)
_BUDGETS = TypeAdapter(tuple[LevelBudget, ...])


def encode(value: object) -> str:
    """Dataclasses, mappings, sequences and numbers as one line of JSON, numbers in full.

    A field that is NaN is left out: it is not known, and its default says the same.
    """
    return json.dumps(_plain(value), separators=(",", ":"), allow_nan=False)


def decode_conditions(text: str) -> Conditions:
    """The conditions that were encoded. Raises ValueError."""
    return _CONDITIONS.validate_json(text)


def decode_budgets(text: str) -> tuple[LevelBudget, ...]:
    """The budgets that were encoded. Raises ValueError."""
    return _BUDGETS.validate_json(text)


def _plain(value: object) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        named = ((field.name, getattr(value, field.name)) for field in fields(value))
        return {name: _plain(one) for name, one in named if not (isinstance(one, float) and math.isnan(one))}
    if isinstance(value, Mapping):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(one) for one in value]
    return value
