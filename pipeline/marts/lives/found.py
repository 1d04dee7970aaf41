"""What looks found of adjusters; and parts that live otherwise than those beside them.

Lives are fitted by axle type and duty. Where a fleet says what was fitted, and the records of a
part speak against those lives, it has the life that its own records give, of all axle types and
duties together.
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import duckdb
import numpy as np
import polars as pl

from models.common.arrays import FloatArray
from models.common.distributions import chi2_sf
from models.lives.decisions.found import QUARTERS, Watched
from models.lives.decisions.renewal import ages_met
from models.lives.findings.averaging import open_fits
from models.lives.fits.data import LifeCounts, counts_from_rows
from models.lives.fits.distributions import LifeDistribution
from models.lives.fits.likelihood import likelihood_terms, log_likelihood
from models.lives.fits.parametric import PARAMETERS, LifeFit, choose_life, overdispersion
from models.usage.year.season import QUARTER_DAYS
from pipeline.marts.lives.cells import Cell
from pipeline.warehouse import warehouse

# Adjusters of unknown age stand at so many ages.
AGES_FOR_UNKNOWN = 20
WATCHED_UNITS = 2_000
"""Units whose findings are counted: more would tell no more of a factor that is everyone's."""
# From each look that an adjuster worked at to the next, and whether that one found it failed. Looks
# are checks of any kind and replacements; one that was there before the records is seen from its
# first check on, and not counted if that one found it failed.
WATCHED = f"""
    with units as (
        select unit_id from (select distinct unit_id from stage.adjuster_lives)
        order by hash(unit_id), unit_id limit {WATCHED_UNITS}
    ),
    looks as (
        select wheel_end_id, inspected_on as on_date, max(km) as km from stage.inspections
        where unit_id in (from units) and km is not null group by all
        union
        select wheel_end_id, done_on, max(km) from stage.jobs
        where unit_id in (from units) and action = 'adjuster_replaced' and km is not null
        group by all
    ),
    watched as (
        select
            l.adjuster_id, l.axle_type, l.duty, l.part, f.fitted_km, k.on_date, k.km,
            l.cause not in ('in_service', 'planned', 'unstated') and k.on_date = l.ended_on
                as failed,
            min(k.km) over (partition by l.adjuster_id) as first_km,
            lag(k.km, 1, case when f.source = 'job' then f.fitted_km end)
                over (partition by l.adjuster_id order by k.on_date, k.km) as from_km
        from stage.adjuster_lives l
        inner join stage.adjuster_fittings f on f.adjuster_id = l.adjuster_id
        inner join looks k
            on k.wheel_end_id = l.wheel_end_id
            and (f.source <> 'job' or k.on_date > f.fitted_on)
            and k.on_date <= case
                when l.cause not in ('in_service', 'planned', 'unstated') then l.ended_on
                else coalesce(f.replaced_on, date '9999-12-31')
            end
    )
    select
        axle_type, duty, part, fitted_km, first_km,
        cast(floor((date '{{as_of}}' - on_date) / {QUARTER_DAYS}) as bigint) as quarter,
        from_km, km as to_km, failed
    from watched
    where from_km is not null and km >= from_km and quarter between 0 and {QUARTERS - 1}
"""
FEWEST_FAILED = 10
APART = 1e-4
"""Chance, at most, that a part's own life seems so much likelier: there are few parts."""
MOST_LIVES = 20_000
AGES = ("entry_km", "left_km", "right_km")
LIVES = f"""
    select part, axle_type, duty, entry_km, left_km, right_km from stage.adjuster_lives
    where part is not null and age_known
    order by hash(adjuster_id), adjuster_id limit {MOST_LIVES}"""


@dataclass(frozen=True, slots=True)
class PartLife:
    """A part, and every distribution of its life that its records leave open, with weights."""

    part: str
    fits: tuple[tuple[LifeFit, float], ...]

    @property
    def likeliest(self) -> LifeDistribution:
        return max(self.fits, key=lambda each: each[1])[0].distribution


