"""Adjuster life: counted intervals → ``mart.adjuster_fits`` and ``mart.adjuster_curves``."""

from collections.abc import Iterator

import duckdb
import numpy as np
import polars as pl
from scipy import stats

from models.life_data import GroupKey, LifeCounts, counts_by_group
from models.life_fitness import check_fit
from models.life_npmle import Npmle, fit_npmle
from models.life_parametric import LifeChoice, LifeFit, choose_life
from models.life_profile import Interval, life_intervals
from pipeline import marts, warehouse

# Below this many failures no curve is drawn: a shape cannot be told from so few.
FEWEST_FAILURES = 8
# Ages at which a fitted curve and its band are tabulated, from 0 to the oldest adjuster watched.
CURVE_POINTS = 41

Row = dict[str, object]


def write_life_marts(con: duckdb.DuckDBPyConnection) -> None:
    """Fit every axle type and duty, and the pools over them."""
    groups = counts_by_group(
        warehouse.fetch(con, "from reduce.adjuster_interval_counts"),
        warehouse.fetch(con, "from reduce.adjuster_censored_counts"),
        warehouse.fetch(con, "from reduce.adjuster_entry_counts"),
    )
    fits: list[Row] = []
    curves: list[Row] = []
    for key, counts in groups.items():
        for table, rows in zip((fits, curves), _group_rows(key, counts), strict=True):
            table.extend(rows)
    marts.write(con, "adjuster_fits", _frame("adjuster_fits", fits))
    marts.write(con, "adjuster_curves", _frame("adjuster_curves", curves))


def _frame(table: str, rows: list[Row]) -> pl.DataFrame:
    schema = {n: c.dtype for n, c in marts.SCHEMAS[table].columns().items()}
    return pl.DataFrame(rows, schema=schema)


def _group_rows(key: GroupKey, counts: LifeCounts) -> tuple[list[Row], list[Row]]:
    group: Row = {"axle_type": key[0], "duty": key[1]}
    size: Row = {"adjusters": round(counts.adjusters), "failures": round(counts.failures)}
    if counts.failures < FEWEST_FAILURES:
        note = _too_few(counts)
        return [{**group, **size, "distribution": None, "chosen": False, "note": note}], []
    curve, choice = fit_npmle(counts), choose_life(counts)
    fits = [{**group, **size, **row} for row in _fit_rows(counts, choice, curve)]
    curves = [{**group, **row} for row in (*_npmle_rows(curve), *_fitted_rows(counts, choice))]
    return fits, curves


def _too_few(counts: LifeCounts) -> str:
    """What so few failures do say: a one-sided bound on the failure rate."""
    if counts.exposure <= 0:
        return "nothing was watched long enough to say anything"
    most = stats.chi2.ppf(0.95, 2 * counts.failures + 2) / 2 / counts.exposure
    return (
        f"{counts.failures:.0f} failures in {counts.exposure:,.0f} km watched are too few for a "
        f"curve; if the rate does not change with age it is, with 95 % confidence, below "
        f"{most * 100_000:.2g} per 100,000 km"
    )


def _fit_rows(counts: LifeCounts, choice: LifeChoice, curve: Npmle) -> Iterator[Row]:
    for fit in choice.fits:
        limits = life_intervals(counts, fit)
        chosen = fit is choice.chosen
        yield {
            "distribution": fit.name,
            **_with_limits("shape", limits.shape),
            **_with_limits("scale_km", limits.scale),
            **_with_limits("b10_km", limits.b10),
            "loglik": fit.loglik,
            "aic": fit.criterion,
            "chosen": chosen,
            "note": f"{choice.verdict}; {check_fit(counts, fit, curve).words}" if chosen else None,
        }
    for unfitted in choice.unfitted:
        yield {"distribution": unfitted.name, "chosen": False, "note": unfitted.reason}


def _with_limits(name: str, interval: Interval) -> Row:
    return {
        name: interval.estimate,
        f"{name}_ci_low": interval.low,
        f"{name}_ci_high": interval.high if np.isfinite(interval.high) else None,
    }


def _npmle_rows(curve: Npmle) -> Iterator[Row]:
    """The curve's corners; it starts at the age from which it can be known."""
    start: Row = {"km": curve.from_age, "survival": 1.0, "ci_low": 1.0, "ci_high": 1.0}
    yield {**start, "method": "npmle"}
    for km, s, low, high in zip(curve.end_age, curve.survival, curve.low, curve.high, strict=True):
        if np.isfinite(km):
            yield {
                "km": float(km),
                "survival": float(s),
                "ci_low": float(min(low, s)),
                "ci_high": float(max(high, s)),
                "method": "npmle",
            }


def _fitted_rows(counts: LifeCounts, choice: LifeChoice) -> Iterator[Row]:
    if choice.chosen is None:
        return
    fit: LifeFit = choice.chosen
    ages = np.linspace(0.0, float(max(counts.right.max(), *counts.censored_at)), CURVE_POINTS)[1:]
    limits = life_intervals(counts, fit, ages).survival
    for km, interval in zip(ages, limits, strict=True):
        yield {
            "km": float(km),
            "survival": interval.estimate,
            "ci_low": min(interval.low, interval.estimate),
            "ci_high": max(interval.high, interval.estimate),
            "method": fit.name,
        }
