"""The wheel ends to look at first, in words."""

from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboards.drawing.room import Room
from dashboards.drawing.theme import STATE_WORDS
from dashboards.measures import Measures
from dashboards.page_data import PageData
from dashboards.words import day_name, month_short, share, span

MOST_OPEN = 6  # drawn with their histories without being asked


@dataclass(frozen=True, slots=True)
class FlaggedRow:
    """One line of the list."""

    wheel_end_id: str
    depot: str
    duty: str
    axle_type: str
    state: str
    evidence: str
    p_out: str
    lining: str
    minimum: str
    last_seen: str
    change: str


@dataclass(frozen=True, slots=True)
class Flagged:
    """The list as the page carries it, and how many there are in all."""

    rows: tuple[FlaggedRow, ...]
    total: int
    wheel_ends: int


def flagged(data: PageData, room: Room) -> Flagged:
    status = data.wheel_end_status
    everything = status.filter("flagged")
    changes = _change_words(data.compared)
    measures = Measures(data.fleet)
    rows = (_row(r, measures, changes) for r in _kept(everything, room).iter_rows(named=True))
    return Flagged(tuple(rows), everything.height, status.height)


def _kept(everything: pl.DataFrame, room: Room) -> pl.DataFrame:
    ranked = everything.sort(
        "priority", "wheel_end_id", descending=[True, False], nulls_last=True
    ).with_row_index("_rank")
    in_depot = pl.col("_rank").rank("ordinal").over(pl.col("depot").fill_null(""))
    wanted = (pl.col("_rank") < room.flags) | (in_depot <= room.of_a_depot)
    return ranked.filter(wanted).head(2 * room.flags)


def _change_words(changes: pl.DataFrame | None) -> dict[str, str]:
    if changes is None:
        return {}
    weeks = pl.col("weeks_flagged") if "weeks_flagged" in changes.columns else pl.lit(None)
    rows = changes.select("wheel_end_id", "change", weeks.cast(pl.Float64).alias("weeks"))
    return {r["wheel_end_id"]: _since(r["change"], r["weeks"]) for r in rows.iter_rows(named=True)}


def _since(change: str, weeks: float | None) -> str:
    if change == "newly":
        return "new"
    return f"for {weeks:.0f} weeks or more" if change == "still" and weeks is not None else ""


def _row(r: dict[str, Any], measures: Measures, changes: dict[str, str]) -> FlaggedRow:
    return FlaggedRow(
        wheel_end_id=r["wheel_end_id"],
        depot=r["depot"] or "",
        duty=r["duty"],
        axle_type=r["axle_type"],
        state=STATE_WORDS.get(r["state"], r["state"]),
        evidence=r["evidence"] or "",
        p_out=share(r["p_out_next_check"]),
        lining=measures.length(r["lining_mm"]),
        minimum=_minimum(r),
        last_seen=day_name(r["last_inspected_on"]),
        change=changes.get(r["wheel_end_id"], ""),
    )


def _minimum(r: dict[str, Any]) -> str:
    return span(month_short(r["min_on_p10"]), month_short(r["min_on_p90"]))
