"""Job lines that name another unit than their row: whose job it is, nobody can say."""

import re

import polars as pl

FEWEST = 4  # letters and figures of a name that is nothing else in a line: A1 is an axle
_WORD = re.compile(r"\w+(?:[-/]\w+)*")


def other_units(lines: pl.Series, units: pl.Series) -> pl.Series:
    """By row, the unit of another row that its line names; null where it names none."""
    known = {unit for unit in units.drop_nulls().unique() if _is_name(unit)}
    named = {
        line: found
        for line in lines.drop_nulls().unique()
        if (found := [word for word in _WORD.findall(line.upper()) if word in known])
    }
    told = [
        next((one for one in named.get(line, ()) if one != unit), None)
        for line, unit in zip(lines, units, strict=True)
    ]
    return pl.Series("other_unit", told, dtype=pl.String)


def _is_name(unit: str) -> bool:
    """Whether a unit's name has letters and figures, and enough of them to be no axle or amount."""
    signs = [c for c in unit if c.isalnum()]
    return (
        len(signs) >= FEWEST and not all(map(str.isdigit, signs)) and any(map(str.isdigit, signs))
    )
