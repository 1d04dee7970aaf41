r"""The lining of every wheel end as a line in km, and what its next lining will be like.

Given the fixed effects :math:`\theta` and the unit's own effect u on wear, the lining x times
10,000 km after the unit was last seen is

.. math:: L(x) = m - r x,\qquad
   (m, r) = (\hat m, \hat r) + k\,(u - \hat u) + \epsilon,\quad \epsilon \sim N(0, V)

with k how this lining leans on its unit, and :math:`\hat m, \hat r, \hat u` linear in
:math:`\theta`. Linings of one unit share u, all linings share :math:`\theta`: forecasts of one
wheel end add the three variances up, totals draw them once for all. A new lining starts at
:math:`s_a + b_0` and wears at :math:`\theta_{ad} + w^u u + w^b b_1`, :math:`(b_0, b_1)` drawn
afresh; the weights say how spread grows with the rate (``models.wear.spread``; 1 where it does
not).
"""

from dataclasses import dataclass

import numpy as np

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.wear.shape.scale import WearScale


@dataclass(frozen=True, slots=True)
class WheelEndLines:
    """Lines of L wheel ends of U units, P fixed effects, D duties.

    now_mm, rate : (L,) lining when the unit was last seen [mm], and its wear in the duty the unit
        is in [mm per 10,000 km, positive: material is lost].
    var_now, cov_now_rate, var_rate : (L,) given fixed effects and the unit's effect.
    now_on_unit, rate_on_unit : (L,) how both move with the unit's effect (k above).
    unit : (L,) unit of each wheel end, 0 … U-1.
    unit_effect, unit_var : (U,) the unit's effect on wear, given the fixed effects.
    now_gradient, rate_gradient : (L, P) and unit_gradient (U, P): derivatives in the fixed effects.
    theta, theta_cov : (P,), (P, P).
    duties : names of the D duties; duty : (U,) which one each unit is in.
    duty_column : (L, D) place of the wheel end's rate in each duty in theta.
    new_mm : (L,) mean thickness after a reline; start_column : (L,) its place in theta, or -1.
    life_cov : (2, 2) covariance of a new lining's start [mm] and rate around their means.
    reading_sd : error of one reading [mm].
    is_known : (L,) whether there is a line at all; where not, the numbers mean nothing.
    life_scale, unit_scale : (L,) weights of a new lining's and the unit's part in the rate, in the
        duty the unit is in (None: 1).
    changed_quarters : for how many quarters, begun ones counted, all linings have worn as they do,
        where they wore otherwise before (0: always, as far as is known).
    scale : on which thicknesses are counted above the minimum, where wear quickens or slows as
        linings thin; None: they are as a gauge reads them.
    """

    now_mm: FloatArray
    rate: FloatArray
    var_now: FloatArray
    cov_now_rate: FloatArray
    var_rate: FloatArray
    now_on_unit: FloatArray
    rate_on_unit: FloatArray
    unit: IntArray
    unit_effect: FloatArray
    unit_var: FloatArray
    now_gradient: FloatArray
    rate_gradient: FloatArray
    unit_gradient: FloatArray
    theta: FloatArray
    theta_cov: FloatArray
    duties: tuple[str, ...]
    duty: IntArray
    duty_column: IntArray
    new_mm: FloatArray
    start_column: IntArray
    life_cov: FloatArray
    reading_sd: float
    is_known: BoolArray
    life_scale: FloatArray | None = None
    unit_scale: FloatArray | None = None
    changed_quarters: int = 0
    scale: WearScale | None = None

    def __len__(self) -> int:
        return len(self.now_mm)

    @property
    def life_weight(self) -> FloatArray:
        return np.ones(len(self)) if self.life_scale is None else self.life_scale

    @property
    def unit_weight(self) -> FloatArray:
        return np.ones(len(self)) if self.unit_scale is None else self.unit_scale

    @property
    def rate_column(self) -> IntArray:
        """Place in theta of each wheel end's rate in the duty its unit is in."""
        return np.asarray(self.duty_column[np.arange(len(self)), self.duty[self.unit]])


@dataclass(frozen=True, slots=True)
class LineMoments:
    """Mean and covariance of (now, rate) of each wheel end, all uncertainty included (L,).

    ``shared_*`` is the part that the wheel ends of one unit have in common.
    """

    now_mm: FloatArray
    rate: FloatArray
    var_now: FloatArray
    cov: FloatArray
    var_rate: FloatArray
    shared_now: FloatArray
    shared_cov: FloatArray
    shared_rate: FloatArray

    def at(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean and variance of the lining after x times 10,000 km."""
        mean = self.now_mm - self.rate * x
        return mean, np.maximum(self.var_now - 2.0 * self.cov * x + self.var_rate * x**2, 1e-12)


def some_moments(moments: LineMoments, rows: IntArray) -> LineMoments:
    """The moments of some wheel ends."""
    return LineMoments(*(getattr(moments, name)[rows] for name in LineMoments.__slots__))


def _quadratic(left: FloatArray, covariance: FloatArray, right: FloatArray) -> FloatArray:
    return np.asarray(np.einsum("lp,lp->l", left @ covariance, right))


def line_moments(lines: WheelEndLines) -> LineMoments:
    """Everything uncertain about each line, added up."""
    now, rate, cov = lines.now_gradient, lines.rate_gradient, lines.theta_cov
    unit = lines.unit_var[lines.unit]
    shared_now = lines.now_on_unit**2 * unit + _quadratic(now, cov, now)
    shared_cov = lines.now_on_unit * lines.rate_on_unit * unit + _quadratic(now, cov, rate)
    shared_rate = lines.rate_on_unit**2 * unit + _quadratic(rate, cov, rate)
    return LineMoments(
        now_mm=lines.now_mm,
        rate=lines.rate,
        var_now=lines.var_now + shared_now,
        cov=lines.cov_now_rate + shared_cov,
        var_rate=lines.var_rate + shared_rate,
        shared_now=shared_now,
        shared_cov=shared_cov,
        shared_rate=shared_rate,
    )


def new_lining_moments(lines: WheelEndLines) -> LineMoments:
    """The same for a lining fitted now in place of each wheel end's."""
    here = np.arange(len(lines))
    start = np.zeros_like(lines.now_gradient)
    known = lines.start_column >= 0
    start[here[known], lines.start_column[known]] = 1.0
    by_unit, by_life = lines.unit_weight, lines.life_weight
    rate = by_unit[:, None] * lines.unit_gradient[lines.unit]
    rate[here, lines.rate_column] += 1.0
    cov, unit = lines.theta_cov, lines.unit_var[lines.unit]
    shared = (
        _quadratic(start, cov, start),
        _quadratic(start, cov, rate),
        _quadratic(rate, cov, rate) + by_unit**2 * unit,
    )
    return LineMoments(
        now_mm=lines.new_mm,
        rate=lines.theta[lines.rate_column] + by_unit * lines.unit_effect[lines.unit],
        var_now=lines.life_cov[0, 0] + shared[0],
        cov=by_life * lines.life_cov[0, 1] + shared[1],
        var_rate=by_life**2 * lines.life_cov[1, 1] + shared[2],
        shared_now=shared[0],
        shared_cov=shared[1],
        shared_rate=shared[2],
    )
