"""What a line above the rows says for all of them: what was read at 1L, which year, which axle.

``Lining mm, 15.01.2024`` over a matrix of units and wheel ends; ``Brake checks 2024`` over days
without a year; ``Axle 1`` over its two rows. Each is read where nothing else can be meant.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cache
from itertools import pairwise

import polars as pl

from pipeline.mapping.grids import Grid
from pipeline.mapping.headings import INSPECTED, WHERE_ALONE, Meaning, meanings, one_of, place_in
from pipeline.mapping.reading import day_in
from pipeline.mapping.tables import HEAD_ROWS
from pipeline.mapping.words import OF_A_VISIT, SIDE_LETTERS, folded, month_names, tokens

AROUND = {"unit_id", "date", "odometer"}
FEWEST_PLACES = 2
MONTHS = 12
LONGEST = 80
MOST_ROWS = 50_000
MOSTLY = 0.8  # of a column's cells, so many are days without a year, or none is read so
OUT_OF_ORDER = 0.05  # of a unit's steps, so many may be slips; our own, no source
OF_A_YEAR = OF_A_VISIT | {"year", "jahr", "annee", "ano", "anno", "rok", "jaar", "ar"}
_YEAR = re.compile(r"(?<!\d)(20\d\d)(?!\d)")
_FIGURES = re.compile(r"(\d{1,2})([./-])(\d{1,2})(\.?)")
_NAMED = re.compile(r"(?:(\d{1,2})\.?[\s.-]*([^\W\d_]+)|([^\W\d_]+)\.?[\s-]*(\d{1,2}))\.?")

Cells = list[str | None]


def said_above(grid: Grid) -> Grid:
    """The grid with what was read in the headings that only say where, with the year in days that
    have none, and with a column of axles that lines name above their rows."""
    for tell in (_with_readings, _with_years, _with_axles):
        grid = tell(grid)
    return grid


def are_places(row: Sequence[str | None], said: Sequence[Meaning]) -> bool:
    """Whether headings say where on a unit, and nothing what was read there."""
    concepts = {m.concept for m in said}
    return bool(_places(row, said) and concepts & AROUND and not concepts & INSPECTED)


def _places(row: Sequence[str | None], said: Sequence[Meaning]) -> list[int]:
    """Which headings only say where; none where but one does. Of letters alone both of a pair."""
    letters = {i: folded(cell) for i, cell in enumerate(row) if cell and len(cell) == 1}
    pair = any(set(letters.values()) == set(sides) for sides in SIDE_LETTERS)
    at = [i for i, m in enumerate(said) if m.why == WHERE_ALONE or (pair and i in letters)]
    return at if len(at) >= FEWEST_PLACES else []


def _meanings(cells: Sequence[str | None]) -> list[Meaning]:
    return meanings([cell or "" for cell in cells])


def titles_above(grid: Grid, index: int) -> list[str]:
    """Rows of one cell above a heading, and the sheet's name."""
    rows = ([cell for cell in grid.row(row) if cell] for row in range(index))
    titles = [*(row[0] for row in rows if len(row) == 1), grid.name]
    return [title for title in titles if title and len(title) <= LONGEST]


def _with_readings(grid: Grid) -> Grid:
    """A matrix of units and wheel ends: its title says what was read in it."""
    for index in range(min(HEAD_ROWS, grid.rows.height - 1)):
        row = grid.row(index)
        said = _meanings(row)
        if are_places(row, said):
            return _named(grid, index, said) or grid
    return grid


def _named(grid: Grid, index: int, said: Sequence[Meaning]) -> Grid | None:
    """The grid with the one reading that titles name behind each place; None where none does."""
    called = {_of_a_reading(title) for title in titles_above(grid, index)} - {""}
    reading, row = one_of(sorted(called)), grid.row(index)
    if not reading:
        return None
    at = _places(row, said)
    new = [f"{cell} {reading}" if i in at else cell for i, cell in enumerate(row)]
    placed = _meanings(new)
    axled = any(m.concept == "axle_no" for m in said)
    read = [m for i, m in enumerate(placed) if i in at]
    if not all(m.concept in INSPECTED and m.side and (axled or m.axle) for m in read):
        return None
    here = pl.int_range(pl.len()) == index
    names = [pl.when(here).then(pl.lit(new[i])).otherwise(f"c{i}").alias(f"c{i}") for i in at]
    return replace(grid, rows=grid.rows.with_columns(names))


