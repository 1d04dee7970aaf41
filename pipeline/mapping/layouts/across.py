"""A column, or a group of columns, for each day → a row for each day, with the day in a column.

``Vehicle; Position; 06.01.2024; 09.04.2024`` says what a row says of each day under it; two rows of
heading may have several columns under a day. What was read stands in these, or in the title, else
nobody knows. A row called Km below a vehicle's name has its odometer on each day. Days with a year
alone count: a column for each month is of no day.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import polars as pl

from pipeline.mapping.grids import Grid
from pipeline.mapping.headings import INSPECTED, Meaning, meanings, one_of
from pipeline.mapping.reading import day_of, is_day
from pipeline.mapping.tables import HEAD_ROWS
from pipeline.mapping.words import LONG_KINDS, tokens

DAY, READING, VALUE = "(day)", "(reading)", "Value"
MOST_DAYS = 512  # a row is of so many days at most, and they are numbered below its own number
MOST_CELLS = 5_000_000
MOST_STRAY = 0.5  # of the cells below days across, so many may be days, of a heading further down
PLACED = {"unit_id", "axle_no", "position", "side"}

Cells = list[str | None]


@dataclass(frozen=True, slots=True)
class Across:
    """Where such a heading stands, from which row to which; ``first`` the first column of each day
    and ``days`` these; ``fixed`` the columns that are of every day with their headings, ``under``
    the headings below each day."""

    top: int
    bottom: int
    first: tuple[int, ...]
    days: tuple[str, ...]
    fixed: dict[int, str]
    under: tuple[str, ...]


def days_down(grid: Grid) -> Grid:
    """The grid with a row for each day; the grid itself where no heading has days across."""
    found = list(_headings(grid))
    if not found or any((a.fixed, a.under) != (found[0].fixed, found[0].under) for a in found):
        return grid
    last = [a.top for a in found[1:]] + [grid.rows.height]
    size = sum((end - a.bottom) * len(a.days) for a, end in zip(found, last, strict=True))
    if max(len(a.days) for a in found) > MOST_DAYS or size * grid.width > MOST_CELLS:
        return grid
    odometer = _odometer_of(grid, found[0])
    heads = [DAY, *found[0].under, *([odometer] if odometer else [])]
    records = [*_above(grid, found[0], heads)]
    for across, end in zip(found, last, strict=True):
        records += _melted(grid, across, end, with_km=bool(odometer))
    return _grid_of(grid, records, found[0], len(heads))


def _headings(grid: Grid) -> Iterator[Across]:
    below = -1
    for top in range(min(HEAD_ROWS, grid.rows.height - 1)):
        across = _at(grid, top) if top > below else None
        if across is not None:
            below = across.bottom
            yield across


def _at(grid: Grid, top: int) -> Across | None:
    """The heading whose days stand in a row."""
    upper, lower = grid.row(top), grid.row(top + 1)
    first = tuple(i for i, cell in enumerate(upper) if cell and is_day(cell))
    days = tuple(upper[i] or "" for i in first)
    if len(first) < 2 or len({day_of(d, True) or day_of(d, False) for d in days}) < len(days):
        return None
    left = range(first[0])
    if _of_two_rows(upper, lower, first):
        return _grouped(grid, top, first, days)
    fixed = {i: upper[i] or "" for i in (*left, *range(first[-1] + 1, len(upper))) if upper[i]}
    together = first == tuple(range(first[0], first[-1] + 1))
    said = {m.concept for m in meanings(list(fixed.values()))}
    if not together or not said & PLACED or not _holds_readings(grid, top + 1, first):
        return None
    return Across(top, top, first, days, fixed, (_what_was_read(grid, top, fixed),))


def _of_two_rows(upper: Cells, lower: Cells, first: Sequence[int]) -> bool:
    """Whether the row below the days goes on with the heading: it names what the row of days does
    not, or what stands under each day, in words."""
    left = range(first[0])
    words = all(lower[i] and not any(c.isdigit() for c in (lower[i] or "")[:1]) for i in first)
    above, below = (any(row[i] for i in left) for row in (upper, lower))
    return (not above and below) or (not below and words)


def _grouped(grid: Grid, top: int, first: tuple[int, ...], days: tuple[str, ...]) -> Across | None:
    """A heading of two rows, where the same stands under each day."""
    upper, lower = grid.row(top), grid.row(top + 1)
    width = first[1] - first[0]
    even = all(b - a == width for a, b in pairwise(first))
    groups = {tuple(lower[i : i + width]) for i in first}
    under = tuple(cell or "" for cell in next(iter(groups)))
    others = (*range(first[0]), *range(first[-1] + width, len(upper)))
    fixed = {
        i: " ".join(filter(None, (upper[i], lower[i]))) for i in others if upper[i] or lower[i]
    }
    said = meanings([*fixed.values(), *under])
    is_read = any(m.concept in INSPECTED for m in said)
    if not even or len(groups) > 1 or not all(under) or not is_read or top + 2 >= grid.rows.height:
        return None
    return Across(top, top + 1, first, days, fixed, under)


def _holds_readings(grid: Grid, start: int, first: Sequence[int]) -> bool:
    """Whether something stands below the days, and no day: else they are days of rows."""
    names = [f"c{i}" for i in first]
    below = grid.rows.slice(start, 200).select(names)
    cells = [cell for row in below.iter_rows() for cell in row if cell]
    return bool(cells) and sum(map(is_day, cells)) <= MOST_STRAY * len(cells)


def _what_was_read(grid: Grid, top: int, fixed: dict[int, str]) -> str:
    """What a title above, or the sheet's name, says that was read; each row may say it itself."""
    if any(" ".join(tokens(heading)) in LONG_KINDS for heading in fixed.values()):
        return VALUE
    lines = [[cell for cell in grid.row(row) if cell] for row in range(top)]
    titles = [*(line[0] for line in lines if len(line) == 1), grid.name]
    read = [title for title in titles if title and meanings([title])[0].concept in INSPECTED]
    return one_of(read) or READING


