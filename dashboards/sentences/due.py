"""Whole lists of what is due: relines within the horizon that the fleet plans by, and services.

The page and the work list show the same rows: what a count names is always there to be read.
"""

import datetime as dt

import polars as pl

from dashboards.sentences.advice import probably_relined

SOON_WEEKS = 12  # about one round of checks
NOW, IF_OLD = "worn out", "worn out, unless renewed without a word"
WORN = (NOW, IF_OLD)
SOON, LATER = "may run out before the next checks", "expected"
NEVER = "no usable inspection"
WORN_OUT = "worn_out"
EVEN = 0.5
"""Chance that a unit is still in the fleet, from which on it is taken to be."""


def months_after(day: dt.date, months: int) -> dt.date:
    """The same day so many months later, or the last of that month where it has no such day."""
    whole = day.year * 12 + day.month - 1 + months
    first = dt.date(whole // 12, whole % 12 + 1, 1)
    after = dt.date((whole + 1) // 12, (whole + 1) % 12 + 1, 1)
    return min(first + dt.timedelta(days=day.day - 1), after - dt.timedelta(days=1))


def reline_list(status: pl.DataFrame, as_of: dt.date, horizon_months: int) -> pl.DataFrame:
    """Wheel ends that are expected to need relining within the horizon, or may at once.

    A wheel end is on it when it is worn out, when its reline visit or the minimum of its lining is
    as likely as not to come within the horizon, or when the lining may (one chance in ten) reach
    the minimum within about a round of checks. ``act_by`` is the earliest of the expected visit and
    that early date; ``urgency`` one of the words above. By depot, the most urgent first.
    """
    end, soon = months_after(as_of, horizon_months), as_of + dt.timedelta(weeks=SOON_WEEKS)
    worn = pl.col("state") == WORN_OUT
    may_run_out = pl.col("min_on_p10") <= soon
    expected = pl.min_horizontal("reline_on_p50", "min_on_p50") <= end
    earliest = pl.max_horizontal(pl.min_horizontal("reline_on_p50", "min_on_p10"), pl.lit(as_of))
    return (
        status.filter((worn | may_run_out | expected).fill_null(value=False))
        .with_columns(
            pl.when(worn & ~probably_relined())
            .then(pl.lit(NOW))
            .when(worn)
            .then(pl.lit(IF_OLD))
            .when(may_run_out.fill_null(value=False))
            .then(pl.lit(SOON))
            .otherwise(pl.lit(LATER))
            .alias("urgency"),
            pl.when(worn).then(pl.lit(as_of)).otherwise(earliest).alias("act_by"),
        )
        .sort(
            pl.col("depot").fill_null(""),
            pl.col("urgency").replace_strict(
                {NOW: 0, IF_OLD: 1, SOON: 2, LATER: 3}, return_dtype=pl.Int8
            ),
            "act_by",
            "unit_id",
            "axle_no",
            "side",
            nulls_last=True,
        )
    )


def soon_due(relines: pl.DataFrame) -> pl.DataFrame:
    """Of the reline list, what is worn out or may be before the next checks."""
    return relines.filter(pl.col("urgency") != LATER)


def overdue_list(overdue: pl.DataFrame | None, records: pl.DataFrame | None) -> pl.DataFrame:
    """What is overdue and what was never inspected, a row a wheel end and kind.

    By depot, the unit that has waited longest first; a wheel end that was never inspected has no
    day that it was due on, and stands above the others of its depot.
    """
    parts = []
    if records is not None:
        unseen = records.filter(pl.col("inspections") == 0)
        parts.append(unseen.select(*_PLACE, "unit_id", kind=pl.lit(NEVER)))
    if overdue is not None:
        late = overdue.with_columns(unit_id=pl.col("wheel_end_id").str.replace(r"/[^/]*$", ""))
        parts.append(late.select(*_PLACE, "unit_id", "kind", "due_on", "weeks_overdue"))
    rows = pl.concat([_NOTHING, *parts], how="diagonal_relaxed")
    longest = pl.col("weeks_overdue").fill_null(float("inf")).max().over("depot", "unit_id")
    return rows.sort(pl.col("depot").fill_null(""), -longest, "unit_id", "kind", "wheel_end_id")


_PLACE = ("wheel_end_id", "depot", "axle_type", "duty")
_NOTHING = pl.DataFrame(
    schema={
        **dict.fromkeys((*_PLACE, "unit_id", "kind"), pl.String),
        "due_on": pl.Date,
        "weeks_overdue": pl.Float64,
    }
)


def still_there(overdue: pl.DataFrame) -> pl.DataFrame:
    """What is overdue of units that are likely still in the fleet, or of which that is not known
    (column ``p_present``)."""
    return overdue.filter(pl.col("p_present").fill_null(1.0) >= EVEN).drop("p_present")


def probably_left(overdue: pl.DataFrame) -> pl.DataFrame:
    """And of units that have likelier left."""
    return overdue.filter(pl.col("p_present") < EVEN).drop("p_present")


def overdue_by_unit(rows: pl.DataFrame) -> pl.DataFrame:
    """The same in fewer rows: ``unit_id``, ``depot``, ``kind``, ``due_on``, ``weeks_overdue`` and
    its wheel ends in ``ends`` (``1L, 1R``), in the same order."""
    if rows.is_empty():
        return rows
    place = pl.col("wheel_end_id").str.extract(r"([^/]*)$")
    return rows.group_by("unit_id", "depot", "kind", "due_on", maintain_order=True).agg(
        pl.col("weeks_overdue").first(),
        pl.col("duty", "axle_type").first(),
        place.str.join(", ").alias("ends"),
        pl.len().alias("wheel_ends"),
    )
