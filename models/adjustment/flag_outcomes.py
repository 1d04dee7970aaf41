"""This month's flags against last month's: what is new, what is cleared, and what flags were worth.

A flag that went away without any job was a false alarm; one followed by a found fault was right.
A flag that ended with work of another kind (a planned reline, say) tells neither.
"""

from collections.abc import Mapping, Sequence
from datetime import date

import polars as pl

from models.adjustment.setting_quality import wilson

# Jobs that a found fault leads to, and those that merely set or grease.
FAULT_REASONS = ("failed", "damaged", "worn")
ENDING_ACTIONS = ("adjuster_replaced", "adjuster_set", "reline", "drum_replaced", "greased")
FAULT_STATES = ("slackening", "stuck", "tightening")
UNCURED_BY_SETTING = (*FAULT_STATES, "worn_out")

NEW, STILL, CLEARED, QUIET = "newly_flagged", "still_flagged", "cleared", "not_flagged"
CONFIRMED, FALSE_ALARM, OTHER_WORK, OPEN = "confirmed", "false_alarm", "other_work", "open"


def changes(
    previous: pl.DataFrame,
    current: pl.DataFrame,
    jobs: pl.DataFrame,
    *,
    previous_as_of: date,
    as_of: date,
) -> pl.DataFrame:
    """Compare two months' judgements of the same fleet.

    Parameters
    ----------
    previous, current : ``wheel_end_id``, ``flagged``, ``state`` and, in ``previous`` if known,
        ``flagged_since``; in ``current`` if known, ``found_fault`` (a failed return test or a fault
        written down at an inspection since)
    jobs : ``wheel_end_id``, ``done_on``, ``action``, ``reason``

    Returns
    -------
    One row per wheel end of either month: ``change``, ``flagged_since``, ``weeks_flagged``,
    ``cleared_by`` (the job's action; null when there was none), ``cleared_on``, ``outcome``.
    """
    ended = _decisive_jobs(jobs, previous_as_of, as_of)
    before = _named(previous, "flagged_since", pl.Date).select(
        "wheel_end_id",
        was=pl.col("flagged"),
        was_state=pl.col("state"),
        was_since=pl.coalesce("flagged_since", pl.when("flagged").then(pl.lit(previous_as_of))),
    )
    now = _named(current, "found_fault", pl.Boolean).select(
        "wheel_end_id", "flagged", "state", pl.col("found_fault").fill_null(value=False)
    )
    both = (
        before.join(now, on="wheel_end_id", how="full", coalesce=True)
        .join(ended, on="wheel_end_id", how="left")
        .with_columns(pl.col("was", "flagged").fill_null(value=False))
    )
    return _judged(both, as_of).sort("wheel_end_id")


def flag_ages(
    current: pl.DataFrame,
    earlier: Sequence[tuple[date, pl.DataFrame]],
    jobs: pl.DataFrame,
    as_of: date,
) -> pl.DataFrame:
    """How long the flags of today have stood, as far as earlier days tell.

    Parameters
    ----------
    current : ``wheel_end_id``, ``flagged``
    earlier : days before ``as_of``, each with ``wheel_end_id``, ``flagged`` and ``state`` as judged
        then; a wheel end that is not among them was not judged that day
    jobs : ``wheel_end_id``, ``done_on``, ``action``; one that puts right what was flagged ends the
        flag: what is flagged again after it is another

    Returns
    -------
    One row per flagged wheel end: ``weeks_flagged``, at least so long; ``weeks_flagged_most``, at
    most, null where no day without the flag is known.
    """
    lasts = [
        pl.col("done_on").filter(pl.col("action") == action).max().alias(action)
        for action in ENDING_ACTIONS
    ]
    ages = (
        current.filter("flagged")
        .select("wheel_end_id", since=pl.lit(as_of), free=pl.lit(None, dtype=pl.Date))
        .with_columns(goes_back=pl.lit(value=True))
        .join(
            jobs.group_by("wheel_end_id", maintain_order=True).agg(lasts),
            on="wheel_end_id",
            how="left",
        )
    )
    for day, judged in sorted(earlier, key=lambda pair: pair[0], reverse=True):
        was = judged.select("wheel_end_id", was="flagged", was_state=pl.col("state"))
        done_since = {action: (pl.col(action) > day) for action in ENDING_ACTIONS}
        other = _put_right(done_since)
        ages = ages.join(was, on="wheel_end_id", how="left").with_columns(
            stood=pl.col("goes_back") & pl.col("was").fill_null(value=False) & ~other,
            ended=pl.col("goes_back") & (pl.col("was").not_() | other).fill_null(value=False),
        )
        ages = ages.with_columns(
            since=pl.when("stood").then(pl.lit(day)).otherwise("since"),
            free=pl.when("ended").then(pl.lit(day)).otherwise("free"),
            goes_back=pl.col("stood"),
        ).drop("was", "was_state", "stood", "ended")
    return ages.select(
        "wheel_end_id",
        weeks_flagged=(pl.lit(as_of) - pl.col("since")).dt.total_days() / 7.0,
        weeks_flagged_most=(pl.lit(as_of) - pl.col("free")).dt.total_days() / 7.0,
    )


