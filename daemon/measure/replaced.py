"""`dataclasses.replace` for wide frozen dataclasses at a tenth of its cost, which a reading pays a dozen times."""

from typing import TypeVar

Wide = TypeVar("Wide")


def replaced(one: Wide, **changes: object) -> Wide:
    """A copy with other values in some fields; of dataclasses that check and cache nothing. Raises TypeError for no field."""
    fields = vars(one)
    unknown = changes.keys() - fields.keys()
    if unknown:
        raise TypeError(f"{type(one).__name__} has no field {', '.join(sorted(unknown))}")
    copy = object.__new__(type(one))
    vars(copy).update(fields, **changes)
    return copy
