"""The main job on whole lakes: what it leaves, that it adds up, and that it does so again."""

import datetime as dt
import hashlib
import shutil
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.cli import main
from pipeline.lake import loading
from pipeline.marts import marts
from pipeline.publish.page_frames import page_data
from pipeline.run import settings_of
from pipeline.warehouse import judging, warehouse
from tests import ROOT
from tests.drawing import rows
from tests.lakes import write_small_lake

SAMPLE = ROOT / "sample_lake" / "lake"
TRUTH = ROOT / "sample_lake" / "truth"
NOW = dt.datetime(2026, 11, 1)


def digests(out: Path) -> dict[str, str]:
    """A digest of every mart, rows sorted, floats to the last digit."""
    found = {}
    with duckdb.connect(str(out / warehouse.DATABASE), read_only=True) as con:
        tables = rows(
            con, "select table_name from information_schema.tables where table_schema = 'mart'"
        )
        for (table,) in tables:
            frame = con.sql(f"from mart.{table} order by all").pl()
            found[str(table)] = hashlib.sha256(frame.write_csv().encode()).hexdigest()
    return found


def files(out: Path) -> dict[str, bytes]:
    published = out / "published"
    return {
        str(p.relative_to(published)): p.read_bytes() for p in published.rglob("*") if p.is_file()
    }


@pytest.fixture(scope="module")
def sample_con(sample_out):
    with duckdb.connect(str(sample_out / warehouse.DATABASE), read_only=True) as con:
        yield con


# The sample's workshops name no parts, its settings no change; its linings wear, its units run
# and are checked as ever.
NOT_IN_THE_SAMPLE = {
    *("part_figures", "part_comparisons", "change_effects"),
    *("wear_changes", "record_holes", "use_changes", "units_left_at_once", "gauge_steps"),
}


def test_every_mart_of_the_contract_is_there_and_none_is_empty(sample_con):
    for table in (*marts.SCHEMAS, "loads", "set_aside", "lining_readings", "adjuster_lives"):
        ((count,),) = rows(sample_con, f"select count(*) from mart.{table}")
        assert (count == 0) == (table in NOT_IN_THE_SAMPLE), table


def test_the_page_asks_only_for_pointers_of_linings_still_in_place(sample_con):
    asked = page_data(sample_con, settings_of(SAMPLE), dt.date(2026, 6, 29)).pointers_not_reset
    ((in_place,),) = rows(
        sample_con,
        """select count(*) from mart.pointers_not_reset p
        semi join (from stage.lining_lives where ended_on is null) l on l.life_id = p.life_id""",
    )
    ((ever,),) = rows(sample_con, "select count(*) from mart.pointers_not_reset")
    assert 0 < asked.height == in_place < ever


def test_no_mart_holds_a_nan(sample_con):
    columns = rows(
        sample_con,
        """select table_name, column_name from duckdb_columns()
        where schema_name = 'mart' and data_type = 'DOUBLE'""",
    )
    for table, column in columns:
        bad = rows(
            sample_con,
            f"""select count(*) from mart.{table}
            where isnan("{column}") or isinf("{column}")""",
        )
        assert bad == [(0,)], (table, column)


def test_fates_add_up_per_file_and_every_rejected_row_has_its_reason(sample_con):
    assert (
        rows(
            sample_con,
            "select path from mart.loads where rows_read <> accepted + repeated + set_aside",
        )
        == []
    )
    assert (
        rows(
            sample_con,
            """select l.path from mart.loads l
        left join (select path, count(*) as n from mart.set_aside group by path) s
            on s.path = l.path
        where l.set_aside <> coalesce(s.n, 0)""",
        )
        == []
    )
    assert rows(sample_con, "select count(*) from mart.set_aside where reason is null") == [(0,)]


def test_every_injected_error_of_the_sample_lake_is_caught(sample_con):
    injected = pl.read_parquet(TRUTH / "injected_errors.parquet").filter(fate="set_aside")
    caught = sample_con.sql("select path, row_no from mart.set_aside").pl()
    missed = injected.join(caught, on=["path", "row_no"], how="anti")
    assert missed.is_empty(), missed


def test_few_rows_of_the_sample_lake_are_set_aside_without_an_injected_error(sample_con):
    """Reading errors of some millimetres exist; more than 1 in 1,000 would be our fault."""
    injected = pl.read_parquet(TRUTH / "injected_errors.parquet")
    caught = sample_con.sql("select path, row_no from mart.set_aside").pl()
    innocent = caught.join(injected, on=["path", "row_no"], how="anti")
    ((read,),) = rows(sample_con, "select sum(rows_read) from mart.loads")
    assert innocent.height < read / 1000


