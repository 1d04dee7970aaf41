"""A chart with all that must stand beside it: its conclusion, its n, its numbers and their SQL."""

import itertools
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal

import altair as alt
import polars as pl

from dashboards.drawing.theme import CONFIG

DIMENSIONS = ("depot", "duty", "axle_type")
MOST_SELECTIONS = 300  # conclusions are computed for every selection while there are no more
MOST_ROWS = 3_000  # of one chart; beyond, the chart is not split by the finest dimensions
SVG_WIDTH = 720
SVG_LINE = 105  # characters of a subtitle that fit the width

Chart = alt.Chart | alt.LayerChart
Selection = Mapping[str, str | None]
Pick = Callable[[pl.DataFrame, Selection], pl.DataFrame]
Matching = Literal["cells", "margin", "whole", "none"]


@dataclass(frozen=True, slots=True)
class Said:
    """The one message of a chart, and what a careful reader must know about it."""

    title: str
    note: str


@dataclass(frozen=True, slots=True)
class Table:
    """The chart's numbers, as text: for those who cannot or would rather not see it."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    left_out: int = 0


@dataclass(frozen=True)
class Figure:
    """One chart of the page.

    ``matching`` is how the page's filter acts on its rows: ``cells`` keeps the rows of the selected
    depot, duty and axle type; ``margin`` wants the rows that have exactly the selection (null:
    all); ``whole`` hides the figure when it belongs to another selection; ``none`` leaves it alone.
    ``every_selection`` is the chart with the rows of all selections, where they are not the same.
    """

    key: str
    said: Said
    chart: Chart
    table: Table
    sql: str
    matching: Matching = "none"
    dimensions: tuple[str, ...] = ()
    said_for: Mapping[str, Said] = field(default_factory=dict)
    belongs_to: Mapping[str, str] = field(default_factory=dict)
    every_selection: Chart | None = None
    small: bool = False  # three beside each other
    half: bool = False  # two

    def spec(self) -> dict[str, Any]:
        """The chart for the page: as wide as its place, its rows apart under ``datasets``."""
        spec = _spec_of(self.every_selection) if self.every_selection else self._own_spec
        return spec | {"width": "container", "autosize": {"type": "fit-x", "contains": "padding"}}

    def svg_spec(self) -> dict[str, Any]:
        """The chart with its message in it, for reports."""
        width = SVG_WIDTH // 2 if self.small or self.half else SVG_WIDTH
        line = SVG_LINE * width // SVG_WIDTH
        title = {
            "text": _folded(self.said.title, line * 4 // 5),
            "subtitle": _folded(self.said.note, line),
            "anchor": "start",
            "frame": "bounds",
            "fontSize": 15,
            "offset": 14,
        }
        own = {"width": width, "title": title, "padding": 14}
        return self._own_spec | own | {"config": CONFIG | {"background": "white"}}

    @cached_property
    def _own_spec(self) -> dict[str, Any]:
        """The chart's own, for the page and the reports alike."""
        return _spec_of(self.chart)


def _spec_of(chart: Chart) -> dict[str, Any]:
    # The tests validate every chart: it costs seconds.
    return chart.to_dict(validate=False)


def _folded(text: str, width: int) -> list[str]:
    """Lines of about ``width`` characters, broken at spaces."""
    lines = [""]
    for word in text.split(" "):
        if lines[-1] and len(lines[-1]) + len(word) >= width:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    return lines


def selection_key(dimensions: Sequence[str], values: Selection) -> str:
    """The page's script builds the same key: values of the figure's dimensions, empty for all."""
    return "\x1f".join(values.get(d) or "" for d in dimensions)


def cells(frame: pl.DataFrame, values: Selection) -> pl.DataFrame:
    """Rows of the selected values; a value that is null selects nothing."""
    kept = [pl.col(d) == v for d, v in values.items() if v is not None]
    return frame.filter(*kept) if kept else frame


def margin(frame: pl.DataFrame, values: Selection) -> pl.DataFrame:
    """The rows that have exactly these values, null for "over all"."""
    return frame.filter(
        pl.col(d).is_null() if v is None else pl.col(d) == v for d, v in values.items()
    )


def said_for_selections(
    frame: pl.DataFrame,
    dimensions: Sequence[str],
    say: Callable[[pl.DataFrame], Said],
    pick: Pick = cells,
) -> dict[str, Said]:
    """What the chart says of every selection, by key; empty when there are too many."""
    choices = [[None, *frame[d].drop_nulls().unique().sort().to_list()] for d in dimensions]
    total = 1
    for values in choices:
        total *= len(values)
    if not dimensions or total > MOST_SELECTIONS:
        return {}
    return dict(_said(frame, dimensions, choices, say, pick))


def _said(
    frame: pl.DataFrame,
    dimensions: Sequence[str],
    choices: Sequence[Sequence[str | None]],
    say: Callable[[pl.DataFrame], Said],
    pick: Pick,
) -> Iterator[tuple[str, Said]]:
    for combination in itertools.product(*choices):
        values = dict(zip(dimensions, combination, strict=True))
        rows = pick(frame, values)
        if not rows.is_empty():
            yield selection_key(dimensions, values), say(rows)


def counted(
    frame: pl.DataFrame, *by: str, also: Sequence[pl.Expr] = ()
) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Rows counted as ``n``, and sums ``also``, by ``by`` and as many dimensions as the page can
    carry.

    Returns the counts and the dimensions they are split by; axle type is given up first, depot
    last.
    """
    for dimensions in (DIMENSIONS, DIMENSIONS[:2], DIMENSIONS[:1], ()):
        counts = frame.group_by(*dimensions, *by).agg(pl.len().alias("n"), *also)
        counts = counts.sort(*dimensions, *by)
        if counts.height <= MOST_ROWS:
            break
    return counts, dimensions


def carried(frame: pl.DataFrame, dimensions: Sequence[str]) -> pl.DataFrame:
    """The margins that the page can carry, the coarsest first."""
    depth = pl.sum_horizontal(pl.col(d).is_not_null().cast(pl.Int64) for d in dimensions)
    rows = frame.with_columns(depth.alias("_depth"))
    heights = rows.group_by("_depth").len().sort("_depth")
    deepest = heights.filter(pl.col("len").cum_sum() <= MOST_ROWS)["_depth"].max()
    return rows.filter(pl.col("_depth") <= (0 if deepest is None else deepest)).drop("_depth")


def table(rows: Sequence[Sequence[str]], *head: str, most: int = 120) -> Table:
    """A figure's table, cut where it would swamp the page."""
    kept = tuple(tuple(row) for row in rows[:most])
    return Table(head, kept, max(0, len(rows) - most))
