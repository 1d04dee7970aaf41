"""A fleet's forecasts of an earlier day, held against what the records say since."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import special

from models.common.arrays import FloatArray
from models.relines.backtest import (
    DATE_LEVELS,
    MONTH_DAYS,
    Happened,
    ReadingsSeen,
    Row,
    date_row,
    low_readings_row,
    reading_row,
    readings_nearest,
    relined_days,
    totals_row,
)
from models.relines.budget import budget_months
from models.relines.forecast.minimum import lining_ahead, minimum_forecast
from models.relines.forecast.relining import chance_done_unwritten, reline_forecast
from models.relines.past_errors import MONTHS_A_QUARTER, PastErrors, calibrated_totals, past_errors
from models.relines.policy.fit import mean_policy
from models.relines.rivals import (
    PlainTotals,
    last_years_totals,
    straight_line_days,
    straight_line_totals,
)
from models.relines.simulation.counts import EventCounts
from models.relines.simulation.simulate import FleetModel, simulate_relines
from models.usage.fit import YearKnown
from models.usage.holes import Hole, watched_until
from models.usage.since import is_soon_after, log_units_missed, log_use_missed

QUARTERS_A_YEAR = 4
"""Quarters ahead that are judged, and that errors are learned from."""


def date_rows(
    fleet: FleetModel, until: dt.date, relines: pl.DataFrame, readings: pl.DataFrame
) -> list[Row]:
    """Dates and linings forecast as of the fleet's own day against the records up to ``until``.

    Parameters
    ----------
    fleet : everything known at the origin, which is the as-of day of its use.
    relines : wheel_end_id, relined_on; readings : wheel_end_id, inspected_on, above_mm. Both may
        reach further back and further on.
    """
    origin, ends = fleet.usage.as_of, fleet.ends
    relined = relined_days(ends.wheel_end_id, relines, origin, until)
    reline = reline_forecast(fleet.lines, ends, fleet.usage, fleet.policy, DATE_LEVELS.tolist())
    line = straight_line_days(ends.wheel_end_id, relines, readings, origin)
    row = date_row("reline_on", origin, reline.days, relined, line)
    return [row, *_thickness_rows(fleet, until, relined, readings)]


def unhidden_limit_mm(fleet: FleetModel) -> float:
    """Thickness above the minimum that a lining passes well before anyone relines it."""
    policy = mean_policy(fleet.policy)
    spread = float(np.hypot(policy.spread_mm, fleet.lines.reading_sd))
    return float(policy.threshold_mm.max()) + policy.rise_mm + 3.0 * spread


def _thickness_rows(
    fleet: FleetModel, until: dt.date, relined: Happened, readings: pl.DataFrame
) -> list[Row]:
    """What was read next, and what was read about when a lining was to pass a limit."""
    origin, ends = fleet.usage.as_of, fleet.ends
    limit = ends.minimum_mm + unhidden_limit_mm(fleet)
    first, middle = minimum_forecast(fleet.lines, limit, fleet.usage, (0.1, 0.5)).days
    coming = (first > 0.0) & (middle <= relined.watched)
    when = np.where(coming, middle, 0.0)
    about = readings_nearest(ends.wheel_end_id, readings, relined, origin, until, when)
    near = coming & (np.abs(about.day - when) <= fleet.usage.usual_days[ends.unit] / 2.0)
    mean, sd, month_mm = _expected_readings(fleet, about)
    then = np.where(near, about.above_mm, np.nan)
    following = readings_nearest(
        ends.wheel_end_id, readings, relined, origin, until, np.zeros(len(ends))
    )
    next_mean, next_sd, _ = _expected_readings(fleet, following)
    return [
        reading_row(origin, mean, sd, then, "min_on", month_mm),
        reading_row(origin, next_mean, next_sd, following.above_mm),
        low_readings_row(origin, special.ndtr(-next_mean / next_sd), following.above_mm),
    ]


def _expected_readings(
    fleet: FleetModel, seen: ReadingsSeen
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean and SD of readings on given days, above the minimum, and the wear of a month [mm]."""
    lines, month = fleet.lines, 30.0
    mean, sd = lining_ahead(lines, fleet.usage, seen.day)
    later, _ = lining_ahead(lines, fleet.usage, seen.day + month)
    above = np.where(lines.is_known, mean - fleet.ends.minimum_mm, np.nan)
    wear = np.maximum((mean - later) * MONTH_DAYS / month, 1e-3)
    return above, np.hypot(sd, lines.reading_sd), wear


