"""Watched adjuster lives for regression, and which terms their records can say anything about."""

from collections.abc import Sequence
from dataclasses import dataclass

import duckdb
import numpy as np
import polars as pl

from models.lives.effects.segments import AdjusterSegments, segments_from_frames
from pipeline.warehouse import warehouse

FACTORS = ("duty", "axle_type", "depot")
SHARES = ("greasing_overdue", "cap_open", "greased_late_share")
TERMS = (*FACTORS, *SHARES)
NO_DEPOT = "no depot"
NO_DUTY = "unassigned"
# Ratios need failures behind them: Vittinghoff & McCulloch 2007, Am. J. Epidemiol. 165:710, find
# five to nine a coefficient enough (from memory).
FAILURES_PER_RATIO = 5

CONSTANT = {
    "duty": "every adjuster ran in one duty",
    "axle_type": "there is one axle type",
    "depot": "there is one depot",
    "greasing_overdue": "greasing was never overdue on record, or never recorded",
    "cap_open": "no grease cap was found open or missing",
    "greased_late_share": "no greasing came late on record",
}


@dataclass(frozen=True, slots=True)
class ThinLevel:
    """A level of a factor with too little in it for a ratio; its adjusters are left out."""

    term: str
    level: str
    adjusters: int
    failures: int

    @property
    def words(self) -> str:
        return (
            f"{self.failures} failures among {self.adjusters} adjusters are too few for a ratio; "
            "they are left out of the others"
        )


@dataclass(frozen=True, slots=True)
class Terms:
    """Terms whose ratios can be estimated together, and why the others cannot."""

    kept: tuple[str, ...]
    left_out: dict[str, str]

    @property
    def factors(self) -> tuple[str, ...]:
        return tuple(term for term in self.kept if term in FACTORS)

    @property
    def shares(self) -> tuple[str, ...]:
        return tuple(term for term in self.kept if term in SHARES)


@dataclass(frozen=True, slots=True)
class WatchedLives:
    """One row per adjuster, and one per spell of unchanged circumstances, on one clock.

    lives: ``adjuster_id``, ``unit_id``, ``axle_type``, ``entry_age``, ``left_age``, ``right_age``
    (null: not failed), ``cause``; spells: ``adjuster_id``, ``from_age``, ``to_age`` and TERMS.
    """

    lives: pl.DataFrame
    spells: pl.DataFrame

    @property
    def adjusters(self) -> int:
        return self.lives.height

    @property
    def units(self) -> int:
        return self.lives["unit_id"].n_unique()

    @property
    def failures(self) -> int:
        return self.lives["right_age"].count()

    def failed_by(self, cause: str | None) -> "WatchedLives":
        """Failures of one cause; others only end the watching, at the last good age."""
        if cause is None:
            return self
        own = pl.when(pl.col("cause") == cause).then("right_age")
        return WatchedLives(self.lives.with_columns(right_age=own), self.spells)

    def on(self, axle_type: str) -> "WatchedLives":
        lives = self.lives.filter(pl.col("axle_type") == axle_type)
        return WatchedLives(lives, self.spells.filter(pl.col("axle_type") == axle_type))

    def segments(self, factors: Sequence[str], shares: Sequence[str] = ()) -> AdjusterSegments:
        """Lives cut where these covariates change, and nowhere else; none leave the plain life."""
        if not (factors or shares):
            same = WatchedLives(self.lives, self.spells.with_columns(everyone=pl.lit("alike")))
            return same.segments(("everyone",))
        spells = merged(self.spells, [*factors, *shares])
        return segments_from_frames(self.lives, spells, factors=factors, measures=shares)

    def without(self, adjusters: pl.Series) -> "WatchedLives":
        """The lives of all but these adjusters."""
        kept = ~pl.col("adjuster_id").is_in(adjusters.implode())
        return WatchedLives(self.lives.filter(kept), self.spells.filter(kept))

    def well_filled(self, factors: Sequence[str]) -> tuple["WatchedLives", list[ThinLevel]]:
        """The lives without those that ran under a level too thin for a ratio, and those levels.

        Where that would leave fewer than two levels everyone stays, and the factor has no ratio.
        """
        kept, thin = self, []
        for factor in factors:
            levels = kept.thin_levels(factor)
            if kept.spells[factor].n_unique() - len(levels) < 2:
                continue
            for level in levels:
                adjusters = kept.spells.filter(pl.col(factor) == level)["adjuster_id"].unique()
                rest = kept.without(adjusters)
                failures = kept.failures - rest.failures
                thin.append(ThinLevel(factor, level, adjusters.len(), failures))
                kept = rest
        return kept, thin

    def thin_levels(self, factor: str) -> list[str]:
        """Levels with fewer than FAILURES_PER_RATIO failures where no more were to be expected.

        At the rate of all, that is: a level with much running and no failure says a lot.
        """
        run = self.spells.group_by(factor).agg(km=(pl.col("to_age") - pl.col("from_age")).sum())
        expected = run.with_columns(
            failures=pl.col("km") / pl.col("km").sum() * self.failures
        ).filter(pl.col("failures") < FAILURES_PER_RATIO)
        failed = self._failing_spells()
        found = dict(failed.group_by(factor).agg(pl.col("adjuster_id").n_unique()).iter_rows())
        return sorted(
            level for level in expected[factor] if found.get(level, 0) < FAILURES_PER_RATIO
        )

    def levels_failed_in(self, factor: str) -> set[str]:
        """Levels of a factor in which some adjuster may have failed."""
        return set(self._failing_spells()[factor].unique())

    def _failing_spells(self) -> pl.DataFrame:
        """Spells in which an adjuster may have failed."""
        failed = self.lives.drop_nulls("right_age").select("adjuster_id", "left_age", "right_age")
        return self.spells.join(failed, on="adjuster_id").filter(
            pl.col("to_age") > pl.col("left_age"), pl.col("from_age") < pl.col("right_age")
        )

    def terms(self, wanted: Sequence[str] = TERMS, fewest: int = 2) -> Terms:
        """Terms that the records can tell apart, taken in order while failures last."""
        if self.failures < fewest:
            words = f"{self.failures} failures are too few, {fewest} are asked for"
            return Terms((), dict.fromkeys(wanted, words))
        patterns = self.spells.select(wanted).unique().sort(wanted)
        kept: list[str] = []
        left_out: dict[str, str] = {}
        design = np.ones((patterns.height, 1))
        for term in wanted:
            wider = np.column_stack([design, _columns(patterns[term])])
            reason = self._why_not(term, design, wider, kept)
            if reason is None:
                kept.append(term)
                design = wider
            else:
                left_out[term] = reason
        return Terms(tuple(kept), left_out)

    def _why_not(
        self, term: str, design: np.ndarray, wider: np.ndarray, kept: Sequence[str]
    ) -> str | None:
        ratios = wider.shape[1] - 1
        if self.spells[term].n_unique() < 2:
            return CONSTANT[term]
        if term in FACTORS and self.thin_levels(term):
            return "fewer than two of its levels have failures enough for a ratio"
        if ratios * FAILURES_PER_RATIO > self.failures:
            return f"{self.failures} failures are too few to take it into account as well"
        if np.linalg.matrix_rank(wider) < wider.shape[1]:
            return f"in these records it goes with {', '.join(kept)} and cannot be told from it"
        return None


