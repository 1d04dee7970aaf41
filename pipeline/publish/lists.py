"""The work list: flagged wheel ends, grouped by depot and unit, the most urgent first."""

import datetime as dt

import polars as pl

from dashboards.advice import state_words
from dashboards.drawing.theme import STATE_WORDS
from dashboards.method import CAUTIONS
from pipeline.publish.spreadsheets import Column, Page, workbook

WORK_LIST = {
    "depot": Column("Depot"),
    "unit_id": Column("Unit"),
    "wheel_end_id": Column("Wheel end"),
    "axle_type": Column("Axle type"),
    "duty": Column("Duty"),
    "priority": Column("Priority", "number"),
    "state": Column("State"),
    "evidence": Column("Why", "long"),
    "p_out_now": Column("Chance out of band now", "share"),
    "p_out_next_check": Column("Chance out of band by the next check", "share"),
    "stroke_ratio": Column("Free stroke / arm", "number"),
    "take_up": Column("Take-up", "number"),
    "lining_mm": Column("Lining, mm", "number"),
    "min_on_p10": Column("Minimum, early date", "day"),
    "reline_on_p50": Column("Reline visit expected", "day"),
    "lining_read_mm": Column("Lining read last, mm", "number"),
    "lining_read_on": Column("Lining read on", "day"),
    "last_inspected_on": Column("Last inspected", "day"),
}


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
    ).select(WORK_LIST.keys())


def work_list_workbook(work: pl.DataFrame, as_of: dt.date) -> bytes:
    """The work list for the office: filters, a frozen heading, a depot to a printed page."""
    worded = work.with_columns(
        pl.col("state").cast(pl.String).replace(STATE_WORDS),
        pl.col("stroke_ratio", "take_up").round(3),
        pl.col("lining_mm", "lining_read_mm").round(1),
    )
    page = Page("Work list", worded, WORK_LIST, groups=("depot", "unit_id"), apart=True)
    about = (
        f"Wheel ends to look at first, as of {as_of}: {work.height} of them.",
        "Depots by name; in a depot the unit with the most urgent wheel end first.",
        "Priority only ranks: higher first. Chances are those of the free stroke being outside its "
        "band.",
        "Minimum, early date: one chance in ten that the lining reaches its minimum before it.",
    )
    notes = [("About this list", about), ("Cautions", CAUTIONS)]
    return workbook([page], notes, "Work list", as_of)
