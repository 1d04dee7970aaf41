"""When a share of the records that matters is in no figure."""

import polars as pl
import pytest

from dashboards.sentences.missing import MATTERS, missing, reasons_counted, worst_alone_said
from dashboards.sentences.words import plain

REASONS = pl.DataFrame(
    {
        "table_name": ["work", "work", "work"],
        "reason_kind": ["unknown wheel end", "action not readable", "unknown wheel end"],
        "path": ["work/b.csv", "work/a.csv", "work/a.csv"],
        "row_no": [2, 9, 7],
        "reason": ["found K9/1L", "found x", "found K8/1L"],
    }
)


def loads(*rows: tuple[str, str, int, int, str]) -> pl.DataFrame:
    counts = {"rows_read": pl.Int64, "set_aside": pl.Int64}
    schema = {"path": pl.String, "table_name": pl.String, **counts, "status": pl.String}
    return pl.DataFrame(rows, schema=schema, orient="row")


def test_reasons_are_counted_with_their_first_row():
    counted = reasons_counted(REASONS).filter(pl.col("reason_kind") == "unknown wheel end")
    assert counted.rows(named=True) == [
        {
            "table_name": "work",
            "reason_kind": "unknown wheel end",
            "n": 2,
            "path": "work/a.csv",
            "row_no": 7,
            "reason": "found K8/1L",
        }
    ]


@pytest.mark.parametrize(("aside", "warned"), [(49, 0), (50, 0), (51, 1), (1000, 1)])
def test_a_table_is_named_above_the_share_that_matters(aside, warned):
    """Of the table, not of the whole: a small table's rows are few among all."""
    assert MATTERS == 0.05
    read = loads(
        ("work/a.csv", "work", 1000, aside, "loaded"),
        ("i.csv", "inspections", 10**6, 0, "loaded"),
    )
    assert len(missing(read, reasons_counted(REASONS))) == warned


@pytest.mark.parametrize(
    ("kind", "way"),
    [
        ("unknown wheel end", "without them nobody seems to leave, and too much is forecast."),
        ("odometer_km missing", "totals are too low by it"),
        ("lining_mm missing", "If a heading has another name in your files"),
    ],
)
def test_what_the_figures_lack_for_it_is_said_with_the_way_out(kind, way):
    """A quarter of the relines were missing from the totals of a fleet that wrote its odometers
    down at every second visit, and the page said only that rows were set aside."""
    read = loads(("work/a.csv", "work", 1000, 500, "loaded"))
    reasons = REASONS.with_columns(reason_kind=pl.lit(kind))
    (said,) = missing(read, reasons_counted(reasons))
    assert way in said


def test_a_file_that_was_not_read_is_named_however_small_and_without_rows():
    status = "not read: found not a Parquet file"
    some = loads(("w.csv", "work", 10, 0, "loaded"), ("w.parquet", "work", 0, 0, status))
    (said,) = missing(some, reasons_counted(reasons_counted(REASONS.clear())))
    assert said.startswith("1 file of the table “work” could not be read, 1 could")
    (whole,) = missing(some.tail(1), reasons_counted(reasons_counted(REASONS.clear())))
    assert whole.startswith("Nothing of the table “work” could be read")
    assert status in whole


def test_nothing_read_and_nothing_set_aside_is_nothing_missing():
    assert missing(loads(), reasons_counted(reasons_counted(REASONS.clear()))) == ()


def test_what_a_newer_file_corrected_is_not_missing():
    corrected = REASONS.with_columns(reason_kind=pl.lit("corrected by a newer file"))
    read = loads(("work/a.csv", "work", 20, 3, "loaded"))
    assert missing(read, reasons_counted(corrected)) == ()
    (said,) = missing(read, reasons_counted(pl.concat([REASONS, REASONS, corrected])))
    assert said.startswith("2 of 20 rows of the table “work” (10")
    assert "The commonest reason is “unknown wheel end”" in said


def test_files_of_no_table_that_cannot_be_read_are_beside_those_that_can():
    good = ("a.csv", "inspections", 8, 0, "loaded")
    (said,) = missing(
        loads(good, ("b.xls", "", 0, 0, "not read: found .xls")), reasons_counted(REASONS.clear())
    )
    assert said.startswith("1 file could not be read, 1 could: what stands there")
    (said,) = missing(
        loads(("b.xls", "", 0, 0, "not read: found .xls")), reasons_counted(REASONS.clear())
    )
    assert said.startswith("Nothing could be read")


@pytest.mark.parametrize(
    ("part", "wrong", "told"), [(0.4, 90, True), (0.4, 40, False), (1.0, 90, False)]
)
def test_checks_that_write_down_only_what_is_wrong_are_told(part: float, wrong: int, told: bool):
    """Half of a unit may be looked at in turn, and a bad fleet be written down in full."""
    written = {"checks": [60], "part": [part], "readings": [100], "wrong": [wrong]}
    said = worst_alone_said(pl.DataFrame(written))
    assert len(said) == told
    assert all("40 % of a unit's wheel ends are on record, and at 90 %" in plain(s) for s in said)
    assert worst_alone_said(None) == ()
