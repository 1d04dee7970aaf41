"""What follows from how long adjusters last: check intervals, planned replacement, failures."""

import altair as alt
import polars as pl

from dashboards.drawing import marks
from dashboards.drawing.figure import (
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
from dashboards.sentences.words import capital, count, month_name, number, share, span

DIMENSIONS = ("duty", "axle_type")
AGES = ("best_km", "ci_low_km", "ci_high_km")
NOW, OTHER = "interval in use", "other intervals"


def intervals_figure(intervals: pl.DataFrame | None) -> Figure | None:
    """The share of wheel ends that carry an unseen failed adjuster, by check interval."""
    if intervals is None or margin(intervals, dict.fromkeys(DIMENSIONS)).is_empty():
        return None
    rows = carried(intervals.sort("weeks"), DIMENSIONS)
    total = margin(rows, dict.fromkeys(DIMENSIONS))
    return Figure(
        key="check-intervals",
        said=_intervals_said(total),
        chart=intervals_chart(total),
        table=_intervals_table(intervals),
        sql="select * from mart.check_intervals order by axle_type, duty, weeks",
        matching="margin",
        dimensions=DIMENSIONS,
        said_for=said_for_selections(rows, DIMENSIONS, _intervals_said, margin),
        every_selection=intervals_chart(rows),
    )


def intervals_chart(rows: pl.DataFrame) -> Chart:
    """``weeks``, ``share_failed``, ``ci_low``, ``ci_high``, ``current``."""
    shown = rows.select(
        *DIMENSIONS,
        "share_failed",
        "ci_low",
        "ci_high",
        pl.format("every {} weeks", pl.col("weeks").cast(pl.Int64)).alias("group"),
        pl.when("current").then(pl.lit(NOW)).otherwise(pl.lit(OTHER)).alias("use"),
    )
    title = "Wheel ends with an adjuster that has failed unseen"
    x = alt.X("ci_low:Q", title=title, scale=alt.Scale(zero=True), axis=marks.percent_axis())
    return marks.interval_plot(
        shown,
        ("share_failed", "ci_low", "ci_high"),
        x,
        ".2%",
        shape=marks.told_apart("use", (OTHER, NOW)),
    )


def _intervals_said(rows: pl.DataFrame) -> Said:
    note = "At a random moment, by how often adjusters are checked; bars are 95 % intervals."
    now = rows.filter("current").sort("weeks")
    if now.is_empty():
        least = rows.sort("weeks").row(0, named=True)
        return Said(
            f"Checked every {least['weeks']:.0f} weeks, {_failed(least)} would go unseen", note
        )
    used = now.row(0, named=True)
    words = (
        f"Checked every {used['weeks']:.0f} weeks, {_failed(used)} of wheel ends carry a failure"
    )
    oftener = rows.filter(pl.col("weeks") < used["weeks"]).sort("weeks", descending=True)
    if oftener.is_empty():
        return Said(f"{words} unseen", note)
    other = oftener.row(0, named=True)
    return Said(f"{words} unseen; every {other['weeks']:.0f} weeks, {_failed(other)}", note)


def _failed(row: dict[str, float]) -> str:
    limits = span(share(row["ci_low"], 1), share(row["ci_high"], 1))
    return f"{share(row['share_failed'], 1)} ({limits})"


def _intervals_table(rows: pl.DataFrame) -> Table:
    lines = [
        (
            r["axle_type"] or "all",
            r["duty"] or "all",
            number(r["weeks"]) + (" (in use)" if r["current"] else ""),
            share(r["share_failed"], 2),
            span(share(r["ci_low"], 2), share(r["ci_high"], 2)),
        )
        for r in rows.sort("axle_type", "duty", "weeks").iter_rows(named=True)
    ]
    return table(lines, "Axle type", "Duty", "Weeks between checks", "Failed unseen", "95 %")


def replacement_figure(ages: pl.DataFrame | None, measures: Measures) -> Figure | None:
    """Ages at which planned replacement is cheapest, where it pays at all."""
    if ages is None:
        return None
    paying = ages.filter(pl.col("best_km").is_not_null() & pl.col("ci_low_km").is_not_null())
    if paying.is_empty():
        return None

    def say(frame: pl.DataFrame) -> Said:
        return _replacement_said(frame, ages, measures)

    return Figure(
        key="replacement-ages",
        said=say(paying),
        chart=replacement_chart(paying, measures),
        table=_replacement_table(ages, measures),
        sql="select * from mart.replacement_ages",
        matching="cells",
        dimensions=DIMENSIONS,
        said_for=said_for_selections(paying, DIMENSIONS, say),
    )


def replacement_chart(paying: pl.DataFrame, measures: Measures) -> Chart:
    """The cheapest age of planned replacement with its interval, one line a group.

    An interval without an end, where perhaps no age pays, is drawn beyond all others.
    """
    edge = 1.1 * paying.select(pl.max_horizontal(pl.col(c).max() for c in AGES)).item()
    bounded = paying.with_columns(pl.col("ci_high_km").fill_null(edge))
    shown = marks.with_group(
        measures.scaled(bounded, measures.per_km, *AGES), measures.fleet.duty_order
    ).select("group", *DIMENSIONS, *AGES, "saving_share")
    x = alt.X(
        "ci_low_km:Q",
        title=f"Cheapest age for planned replacement, {measures.distance_unit}",
        scale=alt.Scale(zero=True),
        axis=alt.Axis(format=",~f"),
    )
    saving = ("saving_share:Q", "Saves", ".1%")
    return marks.interval_plot(shown, AGES, x, ",.0f", more_tips=(saving,))


def _replacement_said(paying: pl.DataFrame, ages: pl.DataFrame, measures: Measures) -> Said:
    note = (
        f"Where it pays at the fleet's own costs: {number(paying.height)} of "
        f"{number(ages.height)} groups judged. Bars hold 8 chances in 10 of the cheapest age."
    )
    if endless := paying["ci_high_km"].null_count():
        note += (
            f" {count(endless, 'bar')} {'runs' if endless == 1 else 'run'} to the right edge: "
            "there, more than one chance in ten says that no age pays."
        )
    top = paying.sort("saving_share", descending=True, nulls_last=True).row(0, named=True)
    where = f"{top['axle_type'] or 'all axle types'} / {top['duty'] or 'all duties'}"
    if top["ci_high_km"] is None:
        low = measures.distance(top["ci_low_km"])
        age = f"{measures.distance(top['best_km'])} ({low} or more; perhaps no age pays)"
    else:
        age = measures.distance_interval(*(top[c] for c in AGES))
    saved = f", saving {share(top['saving_share'])}" if top["saving_share"] is not None else ""
    if paying.height == ages.height == 1:
        pays = "pays" if not endless else "probably pays"
        return Said(f"Planned replacement {pays} on {where}: at {age}{saved}", note)
    surely = paying.height - endless
    groups = f"pays in {number(surely)} of {count(ages.height, 'group')}"
    if endless:
        groups += f" and perhaps in {number(endless)} more"
    if not surely:
        groups = f"perhaps pays in {number(endless)} of {count(ages.height, 'group')}"
    return Said(f"Planned replacement {groups}, most on {where}: at {age}{saved}", note)


def _replacement_table(ages: pl.DataFrame, measures: Measures) -> Table:
    lines = [
        (
            r["axle_type"] or "all",
            r["duty"] or "all",
            measures.distance(r["best_km"]) if r["best_km"] is not None else "does not pay",
            share(r["saving_share"], 1),
            measures.sentence(r["verdict"] or ""),
        )
        for r in ages.iter_rows(named=True)
    ]
    return table(lines, "Axle type", "Duty", "Cheapest age", "Saves", "Verdict")


def failures_figure(failures: pl.DataFrame | None) -> Figure | None:
    """Adjuster failures to expect, month by month."""
    if failures is None or margin(failures, {"depot": None}).is_empty():
        return None
    rows = failures.select(
        *("month", "depot", "basis"),
        *(pl.col(f"failures_{q}").alias(q) for q in ("p10", "mean", "p90")),
    ).rename({"mean": "p50"})
    total = margin(rows, {"depot": None})
    return Figure(
        key="failures-by-month",
        said=_failures_said(total),
        chart=failures_chart(total),
        table=_failures_table(total),
        sql="select * from mart.expected_failures where depot is null order by month",
        matching="margin",
        dimensions=("depot",),
        said_for=said_for_selections(rows, ("depot",), _failures_said, margin),
        every_selection=failures_chart(rows),
    )


def failures_chart(rows: pl.DataFrame) -> Chart:
    """``month``, ``depot``, ``p10``, ``p50`` (the mean), ``p90``."""
    rows = rows.select("month", "depot", "p10", "p50", "p90")
    y = alt.Y("p10:Q", title="Adjusters failing", scale=alt.Scale(zero=True))
    return marks.monthly_band(marks.with_month(rows), y)


def _failures_said(rows: pl.DataFrame) -> Said:
    year = rows.sort("month").head(12)
    expected = round(float(year["p50"].sum()))
    title = f"{count(expected, 'adjuster failure')} to expect in {year.height} months"
    title = title.replace("no adjuster", "No adjuster")
    note = "Ticks are means, bars hold 8 outcomes in 10; replacements that fail again are counted."
    told = [f"{capital(basis)}." for basis in rows["basis"].drop_nulls().head(1)]
    return Said(title, " ".join([note, *told]))


def _failures_table(rows: pl.DataFrame) -> Table:
    lines = [
        (month_name(r["month"]), *(number(r[q], 1) for q in ("p10", "p50", "p90")))
        for r in rows.sort("month").iter_rows(named=True)
    ]
    return table(lines, "Month", "1 in 10 below", "Mean", "1 in 10 above")
