"""How well adjusters are set, by depot and month; and what is overdue."""

import altair as alt
import polars as pl

from dashboards.drawing import marks
from dashboards.drawing.figure import (
    Chart,
    Figure,
    Said,
    Table,
    counted,
    margin,
    said_for_selections,
    table,
)
from dashboards.drawing.theme import CLAY, SAND, SOFT
from dashboards.sentences.words import count, day_name, listed, month_name, number, share, span

MOST_MONTHS = 24
FEWEST_OUT = 3  # settings out of band that make a month a worse one
SHARE = ("share", "ci_low", "ci_high")
APART, ALIKE = "differs more than chance explains", "within chance"


def depots_figure(quality: pl.DataFrame | None) -> Figure | None:
    """The share of settings found outside the band at the first check after, by depot."""
    rows = _known(quality)
    if rows is None:
        return None
    depots = rows.filter(pl.col("month").is_null(), pl.col("depot").is_not_null())
    fleet = rows.filter(pl.col("month").is_null(), pl.col("depot").is_null())
    if depots.height < 2:
        return None
    named = depots.with_columns(pl.col("depot").alias("group")).sort("share", descending=True)
    middle = fleet["share"][0] if fleet.height else None
    return Figure(
        key="settings-by-depot",
        said=_depots_said(named, middle),
        chart=depots_chart(named, middle),
        table=_table(named, "depot"),
        sql="select * from mart.setting_quality where month is null",
        matching="cells",
        dimensions=("depot",),
    )


def _known(quality: pl.DataFrame | None) -> pl.DataFrame | None:
    if quality is None:
        return None
    rows = quality.filter(pl.all_horizontal(pl.col(c).is_not_null() for c in SHARE))
    outlier = pl.col("outlier") if "outlier" in rows.columns else pl.lit(value=False)
    return rows.with_columns(
        outlier.fill_null(value=False).alias("outlier"),
        pl.col("depot").replace("", "no depot"),
    )


def depots_chart(named: pl.DataFrame, fleet_share: float | None) -> Chart:
    """``group``, ``share``, ``ci_low``, ``ci_high``, ``outlier``; dashed: the fleet's share."""
    shown = named.select(
        "group",
        "depot",
        *SHARE,
        "settings",
        pl.when("outlier").then(pl.lit(APART)).otherwise(pl.lit(ALIKE)).alias("verdict"),
    )
    x = alt.X(
        "ci_low:Q",
        title="Settings out of band at the next check",
        scale=alt.Scale(zero=True),
        axis=alt.Axis(format="~%"),
    )
    behind = [] if fleet_share is None else [marks.line_at("x", fleet_share)]
    return marks.interval_plot(
        shown,
        SHARE,
        x,
        ".1%",
        *behind,
        shape=marks.told_apart("verdict", (ALIKE, APART)),
        more_tips=(("settings:Q", "Settings", ",d"),),
    )


def _depots_said(rows: pl.DataFrame, fleet_share: float | None) -> Said:
    settings = count(marks.total(rows, "settings"), "setting")
    note = (
        f"{settings}, judged at the first check after each, not those of adjusters that had been "
        "out at the check before too; bars are 95 % intervals."
    )
    if fleet_share is not None:
        note += f" Dashed: the fleet's {share(fleet_share, 1)}."
    worse = rows.filter("outlier", pl.col("share") > (fleet_share or 0.0))
    if worse.is_empty():
        return Said("No depot's settings stand out: the differences are within chance", note)
    words = [
        f"{r['depot']} ({share(r['share'])}, {span(share(r['ci_low']), share(r['ci_high']))})"
        for r in worse.iter_rows(named=True)
    ]
    return Said(f"Settings miss the band more often than chance explains in {listed(words)}", note)


def months_figure(quality: pl.DataFrame | None) -> Figure | None:
    """The same share month by month."""
    rows = _known(quality)
    if rows is None:
        return None
    whole = rows.filter(pl.col("month").is_null())
    monthly = _latest(rows.filter(pl.col("month").is_not_null()))
    fleet = margin(monthly, {"depot": None}).sort("month")
    if fleet.is_empty():
        return None

    def say(frame: pl.DataFrame) -> Said:
        return _months_said(frame, whole)

    return Figure(
        key="settings-by-month",
        said=say(fleet),
        chart=months_chart(fleet),
        table=_table(fleet, "month"),
        sql="select * from mart.setting_quality where depot is null order by month",
        matching="margin",
        dimensions=("depot",),
        said_for=said_for_selections(monthly, ("depot",), say, margin),
        every_selection=months_chart(monthly),
    )


def months_chart(rows: pl.DataFrame) -> Chart:
    """``month``, ``depot``, ``share``, ``ci_low``, ``ci_high``."""
    shown = marks.with_month(rows).select(
        "month",
        "depot",
        pl.col("ci_low").alias("p10"),
        pl.col("share").alias("p50"),
        pl.col("ci_high").alias("p90"),
    )
    axis = alt.Axis(format="~%")
    y = alt.Y("p10:Q", title="Settings out of band", scale=alt.Scale(zero=True), axis=axis)
    return marks.monthly_band(shown, y, ".1%")


def _latest(monthly: pl.DataFrame) -> pl.DataFrame:
    last = monthly["month"].unique().sort().tail(MOST_MONTHS)
    return monthly.filter(pl.col("month").is_in(last.implode()))