@dataclass(frozen=True, slots=True)
class PastTotals:
    """Totals of the quarters after an origin ``quarters_ago``, as simulated then and as they came:
    ``happened`` (Q,), and what plain rivals said, of the quarters and of the year where it is over;
    ``changed_quarters`` of policy and wear known then; ``use`` (Q,): log of km run over km
    forecast, ``units`` (Q,): of units there over those forecast (None: as many); ``year_known``:
    what was known then of how the year goes; ``after_hole``: whether a hole of the records had
    hardly ended.
    """

    origin: dt.date
    quarters_ago: int
    event_counts: EventCounts
    happened: FloatArray
    rivals: dict[str, PlainTotals]
    year_rivals: dict[str, PlainTotals]
    use: FloatArray
    changed_quarters: int = 0
    year_known: YearKnown = frozenset()
    after_hole: bool = False
    units: FloatArray | None = None

    @property
    def quarters(self) -> int:
        return len(self.happened)


def relines_to_count(relines: pl.DataFrame, now: FleetModel) -> pl.DataFrame:
    """Relines with a ``weight`` of one each, and those that nobody wrote down and no later reading
    has shown yet, at each wheel end's last check by their chance: the latest quarter would lack
    them. ``now``: what is known at the end of the records."""
    chance = chance_done_unwritten(now.ends, now.policy)
    ago = np.round(now.usage.since_visit[now.ends.unit]).astype(np.int64)
    day = pl.lit(now.usage.as_of) - pl.duration(days=pl.col("ago"))
    unseen = pl.DataFrame({"wheel_end_id": now.ends.wheel_end_id, "ago": ago, "weight": chance})
    seen = relines.select("wheel_end_id", "relined_on", weight=pl.lit(1.0))
    dated = unseen.filter(pl.col("weight") > 0.0).with_columns(relined_on=day.cast(pl.Date))
    return pl.concat([seen, dated.select(seen.columns)])


def past_totals(
    fleet: FleetModel,
    until: dt.date,
    relines: pl.DataFrame,
    readings: pl.DataFrame,
    intervals: pl.DataFrame,
    missing: Sequence[Hole] = (),
    seen: pl.DataFrame | None = None,
    *,
    draws: int,
    seed: int,
) -> PastTotals | None:
    """What would have been published at the fleet's own day, before its errors were known.

    ``relines`` may have a ``weight`` (:func:`relines_to_count`), else each counts as one;
    ``intervals``: what units ran, as ``reduce.unit_usage`` has it; ``missing``: holes of the
    records; ``seen``: when each unit was last (``models.usage.since``; None: all as was forecast).
    None where no whole quarter has been watched since.
    """
    origin, ends = fleet.usage.as_of, fleet.ends
    watched = watched_until(missing, origin, until)
    quarters = min(quarters_between(origin, watched), QUARTERS_A_YEAR)
    if quarters < 1:
        return None
    calendar = budget_months(origin, quarters * MONTHS_A_QUARTER).calendar
    (event_counts,) = simulate_relines(fleet, calendar, draws=draws, seed=seed)
    there = ends.wheel_end_id.to_frame("wheel_end_id")
    own = relines.join(there, on="wheel_end_id", how="semi")
    days = own.select((pl.col("relined_on") - pl.lit(origin)).dt.total_days()).to_series()
    edges = np.concatenate([[0.5], calendar.span_ends[MONTHS_A_QUARTER - 1 :: MONTHS_A_QUARTER]])
    weight = own["weight"].to_numpy() if "weight" in own.columns else np.ones(own.height)
    happened = np.histogram(days.to_numpy(), edges, weights=weight)[0].astype(np.float64)
    line = straight_line_days(ends.wheel_end_id, own, readings, origin)

    def rivals(spans: FloatArray) -> dict[str, PlainTotals]:
        return {
            "last_year": last_years_totals(own, origin, spans),
            "straight_line": straight_line_totals(line, spans),
        }

    year = edges[[0, -1]] if quarters == QUARTERS_A_YEAR else edges[:1]
    ago = quarters_between(origin, until)
    changed = fleet.changed_quarters
    use = log_use_missed(fleet.usage, intervals, edges)
    units = None if seen is None else log_units_missed(fleet.usage, seen, edges)
    return PastTotals(
        *(origin, ago, event_counts, happened, rivals(edges), rivals(year), use, changed),
        year_known=fleet.year_known,
        after_hole=is_soon_after(missing, fleet.usage),
        units=units,
    )


