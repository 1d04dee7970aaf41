"""The wear fit's lines in the form the reline forecasts take."""

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.units import KM_PER_UNIT
from models.mixed.blup import UnitEffects, unit_effects
from models.relines.forecast.lines import WheelEndLines
from models.usage.fit import UsageFit
from models.wear.blocks import duty_clusters
from models.wear.generations.names import generation_of, newest, run_since
from models.wear.generations.scan import QUARTER_DAYS
from models.wear.predict import (
    LiningLines,
    fitted_blocks,
    lining_lines,
    usable_sums,
    whole_units,
)
from models.wear.result import WearFit
from models.wear.shape.scale import WearScale
from models.wear.shape.thinning import Thinning
from models.wear.sums import EARLIER, LiningLifeSums, kept_lives, off_own_lines


@dataclass(frozen=True, slots=True)
class UnitSlopes:
    """Effect on the wear rate of each of the fit's units (positive: faster), its variance given the
    fixed effects (N,), and its gradient in them (N, P)."""

    effect: FloatArray
    variance: FloatArray
    gradient: FloatArray


def unit_slopes(fit: WearFit, sums: LiningLifeSums, duty: IntArray | None = None) -> UnitSlopes:
    """How much faster each of the fit's units wears its linings than its group, signs turned.

    ``duty`` (N,) is the one each unit is in, in the fit's numbers (-1: none of them): where units
    differ from duty to duty, their own part in it counts, or its prior where they never ran in it.
    """
    if fit.mixed is None:
        raise ValueError("the fit has no rates: " + " ".join(fit.notes))
    used = usable_sums(sums, fit)
    slopes: UnitSlopes | None = None
    for some in whole_units(used.unit):
        part = kept_lives(used, some)
        blocks = fitted_blocks(fit, part)
        effects = unit_effects(blocks, fit.mixed.point.variances, fit.mixed.sigma2, fit.beta)
        if slopes is None:  # of units without a lining, all parts say the same
            slopes = UnitSlopes(
                effect=-effects.unit_slope,
                variance=effects.unit_variance + effects.own_variance,
                gradient=-effects.unit_gradient,
            )
        _enter(slopes, effects, part, duty)
    assert slopes is not None
    return slopes


def _enter(
    slopes: UnitSlopes, effects: UnitEffects, part: LiningLifeSums, duty: IntArray | None
) -> None:
    """Enter the slopes of a part's units; where units differ from duty to duty, each one's own in
    its duty, for those that ran in it."""
    here = np.unique(part.unit)
    slopes.effect[here] = -effects.unit_slope[here]
    slopes.variance[here] = effects.unit_variance[here] + effects.own_variance
    slopes.gradient[here] = -effects.unit_gradient[here]
    if duty is None or effects.own_variance == 0.0:
        return
    _, unit, ran = duty_clusters(part)
    same = np.flatnonzero(duty[unit] == ran)
    slopes.effect[unit[same]] = -effects.slope[same]
    slopes.variance[unit[same]] = effects.variance[same]
    slopes.gradient[unit[same]] = -effects.gradient[same]


MANY_UNITS = 0.1
"""Where the linings of a larger share of units wear otherwise, earlier totals missed by it."""
LEAST_MIDDLES = 200
"""Fewer readings between neighbours do not tell the error of one."""


def reading_sd_of(noise: pl.DataFrame) -> float | None:
    """Error of one reading from the row of ``reduce.reading_noise``; None where too few tell."""
    readings, sd = noise.select("readings", "reading_sd_mm").row(0)
    return float(sd) if readings >= LEAST_MIDDLES and sd else None


