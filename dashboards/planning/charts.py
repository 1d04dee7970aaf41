"""What work is planned from: hours of the coming months, costs per distance, units, checks."""

import math

import altair as alt
import polars as pl

from dashboards.drawing import marks
from dashboards.drawing.figure import Chart, Figure, Said, Table, table
from dashboards.sentences.measures import Measures
from dashboards.sentences.words import (
    NO_DEPOT,
    count,
    figures,
    listed,
    number,
    share,
    span,
    with_interval,
)

MONTHS_SHOWN, NAMED = 6, 3
# Points of a chart: more can be told neither apart nor, past 5,000, drawn at all.
MOST_POINTS = 2_000
MORE, WITHIN, UNSTATED = "more than there are", "within those there are", "not stated"
OUT, IN = "beyond what units differ anyway", "within it"


def hours_figure(months: pl.DataFrame | None) -> Figure | None:
    """Hours of work by depot over the next months; None where no hours of a job are set."""
    if months is None or not (months["hours_mean"].max() or 0.0) > 0.0:  # type: ignore[operator]
        return None
    shown = months.filter(
        pl.col("month").rank("dense") <= MONTHS_SHOWN  # the first may be the rest of one
    ).with_columns(
        pl.concat_str(
            pl.col("depot").fill_null(NO_DEPOT), pl.lit(", "),
            pl.col("month").dt.strftime("%b %Y"),
        ).alias("group"),
        pl.when(pl.col("hours_there").is_null())
        .then(pl.lit(UNSTATED))
        .when(pl.col("p_over") > 0.5)
        .then(pl.lit(MORE))
        .otherwise(pl.lit(WITHIN))
        .alias("hours"),
    )  # fmt: skip
    words = [w for w in (WITHIN, MORE, UNSTATED) if w in shown["hours"].to_list()]
    axis = alt.X("hours_p10:Q", title="Hours of work a month", axis=alt.Axis(format=",~f"))
    chart = marks.interval_plot(
        shown.select("group", "hours_mean", "hours_p10", "hours_p90", "hours", "p_over"),
        ("hours_mean", "hours_p10", "hours_p90"),
        axis,
        ",.0f",
        shape=marks.told_apart("hours", words),
    )
    said = _hours_said(shown)
    return Figure("hours", said, chart, _hours_table(shown), "select * from mart.workshop_months")


def _hours_said(shown: pl.DataFrame) -> Said:
    note = (
        "Checks, relines, drums and adjusters at the hours of fleet.toml; points are means, bars "
        "hold 8 of 10 simulated futures."
    )
    over = shown.filter(pl.col("hours") == MORE).sort("month", "depot")
    if shown["hours_there"].null_count() == shown.height:
        return Said(
            "Hours of brake work by depot and month",
            f"{note} Say what a depot has under [depots.DEPOT] to see which months exceed it.",
        )
    if over.is_empty():
        return Said("No depot is likely to have more brake work than hours", note)
    named = listed([g.replace(", ", " in ") for g in over["group"].head(NAMED)])
    more = f" and {count(over.height - NAMED, 'month')} more" if over.height > NAMED else ""
    return Said(f"More brake work than hours: {named}{more}", note)


def _hours_table(shown: pl.DataFrame) -> Table:
    rows = [
        (
            r["group"],
            number(r["visits"]),
            number(r["relines_mean"], 1),
            f"{number(r['hours_mean'])} ({span(number(r['hours_p10']), number(r['hours_p90']))})",
            number(r["hours_there"]) if r["hours_there"] is not None else "–",
            share(r["p_over"]) if r["p_over"] is not None else "–",
            figures(r["moving_cost"], 2) if r["moving_cost"] is not None else "–",
        )
        for r in shown.iter_rows(named=True)
    ]
    heads = ("Depot and month", "Visits", "Relines", "Hours", "Hours there", "Chance of more")
    return table(rows, *heads, "Lining lost by doing it a visit earlier")


