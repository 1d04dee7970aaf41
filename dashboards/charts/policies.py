"""Reline policies side by side."""

import altair as alt
import polars as pl

from dashboards.drawing import marks
from dashboards.drawing.figure import Chart, Figure, Said, Table, table
from dashboards.sentences.measures import Measures
from dashboards.sentences.words import figures, listed, number, share, span, with_interval

EXTRA = ("extra_cost_mean", "extra_cost_p10", "extra_cost_p90")
WITHIN, ABOVE, UNKNOWN = "within the accepted risk", "above the accepted risk", "risk not known"


def policies_figure(scenarios: pl.DataFrame | None, measures: Measures) -> Figure | None:
    if scenarios is None or scenarios.filter(~pl.col("base")).is_empty():
        return None
    if not scenarios["cost_mean"].sum():  # no cost is set: nothing to compare by
        return None
    return Figure(
        key="policies",
        said=_said(scenarios, measures),
        chart=policies_chart(scenarios.filter(~pl.col("base")), measures),
        table=_table(scenarios, measures),
        sql="select * from mart.scenarios",
    )


def policies_chart(others: pl.DataFrame, measures: Measures) -> Chart:
    """Extra cost of each policy over the one in force, paired draw by draw."""
    risk = measures.fleet.risk
    shown = others.sort("extra_cost_mean").select(
        pl.col("name").alias("group"),
        *EXTRA,
        "p_crossing",
        pl.when(pl.col("p_crossing").is_null())
        .then(pl.lit(UNKNOWN))
        .when(pl.col("p_crossing") <= risk)
        .then(pl.lit(WITHIN))
        .otherwise(pl.lit(ABOVE))
        .alias("risk"),
    )
    title = f"Cost against the policy in force, {measures.currency}"
    words = [w for w in (WITHIN, ABOVE, UNKNOWN) if w in shown["risk"].to_list()]
    return marks.interval_plot(
        shown,
        EXTRA,
        alt.X("extra_cost_p10:Q", title=title, axis=alt.Axis(format=",~f")),
        ",.0f",
        marks.line_at("x", 0.0),
        shape=marks.told_apart("risk", words),
        more_tips=(("p_crossing:Q", "Chance of crossing the minimum", ".1%"),),
    )


def _said(scenarios: pl.DataFrame, measures: Measures) -> Said:
    base = scenarios.filter("base")["name"].to_list()
    against = f"“{base[0].replace('_', ' ')}”" if base else "the policy in force"
    risk = measures.fleet.risk
    note = (
        f"Points are means, bars hold 8 of 10 paired draws, over {measures.fleet.horizon_months} "
        f"months, against {against}. The chance of crossing the minimum between visits counts "
        f"first: {share(risk)} is accepted."
    )
    safe = scenarios.filter(~pl.col("base"), pl.col("p_crossing") <= risk)
    risky = scenarios.filter(
        ~pl.col("base"), pl.col("p_crossing") > risk, pl.col("extra_cost_mean") < 0
    )
    if risky.height:
        note += f" Cheaper but above it: {listed([f'“{n}”' for n in risky['name']])}."
    cheaper = safe.filter(pl.col("extra_cost_p90") < 0).sort("extra_cost_mean")
    if cheaper.is_empty():
        return Said(f"No safe policy tried is clearly cheaper than {against}", note)
    top = cheaper.row(0, named=True)
    saved = with_interval(
        -top["extra_cost_mean"], -top["extra_cost_p90"], -top["extra_cost_p10"], measures.currency
    )
    return Said(f"“{top['name']}” would save {saved} against {against}", note)


def _table(scenarios: pl.DataFrame, measures: Measures) -> Table:
    rows = [
        (
            f"{r['name']} (in force)" if r["base"] else r["name"],
            r["description"] or "",
            number(r["relines_mean"]),
            measures.money(r["cost_mean"]),
            "–" if r["base"] else _extra(r),
            f"{measures.length(r['early_scrapped_mm'])}, "
            f"{measures.money(r['early_scrapped_cost'])}",
            share(r["p_crossing"], 1),
        )
        for r in scenarios.iter_rows(named=True)
    ]
    heads = ("Policy", "What it is", "Relines", "Cost", "Against the one in force")
    return table(rows, *heads, "Lining scrapped early", "Chance of crossing the minimum")


def _extra(row: dict[str, float]) -> str:
    limits = span(figures(row["extra_cost_p10"], 3), figures(row["extra_cost_p90"], 3))
    return f"{figures(row['extra_cost_mean'], 3)} ({limits})"