def _of_a_reading(title: str) -> str:
    """What a title says that was read, without the day beside it; empty where it says none."""
    dated = day_in(title)
    rest = re.sub(r"[\s,;:()–-]+$|^[\s,;:()–-]+", "", dated[1] if dated else title)
    found = meanings([rest])[0]
    return rest if found.concept in INSPECTED and found.axle is found.side is None else ""


def _with_years(grid: Grid) -> Grid:
    """Days without a year, below titles that name one year, or a heading that does."""
    index = _heading(grid, {"date"})
    if index is None or grid.rows.height > MOST_ROWS:
        return grid
    row = grid.row(index)
    said = _meanings(row)
    at = [i for i, m in enumerate(said) if m.concept == "date"]
    years = {year for title in [*titles_above(grid, index), *(row[i] or "" for i in at)]
             if not _of_another_day(title) for year in _YEAR.findall(title)}  # fmt: skip
    if len(years) != 1 or len(at) != 1:
        return grid
    name, year = f"c{at[0]}", years.pop()
    cells = grid.rows[name].slice(index + 1).drop_nulls().unique()
    told = {cell: day for cell in cells if (day := _with_year(cell, year, is_text=grid.is_text))}
    filled = grid.rows[name].slice(index + 1).drop_nulls()
    if int(filled.is_in(list(told)).sum()) < MOSTLY * filled.len() or not told:
        return grid
    if _goes_back(grid, index, said, at[0], told):
        return grid
    below = pl.int_range(pl.len()) > index
    new = pl.when(below).then(pl.col(name).replace(told)).otherwise(name)
    return replace(grid, rows=grid.rows.with_columns(new.alias(name)))


def _of_another_day(title: str) -> bool:
    """Whether a year may be that of printing, say: beside a whole day, or words not of checks."""
    return day_in(title) is not None or not set(tokens(_YEAR.sub(" ", title))) <= OF_A_YEAR


def lacks_year(cell: str) -> bool:
    """Whether a cell may be a day without its year: 15.01., 15 Jan."""
    return _with_year(cell, "2000", is_text=True) != ""


def _with_year(cell: str, year: str, *, is_text: bool) -> str:
    """15.01. as 15.01.2024, 15 Jan as 15 Jan 2024; empty where a cell is no day without a year.

    A workbook's 15.01 may be a number.
    """
    figures = _FIGURES.fullmatch(cell)
    if figures is not None:
        one, mark, two, end = figures.groups()
        is_day = min(int(one), int(two)) > 0 and max(int(one), int(two)) < 32
        plain = mark != "." or end == "." or is_text
        return f"{one}{mark}{two}{mark}{year}" if is_day and plain else ""
    named = _NAMED.fullmatch(cell.strip())
    if named is None:
        return ""
    day, month = named[1] or named[4], named[2] or named[3]
    return f"{day} {month} {year}" if folded(month) in month_names() else ""


def _goes_back(
    grid: Grid, index: int, said: Sequence[Meaning], day: int, told: dict[str, str]
) -> bool:
    """Whether units' months go back as their odometers rise: then there are two years."""
    unit, km = (next((i for i, m in enumerate(said) if m.concept == concept), None)
                for concept in ("unit_id", "odometer"))  # fmt: skip
    if unit is None or km is None:
        return False
    month = {cell: _month(cell, day_first=not any(map(_is_month_first, told))) for cell in told}
    seen: dict[str, list[tuple[int, int]]] = {}
    for row in range(index + 1, grid.rows.height):
        cells = grid.row(row)
        name, on, figures = cells[unit], cells[day], re.sub(r"\D", "", cells[km] or "")
        if name and on in month and figures:
            seen.setdefault(name, []).append((int(figures), month[on]))
    steps = [step for of in seen.values() for step in pairwise(sorted(of))]
    back = sum(later < earlier for (_, earlier), (_, later) in steps)
    return back > OUT_OF_ORDER * len(steps)


