"""Exports that repeat all of history, and what a newer one says otherwise."""

import datetime as dt
import os

import polars as pl
import pytest

from pipeline.lake.loading import load
from pipeline.settings import Settings
from pipeline.warehouse import warehouse
from pipeline.warehouse.judging import judge
from tests.drawing import rows
from tests.lakes import inspections, register, work

NOW = dt.datetime(2026, 2, 1, 6)
TO_THIS_DAY = dt.date(2025, 6, 30)


@pytest.fixture
def con():
    with warehouse.in_memory() as opened:
        yield opened


def lake_of(folder, **exports):
    """A register, and inspections under these names."""
    for table in ("register", "inspections"):
        (folder / table).mkdir(parents=True)
    register().write_csv(folder / "register" / "all.csv")
    for name, frame in exports.items():
        frame.write_csv(folder / "inspections" / f"{name}.csv")
    return folder


def judged(con, lake, settings=None):
    load(con, lake, settings or Settings(), NOW)
    judge(con, settings or Settings(), NOW.date(), None)
    return rows(
        con, "select sum(rows_read), sum(accepted), sum(repeated), sum(set_aside) from mart.loads"
    )[0]


def up_to(frame, day):
    return frame.filter(pl.col("inspected_on").str.to_date() <= day)


def corrected(frame, count):
    """The same with another lining in the first rows."""
    first = pl.int_range(pl.len()) < count
    return frame.with_columns(lining_mm=pl.col("lining_mm") - pl.when(first).then(0.5).otherwise(0))


def test_four_exports_that_each_repeat_all_of_history(con, tmp_path):
    whole = inspections()
    days = [dt.date(2024, 8, 1), dt.date(2025, 2, 1), dt.date(2025, 8, 1), dt.date(2026, 1, 31)]
    parts = {f"export {i}": up_to(whole, day) for i, day in enumerate(days)}
    read, accepted, repeated, set_aside = judged(con, lake_of(tmp_path, **parts))
    assert (accepted, set_aside) == (whole.height + register().height, 0)
    assert repeated == sum(p.height for p in parts.values()) - whole.height
    assert read == accepted + repeated + set_aside


@pytest.mark.parametrize("names", [("a", "z"), ("z", "a")])
def test_a_newer_export_corrects_an_older_one(con, tmp_path, names):
    older, newer = names
    whole = inspections()
    before = up_to(whole, TO_THIS_DAY)
    lake = lake_of(tmp_path, **{older: before, newer: corrected(whole, 50)})
    _, accepted, repeated, set_aside = judged(con, lake)
    again = up_to(whole.head(50), TO_THIS_DAY).height
    assert (accepted, repeated, set_aside) == (whole.height + 16, before.height - again, again)
    reasons = rows(con, "select distinct path, reason_kind from mart.set_aside")
    assert reasons == [(f"inspections/{older}.csv", "corrected by a newer file")]
    (why,) = rows(con, "select reason from mart.set_aside order by row_no limit 1")[0]
    assert "lining_mm 17.5, and 17.0 in a newer file, with records to" in why
    used = rows(
        con,
        """select lining_mm from raw.inspections i
        anti join fate.inspections f using (content_id, row_no)
        where unit_id = 'K01' and axle_no = 1 and side = 'L' order by inspected_on limit 1""",
    )
    assert used == [(17.0,)]


def test_a_day_mistyped_into_the_future_makes_no_file_newer(con, tmp_path):
    whole = inspections()
    slip = whole.head(1).with_columns(inspected_on=pl.lit("2099-01-01"))
    older = pl.concat([up_to(whole, TO_THIS_DAY), slip])
    judged(con, lake_of(tmp_path, older=older, newer=corrected(whole, 5)))
    told = rows(
        con, "select reason_kind, path, count(*) from mart.set_aside group by all order by all"
    )
    assert told == [
        ("corrected by a newer file", "inspections/older.csv", 5),
        ("dated in the future", "inspections/older.csv", 1),
    ]


def test_of_two_that_end_on_one_day_the_one_written_days_later_is_newer(con, tmp_path):
    whole = inspections()
    lake = lake_of(tmp_path, a=whole, b=corrected(whole, 3))
    os.utime(lake / "inspections" / "a.csv", (1_700_000_000,) * 2)
    os.utime(lake / "inspections" / "b.csv", (1_700_500_000,) * 2)
    assert judged(con, lake)[2:] == (whole.height - 3, 3)


def test_equally_new_files_contradict_each_other(con, tmp_path):
    whole = inspections()
    lake = lake_of(tmp_path, a=whole, b=corrected(whole, 3))
    for name in "ab":
        os.utime(lake / "inspections" / f"{name}.csv", (1_700_000_000,) * 2)
    assert judged(con, lake)[2:] == (whole.height - 3, 6)
    assert rows(con, "select distinct reason_kind from mart.set_aside") == [("contradictory rows",)]


def test_a_newer_job_corrects_an_older_one(con, tmp_path):
    lake = lake_of(tmp_path, all=inspections())
    (lake / "work").mkdir()
    work().write_csv(lake / "work" / "older.csv")
    late = work().head(1).with_columns(done_on=pl.lit("2024-05-20"), odometer_km=112_000)
    moved = work().with_columns(odometer_km=pl.col("odometer_km") + 10)
    pl.concat([moved, late], how="vertical_relaxed").write_csv(lake / "work" / "newer.csv")
    judged(con, lake)
    told = rows(
        con,
        "select path, accepted, set_aside from mart.loads where table_name = 'work' order by path",
    )
    assert told == [("work/newer.csv", 17, 0), ("work/older.csv", 0, 16)]