def costs_figure(costs: pl.DataFrame | None, measures: Measures) -> Figure | None:
    """What wheel ends cost over a distance, by axle type and duty, on record."""
    if costs is None:
        return None
    past = costs.filter(
        pl.col("period") == "past", pl.col("item") == "all", pl.col("axle_type").is_not_null()
    ).drop_nulls("ci_low")
    columns = ("cost_per_100000km", "ci_low", "ci_high")
    told = measures.scaled(past, 1.0 / measures.per_km, *columns)
    told = told.filter(pl.col("ci_high") > 0.0)
    if told.is_empty():
        return None
    grouped = marks.with_group(told, measures.fleet.duty_order)
    unit = f"{measures.currency} per 100\u202f000\u00a0{measures.distance_unit}"
    axis = alt.X("ci_low:Q", title=unit, axis=alt.Axis(format=",~f"))
    chart = marks.interval_plot(grouped.select("group", *columns), columns, axis, ",.0f")
    said = Said(
        _costs_said(grouped, unit),
        "Linings, adjusters, labour, downtime and upkeep on record. Bars are 95 % intervals, "
        "allowing for how units differ. Behind it: "
        f"{measures.distance(float(grouped['wheel_end_km'].sum()))}, each counted for every "
        "wheel end.",
    )
    rows = [
        (r["group"], _cost(r), number(r["units"]), measures.distance(r["wheel_end_km"]))
        for r in grouped.iter_rows(named=True)
    ]
    heads = ("Axle type and duty", unit, "Units", "Distance times wheel ends")
    return Figure("costs-per-km", said, chart, table(rows, *heads), "from mart.costs_per_km")


def _costs_said(grouped: pl.DataFrame, unit: str) -> str:
    """Which group costs most, where that is more than how units differ."""
    high, *others = grouped.sort("cost_per_100000km", descending=True).to_dicts()
    if not others:
        return f"A wheel end of {high['group']} costs {_cost(high)} {unit}"
    low = others[-1]
    if not _dearer(high, low):
        return "No axle type and duty clearly costs more per wheel end than another"
    sure = "costs" if _dearer(high, others[0]) else "probably costs"
    least = f"; on {low['group']} {_cost(low)}"
    return f"A wheel end {sure} most on {high['group']}: {_cost(high)} {unit}{least}"


def _dearer(a: dict[str, float], b: dict[str, float]) -> bool:
    """Whether 95 % limits of the ratio, from those of both on a log scale, leave one out."""
    if min(a["ci_low"], b["ci_low"]) <= 0.0:
        return a["ci_low"] > b["ci_high"]
    halves = [math.log(r["ci_high"] / r["ci_low"]) / 2.0 for r in (a, b)]
    return math.log(a["cost_per_100000km"] / b["cost_per_100000km"]) > math.hypot(*halves)


def _cost(row: dict[str, float]) -> str:
    return with_interval(row["cost_per_100000km"], row["ci_low"], row["ci_high"])


def units_figure(units: pl.DataFrame | None, measures: Measures) -> Figure | None:
    """Every unit's cost over what its duty explains: a funnel, no table of the worst."""
    if units is None or units.is_empty():
        return None
    shown = units.sort("expected_cost").with_columns(
        pl.when("stands_out").then(pl.lit(OUT)).otherwise(pl.lit(IN)).alias("where")
    )
    drawn = _drawn(shown)
    return Figure(
        key="unit-costs",
        said=_units_said(shown, drawn.height),
        chart=_funnel(drawn, measures),
        table=_units_table(shown, measures),
        sql="select * from mart.unit_costs order by pooled_factor desc",
    )


