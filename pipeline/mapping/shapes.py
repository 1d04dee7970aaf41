"""Grids of other shapes → tables of rows below headings, so that all are understood alike.

**A row per reading.** Where ``Position; Measurement; Value; Unit`` stand side by side, a cell says
what a heading says elsewhere. Such a grid gets a column for each kind, headed by its word and unit,
in place of these; every row keeps its number and fills one of them. Rows of one wheel end and day
that tell of different readings are one inspection (``sql/10_judge``).

**A column for each day, or for before and after work, two things in one cell, two sheets for one
table.** ``layouts`` gives a row for each day, and for what was read after work, and a column for
each of two sides, or of a unit and its place; and rows what another sheet has for their number or
code.

**Once in the first of several rows.** A text has nothing in the rows below a cell that was merged
down before it was exported. Whether a blank cell is that of the row above is asked.

A ditto mark says so, and needs no answer.

**Once above the rows.** A brake card, or a sheet for each vehicle, names vehicle, day or odometer
at its top (``Vehicle: T101``, ``Date | 6 Jan 2025``). Rows below such a line, until the next one,
are of what it names, and it becomes a column of theirs. So does the day in a title (``Brake checks
of 12.03.2024``) or in a sheet's name, where no column has one, and a workbook's cell that is merged
down over the rows of one vehicle, visit or axle: what was read or paid is never copied.
"""

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import count, takewhile
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.mapping.grids import Grid, read_grids
from pipeline.mapping.headings import INSPECTED, OF_WHEEL_ENDS, Meaning, meanings
from pipeline.mapping.layouts.above import are_places, said_above
from pipeline.mapping.layouts.across import days_down
from pipeline.mapping.layouts.before_after import stages_down
from pipeline.mapping.layouts.joined import joined
from pipeline.mapping.layouts.together import taken_apart
from pipeline.mapping.reading import day_in, day_of, is_day
from pipeline.mapping.tables import HEAD_ROWS
from pipeline.mapping.words import (
    DITTOS,
    HOURS,
    KINDS,
    LONG_KINDS,
    LONG_UNITS,
    LONG_VALUES,
    MEASURED,
    OF_A_VISIT,
    folded,
    tokens,
    unit_called,
)

MOST_KINDS = 60
SHEET = "(sheet)"  # the heading of a column with the sheet's own name
ABOVE = "(line above)"  # and of one with the lines that stand alone above rows
DAY_ABOVE = "(day above)"  # with the day that a title above rows, or the sheet's name, is of
A_DAY_ABOVE = "(a day above)"  # with one that stands there beside words that may mean any
TITLED = ("unit_id", "date", "odometer")
MERGED = {*TITLED, "axle_no", "position", "side", "axle_type", "depot", "duty"}
HELD = {*INSPECTED, "wear_indicator_deg", "job"}
MOST_ROWS = 50_000
# Of rows that hold something, so many must lack a cell for it to look like one merged down: fewer
# are forgotten; our own, no source.
MERGED_SHARE = 0.2
# A name is not a sentence.
LONGEST_VALUE = 24
LONGEST_TITLE = 80
LOOKED_AT = 50  # rows that show whether a column holds days
MOST_UNITS = 20  # different words of a column of units
_PLAIN_NUMBER = r"^[\d.,\s'’/+-]*\d[\d.,\s'’/+-]*$"
_NUMBER = re.compile(r"\d[\d.,\s'’/]*\D{0,3}$")
_PAIR = re.compile(r"([^:=]{1,40})[:=]\s*(.*)")
_LAST = re.compile(r"(\w+)\s+(?:no\.?\s+)?([\w/-]*\d[\w/-]*)")


@dataclass(frozen=True, slots=True)
class _Long:
    """Where a heading of such a table stands, and which columns name kind, value and unit."""

    index: int
    kind: str
    value: str
    unit: str | None


def shaped_grids(content: bytes, path: Path) -> list[Grid]:
    """The grids of a file, with a column per kind of reading where they have a row for each, with
    units that have a column of their own, and with columns for what stands above their rows.

    Raises
    ------
    UnreadableFileError
        The bytes are not what the file's ending says.
    """
    read = (merged_down(numbers_across(grid)) for grid in read_grids(content, path))
    grids = joined([dittos_filled(grid) for grid in read])
    return [
        with_titles(with_units(taken_apart(said_above(stages_down(spread(days_down(grid)))))))
        for grid in grids
    ]


