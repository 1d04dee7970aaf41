"""One simulated fleet, and how its records are put under a fleet's own headings.

Every export carries some of the records. Its twin is a lake in the contract's form that carries the
same ones, so that whatever is worked out of one must be worked out of the other.
"""

import datetime as dt
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import polars as pl
import xlsxwriter

from sample_lake import FleetParameters, simulate
from sample_lake.files.fleet_settings import fleet_toml
from sample_lake.fleet.records import SimulatedFleet

KEYS = ("unit_id", "axle_no", "side")
Rows = Sequence[Sequence[object]]


@cache
def fleet(wheel_ends: int = 120, years: float = 3.0, seed: int = 17) -> SimulatedFleet:
    return simulate(FleetParameters(), wheel_ends=wheel_ends, years=years, seed=seed)


def settings_text(*, stated: bool) -> str:
    """The fleet's settings; ``stated``: also how it writes dates, decimals and units."""
    text = fleet_toml(FleetParameters(), by_depot=False)
    return text if stated else re.sub(r"\[(fleet|units)\]\n(.+\n)+\n", "", text)


def readings(*columns: str) -> pl.DataFrame:
    """The fleet's inspections as found, with these columns, to half millimetres and whole km."""
    as_found = fleet().inspections.filter(~pl.col("as_left").fill_null(value=False))
    found = as_found.with_columns(
        pl.col("lining_mm", "free_stroke_mm").mul(2).round(0).truediv(2),
        pl.col("odometer_km").round(0).cast(pl.Int64),
    )
    first = ("inspected_on", "odometer_km")
    some = found.select(*KEYS, *first, *columns).sort("unit_id", "inspected_on", "axle_no", "side")
    return some.filter(pl.any_horizontal(pl.col(*columns).is_not_null()))


def jobs(*columns: str) -> pl.DataFrame:
    found = fleet().work.with_columns(pl.col("odometer_km").round(0).cast(pl.Int64))
    some = found.select(*KEYS, "done_on", "odometer_km", "action", *columns)
    return some.unique(maintain_order=True).sort("unit_id", "done_on", "axle_no", "side", "action")


def register(*columns: str) -> pl.DataFrame:
    return fleet().register.select(*KEYS, "axle_type", "arm_length_mm", *columns).sort(*KEYS)


@dataclass(frozen=True, slots=True)
class Export:
    """A lake in a fleet's own form, and the same records in the contract's."""

    name: str
    own: Path
    twin: Path
    readings: int


def written(
    name: str,
    folder: Path,
    tables: Mapping[str, pl.DataFrame],
    write: Callable[[Path], None],
    extra: str = "",
) -> Export:
    """Write the twin from its tables, and beside it what ``write`` makes of the same records."""
    own, twin = folder / name / "own", folder / name / "twin"
    own.mkdir(parents=True)
    for table, frame in tables.items():
        (twin / table).mkdir(parents=True)
        frame.write_csv(twin / table / f"{table}.csv")
    (twin / "fleet.toml").write_text(settings_text(stated=True) + extra, encoding="utf-8")
    (own / "fleet.toml").write_text(settings_text(stated=False) + extra, encoding="utf-8")
    write(own)
    return Export(name, own, twin, tables["inspections"].height)


def delimited(path: Path, rows: Rows, delimiter: str = ",", encoding: str = "utf-8") -> None:
    """A text file of rows, as an export makes it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    lines = [delimiter.join("" if c is None else _cell(c, delimiter) for c in row) for row in rows]
    path.write_bytes(("\r\n".join(lines) + "\r\n").encode(encoding))


def _cell(value: object, delimiter: str) -> str:
    text = str(value)
    quoted = delimiter in text or '"' in text
    return '"' + text.replace('"', '""') + '"' if quoted else text


def workbook(path: Path, sheets: Mapping[str, Rows]) -> None:
    """A workbook whose days and numbers are its own, a sheet per name."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with xlsxwriter.Workbook(str(path)) as book:
        day = book.add_format({"num_format": "dd/mm/yyyy"})
        for name, rows in sheets.items():
            sheet = book.add_worksheet(name)
            for i, row in enumerate(rows):
                for j, value in enumerate(row):
                    if isinstance(value, dt.date):
                        sheet.write_datetime(i, j, dt.datetime.combine(value, dt.time()), day)
                    elif value is not None:
                        sheet.write(i, j, value)


def grouped(value: float, mark: str) -> str:
    """762706 → 762.706, with whatever mark groups thousands."""
    return f"{value:,.0f}".replace(",", mark)


def drawn(seed: int) -> np.random.Generator:
    return np.random.default_rng([17, seed])
