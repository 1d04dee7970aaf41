"""The work list: what to look at, to reline, and to catch up on, each whole, by depot and unit."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import polars as pl

from dashboards.drawing.theme import STATE_WORDS
from dashboards.page_data import PageData
from dashboards.sentences.advice import state_words
from dashboards.sentences.due import overdue_list, reline_list
from dashboards.sentences.measures import Measures
from dashboards.sentences.method import CAUTIONS
from dashboards.sentences.words import plain
from pipeline.publish.spreadsheets import Book, Column, Kind, Page, safe_csv

# Written by hand, on paper or in the sheet: nothing here fills them.
BY_HAND = {
    "who": Column("Who", width=10),
    "done_on": Column("Done on", "day"),
    "remarks": Column("Remarks", width=20),
}
WORK_LIST = {
    "depot": Column("Depot"),
    "unit_id": Column("Unit"),
    "wheel_end_id": Column("Wheel end"),
    "state": Column("What", width=14),
    "evidence": Column("Why", "long"),
    "lining": Column("Lining now, {length}", "number"),
    "min_on_p10": Column("Minimum, early date", "day"),
    "reline_on_p50": Column("Reline visit expected", "day"),
    "last_inspected_on": Column("Last inspected", "day"),
    **BY_HAND,
    "axle_type": Column("Axle type"),
    "duty": Column("Duty"),
    "priority": Column("Priority", "number"),
    "p_out_now": Column("Chance out of band now", "share"),
    "p_out_next_check": Column("Chance out of band by the next check", "share"),
    "stroke_ratio": Column("Free stroke / arm", "number"),
    "take_up": Column("Take-up", "number"),
    "lining_read": Column("Lining read last, {length}", "number"),
    "lining_read_on": Column("Lining read on", "day"),
}
RELINES = {
    "depot": Column("Depot"),
    "act_by": Column("Act by", "day"),
    "unit_id": Column("Unit"),
    "wheel_end_id": Column("Wheel end"),
    "urgency": Column("Urgency", width=20),
    "reline_on_p50": Column("Reline visit expected", "day"),
    "min_on_p10": Column("Minimum, early date", "day"),
    "min_on_p50": Column("Minimum, even chance", "day"),
    "lining": Column("Lining now, {length}", "number"),
    "axle_type": Column("Axle type"),
    **BY_HAND,
    "lining_read": Column("Lining read last, {length}", "number"),
    "lining_read_on": Column("Lining read on", "day"),
    "duty": Column("Duty"),
    "last_inspected_on": Column("Last inspected", "day"),
    "p_relined": Column("Chance that it was relined, not written down", "share"),
}
OVERDUE = {
    "depot": Column("Depot"),
    "unit_id": Column("Unit"),
    "wheel_end_id": Column("Wheel end"),
    "kind": Column("What"),
    "due_on": Column("Was due", "day"),
    "weeks_overdue": Column("Weeks overdue", "number"),
    "axle_type": Column("Axle type"),
    "duty": Column("Duty"),
    **BY_HAND,
}
# On paper a list ends with what is written by hand; what follows it is for the screen.
LAST_ON_PAPER = "remarks"


@dataclass(frozen=True, slots=True)
class Lists:
    """The three lists, in words and in the fleet's units, and the headings they stand under."""

    work: pl.DataFrame
    relines: pl.DataFrame
    overdue: pl.DataFrame
    length_unit: str

    def headed(self, columns: Mapping[str, Column]) -> dict[str, Column]:
        kind: Kind = "mean" if self.length_unit == "mm" else "inch"
        return {
            n: (replace(c, kind=kind) if "{length}" in c.heading else c).named(
                length=self.length_unit
            )
            for n, c in columns.items()
        }


def lists_of(data: PageData) -> Lists:
    """What the work list holds, every row of it."""
    measures = Measures(data.fleet)
    due = reline_list(data.wheel_end_status, data.as_of, data.fleet.horizon_months)
    late = overdue_list(data.overdue, data.on_record)
    return Lists(
        work=_worded(work_list(data.wheel_end_status), WORK_LIST, measures),
        relines=_worded(due, RELINES, measures),
        overdue=_worded(late, OVERDUE, measures),
        length_unit=measures.length_unit,
    )