def merged_down(grid: Grid) -> Grid:
    """The grid with cells merged down below a heading of :data:`MERGED` in each of their rows."""
    below: dict[int, list[tuple[int, int]]] = {}
    for first, last, column in grid.merged:
        below.setdefault(column, []).append((first, last))
    filled = [
        _filled_down(grid, f"c{column}", [r for r in ranges if r[0] > heading])
        for column, ranges in below.items()
        if column < grid.width and (heading := _named_above(grid, column)) is not None
    ]
    return replace(grid, rows=grid.rows.with_columns(filled)) if filled else grid


def numbers_across(grid: Grid) -> Grid:
    """The grid with a number that is merged across columns below the heading in each that is of the
    same reading; another says that it is merged, and is no number."""
    index = _heading(grid) if grid.across else None
    if index is None:
        return grid
    said = [meaning.concept for meaning in _meanings(grid.row(index))]
    places = {int(no): i for i, no in enumerate(grid.rows["row_no"]) if i > index}
    found: dict[int, dict[int, str]] = {}
    for row_no, (first, *others) in grid.across:
        cells = grid.row(places[row_no]) if row_no in places else []
        cell = cells[first] if first < len(cells) else None
        if cell and _NUMBER.match(cell) and len([c for c in cells if c]) > 1:
            for i in (i for i in others if i < grid.width):
                alike = said[i] == said[first] and said[i] in INSPECTED
                found.setdefault(i, {})[places[row_no]] = cell if alike else f"{cell} (merged)"
    told = [grid.rows[f"c{i}"].scatter(list(of), list(of.values())) for i, of in found.items()]
    return replace(grid, rows=grid.rows.with_columns(told), across=())


def dittos_filled(grid: Grid) -> Grid:
    """The grid with marks and words for the cell above, below a heading of what rows share, as that
    cell; one with nothing above it stays."""
    marked = grid.rows.select(pl.all().exclude("row_no", "width").is_in(DITTOS).any()).row(0)
    filled = []
    for column in (i for i, any_ in enumerate(marked) if any_):
        heading, name = _named_above(grid, column), f"c{column}"
        if heading is None:
            continue
        below = pl.col("row_no") > heading
        is_ditto = below & pl.col(name).is_in(DITTOS).fill_null(value=False)
        nothing = pl.when(~is_ditto).then(pl.lit(""))
        last = pl.when(below & ~is_ditto).then(pl.col(name).fill_null("")).otherwise(nothing)
        last = last.forward_fill()
        filled.append(pl.when(is_ditto & (last != "")).then(last).otherwise(name).alias(name))
    return replace(grid, rows=grid.rows.with_columns(filled)) if filled else grid


@dataclass(frozen=True, slots=True)
class Held:
    """Where a table has what may be merged down: the column of each concept of :data:`MERGED` that
    it has, and the columns of what was read or done; ``is_placed`` where cells name axle or side,
    so that several rows may be of one visit."""

    of: Mapping[str, str]
    what: Sequence[str]
    is_placed: bool


def held_of(columns: Iterable[tuple[str, str]]) -> Held:
    """Of a table with these columns of these concepts."""
    of: dict[str, str] = {}
    what = []
    for name, concept in columns:
        of.setdefault(concept, name)
        what += [name] if concept in HELD else []
    placed = bool({"axle_no", "side", "position", "job"} & set(of))
    return Held({c: name for c, name in of.items() if c in MERGED}, what, placed)


def taken_from_above(body: pl.DataFrame, held: Held) -> dict[str, pl.Series]:
    """By concept, the rows with something read or done in which its cell is blank and would be that
    of the row above; none of a concept that lacks in but a few rows.

    A day is taken from above within one unit alone, an odometer within one day of it, and an axle
    within one visit. A row whose blanks are others than merged cells would leave has none.
    """
    if not held.what:
        return {}
    holds = body.select(pl.any_horizontal(pl.col(held.what).is_not_null()).alias("h")).to_series()
    found: dict[str, pl.Series] = {}
    above: list[pl.Series] = []  # what must be alike, filled down
    for concept in _fillable(held):
        cells = body[held.of[concept]]
        last = cells.forward_fill()
        same = holds & cells.is_null() & last.is_not_null()
        for told in above:
            at_last = told.zip_with(cells.is_not_null(), told.clear(len(told))).forward_fill()
            same &= (at_last == told).fill_null(value=False)
        found[concept] = same
        above.append(last)
    if "date" in found and "odometer" in held.of:  # another odometer is another day's
        km = body[held.of["odometer"]]
        found["date"] &= (km.is_null() | (km == km.forward_fill().shift())).fill_null(value=False)
    if "unit_id" in found and not held.is_placed and "date" in held.of:
        found["unit_id"] &= body[held.of["date"]].is_not_null()  # else it may be an average
    most = MERGED_SHARE * int(holds.sum())
    return {c: rows for c, rows in found.items() if rows.any() and rows.sum() >= most}


