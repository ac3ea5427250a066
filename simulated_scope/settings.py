"""Checked settings: a dataclass is changed by a JSON object, or not at all."""

import dataclasses
import json
from collections.abc import Callable, Mapping
from typing import Any, TypeVar, get_args

Check = Callable[[Any], Any]
"""Takes a JSON value, returns the value to keep, raises ValueError with what is allowed."""

Settings = TypeVar("Settings")


class BadSetting(ValueError):
    """A sentence that names the key and what is allowed."""


def number(low: float, high: float) -> Check:
    """A number from `low` to `high`."""

    def check(value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise ValueError(f"a number from {low:g} to {high:g}")
        return float(value)

    return check


def integer(low: int, high: int) -> Check:
    """A whole number from `low` to `high`."""

    def check(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise ValueError(f"a whole number from {low} to {high}")
        return value

    return check


def near(*choices: float) -> Check:
    """One of those numbers, which may be written with three decimals."""

    def check(value: object) -> float:
        for choice in choices:
            if not isinstance(value, bool) and isinstance(value, int | float) and abs(value - choice) < 6e-4:
                return choice
        raise ValueError("one of " + ", ".join(f"{choice:.7g}" for choice in choices))

    return check


def one_of(*choices: object) -> Check:
    """One of those JSON values, of the same type."""

    def check(value: object) -> object:
        for choice in choices:
            if type(value) is type(choice) and value == choice:
                return choice
        raise ValueError("one of " + ", ".join(json.dumps(choice) for choice in choices))

    return check


def literal(alias: object) -> Check:
    """One of a Literal's values."""
    return one_of(*get_args(alias))


def flag(value: object) -> bool:
    """True or false."""
    if value is True or value is False:
        return value
    raise ValueError("true or false")


def or_null(check: Check) -> Check:
    """What `check` allows, or null."""

    def nullable(value: object) -> object:
        if value is None:
            return None
        try:
            return check(value)
        except ValueError as error:
            raise ValueError(f"{error}, or null") from None

    return nullable


def object_of(make: Callable[..., Any], **checks: Check) -> Check:
    """An object with exactly those keys, made into `make`."""

    def check(value: object) -> object:
        wanted = "an object with " + " and ".join(checks)
        if not isinstance(value, dict) or set(value) != set(checks):
            raise ValueError(wanted)
        kept = {}
        for key, part in checks.items():
            try:
                kept[key] = part(value[key])
            except ValueError as error:
                raise ValueError(f"{wanted}, where {key} is {error}") from None
        return make(**kept)

    return check


def changed(settings: Settings, values: object, checks: Mapping[str, Check], where: str) -> Settings:
    """`settings` (a dataclass) with the checked `values` in place; `where` is what the object is called in an error.

    Raises:
        BadSetting: an unknown key or a value that is not allowed.
    """
    if not isinstance(values, dict):
        raise BadSetting(f"{where} takes an object of settings: {', '.join(checks)}.")
    kept = {}
    for key, value in values.items():
        if key not in checks:
            raise BadSetting(f"{where} has no setting {json.dumps(key)}; there are {', '.join(checks)}.")
        try:
            kept[key] = checks[key](value)
        except ValueError as error:
            raise BadSetting(f"{where}.{key} must be {error}, not {json.dumps(value)[:80]}.") from None
    return dataclasses.replace(settings, **kept)  # type: ignore[type-var]
