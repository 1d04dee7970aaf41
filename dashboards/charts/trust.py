"""How far to trust it: what earlier forecasts and flags came to, and the months compared."""

from collections.abc import Mapping
from typing import Any

import altair as alt
import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special

from dashboards.drawing import marks
from dashboards.drawing.figure import Chart, Figure, Said, Table, table
from dashboards.drawing.theme import INK
from dashboards.sentences.measures import Measures
from dashboards.sentences.words import (
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
CHANCE = 0.1  # of so few inside, or so many, below which chance does not explain it
FEWEST = 20  # outcomes below which a share says too little
FEWEST_TOTALS = 6  # quarters
# How often a lining was at its minimum as said: a chance, not a band.
NOT_A_BAND = "min_now"
QUARTERS, YEARS, DATES = "relines_quarter", "relines_year", "reline_on"
MEASURE_WORDS = {
    "lining_mm": "next lining reading",
    "min_on": "day at the minimum",
    DATES: "day of the reline",
    QUARTERS: "relines in a quarter",
    YEARS: "relines in a year",
    "failures_quarter": "adjuster failures in a quarter",
    "failures_year": "adjuster failures in a year",
}


def coverage_figure(backtest: pl.DataFrame) -> Figure | None:
    """The share of outcomes that fell inside the bands given before, against the share promised."""
    measures = judged(backtest)
    if measures.is_empty():
        return None
    return Figure(
        key="forecasts-held",
        said=_coverage_said(measures),
        chart=coverage_chart(measures),
        table=_coverage_table(backtest.sort("measure", "origin")),
        sql="select * from mart.backtest order by measure, origin",
    )


def judged(backtest: pl.DataFrame) -> pl.DataFrame:
    """Each forecast over all its origins.

    ``key``, ``measure`` in words, ``held`` (ends of the band included), ``strictly`` (between
    them), ``below`` and ``above``, ``promised``; ``n`` forecasts of ``outcomes``: one quarter, or
    one reline, is forecast from several origins.
    """
    rows = backtest.filter(
        pl.col("observed").is_not_null(),
        pl.col("nominal").is_not_null(),
        pl.col("n") > 0,
        pl.col("measure") != NOT_A_BAND,
    )

    def weighted(name: str) -> pl.Expr:
        return (pl.col(name) * pl.col("n")).sum() / pl.col("n").sum()

    each = rows.sort("measure", "origin").group_by("measure", maintain_order=True)
    pooled = each.agg(
        weighted("observed").alias("held"),
        weighted("strictly_inside").alias("strictly"),
        weighted("below"),
        weighted("above"),
        weighted("nominal").alias("promised"),
        pl.col("n").sum(),
        most=pl.col("n").max(),
        origins=pl.len(),
    )
    return pooled.select(
        pl.col("measure").alias("key"),
        _in_words(pl.col("measure")),
        *("held", "strictly", "below", "above", "promised", "n"),
        # Every origin adds a quarter that none before it saw; a year in four does not overlap.
        pl.when(pl.col("measure") == QUARTERS)
        .then("origins")
        .when(pl.col("measure") == YEARS)
        .then((pl.col("origins") + 3) // 4)
        .when(pl.col("measure") == "lining_mm")
        .then("n")
        .otherwise("most")
        .cast(pl.Int64)
        .alias("outcomes"),
    )


def is_total(row: Mapping[str, Any]) -> bool:
    return row["key"] in (QUARTERS, YEARS)


def verdict(row: Mapping[str, Any]) -> str:
    """What a forecast's own history says of its bands; days that fall on a band's ends count for
    it as inside, and against it as well."""
    if row["outcomes"] < (FEWEST_TOTALS if is_total(row) else FEWEST):
        return "too few to judge"
    if is_total(row):
        inside, n, promised = round(row["held"] * row["outcomes"]), row["outcomes"], row["promised"]
        narrow = special.bdtr(inside, n, promised) < CHANCE
        wide = special.bdtrc(inside - 1, n, promised) < CHANCE if inside else False
    else:
        narrow = row["held"] < row["promised"] - CLOSE
        wide = row["strictly"] > row["promised"] + CLOSE
    if narrow:
        return "too narrow"
    return "wider than needed" if wide else "as promised"


def _in_words(measure: pl.Expr) -> pl.Expr:
    return measure.replace(MEASURE_WORDS).str.replace_all("_", " ")


def jeffreys_interval(
    hits: NDArray[np.float64], trials: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """95 % of the beta distribution after a prior of half a hit and half a miss (Brown, Cai,
    DasGupta 2001, *Statistical Science* 16:101)."""
    low, high = special.betaincinv(hits + 0.5, trials - hits + 0.5, [[0.025], [0.975]])
    return low, high


def coverage_chart(measures: pl.DataFrame) -> Chart:
    """A row per forecast of :func:`judged`, with the 95 % interval of so many outcomes."""
    n = measures["outcomes"].to_numpy()
    low, high = jeffreys_interval(np.round(measures["held"].to_numpy() * n), n)
    shown = measures.select(
        pl.col("measure").alias("group"), "held", "strictly", "promised", "n", "outcomes"
    ).with_columns(low=pl.Series(low), high=pl.Series(high))
    scale, axis = alt.Scale(domain=[0, 1]), marks.percent_axis()
    x = alt.X("held:Q", title="Outcomes inside the band", scale=scale, axis=axis)
    described = marks.tips(
        ("group:N", "Forecast", ""),
        ("held:Q", "Inside, ends included", ".0%"),
        ("strictly:Q", "Between the ends", ".0%"),
        ("promised:Q", "Promised", ".0%"),
        ("n:Q", "Forecasts", ",d"),
        ("outcomes:Q", "Outcomes", ",d"),
    )
    base = alt.Chart(shown).encode(y=marks.group_axis(shown), tooltip=described)
    interval = base.mark_bar(height=9, fill=marks.PALE, cornerRadius=2)
    ends = base.mark_rule(color=INK, strokeWidth=1.5)
    promised = base.mark_tick(color=marks.RUST, thickness=3, bandSize=18).encode(
        x=alt.X("promised:Q")
    )
    return marks.layered(
        shown,
        alt.Step(marks.STEP),
        interval.encode(x=alt.X("low:Q"), x2=alt.X2("high:Q")),
        ends.encode(x=alt.X("strictly:Q"), x2=alt.X2("held:Q")),
        promised,
        base.mark_point().encode(x=x),
    )


def _coverage_said(measures: pl.DataFrame) -> Said:
    note = (
        f"Points: share of {count(marks.total(measures, 'n'), 'forecast')} whose outcome fell "
        "inside the band, its ends included; the line reaches back to the share strictly between "
        "them, which is less where relines come on the very days named. Pale bars: 95 % interval "
        "of so many different outcomes, were they independent; upright ticks: the share promised."
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
            r["named"],
            day_name(r["origin"]),
            share(r["nominal"]),
            *(share(r[name]) for name in ("observed", "strictly_inside", "below", "above")),
            number(r["n"]),
            _bias(r["bias"]),
            *(_score(r[f"crps{rival}"]) for rival in ("", "_last_year", "_straight_line")),
        )
        for r in rows.with_columns(named=_in_words(pl.col("measure"))).iter_rows(named=True)
    ]
    heads = ("Forecast of", "As of", "Promised", "Held", "Between the ends", "Below", "Above")
    scored = ("Judged", "Outcome minus forecast", "CRPS", "Last year again", "Straight lines")
    return table(lines, *heads, *scored)


def _score(value: float | None) -> str:
    return "–" if value is None else figures(value)


def _bias(value: float | None) -> str:
    if value is None:
        return "–"
    text = figures(value)
    return text if text.startswith(MINUS) or value == 0 else f"+{text}"


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
