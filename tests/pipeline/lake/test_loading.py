"""Files come, change, move and go; rows follow their content."""

import datetime as dt
import os
import shutil
from pathlib import Path

import polars as pl
import pytest

from pipeline.errors import UserError
from pipeline.lake.loading import load
from pipeline.settings import Settings
from pipeline.warehouse import warehouse
from pipeline.warehouse.judging import judge
from tests.drawing import rows
from tests.lakes import write_small_lake

NOW = dt.datetime(2026, 1, 31, 12)
PER_UNIT = 36  # rows of one unit's inspections file


@pytest.fixture
def lake(tmp_path):
    return write_small_lake(tmp_path / "lake")


@pytest.fixture
def con():
    with warehouse.in_memory() as connection:
        yield connection


def reload(con, lake, settings=None, now=NOW):
    settings = settings or Settings()
    read = load(con, lake, settings, now)
    judge(con, settings, now.date(), None)
    return read


def loads(con, path):
    (row,) = rows(
        con,
        f"""select rows_read, accepted, repeated, set_aside, status from mart.loads
        where path = '{path}'""",
    )
    return row


def totals(con):
    return warehouse.one_row(
        con,
        """select sum(rows_read), sum(accepted), sum(repeated), sum(set_aside),
        sum(rows_read) = sum(accepted + repeated + set_aside) from mart.loads""",
    )


def test_a_second_load_reads_nothing_and_changes_nothing(con, lake):
    assert reload(con, lake) == 6
    before = rows(con, "from mart.loads")
    assert reload(con, lake, now=NOW + dt.timedelta(days=30)) == 0
    assert rows(con, "from mart.loads") == before


def test_a_clean_lake_is_all_accepted(con, lake):
    reload(con, lake)
    assert totals(con) == (16 + 16 + 4 * PER_UNIT, 16 + 16 + 4 * PER_UNIT, 0, 0, True)


def test_a_copy_of_a_file_counts_as_repeated_and_is_not_read(con, lake):
    reload(con, lake)
    shutil.copy(lake / "inspections" / "K01.csv", lake / "inspections" / "copy of K01.csv")
    assert reload(con, lake) == 0
    # Both hold the same content: the first path stands for it, whichever came first.
    assert loads(con, "inspections/K01.csv") == (PER_UNIT, PER_UNIT, 0, 0, "loaded")
    assert loads(con, "inspections/copy of K01.csv") == (
        PER_UNIT, 0, PER_UNIT, 0, "same content as a file read before",
    )  # fmt: skip
    (lake / "inspections" / "K01.csv").unlink()
    assert reload(con, lake) == 0
    assert loads(con, "inspections/copy of K01.csv") == (PER_UNIT, PER_UNIT, 0, 0, "loaded")


def test_a_renamed_file_is_not_read_again(con, lake):
    reload(con, lake)
    target = lake / "inspections" / "north" / "old" / "K01 (2).CSV"
    target.parent.mkdir(parents=True)
    (lake / "inspections" / "K01.csv").rename(target)
    assert reload(con, lake) == 0
    assert loads(con, "inspections/north/old/K01 (2).CSV")[1] == PER_UNIT


def test_a_changed_file_replaces_its_rows(con, lake):
    reload(con, lake)
    path = lake / "inspections" / "K01.csv"
    path.write_text("\n".join(path.read_text().splitlines()[:-4]) + "\n")
    assert reload(con, lake) == 1
    assert loads(con, "inspections/K01.csv")[:2] == (PER_UNIT - 4, PER_UNIT - 4)
    assert rows(con, "select count(*) from raw.inspections") == [(4 * PER_UNIT - 4,)]


def test_a_file_that_is_gone_takes_its_rows_with_it(con, lake):
    reload(con, lake)
    (lake / "inspections" / "K01.csv").unlink()
    reload(con, lake)
    assert rows(con, "select count(*) from raw.inspections") == [(3 * PER_UNIT,)]
    assert rows(con, "select path from mart.loads where path like '%K01%'") == []


def test_settings_that_shape_reading_make_every_file_read_again(con, lake):
    reload(con, lake)
    inches = Settings.model_validate({"units": {"length": "in"}})
    with pytest.raises(UserError):  # arm lengths of 140 in leave no wheel end
        reload(con, lake, inches)
    assert rows(con, "select count(distinct parse_key) from raw.contents") == [(1,)]
    costs = Settings.model_validate({"costs": {"drum": 100}})
    assert reload(con, lake, costs) == 6
    assert reload(con, lake, Settings()) == 0