def _drawn(shown: pl.DataFrame) -> pl.DataFrame:
    """Of very many units those that stand out, the farthest, and an even choice of the others."""
    if shown.height <= MOST_POINTS:
        return shown
    farthest = (pl.col("pooled_factor").log().abs(), "unit_id")
    out = shown.filter("stands_out").sort(*farthest, descending=[True, False]).head(MOST_POINTS)
    others = shown.filter(~pl.col("stands_out"))
    some = others.gather_every(-(-others.height // MOST_POINTS) or 1)
    return pl.concat([out, some]).sort("expected_cost", maintain_order=True)


def _funnel(shown: pl.DataFrame, measures: Measures) -> Chart:
    x = alt.X(
        "expected_cost:Q",
        title=f"Cost that its axle types, duties and distance explain, {measures.currency}",
        axis=alt.Axis(format=",~f"),
    )
    y = alt.Y("factor:Q", title="Cost over that")
    base = alt.Chart(shown).encode(x=x)
    band = base.mark_area(fill=marks.HAZE).encode(
        y=alt.Y("funnel_low:Q", title="Cost over that"), y2=alt.Y2("funnel_high:Q")
    )
    words = [w for w in (IN, OUT) if w in shown["where"].to_list()]
    described = marks.tips(
        ("unit_id:N", "Unit", ""),
        ("factor:Q", "Cost over what is expected", ".2f"),
        ("pooled_factor:Q", "Drawn toward 1 by as much as it is unsure", ".2f"),
    )
    dots = base.mark_point().encode(y=y, tooltip=described)
    if len(words) > 1:  # nothing to tell apart where no unit stands out
        dots = dots.encode(shape=marks.told_apart("where", words))
    return marks.layered(shown, 260, band, marks.line_at("y", 1.0), dots)


def _units_said(shown: pl.DataFrame, drawn: int) -> Said:
    out = shown.filter("stands_out").sort("pooled_factor", descending=True)
    some = f" ({number(drawn)} of them drawn)" if drawn < shown.height else ""
    note = (
        f"Each point is one of {number(shown.height)} units{some}; 998 in 1\u202f000 such units "
        "lie in the shaded funnel by how much units differ anyway. A unit with few jobs says "
        "little, however far out it lies."
    )
    if out.is_empty():
        return Said("No unit is shown to cost more or less than what it runs explains", note)
    named = [f"{r['unit_id']} ({figures(r['factor'], 2)}\u00a0times)" for r in out.to_dicts()]
    more = f" and {count(len(named) - NAMED, 'unit')} more" if len(named) > NAMED else ""
    return Said(f"Beyond what units differ anyway: {listed(named[:NAMED])}{more}", note)


def _units_table(shown: pl.DataFrame, measures: Measures) -> Table:
    rows = [
        (
            r["unit_id"],
            measures.money(r["cost"]),
            measures.money(r["expected_cost"]),
            figures(r["factor"], 3),
            with_interval(r["pooled_factor"], r["ci_low"], r["ci_high"]),
            "yes" if r["stands_out"] else "",
        )
        for r in shown.sort("pooled_factor", descending=True).iter_rows(named=True)
    ]
    heads = ("Unit", "Cost", "Explained", "Over it", "Drawn toward 1, 95 %", "Stands out")
    return table(rows, *heads, most=40)


def _bought(grouped: pl.DataFrame) -> str:
    """Where: groups that borrow one life and are checked alike gain alike."""
    ranked = grouped.sort("place").with_columns(
        told=pl.col("saved_per_check").map_elements(figures, return_dtype=pl.String)
    )
    alike = ranked.filter(pl.col("told") == ranked["told"][0])["group"].to_list()
    if grouped.height > 1 and len(alike) == grouped.height:
        return "alike everywhere"
    more = f" and {count(len(alike) - NAMED, 'more group')}" if len(alike) > NAMED else ""
    return f"most on {listed(alike[:NAMED]) if not more else ', '.join(alike[:NAMED])}{more}"


def checks_figure(plan: pl.DataFrame | None, measures: Measures) -> Figure | None:
    """Share of wheel ends with a failure nobody has seen, against what is accepted."""
    known = None if plan is None else plan.drop_nulls("share_now")
    if known is None or known.is_empty():
        return None
    grouped = marks.with_group(known, measures.fleet.duty_order)
    columns = ("share_now", "share_ci_low", "share_ci_high")
    most = float(known["most_unseen"][0])
    axis = alt.X(
        "share_ci_low:Q",
        title="Wheel ends with a failed adjuster that nobody has seen",
        axis=marks.percent_axis(),
    )
    chart = marks.interval_plot(
        grouped.select("group", *columns), columns, axis, ".1%", marks.line_at("x", most)
    )
    first = grouped.sort("place").row(0, named=True)
    said = Said(
        f"One more check a year buys {_bought(grouped)}",
        f"There each such check saves {figures(first['saved_per_check'], 2)} weeks in which a "
        f"failed adjuster goes unseen. The dashed line is what is accepted, {share(most, 1)}; bars "
        "are 95 % intervals. The table says how often to check to keep it.",
    )
    rows = [
        (
            r["group"],
            number(r["weeks_now"]),
            share(r["share_now"], 1),
            number(r["weeks_within"]) if r["weeks_within"] is not None else "none does",
            number(r["weeks_surely"]) if r["weeks_surely"] is not None else "none does",
            figures(r["saved_per_check"], 2),
        )
        for r in grouped.sort("place").iter_rows(named=True)
    ]
    heads = ("Axle type and duty", "Weeks now", "Unseen", "Weeks that keep it", "Surely keep it")
    return Figure(
        "checks", said, chart, table(rows, *heads, "Weeks saved by one more check"),
        "select * from mart.check_plan order by place",
    )  # fmt: skip
