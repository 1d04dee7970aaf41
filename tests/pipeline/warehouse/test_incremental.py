"""Staging what has changed gives what staging everything gives, whatever comes in which order."""

import datetime as dt
import random
import re
import shutil
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.contract import TABLES
from pipeline.lake import loading
from pipeline.run import settings_of
from pipeline.warehouse import incremental, warehouse
from pipeline.warehouse.incremental import counted_together, kept, restage, views
from sample_lake import LakeOptions, simulate, write_lake
from tests import ROOT
from tests.drawing import rows
from tests.lakes import write_small_lake
from tests.rooms import MODULES, imported

NOW = dt.datetime(2026, 12, 1, 9)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Files of a fleet with the errors that people make, by month."""
    folder = tmp_path_factory.mktemp("drawn")
    fleet = simulate(wheel_ends=60, years=5.0, seed=11)
    write_lake(fleet, folder, LakeOptions(file_format="parquet"))
    return folder / "lake"


def staged(con: duckdb.DuckDBPyConnection, lake: Path, as_of: dt.date | None = None) -> dt.date:
    settings = settings_of(lake)
    loading.load(con, lake, settings, NOW)
    day = restage(con, settings, NOW.date(), as_of)
    warehouse.build(con, "30_reduce", counted_together())
    return day


def tables(con: duckdb.DuckDBPyConnection) -> dict[str, pl.DataFrame]:
    """Everything a run has staged; contents are numbered as they come, so fates go by kind."""
    of_rows = {f"fate.{table}" for table in TABLES}
    names = [t for t in (*kept(), *sorted(counted_together())) if t not in of_rows]
    found = {name: warehouse.fetch(con, f"from {name}") for name in names}
    for name in set(kept()) - set(names):
        fates = f"select fate, problem, count(*) as n from {name} group by all"
        found[name] = warehouse.fetch(con, fates)
    found["mart.loads"] = warehouse.fetch(con, "select * exclude (loaded_at) from mart.loads")
    found["mart.set_aside"] = warehouse.fetch(con, "from mart.set_aside")
    return found


def require_as_from_nothing(
    con: duckdb.DuckDBPyConnection, lake: Path, as_of: dt.date | None = None
) -> None:
    with warehouse.in_memory() as fresh:
        staged(fresh, lake, as_of)
        expected = tables(fresh)
    found = tables(con)
    assert [name for name in expected if not found[name].equals(expected[name])] == []


def changed_units(con: duckdb.DuckDBPyConnection, lake: Path) -> list[str]:
    """The units that the next run would stage again."""
    loading.load(con, lake, settings_of(lake), NOW)
    with warehouse.transaction(con):
        known = incremental._remembered(con, incremental._fingerprint(settings_of(lake)))
        incremental._cut_into_parts(
            con, incremental._changed(con, known=known), incremental.ROWS_AT_ONCE
        )
    found = rows(
        con,
        """select u.unit_key from run.changed c inner join raw.units u using (unit_no)
        order by u.unit_key""",
    )
    return [str(unit) for (unit,) in found]


def put(drawn: Path, lake: Path, names: list[str]) -> None:
    for name in names:
        (lake / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(drawn / name, lake / name)


def corrected(path: Path, draws: random.Random) -> None:
    """The file as somebody put it right: a row less, and odometers of a few rows changed."""
    frame = pl.read_parquet(path)
    order = list(range(frame.height))
    draws.shuffle(order)
    wrong = order[: max(1, frame.height // 10)]
    near = pl.int_range(pl.len()).is_in(wrong)
    frame = frame.with_columns(
        pl.when(near).then(pl.col("odometer_km") + 3).otherwise(pl.col("odometer_km"))
    )
    frame.filter(pl.int_range(pl.len()) != order[-1]).write_parquet(path)


@pytest.mark.proof
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_files_in_any_order_late_corrected_or_taken_away(
    drawn: Path, tmp_path: Path, seed: int, monkeypatch: pytest.MonkeyPatch
):
    draws = random.Random(seed)
    # Several parts a run, as in a large fleet; one part in the first world.
    monkeypatch.setattr(incremental, "ROWS_AT_ONCE", (2_000_000, 900, 500)[seed])
    lake = tmp_path / "lake"
    put(drawn, lake, ["fleet.toml", "register/register.parquet", "duty/duty.parquet"])
    months = [str(p.relative_to(drawn)) for p in sorted(drawn.glob("*/*.parquet"))]
    months = [name for name in months if name.split("/")[0] in ("inspections", "work")]
    months += [str(p.relative_to(drawn)) for p in sorted(drawn.glob("*/*/*.parquet"))]
    draws.shuffle(months)
    assert len(months) > 40
    with warehouse.in_memory() as con:
        share = len(months) // 4
        for turn in range(4):
            put(drawn, lake, months[turn * share : (turn + 1) * share])
            if turn == 2:
                corrected(lake / months[0], draws)
            if turn == 3:
                (lake / months[1]).unlink()
            staged(con, lake)
            require_as_from_nothing(con, lake)


@pytest.mark.proof
def test_months_one_after_the_other_and_an_older_day_again(drawn: Path, tmp_path: Path):
    lake = tmp_path / "lake"
    shutil.copytree(drawn, lake)
    with warehouse.in_memory() as con:
        last = staged(con, lake)
        for day in (
            last - dt.timedelta(days=200),
            last - dt.timedelta(days=170),
            last - dt.timedelta(days=169),
            last,
        ):
            staged(con, lake, day)
            require_as_from_nothing(con, lake, day)


def test_only_units_with_new_rows_are_staged_again(tmp_path: Path):
    lake = write_small_lake(tmp_path / "lake")
    with warehouse.in_memory() as con:
        staged(con, lake)
        assert changed_units(con, lake) == []
        check = "K02,1,L,2026-01-30,391000,8.5,18,pass\n"
        path = lake / "inspections" / "late.csv"
        heading = (lake / "inspections" / "K02.csv").read_text().splitlines()[0]
        path.write_text(f"{heading}\n{check}")
        # As of a later day nothing else has changed: no date of theirs lies in between.
        assert changed_units(con, lake) == ["K02"]
        staged(con, lake)
        require_as_from_nothing(con, lake)
        path.unlink()
        assert changed_units(con, lake) == ["K02"]
        staged(con, lake)
        require_as_from_nothing(con, lake)


def test_a_setting_that_rows_are_judged_by_changes_everything(tmp_path: Path):
    lake = write_small_lake(tmp_path / "lake")
    with warehouse.in_memory() as con:
        staged(con, lake)
        (lake / "fleet.toml").write_text("[adjustment]\nband_high = 0.14\n")
        assert changed_units(con, lake) == ["K01", "K02", "K03", "K04"]
        staged(con, lake)
        require_as_from_nothing(con, lake)


@pytest.mark.proof
def test_records_that_turn_out_to_begin_earlier_reach_units_without_new_rows(tmp_path: Path):
    """What entered service while records ran has its first linings: K03 and K04 did, or did not."""
    lake = write_small_lake(tmp_path / "lake")
    register = pl.read_csv(lake / "register" / "all.csv").with_columns(
        in_service_on=pl.when(pl.col("unit_id") == "K04").then(pl.lit("2023-10-01")),
        in_service_km=pl.when(pl.col("unit_id") == "K04").then(pl.lit(390_000)),
    )
    register.write_csv(lake / "register" / "all.csv")
    with warehouse.in_memory() as con:
        staged(con, lake)
        known = "select count(*) from stage.lining_lives where unit_id = 'K04' and start_known"
        assert rows(con, known) == [(0,)]
        heading = (lake / "inspections" / "K01.csv").read_text().splitlines()[0]
        early = lake / "inspections" / "early.csv"
        early.write_text(f"{heading}\nK01,1,L,2023-09-01,91000,18,18,pass\n")
        staged(con, lake)
        assert rows(con, known) == [(4,)]
        require_as_from_nothing(con, lake)
        early.unlink()
        staged(con, lake)
        assert rows(con, known) == [(0,)]
        require_as_from_nothing(con, lake)


def test_a_renamed_file_changes_which_copy_is_the_first(tmp_path: Path):
    lake = write_small_lake(tmp_path / "lake")
    first = lake / "inspections" / "K01.csv"
    copied = lake / "inspections" / "b.csv"
    copied.write_text(first.read_text() + "K01,1,L,2026-01-30,300000,8.5,18,pass\n")
    with warehouse.in_memory() as con:
        staged(con, lake)
        copied.rename(lake / "inspections" / "A.csv")
        staged(con, lake)
        require_as_from_nothing(con, lake)


def test_what_python_reads_of_staged_tables_is_kept():
    source = "\n".join(
        path.read_text(encoding="utf-8")
        for path in (ROOT / "pipeline").rglob("*.py")
        if path.name
        not in ("incremental.py", "judging.py", "origins.py", "earlier_days.py", "warehouse.py")
    )
    named = set(re.findall(r"\b((?:judge|fate|stage|reduce)\.[a-z_]+)\b", source))
    staged_tables = {t for folder in incremental.FOLDERS for t, _ in warehouse.sql_files(folder)}
    assert named & staged_tables <= {*kept(), *views(), *counted_together()}
    assert set(incremental.READ) <= named | {
        # built by name from a list in wear_marts
        "reduce.lining_life_sums",
        "reduce.lining_life_duty_sums",
        "reduce.lining_life_duty_pairs",
    }


# ---- what has been staged by other rules is staged again


def read_otherwise(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """A file of the program as if somebody had changed it."""
    as_it_is = Path.read_bytes

    def changed(path: Path) -> bytes:
        return as_it_is(path) + (b"\n# changed" if path.as_posix().endswith(name) else b"")

    monkeypatch.setattr(Path, "read_bytes", changed)


def other_sql(monkeypatch: pytest.MonkeyPatch, folder: str) -> None:
    as_it_is = warehouse.sql_files

    def changed(asked: str) -> tuple[tuple[str, str], ...]:
        files = as_it_is(asked)
        if asked != folder:
            return files
        return (*files[:-1], (files[-1][0], files[-1][1] + "\n"))

    monkeypatch.setattr(warehouse, "sql_files", changed)


OTHER_RULES = {
    **{m: lambda patch, m=m: read_otherwise(patch, m) for m in incremental.JUDGED_AND_STAGED_BY},
    **{f: lambda patch, f=f: other_sql(patch, f) for f in incremental.FOLDERS},
    "DuckDB": lambda patch: patch.setattr(duckdb, "__version__", "2.0.999"),
}


@pytest.mark.parametrize("change", OTHER_RULES)
def test_what_was_staged_by_other_rules_is_staged_again(
    tmp_path: Path, change: str, monkeypatch: pytest.MonkeyPatch
):
    lake = write_small_lake(tmp_path / "lake")
    with warehouse.in_memory() as con:
        staged(con, lake)
        assert changed_units(con, lake) == []
        OTHER_RULES[change](monkeypatch)
        assert changed_units(con, lake) == ["K01", "K02", "K03", "K04"]


def test_whatever_staging_imports_is_among_the_rules_it_is_known_by():
    """Settings count by their values; errors stop a run and stage nothing; memory changes how much
    is staged at once."""
    imports, wanted = set(), ["pipeline.warehouse.incremental"]
    while wanted:
        module = wanted.pop()
        if module not in imports:
            imports.add(module)
            wanted += [name for name in imported(MODULES[module]) if name in MODULES]
    by_value = {f"pipeline.{m}" for m in ("settings", "accepted", "errors", "warehouse.memory")}
    known = {str(Path("pipeline") / m) for m in incremental.JUDGED_AND_STAGED_BY}
    paths = {str(MODULES[m].relative_to(ROOT)) for m in imports - by_value}
    assert {p for p in paths if not p.endswith("__init__.py")} == known