def _months_said(rows: pl.DataFrame, whole: pl.DataFrame) -> Said:
    """The newest month against the share of all months together."""
    last, made = rows.sort("month").row(-1, named=True), marks.total(rows, "settings")
    note = (
        f"{count(made, 'setting')} in {count(rows.height, 'month')}; "
        "ticks are shares, bars 95 % intervals."
    )
    if not marks.total(rows, "out_of_band"):
        return Said(f"Not one of {count(made, 'setting')} missed the band at its first check", note)
    now = (
        f"{number(last['out_of_band'])} of {number(last['settings'])} settings of "
        f"{month_name(last['month'])} missed the band"
    )
    usual = margin(whole, {"depot": last["depot"]})["share"]
    if usual.is_empty():
        return Said(now, note)
    before = f"the {share(usual[0], 1)} of all months together"
    if last["ci_low"] > usual[0] and last["out_of_band"] >= FEWEST_OUT:
        return Said(f"Setting has become worse: {now}, more than {before}", note)
    if last["ci_high"] < usual[0]:
        return Said(f"Setting has become better: {now}, fewer than {before}", note)
    if last["ci_low"] > usual[0]:
        return Said(f"{now}: too few to say more, beside {before}", note)
    return Said(f"{now}: within chance of {before}", note)


def _table(rows: pl.DataFrame, by: str) -> Table:
    lines = [
        (
            r["depot"] if by == "depot" else month_name(r["month"]),
            number(r["settings"]),
            number(r["out_of_band"]),
            share(r["share"], 1),
            span(share(r["ci_low"], 1), share(r["ci_high"], 1)),
        )
        for r in rows.iter_rows(named=True)
    ]
    return table(lines, by.capitalize(), "Settings", "Out of band", "Share", "95 %")


def overdue_figure(overdue: pl.DataFrame | None) -> Figure | None:
    """Checks, greasing and first services past their day."""
    if overdue is None or overdue.is_empty():
        return None
    counts, dimensions = counted(
        overdue.with_columns(pl.col("depot").fill_null("no depot")), "kind"
    )
    longest = float(overdue["weeks_overdue"].max() or 0)  # type: ignore[arg-type]
    return Figure(
        key="overdue-work",
        said=_overdue_said(counts, longest),
        chart=overdue_chart(counts, split="depot" in dimensions),
        table=_overdue_table(overdue),
        sql="select * from mart.overdue order by weeks_overdue desc",
        matching="cells",
        dimensions=dimensions,
        said_for=said_for_selections(counts, dimensions, lambda f: _overdue_said(f, None)),
    )


def overdue_chart(counts: pl.DataFrame, *, split: bool) -> Chart:
    """``kind``, ``n`` and, if ``split``, ``depot``: a line each, a shade for each kind."""
    kinds = counts["kind"].unique().sort().to_list()
    shades = [marks.DEEP, SAND, CLAY, marks.PALE, SOFT]
    field = "depot" if split else "kind"
    shown = counts.sort(field).with_columns(pl.col(field).alias("group"))
    bars: alt.Chart = (
        alt.Chart(shown)
        .mark_bar(height=15, stroke="white", strokeWidth=1)
        .encode(
            y=marks.group_axis(shown),
            x=alt.X("sum(n):Q", title="Overdue", axis=alt.Axis(tickMinStep=1, format="d")),
            color=alt.Color("kind:N", scale=alt.Scale(domain=kinds, range=shades[: len(kinds)])),
            tooltip=marks.tips(
                ("group:N", field.capitalize(), ""),
                ("kind:N", "What", ""),
                ("sum(n):Q", "Overdue", ",d"),
            ),
        )
    )
    return bars.properties(height=alt.Step(marks.STEP))


def _overdue_said(counts: pl.DataFrame, longest_weeks: float | None) -> Said:
    kinds = counts.group_by("kind").agg(pl.col("n").sum()).sort("n", "kind", descending=True)
    words = [count(r["n"], r["kind"]) for r in kinds.iter_rows(named=True)]
    items = count(marks.total(counts, "n"), "item")
    note = f"{items} past the day that the fleet's own intervals set."
    if longest_weeks is not None:
        note += f" The longest wait is {number(longest_weeks)} weeks."
    return Said(f"Overdue: {listed(words)}", note)


def _overdue_table(overdue: pl.DataFrame) -> Table:
    rows = [
        (
            r["wheel_end_id"],
            r["kind"],
            day_name(r["due_on"]),
            number(r["weeks_overdue"], 1),
            r["depot"] or "",
        )
        for r in overdue.sort("weeks_overdue", descending=True).head(400).iter_rows(named=True)
    ]
    cut = table(rows, "Wheel end", "What", "Due", "Weeks overdue", "Depot", most=60)
    return Table(cut.head, cut.rows, overdue.height - len(cut.rows))


def overdue_now(overdue: pl.DataFrame | None) -> str:
    """How much is overdue, in a few words; empty when it was not counted."""
    if overdue is None:
        return ""
    if overdue.is_empty():
        return "Nothing is overdue"
    kinds = overdue.group_by("kind").len("n").sort("n", "kind", descending=True)
    return listed([count(r["n"], r["kind"]) for r in kinds.iter_rows(named=True)])
