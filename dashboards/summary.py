"""The month in two minutes: the figures that matter, what changed, and what to do."""

import datetime as dt
from dataclasses import dataclass, replace

import polars as pl

from dashboards.charts.relines import YEAR, outlook_words
from dashboards.charts.settings import overdue_now
from dashboards.charts.trust import DATES, QUARTERS, judged, verdict
from dashboards.charts.wear import wear_changed
from dashboards.page_data import PageData
from dashboards.sentences.advice import probably_relined
from dashboards.sentences.departures import gauges_said
from dashboards.sentences.due import IF_OLD, NOW, SOON_WEEKS, reline_list, soon_due
from dashboards.sentences.measures import Measures
from dashboards.sentences.on_record import (
    anything_judged,
    lacking,
    linings_unknown,
    relines_unwritten,
    services_known,
    unjudged,
)
from dashboards.sentences.reline_policy import habits_changed, policy_changed
from dashboards.sentences.uneven_past import past_clause
from dashboards.sentences.words import capital, count, day_name, listed, number, share

MOST_NAMED = 4  # wheel ends named in a line of what to do
MOST_DEPOTS = 40  # so many depots have the month in short of their own


@dataclass(frozen=True, slots=True)
class Fact:
    """One figure of the month, its meaning, and the chapter that has the rest."""

    label: str
    value: str
    detail: str
    chapter: str


@dataclass(frozen=True, slots=True)
class Task:
    """Something to do, at how many wheel ends, the most urgent of them by name."""

    what: str
    wheel_ends: int
    first: tuple[str, ...] = ()
    chapter: str = "first"  # the list that has all of them


RELINE_IF_OLD = "reline_if_old"
# What was advised of flagged wheel ends, in the order in which it should be done. The advice, not
# the state, is what is asked: an adjuster that failed its return test is never to be set.
TASKS = {
    "reline": "Take out of service and reline: lining at its minimum",
    "reline_and_replace": "Take out of service, reline, and replace the adjuster that failed",
    RELINE_IF_OLD: "Look at linings read at their minimum and probably renewed since without a "
    "word: take out of service and reline what is still the old one",
    "replace": "Replace adjusters that were found failed: a failed one is not re-set",
    "test": "Test the return of adjusters that take up nothing; replace those that fail",
    "check_drag": "Look for drag and heat where adjusters take up too much",
    "failed_before": "Find the cause where it went out before the last setting too",
    "find_cause": "Test the return of adjusters that do not keep up with wear, and find the cause",
    "compare_sides": "Compare left and right where an axle's sides stand apart",
    "set": "Test the return of what was set outside the band; set to the aim what passes",
}


@dataclass(frozen=True, slots=True)
class Short:
    """The month in short, of the whole fleet or of one depot."""

    depot: str
    facts: tuple[Fact, ...]
    tasks: tuple[Task, ...]
    changes: tuple[str, ...]
    lacking: tuple[str, ...]
    nothing: str  # in place of tasks


def shorts(data: PageData) -> tuple[Short, ...]:
    """The whole fleet first; then each depot, unless there are too many of them."""
    depots = data.wheel_end_status["depot"].drop_nulls().unique().sort().to_list()
    own = depots if len(depots) <= MOST_DEPOTS else []
    return (_short("", data), *(_short(d, of_depot(data, d)) for d in own))


def _short(depot: str, data: PageData) -> Short:
    said = changes_said(data.compared)
    unknown = (
        *gauges_said(data.gauge_steps, Measures(data.fleet)),
        *lacking(data.on_record),
        *relines_unwritten(data.relines_lately),
        *linings_unknown(data.wheel_end_status),
    )
    return Short(depot, facts(data), tasks(data), said, unknown, _nothing(data))


def _nothing(data: PageData) -> str:
    if not anything_judged(data.on_record):
        return "Nothing can be judged: no stroke, return test, fault or lining is on record."
    unknown = unjudged(data.wheel_end_status)
    if not unknown:
        return "Nothing was found that asks for work. Keep to the checks that are due."
    ends = data.wheel_end_status.height
    return (
        f"Nothing was found that asks for work; but at {number(unknown)} of "
        f"{count(ends, 'wheel end')} the stroke could not be judged. Keep to the checks that are "
        "due."
    )


def of_depot(data: PageData, depot: str) -> PageData:
    """What the month in short needs, of one depot's wheel ends alone."""
    here = pl.col("depot") == depot
    status = data.wheel_end_status.filter(here)

    def own(frame: pl.DataFrame | None) -> pl.DataFrame | None:
        return None if frame is None else frame.filter(here)

    ends = status.select("wheel_end_id")
    years = own(data.outlook_by_depot)
    changes = data.changes
    if data.compared is not None:
        changes = data.compared.join(ends, on="wheel_end_id", how="semi")
    return replace(
        data,
        wheel_end_status=status,
        overdue=own(data.overdue),
        overdue_if_there=own(data.overdue_if_there),
        record_holes=_own_holes(data.record_holes, depot),
        units_left_at_once=None,
        on_record=own(data.on_record),
        relines_lately=own(data.relines_lately),
        gauge_steps=own(data.gauge_steps),
        reline_outlook=data.reline_outlook.clear() if years is None else years,
        backtest=data.backtest.clear(),
        reline_policy=own(data.reline_policy),
        reline_habits=own(data.reline_habits),
        reline_plan=None,  # of the fleet alone
        changes=changes,
    )