def _fillable(held: Held) -> list[str]:
    """Concepts that rows may share with the row above, from the widest."""
    shared = ["unit_id", *(["date", "odometer"] if held.is_placed else [])]
    return [c for c in (*shared, *(["axle_no"] if "side" in held.of else [])) if c in held.of]


def filled_from_above(body: pl.DataFrame, held: Held) -> pl.DataFrame:
    """The table with the cells of :func:`taken_from_above`, without the rows that hold nothing but
    what the row below takes from them."""
    found = taken_from_above(body, held)
    if not found:
        return body
    names = {held.of[concept]: rows for concept, rows in found.items()}
    filled = body.with_columns(
        body[name].forward_fill().zip_with(rows, body[name]) for name, rows in names.items()
    )
    others = body.select(
        pl.any_horizontal(pl.all().exclude("row_no", "width", *names).is_not_null())
    )
    below = pl.DataFrame(found).select(pl.any_horizontal(pl.all())).to_series()
    return filled.filter(others.to_series() | ~below.shift(-1, fill_value=False))


def _filled_down(grid: Grid, name: str, ranges: Sequence[tuple[int, int]]) -> pl.Series:
    """A column with the first cell of each range of ``row_no`` in all its rows."""
    rows, cells = grid.rows["row_no"].to_numpy(), grid.rows[name].to_list()
    left = len(rows)  # ranges do not overlap in any workbook that an office program wrote
    for first, last in ranges:
        start, end = (int(np.searchsorted(rows, at)) for at in (first, last + 1))
        left -= end - start
        if left < 0:
            break
        if start < end and rows[start] == first:
            cells[start:end] = [cells[start]] * (end - start)
    return pl.Series(name, cells, dtype=pl.String)


def _named_above(grid: Grid, column: int) -> int | None:
    """The ``row_no`` of the first cell of a column that names one of :data:`MERGED`."""
    for row_no, cell in grid.rows.head(HEAD_ROWS).select("row_no", f"c{column}").iter_rows():
        if cell and _concept_of(cell) in MERGED:
            return int(row_no)
    return None


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
    kinds, values = (
        [f"c{i}" for i, c in enumerate(called) if c in of] for of in (LONG_KINDS, LONG_VALUES)
    )
    if len(kinds) != 1 or len(values) != 1:
        return None
    if all(m.concept != "date" for m in _meanings(row)):
        return None
    units = [f"c{i}" for i, c in enumerate(called) if c in LONG_UNITS and _of_units(grid, index, i)]
    return _Long(index, kinds[0], values[0], units[0] if len(units) == 1 else None)


def _of_units(grid: Grid, index: int, column: int) -> bool:
    """Whether a column holds units of measure: a vehicle may be called a unit too."""
    cells = grid.rows[f"c{column}"].slice(index + 1).drop_nulls().unique()
    known = [unit_called(cell) is not None for cell in cells]
    digits = (
        c.isdigit() for cell, unit in zip(cells, known, strict=True) for c in cell if not unit
    )
    return any(known) and not any(digits)


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
    spread = _with_both_ends(grid, rows.with_columns(**columns), labels, long)
    own = set(columns) if long.value in grid.own_numbers else set()
    return replace(
        grid,
        rows=spread.with_columns(above).drop("of"),
        own_numbers=grid.own_numbers | own,
    )


