"""Adjuster life: counted intervals → fits, curves and probability scales of every group."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import duckdb
import numpy as np
import polars as pl

from models.common.arrays import FloatArray
from models.lives.findings.averaging import PoolTest, averaged_quantile, open_fits, pool_test
from models.lives.findings.curves import curve_ages, fitted_curve, free_curve, probability_plot
from models.lives.findings.few_failures import (
    NOTHING_BESIDE,
    Beside,
    enough_failures,
    scarce_life,
)
from models.lives.findings.goodness_of_fit import check_fit
from models.lives.findings.risk_set import main_at_risk_interval
from models.lives.fits.data import GroupKey, LifeCounts, counts_by_group
from models.lives.fits.npmle import Npmle, fit_npmle
from models.lives.fits.parametric import LifeChoice, LifeFit, choose_life
from models.lives.fits.profile import Interval, life_intervals
from models.lives.fits.units import UnitLives, unit_lives
from pipeline.marts import marts
from pipeline.marts.results import Lives
from pipeline.settings import Adjusters, Settings
from pipeline.warehouse import warehouse

COUNTS = ("adjuster_interval_counts", "adjuster_censored_counts", "adjuster_entry_counts")
MOST_DROPS = 80
# How units differ is told by no more units than this: more would not move a limit.
UNITS_COUNTED = 20_000
NO_AGE = (
    "Of no adjuster is it known when it was fitted and that it worked later, so nothing can be "
    "said of their lives: adjuster_fitted_on and _km in the register, or jobs, tell."
)

Row = dict[str, object]
Frames = dict[str, pl.DataFrame]


@dataclass(frozen=True, slots=True)
class GroupLife:
    """One axle type and duty, or a pool of them: its counts, and its life where it can be known.

    ``differs``: of a pool, whether its groups share one life.
    """

    counts: LifeCounts
    curve: Npmle | None
    choice: LifeChoice | None
    differs: PoolTest | None = None


@dataclass(frozen=True, slots=True)
class GroupLives:
    """Every group's life by (axle type, duty); None pools over it."""

    groups: dict[GroupKey, GroupLife]

    @property
    def distributions(self) -> Lives:
        """The chosen distribution of every group that has one."""
        chosen = {key: self.chosen(key) for key in self.groups}
        return {key: fit.distribution for key, fit in chosen.items() if fit is not None}

    def chosen(self, key: GroupKey) -> LifeFit | None:
        group = self.groups.get(key)
        return group.choice.chosen if group is not None and group.choice is not None else None

    def left_open(self, key: GroupKey) -> list[tuple[LifeFit, float]]:
        """The distributions that a group's records leave open, and their weights."""
        group = self.groups.get(key)
        return open_fits(group.choice) if group is not None and group.choice is not None else []

    def life_of(self, axle_type: str, duty: str) -> tuple[GroupKey, LifeFit] | None:
        """The life that stands for a group, and whose it is: its own, its axle type's, the pool's.

        None where no life could be fitted at all.
        """
        keys: tuple[GroupKey, ...] = ((axle_type, duty), (axle_type, None), (None, None))
        found = ((key, self.chosen(key)) for key in keys)
        return next(((key, fit) for key, fit in found if fit is not None), None)


def write_life_marts(con: duckdb.DuckDBPyConnection, settings: Settings) -> GroupLives:
    """Fit every axle type and duty, and the pools over them."""
    chosen = settings.adjusters
    by_unit = unit_lives_now(con)
    lives = life_choices(con, settings, by_unit)
    lives = GroupLives(
        {
            key: _tested(key, _curved(life, by_unit.get(key)), lives)
            for key, life in lives.groups.items()
        }
    )
    beside = _beside(con)
    fits = [
        row
        for key, life in lives.groups.items()
        for row in _fit_rows(key, life, chosen, beside.get(key, NOTHING_BESIDE))
    ]
    fits = fits or [{"adjusters": 0, "failures": 0, "chosen": False, "note": NO_AGE}]
    marts.write(con, "adjuster_fits", frame_of("adjuster_fits", fits))
    known = {key: life for key, life in lives.groups.items() if life.curve is not None}
    curves = [_curves(key, life, chosen.survival_km) for key, life in known.items()]
    scales = [_scales(key, life) for key, life in known.items()]
    marts.write(con, "adjuster_curves", joined("adjuster_curves", curves))
    marts.write(con, "adjuster_scales", joined("adjuster_scales", scales))
    return lives


