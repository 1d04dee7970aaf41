"""How many adjusters a wheel end has had replaced by a given age, and whether duty changes it."""

from dataclasses import dataclass
from itertools import combinations

import duckdb
import numpy as np
import polars as pl

from models.common.arrays import FloatArray
from models.common.multiple_tests import holm
from models.lives.causes.recurrent import (
    MeanCumulative,
    WatchedWheelEnds,
    cumulative_difference,
    fit_power_law,
    mean_cumulative,
)
from pipeline.marts.lives.fits import Frames, Row, frame_of
from pipeline.warehouse import warehouse

# Fewer wheel ends watched at an age say too little about it.
FEWEST_WATCHED = 10
AGES_SHOWN = 20


@dataclass(frozen=True, slots=True)
class Watches:
    """Watched stretches of wheel ends, and the replacements inside them, in km of their units."""

    at_risk_intervals: pl.DataFrame
    replacements: pl.DataFrame

    def of(self, duty: str | None) -> "Watches":
        own = pl.lit(value=True) if duty is None else pl.col("duty") == duty
        return Watches(self.at_risk_intervals.filter(own), self.replacements.filter(own))

    @property
    def wheel_ends(self) -> int:
        return self.at_risk_intervals["wheel_end_id"].n_unique()

    def well_watched(self) -> tuple[float, float] | None:
        """The ages between which enough wheel ends were watched throughout, the longest if several.

        Before its first such age too few stand behind a jump of the curve.
        """
        turns = pl.concat(
            [
                self.at_risk_intervals.select(km="from_km", change=pl.lit(1)),
                self.at_risk_intervals.select(km="to_km", change=pl.lit(-1)),
            ]
        )
        steps = turns.group_by("km", maintain_order=True).agg(pl.col("change").sum()).sort("km")
        watched = steps.select(
            "km", until=pl.col("km").shift(-1), enough=pl.col("change").cum_sum() >= FEWEST_WATCHED
        )
        runs = (
            watched.with_columns(run=pl.col("enough").rle_id())
            .filter("enough")
            .group_by("run", maintain_order=True)
            .agg(pl.col("km").min(), pl.col("until").max())
            .sort(pl.col("until") - pl.col("km"), "run", descending=[True, False])
        )
        return (runs["km"][0], runs["until"][0]) if runs.height else None

    def between(self, low: float, high: float) -> WatchedWheelEnds | None:
        """The watching clipped to (low, high]; None where nothing of it is left."""
        clipped = self.at_risk_intervals.with_columns(
            start=pl.max_horizontal("from_km", pl.lit(low)),
            end=pl.min_horizontal("to_km", pl.lit(high)),
        )
        kept = clipped.filter(pl.col("end") > pl.col("start")).with_row_index("place")
        if kept.is_empty():
            return None
        events = self.replacements.filter(pl.col("km") > low, pl.col("km") <= high).join(
            kept, on=["wheel_end_id", "duty", "from_km"], how="inner"
        )
        events = events.sort("place", "km")
        return WatchedWheelEnds(
            start=_floats(kept["start"]),
            end=_floats(kept["end"]),
            cluster=kept["cluster"].cast(pl.Int64).to_numpy().copy(),
            event_of=events["place"].cast(pl.Int64).to_numpy().copy(),
            event_age=_floats(events["km"]),
        )


def _floats(column: pl.Series) -> FloatArray:
    return column.cast(pl.Float64).to_numpy().copy()


def replacement_frames(con: duckdb.DuckDBPyConnection) -> Frames:
    """Mean cumulative replacements by duty, and the differences between duties."""
    watches = _watches(con)
    duties = sorted(watches.at_risk_intervals["duty"].unique())
    rows = [row for duty in (None, *duties) for row in _count_rows(duty, watches.of(duty))]
    pairs = [_difference_row(watches, a, b) for a, b in combinations(duties, 2)]
    compared = [pair for pair in pairs if pair is not None]
    for pair, p in zip(compared, holm([_p(pair) for pair in compared]), strict=True):
        pair["p_adjusted"] = float(p)
    return {
        "replacement_counts": frame_of("replacement_counts", rows),
        "replacement_differences": frame_of("replacement_differences", compared),
    }


def _p(row: Row) -> float:
    p = row["p"]
    assert isinstance(p, float)
    return p


def _watches(con: duckdb.DuckDBPyConnection) -> Watches:
    at_risk_intervals = warehouse.fetch(
        con, "from reduce.wheel_end_watches", order="wheel_end_id, from_km"
    ).with_columns(cluster=pl.col("unit_id").rank("dense").cast(pl.Int64) - 1)
    replacements = warehouse.fetch(
        con, "from reduce.wheel_end_replacements", order="wheel_end_id, km"
    )
    return Watches(at_risk_intervals, replacements)


def _count_rows(duty: str | None, watches: Watches) -> list[Row]:
    group: Row = {"duty": duty, "wheel_ends": watches.wheel_ends}
    ages = watches.well_watched()
    watched = watches.between(*ages) if ages is not None else None
    if ages is None or watched is None:
        events = watches.replacements.height
        note = f"fewer than {FEWEST_WATCHED} wheel ends were watched at any one age"
        return [{**group, "watched": 0, "events": events, "note": note}]
    process = fit_power_law(watched)
    shown: Row = {
        **group,
        "from_km": ages[0],
        "events": watched.event_age.size,
        "pace": process.words if process is not None else None,
    }
    grid = np.linspace(*ages, AGES_SHOWN + 1)[1:]
    return [{**shown, **row} for row in _curve_rows(mean_cumulative(watched, grid))]


def _curve_rows(curve: MeanCumulative) -> list[Row]:
    columns = (curve.ages, curve.expected, curve.se, curve.low, curve.high, curve.watched)
    names = ("km", "replacements", "se", "ci_low", "ci_high", "watched")
    rows = zip(*columns, strict=True)
    return [dict(zip(names, (float(v) for v in row), strict=True)) for row in rows]


def _difference_row(watches: Watches, duty_a: str, duty_b: str) -> Row | None:
    """The two duties over the ages both were well watched at; None without such ages or events."""
    a, b = watches.of(duty_a), watches.of(duty_b)
    ages_a, ages_b = a.well_watched(), b.well_watched()
    if ages_a is None or ages_b is None:
        return None
    low, high = max(ages_a[0], ages_b[0]), min(ages_a[1], ages_b[1])
    first, second = a.between(low, high), b.between(low, high)
    if low >= high or first is None or second is None:
        return None
    at = np.array([high])
    found = cumulative_difference(first, second, at)
    if not found.se[0] > 0.0:
        return None
    return {
        "duty_a": duty_a,
        "duty_b": duty_b,
        "from_km": low,
        "km": high,
        "replacements_a": float(mean_cumulative(first, at).expected[0]),
        "replacements_b": float(mean_cumulative(second, at).expected[0]),
        "difference": float(found.difference[0]),
        "se": float(found.se[0]),
        "ci_low": float(found.low[0]),
        "ci_high": float(found.high[0]),
        "p": float(found.p[0]),
    }
