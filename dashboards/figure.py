"""A chart with all that must stand beside it: its conclusion, its n, its numbers and their SQL."""

import itertools
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import altair as alt
import polars as pl

from dashboards.theme import CONFIG

DIMENSIONS = ("depot", "duty", "axle_type")
MOST_SELECTIONS = 300  # conclusions are computed for every selection while there are no more
SVG_WIDTH = 720

Chart = alt.Chart | alt.LayerChart


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


@dataclass(frozen=True, slots=True)
class Figure:
    """One chart of the page.

    ``matching`` is how the page's filter acts on its rows: ``cells`` keeps the rows of the selected
    depot, duty and axle type; ``margin`` wants the row that has exactly the selection (null: all);
    ``whole`` hides the figure when it belongs to another selection; ``none`` leaves it alone.
    """

    key: str
    said: Said
    chart: Chart
    table: Table
    sql: str
    matching: Literal["cells", "margin", "whole", "none"] = "none"
    dimensions: tuple[str, ...] = ()
    said_for: Mapping[str, Said] = field(default_factory=dict)
    belongs_to: Mapping[str, str] = field(default_factory=dict)
    small: bool = False

    def spec(self) -> dict[str, Any]:
        """The chart for the page, its rows apart under ``datasets``."""
        fit = alt.AutoSizeParams(type="fit-x", contains="padding")
        return self.chart.properties(width="container", autosize=fit).to_dict()

    def svg_spec(self) -> dict[str, Any]:
        """The chart with its title in it, for reports."""
        title = alt.TitleParams(
            self.said.title, subtitle=self.said.note, anchor="start", fontSize=15, limit=SVG_WIDTH
        )
        width = SVG_WIDTH // 2 if self.small else SVG_WIDTH
        spec = self.chart.properties(width=width, title=title).to_dict()
        return {**spec, "config": CONFIG | {"background": "white"}}


def selection_key(dimensions: Sequence[str], values: Mapping[str, str | None]) -> str:
    """The page's script builds the same key: values of the figure's dimensions, empty for all."""
    return "\x1f".join(values.get(d) or "" for d in dimensions)


def said_for_selections(
    frame: pl.DataFrame,
    dimensions: Sequence[str],
    say: Callable[[pl.DataFrame], Said],
    pick: Callable[[pl.DataFrame, Mapping[str, str | None]], pl.DataFrame] | None = None,
) -> dict[str, Said]:
    """What the chart says of every selection, by key; empty when there are too many."""
    choices = [_choices(frame, d) for d in dimensions]
    total = 1
    for values in choices:
        total *= len(values)
    if not dimensions or total > MOST_SELECTIONS:
        return {}
    return dict(_said(frame, dimensions, choices, say, pick or cells))


def _choices(frame: pl.DataFrame, dimension: str) -> list[str | None]:
    return [None, *frame[dimension].drop_nulls().unique().sort().to_list()]


def _said(
    frame: pl.DataFrame,
    dimensions: Sequence[str],
    choices: Sequence[Sequence[str | None]],
    say: Callable[[pl.DataFrame], Said],
    pick: Callable[[pl.DataFrame, Mapping[str, str | None]], pl.DataFrame],
) -> Iterator[tuple[str, Said]]:
    for combination in itertools.product(*choices):
        values = dict(zip(dimensions, combination, strict=True))
        rows = pick(frame, values)
        if not rows.is_empty():
            yield selection_key(dimensions, values), say(rows)


def cells(frame: pl.DataFrame, values: Mapping[str, str | None]) -> pl.DataFrame:
    """Rows of the selected values; a value that is null selects nothing."""
    kept = [pl.col(d) == v for d, v in values.items() if v is not None]
    return frame.filter(*kept) if kept else frame


def margin(frame: pl.DataFrame, values: Mapping[str, str | None]) -> pl.DataFrame:
    """The rows that have exactly these values, null for "over all"."""
    return frame.filter(pl.col(d).eq_missing(pl.lit(v)) for d, v in values.items())


def table(rows: Sequence[Sequence[str]], *head: str, most: int = 150) -> Table:
    """A figure's table, cut where it would swamp the page."""
    kept = tuple(tuple(row) for row in rows[:most])
    return Table(head, kept, max(0, len(rows) - most))


def bar_height(rows: int, each: int = 26, least: int = 60) -> int:
    return max(least, each * rows)
