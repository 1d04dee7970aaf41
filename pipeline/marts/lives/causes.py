"""How adjusters' time ends: cumulative incidence by cause, planned replacement among them."""

from dataclasses import dataclass

import duckdb
import numpy as np
import polars as pl

from models.lives.causes.interval_incidence import (
    CompetingCounts,
    CumulativeIncidence,
    IntervalIncidence,
    competing_counts,
    interval_incidence,
)
from models.lives.findings.risk_set import at_risk_ages
from models.lives.fits.data import GroupKey
from models.lives.fits.npmle import fit_npmle
from pipeline.marts.lives.fits import Frames, GroupLives, Row, frame_of
from pipeline.warehouse import warehouse

# Ages are rounded outwards to so many steps of the oldest: the checks are coarser, and the standard
# errors are right where ages repeat.
AGE_STEPS = 30
FINEST_KM = 2_000.0
AGES_SHOWN = 15
NEGLIGIBLE = 1e-7  # what a stopped search leaves where nothing ended
SETTLED = 1e-6  # slope left per adjuster, beyond which the curve is called unsettled


@dataclass(frozen=True, slots=True)
class Ends:
    """Counts of how time ended: ``reduce.adjuster_end_counts``, or a part of it."""

    counts: pl.DataFrame

    def of(self, key: GroupKey) -> "Ends":
        names = dict(zip(("axle_type", "duty"), key, strict=True))
        own = [pl.col(name) == value for name, value in names.items() if value is not None]
        return Ends(self.counts.filter(*own) if own else self.counts)

    @property
    def adjusters(self) -> int:
        return int(self.counts.filter(pl.col("says") != "entered")["adjusters"].sum())

    @property
    def failures(self) -> int:
        failed = self.counts.filter(pl.col("says") == "ended", pl.col("cause") != "planned")
        return int(failed["adjusters"].sum())

    def coarsened(self) -> "Ends":
        """Ages in whole steps, still rounded outwards."""
        oldest = float(self.counts["to_km"].max() or 0.0)  # type: ignore[arg-type]
        step = max(FINEST_KM, np.ceil(oldest / AGE_STEPS / FINEST_KM) * FINEST_KM)
        ended = pl.col("says") == "ended"
        planned = pl.col("cause") == "planned"
        up, down = (pl.col("to_km") / step).ceil() * step, (pl.col("to_km") / step).floor() * step
        low = (pl.col("from_km") / step).floor() * step
        return Ends(
            self.counts.with_columns(
                to_km=pl.when(ended).then(up).otherwise(down),
                from_km=pl.when(planned).then(up).otherwise(low),
            )
        )

    def without_idle_pairs(self) -> "Ends":
        """Entries and survivors at one age left out in pairs: they say nothing of a life."""
        said = self.counts.group_by("says", "cause", "from_km", "to_km", maintain_order=True).agg(
            pl.col("adjusters").sum()
        )
        alive = pl.col("says") != "ended"
        pairs = (
            said.filter(alive)
            .group_by("to_km", maintain_order=True)
            .agg(idle=pl.when(pl.len() == 2).then(pl.col("adjusters").min()).otherwise(0))
        )
        left = said.join(pairs, on="to_km", how="left", maintain_order="left").with_columns(
            adjusters=pl.when(alive)
            .then(pl.col("adjusters") - pl.col("idle").fill_null(0))
            .otherwise("adjusters")
        )
        return Ends(left.filter(pl.col("adjusters") > 0).drop("idle"))

    def between(self, low: float, high: float) -> "Ends":
        """Those of the ages above ``low``, up to ``high``; entries at ``low`` begin them."""
        entered = pl.col("says") == "entered"
        age = pl.col("to_km")
        inside = (
            pl.when(entered)
            .then((age >= low) & (age < high))
            .otherwise((age > low) & (age <= high))
        )
        return Ends(self.counts.filter(inside))

    def competing(self) -> CompetingCounts:
        ended = self.counts.filter(pl.col("says") == "ended")
        planned = pl.col("cause") == "planned"
        ages = {"left_age": "from_km", "right_age": "to_km"}
        failed = ended.filter(~planned).select("cause", "adjusters", **_renamed(ages))
        replaced = ended.filter(planned).select(
            "adjusters", left_age="to_km", ending=pl.lit("planned")
        )
        watched = self.counts.filter(pl.col("says") == "watched").select(
            "adjusters", left_age="to_km", ending=pl.lit("in_service")
        )
        entered = self.counts.filter(pl.col("says") == "entered").select(
            "adjusters", entry_age="to_km"
        )
        return competing_counts(failed, pl.concat([replaced, watched]), entered)


def _renamed(names: dict[str, str]) -> dict[str, pl.Expr]:
    return {new: pl.col(old) for new, old in names.items()}


def cause_frames(con: duckdb.DuckDBPyConnection, lives: GroupLives, fewest: int) -> Frames:
    """Cumulative incidence by cause for every group with failures enough."""
    ends = Ends(warehouse.fetch(con, "from reduce.adjuster_end_counts"))
    rows = [row for key in lives.groups for row in group_rows(key, ends.of(key), fewest)]
    return {"adjuster_causes": frame_of("adjuster_causes", rows)}


def group_rows(key: GroupKey, ends: Ends, fewest: int) -> list[Row]:
    """One group's incidence by cause at even ages, or a row of words."""
    group: Row = {"axle_type": key[0], "duty": key[1], "adjusters": ends.adjusters}
    words: Row = {**group, "ended": ends.failures}
    if ends.failures < fewest:
        return [{**words, "note": f"{ends.failures} failures are too few to tell causes apart"}]
    coarse = ends.coarsened().without_idle_pairs()
    counts = coarse.between(*at_risk_ages(coarse.competing().counts)).competing()
    from_km = fit_npmle(counts.counts).from_age
    oldest = float(max(counts.counts.right.max(), counts.counts.censored_at.max(initial=0.0)))
    ages = np.linspace(from_km, oldest, AGES_SHOWN + 1)[1:]
    try:
        found = interval_incidence(counts, ages, from_age=from_km)
    except ValueError as error:
        return [{**words, "note": str(error)}]
    shown: Row = {**group, "from_km": from_km, "note": _unsettled(found)}
    return [{**shown, **row} for cause in found.causes if cause.ended for row in _rows_of(cause)]


def _unsettled(found: IntervalIncidence) -> str | None:
    return (
        None
        if found.kkt_violation <= SETTLED
        else "the estimate had not quite settled when it stopped"
    )


def _rows_of(cause: CumulativeIncidence) -> list[Row]:
    columns = (cause.ages, cause.incidence, cause.se, cause.low, cause.high)
    rows = np.stack(columns, axis=1)
    rows[rows[:, 1] < NEGLIGIBLE, 1:] = 0.0
    return [
        {
            "cause": cause.cause,
            "ended": cause.ended,
            "km": km,
            "incidence": min(share, 1.0),
            "se": se,
            "ci_low": min(low, share),
            "ci_high": min(max(high, share), 1.0),
        }
        for km, share, se, low, high in rows.tolist()
    ]
