"""Files that grow block by block."""

from contextlib import ExitStack
from pathlib import Path
from typing import BinaryIO, Self

import polars as pl
import pyarrow.parquet as pq

from sample_lake.files.dialects import PLAIN, csv_bytes, in_words

ROWS_PER_GROUP = 60_000
"""Rows gathered per Parquet file before they are written: small row groups are slow to read."""


class Appender:
    """Parquet grows by row groups, plain CSV by lines; closing writes what is still held."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._files = ExitStack()
        self._parquet: dict[str, pq.ParquetWriter] = {}
        self._held: dict[str, list[pl.DataFrame]] = {}
        self._csv: dict[str, BinaryIO] = {}
        self._rows: dict[str, int] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        for path in list(self._held):
            self._flush(path)
        self._files.close()

    def append(self, path: str, frame: pl.DataFrame) -> int:
        """Add rows to a file; returns how many it held before."""
        before = self._rows.get(path, 0)
        self._rows[path] = before + frame.height
        (self._folder / path).parent.mkdir(parents=True, exist_ok=True)
        if path.endswith(".parquet"):
            self._held.setdefault(path, []).append(frame)
            if sum(part.height for part in self._held[path]) >= ROWS_PER_GROUP:
                self._flush(path)
        else:
            self._append_csv(path, frame)
        return before

    def _flush(self, path: str) -> None:
        frame = pl.concat(self._held.pop(path))
        table = frame.to_arrow(compat_level=pl.CompatLevel.oldest())
        if path not in self._parquet:
            writer = pq.ParquetWriter(self._folder / path, table.schema, compression="zstd")
            self._parquet[path] = self._files.enter_context(writer)
        self._parquet[path].write_table(table)

    def _append_csv(self, path: str, frame: pl.DataFrame) -> None:
        first = path not in self._csv
        if first:
            self._csv[path] = self._files.enter_context((self._folder / path).open("wb"))
        self._csv[path].write(csv_bytes(in_words(frame, PLAIN), PLAIN, header=first))
