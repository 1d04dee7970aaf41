r"""Linings whose readings contradict their reline on record, found before wear is fitted.

A few false starts in a thousand linings would widen every band: an unknown reline some millimetres
off counts by its square. A fit of some of the units says what is usual. For every lining,

.. math:: z_{level} = \frac{\bar y - \text{start} + \sum_d r_d\,\overline{km}_d}{\sqrt{\cdot}},\quad
          z_{slope} = \frac{s_{ty}/s_{tt} + \bar r}{\sqrt{\cdot}}

with the variance that the fit gives either. Both are judged against the median absolute deviation
of their own axle type and duty (Huber 1981, Robust Statistics, ch. 5), so that a spread that grows
with the rate, and the false ones themselves, do not move the limit.

A level that no lining of that age has (thick or thin) means that the reline on record is not this
lining's, or its odometer was replaced: its start is taken as unknown. A lining that hardly wore
over a long way was relined in between and nobody wrote it down: no line goes through its readings,
and it is left out.
"""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.distributions import MAD_TO_SD
from models.common.units import KM_PER_UNIT
from models.wear.blocks import main_duty
from models.wear.fit import Detail, fit_wear
from models.wear.predict import fixed_level
from models.wear.result import WearFit
from models.wear.spread import EVEN, sampled_units
from models.wear.sums import LiningLifeSums, kept_lives, without_pointer

BEYOND = 5.0
"""Robust standard deviations: of a million linings that are as they should be, less than one."""
LEAST_LIVES = 20
"""Fewer linings of one axle type and duty are judged by the spread of all."""
LEAST_SPREAD = 0.5
"""Where false ones have widened the fit, the others seem to agree; no further than this."""


@dataclass(frozen=True, slots=True)
class PlausibleSums:
    """The sums to fit, which linings' starts were taken as unknown and which were left out;
    ``usual``: the fit of some of them that says what is usual."""

    sums: LiningLifeSums
    false_start: pl.Series
    relined_unseen: pl.Series
    usual: WearFit | None = None

    @property
    def notes(self) -> tuple[str, ...]:
        """What was found, in sentences."""
        notes = []
        if len(self.false_start):
            notes.append(
                f"The reline on record is not that of the lining read, or an odometer was replaced "
                f"since, on {_named(self.false_start)}: its start is taken as unknown."
            )
        if len(self.relined_unseen):
            notes.append(
                f"Hardly any wear over a long way, as after a reline that nobody wrote down, on "
                f"{_named(self.relined_unseen)}: left out, its lining now not estimated."
            )
        return tuple(notes)


def _named(ends: pl.Series, most: int = 10) -> str:
    ends = ends.unique().sort()
    more = f" and {len(ends) - most} more" if len(ends) > most else ""
    return ", ".join(ends.head(most)) + more


def plausible_sums(sums: LiningLifeSums, start: WearFit | None = None) -> PlausibleSums:
    """The same linings without what no lining can have done; all of them where nothing is known.

    ``start``: as :func:`models.wear.fit.fit_wear` has it.
    """
    none = sums.wheel_end_id.clear()
    gauge = without_pointer(sums, np.ones(sums.n_lives, bool))
    usual = fit_wear(
        sampled_units(gauge), laws=(EVEN,), shrink=False, start=start, detail=Detail.VARIANCES
    )
    if usual.mixed is None:
        return PlausibleSums(sums, none, none)
    group = sums.axle * max(len(sums.duties), 1) + main_duty(sums)
    flat = robust_scores(_slope_scores(gauge, usual), group) > BEYOND
    off = np.abs(robust_scores(_level_scores(gauge, usual), group)) > BEYOND
    unknown = replace(sums, start_known=sums.start_known & ~off)
    return PlausibleSums(
        sums=kept_lives(unknown, ~flat),
        false_start=sums.wheel_end_id.filter(pl.Series(off & ~flat)),
        relined_unseen=sums.wheel_end_id.filter(pl.Series(flat)),
        usual=usual,
    )


def _level_scores(sums: LiningLifeSums, usual: WearFit) -> FloatArray:
    """Mean reading less what its reline makes expect, in SDs; NaN where there is no start."""
    assert usual.mixed is not None
    gauge, v, sigma2 = sums.gauge, usual.mixed.point.variances, usual.mixed.sigma2
    km, t = gauge.duty_mean_km / KM_PER_UNIT, gauge.mean_km / KM_PER_UNIT
    error = np.full(sums.n_lives, np.nan)
    np.divide(1.0, gauge.readings, out=error, where=gauge.readings > 0)
    variance = v.g00 + 2.0 * t * v.g01 + t**2 * (v.g11 + v.tau) + error
    off = gauge.mean_mm - fixed_level(usual, sums.axle, km)
    return np.where(sums.start_known, off / np.sqrt(sigma2 * variance), np.nan)


def _slope_scores(sums: LiningLifeSums, usual: WearFit) -> FloatArray:
    """How much less than its group each lining wore from reading to reading, in SDs; NaN where it
    was read at one place."""
    assert usual.mixed is not None
    gauge, v, sigma2 = sums.gauge, usual.mixed.point.variances, usual.mixed.sigma2
    s_tt = np.where(gauge.s_km_km > 0.0, gauge.s_km_km / KM_PER_UNIT**2, np.nan)
    flat = fixed_level(usual, sums.axle, np.zeros_like(gauge.duty_mean_km))
    worn = flat - fixed_level(usual, sums.axle, gauge.s_duty_km / KM_PER_UNIT**2)
    less = (gauge.s_km_mm / KM_PER_UNIT + worn) / s_tt
    return np.asarray(less / np.sqrt(sigma2 * (1.0 / s_tt + v.g11 + v.tau)))


def robust_scores(scores: FloatArray, group: IntArray) -> FloatArray:
    """Scores over the robust spread of their group; unknown ones are 0."""
    known: BoolArray = np.isfinite(scores)
    if not known.any():
        return np.zeros_like(scores)
    frame = pl.DataFrame({"group": group[known], "size": np.abs(scores[known])})
    middles = frame.group_by("group", maintain_order=True).agg(pl.col("size").median(), pl.len())
    overall = float(np.median(frame["size"]))
    by_group = np.full(int(group.max(initial=0)) + 1, overall)
    enough = middles.filter(pl.col("len") >= LEAST_LIVES)
    by_group[enough["group"].to_numpy()] = enough["size"].to_numpy()
    out = scores / np.maximum(by_group[group] * MAD_TO_SD, LEAST_SPREAD)
    return np.where(known, out, 0.0)
