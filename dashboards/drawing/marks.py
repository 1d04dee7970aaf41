"""Pieces that the charts share: the interval plot, the monthly band, and the shapes behind them."""

from collections.abc import Sequence
from typing import Any

import altair as alt
import polars as pl

from dashboards.drawing.theme import DEEP, HAZE, PALE, RUST, SHAPES, SOFT
from dashboards.sentences.words import MONTHS

__all__ = [
    "DEEP",
    "HAZE",
    "PALE",
    "RUST",
    "group_axis",
    "interval_plot",
    "layered",
    "line_at",
    "month_axis",
    "monthly_band",
    "percent_axis",
    "steady_band",
    "tips",
    "told_apart",
    "total",
    "with_group",
    "with_month",
]

STEP = 26
EVERY_MONTH = 12
QUARTERS = ("01", "04", "07", "10")
_MONTH_LABEL = (
    f"[{[m[:3] for m in MONTHS]}[toNumber(slice(datum.value, 5)) - 1], "
    "datum.index == 0 || slice(datum.value, 5) == '01' ? slice(datum.value, 0, 4) : '']"
)


def layered(frame: pl.DataFrame, height: int | alt.Step, *layers: alt.Chart) -> alt.LayerChart:
    """Layers over one another, all on the same rows unless they bring their own."""
    return alt.LayerChart(layer=list(layers), data=frame, height=height)


def total(frame: pl.DataFrame, column: str) -> int:
    """The sum of a column of counts."""
    return int(frame[column].sum())


def with_group(frame: pl.DataFrame, duty_order: Sequence[str]) -> pl.DataFrame:
    """Adds ``group`` (axle type and duty); rows in the order they are drawn."""
    ranks = {duty: i for i, duty in enumerate(duty_order)}
    rank = pl.col("duty").replace_strict(ranks, default=len(ranks), return_dtype=pl.Int64)
    return (
        frame.with_columns(
            rank.alias("_rank"),
            pl.concat_str(
                pl.col("axle_type").fill_null("all axle types"),
                pl.lit(" / "),
                pl.col("duty").fill_null("all duties"),
            ).alias("group"),
        )
        .sort("axle_type", "_rank", "duty", nulls_last=True)
        .drop("_rank")
    )


def with_month(frame: pl.DataFrame) -> pl.DataFrame:
    """``month`` as text (``2025-03``), in order."""
    return frame.with_columns(pl.col("month").cast(pl.String).str.slice(0, 7)).sort("month")


def group_axis(frame: pl.DataFrame) -> alt.Y:
    """``group`` down the side, in the order of the rows."""
    order = frame["group"].unique(maintain_order=True).to_list()
    axis = alt.Axis(ticks=False, domain=False, title=None, grid=False, labelPadding=8)
    return alt.Y("group:N", sort=order, axis=axis)


def month_axis(months: Sequence[str], *, bars: bool) -> alt.X:
    """One step a month, the year under its first; bars stay slim however few the months.

    Of many months only the first of each quarter is named.
    """
    named = [m for m in months if len(months) <= EVERY_MONTH or m[5:] in QUARTERS]
    axis = alt.Axis(
        values=named,
        labelExpr=_MONTH_LABEL,
        labelAngle=0,
        labelOverlap=False,
        title=None,
        ticks=False,
    )
    scale = alt.Scale(domain=list(months))
    if bars:
        scale.paddingInner = inner = max(0.35, 1 - len(months) / 24)
        scale.paddingOuter = inner / 2
    return alt.X("month:O", axis=axis, scale=scale)


def percent_axis(**more: Any) -> alt.Axis:
    return alt.Axis(format="~%", **more)


def tips(*named: tuple[str, str, str]) -> list[alt.Tooltip]:
    """Tooltips of (field with its type, heading, format; empty for text)."""
    return [
        alt.Tooltip(field, title=title, format=form) if form else alt.Tooltip(field, title=title)
        for field, title, form in named
    ]


def told_apart(field: str, words: Sequence[str]) -> alt.Shape:
    """A shape for each word; a legend says which."""
    scale = alt.Scale(domain=list(words), range=list(SHAPES[: len(words)]))
    return alt.Shape(f"{field}:N", scale=scale)


def interval_plot(
    frame: pl.DataFrame,
    columns: tuple[str, str, str],
    x: alt.X,
    form: str,
    *behind: alt.Chart,
    shape: alt.Shape | None = None,
    more_tips: Sequence[tuple[str, str, str]] = (),
) -> alt.LayerChart:
    """A bar from low to high and a point on it, one line a ``group``.

    ``columns`` are the point, the low and the high end; ``form`` writes them in the tooltip.
    """
    point, low, high = columns
    described = tips(
        ("group:N", "Group", ""),
        (f"{point}:Q", "Estimate", form),
        (f"{low}:Q", "From", form),
        (f"{high}:Q", "To", form),
        *more_tips,
    )
    base = alt.Chart(frame).encode(y=group_axis(frame), tooltip=described)
    bar = base.mark_bar(height=9, fill=PALE, cornerRadius=2).encode(x=x, x2=alt.X2(f"{high}:Q"))
    dot = base.mark_point().encode(x=alt.X(f"{point}:Q"))
    return layered(frame, alt.Step(STEP), *behind, bar, dot.encode(shape=shape) if shape else dot)


def monthly_band(frame: pl.DataFrame, y: alt.Y, form: str = ",.1f") -> alt.LayerChart:
    """``month``, ``p10``, ``p50``, ``p90``: a bar from low to high, a tick at the middle."""
    described = tips(
        ("month:N", "Month", ""),
        ("p10:Q", "Low", form),
        ("p50:Q", "Middle", form),
        ("p90:Q", "High", form),
    )
    axis = month_axis(frame["month"].unique().sort().to_list(), bars=True)
    base = alt.Chart(frame).encode(x=axis, tooltip=described)
    band = base.mark_bar(fill=PALE, cornerRadius=2).encode(y=y, y2=alt.Y2("p90:Q"))
    at_middle = y.copy()
    at_middle.shorthand = "p50:Q"  # titled like the band, which may be missing
    middle = base.mark_tick(orient="horizontal", thickness=3).encode(y=at_middle)
    return layered(frame, 220, band, middle)


def line_at(channel: str, value: float) -> alt.Chart:
    """A thin dashed line at a value that everything is compared with."""
    data = pl.DataFrame({"at": [value]})
    mark: alt.Chart = alt.Chart(data).mark_rule(stroke=SOFT, strokeDash=[4, 3], strokeWidth=1.5)
    return mark.encode(x=alt.X("at:Q")) if channel == "x" else mark.encode(y=alt.Y("at:Q"))


def steady_band(low: float, high: float, channel: str = "y") -> alt.Chart:
    """The band in force, behind everything."""
    data = pl.DataFrame({"from": [low], "to": [high]})
    mark: alt.Chart = alt.Chart(data).mark_rect(fill=HAZE)
    if channel == "x":
        return mark.encode(x=alt.X("from:Q"), x2=alt.X2("to:Q"))
    return mark.encode(y=alt.Y("from:Q"), y2=alt.Y2("to:Q"))