def life_choices(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    by_unit: Mapping[GroupKey, UnitLives],
    start: GroupLives | None = None,
) -> GroupLives:
    """Every group's fitted distributions, without curves; ``start``: the same fleet's on a later
    day, where searches begin."""
    intervals, censored, entries = (warehouse.fetch(con, f"from reduce.{t}") for t in COUNTS)
    counts = counts_by_group(intervals, censored, entries)
    fewest = settings.adjusters.fewest_failures
    later = {} if start is None else {key: life.choice for key, life in start.groups.items()}
    return GroupLives(
        {
            key: GroupLife(
                each, None, choose_life(each, lives=by_unit.get(key), start=later.get(key))
            )
            if enough_failures(each, fewest)
            else GroupLife(each, None, None)
            for key, each in counts.items()
        }
    )


def _curved(life: GroupLife, units: UnitLives | None) -> GroupLife:
    """With the curve that assumes no distribution, where there is a life."""
    if life.choice is None:
        return life
    return replace(life, curve=fit_npmle(main_at_risk_interval(life.counts), lives=units))


def unit_lives_now(con: duckdb.DuckDBPyConnection) -> dict[GroupKey, UnitLives]:
    """Watched lives with their units; of a large fleet, those of some units."""
    counted = "select count(distinct unit_id) from reduce.adjuster_duty_pieces"
    units = int(con.execute(counted).fetchall()[0][0])
    some = f"""(select distinct unit_id from reduce.adjuster_duty_pieces
        order by hash(unit_id), unit_id limit {UNITS_COUNTED})"""
    lives = warehouse.fetch(
        con,
        f"""select unit_id, axle_type, duty, entry_age, left_age, right_age, weight
        from reduce.adjuster_duty_pieces where clock = 'km' and unit_id in {some}""",
        order="unit_id, axle_type, duty, entry_age, left_age, right_age, weight",
    )
    return unit_lives(lives, max(1.0, units / UNITS_COUNTED)) if lives.height else {}


def frame_of(table: str, rows: list[Row]) -> pl.DataFrame:
    """Rows as a frame with the columns of a mart; what a row does not say is null."""
    schema = {n: c.dtype for n, c in marts.SCHEMAS[table].columns().items()}
    return pl.DataFrame(rows, schema=schema)


def joined(table: str, frames: list[pl.DataFrame]) -> pl.DataFrame:
    return pl.concat([marts.empty(table), *frames], how="diagonal_relaxed")


def finite(value: float) -> float | None:
    """None for what no number can say: a limit never found, a p without a test."""
    return float(value) if np.isfinite(value) else None


def _tested(key: GroupKey, life: GroupLife, lives: GroupLives) -> GroupLife:
    """A pool with the test of whether its groups share one life."""
    if key[1] is not None or life.choice is None:
        return life
    parts = [
        (part.counts, part.choice)
        for (axle, duty), part in lives.groups.items()
        if duty is not None and key[0] in (axle, None) and part.choice is not None
    ]
    return replace(life, differs=pool_test(parts))


def _beside(con: duckdb.DuckDBPyConnection) -> dict[GroupKey, Beside]:
    """What is on record of every group, and of the pools, whether or not ages are known."""
    rows = con.execute(
        """select axle_type, duty,
            count(*) filter (cause not in ('in_service', 'planned', 'unstated')) as failed,
            count(*) filter (cause = 'unstated') as unstated
        from stage.adjuster_lives
        group by grouping sets ((axle_type, duty), (axle_type), ())"""
    ).fetchall()
    return {(axle_type, duty): Beside(*counts) for axle_type, duty, *counts in rows}


def _fit_rows(key: GroupKey, life: GroupLife, chosen: Adjusters, beside: Beside) -> Iterator[Row]:
    counts = life.counts
    group: Row = {
        "axle_type": key[0],
        "duty": key[1],
        "adjusters": round(counts.different_adjusters if key[1] is None else counts.adjusters),
        "failures": round(counts.failures),
        "chosen": False,
    }
    if life.choice is None or life.curve is None:
        yield {**group, "note": scarce_words(counts, chosen, beside)}
        return
    for fit in life.choice.fits:
        yield {**group, **_fit_row(life, fit)}
    for unfitted in life.choice.unfitted:
        yield {**group, "distribution": unfitted.name, "note": unfitted.reason}


