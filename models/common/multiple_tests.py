"""One adjustment for many tests."""

from collections.abc import Sequence

import numpy as np

from models.common.arrays import FloatArray


def holm(p_values: Sequence[float]) -> FloatArray:
    """Holm's (1979, Scand. J. Stat. 6:65) adjusted p-values, in the order given.

    Own lines because statsmodels' function brings half a second of imports to every run and
    collects all garbage on every call; the tests hold it against that function.
    """
    p = np.asarray(p_values, float)
    order = np.argsort(p, kind="stable")
    adjusted = np.empty_like(p)
    adjusted[order] = np.maximum.accumulate(p[order] * np.arange(p.size, 0, -1))
    return np.asarray(np.minimum(adjusted, 1.0))
