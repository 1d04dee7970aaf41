"""The wheel ends that the page carries with their histories, packed for its script.

All of a small fleet; of a large one the units with the most urgent flags. The rest stays in the
warehouse, and the page says how to ask for it.
"""

import datetime as dt
from collections.abc import Sequence
from typing import Any

import polars as pl

from dashboards.drawing.room import Room
from dashboards.drawing.theme import STATE_WORDS
from dashboards.flagged import Z80
from dashboards.page_data import PageData
from dashboards.sentences.advice import state_words
from dashboards.sentences.measures import Measures

EPOCH = dt.date(1970, 1, 1)
CODED = ("depot", "duty", "axle_type", "state")
DAYS = ("last_inspected_on", "min_on_p10", "min_on_p50", "min_on_p90", "lining_read_on")


def packed(data: PageData, listed: Sequence[str], room: Room) -> dict[str, Any]:
    """``listed``: wheel ends on the page's list of flags, most urgent first."""
    ends = carried_wheel_ends(data.wheel_end_status, listed, room.wheel_ends)
    readings = _readings(data, ends, listed, room.readings)
    return {
        "ends": _columns(ends, Measures(data.fleet)),
        "histories": readings,
        "whole": ends.height == data.wheel_end_status.height,
        "asOf": (data.as_of - EPOCH).days,
    }


def carried_wheel_ends(status: pl.DataFrame, listed: Sequence[str], most: int) -> pl.DataFrame:
    """Whole units, those of the listed wheel ends first, no more than ``most`` wheel ends."""
    place = _places(listed)
    ranked = (
        status.join(place, on="wheel_end_id", how="left", maintain_order="left")
        .with_columns(pl.col("place").min().over("unit_id"))
        .sort("place", "unit_id", "axle_no", "side", nulls_last=True)
        .with_row_index("row")
    )
    fits = pl.col("row").max().over("unit_id") < most
    return ranked.filter(fits).drop("row", "place")


def _places(wheel_ends: Sequence[str]) -> pl.DataFrame:
    named = pl.DataFrame({"wheel_end_id": list(wheel_ends)}, schema={"wheel_end_id": pl.String})
    return named.with_row_index("place")


def _columns(ends: pl.DataFrame, measures: Measures) -> dict[str, Any]:
    ends = ends.with_columns(state=state_words(STATE_WORDS))
    # A reading stands in, as what it is, where nothing is estimated.
    read = pl.when(pl.col("lining_mm").is_null())
    ends = ends.with_columns(read.then(n).alias(n) for n in ("lining_read_mm", "lining_read_on"))
    text = {c: ends[c].cast(pl.String).fill_null("") for c in CODED}
    words = {c: text[c].unique().sort().to_list() for c in CODED}
    places = {c: {w: i for i, w in enumerate(ws)} for c, ws in words.items()}
    lengths = measures.scaled(ends, measures.per_mm, "lining_mm", "lining_sd", "lining_read_mm")
    return {
        "id": ends["wheel_end_id"].to_list(),
        "unit": ends["unit_id"].to_list(),
        **{c: [places[c][v] for v in text[c]] for c in CODED},
        "words": words,
        "flagged": ends["flagged"].cast(pl.Int8).to_list(),
        "lining": lengths["lining_mm"].round(3).to_list(),
        "liningHalf": (lengths["lining_sd"] * Z80).round(3).to_list(),
        "liningRead": lengths["lining_read_mm"].round(3).to_list(),
        "stroke": ends["stroke_ratio"].round(4).to_list(),
        "strokeLow": ends["stroke_ratio_p10"].round(4).to_list(),
        "strokeHigh": ends["stroke_ratio_p90"].round(4).to_list(),
        "out": ends["p_out_next_check"].round(3).to_list(),
        **{c: _days(ends[c]) for c in DAYS},
    }


def _days(dates: pl.Series) -> list[int | None]:
    return dates.cast(pl.Date).to_physical().to_list()


def _readings(
    data: PageData, ends: pl.DataFrame, listed: Sequence[str], most: int
) -> dict[str, dict[str, Any]]:
    if data.histories is None:
        return {}
    first = {w: i for i, w in enumerate(listed)}
    order = sorted(ends["wheel_end_id"], key=lambda w: first.get(w, len(first)))
    place = _places(order)
    fits = pl.int_range(pl.len()).max().over("wheel_end_id") < most
    rows = (
        _complete(data.histories)
        .join(place, on="wheel_end_id", maintain_order="left")
        .sort("place", "inspected_on")
        .filter(fits)
    )
    lists = (
        rows.with_columns((pl.col("lining_mm") * Measures(data.fleet).per_mm).round(3))
        .group_by("wheel_end_id", maintain_order=True)
        .agg(
            pl.col("inspected_on").cast(pl.Date).to_physical().alias("t"),
            pl.col("lining_mm").alias("l"),
            (pl.col("stroke_ratio") * 1e4).round(0).cast(pl.Int64).alias("s"),
            pl.col("jobs").alias("j"),
        )
    )
    limits = _limits(data)
    return {
        r["wheel_end_id"]: _history(r, limits.get(r["wheel_end_id"]))
        for r in lists.iter_rows(named=True)
    }


def _history(lists: dict[str, Any], minimum: float | None) -> dict[str, Any]:
    """Days, linings and strokes; the jobs by their place in the list; the minimum lining.

    Packed tightly, there are many: days as steps from one to the next (the first from 1970),
    strokes in ten-thousandths, linings without needless decimals.
    """
    days = lists["t"]
    history: dict[str, Any] = {
        "t": [day - before for before, day in zip([0, *days], days, strict=False)],
        "l": [int(v) if v is not None and v.is_integer() else v for v in lists["l"]],
        "s": lists["s"],
        "j": {str(i): job for i, job in enumerate(lists["j"]) if job},
    }
    return history if minimum is None else history | {"m": minimum}


def _complete(histories: pl.DataFrame) -> pl.DataFrame:
    optional = {"lining_mm": pl.Float64, "stroke_ratio": pl.Float64, "jobs": pl.String}
    return histories.with_columns(
        pl.lit(None, dtype=kind).alias(name)
        for name, kind in optional.items()
        if name not in histories.columns
    )


def _limits(data: PageData) -> dict[str, float]:
    """The minimum lining of each wheel end, in the fleet's unit."""
    if data.limits is None:
        return {}
    rows = data.limits.filter(pl.col("lining_min_mm").is_not_null())
    minima = (rows["lining_min_mm"] * Measures(data.fleet).per_mm).round(3)
    return dict(zip(rows["wheel_end_id"], minima, strict=True))