def _own_holes(holes: pl.DataFrame | None, depot: str) -> pl.DataFrame | None:
    """The depot's, and those of the whole fleet."""
    if holes is None:
        return None
    return holes.filter(pl.col("depot").is_null() | (pl.col("depot") == depot))


def facts(data: PageData) -> tuple[Fact, ...]:
    found = (_flags(data), *_year(data), _overdue(data), _trust(data))
    return tuple(f for f in found if f is not None)


def _flags(data: PageData) -> Fact:
    status = data.wheel_end_status
    flagged = status.filter("flagged").height
    detail = f"of {count(status.height, 'wheel end')}"
    if not flagged and not anything_judged(data.on_record):
        return Fact("Flagged", "not known", f"{detail}: nothing on record to judge by", "first")
    unknown = unjudged(status)
    if unknown:
        detail += f"; {number(unknown)} could not be judged"
    if data.compared is not None:
        counts = {w: _changed(data.compared, w) for w in ("newly", "cleared")}
        detail += f"; {number(counts['newly'])} new, {number(counts['cleared'])} cleared"
    return Fact("Flagged", number(flagged), detail, "first")


def _changed(changes: pl.DataFrame, change: str) -> int:
    return changes.filter(pl.col("change") == change).height


def _year(data: PageData) -> tuple[Fact | None, Fact | None]:
    measures = Measures(data.fleet)
    year = data.reline_outlook.filter(pl.col("months") == YEAR, pl.col("relines_p10").is_not_null())
    if year.is_empty():
        return None, None
    row = year.row(0, named=True)
    label = f"Relines in {YEAR} months"
    limits = f"{outlook_words(row, measures, 'relines')}, 8 chances in 10"
    limits += _worn_now(data.wheel_end_status, row["relines_p50"])
    detail = limits + _plan(data.reline_plan) + policy_changed(data.reline_policy)
    detail += habits_changed(data.reline_habits)
    detail += wear_changed(data.wear_changes, data.wear_rates)
    detail += past_clause(data.record_holes, data.use_changes, data.units_left_at_once)
    relines = Fact(label, number(row["relines_p50"]), detail, "relines")
    if row["cost_p50"] is None or row["cost_p90"] == 0:
        return relines, None
    limits = f"{outlook_words(row, measures, 'cost')}, 8 chances in 10"
    return relines, Fact("Their cost", measures.money(row["cost_p50"]), limits, "relines")


def _worn_now(status: pl.DataFrame, forecast: float) -> str:
    """Where more linings are at their minimum now than are forecast to be relined in a year."""
    worn = status.filter(pl.col("state") == "worn_out").height
    if worn <= forecast:
        return ""
    return (
        f", as this fleet relines; {count(worn, 'lining')} {'is' if worn == 1 else 'are'} at the "
        "minimum now"
    )


def _plan(plan: pl.DataFrame | None) -> str:
    """What keeping the accepted risk takes besides, where it keeps a lining from its minimum."""
    year = plan.filter(pl.col("months") == YEAR) if plan is not None else pl.DataFrame()
    if year.is_empty():
        return ""
    row = year.row(0, named=True)
    avoided = round(row["crossings_avoided_mean"])
    if avoided <= 0:
        return ""
    more = round(row["extra_relines_mean"])
    what = f"about {number(more)} more" if more > 0 else "some of them sooner"
    return f"; {what} would keep {count(avoided, 'lining')} off the minimum in service"


def _overdue(data: PageData) -> Fact | None:
    if data.overdue is None:
        return None
    late = data.overdue["wheel_end_id"].n_unique()
    if late:
        ends = "wheel end" if late == 1 else "wheel ends"
        return Fact("Overdue", number(late), f"{ends}: {overdue_now(data.overdue)}", "late")
    judged = services_known(data.on_record)
    if not judged:
        return Fact("Overdue", "not known", "no check, greasing or fitting on record", "late")
    left = data.overdue_if_there
    unseen = 0 if left is None else left["wheel_end_id"].n_unique()
    if unseen:
        ends = count(unseen, "wheel end")
        note = f"of {listed(judged)}, but for {ends} of units not seen for so long that they have "
        note += "probably left, or their records are missing"
        return Fact("Overdue", "none known", note, "late")
    return Fact("Overdue", "none found", f"of {listed(judged)}", "late")