def work_list(status: pl.DataFrame) -> pl.DataFrame:
    """Flagged wheel ends: by depot and unit, the most urgent unit of each depot first."""
    flagged = status.filter("flagged").with_columns(state=state_words(STATE_WORDS))
    urgency = pl.col("priority").max().over("depot", "unit_id")
    return flagged.sort(
        pl.col("depot").fill_null(""),
        -urgency,
        "unit_id",
        -pl.col("priority"),
        "wheel_end_id",
    )


def _worded(rows: pl.DataFrame, columns: Mapping[str, Column], measures: Measures) -> pl.DataFrame:
    """The list's columns alone, in the words and units of page and workbook."""
    digits = {"mm": 1, "in": 2}[measures.length_unit]
    found = rows.columns
    made = rows.with_columns(
        *(
            (pl.col(mm) * measures.per_mm).round(digits).alias(mm.removesuffix("_mm"))
            for mm in ("lining_mm", "lining_read_mm")
            if mm in found
        ),
        *([pl.col("state").replace(STATE_WORDS)] * ("state" in found)),
        *([pl.col("stroke_ratio", "take_up").round(3)] * ("take_up" in found)),
        *([pl.col("weeks_overdue").round(1)] * ("weeks_overdue" in found)),
        *(pl.lit(None, dtype=pl.String).alias(name) for name in BY_HAND),
    )
    return made.select(columns.keys())


def list_files(data: PageData) -> tuple[dict[str, bytes], dict[str, Book]]:
    """Name → content: each list as CSV; and of all three the work list's workbook, in one wording,
    yet to be written."""
    lists = lists_of(data)
    tables = {
        "worklist": (lists.work, WORK_LIST),
        "reline_list": (lists.relines, RELINES),
        "overdue_list": (lists.overdue, OVERDUE),
    }
    texts = {
        f"{name}.csv": safe_csv(rows.rename({n: c.heading for n, c in lists.headed(cols).items()}))
        for name, (rows, cols) in tables.items()
    }
    return texts, {"worklist.xlsx": work_list_book(lists, data)}


def work_list_book(lists: Lists, data: PageData) -> Book:
    """For the office: filters, a frozen heading, a depot to a printed page."""

    def page(name: str, rows: pl.DataFrame, columns: Mapping[str, Column]) -> Page:
        headed = lists.headed(columns)
        return Page(
            name,
            rows,
            headed,
            groups=("depot", "unit_id"),
            apart=True,
            last_on_paper=LAST_ON_PAPER,
        )

    pages = (
        page("Work list", lists.work, WORK_LIST),
        page("Relines", lists.relines, RELINES),
        page("Overdue", lists.overdue, OVERDUE),
    )
    return Book(pages, _notes(lists, data), "Work list", data.as_of)


def _notes(lists: Lists, data: PageData) -> list[tuple[str, Sequence[str]]]:
    about = (
        f"Work list: wheel ends to look at first, as of {data.as_of}: {lists.work.height} of "
        f"{data.wheel_end_status.height}.",
        f"Relines: every wheel end expected to need relining within {data.fleet.horizon_months} "
        f"months, or that may within about a round of checks: {lists.relines.height} of them. "
        "Act by: the expected visit, or the early date of the minimum where that comes first.",
        f"Overdue: checks, greasings and first services past their day, and what has no "
        f"usable inspection: {lists.overdue.height} rows, one a wheel end and kind.",
        "Depots by name; in a depot the most urgent first. Who, Done on and Remarks are yours. On "
        "paper the lists end with Remarks; the columns after it are on the screen.",
        "Priority only ranks: higher first. Chances are those of the free stroke being outside its "
        "band.",
        "Minimum, early date: one chance in ten that the lining reaches its minimum before it.",
    )
    # A list is passed on without its page: what holds for all of it goes along.
    doubts = [("To know first", tuple(map(plain, data.notes)))] if data.notes else []
    return [*doubts, ("About these lists", about), ("Cautions", CAUTIONS)]