def between_looks(con: duckdb.DuckDBPyConnection, as_of: dt.date) -> pl.DataFrame:
    """Adjusters between looks, as :data:`WATCHED` has them, by quarters back from ``as_of``."""
    order = "axle_type, duty, part, quarter, fitted_km, first_km, from_km, to_km"
    return warehouse.fetch(con, WATCHED.format(as_of=as_of), order=order)


def watched_by_life(watched: pl.DataFrame, life: LifeDistribution) -> tuple[Watched, ...]:
    """Those whose start is known from it on, others from their first look, as old as their units
    may have made them by then."""
    known = watched.drop_nulls("fitted_km")
    unknown = watched.filter(pl.col("fitted_km").is_null())
    first = floats(unknown["first_km"])
    at_first, which = np.unique(first, return_inverse=True)
    ages = ages_met(life, np.zeros(len(at_first)), at_first, AGES_FOR_UNKNOWN)
    starts = (np.zeros((known.height, 1)), floats(known["fitted_km"])), (ages[which], first)
    return tuple(
        Watched(
            start,
            np.maximum(floats(part["from_km"]) - since, 0.0),
            np.maximum(floats(part["to_km"]) - since, 0.0),
            part["quarter"].to_numpy(),
        )
        for part, (start, since) in zip((known, unknown), starts, strict=True)
        if part.height
    )


def found_by_quarter(watched: pl.DataFrame) -> FloatArray:
    """Failures found (QUARTERS,), the latest first."""
    quarters = watched.filter("failed")["quarter"].to_numpy()
    return np.bincount(quarters, minlength=QUARTERS).astype(np.float64)


def part_lives(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Lives of adjusters whose part is on record: ``part``, ``axle_type``, ``duty``, ``entry_km``,
    ``left_km`` and ``right_km`` (null: not failed)."""
    return warehouse.fetch(con, f"from ({LIVES})")


def parts_apart(cells: Sequence[Cell], lives: pl.DataFrame) -> tuple[PartLife, ...]:
    """Parts whose own records speak against the lives of their cells; ``lives``: as
    :func:`part_lives`."""
    by_part = lives.group_by("part", maintain_order=True)
    found = (_apart(str(part), own, cells) for (part,), own in by_part)
    return tuple(sorted((part for part in found if part), key=lambda each: each.part))


def _apart(part: str, lives: pl.DataFrame, cells: Sequence[Cell]) -> PartLife | None:
    """The part's own life, where its likelihood is that much higher (twice the difference over how
    much units differ is chi-square, as its two parameters are its own)."""
    of_cells = [(cell, lives.filter(axle_type=cell.axle_type, duty=cell.duty)) for cell in cells]
    told = [(cell, own) for cell, own in of_cells if own.height]
    if lives["right_km"].count() < FEWEST_FAILED or not told:
        return None
    choice = choose_life(counts_of(pl.concat([own for _, own in told]), *AGES))
    if choice.chosen is None:
        return None
    gain = choice.chosen.loglik - sum(
        _loglik(counts_of(own, *AGES), cell.life) for cell, own in told
    )
    spread = max(overdispersion(choice.chosen), 1.0)
    if chi2_sf(max(2.0 * gain, 0.0) / spread, PARAMETERS) >= APART:
        return None
    return PartLife(part, tuple(open_fits(choice)))


def _loglik(counts: LifeCounts, life: LifeFit) -> float:
    distribution = life.distribution
    theta = np.array([[distribution.mu, distribution.log_sigma]])
    return float(log_likelihood(distribution.standard, likelihood_terms(counts), theta)[0])


def counts_of(lives: pl.DataFrame, entry: str, left: str, right: str) -> LifeCounts:
    """Of lives whose ages stand in these columns; ``right`` is null where none failed."""
    return counts_from_rows(
        *(floats(lives[name].fill_null(np.inf)) for name in (entry, left, right))
    )


def floats(column: pl.Series) -> FloatArray:
    return column.cast(pl.Float64).to_numpy().copy()