def _trust(data: PageData) -> Fact | None:
    """Of the totals, beside which it stands, if they could be judged; else of the dates."""
    rows = {r["key"]: r for r in judged(data.backtest).to_dicts()}
    could = {key: r for key, r in rows.items() if verdict(r) != "too few to judge"}
    if QUARTERS in could:
        row, label = could[QUARTERS], "Earlier totals"
        what = f"of {count(row['n'], 'forecast')} of {count(row['outcomes'], 'quarter')}"
    elif DATES in could:
        row, label = could[DATES], "Earlier dates"
        what = f"of {count(row['outcomes'], 'date')} of a reline"
    else:
        return None
    words = verdict(row)
    advice = "; plan with more room" if words == "too narrow" else ""
    detail = f"{what} came out as said; {share(row['promised'])} should{advice}"
    return Fact(label, share(row["held"]), detail, "trust")


def tasks(data: PageData) -> tuple[Task, ...]:
    return (
        *_flag_tasks(data.wheel_end_status),
        *_lining_task(data),
        *_overdue_task(data.overdue),
        *_unseen_task(data.on_record),
    )


def _flag_tasks(status: pl.DataFrame) -> tuple[Task, ...]:
    flagged = status.filter("flagged").sort(
        "priority", "wheel_end_id", descending=[True, False], nulls_last=True
    )
    asked = (
        pl.when((pl.col("advice") == "reline") & probably_relined())
        .then(pl.lit(RELINE_IF_OLD))
        .otherwise(pl.col("advice").cast(pl.String))
    )
    by_advice = {
        str(key[0]): rows["wheel_end_id"].to_list()
        for key, rows in flagged.group_by(asked.alias("asked"), maintain_order=True)
    }
    return tuple(
        Task(what, len(by_advice[advice]), tuple(by_advice[advice][:MOST_NAMED]))
        for advice, what in TASKS.items()
        if advice in by_advice
    )


def _lining_task(data: PageData) -> tuple[Task, ...]:
    """The most urgent of the whole list by name: what is worn out, then what may be so first."""
    horizon = data.fleet.horizon_months
    near = soon_due(reline_list(data.wheel_end_status, data.as_of, horizon)).sort(
        pl.col("urgency") != NOW, pl.col("urgency") != IF_OLD, "act_by", "wheel_end_id"
    )
    if near.is_empty():
        return ()
    by = day_name(data.as_of + dt.timedelta(weeks=SOON_WEEKS))
    worn = ", those worn out among them" if (near["urgency"] == NOW).any() else ""
    what = f"Book relines{worn}: the lining may reach its minimum by {by}"
    named = tuple(near["wheel_end_id"].head(MOST_NAMED).to_list())
    return (Task(what, near.height, named, "due"),)


def _overdue_task(overdue: pl.DataFrame | None) -> tuple[Task, ...]:
    if overdue is None or overdue.is_empty():
        return ()
    late = overdue.sort("weeks_overdue", descending=True)["wheel_end_id"].unique(
        maintain_order=True
    )
    named = tuple(late.head(MOST_NAMED).to_list())
    return (Task("Catch up on what is overdue", late.len(), named, "late"),)


def _unseen_task(records: pl.DataFrame | None) -> tuple[Task, ...]:
    if records is None:
        return ()
    unseen = records.filter(pl.col("inspections") == 0)["wheel_end_id"].sort()
    if unseen.is_empty():
        return ()
    what = "Inspect what has no usable inspection on record"
    return (Task(what, unseen.len(), tuple(unseen.head(MOST_NAMED).to_list()), "late"),)


def changes_said(changes: pl.DataFrame | None) -> tuple[str, ...]:
    """What changed since last month's flags, in sentences."""
    if changes is None:
        return ("There is no earlier month to compare with: every flag counts as first seen.",)
    newly, still = _changed(changes, "newly"), _changed(changes, "still")
    first = capital(f"{count(newly, 'wheel end')} newly flagged, {number(still)} still flagged")
    return (f"{first}{_longest(changes)}.", *_cleared_said(changes))


def _longest(changes: pl.DataFrame) -> str:
    if "weeks_flagged" not in changes.columns:
        return ""
    weeks = changes.filter(pl.col("change") == "still")["weeks_flagged"].max()
    return (
        f", the longest for at least {number(float(weeks))} weeks"
        if isinstance(weeks, int | float)
        else ""
    )


def _cleared_said(changes: pl.DataFrame) -> tuple[str, ...]:
    cleared = changes.filter(pl.col("change") == "cleared")
    if cleared.is_empty():
        return ("No flag was cleared.",)
    jobs = cleared.with_columns(
        pl.col("job").str.replace_all("_", " ").fill_null("no work on record")
        if "job" in cleared.columns
        else pl.lit("no work on record").alias("job")
    )
    by_job = jobs.group_by("job").len("n").sort("n", "job", descending=[True, False])
    words = [f"{r['job']} ({number(r['n'])})" for r in by_job.iter_rows(named=True)]
    said = capital(f"{count(cleared.height, 'flag')} cleared: {listed(words)}.")
    if "no work on record" in by_job["job"].to_list():
        return (
            said,
            "A flag that cleared without work was a false alarm, or work nobody wrote down.",
        )
    return (said,)
