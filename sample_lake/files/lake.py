"""Writing a simulated fleet as a lake folder, with the truth beside it."""

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields, replace
from datetime import date
from io import BytesIO
from pathlib import Path
from typing import Literal

import numpy as np
import polars as pl

from sample_lake.files.appender import Appender
from sample_lake.files.dialects import (
    DIALECTS,
    PLAIN,
    Dialect,
    csv_bytes,
    in_own_units,
    in_words,
    overwritten,
    with_headings,
    xlsx_bytes,
)
from sample_lake.files.errors import (
    INSPECTION_ERRORS,
    REPEATED,
    SET_ASIDE,
    WORK_ERRORS,
    with_errors,
)
from sample_lake.files.fleet_settings import fleet_toml
from sample_lake.files.placement import (
    DATE_OF,
    by_depot,
    by_month,
    overlapping_export,
    with_hints,
)
from sample_lake.fleet.records import SimulatedFleet
from sample_lake.fleet.truth import strata
from sample_lake.parameters import FleetParameters

FileFormat = Literal["csv", "parquet"]
ERRORS = {"inspections": INSPECTION_ERRORS, "work": WORK_ERRORS}
ERROR_COLUMNS = {
    "table": pl.String,
    "path": pl.String,
    "row_no": pl.Int64,
    "kind": pl.String,
    "fate": pl.String,
}
LARGEST_WITH_WORKBOOKS = 60_000
"""Inspections in a block of units; above it the workbooks are delimited files instead."""
DUTY_FORGOTTEN_EVERY = 70
"""Of so many units, one has no duty on record in a lake that goes by depot."""


@dataclass(frozen=True, slots=True)
class LakeOptions:
    """How a lake is written."""

    clean: bool = False
    """No errors and one plain layout."""
    file_format: FileFormat = "csv"
    true_readings: bool = True
    """Whether the truth behind every single reading is written."""

    error_factor: float = 1.0
    """Times the usual share of injected errors; about 10 puts one into every tenth row."""

    @property
    def by_depot(self) -> bool:
        """Whether each depot writes in its own way; Parquet and clean lakes go by month."""
        return not self.clean and self.file_format == "csv"


def write_lake(
    fleets: SimulatedFleet | Iterable[SimulatedFleet],
    folder: Path,
    options: LakeOptions | None = None,
) -> pl.DataFrame:
    """Write `folder/lake` and `folder/truth`, which must be new; returns the injected errors.

    Blocks of units are written one after the other, so that memory holds one at a time.
    """
    options = options or LakeOptions()
    blocks = [fleets] if isinstance(fleets, SimulatedFleet) else fleets
    errors = [pl.DataFrame(schema=ERROR_COLUMNS)]
    parameters = FleetParameters()
    seed = 0
    with Appender(folder / "lake") as lake, Appender(folder / "truth") as truth:
        for fleet in blocks:
            parameters, seed = fleet.parameters, fleet.seed
            errors += _write_block(fleet, lake, folder / "lake", options)
            _write_truth(fleet, truth, options)
    settings = fleet_toml(parameters, by_depot=options.by_depot)
    (folder / "lake" / "fleet.toml").write_text(settings, encoding="utf-8")
    listed = pl.concat(errors).sort("path", "row_no")
    _write_draws(folder / "truth", parameters, seed, listed)
    return listed


def _write_block(
    fleet: SimulatedFleet, lake: Appender, folder: Path, options: LakeOptions
) -> list[pl.DataFrame]:
    """Write one block's four tables; returns their injected errors."""
    rng = np.random.default_rng([fleet.seed, 2, fleet.block])
    if options.by_depot:
        return _write_by_depot(fleet, folder, options, rng)
    lake.append(f"register/register.{options.file_format}", fleet.register)
    lake.append(f"duty/duty.{options.file_format}", fleet.duty)
    errors = []
    for table, frame in (("inspections", fleet.inspections), ("work", fleet.work)):
        placed = by_month(frame, table, options.file_format)
        if not options.clean:
            hinted = with_hints(placed, table, fleet)
            placed = _with_errors(hinted, table, options, rng)
        for path, rows in _files(placed):
            first = lake.append(path, _bare(rows))
            errors.append(_listed(table, path, rows, first))
    return errors


def _with_errors(
    frame: pl.DataFrame, table: str, options: LakeOptions, rng: np.random.Generator
) -> pl.DataFrame:
    visit = ("unit_id", DATE_OF[table])
    return with_errors(frame, ERRORS[table], visit, rng, options.error_factor)


def _files(placed: pl.DataFrame) -> list[tuple[str, pl.DataFrame]]:
    """Rows by file, in the order of paths."""
    parts = placed.partition_by("_path", maintain_order=True)
    return sorted(((str(part["_path"][0]), part) for part in parts), key=lambda pair: pair[0])


def _bare(rows: pl.DataFrame) -> pl.DataFrame:
    """Contract columns only."""
    return rows.select(pl.exclude(r"^_.*$"))


def _listed(table: str, path: str, rows: pl.DataFrame, first: int = 0) -> pl.DataFrame:
    """The injected errors of one file; its header is row 1."""
    if "_kind" not in rows.columns:
        return pl.DataFrame(schema=ERROR_COLUMNS)
    numbered = rows.select(
        table=pl.lit(table),
        path=pl.lit(path),
        row_no=pl.int_range(pl.len(), dtype=pl.Int64) + first + 2,
        kind="_kind",
        fate="_fate",
    )
    return numbered.drop_nulls("kind")


