r"""Where each lining stands: its line given its own readings, its unit's and its group's.

Given the fixed effects a life's line is Gaussian: lining at its latest reading, and wear per 10,000
km from there. The variances are those of the true line, without the reading error. They hold two
parts: given the fixed effects (a life's own, partly shared with the other lives of its unit), and
through them (the gradients), which all linings share and a simulation must draw once for the fleet.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.units import KM_PER_UNIT
from models.mixed.blocks import Blocks
from models.mixed.blup import BlockEffects, block_effects
from models.wear.blocks import AS_GAUGE, axle_moments, life_km, present_axles, wear_blocks
from models.wear.result import WearFit
from models.wear.sums import LiningLifeSums, as_gauge, kept_lives, without_pointer

LIVES_AT_ONCE = 200_000


@dataclass(frozen=True, slots=True)
class LiningLines:
    """Lines of N lives, counted from the latest reading (from the reline where there is none yet).

    ``level_mm`` is the lining there, ``slope_mm`` the life's and unit's deviation of lining per
    10,000 weighted km (negative: wears faster), ``km_weight`` (D, N) what a km in each duty counts
    (1 where all groups spread alike). Variances and covariances are given the fixed effects; those
    with the slope of the life's ``unit`` let lives of one unit be drawn together. Gradients (N, P)
    are in the order of the fit's columns; ``rate_columns`` (D, N) says where a life's rates stand
    in them; ``beta`` and ``covariance`` are the fit's.
    """

    life_id: pl.Series
    unit: IntArray
    level_mm: FloatArray
    slope_mm: FloatArray
    var_level: FloatArray
    cov_level_slope: FloatArray
    var_slope: FloatArray
    cov_level_unit: FloatArray
    cov_slope_unit: FloatArray
    var_unit: FloatArray
    level_gradient: FloatArray
    slope_gradient: FloatArray
    km_weight: FloatArray
    latest_weight: FloatArray
    rate_columns: IntArray
    beta: FloatArray
    covariance: FloatArray

    @property
    def n_lives(self) -> int:
        return len(self.level_mm)


@dataclass(frozen=True, slots=True)
class LiningPrediction:
    """Lining of N lives at some further km: mean, total sd, sd given the fixed effects [mm], and
    the gradient in the fixed effects (N, P)."""

    mean_mm: FloatArray
    sd_mm: FloatArray
    own_sd_mm: FloatArray
    gradient: FloatArray


@dataclass(frozen=True, slots=True)
class _Means:
    """Means of the readings of each life: fixed-effect row, t, thickness, and their weight."""

    x: FloatArray
    t: FloatArray
    y: FloatArray
    weight: FloatArray


def _reading_means(sums: LiningLifeSums, fit: WearFit) -> _Means:
    n = sums.n_lives
    means = _Means(np.zeros((n, len(fit.columns))), np.zeros(n), np.zeros(n), np.ones(n))
    for axle in present_axles(sums):
        part = axle_moments(sums, fit.columns, axle, fit.pointer_weight or AS_GAUGE, fit.spread)
        means.x[np.ix_(part.source, part.columns)] = part.mean_x.T
        means.t[part.source], means.y[part.source] = part.mean_t, part.mean_y
        means.weight[part.source] = np.where(part.weight > 0.0, part.weight, np.inf)
    return means


def _rate_columns(sums: LiningLifeSums, fit: WearFit) -> IntArray:
    axles, duties = range(len(sums.axle_types)), range(len(sums.duties))
    by_axle = [[fit.columns.position("rate", a, d) for a in axles] for d in duties]
    return np.array(by_axle, np.int64)[:, sums.axle]


def fixed_level(fit: WearFit, axle: IntArray, km: FloatArray) -> FloatArray:
    """Lining after km (D, N) in 10,000 km by the fixed effects alone, for axle types (N,); counted
    from zero where an axle type has no start."""
    beta, position = np.append(fit.beta, 0.0), fit.columns.position
    axles, duties = range(len(fit.axle_types)), range(len(fit.duties))
    starts = beta[[position("start", a) for a in axles]]
    rates = beta[np.array([[position("rate", a, d) for d in duties] for a in axles], np.int64)]
    return np.asarray(starts[axle] - (rates[axle].T * km).sum(axis=0))


def _rows_now(sums: LiningLifeSums, fit: WearFit, rate_columns: IntArray) -> FloatArray:
    """Fixed-effect row of each life at its latest reading, shape (N, P)."""
    rows = np.zeros((sums.n_lives, len(fit.columns)))
    for duty, columns in enumerate(rate_columns):
        rows[np.arange(sums.n_lives), columns] = -sums.last_km[duty] / KM_PER_UNIT
    starts = np.array([fit.columns.position("start", a) for a in range(len(sums.axle_types))])
    known = np.flatnonzero(sums.start_known)
    rows[known, starts[sums.axle[known]]] = 1.0
    return rows


@dataclass(frozen=True, slots=True)
class _Levels:
    """Lining at the latest reading: mean, variance, covariances and gradient."""

    mean: FloatArray
    variance: FloatArray
    with_slope: FloatArray
    with_unit: FloatArray
    gradient: FloatArray


def _known_levels(rows: FloatArray, t: FloatArray, beta: FloatArray, e: BlockEffects) -> _Levels:
    """Where the start is known: start, deviation and wear since."""
    with_slope = e.cov_start_slope + t * e.var_slope
    return _Levels(
        mean=rows @ beta + e.start + t * e.slope,
        variance=e.var_start + t * (e.cov_start_slope + with_slope),
        with_slope=with_slope,
        with_unit=e.cov_start_unit + t * e.cov_slope_unit,
        gradient=rows + e.start_gradient + t[:, None] * e.slope_gradient,
    )


def _free_levels(
    rows: FloatArray,
    t: FloatArray,
    beta: FloatArray,
    e: BlockEffects,
    means: _Means,
    sigma2: float,
) -> _Levels:
    """Where it is not: the mean of the readings and wear since."""
    ahead, move = t - means.t, rows - means.x
    return _Levels(
        mean=means.y + move @ beta + ahead * e.slope,
        variance=sigma2 / means.weight + ahead**2 * e.var_slope,
        with_slope=ahead * e.var_slope,
        with_unit=ahead * e.cov_slope_unit,
        gradient=move + ahead[:, None] * e.slope_gradient,
    )


def _chosen(known: BoolArray, if_known: FloatArray, if_free: FloatArray) -> FloatArray:
    mask = known if if_known.ndim == 1 else known[:, None]
    return np.asarray(np.where(mask, if_known, if_free))


def usable_sums(sums: LiningLifeSums, fit: WearFit) -> LiningLifeSums:
    """The lives a line can be drawn for, read as the fit reads them.

    Pointers count only where the fit has a calibration for them. A life with no reading left and no
    known start is dropped: nothing is known of its lining.
    """
    if fit.pointer_weight is None:
        only_pointers = not sums.gauge.readings.any()
        none = np.ones(sums.n_lives, bool)
        sums = as_gauge(sums) if only_pointers else without_pointer(sums, none)
    starts = np.array([fit.columns.position("start", a) for a in range(len(sums.axle_types))])
    from_start = sums.start_known & (starts[sums.axle] >= 0)
    return kept_lives(sums, (sums.readings > 0) | from_start)


def fitted_blocks(fit: WearFit, sums: LiningLifeSums) -> Blocks:
    """Blocks of ``usable_sums`` as the fit sees them."""
    weight = fit.pointer_weight or AS_GAUGE
    return wear_blocks(sums, fit.columns, pointer_weight=weight, spread=fit.spread)


def _latest_weight(sums: LiningLifeSums, fit: WearFit, z: FloatArray) -> FloatArray:
    """Weighted over plain km so far; where there are none, the mean weight of the axle type."""
    km = sums.last_km.sum(axis=0) / KM_PER_UNIT
    out = fit.spread.life.mean(axis=1)[sums.axle]
    np.divide(z, km, out=out, where=km > 0.0)
    return np.asarray(out)


def lining_lines(fit: WearFit, sums: LiningLifeSums) -> LiningLines:
    """The line of every life in ``sums`` that has a reading or a known start.

    Raises
    ------
    ValueError
        If the fit has no rates, or other axle types or duties than the sums.
    """
    if fit.mixed is None:
        raise ValueError("the fit has no rates: " + " ".join(fit.notes))
    if (sums.axle_types, sums.duties) != (fit.axle_types, fit.duties):
        raise ValueError("the sums have other axle types or duties than the fit")
    sums = usable_sums(sums, fit)
    parts = [_lines_of(fit, kept_lives(sums, some)) for some in whole_units(sums.unit)]
    return parts[0] if len(parts) == 1 else _joined(parts)


def whole_units(unit: IntArray) -> Iterator[BoolArray]:
    """Masks of lives, those of some units each, in the order of units: what lines are worked out
    from takes many times the room of the lines."""
    part = np.cumsum(np.bincount(unit)) // LIVES_AT_ONCE
    for number in np.unique(part[unit]) if len(unit) else (0,):
        yield part[unit] == number


def _joined(parts: Sequence[LiningLines]) -> LiningLines:
    first = parts[0]
    by_life = {
        name: np.concatenate([getattr(part, name) for part in parts], axis=axis)
        for axis, names in ((0, _BY_LIFE), (1, ("km_weight", "rate_columns")))
        for name in names
    }
    life_id = pl.concat([part.life_id for part in parts])
    return LiningLines(life_id=life_id, beta=first.beta, covariance=first.covariance, **by_life)


_BY_LIFE = (
    *("unit", "level_mm", "slope_mm", "var_level", "cov_level_slope", "var_slope"),
    *("cov_level_unit", "cov_slope_unit", "var_unit", "level_gradient", "slope_gradient"),
    "latest_weight",
)


def _lines_of(fit: WearFit, sums: LiningLifeSums) -> LiningLines:
    assert fit.mixed is not None
    blocks = fitted_blocks(fit, sums)
    sigma2 = fit.mixed.sigma2
    effects = block_effects(blocks, fit.mixed.point.variances, sigma2, fit.beta)
    rate_columns = _rate_columns(sums, fit)
    rows, t_now = _rows_now(sums, fit, rate_columns), life_km(sums, fit.spread.life) / KM_PER_UNIT
    known = _known_levels(rows, t_now, fit.beta, effects)
    free = _free_levels(rows, t_now, fit.beta, effects, _reading_means(sums, fit), sigma2)
    level = _Levels(
        *(
            _chosen(sums.start_known, getattr(known, name), getattr(free, name))
            for name in _Levels.__slots__
        )
    )
    return LiningLines(
        life_id=sums.life_id,
        unit=sums.unit,
        level_mm=level.mean,
        slope_mm=effects.slope,
        var_level=np.maximum(level.variance, 0.0),
        cov_level_slope=level.with_slope,
        var_slope=np.maximum(effects.var_slope, 0.0),
        cov_level_unit=level.with_unit,
        cov_slope_unit=effects.cov_slope_unit,
        var_unit=effects.var_unit,
        level_gradient=level.gradient,
        slope_gradient=effects.slope_gradient,
        km_weight=fit.spread.life[sums.axle].T,
        latest_weight=_latest_weight(sums, fit, t_now),
        rate_columns=rate_columns,
        beta=fit.beta,
        covariance=fit.covariance,
    )


def quadratic_form(gradient: FloatArray, covariance: FloatArray, other: FloatArray) -> FloatArray:
    """gradient · covariance · other, row by row."""
    return np.asarray(np.einsum("np,np->n", gradient @ covariance, other))


def rate_rows(lines: LiningLines, km: FloatArray) -> FloatArray:
    """Fixed-effect rows of km (D, N) in 10,000 km: what they take off the lining."""
    rows = np.zeros((lines.n_lives, len(lines.beta)))
    for duty, columns in enumerate(lines.rate_columns):
        rows[np.arange(lines.n_lives), columns] = -km[duty]
    return rows


def predict_lining(lines: LiningLines, km_ahead: ArrayLike) -> LiningPrediction:
    """Lining after further km in each duty, ``km_ahead`` (D, N) counted from the line's origin."""
    km = np.asarray(km_ahead, float) / KM_PER_UNIT
    x, rows = (lines.km_weight * km).sum(axis=0), rate_rows(lines, km)
    own = lines.var_level + x * (2 * lines.cov_level_slope + x * lines.var_slope)
    gradient = lines.level_gradient + x[:, None] * lines.slope_gradient + rows
    shared = quadratic_form(gradient, lines.covariance, gradient)
    return LiningPrediction(
        mean_mm=lines.level_mm + x * lines.slope_mm + rows @ lines.beta,
        sd_mm=np.sqrt(np.maximum(own + shared, 0.0)),
        own_sd_mm=np.sqrt(np.maximum(own, 0.0)),
        gradient=gradient,
    )
