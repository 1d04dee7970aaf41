"""A row per reading → a column per kind of reading, so that it is understood as any other table.

Where ``Position; Measurement; Value; Unit`` stand side by side, a cell says what a heading says
elsewhere. Such a grid gets a column for each kind, headed by its word and unit, in place of these;
every row keeps its number and fills one of them. Rows of one wheel end and day that tell of
different readings are one inspection (``sql/10_judge``).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl

from pipeline.mapping.grids import Grid, read_grids
from pipeline.mapping.headings import OF_WHEEL_ENDS, meanings
from pipeline.mapping.tables import HEAD_ROWS
from pipeline.mapping.titles import with_titles
from pipeline.mapping.words import UNIT_OF, folded, tokens


def _alternatives(text: str) -> frozenset[str]:
    return frozenset(" ".join(each.split()) for each in text.split(","))


# Headings, from memory, in the languages that headings are read in.
KINDS = _alternatives(
    """measurement, measured, measure, item, check item, inspection item, parameter, reading type,
    measurement type, type of measurement, type of reading, characteristic, messgrosse, merkmal,
    messung, prufpunkt, mesure, type mesure, type de mesure, parametre, grandeur, parametro,
    medicion, tipo medicion, medicao, tipo medicao, misura, tipo misura, grandezza, parametr,
    pomiar, rodzaj pomiaru, meting, soort meting, mereni, matning, maling, masuratoare, meres,
    измерение, параметр"""
)
VALUES = _alternatives(
    """value, measured value, reading, reading value, result, wert, messwert, ergebnis, valeur,
    valeur mesuree, resultat, valor, valor medido, resultado, valore, valore misurato, risultato,
    wartosc, wynik, waarde, meetwaarde, hodnota, namerena hodnota, varde, vardi, vaerdi, verdi,
    valoare, ertek, значение, результат"""
)
UNITS = _alternatives(
    """unit, units, uom, unit of measure, einheit, unite, unidad, unidade, unita, jednostka,
    eenheid, jednotka, enhet, enhed, unitate, egyseg, единица"""
)
MOST_KINDS = 60


@dataclass(frozen=True, slots=True)
class _Long:
    """Where a heading of such a table stands, and which columns name kind, value and unit."""

    index: int
    kind: str
    value: str
    unit: str | None


def spread_grids(content: bytes, path: Path) -> list[Grid]:
    """The grids of a file, with a column per kind of reading where they have a row for each, and
    with columns for what stands above their rows.

    Raises
    ------
    UnreadableFileError
        The bytes are not what the file's ending says.
    """
    return [with_titles(spread(grid)) for grid in read_grids(content, path)]


def spread(grid: Grid) -> Grid:
    """The grid itself where no row heads such a table, or where none of its kinds is known."""
    for index in range(min(HEAD_ROWS, grid.rows.height - 1)):
        long = _long(grid, index)
        if long is not None:
            return _spread(grid, long)
    return grid


def _long(grid: Grid, index: int) -> _Long | None:
    row = grid.row(index)
    called = [" ".join(tokens(cell)) if cell else "" for cell in row]
    kinds, values = ([f"c{i}" for i, c in enumerate(called) if c in of] for of in (KINDS, VALUES))
    if len(kinds) != 1 or len(values) != 1:
        return None
    if all(m.concept != "date" for m in meanings([cell or "" for cell in row])):
        return None
    units = [f"c{i}" for i, c in enumerate(called) if c in UNITS and _of_units(grid, index, i)]
    return _Long(index, kinds[0], values[0], units[0] if len(units) == 1 else None)


def _of_units(grid: Grid, index: int, column: int) -> bool:
    """Whether a column holds units of measure: a vehicle may be called a unit too."""
    cells = grid.rows[f"c{column}"].slice(index + 1).drop_nulls().unique()
    known = [folded(cell).strip(".") in UNIT_OF for cell in cells]
    return any(known) and not any(c.isdigit() for cell in cells for c in cell)


def _spread(grid: Grid, long: _Long) -> Grid:
    below = pl.int_range(pl.len()) > long.index
    kind = pl.concat_str([long.kind, *filter(None, [long.unit])], separator=" ", ignore_nulls=True)
    rows = grid.rows.with_columns(of=pl.when(below & pl.col(long.kind).is_not_null()).then(kind))
    labels = rows["of"].drop_nulls().unique(maintain_order=True).to_list()
    if not _understood(labels):
        return grid
    at, told = pl.int_range(pl.len()) == long.index, pl.col(long.value)
    columns = {
        f"c{grid.width + i}": pl.when(at).then(pl.lit(label)).when(pl.col("of") == label).then(told)
        for i, label in enumerate(labels)
    }
    above = [
        pl.when(pl.int_range(pl.len()) < long.index).then(pl.col(name)).alias(name)
        for name in (long.kind, long.value, long.unit)
        if name
    ]
    return replace(grid, rows=rows.with_columns(**columns).with_columns(above).drop("of"))


def _understood(labels: Sequence[str]) -> bool:
    if not 1 <= len(labels) <= MOST_KINDS:
        return False
    return any(m.concept in OF_WHEEL_ENDS for m in meanings(labels))