def _with_both_ends(
    grid: Grid, rows: pl.DataFrame, labels: Sequence[str], long: _Long
) -> pl.DataFrame:
    """Rows of the two ends of one lining, alike in all else, with both readings in each: of which
    the thinner counts, so that they say the same."""
    ends: dict[Meaning, list[int]] = {}
    for i, meaning in enumerate(meanings(labels)):
        if meaning.is_an_end:
            ends.setdefault(meaning, []).append(i)
    told = {long.kind, long.value, long.unit}
    alike = [f"c{i}" for i in range(grid.width) if f"c{i}" not in told]
    for pair in ends.values():
        mine = pl.col("of").is_in([labels[i] for i in pair])
        names = [f"c{grid.width + i}" for i in pair]
        others = [pl.col(name).drop_nulls().first().over(alike) for name in names]
        rows = rows.with_columns(
            pl.when(mine).then(pl.coalesce(name, other)).otherwise(pl.col(name)).alias(name)
            for name, other in zip(names, others, strict=True)
        )
    return rows


def _understood(labels: Sequence[str]) -> bool:
    if not 1 <= len(labels) <= MOST_KINDS:
        return False
    return any(m.concept in OF_WHEEL_ENDS for m in meanings(labels))


def with_units(grid: Grid) -> Grid:
    """The grid with the units of a column of their own behind the numbers that these are of: the
    columns of their kind that stand to its left, else to its right, else all that state none."""
    index = _heading(grid)
    if index is None:
        return grid
    said = _meanings(grid.row(index))
    for i, meaning in enumerate(said):
        kind = _kind_of_units(grid, index, i) if meaning.concept in {None, "unit_id"} else ""
        of = [j for j, m in enumerate(said) if MEASURED.get(m.concept or "") == kind]
        named = _beside(i, of) or [j for j in of if said[j].unit is None]
        told = [_behind(f"c{j}", f"c{i}", index) for j in named]
        grid = replace(grid, rows=grid.rows.with_columns(told)) if told else grid
    return grid


def _behind(name: str, units: str, index: int) -> pl.Expr:
    """A column's plain numbers with what another says behind them."""
    number = pl.col(name)
    is_plain = number.str.contains(_PLAIN_NUMBER) & pl.col(units).is_not_null()
    both = pl.concat_str(number, units, separator=" ")
    return pl.when(is_plain & (pl.int_range(pl.len()) > index)).then(both).otherwise(number)


def _beside(place: int, of: Sequence[int]) -> list[int]:
    """Those of some columns that stand together left of a place; else those right of it."""
    for step in (-1, 1):
        found = list(takewhile(lambda i: i in of, count(place + step, step)))
        if found:
            return found
    return []


def _kind_of_units(grid: Grid, index: int, column: int) -> str:
    """What is measured in the units that all cells of a column are; empty where they are none.

    Hours beside km are none of an odometer's, and make its numbers none.
    """
    cells = grid.rows[f"c{column}"].slice(index + 1).drop_nulls().unique().head(MOST_UNITS)
    words = {folded(cell).strip(" .") for cell in cells}
    units = {unit_called(word) for word in words - HOURS}
    kinds = (kind for kind in ("length", "distance") if units and units <= set(KINDS[kind]))
    if words & HOURS and not units <= set(KINDS["distance"]):
        return ""
    return next(kinds, "")


@dataclass(frozen=True, slots=True)
class _Titled:
    """A concept named in a line above a table: by which word, and its value."""

    concept: str
    word: str
    value: str


def with_titles(grid: Grid) -> Grid:
    """The grid with a column for each of unit, day and odometer that its heading has not and lines
    above the rows name, with what stands alone above rows and the sheet's name where nothing names
    the unit, and with that name where nothing says which axle; the grid itself where there are
    none."""
    index = _heading(grid)
    if index is None or grid.rows.height > MOST_ROWS:
        return grid
    heading = grid.row(index)
    missing = _not_in(heading)
    of_axles = bool(grid.name) and _lacks_axles(heading)
    if not missing and not of_axles:
        return grid
    named, only_titles = _named(grid, heading, index, missing)
    if "unit_id" in missing and "unit_id" not in named:
        lines, are_lines = _lines_above(grid, index)
        if lines is not None:
            named[ABOVE] = lines
            only_titles = [a or b for a, b in zip(only_titles, are_lines, strict=True)]
        of_axles |= bool(grid.name)  # a sheet may be of a unit
    if "date" in missing and "date" not in named:
        days, are_lines = _days_above(grid, index)
        named |= days
        only_titles = [a or b for a, b in zip(only_titles, are_lines, strict=True)]
    if of_axles:
        named[SHEET] = [grid.name if row > index else None for row in range(grid.rows.height)]
        named[SHEET][index] = SHEET
    if not named:
        return grid
    added = {
        f"c{grid.width + i}": pl.Series(c, dtype=pl.String) for i, c in enumerate(named.values())
    }
    return replace(grid, rows=grid.rows.with_columns(**added).filter(~pl.Series(only_titles)))


