"""How far to trust it: what earlier forecasts and flags came to, and the months compared."""

import altair as alt
import polars as pl

from dashboards.drawing import marks
from dashboards.drawing.figure import Chart, Figure, Said, Table, table
from dashboards.measures import Measures
from dashboards.words import (
    MINUS,
    count,
    day_name,
    figures,
    listed,
    month_key_name,
    month_name,
    number,
    share,
    span,
)

CLOSE = 0.05  # a share held this near to the one promised is called as promised
FEWEST = 20  # outcomes below which a share says too little
# Not bands: how often a quantile was passed, how often a lining was at its minimum as said.
NOT_A_BAND = r"_p\d+$|^min_now$"
MEASURE_WORDS = {
    "lining_mm": "next lining reading",
    "min_on": "day at the minimum",
    "reline_on": "day of the reline",
    "relines_quarter": "fleet's relines in a quarter",
}


def coverage_figure(backtest: pl.DataFrame) -> Figure | None:
    """The share of outcomes that fell inside the bands given before, against the share promised."""
    rows = _judged_rows(backtest)
    if rows.is_empty():
        return None
    return Figure(
        key="forecasts-held",
        said=_coverage_said(judged(backtest)),
        chart=coverage_chart(rows),
        table=_coverage_table(backtest.sort("measure", "origin")),
        sql="select * from mart.backtest order by measure, origin",
    )


def _judged_rows(backtest: pl.DataFrame) -> pl.DataFrame:
    """Bands only: how often other chances came true is in the table."""
    return backtest.filter(
        pl.col("observed").is_not_null(),
        pl.col("nominal").is_not_null(),
        pl.col("n") > 0,
        ~pl.col("measure").str.contains(NOT_A_BAND),
    ).sort("measure", "origin")


def judged(backtest: pl.DataFrame) -> pl.DataFrame:
    """Each forecast over all its origins: ``measure`` in words, ``held``, ``promised``, ``n``."""
    rows = _judged_rows(backtest).with_columns(_in_words(pl.col("measure")))

    def weighted(name: str) -> pl.Expr:
        return (pl.col(name) * pl.col("n")).sum() / pl.col("n").sum()

    return rows.group_by("measure", maintain_order=True).agg(
        weighted("observed").alias("held"),
        weighted("nominal").alias("promised"),
        pl.col("n").sum(),
    )


def verdict(row: dict[str, float]) -> str:
    """What a forecast's own history says of its bands."""
    if row["n"] < FEWEST:
        return "too few to judge"
    if row["held"] < row["promised"] - CLOSE:
        return "too narrow"
    return "wider than needed" if row["held"] > row["promised"] + CLOSE else "as promised"


def _in_words(measure: pl.Expr) -> pl.Expr:
    return measure.replace(MEASURE_WORDS).str.replace_all("_", " ")


def coverage_chart(rows: pl.DataFrame) -> Chart:
    """``measure``, ``origin``, ``nominal``, ``observed``, ``n``; intervals where they are known."""
    bounds = [c for c in ("observed_low", "observed_high") if c in rows.columns]
    shown = rows.with_columns(
        pl.format(
            "{}, from {}", _in_words(pl.col("measure")), pl.col("origin").dt.strftime("%b %Y")
        ).alias("group")
    ).select("group", "nominal", "observed", "n", *bounds)
    x = alt.X(
        "observed:Q",
        title="Outcomes inside the band",
        scale=alt.Scale(domain=[0, 1]),
        axis=marks.percent_axis(),
    )
    described = marks.tips(
        ("group:N", "Forecast", ""),
        ("observed:Q", "Held", ".0%"),
        ("nominal:Q", "Promised", ".0%"),
        ("n:Q", "Judged", ",d"),
    )
    base = alt.Chart(shown).encode(y=marks.group_axis(shown), tooltip=described)
    layers = []
    if len(bounds) == 2:
        bar = base.mark_bar(height=9, fill=marks.PALE, cornerRadius=2)
        layers.append(bar.encode(x=alt.X("observed_low:Q"), x2="observed_high:Q"))
    promised = base.mark_tick(color=marks.RUST, thickness=3, bandSize=18).encode(x="nominal:Q")
    return marks.layered(
        shown, alt.Step(marks.STEP), *layers, promised, base.mark_point().encode(x=x)
    )


def _coverage_said(measures: pl.DataFrame) -> Said:
    note = (
        f"Points: share of {count(marks.total(measures, 'n'), 'outcome')} that fell inside the "
        "band forecast before, with its 95 % interval were they independent; upright ticks: the "
        "share promised. Each line is one forecast, from the day it was made as of."
    )
    rows = measures.sort("held").to_dicts()
    for word, opening in _OPENINGS.items():
        found = [r for r in rows if verdict(r) == word]
        if found:
            held = [f"{r['measure']} {share(r['held'])}" for r in found]
            promised = share(found[0]["promised"])
            return Said(f"{opening} ({listed(held)} inside, {promised} promised)", note)
    return Said("Too few forecasts have come due to judge their bands", note)


_OPENINGS = {
    "too narrow": "Some bands have been too narrow",
    "wider than needed": "Some bands have been wider than needed",
    "as promised": "The bands have held as promised",
}


