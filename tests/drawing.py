"""Small tables drawn in a test, and the SQL stages run on them."""

import datetime as dt

import duckdb
import polars as pl

from pipeline.lake.cells import typed_rows
from pipeline.lake.files import Cells
from pipeline.settings import Settings
from pipeline.warehouse import warehouse
from pipeline.warehouse.judging import judge

LOADED = dt.datetime(2026, 1, 31, 12, 0)


def drawn(text: str) -> pl.DataFrame:
    """Read ``a | b`` lines into a text frame; empty cells and ``-`` are null."""
    lines = [[c.strip() for c in line.split("|")] for line in text.strip().splitlines()]
    rows = [[None if cell in ("", "-") else cell for cell in line] for line in lines[1:]]
    schema = dict.fromkeys(lines[0], pl.String)
    return pl.DataFrame(rows, schema=schema, orient="row")


def typed(table: str, text: str) -> pl.DataFrame:
    """A drawing as the rows that loading would make of it."""
    frame = drawn(text)
    cells = frame.rename({name: f"c{i}" for i, name in enumerate(frame.columns)})
    numbered = cells.with_row_index("row_no", offset=2).with_columns(
        pl.col("row_no").cast(pl.Int64), shape_problem=pl.lit(None, dtype=pl.String)
    )
    return typed_rows(table, Cells(tuple(frame.columns), numbered, is_text=True), Settings())


REGISTER = """
    unit_id | axle_no | side | axle_type | arm_length_mm | lining_new_mm | lining_min_mm
    K1      | 1       | L    | trailing  | 140           | 18            | 6
    K1      | 1       | R    | trailing  | 140           | 18            | 6
"""


def warehouse_of(
    *,
    register: str = REGISTER,
    inspections: str = "unit_id",
    work: str = "unit_id",
    duty: str = "unit_id",
    settings: Settings | None = None,
    as_of: dt.date | None = None,
    staged: bool = True,
) -> duckdb.DuckDBPyConnection:
    """An in-memory warehouse with the drawn rows judged (and staged)."""
    con = warehouse.in_memory()
    drawings = {"register": register, "inspections": inspections, "work": work, "duty": duty}
    for number, (name, text) in enumerate(drawings.items(), start=1):
        rows = typed(name, text).with_columns(content_id=pl.lit(number))
        warehouse.append(con, f"raw.{name}", rows)
        con.execute(
            """insert into raw.contents (content_id, table_name, sha256, rows_read, parse_key,
                loaded_on, loaded_at, rank_no, row_parts, parts_read)
            values (?, ?, ?, ?, 'k', ?, ?, ?, 1, ?)""",
            [number, name, f"sha{number}", rows.height, LOADED.date(), LOADED, number, rows.height],
        )
        con.execute(
            "insert into raw.files values (?, ?, ?, ?, ?, null)",
            [f"{name}/drawn.csv", name, f"sha{number}", number, LOADED],
        )
    judge(con, settings or Settings(), LOADED.date(), as_of)
    if staged:
        warehouse.build(con, "20_stage")
    return con


def rows(con: duckdb.DuckDBPyConnection, query: str) -> list[tuple[object, ...]]:
    return con.execute(query).fetchall()
