"""Lining wear by axle type and duty, and duties compared."""

import altair as alt
import polars as pl

from dashboards import marks
from dashboards.figure import Chart, Figure, Said, Table, said_for_selections, table
from dashboards.measures import Measures
from dashboards.words import count, number, span

DIMENSIONS = ("axle_type", "duty")


def wear_figure(rates: pl.DataFrame, measures: Measures) -> Figure | None:
    rows = rates.filter(pl.col("mm_per_10000km").is_not_null())
    if rows.is_empty():
        return None
    shown = measures.scaled(rows, measures.per_rate, "mm_per_10000km", "ci_low", "ci_high")
    shown = marks.with_group(shown, measures.fleet.duty_order)

    def say(frame: pl.DataFrame) -> Said:
        return _wear_said(frame, measures)

    return Figure(
        key="wear-rates",
        said=say(rows),
        chart=wear_chart(shown, measures),
        table=_wear_table(rows, measures),
        sql="select * from mart.wear_rates order by axle_type, duty",
        matching="cells",
        dimensions=DIMENSIONS,
        said_for=said_for_selections(rows, DIMENSIONS, say),
    )


def wear_chart(frame: pl.DataFrame, measures: Measures) -> Chart:
    """``group``, ``mm_per_10000km``, ``ci_low``, ``ci_high``, ``shrunk``, in the fleet's units."""
    base = alt.Chart(frame).encode(y=marks.group_axis(frame))
    interval = base.mark_rule(strokeWidth=7, stroke=marks.PALE).encode(
        x=alt.X("ci_low:Q", title=f"Lining wear, {measures.rate_unit}", scale=marks.from_zero()),
        x2="ci_high:Q",
    )
    point = base.mark_point().encode(
        x="mm_per_10000km:Q",
        shape=marks.told_apart(
            "shrunk_words", ("own readings", "few units: drawn to its axle type")
        ),
        tooltip=[
            alt.Tooltip("group:N", title="Group"),
            alt.Tooltip("mm_per_10000km:Q", title="Wear", format=".3f"),
            alt.Tooltip("ci_low:Q", title="95 % from", format=".3f"),
            alt.Tooltip("ci_high:Q", title="to", format=".3f"),
            alt.Tooltip("lives:Q", title="Lining lives", format=",d"),
        ],
    )
    named = frame.with_columns(
        pl.when("shrunk")
        .then(pl.lit("few units: drawn to its axle type"))
        .otherwise(pl.lit("own readings"))
        .alias("shrunk_words")
    )
    return marks.layered(named, alt.Step(26), interval, point)


def _wear_said(frame: pl.DataFrame, measures: Measures) -> Said:
    lives, readings = marks.total(frame, "lives"), marks.total(frame, "readings")
    note = (
        f"Points are estimates, bars their 95 % intervals. From {count(readings, 'reading')} of "
        f"{count(lives, 'lining life', 'lining lives')}, units counted as wholes."
    )
    ranked = frame.sort("mm_per_10000km", descending=True)
    top, last = ranked.row(0, named=True), ranked.row(-1, named=True)
    rate = f"{measures.rate(top['mm_per_10000km'])} {measures.rate_unit}"
    limits = span(measures.rate(top["ci_low"]), measures.rate(top["ci_high"]))
    if frame.height == 1:
        return Said(f"{_group(top)} linings wear {rate} ({limits})", note)
    if top["ci_low"] <= last["ci_high"]:
        return Said("No group's linings clearly wear faster than another's", note)
    ratio = top["mm_per_10000km"] / last["mm_per_10000km"]
    times = f", {number(ratio, 1)} times {_group(last)}" if last["mm_per_10000km"] > 0 else ""
    return Said(f"{_group(top)} linings wear fastest: {rate} ({limits}){times}", note)


def _group(row: dict[str, object]) -> str:
    return f"{row['axle_type']} / {row['duty']}"


def _wear_table(frame: pl.DataFrame, measures: Measures) -> Table:
    rows = [
        (
            r["axle_type"],
            r["duty"],
            measures.rate(r["mm_per_10000km"]),
            span(measures.rate(r["ci_low"]), measures.rate(r["ci_high"])),
            number(r["units"]),
            number(r["lives"]),
            number(r["readings"]),
            r["note"] or ("drawn to its axle type: few units" if r["shrunk"] else ""),
        )
        for r in frame.sort("axle_type", "duty").iter_rows(named=True)
    ]
    unit = measures.rate_unit
    heads = ("Axle type", "Duty", f"Wear, {unit}", "95 %", "Units", "Lives", "Readings", "Remark")
    return table(rows, *heads)


