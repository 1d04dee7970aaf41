"""Pieces that several charts share."""

from collections.abc import Sequence
from typing import Any

import altair as alt
import polars as pl

from dashboards.theme import DEEP, HAZE, INK, PALE, RUST, SAND, SOFT

__all__ = ["DEEP", "HAZE", "INK", "PALE", "RUST", "SAND", "SOFT"]

SHAPES = ("circle", "diamond", "square", "triangle-up", "cross")


def layered(frame: pl.DataFrame, height: int | alt.Step, *layers: alt.Chart) -> alt.LayerChart:
    """Layers over one another, all on the same rows."""
    return alt.LayerChart(layer=list(layers), data=frame, height=height)


def total(frame: pl.DataFrame, column: str) -> int:
    """The sum of a column of counts."""
    return int(frame[column].sum())


def with_group(frame: pl.DataFrame, duty_order: Sequence[str]) -> pl.DataFrame:
    """Adds ``group`` (axle type and duty), rows in the order they are drawn."""
    ranks = {duty: i for i, duty in enumerate(duty_order)}
    return (
        frame.with_columns(
            pl.col("duty").replace_strict(ranks, default=len(ranks)).alias("_rank"),
            pl.concat_str(
                pl.col("axle_type").fill_null("all axle types"),
                pl.lit(" / "),
                pl.col("duty").fill_null("all duties"),
            ).alias("group"),
        )
        .sort("axle_type", "_rank", "duty", nulls_last=True)
        .drop("_rank")
    )


def group_axis(frame: pl.DataFrame, field: str = "group", limit: int = 200) -> alt.Y:
    order = frame[field].unique(maintain_order=True).to_list()
    axis = alt.Axis(labelLimit=limit, ticks=False, domain=False, title=None)
    return alt.Y(f"{field}:N", sort=order, axis=axis)


def from_zero() -> alt.Scale:
    return alt.Scale(zero=True, nice=True)


def told_apart(field: str, words: Sequence[str]) -> alt.Shape:
    """Shapes for words; a legend says which."""
    scale = alt.Scale(domain=list(words), range=list(SHAPES[: len(words)]))
    return alt.Shape(f"{field}:N", scale=scale)


def line_at(channel: str, value: float, words: str) -> tuple[alt.Chart, ...]:
    """A thin line at a value, named at its end."""
    data = pl.DataFrame({"at": [value], "words": [words]})
    place: dict[str, Any] = {channel: alt.X("at:Q") if channel == "x" else alt.Y("at:Q")}
    rule = alt.Chart(data).mark_rule(stroke=SOFT, strokeDash=[4, 3]).encode(**place)
    return (rule,)


def steady_band(low: float, high: float, channel: str = "y") -> alt.Chart:
    """The band in force, behind everything."""
    data = pl.DataFrame({"low": [low], "high": [high]})
    mark: alt.Chart = alt.Chart(data).mark_rect(fill=HAZE)
    if channel == "x":
        return mark.encode(x="low:Q", x2="high:Q")
    return mark.encode(y="low:Q", y2="high:Q")
