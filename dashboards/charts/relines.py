"""Relines and their money: by month, by depot, and under other policies."""

import datetime as dt
import itertools
from typing import Literal

import altair as alt
import polars as pl

from dashboards.drawing import marks
from dashboards.drawing.figure import (
    DIMENSIONS,
    Chart,
    Figure,
    Said,
    Table,
    carried,
    margin,
    said_for_selections,
    table,
)
from dashboards.sentences.measures import Measures
from dashboards.sentences.words import (
    count,
    figures,
    month_name,
    number,
    ordinal,
    share,
    span,
    with_interval,
)

What = Literal["relines", "cost"]
QUANTILES = ("p10", "p50", "p90")
YEAR = 12
KEYS = {"relines": "relines-by-month", "cost": "money-by-month"}


def monthly_figure(
    budget: pl.DataFrame,
    outlook: pl.DataFrame,
    measures: Measures,
    what: What,
    outlook_parts: pl.DataFrame | None = None,
) -> Figure | None:
    """Month by month; the year's total with its band where it was simulated: of the fleet in
    ``outlook``, of a selection in ``outlook_parts``."""
    rows = _rows(budget, what)
    total = margin(rows, dict.fromkeys(DIMENSIONS))
    if total.is_empty() or total["mean"].sum() == 0:
        return None
    reachable = carried(_with_margins(rows), DIMENSIONS)

    partial = _partial(outlook)

    def say(frame: pl.DataFrame) -> Said:
        said = _monthly_said(frame, measures, what)
        with_partial = Said(said.title, said.note + partial)
        return _with_year(with_partial, frame, _of_selection(frame, outlook_parts), measures, what)

    said_for = said_for_selections(reachable, DIMENSIONS, say, margin)
    whole = _with_year(say(total), total, outlook, measures, what)
    return Figure(
        key=KEYS[what],
        said=whole,
        chart=monthly_chart(total, measures, what),
        table=_monthly_table(total, measures, what),
        sql="select * from mart.reline_budget where depot is null and axle_type is null "
        "and duty is null order by month",
        matching="margin",
        dimensions=DIMENSIONS,
        said_for=said_for | ({"\x1f\x1f": whole} if said_for else {}),
        every_selection=monthly_chart(reachable, measures, what),
    )


def _partial(outlook: pl.DataFrame) -> str:
    """That the first month has begun already, so that its bar is of what is left of it."""
    first: dt.date | None = outlook["from_on"].min() if not outlook.is_empty() else None  # type: ignore[assignment]
    if first is None or first.day == 1:
        return ""
    return f" Of {month_name(first)} only the days from the {ordinal(first.day)} on count."


def _rows(budget: pl.DataFrame, what: What) -> pl.DataFrame:
    quantiles = [pl.col(f"{what}_{q}").alias(q) for q in (*QUANTILES, "mean")]
    whole = budget.filter(pl.col(f"{what}_p10").is_not_null())
    return whole.select("month", *DIMENSIONS, *quantiles).sort("month", maintain_order=True)


def _with_margins(rows: pl.DataFrame) -> pl.DataFrame:
    """Every margin that was not simulated, as the sum of its cells' means: a band it has not."""
    single = rows.filter(pl.all_horizontal(pl.col(*DIMENSIONS).is_not_null()))
    made = [
        _summed(single, kept, rows.columns)
        for n in (1, 2)
        for kept in itertools.combinations(DIMENSIONS, n)
        if rows.filter(_pattern(kept)).is_empty()
    ]
    return pl.concat([rows, *made]).sort("month", maintain_order=True)


def _pattern(kept: tuple[str, ...]) -> pl.Expr:
    return pl.all_horizontal(
        pl.col(d).is_not_null() if d in kept else pl.col(d).is_null() for d in DIMENSIONS
    )


