"""Two things in one cell → a column for each: both sides (13/14,5), or unit and place (T101/2L).

Both are told by the cells all together. One that is otherwise is not read, and its row says so.
And one thing in two columns → one: of ``Tractor; Trailer`` where each row has one of them, and of
``Odometer; Hubodometer``.
"""

import operator
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import polars as pl

from pipeline.lake.struck import STRUCK
from pipeline.mapping.grids import Grid
from pipeline.mapping.headings import (
    INSPECTED,
    OF_WHEEL_ENDS,
    Meaning,
    meanings,
    place_in,
    place_of_cell,
)
from pipeline.mapping.tables import HEAD_ROWS
from pipeline.mapping.words import HUBS, MEASURED, TRAILERS, says_summary, tokens

UNIT, POSITION = "(unit)", "(position)"
_SIDES = re.compile(
    r"\b(?:(lh?|left|links)\s*[/|&+]\s*(rh?|right|rechts)|(rh?|right|rechts)\s*[/|&+]\s*"
    r"(lh?|left|links))\b",
    re.I,
)
_BOTH = re.compile(r"([^/|]+)[/|]([^/|]+)")
_BETWEEN = re.compile(r"[\s/,;:_–-]+")
MOSTLY = 0.8  # of the different cells, so many are cut in two, or none is; our own, no source
IN_MM = {"mm", "cm"}  # 5/8 in another unit is a fraction


@dataclass(frozen=True, slots=True)
class _Pair:
    """Two columns in place of one: their headings, how a cell of it is cut in two, and what each
    gets of a cell that cannot be: nothing that could be read."""

    column: int
    headings: tuple[str, str]
    cut: Callable[[str], tuple[str, str] | None]
    odd: Callable[[str], tuple[str | None, str | None]]


def taken_apart(grid: Grid) -> Grid:
    """The grid with a column for each of what stands together; else the grid itself."""
    for find in (_both_sides, _unit_and_place):
        grid = _with_pairs(grid, find)
    return _of_either_odometer(_of_either(grid))


def _of_either_odometer(grid: Grid) -> Grid:
    """The grid with one column of odometers in place of one of vehicles and one of hubs, in the
    same unit, of which no row has both."""
    for index in range(min(HEAD_ROWS, grid.rows.height - 1)):
        heading = [cell or "" for cell in grid.row(index)]
        of = [(not HUBS.isdisjoint(tokens(cell)), i, said.unit) for i, cell in enumerate(heading)
              if cell and (said := meanings([cell])[0]).concept == "odometer"]  # fmt: skip
        if sorted(is_hub for is_hub, _, _ in of) != [False, True] or of[0][2] != of[1][2]:
            continue
        (_, own, _), (_, hub, _) = sorted(of)
        names = [f"c{own}", f"c{hub}"]
        below = grid.rows.slice(index + 1).select(pl.col(names).is_not_null())
        if (below[names[0]] & below[names[1]]).any():
            return grid
        here, before = (sign(pl.int_range(pl.len()), index) for sign in (operator.eq, operator.lt))
        both = pl.lit(f"{heading[own]} / {heading[hub]}")
        one = pl.when(before).then(names[0]).when(here).then(both).otherwise(pl.coalesce(names))
        left = pl.when(before).then(names[1])
        return replace(grid, rows=grid.rows.with_columns(one.alias(names[0]), left.alias(names[1])))
    return grid


def _of_either(grid: Grid) -> Grid:
    """The grid with one column of units in place of one of vehicles and one of trailers, of which
    no row has both."""
    for index in range(min(HEAD_ROWS, grid.rows.height - 1)):
        heading = [cell or "" for cell in grid.row(index)]
        units = [i for i, m in enumerate(meanings(heading)) if m.concept == "unit_id"]
        drawn = [not TRAILERS.isdisjoint(tokens(heading[i])) for i in units]
        if sorted(drawn) != [False, True]:
            continue
        names = [f"c{i}" for i in units]
        below = grid.rows.slice(index + 1).select(pl.col(names).is_not_null())
        if (below[names[0]] & below[names[1]]).any() or not all(
            below[name].any() for name in names
        ):
            return grid
        here, after = (sign(pl.int_range(pl.len()), index) for sign in (operator.eq, operator.gt))
        one = pl.when(here).then(pl.lit(UNIT)).when(after).then(pl.coalesce(names))
        left = [pl.when(~after).then(pl.col(name)).alias(name) for name in names]
        return replace(grid, rows=grid.rows.with_columns(one.alias(f"c{grid.width}"), *left))
    return grid