def wheel_end_lines(
    fit: WearFit,
    sums: LiningLifeSums,
    frame: pl.DataFrame,
    usage: UsageFit,
    reading_sd_mm: float | None = None,
    lines: LiningLines | None = None,
    thinning: Thinning | None = None,
) -> WheelEndLines:
    """Lines of the wheel ends in ``frame`` (rows of ``reduce.wheel_ends_now``).

    ``lines`` are those of the fit and its sums, where they have been worked out already.
    ``reading_sd_mm`` is the error of a reading beside its neighbours (``reduce.reading_noise``).
    Where readings lie further than that from straight lines of their linings' own, the rest is how
    far linings stray from one, and counts as doubt about where each stands now. (Not what the fit's
    residual has besides: linings that disagree with their starts, pointers with gauges.)
    ``thinning``: how wear changes as linings thin, on whose scale the fit is.

    A lining without a reading starts at its reline; one without either stands anywhere between new
    and worn out: it counts in totals, but has no forecast of its own (``is_known`` is false).

    Raises
    ------
    ValueError
        If the fit has no rates.
    """
    if fit.mixed is None:
        raise ValueError("the fit has no rates: " + " ".join(fit.notes))
    parts = _parts(fit, sums, frame, usage)
    read, has_reading = _read(parts, lines or lining_lines(fit, sums), frame)
    fresh, has_start = _fresh(parts, fit, frame)
    guess = _guessed(fresh, frame)
    line = _first_of([(has_reading, read), (has_start, fresh)], guess)
    residual = float(np.sqrt(fit.mixed.sigma2))
    reading_sd = min(residual, reading_sd_mm or residual)
    straying = np.where(has_reading, _straying(fit.mixed.sigma2, sums) - reading_sd**2, 0.0)
    return WheelEndLines(
        now_mm=line.now_mm,
        rate=line.rate,
        var_now=np.maximum(line.var_now, 0.0) + np.maximum(straying, 0.0),
        cov_now_rate=line.cov,
        var_rate=np.maximum(line.var_rate, 0.0),
        now_on_unit=line.now_on_unit,
        rate_on_unit=line.rate_on_unit,
        unit=parts.unit,
        unit_effect=parts.slopes.effect,
        unit_var=parts.slopes.variance,
        now_gradient=line.now_gradient,
        rate_gradient=line.rate_gradient,
        unit_gradient=parts.slopes.gradient,
        theta=fit.beta,
        theta_cov=fit.covariance,
        duties=parts.duties,
        duty=parts.duty,
        duty_column=parts.now.duty_column,
        new_mm=parts.now.new_mm,
        start_column=parts.now.start_column,
        life_cov=fit.mixed.gamma * np.array([[1.0, -1.0], [-1.0, 1.0]]),
        reading_sd=reading_sd,
        is_known=(has_reading | has_start) & parts.in_place.is_fitted,
        life_scale=parts.now.life_scale,
        unit_scale=parts.now.unit_scale,
        changed_quarters=_changed_quarters(fit, sums, usage.as_of),
        scale=_scale(frame, thinning),
    )


