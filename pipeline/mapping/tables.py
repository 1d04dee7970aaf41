"""Where in a grid the tables are whose headings ``fleet.toml`` knows, and what is left over."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatch

import polars as pl

from pipeline.mapping.grids import Grid
from pipeline.mapping.reading import of_1904
from pipeline.settings import OwnFile

MOST_FURTHER = 200  # rows further down that are looked at as headings
USUAL = 0.05  # of rows, so many of one width are not so by a slip
MOST_HEADING_ROWS = 3
HEAD_ROWS = 60  # rows in which a table's heading is looked for, whatever it says


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading in a grid: where its first row is (from 0), how many it takes, and its cells.

    ``width`` is how many cells it is written in, filled or not.
    """

    index: int
    rows: int
    cells: tuple[str, ...]
    width: int


@dataclass(frozen=True, slots=True)
class Table:
    """A table of a grid, and the recipe that fits it; ``body`` is its rows as they stand,
    ``is_text`` whether cells stand where separators put them, and not each in a place of its own;
    ``whole`` all rows below the heading, where ``body`` is some of them; ``own_numbers``,
    ``unstored`` and ``row_parts`` as of its grid; ``elsewhere`` the headings that another table of
    the same rows reads.
    """

    recipe: OwnFile
    heading: Heading
    body: pl.DataFrame
    is_text: bool = False
    whole: pl.DataFrame | None = None
    own_numbers: frozenset[str] = frozenset()
    elsewhere: frozenset[str] = frozenset()
    unstored: frozenset[str] = frozenset()
    row_parts: int = 1


def heading_at(grid: Grid, index: int, rows: int) -> Heading | None:
    """The cells of a heading of one to three rows; None where the grid ends before."""
    if index + rows > grid.rows.height:
        return None
    first, *others = ([_one_line(cell) for cell in grid.row(index + i)] for i in range(rows))
    is_titled = rows == MOST_HEADING_ROWS and sum(cell != "" for cell in first) == 1
    if is_titled:
        first = _titled("".join(first), *others)
    for below in () if is_titled else others:
        first = _joined(first, below)
    return Heading(index, rows, _told_apart(first), int(grid.rows["width"][index]))


def _titled(title: str, groups: list[str], below: list[str]) -> list[str]:
    """A heading of two rows with the title above it where both say something: Axle 1, L."""
    begins = next((i for i, group in enumerate(groups) if group), 0)
    return [
        f"{title} {cell}" if i >= begins and below[i] else cell
        for i, cell in enumerate(_joined(groups, below))
    ]


def slid(grid_is_text: bool, heading: Heading, body: pl.DataFrame) -> pl.Series:
    """Rows of a text that have something written beyond their heading; or a cell more, though it is
    blank, where others have none: 15,5 before blank remarks."""
    cells = heading.cells
    beyond = [f"c{i}" for i in range(heading.width, len(cells)) if not cells[i]]
    if not (grid_is_text and beyond):
        return pl.Series("slid", [False]).new_from_index(0, body.height)
    written = pl.any_horizontal(pl.col(beyond).is_not_null())
    fit = (pl.col("width") == heading.width).mean() >= USUAL
    wider = (pl.col("width") > heading.width) & fit & (heading.rows == 1)
    return body.select((written | wider).alias("slid")).to_series()


def further_down(grid: Grid) -> list[int]:
    """Rows below the first that may head another table: of words alone, three or more of them."""
    rows = grid.rows.slice(HEAD_ROWS).select(pl.all().exclude("row_no", "width"))
    if rows.is_empty():
        return []
    words = pl.sum_horizontal(pl.all().is_not_null()) >= 3
    numbers = pl.any_horizontal(pl.all().str.contains(r"^\W*\d").fill_null(value=False))
    found = rows.select(words & ~numbers).to_series().arg_true().head(MOST_FURTHER)
    return [HEAD_ROWS + int(i) for i in found]


