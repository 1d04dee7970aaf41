"""Sums by group."""

import numpy as np

from models.common.arrays import FloatArray, IntArray


def sums_by(group: IntArray, values: FloatArray, groups: int) -> FloatArray:
    """Sums of values (m,), or of their rows (m, k), by group: (groups,) or (groups, k).

    >>> sums_by(np.array([0, 1, 0]), np.array([1.0, 2.0, 3.0]), 2)
    array([4., 2.])
    """
    if values.ndim == 1:
        return np.bincount(group, values, minlength=groups).astype(np.float64)
    sums = [np.bincount(group, column, minlength=groups) for column in values.T]
    return np.stack(sums, axis=1) if sums else np.zeros((groups, 0))