def _not_in(heading: Sequence[str | None]) -> set[str]:
    """What lines above the rows may name, of what a heading has not."""
    meant = _meanings(heading)
    said = {m.concept for m in meant}
    missing = set(TITLED) - said
    is_register = not INSPECTED & said and not are_places(heading, meant)
    if is_register:  # of no day, and its axles may be called tag
        missing -= {"date", "odometer"}
    if "date" not in missing:  # one odometer value is not that of several days
        missing -= {"odometer"}
    return missing


def _lacks_axles(heading: Sequence[str | None]) -> bool:
    """Whether readings have their sides in the headings, and nothing says of which axle."""
    said = _meanings(heading)
    read = [m for m in said if m.concept in INSPECTED]
    named = any(m.concept in {"axle_no", "position"} for m in said)
    return not named and any(m.side for m in read) and all(m.axle is None for m in read)


def _lines_above(grid: Grid, index: int) -> tuple[list[str | None] | None, list[bool]]:
    """A column with what stands alone, in one column, above the rows of each unit, and which rows
    are such lines; none where rows begin without one.

    Lines of another make than most (a letter and figures, say) name no unit, and the rows below
    them are of none until the next that does: nobody's, rather than of the unit above.
    """
    alone = [_alone(grid.row(row)) if row > index else None for row in range(grid.rows.height)]
    columns = Counter(at for at, _ in filter(None, alone))
    column = columns.most_common(1)[0][0] if columns else -1
    lines = {row: one[1] for row, one in enumerate(alone) if one and one[0] == column}
    made = Counter(_make_of(line) for line in lines.values() if _is_value(line))
    if index + 1 not in lines or not made or made.most_common(1)[0][1] < 2:
        return None, []
    usual = made.most_common(1)[0][0]
    now: str | None = None
    told: list[str | None] = []
    for row in range(grid.rows.height):
        if row in lines:
            now = lines[row] if _make_of(lines[row]) == usual else None
        told.append(now)
    told[index] = ABOVE
    are_lines = [row in lines and _make_of(lines[row]) == usual for row in range(grid.rows.height)]
    return told, are_lines


def _days_above(grid: Grid, index: int) -> tuple[dict[str, list[str | None]], list[bool]]:
    """A column with the day of the title above each row, else of the sheet's name, and which rows
    below the heading are such titles; none where there is no such day, or two.

    Beside words that are not of a check or a visit, or a column of days of whatever, it is another
    column: a day of printing, say.
    """
    dated = _holds_days(grid, index)
    titles = {
        row: (told[0], told[1] and not dated) for row in range(grid.rows.height)
        if (told := _title_day(grid.row(row))) is not None
    }  # fmt: skip
    first = [told for row, told in titles.items() if row < index]
    now = _day_to_begin_with(first, _named_day(grid.name)) or titles.get(index + 1)
    if now is None:
        return {}, [False] * grid.rows.height
    is_plain, heading = now[1] and not dated, grid.row(index)
    name = DAY_ABOVE if is_plain else A_DAY_ABOVE
    days: list[str | None] = []
    for row in range(grid.rows.height):
        if row > index and row in titles:
            now = titles[row] if titles[row][1] == is_plain else None
        days.append(name if grid.row(row) == heading else now[0] if now and row > index else None)
    return {name: days}, [row > index and row in titles for row in range(grid.rows.height)]


def _holds_days(grid: Grid, index: int) -> bool:
    """Whether a column below a heading holds days, of which its heading is not understood."""
    below = grid.rows.slice(index + 1).head(LOOKED_AT)
    cells = (below[f"c{i}"].drop_nulls().to_list() for i in range(grid.width))
    return any(sum(map(is_day, of)) * 2 > len(of) for of in cells)


NamedDay = tuple[str, bool]  # a day as written, and whether it is plainly that of a check