def _one_line(cell: str | None) -> str:
    return " ".join((cell or "").split())


def _joined(above: list[str], below: list[str]) -> list[str]:
    """A cell above stands for the empty ones to its right, where something is below them."""
    joined, group = [], ""
    for over, under in zip(above, below, strict=True):
        group = over or group
        joined.append(f"{group} {under}".strip() if under else over)
    return joined


def _told_apart(cells: list[str]) -> tuple[str, ...]:
    """The same heading again is the second of its name."""
    seen: dict[str, int] = {}
    names = []
    for cell in cells:
        seen[cell.casefold()] = count = seen.get(cell.casefold(), 0) + 1
        names.append(f"{cell} ({count})" if cell and count > 1 else cell)
    return tuple(names)


def is_again(cells: Sequence[str], index: int) -> bool:
    """Whether a heading was told apart from one of the same name to its left."""
    return first_of_name(cells, index) != index


def first_of_name(cells: Sequence[str], index: int) -> int:
    """Where the first heading of the same name stands: the place itself where it is the first."""
    name = re.sub(r" \(\d+\)$", "", cells[index]).casefold()
    before = [cell.casefold() for cell in cells[:index]]
    return before.index(name) if name != cells[index].casefold() and name in before else index


def key_of(heading: str) -> str:
    """What headings are compared by."""
    return " ".join(heading.split()).casefold()


def is_of(recipe: OwnFile, path: str, sheet: str) -> bool:
    """Whether a recipe is for files of this path, and for sheets of this name."""
    return all(
        not pattern or any(fnmatch(name, part) for part in pattern.split("|"))
        for name, pattern in ((path, recipe.files), (sheet, recipe.sheets))
    )


def fits(recipe: OwnFile, heading: Heading, path: str, sheet: str) -> bool:
    """Whether a heading has every column that a recipe reads."""
    if not is_of(recipe, path, sheet):
        return False
    known = {key_of(cell) for cell in heading.cells}
    wanted = {key_of(own) for own, told in recipe.columns.items() if told or recipe.table == "none"}
    return bool(wanted) and wanted <= known


def what_lacks(grids: Sequence[Grid], recipes: Sequence[OwnFile]) -> tuple[str, ...]:
    """The headings that the nearest recipe asks for and no row has; none where none is near."""
    nearest: tuple[str, ...] = ()
    share = 0.5
    for grid in grids:
        for index in range(min(HEAD_ROWS, grid.rows.height)):
            for recipe in recipes:
                heading = heading_at(grid, index, recipe.heading_rows)
                known = {key_of(cell) for cell in heading.cells} if heading else set()
                wanted = [own for own, told in recipe.columns.items() if told]
                lacks = tuple(own for own in wanted if key_of(own) not in known)
                if wanted and len(lacks) / len(wanted) < share:
                    nearest, share = lacks, len(lacks) / len(wanted)
    return nearest


def tables_in(grid: Grid, recipes: Sequence[OwnFile], path: str) -> list[Table]:
    """Every table of a grid that some recipe fits, from the top."""
    found = list(_headings(grid, recipes, path))
    ends = [*[heading.index for _, heading in found], grid.rows.height][1:]
    return [
        part
        for (recipe, heading), end in zip(found, ends, strict=False)
        for part in _with_jobs(
            Table(
                recipe,
                heading,
                _body(grid, recipe, heading, end),
                grid.is_text,
                own_numbers=grid.own_numbers,
                unstored=grid.unstored,
                row_parts=grid.row_parts,
            ),
            recipes,
        )
    ]