def _summed(single: pl.DataFrame, kept: tuple[str, ...], columns: list[str]) -> pl.DataFrame:
    means = single.group_by("month", *kept, maintain_order=True).agg(pl.col("mean").sum())
    complete = means.with_columns(
        pl.col("mean").alias("p50"),
        *(pl.lit(None, dtype=pl.Float64).alias(q) for q in ("p10", "p90")),
        *(pl.lit(None, dtype=pl.String).alias(d) for d in DIMENSIONS if d not in kept),
    )
    return complete.select(columns)


def monthly_chart(rows: pl.DataFrame, measures: Measures, what: What) -> Chart:
    """``month``, ``p10``, ``p50``, ``p90`` and the dimensions they are for."""
    title = f"Cost, {measures.currency}" if what == "cost" else "Wheel ends relined"
    y = alt.Y("p10:Q", title=title, scale=alt.Scale(zero=True), axis=alt.Axis(format=",~f"))
    shown = marks.with_month(rows).select("month", *DIMENSIONS, *QUANTILES)
    return marks.monthly_band(shown, y, ",.0f")


def _monthly_said(frame: pl.DataFrame, measures: Measures, what: What) -> Said:
    note = (
        "Ticks are means, which add up; no band was simulated for this selection."
        if frame["p10"].null_count() == frame.height
        else "Each bar holds 8 outcomes in 10 of its month; the dark tick is its even chance."
    )
    year = frame.head(YEAR)
    mean = float(year["mean"].sum())
    busiest = month_name(year.sort("mean", descending=True)["month"][0])
    # The first month may have begun already: what is summed is said by its end, not its length.
    until = f"by the end of {month_name(year['month'][-1])}"
    return Said(_much(mean, until, busiest, measures, what), note)


def _much(mean: float, until: str, busiest: str, measures: Measures, what: What) -> str:
    if what == "relines" and round(mean) == 0:
        return f"Hardly a reline is expected {until}"
    if what == "cost":
        return f"About {measures.money(mean)} {until}; {busiest} costs most"
    return f"About {count(round(mean), 'reline')} {until}; most in {busiest}"


def _of_selection(frame: pl.DataFrame, parts: pl.DataFrame | None) -> pl.DataFrame | None:
    """The spans of the part of the fleet that the rows of a selection are of."""
    if parts is None:
        return None
    values: dict[str, str | None] = frame.select(DIMENSIONS).row(0, named=True)
    return margin(parts, values)


def _with_year(
    said: Said, total: pl.DataFrame, outlook: pl.DataFrame | None, measures: Measures, what: What
) -> Said:
    """A year has a band of its own: those of its months cannot be added up to one."""
    if outlook is None:
        return said
    year = outlook.filter(pl.col("months") == YEAR, pl.col(f"{what}_p10").is_not_null())
    if year.is_empty():
        return said
    row = year.row(0, named=True)
    within = total.filter(pl.col("month") <= row["until_on"])
    busiest = month_name(within.sort("mean", descending=True)["month"][0])
    title = _much(row[f"{what}_p50"], f"in the next {YEAR} months", busiest, measures, what)
    limits = outlook_words(row, measures, what)
    return Said(title, f"{said.note} Over {YEAR} months: {limits}, 8 chances in 10.")


def outlook_words(row: dict[str, float], measures: Measures, what: What) -> str:
    """The band of a span's total, with its unit."""
    low, high = row[f"{what}_p10"], row[f"{what}_p90"]
    if what == "cost":
        return measures.money_span(low, high)
    return span(number(low), number(high), "relines")


def plan_said(plan: pl.DataFrame | None, measures: Measures) -> str:
    """What keeping the accepted risk takes beyond a year's forecast, in a sentence; empty where
    nothing was forecast."""
    year = plan.filter(pl.col("months") == YEAR) if plan is not None else pl.DataFrame()
    if year.is_empty():
        return ""
    row = year.row(0, named=True)
    extra = with_interval(
        row["extra_relines_mean"], row["extra_relines_p10"], row["extra_relines_p90"], "relines"
    )
    avoided = round(row["crossings_avoided_mean"])
    if avoided <= 0 and row["extra_relines_mean"] < 0.5:
        return f"The accepted risk of {share(row['risk'])} takes no more relines than are forecast."
    costs = f", {measures.money(row['extra_cost_mean'])}" if row["extra_cost_mean"] else ""
    kept = count(avoided, "lining") if avoided > 0 else "hardly a lining"
    return (
        f"Keeping to {share(row['risk'])} takes {extra} more in {YEAR} months{costs}, and keeps "
        f"{kept} from falling to the minimum in service."
    )


