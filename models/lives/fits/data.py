"""What inspected, partly replaced, already-in-service adjusters say about their life, as counts.

An adjuster seen from age V on (V = 0 when it was fitted while records ran), last known good at age
L and found failed at age R contributes  log[S(L) - S(R)] - log S(V);  one still good at age C
contributes  log S(C) - log S(V);  one whose failure was seen to happen at age T contributes
log f(T) - log S(V).  The three kinds of term involve different ages of the same adjuster, yet the
log-likelihood is their plain sum, so three small tables of counts hold everything a fit needs
(Meeker & Escobar 1998, ch. 2 and 11.6 for truncation).

Ages are in one unit throughout, km or weeks; right-censoring is `right = inf` in rows.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TypeAlias

import numpy as np
import polars as pl

from models.common.arrays import FloatArray

GroupKey: TypeAlias = tuple[str | None, str | None]
GROUP = ["axle_type", "duty"]
FAILURE_CAUSES = ("stuck", "over_adjusting", "damaged", "failed")


@dataclass(frozen=True, slots=True)
class LifeCounts:
    """One group's likelihood as three tables of counts.

    failed adjusters:    failed[i] were good at left[i] and found failed at right[i]
                         (left == right: seen to fail at that age).
    censored adjusters:  censored[k] were last known good at censored_at[k].
    entered adjusters:   entered[j] came under observation at age entry[j] > 0; those seen from
                         age 0 need no row.
    continued:           how many of the censored went on in another duty, where they are counted
                         again: an adjuster counts in every duty it ran in.

    Raises ValueError on negative, unordered or non-finite ages or counts.
    """

    left: FloatArray
    right: FloatArray
    failed: FloatArray
    censored_at: FloatArray
    censored: FloatArray
    entry: FloatArray
    entered: FloatArray
    continued: float = field(default=0.0, kw_only=True)

    def __post_init__(self) -> None:
        _check_table("failed", self.failed, self.left, self.right)
        _check_table("censored", self.censored, self.censored_at)
        _check_table("entered", self.entered, self.entry)
        if np.any(self.right < self.left) or np.any(self.right <= 0.0):
            raise ValueError("every failure needs left <= right and right > 0")
        if self.entered.sum() > self.adjusters * (1.0 + 1e-9):
            raise ValueError("more adjusters entered than are counted as failed or censored")

    @property
    def failures(self) -> float:
        """Number of failed adjusters."""
        return float(self.failed.sum())

    @property
    def adjusters(self) -> float:
        """Number of adjusters, failed or not."""
        return float(self.failed.sum() + self.censored.sum())

    @property
    def different_adjusters(self) -> float:
        """Number of adjusters, one that went on in another duty counted once."""
        return self.adjusters - self.continued

    @property
    def exposure(self) -> float:
        """Total age run under observation; failed ones count to the middle of their interval."""
        middle = 0.5 * (self.left + self.right)
        run = self.failed @ middle + self.censored @ self.censored_at
        return float(run - self.entered @ self.entry)


def _check_table(name: str, weight: FloatArray, *ages: FloatArray) -> None:
    for values in (weight, *ages):
        if values.shape != weight.shape or values.ndim != 1:
            raise ValueError(f"{name}: ages and counts need one common length")
        if not np.all(np.isfinite(values)) or np.any(values < 0.0):
            raise ValueError(f"{name}: ages and counts must be finite and not negative")


def _counted(columns: Mapping[str, FloatArray], weight: FloatArray) -> tuple[FloatArray, ...]:
    """Distinct rows of `columns`, sorted, with their summed weight last."""
    grouped = (
        pl.DataFrame({**columns, "n": weight})
        .group_by(list(columns), maintain_order=True)
        .agg(pl.col("n").sum())
        .sort(list(columns))
    )
    return tuple(grouped[name].to_numpy().copy() for name in (*columns, "n"))


def counts_from_rows(
    entry: FloatArray,
    left: FloatArray,
    right: FloatArray,
    weight: FloatArray | None = None,
) -> LifeCounts:
    """Counts from one row per adjuster (or per identical adjusters, with `weight`).

    entry, left, right: shape (n,), ages; right = inf where the adjuster is not known to have
    failed, right = left where it was seen to fail at that age.
    Raises ValueError when entry > left, or when an exact failure lies at its own entry.
    """
    entry, left, right = (np.asarray(a, float) for a in (entry, left, right))
    weight = np.ones_like(entry) if weight is None else np.asarray(weight, float)
    if np.any(entry > left):
        raise ValueError("an adjuster cannot be known good before it came under observation")
    if np.any((right == left) & (entry >= right)):
        raise ValueError("a failure seen at the very age of entry carries no time at risk")
    failed, entered = np.isfinite(right), entry > 0.0
    return LifeCounts(
        *_counted({"left": left[failed], "right": right[failed]}, weight[failed]),
        *_counted({"age": left[~failed]}, weight[~failed]),
        *_counted({"age": entry[entered]}, weight[entered]),
    )


FAILED, STOPPED, LATE = ["left_age", "right_age"], ["left_age"], ["entry_age"]


def counts_from_frames(
    intervals: pl.DataFrame,
    censored: pl.DataFrame,
    entries: pl.DataFrame,
    causes: Collection[str] = FAILURE_CAUSES,
) -> LifeCounts:
    """Counts of one group from the three reduced tables.

    intervals: columns `left_age`, `right_age`, `cause`, `adjusters`; censored: `left_age`,
    `adjusters`; entries: `entry_age`, `adjusters`. Failures of a cause not in `causes` are
    censored at `left_age`: with one cause that is the cause-specific (latent) life, in which every
    other end only stops the watching. It describes a world without the other causes and rests on
    their independence.
    """
    failed, stopped, late = _likelihood_tables(intervals, censored, entries, causes, [])
    return _group_counts(failed, stopped, late)


def _likelihood_tables(
    intervals: pl.DataFrame,
    censored: pl.DataFrame,
    entries: pl.DataFrame,
    causes: Collection[str],
    keys: list[str],
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Failures of `causes`, survivors and other ends, and late entries, by `keys` and age."""
    counts = intervals["cause"].is_in(list(causes))
    stopped = [
        frame.select(*keys, *STOPPED, "adjusters")
        for frame in (censored, intervals.filter(~counts))
    ]
    return (
        _added(intervals.filter(counts), [*keys, *FAILED]),
        _added(pl.concat(stopped, how="vertical_relaxed"), [*keys, *STOPPED]),
        _added(entries.filter(pl.col("entry_age") > 0.0), [*keys, *LATE]),
    )


