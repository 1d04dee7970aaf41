"""Relines and their money by month, by depot, and under other policies."""

from collections.abc import Mapping

import altair as alt
import polars as pl

from dashboards import marks
from dashboards.figure import DIMENSIONS, Chart, Figure, Said, Table, margin, table
from dashboards.figure import said_for_selections as _said_for_selections
from dashboards.measures import Measures
from dashboards.words import figures, month_name, number, span

MOST_ROWS = 4_000  # of months × selections that the page carries


def relines_figure(
    budget: pl.DataFrame, outlook: pl.DataFrame, measures: Measures, what: str
) -> Figure | None:
    """``what`` is ``relines`` or ``cost``."""
    rows = _rows(budget, what)
    total = margin(rows, dict.fromkeys(DIMENSIONS))
    if total.is_empty() or total["mean"].sum() == 0:
        return None
    unit = measures.currency if what == "cost" else "wheel ends"

    def say(frame: pl.DataFrame) -> Said:
        return _said(frame, measures, what)

    return Figure(
        key=f"{'money' if what == 'cost' else 'relines'}-by-month",
        said=_with_outlook(say(total), outlook, measures, what),
        chart=monthly_chart(total, f"{'Cost' if what == 'cost' else 'Relines'}, {unit}"),
        table=_monthly_table(total, unit),
        sql="select * from mart.reline_budget where depot is null and axle_type is null "
        "and duty is null order by month",
        matching="margin",
        dimensions=DIMENSIONS,
        said_for=_said_for_selections(rows, DIMENSIONS, say, margin),
    )


def carried(budget: pl.DataFrame, what: str) -> pl.DataFrame:
    """The rows that the page's filter can reach: as many margins as fit, the coarsest first."""
    rows = _rows(budget, what).with_columns(
        pl.sum_horizontal(pl.col(d).is_not_null() for d in DIMENSIONS).alias("_depth")
    )
    heights = rows.group_by("_depth").len().sort("_depth")
    deepest = heights.filter(pl.col("len").cum_sum() <= MOST_ROWS)["_depth"].max()
    return rows.filter(pl.col("_depth") <= (0 if deepest is None else deepest)).drop("_depth")


def _rows(budget: pl.DataFrame, what: str) -> pl.DataFrame:
    quantiles = [pl.col(f"{what}_{q}").alias(q) for q in ("p10", "p50", "p90", "mean")]
    return budget.select("month", *DIMENSIONS, *quantiles).sort("month")


def monthly_chart(frame: pl.DataFrame, title: str) -> Chart:
    """``month``, ``p10``, ``p50``, ``p90``: bars from low to high, a tick at the middle."""
    base = alt.Chart(frame).encode(
        x=alt.X(
            "month:T",
            timeUnit="yearmonth",
            title=None,
            axis=alt.Axis(format="%b %y", labelAngle=0, grid=False, tickCount="month"),
        )
    )
    tips = [
        alt.Tooltip("month:T", format="%B %Y", title="Month"),
        alt.Tooltip("p10:Q", format=",.0f", title="1 in 10 below"),
        alt.Tooltip("p50:Q", format=",.0f", title="Even chance"),
        alt.Tooltip("p90:Q", format=",.0f", title="1 in 10 above"),
    ]
    band = base.mark_bar(fill=marks.PALE, opacity=1).encode(
        y=alt.Y("p10:Q", title=title, scale=marks.from_zero()), y2="p90:Q", tooltip=tips
    )
    middle = base.mark_tick(bandSize=12, thickness=3, orient="horizontal").encode(y="p50:Q")
    return marks.layered(frame, 230, band, middle)


def _said(frame: pl.DataFrame, measures: Measures, what: str) -> Said:
    note = "Bars hold 8 outcomes in 10 of each month, the dark tick is its even chance."
    by_year = frame.head(12)
    mean = float(by_year["mean"].sum())
    busiest = by_year.sort("mean", descending=True).row(0, named=True)
    when = month_name(busiest["month"])
    months = by_year.height
    if what == "cost":
        title = f"About {measures.money(mean)} in the next {months} months, most of it in {when}"
        return Said(title.replace("most of it in", "the dearest"), note)
    title = f"About {figures(mean, 3)} relines in the next {months} months, most in {when}"
    return Said(title, note)


def _with_outlook(said: Said, outlook: pl.DataFrame, measures: Measures, what: str) -> Said:
    """The fleet's total over a year has a band of its own: months cannot be added up for one."""
    year = outlook.filter(pl.col("months") == 12)
    if year.is_empty() or year[f"{what}_p10"][0] is None:
        return said
    low, high = year[f"{what}_p10"][0], year[f"{what}_p90"][0]
    words = (
        measures.money_span(low, high)
        if what == "cost"
        else f"{span(figures(low, 3), figures(high, 3))} relines"
    )
    return Said(said.title, f"{said.note} Over 12 months: {words}, 8 chances in 10.")


def _monthly_table(frame: pl.DataFrame, unit: str) -> Table:
    rows = [
        (
            month_name(r["month"]),
            *(
                number(r[q], 1 if unit == "wheel ends" else 0)
                for q in ("p10", "p50", "p90", "mean")
            ),
        )
        for r in frame.iter_rows(named=True)
    ]
    return table(rows, "Month", f"1 in 10 below, {unit}", "Even chance", "1 in 10 above", "Mean")


def selected(frame: pl.DataFrame, values: Mapping[str, str | None]) -> pl.DataFrame:
    return margin(frame, values)