def scarce_words(counts: LifeCounts, chosen: Adjusters, beside: Beside) -> str:
    """What so few failures do say."""
    shape, fewest = chosen.assumed_shape, chosen.fewest_failures
    try:
        scarce = scarce_life(counts, shape=shape, fewest=fewest, beside=beside)
    except ValueError:
        return "No adjuster was watched over any distance, so nothing can be said."
    return scarce.words


def _fit_row(life: GroupLife, fit: LifeFit) -> Row:
    assert life.choice is not None
    assert life.curve is not None
    limits = life_intervals(life.counts, fit)
    row: Row = {
        "distribution": fit.name,
        **_with_limits("shape", limits.shape),
        **_with_limits("scale_km", limits.scale),
        **_with_limits("b10_km", limits.b10),
        "loglik": fit.loglik,
        "aic": finite(fit.criterion),
    }
    row["weight"] = life.choice.weights[fit.name]
    if fit is not life.choice.chosen:
        return row
    row |= _with_limits("b10_averaged_km", averaged_quantile(life.choice, 0.10))
    if life.differs is not None and life.differs.differs:
        told = f"not a law: the {life.differs.groups} groups pooled have lives that differ"
        return {**row, "note": f"{told} (p {life.differs.p:.2g})"}
    words = [life.choice.verdict, check_fit(life.counts, fit, life.curve).words]
    words += [diagnostic.words for diagnostic in life.curve.diagnostics]
    return {**row, "chosen": True, "note": "; ".join(words)}


def _with_limits(name: str, interval: Interval) -> Row:
    return {
        name: interval.estimate,
        f"{name}_ci_low": interval.low,
        f"{name}_ci_high": finite(interval.high),
    }


def _curves(key: GroupKey, life: GroupLife, stated_km: tuple[float, ...]) -> pl.DataFrame:
    """The curve that assumes no distribution, and the chosen one at even and at stated ages."""
    assert life.curve is not None
    parts = [free_curve(life.curve)]
    is_law = life.differs is None or not life.differs.differs
    if life.choice is not None and life.choice.chosen is not None and is_law:
        ages = _tabulated(life.counts, stated_km)
        parts.append(fitted_curve(life.counts, life.choice.chosen, ages))
    curve = pl.concat(parts).filter(pl.col("age").is_finite())
    return _of_group(curve, key).with_columns(
        ci_low=pl.min_horizontal("ci_low", "survival"),
        ci_high=pl.max_horizontal("ci_high", "survival"),
    )


def _tabulated(counts: LifeCounts, stated_km: tuple[float, ...]) -> FloatArray:
    """Even steps to the oldest age watched, and the stated ages up to it."""
    even = curve_ages(counts)
    stated = [km for km in stated_km if km <= even[-1]]
    return np.unique(np.concatenate([even, stated]))


def _scales(key: GroupKey, life: GroupLife) -> pl.DataFrame:
    """Drops on the scale of every fitted distribution, thinned to what a chart can show."""
    assert life.curve is not None
    fits = life.choice.fits if life.choice is not None else ()
    drops = [probability_plot(life.curve, fit) for fit in fits]
    thinned = [each.gather_every(max(each.height // MOST_DROPS, 1)) for each in drops]
    if not thinned:
        return marts.empty("adjuster_scales")
    finite_z = pl.all_horizontal(pl.col(name).is_finite() for name in ("z", "z_low", "z_high"))
    points = pl.concat(thinned).filter(finite_z, pl.col("age").is_finite())
    return _of_group(points, key).with_columns(
        z_low=pl.min_horizontal("z_low", "z"), z_high=pl.max_horizontal("z_high", "z")
    )


def _of_group(frame: pl.DataFrame, key: GroupKey) -> pl.DataFrame:
    axle_type, duty = key
    return frame.rename({"age": "km"}).with_columns(
        axle_type=pl.lit(axle_type, dtype=pl.String), duty=pl.lit(duty, dtype=pl.String)
    )
