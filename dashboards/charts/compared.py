"""Duties compared with one another, as ratios with intervals."""

from typing import Any

import altair as alt
import polars as pl

from dashboards.drawing import marks
from dashboards.drawing.figure import Chart, Figure, Said, Table, said_for_selections, table
from dashboards.sentences.words import capital, listed, number, span, with_interval

LEVEL = 0.05
APART, NOT_APART = "told apart", "not told apart"
MOST_DRAWN = 36
VERDICT = pl.when(pl.col("p_adjusted") < LEVEL).then(pl.lit(APART)).otherwise(pl.lit(NOT_APART))
RATIO = ("ratio", "ci_low", "ci_high")


def comparison_figure(
    comparisons: pl.DataFrame, measure: str, what: str, effects: pl.DataFrame | None = None
) -> Figure | None:
    """``what`` names the thing compared, as in "lining wear"; ``effects`` has the same on both time
    scales, where there are two."""
    rows = _rows(comparisons, measure)
    if rows.is_empty():
        return None

    def say(frame: pl.DataFrame) -> Said:
        return _said(frame, what, effects)

    return Figure(
        key=f"compared-{measure.replace('_', '-')}",
        said=say(rows),
        chart=comparison_chart(_clearest(rows), what),
        table=_table(rows),
        sql=f"select * from mart.duty_comparisons where measure = '{measure}' order by p_adjusted",
        matching="cells",
        dimensions=("axle_type",),
        said_for=said_for_selections(rows, ("axle_type",), say),
    )


def _rows(comparisons: pl.DataFrame, measure: str) -> pl.DataFrame:
    """The comparisons of one measure, each the way round in which its ratio is above one."""
    kept = comparisons.filter(
        pl.col("measure") == measure, pl.col("ratio") > 0, pl.col("ci_low") > 0
    )
    below = pl.col("ratio") < 1
    turned = kept.with_columns(
        pl.when(below).then("duty_b").otherwise("duty_a").alias("duty_a"),
        pl.when(below).then("duty_a").otherwise("duty_b").alias("duty_b"),
        pl.when(below).then(1 / pl.col("ratio")).otherwise("ratio").alias("ratio"),
        pl.when(below).then(1 / pl.col("ci_high")).otherwise("ci_low").alias("ci_low"),
        pl.when(below).then(1 / pl.col("ci_low")).otherwise("ci_high").alias("ci_high"),
    )
    return turned.with_columns(
        pl.concat_str(
            pl.col("axle_type").fill_null("all axle types"),
            pl.lit(" / "),
            "duty_a",
            pl.lit(" : "),
            "duty_b",
        ).alias("group"),
        verdict=VERDICT,
    )


def _clearest(rows: pl.DataFrame) -> pl.DataFrame:
    kept = rows.sort("p_adjusted", nulls_last=True, maintain_order=True).head(MOST_DRAWN)
    return kept.sort("ratio", descending=True)


def comparison_chart(frame: pl.DataFrame, what: str) -> Chart:
    """``group``, ``axle_type``?, ``ratio``, ``ci_low``, ``ci_high``, ``verdict``; log scale, one
    line a pair."""
    scale = alt.Scale(type="log", nice=False, padding=6)
    axis = alt.Axis(format="~g", tickCount=6)
    return marks.interval_plot(
        frame.select(*(c for c in ("group", "axle_type") if c in frame), *RATIO, "verdict"),
        RATIO,
        alt.X("ci_low:Q", title=f"{capital(what)}, times as high", scale=scale, axis=axis),
        ".2f",
        marks.line_at("x", 1.0),
        shape=marks.told_apart("verdict", (APART, NOT_APART)),
    )


def _said(frame: pl.DataFrame, what: str, effects: pl.DataFrame | None) -> Said:
    apart = frame.filter(pl.col("verdict") == APART)
    method = frame["method"].drop_nulls().head(1).to_list()
    note = (
        f"Ratios, the higher duty named first, with 95 % intervals; {number(apart.height)} of "
        f"{number(frame.height)} pairs told apart at 5 % after Holm's adjustment."
        + "".join(f" {m.rstrip('.')}." for m in method)
    )
    if apart.is_empty():
        return Said(f"The records do not show that duty changes {what}", note)
    pooled = apart.filter(pl.col("axle_type").is_null())
    if pooled.is_empty():
        return Said(f"Duty matters: {_by_type(apart, what)}", note)
    top = pooled.sort("ratio", descending=True).row(0, named=True)
    times = with_interval(top["ratio"], top["ci_low"], top["ci_high"])
    pair = f"{what} in {top['duty_a']} is {times} times that in {top['duty_b']}"
    said = f"{pair}, all axle types together{_other_scale(top, effects)}"
    beside = None if effects is None else _beside(top, effects)
    return Said(f"{beside[0]}: {said}{beside[1]}" if beside else f"Duty matters: {said}", note)