def _changed_quarters(fit: WearFit, sums: LiningLifeSums, as_of: dt.date) -> int:
    """Quarters, begun ones counted, since which all linings wear otherwise, or those of many units;
    0: they always did."""
    days = [day for name in fit.duties if (day := run_since(name)) is not None]
    frame = pl.DataFrame(
        {"unit": sums.units.cast(pl.String)[sums.unit], "on": sums.last_inspected_on}
    )
    was = pl.col("unit").str.ends_with(EARLIER)
    by_unit = frame.filter(was).drop_nulls().group_by("unit", maintain_order=True)
    earlier = by_unit.agg(pl.col("on").max()).sort("on")
    if earlier.height > MANY_UNITS * frame.filter(~was)["unit"].n_unique():
        days.append(earlier["on"][earlier.height // 2])
    return -(-(as_of - max(days)).days // QUARTER_DAYS) if days else 0


def _straying(sigma2: float, sums: LiningLifeSums) -> float:
    """Variance of readings about their linings' own lines, at most the fit's; that, if few tell."""
    own, df = off_own_lines(sums)
    return min(sigma2, own) if df >= LEAST_MIDDLES else sigma2


@dataclass(frozen=True, slots=True)
class _Placed:
    """Linings placed in the fit (L,): whether it knows their axle type, columns of their rate in
    each duty (L, D) and now, of their start (-1: none), their mean start [mm], and the weights of
    their own and their unit's part in the rate."""

    is_fitted: BoolArray
    duty_column: IntArray
    rate_column: IntArray
    start_column: IntArray
    new_mm: FloatArray
    life_scale: FloatArray
    unit_scale: FloatArray


@dataclass(frozen=True, slots=True)
class _Parts:
    """Units placed in the fit, with their slopes by unit of use; the linings ``in_place``, and
    those fitted ``now`` instead, which may be of another generation."""

    unit: IntArray
    duties: tuple[str, ...]
    duty: IntArray
    slopes: UnitSlopes
    in_place: _Placed
    now: _Placed


@dataclass(frozen=True, slots=True)
class _Line:
    """Lines of all wheel ends as of one way to know them; fields as in ``WheelEndLines``."""

    now_mm: FloatArray
    rate: FloatArray
    var_now: FloatArray
    cov: FloatArray
    var_rate: FloatArray
    now_on_unit: FloatArray
    rate_on_unit: FloatArray
    now_gradient: FloatArray
    rate_gradient: FloatArray


def _floats(frame: pl.DataFrame, name: str) -> FloatArray:
    return frame[name].cast(pl.Float64).fill_null(np.nan).to_numpy()


def _places(values: pl.Series, among: tuple[str, ...]) -> IntArray:
    """Position of each value in a list, -1 where it is not in it."""
    numbers = {name: i for i, name in enumerate(among)}
    return np.array([numbers.get(value, -1) for value in values.cast(pl.String)], np.int64)


def _parts(
    fit: WearFit,
    sums: LiningLifeSums,
    frame: pl.DataFrame,
    usage: UsageFit,
) -> _Parts:
    now = [usage.groups.duty[g] for g in usage.group]
    eras = newest(fit.duties)
    duties = (*eras, *sorted(set(now) - set(eras)))
    unit, duty = (
        _places(frame["unit_id"], usage.unit_ids),
        _places(pl.Series(now, dtype=pl.String), duties),
    )
    in_duty, new = duty[unit], _floats(frame, "lining_new_mm")
    axle_type, columns = frame["axle_type"].cast(pl.String), _duty_columns(fit, duties)
    # Units' slopes are those of the fit's own duties: what is run now, of each.
    fitted = np.array([fit.duties.index(eras[d]) if d in eras else -1 for d in duties], np.int64)
    in_place = generation_of(axle_type, frame["fitted_on"], fit.axle_types)
    fitted_now = axle_type.replace(newest(fit.axle_types))
    return _Parts(
        unit=unit,
        duties=duties,
        duty=duty,
        slopes=_slopes_in_order(fit, sums, usage, fitted[duty]),
        in_place=_placed(fit, in_place, columns, in_duty, new),
        now=_placed(fit, fitted_now, columns, in_duty, new),
    )


def _placed(
    fit: WearFit, axle_type: pl.Series, columns: IntArray, in_duty: IntArray, new: FloatArray
) -> _Placed:
    """Linings of axle types or generations in the fit, their units in some duty (L,); ``columns``
    of every rate (A, D), ``new`` the register's new linings (L,)."""
    axle = _places(axle_type, fit.axle_types)
    start = np.array([fit.columns.position("start", a) for a in range(len(fit.axle_types))])
    start_column = np.where(axle >= 0, start[np.maximum(axle, 0)], -1)
    duty_column = columns[np.maximum(axle, 0)]
    rate_column = duty_column[np.arange(len(axle)), in_duty]
    place = np.maximum(axle, 0), fit.columns.duty[rate_column]
    return _Placed(
        is_fitted=axle >= 0,
        duty_column=duty_column,
        rate_column=rate_column,
        start_column=start_column,
        new_mm=np.where(start_column >= 0, fit.beta[start_column], new),
        life_scale=fit.spread.life[place],
        unit_scale=fit.spread.unit[place],
    )


def _duty_columns(fit: WearFit, duties: tuple[str, ...]) -> IntArray:
    """Column of each axle type's rate in each duty, as it wears now; one without readings takes the
    duty with most units on that axle type."""
    eras = newest(fit.duties)
    table = np.zeros((len(fit.axle_types), len(duties)), np.int64)
    for axle, name in enumerate(fit.axle_types):
        rates = [r for r in fit.rates if r.axle_type == name and r.duty in eras.values()]
        most = max(rates, key=lambda r: r.units).duty
        for place, duty in enumerate(duties):
            known = fit.duties.index(eras.get(duty, most))
            table[axle, place] = fit.columns.position("rate", axle, known)
    return table


def _slopes_in_order(
    fit: WearFit, sums: LiningLifeSums, usage: UsageFit, duty: IntArray
) -> UnitSlopes:
    """The fit's units in the order of the units of use; a unit it never saw has the prior."""
    place = _places(pl.Series(usage.unit_ids, dtype=pl.String), tuple(sums.units))
    seen, at = place >= 0, np.maximum(place, 0)
    in_duty = np.full(len(sums.units), -1)
    in_duty[place[seen]] = duty[seen]
    slopes = unit_slopes(fit, sums, in_duty)
    assert fit.mixed is not None
    return UnitSlopes(
        effect=np.where(seen, slopes.effect[at], 0.0),
        variance=np.where(seen, slopes.variance[at], fit.mixed.unit_variance),
        gradient=np.where(seen[:, None], slopes.gradient[at], 0.0),
    )


def _one_hot(column: IntArray, width: int) -> FloatArray:
    """Rows with a one in the given column, or none where it is -1."""
    rows = np.zeros((len(column), width))
    there = np.flatnonzero(column >= 0)
    rows[there, column[there]] = 1.0
    return rows


def _moved(line: _Line, x: FloatArray) -> _Line:
    """The line x times 10,000 km further on."""
    return _Line(
        now_mm=line.now_mm - x * line.rate,
        rate=line.rate,
        var_now=line.var_now - 2.0 * x * line.cov + x**2 * line.var_rate,
        cov=line.cov - x * line.var_rate,
        var_rate=line.var_rate,
        now_on_unit=line.now_on_unit - x * line.rate_on_unit,
        rate_on_unit=line.rate_on_unit,
        now_gradient=line.now_gradient - x[:, None] * line.rate_gradient,
        rate_gradient=line.rate_gradient,
    )


def _since(frame: pl.DataFrame, from_km: str) -> FloatArray:
    """Km from a point of the unit's odometer to where it was last seen, in 10,000 km (NaN)."""
    return np.asarray(np.maximum(_floats(frame, "seen_km") - _floats(frame, from_km), 0.0)) / (
        KM_PER_UNIT
    )


def _read(parts: _Parts, lines: LiningLines, frame: pl.DataFrame) -> tuple[_Line, BoolArray]:
    """Lines of linings that were read; the unit's effect taken out of the variances."""
    places = pl.DataFrame({"life_id": lines.life_id.cast(pl.String)}).with_row_index("place")
    wanted = frame.select(pl.col("life_id").cast(pl.String))
    found = wanted.join(places, on="life_id", how="left", maintain_order="left")["place"]
    x = _since(frame, "line_km")
    has_line = found.is_not_null().to_numpy() & np.isfinite(x)
    row = found.fill_null(0).cast(pl.Int64).to_numpy()
    unit_var = lines.var_unit[row]
    on_level, on_slope = (
        np.divide(cov[row], unit_var, out=np.zeros(len(row)), where=unit_var > 0.0)
        for cov in (lines.cov_level_unit, lines.cov_slope_unit)
    )
    placed = parts.in_place
    width, column, weight = len(lines.beta), placed.rate_column, placed.life_scale
    line = _Line(
        now_mm=lines.level_mm[row],
        rate=lines.beta[column] - weight * lines.slope_mm[row],
        var_now=lines.var_level[row] - on_level * lines.cov_level_unit[row],
        cov=-weight * (lines.cov_level_slope[row] - on_level * lines.cov_slope_unit[row]),
        var_rate=weight**2 * (lines.var_slope[row] - on_slope * lines.cov_slope_unit[row]),
        now_on_unit=-on_level,
        rate_on_unit=weight * on_slope,
        now_gradient=lines.level_gradient[row],
        rate_gradient=_one_hot(column, width) - weight[:, None] * lines.slope_gradient[row],
    )
    return _moved(line, np.nan_to_num(x)), has_line


def _fresh(parts: _Parts, fit: WearFit, frame: pl.DataFrame) -> tuple[_Line, BoolArray]:
    """Lines of linings known only from their reline."""
    assert fit.mixed is not None
    size, width, gamma = len(parts.unit), len(fit.beta), fit.mixed.gamma
    placed = parts.in_place
    life, unit = placed.life_scale, placed.unit_scale
    x = _since(frame, "start_km")
    line = _Line(
        now_mm=placed.new_mm,
        rate=fit.beta[placed.rate_column] + unit * parts.slopes.effect[parts.unit],
        var_now=np.full(size, gamma[0, 0]),
        cov=-life * gamma[0, 1],
        var_rate=life**2 * gamma[1, 1],
        now_on_unit=np.zeros(size),
        rate_on_unit=unit,
        now_gradient=_one_hot(placed.start_column, width),
        rate_gradient=_one_hot(placed.rate_column, width)
        + unit[:, None] * parts.slopes.gradient[parts.unit],
    )
    return _moved(line, np.nan_to_num(x)), np.isfinite(x)


def _scale(frame: pl.DataFrame, thinning: Thinning | None) -> WearScale | None:
    if thinning is None:
        return None
    return thinning.scale(_floats(frame, "lining_new_mm"), _floats(frame, "lining_min_mm"))


def _guessed(fresh: _Line, frame: pl.DataFrame) -> _Line:
    """Linings of which nothing is known: as likely anywhere between new and worn out."""
    new, minimum = _floats(frame, "lining_new_mm"), _floats(frame, "lining_min_mm")
    return replace(
        fresh,
        now_mm=(new + minimum) / 2.0,
        var_now=(new - minimum) ** 2 / 12.0,
        cov=np.zeros(len(new)),
        now_on_unit=np.zeros(len(new)),
        now_gradient=np.zeros_like(fresh.now_gradient),
    )


def _first_of(known: list[tuple[BoolArray, _Line]], otherwise: _Line) -> _Line:
    """Each wheel end's line by the first way in which it is known."""
    line = otherwise
    for is_known, better in reversed(known):
        line = _Line(
            *(
                np.where(
                    is_known if getattr(line, name).ndim == 1 else is_known[:, None],
                    getattr(better, name),
                    getattr(line, name),
                )
                for name in _Line.__slots__
            )
        )
    return line