def _added(frame: pl.DataFrame, by: list[str]) -> pl.DataFrame:
    return frame.group_by(by, maintain_order=True).agg(pl.col("adjusters").sum()).sort(by)


def _group_counts(failed: pl.DataFrame, stopped: pl.DataFrame, late: pl.DataFrame) -> LifeCounts:
    return LifeCounts(*_arrays(failed, FAILED), *_arrays(stopped, STOPPED), *_arrays(late, LATE))


def _arrays(frame: pl.DataFrame, ages: list[str]) -> Iterator[FloatArray]:
    for name in (*ages, "adjusters"):
        yield frame[name].cast(pl.Float64).to_numpy().copy()


def counts_by_group(
    intervals: pl.DataFrame,
    censored: pl.DataFrame,
    entries: pl.DataFrame,
    causes: Collection[str] = FAILURE_CAUSES,
    *,
    clock: str = "km",
    pooled: bool = True,
) -> dict[GroupKey, LifeCounts]:
    """Counts for every axle type × duty, and pooled: a null duty pools all duties, two nulls all.

    The frames carry `clock`, `axle_type` and `duty` besides the columns of `counts_from_frames`.
    """
    on_time_scale = pl.col("clock") == clock
    tables = _likelihood_tables(
        intervals.filter(on_time_scale),
        censored.filter(on_time_scale),
        entries.filter(on_time_scale),
        causes,
        GROUP,
    )
    parts = [table.partition_by(GROUP, as_dict=True) for table in tables]
    keys = sorted({key for part in parts for key in part}, key=str)
    went_on = _went_on(censored.filter(on_time_scale))
    groups: dict[GroupKey, LifeCounts] = {
        (key[0], key[1]): replace(
            _group_counts(
                *(part.get(key, table.clear()) for part, table in zip(parts, tables, strict=True))
            ),
            continued=went_on.get((key[0], key[1]), 0.0),
        )
        for key in keys
    }
    return {**groups, **_pools(groups)} if pooled and groups else groups


def _went_on(censored: pl.DataFrame) -> dict[GroupKey, float]:
    """Adjusters of each group that went on in another duty."""
    if "ending" not in censored.columns:
        return {}
    changed = (
        censored.filter(ending="changed")
        .group_by(GROUP, maintain_order=True)
        .agg(pl.col("adjusters").sum())
    )
    return {(axle, duty): float(n) for axle, duty, n in changed.select(*GROUP, "adjusters").rows()}


def _pools(groups: dict[GroupKey, LifeCounts]) -> dict[GroupKey, LifeCounts]:
    axle_types = sorted({axle_type for axle_type, _ in groups if axle_type is not None})
    pools: dict[GroupKey, LifeCounts] = {
        (axle_type, None): pooled_counts(
            [counts for (own, _), counts in groups.items() if own == axle_type]
        )
        for axle_type in axle_types
    }
    return {**pools, (None, None): pooled_counts(list(groups.values()))}


def pooled_counts(groups: Collection[LifeCounts]) -> LifeCounts:
    """All groups' counts together, as if one group."""

    def joined(name: str) -> FloatArray:
        return np.concatenate([getattr(group, name) for group in groups])

    return LifeCounts(
        *_counted({"left": joined("left"), "right": joined("right")}, joined("failed")),
        *_counted({"age": joined("censored_at")}, joined("censored")),
        *_counted({"age": joined("entry")}, joined("entered")),
        continued=sum(group.continued for group in groups),
    )
