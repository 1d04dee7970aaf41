"""The whole lists as the page shows them: what to reline soon, what later, what is overdue."""

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboards.page_data import PageData
from dashboards.sentences.due import (
    LATER,
    NEVER,
    SOON_WEEKS,
    WORN,
    overdue_by_unit,
    overdue_list,
    reline_list,
    soon_due,
)
from dashboards.sentences.measures import Measures
from dashboards.sentences.words import NO_DEPOT, capital, day_name

NOT_KNOWN = "not known"
LIKELY = 0.5


@dataclass(frozen=True, slots=True)
class Row:
    """A line: whom it concerns, for the filter; its cells; what its first cell leads to."""

    dimensions: Mapping[str, str]
    target: str  # a unit or wheel end
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PageList:
    """A list: its rows as far as there is room, and how many there are in all."""

    key: str
    caption: str
    head: tuple[str, ...]
    rows: tuple[Row, ...]
    total: int

    @property
    def left_out(self) -> int:
        return self.total - len(self.rows)


@dataclass(frozen=True, slots=True)
class PageLists:
    soon: PageList
    later: PageList
    overdue: PageList


def page_lists(data: PageData, most: int) -> PageLists:
    """Each list with at most ``most`` rows; the rest stands in the work list."""
    measures = Measures(data.fleet)
    relines = reline_list(data.wheel_end_status, data.as_of, data.fleet.horizon_months)
    later = relines.filter(pl.col("urgency") == LATER)
    late = overdue_by_unit(overdue_list(data.overdue, data.on_record))

    def reline_row(r: Mapping[str, Any]) -> Row:
        return _reline_row(r, measures)

    return PageLists(
        soon=_list(
            "relines-soon", "Relines due soon", RELINE_HEAD, soon_due(relines), most, reline_row
        ),
        later=_list("relines-later", "Relines expected", RELINE_HEAD, later, most, reline_row),
        overdue=_list("overdue-items", "Overdue", OVERDUE_HEAD, late, most, _overdue_row),
    )


RELINE_HEAD = ("Wheel end", "Depot", "Act by", "Lining now", "Minimum from", "Reline likely")
OVERDUE_HEAD = ("Unit", "Depot", "What", "Was due", "Wheel ends")


def _list(
    key: str,
    caption: str,
    head: tuple[str, ...],
    frame: pl.DataFrame,
    most: int,
    row: Callable[[Mapping[str, Any]], Row],
) -> PageList:
    rows = tuple(row(r) for r in frame.head(most).iter_rows(named=True))
    return PageList(key, caption, head, rows, frame.height)


def _dimensions(r: Mapping[str, Any]) -> dict[str, str]:
    return {d: r[d] or "" for d in ("depot", "duty", "axle_type")}


def _reline_row(r: Mapping[str, Any], measures: Measures) -> Row:
    lining, minimum = _lining_and_minimum(r, measures)
    cells = (
        r["wheel_end_id"],
        r["depot"] or NO_DEPOT,
        f"now: {r['urgency']}" if r["urgency"] in WORN else day_name(r["act_by"]),
        lining,
        minimum,
        _reline_likely(r),
    )
    return Row(_dimensions(r), r["wheel_end_id"], cells)


def _lining_and_minimum(r: Mapping[str, Any], measures: Measures) -> tuple[str, str]:
    """The lining now and the early day of its minimum; the reading where that says worn out and the
    line through all readings does not."""
    now, least, read = r["lining_mm"], r["lining_min_mm"], r["lining_read_mm"]
    is_worn = r["urgency"] in WORN and None not in (least, read)
    if is_worn and read <= least < (now or read + least):
        return f"{measures.length(read)} as read", f"{day_name(r['lining_read_on'])}, as read"
    lining = NOT_KNOWN if now is None else measures.length(now)
    return lining, day_name(r["min_on_p10"]) if r["min_on_p10"] else NOT_KNOWN


def _reline_likely(r: Mapping[str, Any]) -> str:
    """The visit at which the fleet, as it works, is as likely as not to reline; too late where the
    lining is as likely as not to be at its minimum before. Where the last check probably led to a
    reline that nobody wrote down, the day is that of the next lining, and not told."""
    visit, minimum = r["reline_on_p50"], r["min_on_p50"]
    if (r.get("p_relined") or 0.0) >= LIKELY:
        return "perhaps done, not written down"
    if not visit:
        return "none"
    if r["urgency"] in WORN:
        minimum = r["as_of"] + dt.timedelta(weeks=SOON_WEEKS)
    late = minimum is not None and visit > minimum
    return f"{day_name(visit)}{': too late' * late}"


def _overdue_row(r: Mapping[str, Any]) -> Row:
    never = r["kind"] == NEVER
    cells = (
        r["unit_id"],
        r["depot"] or NO_DEPOT,
        capital(r["kind"]),
        "no day on record" if never else day_name(r["due_on"]),
        r["ends"],
    )
    return Row(_dimensions(r), r["unit_id"], cells)
