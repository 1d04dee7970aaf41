"""Sums by group, and the rows of each."""

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


def rows_by(group: IntArray) -> list[IntArray]:
    """Places of the rows of each group that occurs, group by group.

    >>> rows_by(np.array([5, 1, 5]))
    [array([1]), array([0, 2])]
    """
    order = np.argsort(group, kind="stable")
    cuts = np.flatnonzero(np.diff(group[order])) + 1
    return [rows for rows in np.split(order, cuts) if len(rows)]