def comparison_figure(comparisons: pl.DataFrame, measure: str, what: str) -> Figure | None:
    """Duties compared within an axle type, as ratios on a log scale.

    ``what`` names the thing that is so many times as high, as in "wear" or "failure rate".
    """
    rows = comparisons.filter(
        pl.col("measure") == measure, pl.col("ratio") > 0, pl.col("ci_low") > 0
    ).with_columns(
        pl.concat_str(
            pl.col("axle_type").fill_null("all axle types"),
            pl.lit(": "),
            "duty_a",
            pl.lit(" against "),
            "duty_b",
        ).alias("group"),
        pl.when(pl.col("p_adjusted") < 0.05)
        .then(pl.lit("told apart"))
        .otherwise(pl.lit("not told apart"))
        .alias("verdict"),
    )
    if rows.is_empty():
        return None
    kept = rows.sort("p_adjusted", nulls_last=True).head(40)
    return Figure(
        key=f"compare-{measure.replace('_', '-')}",
        said=_comparison_said(rows, what),
        chart=comparison_chart(kept, what),
        table=_comparison_table(rows),
        sql=f"select * from mart.duty_comparisons where measure = '{measure}' order by p_adjusted",
        matching="cells",
        dimensions=("axle_type",),
        said_for=said_for_selections(rows, ("axle_type",), lambda f: _comparison_said(f, what)),
    )


def comparison_chart(frame: pl.DataFrame, what: str) -> Chart:
    """``group``, ``ratio``, ``ci_low``, ``ci_high``, ``verdict``."""
    base = alt.Chart(frame).encode(y=marks.group_axis(frame, limit=300))
    x = alt.X("ci_low:Q", title=f"Times as much {what}", scale=alt.Scale(type="log", nice=False))
    interval = base.mark_rule(strokeWidth=7, stroke=marks.PALE).encode(x=x, x2="ci_high:Q")
    point = base.mark_point().encode(
        x="ratio:Q",
        shape=marks.told_apart("verdict", ("told apart", "not told apart")),
        tooltip=[
            alt.Tooltip("group:N", title="Compared"),
            alt.Tooltip("ratio:Q", title="Ratio", format=".2f"),
            alt.Tooltip("ci_low:Q", title="95 % from", format=".2f"),
            alt.Tooltip("ci_high:Q", title="to", format=".2f"),
        ],
    )
    same = marks.line_at("x", 1.0, "no difference")
    return marks.layered(frame, alt.Step(26), *same, interval, point)


def _comparison_said(frame: pl.DataFrame, what: str) -> Said:
    apart = frame.filter(pl.col("verdict") == "told apart").with_columns(
        pl.col("ratio").log().abs().alias("size")
    )
    method = frame["method"][0]
    note = (
        f"Ratios with 95 % intervals; {number(apart.height)} of {number(frame.height)} comparisons "
        f"told apart at 5 % after Holm's adjustment. {method}."
    )
    if apart.is_empty():
        return Said(f"The records do not show that duty changes {what}", note)
    top = apart.sort("size", descending=True).row(0, named=True)
    limits = span(number(top["ci_low"], 1), number(top["ci_high"], 1))
    where = f" on {top['axle_type']}" if top["axle_type"] else ""
    title = (
        f"{top['duty_a']} has {number(top['ratio'], 1)} times ({limits}) the {what} of "
        f"{top['duty_b']}{where}"
    )
    return Said(title, note)


def _comparison_table(frame: pl.DataFrame) -> Table:
    rows = [
        (
            r["axle_type"] or "all",
            r["duty_a"],
            r["duty_b"],
            number(r["ratio"], 2),
            span(number(r["ci_low"], 2), number(r["ci_high"], 2)),
            number(r["p_adjusted"], 4),
            r["verdict"],
        )
        for r in frame.iter_rows(named=True)
    ]
    heads = ("Axle type", "Duty", "Against", "Ratio", "95 %", "p, adjusted", "Verdict")
    return table(rows, *heads)