def _with_jobs(table: Table, recipes: Sequence[OwnFile]) -> list[Table]:
    """Readings and, where the same headings tell of jobs too, these: a row that only tells of a job
    is none of the readings', and one that tells of none is none of the jobs'."""
    of = table.recipe.columns
    twin = next((r for r in recipes if {table.recipe.table, r.table} == {"inspections", "work"}
                 and set(map(key_of, r.columns)) == set(map(key_of, of))), None)  # fmt: skip
    if twin is None:
        return [table]
    read, done = (r for t in ("inspections", "work") for r in (table.recipe, twin) if r.table == t)
    named = {key_of(own): own for own in read.columns}
    jobs = {key for own, told in done.columns.items() if _is_a_job(told) for key in [key_of(own)]}
    readings = {key for own, told in read.columns.items() if told for key in [key_of(own)]}
    readings -= {key_of(own) for own, told in done.columns.items() if told}
    job, reading = (_is_written(table, keys) for keys in (jobs & set(named), readings))
    bodies = {"inspections": table.body.filter(reading | ~job), "work": table.body.filter(job)}
    return [
        replace(table, recipe=recipe, body=bodies[recipe.table], whole=table.body,
                elsewhere=frozenset(key_of(own) for own, told in other.columns.items() if told))
        for recipe, other in ((read, done), (done, read))
    ]  # fmt: skip


def _is_a_job(told: str) -> bool:
    return told.rpartition(" ")[2] in {"job", "action"}


def _is_written(table: Table, keys: set[str]) -> pl.Series:
    """Rows in which a column of one of these headings is filled."""
    here = [f"c{i}" for i, cell in enumerate(table.heading.cells) if key_of(cell) in keys]
    told = table.body.select(pl.any_horizontal(False, pl.col(here).is_not_null()).alias("told"))
    return told.to_series() if here else pl.Series([False]).new_from_index(0, table.body.height)


def _body(grid: Grid, recipe: OwnFile, heading: Heading, end: int) -> pl.DataFrame:
    start = heading.index + heading.rows
    of_days = {key_of(own) for own, told in recipe.columns.items() if told.endswith("_on")}
    columns = [f"c{i}" for i, cell in enumerate(heading.cells) if key_of(cell) in of_days]
    return counted_from_1904(grid, grid.rows.slice(start, end - start), columns)


def counted_from_1904(grid: Grid, body: pl.DataFrame, columns: Sequence[str]) -> pl.DataFrame:
    """Rows of a workbook that counts its days so, with those of some columns that are plain numbers
    as days."""
    if not grid.from_1904:
        return body
    return body.with_columns(of_1904(body[name]) for name in columns)


def _headings(
    grid: Grid, recipes: Sequence[OwnFile], path: str
) -> Iterator[tuple[OwnFile, Heading]]:
    taken = -1
    for index in _candidates(grid, recipes):
        best: tuple[tuple[bool, int, bool], OwnFile, Heading] | None = None
        for recipe in recipes:
            heading = heading_at(grid, index, recipe.heading_rows)
            if index <= taken or heading is None:
                continue
            if fits(recipe, heading, path, grid.name):
                # Of two that read as much, the one that names its files is meant for them; one that
                # leaves files alone by name is meant, whatever others would read of them.
                named = bool(recipe.files or recipe.sheets)
                alone = named and recipe.table == "none"
                size = alone, sum(1 for told in recipe.columns.values() if told), named
                if best is None or size > best[0]:
                    best = (size, recipe, heading)
        if best is not None:
            taken = index + best[2].rows - 1
            yield best[1:]


def _candidates(grid: Grid, recipes: Sequence[OwnFile]) -> list[int]:
    """The first rows, and further down those that hold the first heading of some recipe."""
    firsts = {next(iter(own for own in r.columns), "") for r in recipes if r.heading_rows == 1}
    rows = grid.rows.slice(HEAD_ROWS)
    found: list[int] = []
    if rows.height and firsts:
        cells = pl.all().exclude("row_no", "width")
        here = rows.select(pl.any_horizontal(cells.is_in(sorted(firsts)))).to_series()
        found = [HEAD_ROWS + int(i) for i in here.fill_null(value=False).arg_true()]
    return [*range(min(HEAD_ROWS, grid.rows.height)), *found]