def _named(frame: pl.DataFrame, name: str, dtype: type[pl.DataType]) -> pl.DataFrame:
    if name in frame.columns:
        return frame
    return frame.with_columns(pl.lit(None, dtype=dtype).alias(name))


def _decisive_jobs(jobs: pl.DataFrame, after: date, upto: date) -> pl.DataFrame:
    """The job of each wheel end in the month that says most: a found fault before all others."""
    rank = {action: place for place, action in enumerate(ENDING_ACTIONS)}
    in_month = jobs.filter(
        (pl.col("done_on") > after)
        & (pl.col("done_on") <= upto)
        & pl.col("action").is_in(ENDING_ACTIONS)
    ).with_columns(
        fault=(
            (pl.col("action") == "adjuster_replaced") & pl.col("reason").is_in(FAULT_REASONS)
        ).fill_null(value=False),
        rank=pl.col("action").replace_strict(rank, return_dtype=pl.Int64),
    )
    first = in_month.sort("fault", "rank", "done_on", descending=[True, False, False])
    return first.group_by("wheel_end_id", maintain_order=True).agg(
        cleared_by=pl.col("action").first(),
        cleared_on=pl.col("done_on").first(),
        job_found_fault=pl.col("fault").first(),
    )


def _put_right(done: Mapping[str, pl.Expr]) -> pl.Expr:
    """Whether a job was done (by action) that puts right what was flagged as ``was_state``: another
    adjuster, whatever it was; new linings, if they were worn out; a setting, if that was wrong."""
    set_anew = done["adjuster_set"] & ~pl.col("was_state").is_in(UNCURED_BY_SETTING)
    relined = done["reline"] & (pl.col("was_state") == "worn_out")
    found = [done["adjuster_replaced"], set_anew, relined]
    return pl.any_horizontal(part.fill_null(value=False) for part in found)


def _judged(both: pl.DataFrame, as_of: date) -> pl.DataFrame:
    was, flagged = pl.col("was"), pl.col("flagged")
    # Grease makes no lining thicker: what cleared such a flag is not on record.
    idle = (pl.col("was_state") == "worn_out") & (pl.col("cleared_by") == "greased")
    idle = idle.fill_null(value=False)
    both = both.with_columns(pl.when(~idle).then(c).alias(c) for c in ("cleared_by", "cleared_on"))
    # What is flagged again after it was put right is a new flag; the old one ended with the job.
    put_right = _put_right({action: pl.col("cleared_by") == action for action in ENDING_ACTIONS})
    renewed = was & flagged & put_right
    both = both.with_columns(ended=was & (~flagged | renewed), renewed=renewed)
    change = (
        pl.when(was & ~flagged)
        .then(pl.lit(CLEARED))
        .when(flagged & (~was | pl.col("renewed")))
        .then(pl.lit(NEW))
        .when(flagged)
        .then(pl.lit(STILL))
        .otherwise(pl.lit(QUIET))
    )
    since = pl.when(change == NEW).then(pl.lit(as_of)).when(flagged).then("was_since")
    return both.select(
        "wheel_end_id",
        "state",
        "was_state",
        change=change,
        flagged_since=since,
        weeks_flagged=(pl.lit(as_of) - since).dt.total_days() / 7.0,
        cleared_by=pl.when("ended").then("cleared_by"),
        cleared_on=pl.when("ended").then("cleared_on"),
        outcome=_outcome(),
    )


def _outcome() -> pl.Expr:
    """What became of last month's flag; null where there was none."""
    was, job = pl.col("was"), pl.col("cleared_by").is_not_null()
    reset = (pl.col("cleared_by") == "adjuster_set") & ~pl.col("was_state").is_in(FAULT_STATES)
    relined = (pl.col("cleared_by") == "reline") & (pl.col("was_state") == "worn_out")
    found = pl.col("job_found_fault") | pl.col("found_fault")
    right = (found | reset | relined).fill_null(value=False)
    return (
        pl.when(was & right)
        .then(pl.lit(CONFIRMED))
        .when(pl.col("ended") & job)
        .then(pl.lit(OTHER_WORK))
        .when("ended")
        .then(pl.lit(FALSE_ALARM))
        .when(was)
        .then(pl.lit(OPEN))
    )


def precision(outcomes: pl.DataFrame) -> pl.DataFrame:
    """Share of decided flags that were right, with Wilson's 95 % interval.

    Parameters
    ----------
    outcomes : ``outcome`` as :func:`changes` gives it and, for a row per month, ``month``
    """
    months = _named(outcomes, "month", pl.Date)
    counted = (
        months.group_by("month", maintain_order=True)
        .agg(
            *((pl.col("outcome") == kind).sum().alias(kind) for kind in (CONFIRMED, FALSE_ALARM)),
            undecided=pl.col("outcome").is_in([OTHER_WORK, OPEN]).sum(),
        )
        .sort("month")
    )
    decided = counted[CONFIRMED] + counted[FALSE_ALARM]
    interval = wilson(counted[CONFIRMED].to_numpy(), decided.to_numpy())
    return counted.with_columns(
        precision=pl.when(decided > 0).then(pl.col(CONFIRMED) / decided),
        ci_low=pl.Series(interval.low),
        ci_high=pl.Series(interval.high),
    )