def watched_lives(con: duckdb.DuckDBPyConnection, clock: str, most_units: int) -> WatchedLives:
    """Lives of at most so many units, ages in ``km`` or ``weeks``."""
    units = f"""(select unit_id from (select distinct unit_id from reduce.adjuster_spells)
        order by hash(unit_id), unit_id limit {most_units})"""
    spells = warehouse.fetch(
        con,
        f"""select adjuster_id, from_{clock} as from_age, to_{clock} as to_age, axle_type, duty,
            coalesce(nullif(depot, ''), '{NO_DEPOT}') as depot, {", ".join(SHARES)}
        from reduce.adjuster_spells where unit_id in {units} and to_{clock} > from_{clock}""",
        order="adjuster_id, from_age",
    )
    lives = warehouse.fetch(
        con,
        f"""select adjuster_id, unit_id, axle_type, entry_{clock} as entry_age,
            left_{clock} as left_age, right_{clock} as right_age, cause
        from stage.adjuster_lives
        where age_known and entry_{clock} <= left_{clock}
            and coalesce(right_{clock}, left_{clock}) > entry_{clock}""",
        order="adjuster_id",
    )
    return WatchedLives(lives.join(spells, on="adjuster_id", how="semi"), spells)


def merged(spells: pl.DataFrame, covariates: Sequence[str]) -> pl.DataFrame:
    """Neighbouring spells of an adjuster joined where these covariates do not change."""
    run = pl.struct("adjuster_id", *covariates).rle_id()
    return (
        spells.with_columns(run=run)
        .group_by("run", maintain_order=True)
        .agg(
            pl.col("adjuster_id", *covariates).first(),
            pl.col("from_age").first(),
            pl.col("to_age").last(),
        )
        .drop("run")
    )


def _columns(values: pl.Series) -> np.ndarray:
    """A factor's indicator columns, its first level left out; a share as it is."""
    if values.dtype != pl.String:
        return values.cast(pl.Float64).to_numpy().reshape(-1, 1)
    levels = values.unique().sort()[1:]
    if levels.is_empty():
        return np.empty((values.len(), 0))
    return np.column_stack([(values == level).cast(pl.Float64).to_numpy() for level in levels])
