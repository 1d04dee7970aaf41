"""Which row goes into which file."""

import unicodedata
from datetime import date, timedelta

import polars as pl

from sample_lake.files.dialects import DIALECTS
from sample_lake.fleet.records import SimulatedFleet

DATE_OF = {"inspections": "inspected_on", "work": "done_on"}
ODOMETER_MARGIN = timedelta(days=200)
"""Odometer errors stay this far from both ends, where neighbours on both sides show them up."""


def by_month(frame: pl.DataFrame, table: str, extension: str) -> pl.DataFrame:
    """One file per month."""
    month = pl.col(DATE_OF[table]).dt.strftime("%Y-%m")
    return frame.with_columns(
        _path=pl.format(f"{table}/{{}}.{extension}", month),
        _textual=pl.lit(extension == "csv"),
        _metric=pl.lit(True),
    )


def by_depot(
    frame: pl.DataFrame, table: str, fleet: SimulatedFleet, *, workbooks: bool
) -> pl.DataFrame:
    """Files per depot and period, each in its depot's way; `_dialect` says which."""
    block = f"-b{fleet.block:02d}" if fleet.block else ""
    dialect = pl.col("_depot_no") % len(DIALECTS)
    frame = frame.join(_depots(fleet), on="unit_id", how="left", maintain_order="left")
    frame = frame.with_columns(_dialect=dialect)
    named = _inspection_names if table == "inspections" else _work_names
    path = named(fleet.records_begin, workbooks=workbooks)
    stem, extension = path.struct.field("stem"), path.struct.field("extension")
    return frame.with_columns(
        _path=pl.format("{}{}.{}", stem, pl.lit(block), extension)
    ).with_columns(
        _textual=~pl.col("_path").str.ends_with(".parquet"),
        _metric=pl.col("_dialect") < 2,
    )


def _depots(fleet: SimulatedFleet) -> pl.DataFrame:
    """Depot number and its name as a file name, by unit."""
    names = [depot.name for depot in fleet.parameters.depots]
    slugs = [slug(name) for name in names]
    return fleet.truth.units.select(
        "unit_id",
        _depot_no=pl.col("depot").replace_strict(
            names, list(range(len(names))), return_dtype=pl.Int64
        ),
        _slug=pl.col("depot").replace_strict(names, slugs, return_dtype=pl.String),
    )


def slug(name: str) -> str:
    """A name in plain small letters.

    >>> slug("Süderquell")
    'suderquell'
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    return plain.lower().replace(" ", "-")


def half_year(day: date) -> str:
    """The half-year of a day, as in `2024-h1`."""
    return f"{day.year}-h{1 if day.month <= 6 else 2}"


def parquet_half_year(records_begin: date) -> str:
    """The half-year that the first depot delivers as Parquet."""
    return half_year(records_begin + timedelta(days=600))


def _inspection_names(records_begin: date, *, workbooks: bool) -> pl.Expr:
    day = pl.col("inspected_on")
    half = pl.format("{}-h{}", day.dt.year(), pl.when(day.dt.month() <= 6).then(1).otherwise(2))
    late = pl.lit(workbooks) & (day.dt.year() >= records_begin.year + 2)
    in_book = (pl.col("_dialect") == 2) & late
    in_parquet = (pl.col("_dialect") == 0) & (half == parquet_half_year(records_begin))
    period = pl.when(in_book).then(day.dt.year().cast(pl.String)).otherwise(half)
    extension = (
        pl.when(in_book)
        .then(pl.lit("xlsx"))
        .when(in_parquet)
        .then(pl.lit("parquet"))
        .when(pl.col("_dialect") == 2)
        .then(pl.lit("tsv"))
        .otherwise(pl.lit("csv"))
    )
    stem = pl.format("inspections/{}/{}", "_slug", period)
    return pl.struct(stem=stem, extension=extension)


def _work_names(records_begin: date, *, workbooks: bool) -> pl.Expr:
    tabbed = pl.col("_dialect") == 2
    return pl.struct(
        stem=pl.format("work/{}-{}", "_slug", pl.col("done_on").dt.year()),
        extension=pl.when(tabbed).then(pl.lit("tsv")).otherwise(pl.lit("csv")),
    )


def with_hints(frame: pl.DataFrame, table: str, fleet: SimulatedFleet) -> pl.DataFrame:
    """Where an error would show: away from the ends of the records, or on a full axle."""
    day = pl.col(DATE_OF[table])
    first = fleet.records_begin + ODOMETER_MARGIN
    last = fleet.parameters.records_end - ODOMETER_MARGIN
    replaced = fleet.truth.units.filter(pl.col("odometer_replaced_on").is_not_null())["unit_id"]
    inside = day.is_between(first, last) & ~pl.col("unit_id").is_in(replaced.to_list())
    frame = frame.with_columns(_inside_records=inside)
    if table != "inspections":
        return frame
    axle = ("unit_id", "axle_no", "inspected_on", "as_left")
    return frame.with_columns(_both_sides=pl.len().over(axle) == 2)


def overlapping_export(marked: pl.DataFrame, fleet: SimulatedFleet) -> pl.DataFrame:
    """The last days of a half-year of the first depot once more at the head of the next file."""
    end = fleet.parameters.records_end
    last = date(end.year - 2, 12, 31)
    old, new = half_year(last), half_year(last + timedelta(days=1))
    rows = marked.filter(
        pl.col("_kind").is_null()
        & (pl.col("_dialect") == 0)
        & pl.col("inspected_on").is_between(last - timedelta(days=4), last)
        & pl.col("_path").str.contains(old, literal=True)
    ).with_columns(
        pl.col("_path").str.replace(old, new, literal=True),
        _kind=pl.lit("overlapping_export"),
        _fate=pl.lit("repeated"),
        _order=pl.lit(-1.0),
    )
    return pl.concat([rows, marked]).sort("_order", maintain_order=True)