def _of(title: str) -> Meaning:
    return meanings([title])[0]


def _odometer_of(grid: Grid, across: Across) -> str:
    """What rows of odometers are called; empty where there are none, or of several units."""
    called: dict[Meaning, str] = {}
    for row in range(across.bottom + 1, grid.rows.height):
        word = _odometer_word(grid.row(row), across)
        if word:
            called.setdefault(_of(word), word)
    return next(iter(called.values())) if len(called) == 1 else ""


def _odometer_word(cells: Cells, across: Across) -> str:
    """The cell by which a row is one of odometers."""
    said = (cells[i] or "" for i in across.fixed)
    return next((cell for cell in said if cell and _of(cell).concept == "odometer"), "")


def _above(
    grid: Grid, across: Across, heads: Sequence[str]
) -> Iterator[tuple[int, int, Cells, Cells]]:
    """The rows above the days as they stand, and the heading in one row: each with its number, its
    width and what the new columns hold."""
    for row in range(across.bottom + 1):
        no, width, *cells = grid.rows.row(row)
        if row < across.top:
            yield no * MOST_DAYS, width, cells, [None] * len(heads)
        elif row == across.bottom:
            own: Cells = [across.fixed.get(i) for i in range(grid.width)]
            yield no * MOST_DAYS, width, own, list(heads)


def _melted(
    grid: Grid, across: Across, end: int, *, with_km: bool
) -> list[tuple[int, int, Cells, Cells]]:
    """The rows below a heading, once for each day of which something is written."""
    found: list[tuple[int, int, Cells, Cells, str]] = []
    odometers: dict[tuple[str, int], str | None] = {}
    unit = next((i for i, m in zip(across.fixed, meanings(list(across.fixed.values())), strict=True)
                 if m.concept == "unit_id"), None)  # fmt: skip
    of, wide = "", len(across.under)
    for row in range(across.bottom + 1, end):
        no, width, *cells = grid.rows.row(row)
        of = (cells[unit] or of) if unit is not None else of
        own: Cells = [cell if i in across.fixed else None for i, cell in enumerate(cells)]
        told = [(k, cells[at : at + wide]) for k, at in enumerate(across.first)]
        told = [(k, values) for k, values in told if any(values)]
        if _odometer_word(cells, across) and with_km:
            odometers |= {(of, k): values[0] for k, values in told}
            named = [cell if i == unit else None for i, cell in enumerate(cells)]
            if unit is not None and row + 1 < end and not grid.row(row + 1)[unit]:
                found.append((no * MOST_DAYS, width, named, [None] * (1 + wide), of))
            continue
        if not told:
            found.append((no * MOST_DAYS, width, cells, [None] * (1 + wide), of))
        for k, values in told:
            found.append((no * MOST_DAYS + k, width, own, [across.days[k], *values], of))
    if not with_km:
        return [one[:4] for one in found]
    return [(no, width, own, [*new, odometers.get((of, no % MOST_DAYS)) if new[0] else None])
            for no, width, own, new, of in found]  # fmt: skip


def _grid_of(
    grid: Grid, records: Sequence[tuple[int, int, Cells, Cells]], across: Across, more: int
) -> Grid:
    columns = {
        "row_no": pl.Series([r[0] for r in records], dtype=pl.Int64),
        "width": pl.Series([r[1] for r in records], dtype=pl.Int64),
    }
    cells = [(*own, *new) for _, _, own, new in records]
    for i in range(grid.width + more):
        columns[f"c{i}"] = pl.Series([of[i] for of in cells], dtype=pl.String)
    values = {f"c{grid.width + 1 + k}" for k in range(more - 1)}
    of_days = {f"c{at + k}" for at in across.first for k in range(len(across.under))}
    own, unstored = ((names | values) if names & of_days else names
                     for names in (grid.own_numbers, grid.unstored))  # fmt: skip
    return replace(grid, rows=pl.DataFrame(columns), merged=(), own_numbers=frozenset(own),
                   unstored=frozenset(unstored), row_parts=MOST_DAYS)  # fmt: skip
