"""Columns collected step by step, joined once at the end."""

from dataclasses import fields
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from sample_lake.parameters import IntArray

Column = npt.NDArray[Any]
Columns = dict[str, Column]
Record = TypeVar("Record")


class Ledger:
    """Named tables whose rows arrive in blocks of equal-length arrays."""

    def __init__(self) -> None:
        self._blocks: dict[str, list[Columns]] = {}

    def add(self, table: str, **columns: Column) -> None:
        """Append one block of rows to `table`."""
        self._blocks.setdefault(table, []).append(columns)

    def columns(self, table: str) -> Columns:
        """All blocks of `table`, in the order they came; empty when there are none."""
        blocks = self._blocks.get(table, [])
        if not blocks:
            return {}
        return {name: np.concatenate([block[name] for block in blocks]) for name in blocks[0]}


def columns_of(record: object) -> dict[str, Any]:
    """The arrays of a dataclass of arrays, by name."""
    return {field.name: getattr(record, field.name) for field in fields(record)}  # type: ignore[arg-type]


def rows_of(record: Record, rows: IntArray) -> Record:
    """A dataclass of arrays, cut down to some rows."""
    return type(record)(**{name: column[rows] for name, column in columns_of(record).items()})


def some_rows(columns: Columns, rows: IntArray) -> Columns:
    """Columns cut down to some rows."""
    return {name: column[rows] for name, column in columns.items()}
