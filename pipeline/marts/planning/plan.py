"""The plan by visit: what is likely to be done, the parts to have, and the hours it takes."""

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields

import duckdb
import numpy as np
import polars as pl

from models.common.arrays import FloatArray, IntArray
from models.common.units import KM_PER_UNIT
from models.lives.decisions.checking import CheckedGroup
from models.planning.hours import HoursPerJob, lining_lost, month_hours
from models.planning.visits import chance_at_visits, found_at_visits, visit_days
from models.relines.budget import budget_months
from models.relines.forecast.relining import reline_forecast
from models.relines.simulation.simulate import FleetModel
from pipeline.marts import budget_terms, marts
from pipeline.marts.lives.fits import Row, frame_of
from pipeline.marts.planning.stock import adjusters_stock, linings_stock
from pipeline.marts.results import FailuresAhead, Missed
from pipeline.settings import Settings
from pipeline.warehouse import warehouse

LIKELY = 0.10
"""Less likely jobs of one wheel end at one visit are not planned singly."""
PROBABILITIES = (0.02, *np.round(np.arange(0.05, 1.0, 0.05), 2).tolist(), 0.98)
SEED = 51_000
ENDS_AT_ONCE = 20_000
"""Wheel ends whose every visit is looked at together: a unit that is checked weekly has many."""


@dataclass(frozen=True, slots=True)
class Ahead:
    """What is foreseen: the fleet, its depots' ``futures`` (of ``budget.DEPOT_FUTURES``) and the
    failures to come (None: none has been found failed); and what earlier totals missed by."""

    fleet: FleetModel
    futures: pl.DataFrame
    failures: FailuresAhead | None
    missed: Missed


@dataclass(frozen=True, slots=True)
class Ends:
    """Wheel ends in the fleet's order: ``unit`` (L,), days in which its next visit is ``due_in``,
    and what runs a day (L,) [km]."""

    frame: pl.DataFrame
    unit: IntArray
    usual_days: FloatArray
    since_visit: FloatArray
    due_in: FloatArray
    present: FloatArray
    km_per_day: FloatArray

    def some(self, rows: IntArray) -> "Ends":
        """Some of them."""
        by_end = (f.name for f in fields(self) if f.name != "frame")
        return Ends(self.frame[rows], **{name: getattr(self, name)[rows] for name in by_end})


def write_plan_marts(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    ahead: Ahead | None,
    groups: Sequence[CheckedGroup],
    km_per_day: pl.DataFrame,
    as_of: dt.date,
) -> None:
    """Visits wheel end by wheel end, hours by depot and month, and parts by depot; empty where
    nothing could be forecast."""
    if ahead is None:
        for name in ("plan", "workshop_months", "stock_needed"):
            marts.write(con, name, marts.empty(name))
        return
    fleet, missed = ahead.fleet, ahead.missed
    ends = _ends(con, fleet, km_per_day)
    marts.write(con, "plan", _plan(settings, fleet, ends, groups, as_of))
    marts.write(con, "workshop_months", _hours(con, settings, fleet, ends, ahead.futures, as_of))
    stock = [*linings_stock(settings, fleet, missed.relines)]
    if ahead.failures is not None:
        stock += adjusters_stock(settings, ahead.failures, missed.failures)
    marts.write(con, "stock_needed", frame_of("stock_needed", stock))


def _ends(con: duckdb.DuckDBPyConnection, fleet: FleetModel, km_per_day: pl.DataFrame) -> Ends:
    """Age [km] of each adjuster when its unit was last seen (null: unknown), flags, and use."""
    order = pl.DataFrame({"wheel_end_id": fleet.ends.wheel_end_id})
    known = warehouse.fetch(
        con,
        """select s.wheel_end_id, s.unit_id, s.depot, s.axle_type, s.duty, s.flagged, a.age_km
        from mart.wheel_end_status s
        left join reduce.adjusters_now a on a.wheel_end_id = s.wheel_end_id""",
        order="s.wheel_end_id",
    )
    use = km_per_day.select("unit_id", pl.col("km_per_day").fill_nan(None))
    frame = order.join(known, on="wheel_end_id", how="left", maintain_order="left").join(
        use, on="unit_id", how="left", maintain_order="left"
    )
    unit = fleet.ends.unit
    return Ends(
        frame=frame,
        unit=unit,
        usual_days=fleet.usage.usual_days[unit],
        since_visit=fleet.usage.since_visit[unit],
        due_in=fleet.usage.due_in[unit],
        present=fleet.usage.present[unit],
        km_per_day=frame["km_per_day"].fill_null(0.0).to_numpy(),
    )