def _coverage_table(rows: pl.DataFrame) -> Table:
    lines = [
        (
            r["measure"],
            day_name(r["origin"]),
            share(r["nominal"]),
            share(r["observed"]),
            number(r["n"]),
            _bias(r["bias"], r.get("unit")),
            r.get("note") or "",
        )
        for r in rows.iter_rows(named=True)
    ]
    heads = ("Forecast of", "As of", "Promised", "Held", "Judged", "Outcome minus forecast")
    return table(lines, *heads, "Remark")


def _bias(value: float | None, unit: str | None) -> str:
    if value is None:
        return "–"
    text = figures(value)
    signed = text if text.startswith(MINUS) or value == 0 else f"+{text}"
    return f"{signed} {unit}" if unit else signed


def precision_figure(precision: pl.DataFrame | None) -> Figure | None:
    """Flags that a found fault confirmed, among those whose outcome is known."""
    if precision is None:
        return None
    rows = precision.filter(pl.col("precision").is_not_null()).sort("month")
    if rows.is_empty():
        return None
    return Figure(
        key="flags-confirmed",
        said=_precision_said(rows),
        chart=precision_chart(rows),
        table=_precision_table(rows),
        sql="select * from mart.flag_precision order by month",
    )


def precision_chart(rows: pl.DataFrame) -> Chart:
    """``month``, ``precision``, ``ci_low``, ``ci_high``."""
    shown = marks.with_month(rows).select(
        "month",
        pl.col("ci_low").alias("p10"),
        pl.col("precision").alias("p50"),
        pl.col("ci_high").alias("p90"),
    )
    scale = alt.Scale(domain=[0, 1])
    y = alt.Y("p10:Q", title="Flags confirmed", scale=scale, axis=marks.percent_axis(tickCount=5))
    return marks.monthly_band(shown, y, ".0%")


def _precision_said(rows: pl.DataFrame) -> Said:
    confirmed, wrong = marks.total(rows, "confirmed"), marks.total(rows, "false_alarms")
    still_open = marks.total(rows, "open")
    note = (
        f"{count(marks.total(rows, 'flags'), 'flag')} in {count(rows.height, 'month')}, "
        f"{number(still_open)} without an outcome yet; ticks are shares, bars 95 % intervals."
    )
    decided = count(confirmed + wrong, "flag")
    part = "all" if not wrong else number(confirmed) if confirmed else "none"
    return Said(f"Of {decided} with an outcome, {part} were confirmed by a fault found", note)


def _precision_table(rows: pl.DataFrame) -> Table:
    lines = [
        (
            month_name(r["month"]),
            *(number(r[c]) for c in ("flags", "confirmed", "false_alarms", "open")),
            share(r["precision"]),
            span(share(r["ci_low"]), share(r["ci_high"])),
        )
        for r in rows.iter_rows(named=True)
    ]
    heads = ("Month", "Flags", "Confirmed", "False alarms", "Open", "Confirmed share", "95 %")
    return table(lines, *heads)


def months_figure(months: pl.DataFrame | None, measures: Measures) -> Figure | None:
    """What each published month expected of the year after it."""
    if months is None or months.height < 2:
        return None
    rows = months.sort("month")
    return Figure(
        key="months-compared",
        said=_months_said(rows),
        chart=months_chart(rows),
        table=_months_table(rows, measures),
        sql="select count(*) filter (where flagged), count(*) from mart.wheel_end_status",
    )


def months_chart(rows: pl.DataFrame) -> Chart:
    """``month``, ``relines_p10``/``_p50``/``_p90``: the year's relines as each month saw them."""
    shown = rows.select(
        pl.col("month").cast(pl.String).str.slice(0, 7),
        *(pl.col(f"relines_{q}").alias(q) for q in ("p10", "p50", "p90")),
    )
    y = alt.Y("p10:Q", title="Relines forecast for the 12 months after", scale=alt.Scale(zero=True))
    return marks.monthly_band(shown, y, ",.0f")


def _months_said(rows: pl.DataFrame) -> Said:
    before, now = rows.row(-2, named=True), rows.row(-1, named=True)
    note = (
        f"Relines that each of {count(rows.height, 'published month')} forecast for the twelve "
        "months after it: ticks are even chances, bars hold 8 outcomes in 10."
    )
    since = f"{month_key_name(before['month'])}'s {number(before['relines_p50'])}"
    now_said = f"{number(now['relines_p50'])} relines in the year ahead"
    if before["relines_p10"] <= now["relines_p50"] <= before["relines_p90"]:
        return Said(f"The forecast holds: {now_said}, against {since}", note)
    turn = "risen" if now["relines_p50"] > before["relines_p50"] else "fallen"
    return Said(f"The forecast has {turn} beyond its band: {now_said}, against {since}", note)


def _months_table(rows: pl.DataFrame, measures: Measures) -> Table:
    lines = [
        (
            month_key_name(r["month"]),
            number(r["wheel_ends"]),
            number(r["flagged"]),
            span(number(r["relines_p10"]), number(r["relines_p90"])),
            measures.money_span(r["cost_p10"], r["cost_p90"]),
        )
        for r in rows.iter_rows(named=True)
    ]
    heads = ("Month", "Wheel ends", "Flagged", "Relines in 12 months (8 in 10)", "Cost (8 in 10)")
    return table(lines, *heads)
