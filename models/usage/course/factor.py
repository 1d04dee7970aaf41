r"""Use of all units by day, over what forecasts go on from.

A change that lasts and stretches that ended are steps: on day t all units run :math:`f(t)` times
what they run, others things alike, from now on. An interval sees the mean of f over its days, so
that km between two readings are spread by the steps and not evenly.

Of a change that is young it is not known whether it lasts. With chance

.. math:: p = \frac{\rho\,e^{-t/\theta}}{1 - \rho + \rho\,e^{-t/\theta}}

after t days it ends some day, and then, memoryless, after a mean of :math:`\theta` more:
:math:`\rho` of all changes are taken to end, after :math:`\theta` days in the mean.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.common.arrays import FloatArray

RETURNS = 0.8
"""Chance, before anything is known of how long it lasted, that a change of all use ends: high, for
relines that come too early are the error that does no harm."""
RETURNS_AFTER_DAYS = 90.0
"""Mean days that one lasts that ends."""
SETTLED_DAYS = 183.0
"""A change kept for longer is taken to last."""


@dataclass(frozen=True, slots=True)
class UseCourse:
    """Factor on use of all units: ``factors`` (k + 1,) before, between and after ``edges`` (k,),
    days after as-of (negative: before).

    ``p_returns``: chance that the use of before the last change comes back, ``former`` times
    today's; nought where no change is young.
    """

    edges: tuple[float, ...] = ()
    factors: tuple[float, ...] = (1.0,)
    former: float = 1.0
    p_returns: float = 0.0

    def mean(self, from_day: FloatArray, to_day: FloatArray) -> FloatArray:
        """Mean factor over days, broadcast; equal days give the day's own."""
        day, last = np.broadcast_arrays(np.asarray(from_day, float), np.asarray(to_day, float))
        if not self.edges:
            return np.ones(day.shape)
        length = last - day
        total = np.full(day.shape, self.factors[0])
        for edge, (before, after) in zip(
            self.edges, zip(self.factors[:-1], self.factors[1:], strict=True), strict=True
        ):
            since = np.clip(last - np.maximum(day, edge), 0.0, None)
            share = np.where(length > 0.0, since / np.where(length > 0.0, length, 1.0), day >= edge)
            total = total + (after - before) * share
        return np.asarray(total)

    def returned(self) -> "UseCourse":
        """The former use, from the as-of day on."""
        return replace(
            self,
            edges=(*self.edges, 0.0),
            factors=(*self.factors, self.factors[-1] * self.former),
            former=1.0,
            p_returns=0.0,
        )

    def drawn_returns(self, copies: int, rng: np.random.Generator) -> FloatArray | None:
        """Days after as-of on which the former use returns in each copy of a fleet (infinite:
        never); None where nothing may return, and no number is drawn."""
        if self.p_returns <= 0.0:
            return None
        # One in every part of the range: a few copies know the chance as well as many.
        number = (rng.permutation(copies) + rng.random(copies)) / copies
        beyond = np.minimum(number / self.p_returns, 1.0 - 1e-12)
        comes = number < self.p_returns
        return np.where(comes, -RETURNS_AFTER_DAYS * np.log1p(-beyond), np.inf)

    def after_return(self, from_day: FloatArray, to_day: FloatArray, on: FloatArray) -> FloatArray:
        """Mean factor over days on which the former use returned on a day each."""
        share = np.clip(to_day - np.maximum(from_day, on), 0.0, None)
        share = share / np.maximum(to_day - from_day, 1e-9)
        return np.asarray(1.0 + (self.former - 1.0) * share)


def chance_to_return(lasted_days: float) -> float:
    """That a change of all use which has lasted so long ends; nought beyond half a year."""
    if lasted_days > SETTLED_DAYS:
        return 0.0
    ends = RETURNS * float(np.exp(-lasted_days / RETURNS_AFTER_DAYS))
    return ends / (1.0 - RETURNS + ends)


def use_course(
    lasting: tuple[float, float] | None,
    stretches: Sequence[tuple[float, float, float]] = (),
) -> UseCourse:
    """``lasting``: day and ratio of a change that goes on; ``stretches``: first day, last day and
    ratio of each."""
    edges = sorted({*(e for s in stretches for e in s[:2]), *([lasting[0]] if lasting else [])})
    if not edges:
        return UseCourse()
    inside = np.array([edges[0] - 1.0, *np.add(edges[:-1], edges[1:]) / 2.0, edges[-1] + 1.0])
    factors = np.ones(len(inside))
    for first, last, ratio in stretches:
        factors = factors * np.where((inside > first) & (inside < last), ratio, 1.0)
    if lasting is None:
        return UseCourse(tuple(edges), tuple(map(float, factors)))
    day, ratio = lasting
    factors = factors * np.where(inside < day, 1.0 / ratio, 1.0)
    p, found = chance_to_return(-day), tuple(map(float, factors))
    return UseCourse(tuple(edges), found, 1.0 / ratio if p else 1.0, p)
