"""Watched adjuster lives for regression, and which terms their records can say anything about.

A term is kept where its levels have failures enough (``FAILURES_PER_RATIO``), where there are
failures for one more coefficient, and where the terms before it do not say the same.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
import polars as pl

from models.common.arrays import FloatArray
from models.lives.effects.segments import AdjusterSegments, segments_from_frames

FACTORS = ("duty", "axle_type", "depot", "part")
SHARES = ("greasing_overdue", "cap_open", "greased_late_share")
TERMS = (*FACTORS, *SHARES)
# Ratios need failures behind them: Vittinghoff & McCulloch 2007, Am. J. Epidemiol. 165:710, find
# five to nine a coefficient enough (from memory).
FAILURES_PER_RATIO = 5
OTHER_PARTS = "other parts"


class Why(Enum):
    """Why a term has no ratio."""

    TOO_FEW_FAILURES = "too few failures"
    CONSTANT = "the same for all"
    THIN_LEVELS = "fewer than two levels with failures enough"
    NO_FAILURES_LEFT = "too few failures to take it into account as well"
    ALIASED = "goes with the terms before it"


@dataclass(frozen=True, slots=True)
class LeftOut:
    """``failures`` on record, ``asked`` for; ``kept``, the terms before it."""

    why: Why
    failures: int
    asked: int
    kept: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ThinLevel:
    """A level of a factor with too little in it for a ratio; its adjusters are left out."""

    term: str
    level: str
    adjusters: int
    failures: int


@dataclass(frozen=True, slots=True)
class Terms:
    """Terms whose ratios can be estimated together, and why the others cannot."""

    kept: tuple[str, ...]
    left_out: dict[str, LeftOut]

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

    def with_rare_parts_as_one(self) -> "WatchedLives":
        """Parts too thin for a ratio under one name: whoever has one stays in the comparison."""
        rare = pl.col("part").is_in(self.thin_levels("part"))
        one = pl.when(rare).then(pl.lit(OTHER_PARTS)).otherwise("part").alias("part")
        return WatchedLives(self.lives, self.spells.with_columns(one))

    def thin_levels(self, factor: str) -> list[str]:
        """Levels with fewer than FAILURES_PER_RATIO failures where no more were to be expected.

        At the rate of all, that is: a level with much running and no failure says a lot.
        """
        run = self.spells.group_by(factor, maintain_order=True).agg(
            km=(pl.col("to_age") - pl.col("from_age")).sum()
        )
        expected = run.with_columns(
            failures=pl.col("km") / pl.col("km").sum() * self.failures
        ).filter(pl.col("failures") < FAILURES_PER_RATIO)
        failed = self._failing_spells()
        found = dict(
            failed.group_by(factor, maintain_order=True)
            .agg(pl.col("adjuster_id").n_unique())
            .iter_rows()
        )
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
            too_few = LeftOut(Why.TOO_FEW_FAILURES, self.failures, fewest)
            return Terms((), dict.fromkeys(wanted, too_few))
        patterns = self.spells.select(wanted).unique().sort(wanted)
        kept: list[str] = []
        left_out: dict[str, LeftOut] = {}
        design = np.ones((patterns.height, 1))
        for term in wanted:
            wider = np.column_stack([design, _columns(patterns[term])])
            why = self._why_not(term, wider)
            if why is None:
                kept.append(term)
                design = wider
            else:
                left_out[term] = LeftOut(why, self.failures, fewest, tuple(kept))
        return Terms(tuple(kept), left_out)

    def _why_not(self, term: str, wider: FloatArray) -> Why | None:
        if self.spells[term].n_unique() < 2:
            return Why.CONSTANT
        if term in FACTORS and self.thin_levels(term):
            return Why.THIN_LEVELS
        if (wider.shape[1] - 1) * FAILURES_PER_RATIO > self.failures:
            return Why.NO_FAILURES_LEFT
        if np.linalg.matrix_rank(wider) < wider.shape[1]:
            return Why.ALIASED
        return None


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


def _columns(values: pl.Series) -> FloatArray:
    """A factor's indicator columns, its first level left out; a share as it is."""
    if values.dtype != pl.String:
        return values.cast(pl.Float64).to_numpy().reshape(-1, 1)
    levels = values.unique().sort()[1:]
    if levels.is_empty():
        return np.empty((values.len(), 0))
    return np.column_stack([(values == level).cast(pl.Float64).to_numpy() for level in levels])