def _is_month_first(day: str) -> bool:
    figures = _FIGURES.fullmatch(day)
    return figures is not None and int(figures[3]) > MONTHS


def _month(day: str, *, day_first: bool) -> int:
    """The month of a day without a year."""
    figures = _FIGURES.fullmatch(day)
    if figures is not None:
        return int(figures[3] if day_first else figures[1])
    word = next(iter(re.findall(r"[^\W\d_]+", day)), "")
    return month_names()[folded(word)]


def _heading(grid: Grid, needed: set[str]) -> int | None:
    """The first row that heads readings or jobs and has what is needed."""
    for index in range(min(HEAD_ROWS, grid.rows.height - 1)):
        concepts = {m.concept for m in _meanings(grid.row(index))} - {None}
        if needed <= concepts and len(concepts) > FEWEST_PLACES:
            return index
    return None


def _with_axles(grid: Grid) -> Grid:
    """Rows below lines such as Axle 1, with the axle in a column."""
    index = _heading_of_sides(grid)
    if index is None or grid.rows.height > MOST_ROWS or not _any_alone(grid):
        return grid
    told = list(_axles_below(grid, index))
    lines = [row for row, (kind, _) in enumerate(told) if kind == "line"]
    if not lines or any(kind == "row" and axle is None for kind, axle in told):
        return grid  # rows of no axle: a line may stand below its rows
    heading = grid.row(index)
    column = [
        "Axle" if row == index or grid.row(row) == heading else axle if kind == "row" else None
        for row, (kind, axle) in enumerate(told)
    ]
    kept = [row not in lines for row in range(grid.rows.height)]
    new = pl.Series(f"c{grid.width}", column, dtype=pl.String)
    return replace(grid, rows=grid.rows.with_columns(new).filter(pl.Series(kept)))


def _any_alone(grid: Grid) -> bool:
    """Whether some row has one cell and no more."""
    filled = pl.sum_horizontal(pl.all().exclude("row_no", "width").is_not_null())
    return bool(grid.rows.select((filled == 1).any()).item())


def _heading_of_sides(grid: Grid) -> int | None:
    """The first row that heads readings with their sides and without their axles."""
    for index in range(min(HEAD_ROWS, grid.rows.height - 1)):
        said = _meanings(grid.row(index))
        concepts = {m.concept for m in said}
        sided = "side" in concepts or any(m.side for m in said if m.concept in INSPECTED)
        axled = concepts & {"axle_no", "position"} or any(m.axle for m in said)
        if concepts & INSPECTED and sided and not axled:
            return index
    return None


def _axles_below(grid: Grid, index: int) -> Iterator[tuple[str, str | None]]:
    """What each row is: above or again a heading, a line that names an axle, another line, after
    which the axle is not known, or a row of readings with its axle."""
    heading = grid.row(index)
    axle: str | None = None
    for row in range(grid.rows.height):
        cells = grid.row(row)
        filled = [cell for cell in cells if cell]
        if row <= index or cells == heading:
            axle = None
            yield "heading", None
        elif len(filled) == 1 and _is_axle(filled[0]):
            axle = filled[0]
            yield "line", axle
        elif len(filled) < FEWEST_PLACES or _is_title(filled[0]):
            axle = None
            yield "other", None
        else:
            yield "row", axle


@cache
def _is_axle(cell: str) -> bool:
    place = place_in(tokens(cell), {}, offside=False)
    is_one = place.axle is not None and place.side is None
    return is_one and place.named and not place.rest and not place.why


@cache
def _is_title(cell: str) -> bool:
    """Vehicle: T101, or Vehicle with its name in the next cell."""
    return meanings([cell.partition(":")[0]])[0].concept in AROUND
