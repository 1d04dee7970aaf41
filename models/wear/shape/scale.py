r"""A scale of thickness on which wear is even where it quickens, or slows, as linings thin.

With u the share of a lining that is worn (0: new, 1: at its minimum), wear per km grows as
:math:`e^{\beta u}`, and

.. math:: v = \frac{1 - e^{-\beta u}}{1 - e^{-\beta}}

grows evenly with the km run, however fast this one lining wears; :math:`\beta` is the logarithm
of the rate at the minimum over that of a new lining. On the scale a lining reads
new - v (new - minimum) [mm]: new and minimum are where they are, and so are a lining's mean rate
from the one to the other and the day it reaches its minimum. Beyond both ends the scale runs on as
it does there.
"""

from dataclasses import dataclass

import numpy as np

from models.common.arrays import FloatArray, IntArray

EVEN = 1e-6
"""Below this a logarithm of a ratio is none."""


def even_share(worn: FloatArray, log_ratio: float) -> FloatArray:
    """v of a share that is worn (u)."""
    if abs(log_ratio) < EVEN:
        return worn
    inside = np.clip(worn, 0.0, 1.0)
    v = np.expm1(-log_ratio * inside) / np.expm1(-log_ratio)
    return np.asarray(v + (worn - inside) * even_per_worn(inside, log_ratio))


def worn_share(even: FloatArray, log_ratio: float) -> FloatArray:
    """u of a share on the even scale (v)."""
    if abs(log_ratio) < EVEN:
        return even
    inside = np.clip(even, 0.0, 1.0)
    u = -np.log1p(inside * np.expm1(-log_ratio)) / log_ratio
    return np.asarray(u + (even - inside) / even_per_worn(u, log_ratio))


def even_per_worn(worn: FloatArray, log_ratio: float) -> FloatArray:
    """dv/du: how finely the scale resolves a lining that is worn so far; its inverse is the wear
    there over the lining's mean wear."""
    if abs(log_ratio) < EVEN:
        return np.ones_like(worn)
    inside = np.clip(worn, 0.0, 1.0)
    return np.asarray(-log_ratio * np.exp(-log_ratio * inside) / np.expm1(-log_ratio))


@dataclass(frozen=True, slots=True)
class WearScale:
    """The scale of N linings: ``minimum_mm`` (N,), and ``usable_mm`` (N,) of new ones above it."""

    log_ratio: float
    minimum_mm: FloatArray
    usable_mm: FloatArray

    def some(self, rows: IntArray | slice) -> "WearScale":
        """That of some of the linings."""
        return WearScale(self.log_ratio, self.minimum_mm[rows], self.usable_mm[rows])

    def even_lining_mm(self, lining_mm: FloatArray) -> FloatArray:
        """Thickness on the scale (N,) of one by a gauge [mm]."""
        return self.minimum_mm + self.even_mm(lining_mm - self.minimum_mm)

    def even_mm(self, above_mm: FloatArray) -> FloatArray:
        """What is left on the scale (N, ...) of what is left by a gauge [mm]."""
        usable = self._beside(above_mm)
        return np.asarray(usable * (1.0 - even_share(1.0 - above_mm / usable, self.log_ratio)))

    def above_mm(self, even_mm: FloatArray) -> FloatArray:
        """What is left by a gauge (N, ...) of what is left on the scale [mm]."""
        usable = self._beside(even_mm)
        return np.asarray(usable * (1.0 - worn_share(1.0 - even_mm / usable, self.log_ratio)))

    def even_per_mm(self, above_mm: FloatArray) -> FloatArray:
        """Mm on the scale for one by a gauge (N, ...) where so much is left by a gauge."""
        return even_per_worn(1.0 - above_mm / self._beside(above_mm), self.log_ratio)

    def _beside(self, values: FloatArray) -> FloatArray:
        return self.usable_mm.reshape(-1, *(1,) * (values.ndim - 1))


def some_scale(scale: WearScale | None, rows: IntArray) -> WearScale | None:
    """The scale of some of the linings; None where they are as a gauge reads them."""
    return None if scale is None else scale.some(rows)
