"""The wheel ends to look at first."""

from dataclasses import dataclass

import polars as pl

from dashboards.measures import Measures
from dashboards.page_data import PageData
from dashboards.theme import STATE_WORDS
from dashboards.words import day_name, share

MOST_ROWS = 900
MOST_OF_A_DEPOT = 40  # each depot's most urgent are carried whatever the others' priorities


@dataclass(frozen=True, slots=True)
class FlaggedRow:
    """One line of the list, in words."""

    wheel_end_id: str
    unit_id: str
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
    rows: tuple[FlaggedRow, ...]
    total: int
    wheel_ends: int


def flagged(data: PageData) -> Flagged:
    status = data.wheel_end_status
    everything = status.filter("flagged")
    kept = _kept(everything)
    changes = _change_words(data)
    measures = Measures(data.fleet)
    rows = (_row(r, measures, changes) for r in kept.iter_rows(named=True))
    return Flagged(tuple(rows), everything.height, status.height)


def _kept(everything: pl.DataFrame) -> pl.DataFrame:
    ranked = everything.sort(
        "priority", "wheel_end_id", descending=[True, False], nulls_last=True
    ).with_row_index("_rank")
    in_depot = pl.col("_rank").rank("ordinal").over(pl.col("depot").fill_null(""))
    return ranked.filter((pl.col("_rank") < MOST_ROWS) | (in_depot <= MOST_OF_A_DEPOT)).head(
        2 * MOST_ROWS
    )


def _change_words(data: PageData) -> dict[str, str]:
    if data.changes is None:
        return {}
    words = {"newly": "new", "still": "still"}
    pairs = data.changes.filter(pl.col("change").is_in(list(words)))
    return {r["wheel_end_id"]: words[r["change"]] for r in pairs.iter_rows(named=True)}


def _row(r: dict[str, object], measures: Measures, changes: dict[str, str]) -> FlaggedRow:
    get = r.get
    return FlaggedRow(
        wheel_end_id=str(get("wheel_end_id")),
        unit_id=str(get("unit_id")),
        depot=str(get("depot") or ""),
        duty=str(get("duty")),
        axle_type=str(get("axle_type")),
        state=STATE_WORDS.get(str(get("state")), str(get("state"))),
        evidence=str(get("evidence") or "No sentence was written for this one."),
        p_out=share(get("p_out_next_check")),  # type: ignore[arg-type]
        lining=measures.length(get("lining_mm")),  # type: ignore[arg-type]
        minimum=day_name(get("min_on_p10")),  # type: ignore[arg-type]
        last_seen=day_name(get("last_inspected_on")),  # type: ignore[arg-type]
        change=changes.get(str(get("wheel_end_id")), ""),
    )