def _by_type(apart: pl.DataFrame, what: str) -> str:
    """Of the pair that most axle types tell apart, then the widest: its ratio on each of them.

    The most extreme ratio of many is too large by chance; where nothing is pooled, all that the
    pair came to is said.
    """
    pairs = apart.group_by("duty_a", "duty_b").agg(
        pl.len().alias("types"), pl.col("ratio").log().mean().alias("middle")
    )
    pair = pairs.sort(
        "types", "middle", "duty_a", "duty_b", descending=[True, True, False, False]
    ).row(0, named=True)
    rows = apart.filter(
        pl.col("duty_a") == pair["duty_a"], pl.col("duty_b") == pair["duty_b"]
    ).sort("ratio", "axle_type", descending=[True, False])
    first, *others = (
        (with_interval(r["ratio"], r["ci_low"], r["ci_high"]), f" on {r['axle_type']} axles")
        for r in rows.iter_rows(named=True)
    )
    said = f"{what} in {pair['duty_a']} is {first[0]} times that in {pair['duty_b']}{first[1]}"
    return listed([said, *(f"{ratio}{where}" for ratio, where in others)])


def _limits(low: float | None, high: float | None) -> str:
    """Both ends; one that was not found is open."""
    if low is None or high is None:
        return f"{number(low or 0.0, 2)} or more" if high is None else f"up to {number(high, 2)}"
    return span(number(low, 2), number(high, 2))


SCALES = {"km": "by distance", "weeks": "by weeks in service"}


def _other_scale(top: dict[str, Any], effects: pl.DataFrame | None) -> str:
    """The same pair on the time scale that the fleet did not choose, and whether the two agree."""
    found = None if effects is None else _same_pair(top, effects.filter(~pl.col("fleets_clock")))
    if found is None:
        return ""
    own = "weeks" if found["clock"] == "km" else "km"
    other = with_interval(found["ratio"], found["ci_low"], found["ci_high"])
    apart = found["ci_low"] > top["ci_high"] or found["ci_high"] < top["ci_low"]
    scales = f" {SCALES[own]}; {SCALES[str(found['clock'])]} it is {other}"
    return f"{scales}: the two scales disagree" if apart else scales


# What is weighed together with duty, as a sentence names it.
BESIDE = {
    "depot": "the depot",
    "axle_type": "the axle type",
    "part": "the part fitted",
    "greasing_overdue": "greasing",
    "greased_late_share": "greasing",
    "cap_open": "the grease cap",
}


# What may stand in the place of duty, as a sentence names it.
INSTEAD = {"depot": "depots", "part": "parts fitted"}


def _beside(top: dict[str, Any], effects: pl.DataFrame) -> tuple[str, str] | None:
    """What stands in the place of "Duty matters", and after it, where the pair's ratio is another
    once depot, greasing and all else are weighed too, or cannot be told from the depots'."""
    own = effects.filter("fleets_clock", pl.col("measure") == top["measure"])
    with_duty = pl.col("note").str.contains(r"goes with .*\bduty\b").fill_null(value=False)
    untold = own.filter(pl.col("ratio").is_null(), with_duty)["term"].to_list()
    for term, these in INSTEAD.items():
        if term in untold:
            return (
                f"Duty or {term}",
                f"; {these} and duties go together in these records and cannot be told apart",
            )
    found = _same_pair(top, own)
    if found is None or found["ci_low"] > 1.0:
        return None
    told = own.filter(pl.col("p_adjusted") < LEVEL, pl.col("term") != "duty")["term"].unique()
    names = [BESIDE[t] for t in BESIDE if t in told] or ["all else that is compared"]
    ratio = with_interval(found["ratio"], found["ci_low"], found["ci_high"])
    open_ = found["ci_high"] >= top["ratio"]
    return (
        "Duty, or what goes with it" if open_ else "Not duty, as far as the records show",
        f", but {ratio} times beside {listed(list(dict.fromkeys(names)))}",
    )


def _same_pair(top: dict[str, Any], effects: pl.DataFrame) -> dict[str, Any] | None:
    rows = effects.filter(
        pl.col("term") == "duty",
        pl.col("cause").is_null(),
        pl.col("measure") == top["measure"],
        pl.all_horizontal(pl.col(c).is_not_null() for c in (*RATIO, "level", "reference")),
    )
    for row in rows.iter_rows(named=True):
        if (row["level"], row["reference"]) == (top["duty_a"], top["duty_b"]):
            return row
        if (row["reference"], row["level"]) == (top["duty_a"], top["duty_b"]):
            ends = {"ratio": "ratio", "ci_low": "ci_high", "ci_high": "ci_low"}
            return row | {to: 1 / row[source] for to, source in ends.items()}
    return None


def _table(frame: pl.DataFrame) -> Table:
    rows = [
        (
            r["axle_type"] or "all",
            r["duty_a"],
            r["duty_b"],
            number(r["ratio"], 2),
            _limits(r["ci_low"], r["ci_high"]),
            number(r["p_adjusted"], 4),
            r["verdict"],
        )
        for r in frame.iter_rows(named=True)
    ]
    return table(rows, "Axle type", "Duty", "Against", "Ratio", "95 %", "p, adjusted", "Verdict")