def _plan(
    settings: Settings,
    fleet: FleetModel,
    ends: Ends,
    groups: Sequence[CheckedGroup],
    as_of: dt.date,
) -> pl.DataFrame:
    """Rows of visits in the months planned for at which something is likely, or looked at first."""
    months = budget_months(as_of, settings.budget.plan_months)
    horizon = float(months.calendar.month_ends[-1])
    forecast = reline_forecast(
        fleet.lines, fleet.ends, fleet.usage, fleet.policy, probabilities=PROBABILITIES
    )
    size = len(ends.unit)
    parts = [
        _visits_of(ends.some(rows), forecast.days[:, rows], groups, horizon, as_of)
        for rows in np.array_split(np.arange(size), max(1, -(-size // ENDS_AT_ONCE)))
    ]
    return pl.concat(parts).sort("depot", "visit_on", "unit_id", "wheel_end_id", nulls_last=True)


def _visits_of(
    ends: Ends,
    relined: FloatArray,
    groups: Sequence[CheckedGroup],
    horizon: float,
    as_of: dt.date,
) -> pl.DataFrame:
    """The plan's rows of some wheel ends; ``relined`` (k, L): days at which a reline is as likely
    as each of ``PROBABILITIES``."""
    visits = visit_days(ends.usual_days, ends.due_in, horizon)
    reline = chance_at_visits(visits, ends.usual_days, relined, np.array(PROBABILITIES))
    adjuster = _adjuster_chances(ends, groups, visits)
    flagged = ends.frame["flagged"].fill_null(value=False).to_numpy()
    first = np.arange(visits.shape[1]) == 0
    told = (np.nan_to_num(reline) >= LIKELY) | (np.nan_to_num(adjuster) >= LIKELY)
    told |= flagged[:, None] & first
    row, visit = np.nonzero(told & np.isfinite(visits) & (ends.present > 0.5)[:, None])
    of = ends.frame[row.tolist()]
    on = pl.Series(np.datetime64(as_of) + np.floor(visits[row, visit]).astype("timedelta64[D]"))
    return of.select("depot", "unit_id", "wheel_end_id", "axle_type").with_columns(
        visit_on=on,
        month=on.dt.truncate("1mo"),
        p_reline=pl.Series(reline[row, visit]),
        p_adjuster=pl.Series(adjuster[row, visit]).fill_nan(None),
        check_first=pl.Series(flagged[row] & (visit == 0)),
    )


def _adjuster_chances(ends: Ends, groups: Sequence[CheckedGroup], visits: FloatArray) -> FloatArray:
    """Chance to be found failed at each visit (L, V); NaN where age or life is not known."""
    found = np.full(visits.shape, np.nan)
    age = ends.frame["age_km"].cast(pl.Float64).to_numpy()
    for group in groups:
        is_of_it = (pl.col("axle_type") == group.axle_type) & (pl.col("duty") == group.duty)
        of_it = ends.frame.select(is_of_it.fill_null(value=False)).to_series()
        rows = np.flatnonzero(of_it.to_numpy() & np.isfinite(age))
        since = ends.since_visit[rows]
        ages = age[rows, None] + ends.km_per_day[rows, None] * (visits[rows] + since[:, None])
        found[rows] = found_at_visits(group.life.distribution, age[rows], ages)
    return found


def _hours(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    fleet: FleetModel,
    ends: Ends,
    futures: pl.DataFrame,
    as_of: dt.date,
) -> pl.DataFrame:
    """Visits, jobs and hours of each depot and month of the budget."""
    months = budget_terms.months_of(settings, as_of)
    horizon = float(months.calendar.month_ends[-1])
    failures = warehouse.fetch(
        con, "select month, depot, failures_mean from mart.expected_failures", "month, depot"
    )
    rng = np.random.default_rng(SEED)
    rows: list[Row] = []
    for depot in sorted(set(ends.frame["depot"]), key=str):
        at = ends.frame["depot"].eq_missing(pl.Series([depot], dtype=pl.String)).to_numpy()
        visits = visit_days(ends.usual_days[at], ends.due_in[at], horizon)
        units = np.unique(ends.unit[at], return_index=True)[1]
        checks = _by_month(visits, ends.present[at], months.calendar.month_ends)
        called = _by_month(visits[units], ends.present[at][units], months.calendar.month_ends)
        own = failures.filter(pl.col("depot").eq_missing(pl.lit(depot)))
        expected = pl.DataFrame({"month": months.starts}).join(own, on="month", how="left")
        adjusters = expected["failures_mean"].fill_null(0.0).to_numpy()
        of_depot = futures.filter(pl.col("depot").eq_missing(pl.lit(depot))).sort("month")
        relines = np.asarray(of_depot["relines"].to_list(), np.float64).T
        worth = _worn_a_visit(fleet, ends, at)
        jobs = _Jobs(relines, rng.poisson(adjusters, relines.shape).astype(np.float64), checks)
        told = _month_rows(settings, depot, jobs, worth, rng)
        rows += [
            row | {"month": month, "visits": float(v), "adjusters_mean": float(a)}
            for row, month, v, a in zip(told, months.starts, called, adjusters, strict=True)
        ]
    return frame_of("workshop_months", rows)


def _by_month(visits: FloatArray, present: FloatArray, month_ends: FloatArray) -> FloatArray:
    """Visits expected in each month, of units that may be gone."""
    month = np.searchsorted(month_ends, np.nan_to_num(visits, nan=np.inf), side="right")
    weight = np.where(np.isfinite(visits), present[:, None], 0.0)
    inside = month < len(month_ends)
    return np.asarray(np.bincount(month[inside], weight[inside], len(month_ends)), np.float64)


@dataclass(frozen=True, slots=True)
class _Jobs:
    """Relines and adjusters (D, M), wheel ends checked (M,)."""

    relines: FloatArray
    adjusters: FloatArray
    checks: FloatArray


def _worn_a_visit(fleet: FleetModel, ends: Ends, at: np.ndarray) -> tuple[float, float]:
    """Mean lining worn between two visits, and mean lining that can be worn, of some wheel ends."""
    known = at & fleet.lines.is_known
    if not known.any():
        return 0.0, 1.0
    wear = fleet.lines.rate * ends.km_per_day * ends.usual_days / KM_PER_UNIT
    usable = fleet.ends.new_mm - fleet.ends.minimum_mm
    return float(np.maximum(wear[known], 0.0).mean()), float(usable[known].mean())


def _month_rows(
    settings: Settings,
    depot: str | None,
    jobs: _Jobs,
    worth: tuple[float, float],
    rng: np.random.Generator,
) -> Iterator[Row]:
    costs = settings.costs
    each = HoursPerJob(
        costs.reline_hours, costs.drum_hours, costs.adjuster_hours, costs.check_hours
    )
    hours = month_hours(
        jobs.relines, jobs.adjusters, jobs.checks, each, drum_share=costs.drum_share, rng=rng
    )
    own = settings.depots.get(depot or "")
    there = own.hours_a_month if own else None
    for m in range(hours.shape[1]):
        low, high = np.quantile(hours[:, m], [0.1, 0.9], method="inverted_cdf")
        row: Row = {
            "depot": depot,
            "checks": float(jobs.checks[m]),
            "relines_mean": float(jobs.relines[:, m].mean()),
            "hours_mean": float(hours[:, m].mean()),
            "hours_p10": float(low),
            "hours_p90": float(high),
        }
        if there is not None:
            over = float(np.maximum(hours[:, m] - there, 0.0).mean())
            lost = lining_lost(over, costs.reline_hours, *worth)
            row |= {
                "hours_there": there,
                "p_over": float(np.mean(hours[:, m] > there)),
                "hours_to_move": over,
                "moving_cost": lost * (costs.lining_kit + costs.reline_labour),
            }
        yield row