def _write_by_depot(
    fleet: SimulatedFleet, folder: Path, options: LakeOptions, rng: np.random.Generator
) -> list[pl.DataFrame]:
    workbooks = fleet.inspections.height <= LARGEST_WITH_WORKBOOKS
    errors = [_write_register(fleet, folder, workbooks=workbooks)]
    suffix = f"-b{fleet.block:02d}" if fleet.block else ""
    duty = fleet.duty.filter(~pl.col("unit_id").is_in(_forgotten_units(fleet)))
    _save(folder / f"duty/duties{suffix}.csv", csv_bytes(in_words(duty, PLAIN), PLAIN))
    for table, frame in (("inspections", fleet.inspections), ("work", fleet.work)):
        placed = with_hints(by_depot(frame, table, fleet, workbooks=workbooks), table, fleet)
        marked = _with_errors(placed, table, options, rng)
        if table == "inspections":
            marked = overlapping_export(marked, fleet)
        for path, rows in _files(marked):
            _save(folder / path, _file_bytes(path, rows))
            errors.append(_listed(table, path, rows))
    return errors


def _forgotten_units(fleet: SimulatedFleet) -> list[str]:
    """Units whose duty nobody wrote down."""
    units = fleet.truth.units["unit_id"].to_list()
    return units[DUTY_FORGOTTEN_EVERY - 1 :: DUTY_FORGOTTEN_EVERY]


def _save(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)


def _file_bytes(path: str, rows: pl.DataFrame) -> bytes:
    """A file in its depot's own way."""
    if path.endswith(".parquet"):
        return _parquet_bytes(_bare(rows))
    dialect = DIALECTS[int(rows["_dialect"][0])]
    return _dialect_bytes(path, _bare(rows), rows.select("_column", "_text"), dialect)


def _dialect_bytes(path: str, frame: pl.DataFrame, marks: pl.DataFrame, dialect: Dialect) -> bytes:
    own = in_own_units(frame, dialect)
    if path.endswith(".xlsx"):
        return xlsx_bytes(own, marks, dialect, as_text="2024" in path)
    words = overwritten(in_words(own, dialect), marks)
    return csv_bytes(with_headings(words, dialect), dialect)


def _parquet_bytes(frame: pl.DataFrame) -> bytes:
    target = BytesIO()
    frame.write_parquet(target)
    return target.getvalue()


def _write_register(fleet: SimulatedFleet, folder: Path, *, workbooks: bool) -> pl.DataFrame:
    """The register in two files, one row twice, and one row for a side that no axle has."""
    depots = [depot.name for depot in fleet.parameters.depots]
    imperial = [name for nth, name in enumerate(depots) if nth % len(DIALECTS) == 2]
    suffix = f"-b{fleet.block:02d}" if fleet.block else ""
    apart = fleet.register.filter(pl.col("depot").is_in(imperial))
    rest = fleet.register.filter(~pl.col("depot").is_in(imperial))
    again = rest.head(1).with_columns(_kind=pl.lit("repeated_row"), _fate=pl.lit(REPEATED))
    bad = rest.head(1).with_columns(
        unit_id=pl.lit("K9999"),
        side=pl.lit("M"),
        _kind=pl.lit("impossible_side"),
        _fate=pl.lit(SET_ASIDE),
    )
    rows = pl.concat([rest, again, bad], how="diagonal")
    path = f"register/wheel_ends{suffix}.csv"
    bom = Dialect(encoding="utf-8-sig")
    _save(folder / path, csv_bytes(in_words(_bare(rows), bom), bom))
    if apart.height:
        other = f"register/depot{suffix}.{'xlsx' if workbooks else 'tsv'}"
        marks = pl.DataFrame({"_column": [None] * apart.height, "_text": [None] * apart.height},
                             schema={"_column": pl.String, "_text": pl.String})  # fmt: skip
        exact = replace(DIALECTS[2], inch_decimals=5)
        _save(folder / other, _dialect_bytes(other, apart, marks, exact))
    return _listed("register", path, rows)


def _write_truth(fleet: SimulatedFleet, truth: Appender, options: LakeOptions) -> None:
    for field in fields(fleet.truth):
        if field.name != "readings" or options.true_readings:
            truth.append(f"{field.name}.parquet", getattr(fleet.truth, field.name))


def _write_draws(
    folder: Path, parameters: FleetParameters, seed: int, errors: pl.DataFrame
) -> None:
    """The drawn parameters, the strata's true values and the list of errors."""
    strata(parameters).write_parquet(folder / "strata.parquet")
    errors.write_parquet(folder / "injected_errors.parquet")
    drawn = {"seed": seed, "parameters": asdict(parameters)}
    text = json.dumps(drawn, indent=1, default=_iso, ensure_ascii=False)
    (folder / "parameters.json").write_text(text.replace("Infinity", "null") + "\n", "utf-8")


def _iso(value: object) -> str:
    if isinstance(value, date):
        return value.isoformat()
    raise TypeError(f"cannot write {value!r}")
