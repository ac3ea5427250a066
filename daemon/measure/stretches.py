"""Stretches of records: copied as rows of a view, not value by value."""

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

AnyNumber = TypeVar("AnyNumber", bound=np.generic)


def stretches(values: NDArray[AnyNumber], first: NDArray[np.intp], length: int) -> NDArray[AnyNumber]:
    """So many neighbours from each first place on, shape (*values.shape[:-1], *first.shape, length)."""
    whole = np.ascontiguousarray(values)
    shape = (*whole.shape[:-1], whole.shape[-1] - length + 1, length)
    rows: NDArray[AnyNumber] = np.ndarray(shape, whole.dtype, whole.data, strides=(*whole.strides, whole.strides[-1]))
    return np.asarray(rows[..., first, :])
