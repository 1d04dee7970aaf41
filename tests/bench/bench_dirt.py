"""What a tenth of wrong rows does to flags, wear rates and forecasts, where the truth is known.

Each row of the inspections is spoilt with probability 0.1, in one of four ways or in all of them:
a typing error (one digit of a lining, stroke or odometer), left and right exchanged, a lining and
stroke in inches or an odometer in miles, a date off by one to sixty days. Nothing says which rows.
"""

import datetime as dt
import tempfile
from collections.abc import Callable
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from pipeline.run import Run, filled, settings_of
from pipeline.warehouse import warehouse
from sample_lake.__main__ import main as sample_lake

WHEEL_ENDS, YEARS, SEED = "480", "4", "77"
SHARE = 0.1
NOW = dt.datetime(2027, 1, 1)
MILES, INCH = 1.609344, 25.4
Spoiler = Callable[[pl.DataFrame, np.random.Generator], pl.DataFrame]


def main() -> None:
    with tempfile.TemporaryDirectory() as base:
        drawn = Path(base) / "drawn"
        size = ["--wheel-ends", WHEEL_ENDS, "--years", YEARS, "--seed", SEED]
        sample_lake([str(drawn), *size, "--clean"])
        truth = pl.read_parquet(drawn / "truth" / "strata.parquet")
        texts = {p: p.read_text() for p in sorted((drawn / "lake" / "inspections").rglob("*.csv"))}
        flags: dict[str, set[str]] = {}
        print(HEADING)
        for name, spoilers in DIRT.items():
            rng = np.random.default_rng(int(SEED))
            for path in texts:
                path.write_text(texts[path])
                frame = pl.read_csv(path, infer_schema=False)
                spoilt(frame, spoilers, rng).write_csv(path)
            with warehouse.in_memory() as con:
                _run(con, drawn / "lake", Path(base) / "out")
                flags[name] = _flagged(con)
                print(_line(name, con, truth, flags[name], flags["none"]), flush=True)
    print(NOTES)


HEADING = (
    f"{'dirt':14} {'set aside':>9} {'flagged':>8} {'kept':>6} {'new':>6} {'rate err':>9} "
    f"{'cover':>6} {'held 80 %':>10} {'bias mm':>8} {'relines 12 mo':>16}"
)
NOTES = """set aside: share of inspection rows; kept, new: flags as without dirt, and others
rate err: mean |rate / true rate - 1|; cover: of their 95 % intervals over the truth
held 80 %: share of linings 3 to 12 months ahead inside the stated 8 in 10, at earlier origins"""


def _run(con: duckdb.DuckDBPyConnection, lake: Path, out: Path) -> None:
    run = Run(con, lake, out, settings_of(lake), NOW)
    filled(run)


def _flagged(con: duckdb.DuckDBPyConnection) -> set[str]:
    rows = con.execute("select wheel_end_id from mart.wheel_end_status where flagged").fetchall()
    return {str(wheel_end) for (wheel_end,) in rows}


def _line(
    name: str,
    con: duckdb.DuckDBPyConnection,
    truth: pl.DataFrame,
    flagged: set[str],
    clean: set[str],
) -> str:
    (aside,) = warehouse.one_row(
        con,
        "select sum(set_aside) / sum(rows_read) from mart.loads where table_name = 'inspections'",
    )
    error, cover = _rates(con, truth)
    held, bias = warehouse.one_row(
        con,
        """select sum(observed * n) / sum(n), sum(bias * n) / sum(n) from mart.backtest
        where measure like '%lining%' and nominal = 0.8""",
    )
    low, middle, high = warehouse.one_row(
        con,
        """select relines_p10, relines_p50, relines_p90 from mart.reline_outlook
        where months = 12 order by from_on limit 1""",
    )
    relines = f"{middle:.0f} ({low:.0f} to {high:.0f})"
    held, bias = (float("nan") if x is None else x for x in (held, bias))
    return (
        f"{name:14} {aside:9.1%} {len(flagged):8} {len(flagged & clean):6} "
        f"{len(flagged - clean):6} {error:9.1%} {cover:6.0%} {held:10.1%} {bias:8.2f} {relines:>16}"
    )


def _rates(con: duckdb.DuckDBPyConnection, truth: pl.DataFrame) -> tuple[float, float]:
    found = con.sql("from mart.wear_rates").pl()
    both = found.join(truth, on=["axle_type", "duty"], suffix="_true")
    true = both["mm_per_10000km_true"].to_numpy()
    rate, low, high = (both[c].to_numpy() for c in ("mm_per_10000km", "ci_low", "ci_high"))
    return float(np.abs(rate / true - 1).mean()), float(((low <= true) & (true <= high)).mean())


def spoilt(
    frame: pl.DataFrame, spoilers: tuple[Spoiler, ...], rng: np.random.Generator
) -> pl.DataFrame:
    """One row in ten, in one of these ways each."""
    if not spoilers:
        return frame
    way = np.where(
        rng.random(frame.height) < SHARE, rng.integers(len(spoilers), size=frame.height), -1
    )
    numbered = frame.with_row_index("at")
    parts = [numbered.filter(way == -1)]
    parts += [spoil(numbered.filter(way == i), rng) for i, spoil in enumerate(spoilers)]
    return pl.concat(parts).sort("at").drop("at")


def _typed_wrong(rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    column = rng.choice(("lining_mm", "free_stroke_mm", "odometer_km"))
    cells = [_one_digit(cell, rng) for cell in rows[str(column)]]
    return rows.with_columns(pl.Series(str(column), cells, dtype=pl.String))


def _one_digit(cell: str | None, rng: np.random.Generator) -> str | None:
    digits = [i for i, c in enumerate(cell or "") if c.isdigit()]
    if cell is None or not digits:
        return cell
    at = int(rng.choice(digits))
    return cell[:at] + str(rng.integers(10)) + cell[at + 1 :]


def _other_side(rows: pl.DataFrame, _: np.random.Generator) -> pl.DataFrame:
    return rows.with_columns(pl.col("side").replace({"L": "R", "R": "L"}))


def _other_unit(rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    if rng.random() < 0.5:
        return rows.with_columns(_times("odometer_km", 1 / MILES, 0))
    return rows.with_columns(
        _times("lining_mm", 1 / INCH, 2), _times("free_stroke_mm", 1 / INCH, 2)
    )


def _times(column: str, factor: float, digits: int) -> pl.Expr:
    return (pl.col(column).cast(pl.Float64) * factor).round(digits).cast(pl.String)


def _other_day(rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    days = rng.integers(1, 61, size=rows.height) * rng.choice((-1, 1), size=rows.height)
    shifted = pl.col("inspected_on").str.to_date() + pl.duration(days=pl.lit(pl.Series(days)))
    return rows.with_columns(inspected_on=shifted.cast(pl.String))


DIRT: dict[str, tuple[Spoiler, ...]] = {
    "none": (),
    "typing errors": (_typed_wrong,),
    "sides swapped": (_other_side,),
    "wrong unit": (_other_unit,),
    "shifted dates": (_other_day,),
    "all of them": (_typed_wrong, _other_side, _other_unit, _other_day),
}

if __name__ == "__main__":
    main()