def test_the_same_rows_whichever_order_files_arrive_in(tmp_path, con):
    lake = write_small_lake(tmp_path / "lake")
    late = tmp_path / "K01.csv"
    (lake / "inspections" / "K01.csv").rename(late)
    reload(con, lake)
    late.rename(lake / "inspections" / "K01.csv")
    reload(con, lake)
    with warehouse.in_memory() as fresh:
        reload(fresh, lake)
        query = "select * exclude (loaded_at) from mart.loads order by path"
        assert rows(con, query) == rows(fresh, query)


@pytest.mark.parametrize("name", ["x.csv", "x.parquet", "x.xlsx", "x.pdf"])
def test_rubbish_is_named_and_stops_nothing(con, lake, name):
    (lake / "inspections" / name).write_bytes(bytes(range(256)) * 16)
    reload(con, lake)
    assert loads(con, f"inspections/{name}")[4].startswith("not read: found")
    assert totals(con)[1] == 16 + 16 + 4 * PER_UNIT


def test_a_file_without_permission_is_named(con, lake, monkeypatch):
    # Root reads everything, so the refusal is played.
    real_open = os.open

    def refusing(path, *arguments):
        if Path(path).name == "K01.csv":
            raise PermissionError(13, "Permission denied", str(path))
        return real_open(path, *arguments)

    monkeypatch.setattr("pipeline.lake.lake.os.open", refusing)
    reload(con, lake)
    assert loads(con, "inspections/K01.csv") == (0, 0, 0, 0, "not read: Permission denied")


def test_a_link_out_of_the_lake_is_not_followed(con, lake, tmp_path):
    outside = tmp_path / "outside.csv"
    outside.write_text((lake / "inspections" / "K01.csv").read_text())
    (lake / "inspections" / "K01.csv").unlink()
    (lake / "inspections" / "K01.csv").symlink_to(outside)
    reload(con, lake)
    assert loads(con, "inspections/K01.csv")[4] == "not read: a link that leads out of the lake"


def test_hidden_and_lock_files_are_left_alone(con, lake):
    for name in (".DS_Store", "~$K01.xlsx"):
        (lake / "inspections" / name).write_bytes(b"\x00")
    reload(con, lake)
    assert rows(con, "select count(*) from mart.loads") == [(6,)]


def test_headings_that_nothing_reads_are_named(con, lake):
    path = lake / "inspections" / "K01.csv"
    frame = pl.read_csv(path).with_columns(weather=pl.lit("rain"))
    frame.write_csv(path)
    reload(con, lake)
    assert loads(con, "inspections/K01.csv") == (
        PER_UNIT, PER_UNIT, 0, 0, "loaded; headings that nothing reads: weather",
    )  # fmt: skip


def test_a_line_of_a_form_that_was_not_filled_in_stands_beside_a_row_set_aside(con, lake):
    """It is no row; and what is wrong with another is told with that one's own cells."""
    (lake / "inspections" / "form.csv").write_text(
        "unit_id,axle_no,side,inspected_on,odometer_km,lining_mm\n"
        "K1,1,R,,,\nK2,1,L,2025-13-45,41234,12.5\n"
    )
    reload(con, lake)
    assert loads(con, "inspections/form.csv")[:4] == (1, 0, 0, 1)
    (raw,) = rows(con, "select raw from mart.set_aside where path = 'inspections/form.csv'")[0]
    assert "2025-13-45" in raw
    assert "K2" in raw


def test_a_missing_lake_and_an_empty_lake_are_said(con, tmp_path):
    with pytest.raises(UserError, match="found nothing; accepted: a folder"):
        load(con, tmp_path / "none", Settings(), NOW)
    (tmp_path / "empty" / "register").mkdir(parents=True)
    with pytest.raises(UserError, match="found no files"):
        load(con, tmp_path / "empty", Settings(), NOW)


def test_a_failed_load_takes_nothing_out_and_the_next_one_goes_on(con, lake, monkeypatch):
    reload(con, lake)
    (lake / "inspections" / "K02.csv").unlink()
    (lake / "inspections" / "new.csv").write_text("unit_id\nK01\n")
    with monkeypatch.context() as failing:
        failing.setattr("pipeline.lake.loading._record_files", lambda *_: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            load(con, lake, Settings(), NOW)
    assert rows(con, "select count(*) from raw.inspections") == [(4 * PER_UNIT + 1,)]
    reload(con, lake)
    assert rows(con, "select count(*) from raw.inspections") == [(3 * PER_UNIT + 1,)]