def quarters_between(origin: dt.date, until: dt.date) -> int:
    """Whole quarters from one day to the other."""
    months = (until.year - origin.year) * 12 + until.month - origin.month
    if months > 0 and budget_months(origin, months).span_ends[-1] > until:
        months -= 1
    return months // MONTHS_A_QUARTER


def errors_of(
    past: Sequence[PastTotals],
    changed_quarters: int = 0,
    year_known: YearKnown = frozenset(),
) -> PastErrors:
    """The errors of some origins' totals, before anything was learned from errors; under policy and
    wear that have been as they are for so many quarters (0: always).

    ``year_known``: what the forecast they are to tell of knows of the year. Origins that did not,
    for want of two years of records, missed the quarters by it: no error of today's.
    Nor are those of origins at which a hole of the records had hardly ended, and little was known.
    """
    past = [p for p in past if p.year_known >= year_known]
    past = [p for p in past if not p.after_hole]
    drawn = [by_quarter(p.event_counts) for p in past]
    changed = [p.changed_quarters for p in past]
    ago = [p.quarters_ago for p in past]
    came, use = [p.happened for p in past], [p.use for p in past]
    units = [np.zeros(p.quarters) if p.units is None else p.units for p in past]
    errors = past_errors(drawn, came, ago, changed, use, units)
    return errors.under_policy(changed_quarters)


def by_quarter(event_counts: EventCounts) -> FloatArray:
    """The fleet's relines by whole quarters (D, Q)."""
    relines = event_counts.span_relines
    quarters = relines.shape[1] // MONTHS_A_QUARTER
    whole = relines[:, : quarters * MONTHS_A_QUARTER]
    sums = whole.reshape(len(relines), quarters, MONTHS_A_QUARTER).sum(axis=2)
    return np.asarray(sums, np.float64)


def totals_rows(past: Sequence[PastTotals], seed: int) -> list[Row]:
    """Totals as they would have been published, each by the errors known at its origin."""
    errors = {k: errors_of(past, year_known=k) for k in {p.year_known for p in past}}
    return [
        row
        for p in past
        for row in _judged(
            p,
            calibrated_totals(
                p.event_counts,
                errors[p.year_known].known_at(p.quarters_ago).under_policy(p.changed_quarters),
                seed,
            ),
        )
    ]


def _judged(past: PastTotals, published: EventCounts) -> list[Row]:
    """The quarters of the year ahead, and the year."""
    draws, came = by_quarter(published), past.happened
    rows = [totals_row("relines_quarter", past.origin, draws, came, past.rivals)]
    if len(came) == QUARTERS_A_YEAR:
        year, sums = draws.sum(axis=1, keepdims=True), came.sum(keepdims=True)
        rows.append(totals_row("relines_year", past.origin, year, sums, past.year_rivals))
    return rows
