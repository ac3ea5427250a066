"""Typed access to an object that came as JSON from a foreign file."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

_NAMES: Mapping[type, str] = {str: "text", int: "number", dict: "object", list: "list"}


@dataclass(frozen=True)
class JsonFields:
    """The fields of one JSON object. Every method raises ValueError where the field is not of its type.

    Attributes:
        value: what JSON gave; anything but an object has no fields.
        called: what an error calls it.
    """

    value: Any
    called: str

    def _field(self, key: str, *kinds: type) -> Any:
        field = self.value.get(key) if isinstance(self.value, dict) else None
        fits = isinstance(field, kinds) and not isinstance(field, bool)
        if not fits:
            raise ValueError(f"{self.called} has no '{key}', or one that is no {_NAMES[kinds[0]]}")
        return field

    def has(self, key: str) -> bool:
        """Whether the field is there and not null."""
        return isinstance(self.value, dict) and self.value.get(key) is not None

    def yes_or_no(self, key: str, otherwise: bool) -> bool:
        """True or false; `otherwise` for null or a missing field."""
        if not self.has(key):
            return otherwise
        said = self.value[key]
        if said is not True and said is not False:
            raise ValueError(f"{self.called} has a '{key}' that is neither true nor false")
        return said

    def text_or_none(self, key: str) -> str | None:
        """A string, or None for null or a missing field."""
        return self.text(key) if self.has(key) else None

    def text(self, key: str) -> str:
        """A string."""
        return str(self._field(key, str))

    def number(self, key: str) -> float:
        """A number; infinity and NaN are left to the caller."""
        return float(self._field(key, int, float))

    def whole(self, key: str) -> int:
        """A whole number."""
        return int(self._field(key, int))

    def number_or_none(self, key: str) -> float | None:
        """A number, or None for null or a missing field."""
        return self.number(key) if self.has(key) else None

    def whole_or_none(self, key: str) -> int | None:
        """A whole number, or None for null or a missing field."""
        return self.whole(key) if self.has(key) else None

    def object(self, key: str) -> "JsonFields":
        """An object."""
        return JsonFields(self._field(key, dict), key)

    def objects(self, key: str) -> list["JsonFields"]:
        """A list of objects."""
        return [JsonFields(item, f"item {n} of {key}") for n, item in enumerate(self._field(key, list), start=1)]
