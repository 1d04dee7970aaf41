"""The wheel ends to look at first, in words."""

from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboards.drawing.room import Room
from dashboards.drawing.theme import STATE_WORDS
from dashboards.page_data import PageData
from dashboards.sentences.advice import state_words
from dashboards.sentences.measures import Measures
from dashboards.sentences.words import day_name, month_short, share, span, typeset

WEEKS_A_YEAR = 52.0
Z80 = 1.2816  # normal quantile: 8 outcomes in 10 lie within so many standard deviations
SURE = 1e-6  # nothing estimated from records is surer than that
MOST_OPEN = 6  # drawn with their histories without being asked


@dataclass(frozen=True, slots=True)
class FlaggedRow:
    """One line of the list."""

    wheel_end_id: str
    depot: str
    duty: str
    axle_type: str
    code: str  # the state's own name, by which the page marks it
    state: str
    evidence: str
    figures: str
    change: str


@dataclass(frozen=True, slots=True)
class Flagged:
    """The list as the page carries it, and how many there are in all."""

    rows: tuple[FlaggedRow, ...]
    total: int
    wheel_ends: int


def flagged(data: PageData, room: Room) -> Flagged:
    status = data.wheel_end_status
    everything = status.filter("flagged").with_columns(said=state_words(STATE_WORDS))
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
    weeks = [
        pl.col(name).cast(pl.Float64) if name in changes.columns else pl.lit(None).alias(name)
        for name in ("weeks_flagged", "weeks_flagged_most")
    ]
    rows = changes.select("wheel_end_id", "change", *weeks)
    return {end: _since(change, *weeks) for end, change, *weeks in rows.iter_rows()}


def _since(change: str, least: float | None, most: float | None) -> str:
    """How long a flag has stood, as exactly as the days on which it was judged tell.

    >>> _since("still", 13.0, 26.1), _since("still", 52.1, None), _since("newly", 0.0, 4.3)
    ('for 13 to 26 weeks', 'for a year or more', 'new')
    """
    if change == "newly":
        return "new"
    if change != "still" or least is None:
        return ""
    if most is not None:
        return f"for {least:.0f} to {most:.0f} weeks"
    return "for a year or more" if least >= WEEKS_A_YEAR else f"for {least:.0f} weeks or more"


def _row(r: dict[str, Any], measures: Measures, changes: dict[str, str]) -> FlaggedRow:
    return FlaggedRow(
        wheel_end_id=r["wheel_end_id"],
        depot=r["depot"] or "",
        duty=r["duty"],
        axle_type=r["axle_type"],
        code=r["state"],
        state=r["said"],
        evidence=typeset(r["evidence"] or ""),
        figures=" ".join(f"{part}." for part in _figures(r, measures) if part),
        change=changes.get(r["wheel_end_id"], ""),
    )


def _figures(r: dict[str, Any], measures: Measures) -> tuple[str, ...]:
    """What stands under the reason: only what is known, and nothing that the reason has said."""
    out = r["p_out_next_check"]
    return (
        "" if out is None else f"Out of band by the next check: {share(_unsure(out))}",
        "" if r["state"] == "worn_out" else lining_said(r, measures),
        f"Last seen {day_name(r['last_inspected_on'])}" if r["last_inspected_on"] else "",
        f"{r['depot'] or 'No depot'}, {r['duty']}, {r['axle_type']}",
    )


def _unsure(chance: float) -> float:
    """A chance that is said to be neither none nor certain."""
    return min(max(chance, SURE), 1 - SURE)


def lining_said(r: dict[str, Any], measures: Measures) -> str:
    """The lining now and when it will be at its minimum; a reading, where nothing is estimated."""
    if r["lining_mm"] is None:
        if r["lining_read_mm"] is None:
            return "No lining reading on record"
        return f"Lining read {measures.length(r['lining_read_mm'])} on " + day_name(
            r["lining_read_on"]
        )
    half = Z80 * r["lining_sd"]
    around = span(
        measures.length(max(r["lining_mm"] - half, 0.0)), measures.length(r["lining_mm"] + half)
    )
    now = f"Lining now {measures.length(r['lining_mm'])} (8 chances in 10: {around})"
    if r["min_on_p10"] is None:
        return now
    early, late = month_short(r["min_on_p10"]), month_short(r["min_on_p90"])
    when = f"{early} or later" if r["min_on_p90"] is None else span(early, late)
    return f"{now}, at its minimum {when}"