def _monthly_table(frame: pl.DataFrame, measures: Measures, what: What) -> Table:
    unit = measures.currency if what == "cost" else "wheel ends"
    digits = 0 if what == "cost" else 1
    rows = [
        (month_name(r["month"]), *(number(r[q], digits) for q in (*QUANTILES, "mean")))
        for r in frame.iter_rows(named=True)
    ]
    return table(rows, "Month", f"1 in 10 below, {unit}", "Even chance", "1 in 10 above", "Mean")


def depots_figure(outlook: pl.DataFrame | None, measures: Measures, what: What) -> Figure | None:
    """Next year's total of every depot, with its band."""
    if outlook is None:
        return None
    wanted = pl.col("months") == YEAR, pl.col(f"{what}_p10").is_not_null()
    rows = outlook.filter(*wanted, pl.col("depot").is_not_null())
    if rows.is_empty() or (what == "cost" and not rows["cost_p90"].sum()):
        return None
    named = rows.select(
        "depot",
        pl.col("depot").alias("group"),
        *(pl.col(f"{what}_{q}").alias(q) for q in QUANTILES),
    ).sort("p50", "depot", descending=[True, False])
    return Figure(
        key=f"{what}-by-depot",
        said=_depots_said(named, measures, what),
        chart=depots_chart(named, measures, what),
        table=_depots_table(named, measures, what),
        sql=f"select depot, {what}_p10, {what}_p50, {what}_p90 from mart.reline_outlook_parts "
        f"where part = 'depot' and months = {YEAR}",
        matching="cells",
        dimensions=("depot",),
        said_for=said_for_selections(named, ("depot",), lambda f: _depots_said(f, measures, what)),
    )


def depots_chart(rows: pl.DataFrame, measures: Measures, what: What) -> Chart:
    """``group``, ``p10``, ``p50``, ``p90``."""
    unit = f"Cost in {YEAR} months, {measures.currency}"
    title = unit if what == "cost" else f"Wheel ends relined in {YEAR} months"
    x = alt.X("p10:Q", title=title, scale=alt.Scale(zero=True), axis=alt.Axis(format=",~f"))
    return marks.interval_plot(rows, ("p50", "p10", "p90"), x, ",.0f")


def _depots_said(rows: pl.DataFrame, measures: Measures, what: What) -> Said:
    top = rows.row(0, named=True)
    limits = outlook_words({f"{what}_{q}": top[q] for q in QUANTILES}, measures, what)
    note = (
        "Points are even chances, bars hold 8 outcomes in 10. Depots share the fleet's risks: "
        "their bars do not add up."
    )
    if rows.height == 1:
        return Said(f"{top['depot']}: {limits} in {YEAR} months", note)
    most = "cost most" if what == "cost" else "reline most"
    alike = rows.filter(pl.col("p50") == top["p50"]).height - 1
    if alike:
        also = count(alike, "other depot")
        title = f"{top['depot']} and {also} are expected to {most}: {limits} at {top['depot']}"
        return Said(f"{title} in {YEAR} months", note)
    sure = top["p10"] > rows["p90"][1]
    does = most.replace(" ", "s ", 1) if sure else f"is expected to {most}"
    return Said(f"{top['depot']} {does}: {limits} in {YEAR} months", note)


def _depots_table(rows: pl.DataFrame, measures: Measures, what: What) -> Table:
    lines = [
        (r["depot"], *(figures(r[q], 3) if what == "cost" else number(r[q]) for q in QUANTILES))
        for r in rows.iter_rows(named=True)
    ]
    unit = measures.currency if what == "cost" else "wheel ends"
    return table(lines, "Depot", f"1 in 10 below, {unit}", "Even chance", "1 in 10 above")