def test_wear_rates_of_the_sample_lake_cover_the_truth(sample_con):
    """12 intervals of 95 %: fewer than 9 covering has probability 0.0002."""
    found = sample_con.sql("from mart.wear_rates where duty <> 'unassigned'").pl()
    truth = pl.read_parquet(TRUTH / "strata.parquet")
    both = found.join(truth, on=["axle_type", "duty"], suffix="_true")
    assert both.height == 12
    true = pl.col("mm_per_10000km_true")
    covering = both.filter((pl.col("ci_low") <= true) & (true <= pl.col("ci_high")))
    assert covering.height >= 9


def test_the_month_is_published_whole(sample_out):
    names = set(files(sample_out))
    month = "2026-06"
    expected = (
        "index.html",
        "worklist.csv",
        "worklist.xlsx",
        "reline_budget.csv",
        "reline_budget.xlsx",
    )
    assert {f"{month}/{name}" for name in expected} <= names
    assert "index.html" in names
    assert any(name.startswith(f"{month}/charts/") and name.endswith(".svg") for name in names)
    assert not any(part.startswith(".") for name in names for part in Path(name).parts)


def test_the_budget_adds_up_in_the_mean(sample_con):
    assert (
        rows(
            sample_con,
            """select month from (
            select month,
                sum(relines_mean) filter (where depot is null and axle_type is null) as whole,
                sum(relines_mean) filter (where axle_type is not null) as parts
            from mart.reline_budget group by month
        ) where abs(whole - parts) > 1e-6 * greatest(whole, 1)""",
        )
        == []
    )


def run_again(lake: Path, out: Path, again: Path) -> None:
    shutil.copytree(out, again)  # other tests still read the first one's warehouse
    assert main(["run", str(lake), "--out", str(again)]) == 0
    assert digests(again) == digests(out)
    assert files(again) == files(out)


def test_a_second_run_loads_nothing_and_yields_the_same_marts_and_files(small_run, tmp_path):
    run_again(small_run / "lake", small_run / "out", tmp_path / "out")


@pytest.mark.proof
def test_a_second_run_of_the_sample_lake_likewise(sample_out, tmp_path):
    run_again(SAMPLE, sample_out, tmp_path / "out")


def broken_truncated(lake: Path) -> None:
    path = lake / "inspections" / "tarnwick" / "2021-h2.csv"
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def broken_without_a_column(lake: Path) -> None:
    path = lake / "inspections" / "tarnwick" / "2021-h2.csv"
    text = path.read_text(encoding="cp1252")
    heading, _, rest = text.partition("\n")
    path.write_text(heading.replace("odometer_km", "x") + "\n" + rest, encoding="cp1252")


def broken_rubbish(lake: Path) -> None:
    for name in ("a.csv", "b.parquet", "c.xlsx"):
        (lake / "work" / name).write_bytes(bytes(range(256)) * 40)


def broken_shuffled_tables(lake: Path) -> None:
    shutil.copy(lake / "work" / "tarnwick-2023.csv", lake / "inspections" / "work.csv")
    shutil.copy(next((lake / "duty").iterdir()), lake / "register" / "duty.csv")


def broken_doubled(lake: Path) -> None:
    shutil.copytree(lake / "inspections", lake / "inspections" / "copy")


@pytest.mark.parametrize(
    "broken",
    [
        broken_truncated,
        broken_without_a_column,
        broken_rubbish,
        broken_shuffled_tables,
        broken_doubled,
    ],
    ids=lambda f: f.__name__,
)
def test_fates_add_up_on_every_broken_variant(tmp_path, broken):
    lake = tmp_path / "lake"
    shutil.copytree(SAMPLE, lake)
    broken(lake)
    settings = settings_of(lake)
    with warehouse.in_memory() as con:
        loading.load(con, lake, settings, NOW)
        judging.judge(con, settings, NOW.date(), None)
        assert (
            rows(
                con,
                "select path from mart.loads where rows_read <> accepted + repeated + set_aside",
            )
            == []
        )
        ((accepted, staged),) = rows(
            con,
            """select (select sum(accepted) from mart.loads where table_name = 'inspections'),
                (select count(*) from raw.inspections)
                - (select count(*) from fate.inspections)""",
        )
        assert accepted == staged > 1000


@pytest.mark.proof
def test_nothing_dated_after_as_of_is_used(tmp_path):
    """A lake cut at a day and the whole lake as of that day give the same marts."""
    day = "2025-03-31"
    whole, cut = write_small_lake(tmp_path / "whole"), write_small_lake(tmp_path / "cut")
    for path in (cut / "inspections").iterdir():
        frame = pl.read_csv(path)
        frame.filter(pl.col("inspected_on") <= day).write_csv(path)
    for lake in (whole, cut):
        assert main(["run", str(lake), "--out", str(lake / "out"), "--as-of", day]) == 0
    left, right = digests(whole / "out"), digests(cut / "out")
    differing = {name for name in left if left[name] != right[name]}
    assert differing <= {"loads"}