def _with_pairs(grid: Grid, find: Callable[[Sequence[str]], list[_Pair]]) -> Grid:
    for index in range(min(HEAD_ROWS, grid.rows.height - 1)):
        heading = [cell or "" for cell in grid.row(index)]
        pairs = find(heading)
        if pairs:
            for pair in pairs:
                grid = _cut(grid, index, heading, pair)
            return grid
    return grid


def _cut(grid: Grid, index: int, heading: Sequence[str], pair: _Pair) -> Grid:
    name, word = f"c{pair.column}", heading[pair.column]
    below = grid.rows[name].slice(index + 1)
    words = [w for w in below.drop_nulls().unique() if w != word and not says_summary(w)]
    told = {w: cut for w in words if STRUCK not in w and (cut := pair.cut(w)) is not None}
    if not words or len(told) < MOSTLY * len(words) or not _is_of_both(pair, told):
        return grid
    cells: dict[str | None, tuple[str | None, str | None]] = {None: (None, None)}
    cells |= {w: told.get(w) or pair.odd(w) for w in below.drop_nulls().unique()}
    cells[word] = pair.headings
    above = pl.when(pl.int_range(pl.len()) < index).then(pl.col(name))
    added = {
        f"c{grid.width + k}": pl.Series(
            [*[None] * index, pair.headings[k], *(cells[w][k] for w in below)], dtype=pl.String
        )
        for k in (0, 1)
    }
    return replace(grid, rows=grid.rows.with_columns(above.alias(name), **added))


def _is_of_both(pair: _Pair, cut: dict[str, tuple[str, str]]) -> bool:
    """Whether places are of either side; lone ones may be the ends of units' names."""
    if pair.headings != (UNIT, POSITION):
        return True
    return {_side(place) for _, place in cut.values()} == {"L", "R"}


def _both_sides(heading: Sequence[str]) -> list[_Pair]:
    """Columns whose headings name both sides of one reading: Lining L/R mm."""
    found = []
    for i, cell in enumerate(heading):
        sides = _SIDES.search(cell)
        if sides is None:
            continue
        first, second = (word for word in sides.groups() if word)
        names = tuple(_SIDES.sub(word, cell, count=1) for word in (first, second))
        alone = meanings([_SIDES.sub("", cell, count=1)])[0]
        if _may_be_two(alone):
            found.append(_Pair(i, (names[0], names[1]), _two_of, _of_unknown_side))
    return found


def _may_be_two(said: Meaning) -> bool:
    measured = MEASURED.get(said.concept or "") == "length"
    return said.concept in INSPECTED and (not measured or said.unit in IN_MM)


def _two_of(cell: str) -> tuple[str, str] | None:
    found = _BOTH.fullmatch(cell)
    return (found[1].strip(), found[2].strip()) if found else None


def _of_unknown_side(cell: str) -> tuple[str, str]:
    return f"{cell} (which side?)", f"{cell} (which side?)"


def _unit_and_place(heading: Sequence[str]) -> list[_Pair]:
    """The one column of units or places of a table of readings that lacks the other."""
    said = meanings(list(heading))
    concepts = [m.concept for m in said]
    of = [i for i, concept in enumerate(concepts) if concept in {"unit_id", "position"}]
    placed = any(m.side or m.axle for m in said) or {"axle_no", "side"} & set(concepts)
    if len(of) != 1 or placed or not {*OF_WHEEL_ENDS, "job"} & set(concepts):
        return []
    cut = _unit_of if concepts[of[0]] == "unit_id" else _named_unit_of
    return [_Pair(of[0], (UNIT, POSITION), cut, lambda cell: (cell, None))]


def _unit_of(cell: str) -> tuple[str, str] | None:
    """A unit's name and the longest place that stands behind it."""
    for gap in _BETWEEN.finditer(cell):
        unit, place = cell[: gap.start()], cell[gap.end() :]
        if any(c.isdigit() for c in unit) and _side(place):
            return unit, place
    return None


def _named_unit_of(cell: str) -> tuple[str, str] | None:
    """The same below a heading of places, where 1-2L may be of no unit 1."""
    found = _unit_of(cell)
    return found if found and any(c.isalpha() for c in found[0]) and not _side(found[0]) else None


def _side(place: str) -> str | None:
    """The side of an axle and side, where a text is no more than that."""
    told = place_in(place_of_cell(place), {"l": "L", "r": "R"}, offside=False)
    whole = not told.rest and not told.why and isinstance(told.axle, int)
    return told.side if whole and told.side in {"L", "R"} else None