def _day_to_begin_with(titles: Sequence[NamedDay], sheet: NamedDay | None) -> NamedDay | None:
    """The day that the titles above a heading, or its sheet's name, are of; None where two are."""
    told = [one for one in (*titles, sheet) if one is not None]
    plain = [one for one in told if one[1]] or told
    return plain[0] if len({day_of(day, day_first=True) for day, _ in plain}) == 1 else None


def _title_day(cells: Sequence[str | None]) -> NamedDay | None:
    """The day that a row of a cell or two names; a day without a word may be that of printing."""
    filled = [cell for cell in cells if cell]
    found = _named_day(" ".join(filled)) if 0 < len(filled) < 3 else None
    return found if found is None or " ".join(filled) != found[0] else (found[0], False)


def _named_day(text: str) -> NamedDay | None:
    found = day_in(text) if len(text) <= LONGEST_TITLE else None
    return (found[0], set(tokens(found[1])) <= OF_A_VISIT) if found else None


def _alone(cells: Sequence[str | None]) -> tuple[int, str] | None:
    """The one cell that a row has, and where."""
    filled = [(i, cell) for i, cell in enumerate(cells) if cell]
    return filled[0] if len(filled) == 1 else None


def _make_of(line: str) -> str:
    """Letters, figures and signs in their order, whatever they are."""
    return re.sub(r"\d+", "9", re.sub(r"[^\W\d_]+", "A", line))


def _named(
    grid: Grid, heading: list[str | None], index: int, missing: set[str]
) -> tuple[dict[str, list[str | None]], list[bool]]:
    """A column of each concept that some line names, headed by its word; and which rows below the
    heading do no more than name one."""
    words: dict[str, str] = {}
    now: dict[str, str] = {}
    columns: dict[str, list[str | None]] = {concept: [] for concept in TITLED if concept in missing}
    only_titles = []
    dates = [i for i, m in enumerate(_meanings(heading)) if m.concept == "date"]
    for row in range(grid.rows.height):
        cells = grid.row(row)
        is_heading = cells == heading
        is_row = row > index and any(day_of(cells[i] or "", day_first=True) for i in dates)
        plain = is_heading or is_row
        told = [] if plain else [t for t in _titled(cells) if t.concept in missing]
        now |= {t.concept: t.value for t in told}
        words = {t.concept: t.word for t in told} | words
        only_titles.append(bool(told) and row > index)
        for concept, column in columns.items():
            told_here = words if is_heading else now if row > index else {}
            column.append(told_here.get(concept))
    for concept, word in words.items():  # a word may stand below its heading alone
        columns[concept][index] = word
    return {concept: column for concept, column in columns.items() if concept in words}, only_titles


def _heading(grid: Grid) -> int | None:
    """The first row that heads readings."""
    for index in range(min(HEAD_ROWS, grid.rows.height - 1)):
        said = _meanings(grid.row(index))
        concepts = [m.concept for m in said if m.concept]
        if (len(concepts) > 1 and OF_WHEEL_ENDS & set(concepts)) or are_places(
            grid.row(index), said
        ):
            return index
    return None


def _meanings(cells: Sequence[str | None]) -> list[Meaning]:
    return meanings([cell or "" for cell in cells])


def _titled(cells: Sequence[str | None]) -> Iterator[_Titled]:
    """What a line names: in a cell with a colon, in a word's next cell, or after it in a title."""
    filled = [cell for cell in cells if cell]
    for cell, after in zip(filled, [*filled[1:], ""], strict=True):
        pair = _PAIR.fullmatch(cell)
        if pair is not None:
            word, value = pair.group(1).strip(), pair.group(2).strip() or after
        elif any(c.isdigit() for c in cell) and len(filled) == 1:
            last = list(_LAST.finditer(cell))
            word, value = (last[-1].group(1), last[-1].group(2)) if last else ("", "")
        else:
            word, value = cell, after
        concept = _concept_of(word) if word and _is_value(value) else None
        if concept in TITLED and (concept != "date" or day_of(value, day_first=True)):
            yield _Titled(concept, word, value)


@cache
def _concept_of(word: str) -> str | None:
    """Kept, for rows below a card repeat the same cells."""
    return meanings([word])[0].concept


def _is_value(text: str) -> bool:
    return any(c.isdigit() for c in text) and len(text) <= LONGEST_VALUE
