"""What a grid is taken for: its tables, each column's meaning, and what cannot be told.

A guess is made from the words of headings alone, and held against a sample of the cells: a column
whose cells are no numbers is no odometer, and linings of 400 mm are none. Everything found is
written down for a person to correct; nothing that was not understood is read.
"""

import re
import unicodedata
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import polars as pl

from pipeline.contract import columns_of
from pipeline.mapping import reading
from pipeline.mapping.doubted.units import FEWEST, MOST_CM
from pipeline.mapping.grids import Grid
from pipeline.mapping.headings import (
    INSPECTED,
    OF_HOURS,
    OF_PERCENT,
    OF_WHEEL_ENDS,
    WHERE_ALONE,
    Meaning,
    axle_of_cell,
    dead_end,
    meanings,
    names_hours,
    place_in,
    place_of_cell,
    sides_told_by,
)
from pipeline.mapping.job_lines.jobs import NEAR_SIDE, REAR_AXLE, Ground, actions_of, jobs_of
from pipeline.mapping.layouts.above import lacks_year, titles_above
from pipeline.mapping.layouts.across import READING
from pipeline.mapping.shapes import (
    A_DAY_ABOVE,
    ABOVE,
    DAY_ABOVE,
    SHEET,
    TITLED,
    held_of,
    taken_from_above,
)
from pipeline.mapping.tables import (
    HEAD_ROWS,
    Heading,
    counted_from_1904,
    first_of_name,
    further_down,
    heading_at,
    is_again,
    key_of,
    slid,
)
from pipeline.mapping.words import (
    CHECK_MARKS,
    CORES,
    COST_SHARES,
    END_OF,
    KINDS,
    MEASURED,
    NEGATING,
    NORTHERN,
    NOT_READ_NOW,
    OF_PAYING,
    OF_TRIPS,
    OPTIONAL,
    PERCENT,
    SHOES,
    SIDE_OF,
    THICKNESS,
    TRAILERS,
    UNIT_OF,
    WHEELS,
    cancels,
    cell_words,
    folded,
    names_done,
    names_undone,
    says_disc,
    says_nothing,
    says_summary,
    says_void,
    spelled,
    status_of,
    status_under,
    tokens,
    turns_round,
    unit_called,
    yes_or_no,
)
from pipeline.settings import DISTANCES, LENGTHS, JobWords, Settings
from pipeline.values import counted

SAMPLE_ROWS = 20_000
EXAMPLES = 3
MOST_JOBS = 1_000  # different cells of a column that is left alone that are looked at for jobs
MOST_NOTES = 50  # different notes of a column that are written down as such
# What a concept is called in each table; the tables that have it.
NAMES = {
    "date": {"inspections": "inspected_on", "work": "done_on"},
    "wear_indicator": {"inspections": "wear_indicator_deg"},
    "from": {"duty": "from_on"},
    "to": {"duty": "to_on"},
}
READINGS = {"lining", "free_stroke", "applied_stroke", "stroke", "wear_indicator", "marks_aligned",
            "return_test", "cap_state"}  # fmt: skip
REQUIRED = {
    "inspections": ("unit_id", "date", "odometer"),
    "work": ("unit_id", "date", "odometer", "job"),
    "register": ("unit_id", "axle_no"),
    "duty": ("unit_id", "duty", "from"),
}
# Where the middle of a column's readings lies, in mm and km, unless its unit is another (from
# memory): odometers stand below 1,000 km in a fleet's first weeks, oftener in thousands of km.
PLAUSIBLE = {"lining": (1.5, 45.0), "free_stroke": (10.0, 120.0), "applied_stroke": (8.0, 120.0),
             "stroke": (10.0, 120.0), "released_stroke": (0.0, 120.0),
             "arm_length": (60.0, 400.0), "odometer": (1_000.0, 6e6),
             "lining_new": (5.0, 60.0), "lining_min": (1.0, 30.0)}  # fmt: skip
ROMAN = {"i": 1, "ii": 2, "iii": 3, "iv": 4, "v": 5}
_AFTER_E = re.compile(r"e[\W_]?([1-9])")  # of essieu, eje, eixo
# How much of a column's cells must be readable as what its heading says.
MOSTLY = 0.6
SELDOM_ZERO = {"lining", "free_stroke", "applied_stroke", "stroke"}
PAIRED = "applied_stroke"  # beside which a released one may stand
PLACED = {"axle_no": "1, 2 and so on, from the front", "side": "such as L and R, left and right",
          "position": "an axle and a side, such as 2L"}  # fmt: skip
GROUPED = r"^[+-]?[1-9]\d{0,2}[.,]\d{3}([^\d.,]|$)"  # cells whose mark may do either of two things
UNSTORED = (
    "formulas whose results the workbook does not hold; accepted: the workbook once a spreadsheet "
    "program has opened and saved it"
)
READ_AS = "read as"  # what another table of the same rows takes a column for
NOTHING_OF_OURS = (
    "no headings are understood as a unit with a reading (lining, stroke, return test, …), with a "
    "job and its day, with a duty and its first day, or with something that a register holds"
)


@dataclass(frozen=True, slots=True)
class ColumnFound:
    """A heading, what some of its cells hold, and what it is taken for (empty: left alone).

    ``why`` says why it is left alone, and ``meant`` what its heading says where its cells do not
    agree; ``values`` are its words, with what they are taken for, ``strange`` one that is not
    known; ``asks`` are the questions whose answers it is read by; ``fits`` the units that its cells
    may be in where none is stated; ``rival`` what it and another column would both be; ``blank``
    rows in which its cell may be that of the row above; ``jobs`` its cells that tell of some, where
    nothing reads them; ``dead_end`` why it is of no use, and what would do.
    """

    heading: str
    examples: tuple[str, ...]
    target: str = ""
    why: str = ""
    values: dict[str, str] = field(default_factory=dict)
    asks: frozenset[str] = frozenset()
    rival: str = ""
    meant: str = ""
    strange: str = ""
    fits: tuple[str, ...] = ()
    blank: str = ""
    jobs: tuple[tuple[str, int], ...] = ()
    dead_end: str = ""

    @property
    def told(self) -> str:
        """What it is taken for, or why for nothing."""
        elsewhere = self.why.startswith(READ_AS)
        why = self.why if elsewhere else f"left alone: {self.why or 'not understood'}"
        return self.target or why


@dataclass(frozen=True, slots=True)
class TableFound:
    """A table in a file: where, what its rows are (none: nothing of ours), and its columns.

    ``sums`` are the words that stand for a unit in rows that sum up others; ``own_units`` what is
    measured in another unit than in other tables, each with the units that its cells can be in;
    ``dead_end`` why nothing of it can be read, and what would do; ``unstored`` the headings above
    formulas whose results its workbook does not hold; ``fleets`` its units, each with the fleet
    that a column names; ``days_shown`` whether days stand first in the files that show it.
    """

    path: str
    sheet: str
    heading: Heading
    row_count: int
    table: str
    columns: tuple[ColumnFound, ...]
    day_first: bool | None = None
    decimal_comma: bool | None = None
    both_sides: bool = False
    job_lines: tuple[tuple[str, int], ...] = ()
    missing: tuple[str, ...] = ()
    slid: int = 0
    sums: tuple[str, ...] = ()
    own_units: tuple[tuple[str, tuple[str, ...]], ...] = ()
    dead_end: str = ""
    unstored: tuple[str, ...] = ()
    fleets: frozenset[tuple[str, str]] = frozenset()
    days_shown: frozenset[bool] = frozenset()

    @property
    def is_usable(self) -> bool:
        return self.table != "none" and not self.missing

    @property
    def asks(self) -> frozenset[str]:
        read = [c.asks for c in self.columns if c.target] if self.is_usable else []
        return frozenset[str]().union(*read)


@dataclass(frozen=True, slots=True)
class _Sample:
    """Some rows of a table, and how its file writes decimals and days, where these show; ``alone``
    are those of all its rows in which one cell is filled beside unit, day and odometer;
    ``shows_inches``: some lengths are fractions of an inch and of nothing else."""

    rows: pl.DataFrame
    alone: pl.Series
    day_first: bool | None
    decimal_comma: bool | None
    doubtful: frozenset[str]
    shows_inches: bool


def tables_found(grid: Grid, path: str, settings: Settings) -> list[TableFound]:
    """Every table of a grid, from the top; one of no kind of ours where headings say nothing."""
    headings = _headings(grid)
    ends = [*[h.index for h in headings], grid.rows.height][1:]
    found = []
    for heading, end in zip(headings, ends, strict=True):
        start = heading.index + heading.rows
        found += _tables(grid, path, heading, grid.rows.slice(start, end - start), settings)
    return found


def _tables(
    grid: Grid, path: str, heading: Heading, body: pl.DataFrame, settings: Settings
) -> list[TableFound]:
    """The table below a heading; two where its rows tell of readings and of jobs."""
    table = _table(grid, path, heading, body, settings)
    concepts = {m.concept for m in _said(heading)}
    if table.table != "inspections" or not table.is_usable or "job" not in concepts:
        return [table]
    jobs = _table(grid, path, heading, body, settings, "work")
    return _told_of_each_other(table, jobs) if jobs.is_usable else [table]


def _told_of_each_other(*tables: TableFound) -> list[TableFound]:
    """Tables of the same columns, with what the other reads of them said."""
    elsewhere = {c.heading: t.table for t in tables for c in t.columns if c.target}
    return [
        replace(t, columns=tuple(
            replace(c, why=f"{READ_AS} {elsewhere[c.heading]}", meant="")
            if not c.target and c.heading in elsewhere else c for c in t.columns))
        for t in tables
    ]  # fmt: skip


def _headings(grid: Grid) -> list[Heading]:
    """Rows that headings are understood in; else the first row that could be one."""
    height = min(HEAD_ROWS, grid.rows.height)
    scored = [(i, *_best(grid, i)) for i in (*range(height), *further_down(grid))]
    found: list[Heading] = []
    for index, score, heading in sorted(scored, key=lambda s: (-s[1], s[0])):
        if score >= 3 and not any(_overlap(index, heading, other) for other in found):
            found.append(heading)
    return _without_repeats(sorted(found, key=lambda h: h.index)) or _first_of_any(grid, height)


def _first_of_any(grid: Grid, height: int) -> list[Heading]:
    """The first row of several cells with rows below it: not understood, but told."""
    for index in range(min(height, grid.rows.height - 1)):
        heading = heading_at(grid, index, 1)
        if heading is not None and sum(cell != "" for cell in heading.cells) > 1:
            return [heading]
    return []


def _best(grid: Grid, index: int) -> tuple[float, Heading]:
    """How many columns a row's words name, alone or with the row below it, and with a row of units
    below these."""
    one = heading_at(grid, index, 1)
    assert one is not None
    best, heading = _score(one), one
    two = heading_at(grid, index, 2)
    if two is not None and not any(_is_number(c) for c in grid.row(index + 1)):
        more = _score(two)
        if more > max(best, _score_at(grid, index + 1)):
            best, heading = more, two
        best, heading = _with_third(grid, index, best, heading)
    if _is_of_units(grid, index + heading.rows):
        with_units = heading_at(grid, index, heading.rows + 1)
        if with_units is not None and _score(with_units) >= best:
            best, heading = _score(with_units), with_units
    return best, heading


def _with_third(grid: Grid, index: int, best: float, heading: Heading) -> tuple[float, Heading]:
    """The same with the row below two, where all three say more: Axle 1, Left, Lining mm."""
    three = heading_at(grid, index, 3)
    if three is None or any(_is_number(c) for c in grid.row(index + 2)):
        return best, heading
    more = _score(three)
    below = max(_score_at(grid, index + 1), _score_at(grid, index + 2))
    two = heading_at(grid, index + 1, 2)
    below = max(below, _score(two) if two is not None else 0)
    return (more, three) if more > max(best, below) else (best, heading)


def _is_of_units(grid: Grid, index: int) -> bool:
    """Whether a row below a heading holds units of measure, or signs of none, and nothing else."""
    if index >= grid.rows.height:
        return False
    cells = [tokens(cell) for cell in grid.row(index) if cell and not says_nothing(cell)]
    return bool(cells) and all(of and set(of) <= set(UNIT_OF) for of in cells)


def _score_at(grid: Grid, index: int) -> float:
    one = heading_at(grid, index, 1)
    return _score(one) if one is not None else 0


def _is_number(cell: str | None) -> bool:
    return cell is not None and cell.replace(".", "").replace(",", "").isdigit()


def _score(heading: Heading) -> float:
    if sum(_is_number(cell) for cell in heading.cells) > 1:
        return 0
    said = meanings(heading.cells)
    # Places say less than concepts, and more than nothing; a reading's whole place, a little more.
    placed = sum(m.axle is not None and m.side is not None for m in said) / 1_000
    named = sum(m.concept is not None for m in said)
    return named + placed + any(m.why == WHERE_ALONE for m in said) / 2


def _overlap(index: int, heading: Heading, other: Heading) -> bool:
    return index < other.index + other.rows and other.index < index + heading.rows


def _without_repeats(found: list[Heading]) -> list[Heading]:
    """A heading printed again on every page is one table's."""
    kept: list[Heading] = []
    for heading in found:
        if not kept or kept[-1].cells != heading.cells:
            kept.append(heading)
    return kept


def _table(
    grid: Grid,
    path: str,
    heading: Heading,
    body: pl.DataFrame,
    settings: Settings,
    kind: str | None = None,
) -> TableFound:
    body = _without_headings(body, heading)
    said = _with_weeks(_with_day_above(_said(heading), heading), body)
    said = _with_shares_of_cost(_with_one_job(said, heading, body), heading, body)
    said = _with_places(_with_stages(said, heading, body), heading, body)
    days = [f"c{i}" for i, m in enumerate(said) if m.concept in {"date", "from", "to"}]
    body = counted_from_1904(grid, body, days)
    sample = _sample(body, said, grid.own_numbers)
    table = kind or _kind(said)
    if table == "none" and _are_readings(said, heading):
        table = "inspections"
    columns = [
        _column(table, heading.cells[i], body[f"c{i}"], m, sample, settings)
        for i, m in enumerate(said)
        if heading.cells[i] or not body[f"c{i}"].is_null().all()
    ]
    several = {heading.cells[i] for i, m in enumerate(said) if m.is_an_end or m.is_a_share}
    lines = [*titles_above(grid, heading.index), *_notes(body)]
    columns = _unless_turned(_once_each(columns, several), lines)
    rows = (body["row_no"] // grid.row_parts).n_unique()
    found = TableFound(
        path, grid.name, heading, rows, table, tuple(columns), sample.day_first,
        sample.decimal_comma, slid=int(slid(grid.is_text, heading, body).sum()),
        days_shown=frozenset(() if sample.day_first is None else (sample.day_first,)),
    )  # fmt: skip
    unstored = [h for i, h in enumerate(heading.cells) if h and f"c{i}" in grid.unstored]
    found = replace(found, unstored=tuple(unstored))
    if table == "none":
        found = replace(found, dead_end=_turned(grid))
    else:
        of_file = body.with_columns(pl.col("row_no") // grid.row_parts)
        found = _with_blanks(replace(found, sums=_sums(found, body)), of_file)
        found = _finished(_with_released(found), sample, heading)
        found = replace(found, fleets=_fleets(found, body))
    return found if found.job_lines else _with_told_jobs(found, sample, heading, settings)


def _notes(body: pl.DataFrame) -> list[str]:
    """Rows below a heading that have one cell."""
    cells = pl.all().exclude("row_no", "width")
    alone = body.filter(pl.sum_horizontal(cells.is_not_null()) == 1).select(pl.coalesce(cells))
    return alone.to_series().unique(maintain_order=True).head(MOST_NOTES).to_list()


def _unless_turned(columns: list[ColumnFound], titles: Iterable[str]) -> list[ColumnFound]:
    """Columns without those of sides or axles that a line above them turns round."""
    for title in titles:
        sides, axles = turns_round(title)
        why = (
            f'the line "{title[:60]}" turns them round; accepted: sides as seen from behind, axles '
            "from the front, or what each word means, under [files.values]"
        )
        columns = [
            replace(c, target="", why=why, meant=c.target)
            if (sides and re.search("side|position|^[0-9a-z]*\\s?([LR]|near|off)\\s", c.target))
            or (axles and re.search("axle_no|position|^([0-9]|front|rear)", c.target))
            else c
            for c in columns
        ]
    return columns


def _turned(grid: Grid) -> str:
    """That a grid has its headings below one another, where it has."""
    for column in grid.rows.columns[2:4]:
        cells = grid.rows[column].head(HEAD_ROWS).drop_nulls().to_list()
        said = {m.concept for m in meanings(cells)}
        if "date" in said and len(said - {None}) > 2 and said & OF_WHEEL_ENDS:
            return (
                "its headings stand below one another: a column for each visit cannot be used, "
                "because records are read row by row; what would do: a row for each visit (copy it "
                "and paste it transposed)"
            )
    return ""


def _with_blanks(found: TableFound, body: pl.DataFrame) -> TableFound:
    """With the question whether blank cells are those of the row above, where they look so."""
    at = {c.heading: f"c{found.heading.cells.index(c.heading)}" for c in found.columns if c.target}
    concepts = {c.heading: concept_of(c.target.rpartition(" ")[2]) for c in found.columns}
    held = held_of([(name, concepts[heading]) for heading, name in at.items()])
    blanks = taken_from_above(body, held) if found.table != "duty" else {}
    columns = [
        replace(
            c, asks=c.asks | {"fill_down"}, blank=_first_blank(body, blanks[concepts[c.heading]])
        )
        if at.get(c.heading) == held.of.get(concepts[c.heading], "")
        and concepts[c.heading] in blanks
        else c
        for c in found.columns
    ]
    return replace(found, columns=tuple(columns))


def _first_blank(body: pl.DataFrame, blank: pl.Series) -> str:
    """The first row with a blank cell and the one above it, as they stand."""
    at = int(blank.arg_true()[0])
    rows = [(row[0], row[2:]) for row in body.slice(max(at - 1, 0), 2).iter_rows()]
    return "; ".join(f"row {no}: {' | '.join(c or '' for c in cells[:8])}" for no, cells in rows)


def _with_released(found: TableFound) -> TableFound:
    """With the question what released strokes are, beside applied ones of the same places; nothing
    alone."""
    named = {c.target.replace("released", "applied").removesuffix("_mm"): c for c in found.columns
             if "released_stroke" in c.target}  # fmt: skip
    applied = {c.target.removesuffix("_mm"): c for c in found.columns if PAIRED in c.target}
    columns = []
    for column in found.columns:
        told = column.target.replace("released", "applied").removesuffix("_mm")
        if column.target and told in named and told not in applied:
            column = replace(column, target="", why="released, with no applied stroke beside it")
        elif column.target and told in named and PAIRED in column.target:
            pair = f"{next(iter(column.examples), '')} and {next(iter(named[told].examples), '')}"
            asks = column.asks | {"less_released"}
            column = replace(column, asks=asks, examples=(pair, *column.examples))
        columns.append(column)
    return replace(found, columns=tuple(columns))


def _fleets(found: TableFound, body: pl.DataFrame) -> frozenset[tuple[str, str]]:
    """The units that a table names, each with the fleet that its row names."""
    at = {c.target: f"c{found.heading.cells.index(c.heading)}" for c in found.columns if c.target}
    if not {"unit_id", "fleet"} <= set(at):
        return frozenset()
    pairs = body.select(pl.col(at["unit_id"]).str.to_uppercase(), of=at["fleet"]).drop_nulls()
    return frozenset(pairs.unique().rows())


def with_fleets(found: Sequence[TableFound]) -> list[TableFound]:
    """Tables whose units are told apart by their fleets, where some unit is of several of them."""
    pairs = frozenset[tuple[str, str]]().union(*(table.fleets for table in found))
    counts = Counter(unit for unit, _ in pairs)
    alike = next((unit for unit in sorted(counts) if counts[unit] > 1), None)
    return [_with_fleet(table, alike, pairs) for table in found]


def _with_fleet(
    found: TableFound, alike: str | None, pairs: Iterable[tuple[str, str]]
) -> TableFound:
    columns = []
    for column in found.columns:
        if column.target == "fleet" and alike is None:
            column = replace(column, target="", why="no unit is of several")
        elif column.target == "fleet":
            of = " and of ".join(sorted(fleet for unit, fleet in pairs if unit == alike)[:2])
            examples = (f"{alike} of {of}", *column.examples)
            column = replace(column, asks=frozenset({"fleets"}), examples=examples)
        columns.append(column)
    return replace(found, columns=tuple(columns))


def _sums(found: TableFound, body: pl.DataFrame) -> tuple[str, ...]:
    """What stands for a unit in rows that sum up others."""
    unit = next((c.heading for c in found.columns if c.target == "unit_id"), None)
    cells = body[f"c{found.heading.cells.index(unit)}"].unique() if unit else ()
    return tuple(sorted(cell for cell in cells if cell and says_summary(cell)))


def _without_headings(body: pl.DataFrame, heading: Heading) -> pl.DataFrame:
    """Rows of a table without its heading, where that is printed again on every page or card."""
    named = [(i, c) for i, c in enumerate(heading.cells) if c and not is_again(heading.cells, i)]
    again = pl.all_horizontal(pl.col(f"c{i}").fill_null("") == cell for i, cell in named)
    return body.filter(~again) if named else body


OF_MONTH = (
    "cannot be used, because a month is no day, and wear is counted from day to day; what would "
    "do: the day of each check (and its odometer) in place of its month"
)
AGAIN = "a heading of the same name stands to its left"
OF_ANOTHER_TABLE = "of a table beside another"
SIDE_BY_SIDE = (
    "cannot be used, because a row has one unit and one day, and a table stands to the left of "
    "this; what would do: one below the other, or each on a sheet of its own"
)


def _said(heading: Heading) -> list[Meaning]:
    """What each heading says, but of those that repeat one to their left.

    Only the lining of one wheel end is read again, as at its other end or shoe.
    """
    cells = heading.cells
    firsts = [first_of_name(cells, i) for i in range(len(cells))]
    said = meanings([cell if i == firsts[i] else "" for i, cell in enumerate(cells)])
    places = {m.concept for m in said} & {"position", "side"}
    of_both = {i for i, m in enumerate(said) if m.concept == "lining" and (m.side or places)}
    again = {first for i, first in enumerate(firsts) if first != i}
    of_both &= again
    rows = {said[first].concept for first in again} & {"unit_id", "date", "odometer"}
    beside = "unit_id" in rows or bool(rows and of_both)  # linings of another unit or day
    of_both = set() if beside else of_both
    told = Meaning(None, why=OF_ANOTHER_TABLE if beside else AGAIN)
    return [
        replace(said[first], is_an_end=True)
        if first in of_both
        else (said[i] if i == first else told)
        for i, first in enumerate(firsts)
    ]


MOST_STAGES = 12  # different words of a column that is one


def _with_stages(said: list[Meaning], heading: Heading, body: pl.DataFrame) -> list[Meaning]:
    """A column of no known heading that is filled in every row, and says before and after, is of as
    left; one that says which jobs were done and which were not, or which records are void, is their
    status. Of anything else a status is none."""
    is_job = any(m.concept == "job" for m in said)
    return [
        _named_status(meaning, cell, body[f"c{i}"], is_job=is_job)
        or _without_doubt(_stage(meaning, body[f"c{i}"], is_job=is_job), i, said, heading, body)
        if cell and OF_PAYING.isdisjoint(tokens(cell))
        else meaning
        for i, (meaning, cell) in enumerate(zip(said, heading.cells, strict=True))
    ]


NO_STAGE = (
    "says before and after, and hardly a row of after has one of before of the same day and place, "
    "or its heading is of trips"
)


def _without_doubt(
    found: Meaning, column: int, said: Sequence[Meaning], heading: Heading, body: pl.DataFrame
) -> Meaning:
    """What a column says, but no as left where most of its rows of after have none of before of the
    same unit, day and place: a check before a trip, and one after another, are both as found."""
    if found.concept != "as_left" or said[column].concept == "as_left":
        return found
    keys = [body[f"c{i}"] for i, m in enumerate(said) if m.concept in OF_A_READING]
    after = [w for w in body[f"c{column}"].unique() if cell_words("as_left")[spelled(w)] == "yes"]
    is_after = body[f"c{column}"].is_in(after)
    alike = pl.DataFrame([*keys, is_after.alias("after")]).group_by(
        pl.all().exclude("after"), maintain_order=True
    ).agg(
        paired=pl.col("after").any() & ~pl.col("after").all(), after=pl.col("after").sum()
    )  # fmt: skip
    paired = int(alike.filter("paired")["after"].sum())
    of_trips = not OF_TRIPS.isdisjoint(tokens(heading.cells[column]))
    doubtful = of_trips or paired < MOSTLY * int(is_after.sum())
    return Meaning(None, why=NO_STAGE) if doubtful else found


OF_A_READING = {"unit_id", "date", "axle_no", "side", "position"}


def _named_status(said: Meaning, heading: str, cells: pl.Series, *, is_job: bool) -> Meaning | None:
    """A column called cancelled, or one called done of nothing but yes and no: of what it says."""
    words = cells.drop_nulls().unique().head(MOST_STAGES + 1).to_list()
    if said.concept not in {None, "date", "status"} or not words:
        return None
    answers = is_job and names_done(heading) and all(map(yes_or_no, words))
    if cancels(heading) or answers:
        return Meaning("status" if is_job else "record")
    return None


def _stage(said: Meaning, cells: pl.Series, *, is_job: bool) -> Meaning:
    words = cells.drop_nulls().unique().head(MOST_STAGES + 1).to_list()
    is_one = 1 < len(words) <= MOST_STAGES
    plain = said.concept is None and is_one and cells.null_count() == 0
    named = said.concept == "status"
    spelt = {spelled(w) for w in words}
    stages = {cell_words("as_left").get(word) for word in spelt - {"yes", "no"}}
    if plain and stages == {"yes", "no"}:  # a plain yes may answer anything
        return Meaning("as_left")
    if plain and is_job and _are_statuses(cells, words):
        return Meaning("status")
    if (plain or (named and is_one)) and not is_job and any(map(says_void, words)):
        return Meaning("record")
    return Meaning(None, why="a status of no job") if named and not is_job else said


def _are_statuses(cells: pl.Series, words: Sequence[str]) -> bool:
    """Whether some words say done and some not done, and few cells say neither: these wait."""
    told = {word: status_of(word, planned=False) for word in words}
    known = cells.is_in([word for word, meaning in told.items() if meaning])
    return {"done", "not done"} <= set(told.values()) and int(known.sum()) >= MOSTLY * len(cells)


def _with_weeks(said: list[Meaning], body: pl.DataFrame) -> list[Meaning]:
    """A week with its year stands for the day where no column has that."""
    dated = any(m.concept == "date" for m in said)
    why = "another column is the day" if dated else "a week without its year is no day"
    told = []
    for i, meaning in enumerate(said):
        if meaning.concept == "week":
            cells = body[f"c{i}"].drop_nulls().unique()
            is_day = not dated and cells.len() > 0 and any(map(reading.is_week, cells))
            meaning = Meaning("date") if is_day else Meaning(None, why=why)
        told.append(meaning)
    return told


def _with_day_above(said: list[Meaning], heading: Heading) -> list[Meaning]:
    """What stands in a column of days that the file has not is one, where nothing else is."""
    if any(m.concept == "date" for m in said):
        return said
    return [Meaning("date") if cell == DAY_ABOVE else m
            for m, cell in zip(said, heading.cells, strict=True)]  # fmt: skip


def _with_places(said: list[Meaning], heading: Heading, body: pl.DataFrame) -> list[Meaning]:
    """A sheet's name is an axle where all of it says so and nothing else does; an axle's or a
    side's column that holds both is one of positions, where no other names the other."""
    if SHEET in heading.cells and not any(m.axle or m.concept == "axle_no" for m in said):
        at = heading.cells.index(SHEET)
        names = body[f"c{at}"].drop_nulls().unique().to_list()
        said_so = all(place_in(tokens(name), {}, offside=False).named for name in names)
        if names and said_so and len(placed_words(names, "axle_no")) == len(names):
            said = [Meaning("axle_no") if i == at else m for i, m in enumerate(said)]
    places = [i for i, m in enumerate(said) if m.concept in {"axle_no", "side", "position"}]
    if len(places) != 1 or any(m.axle or m.side for m in said):
        return said
    words = body[f"c{places[0]}"].drop_nulls().unique(maintain_order=True).head(200).to_list()
    if len(placed_words(words, "position")) < MOSTLY * len(words) or not words:
        return said
    return [Meaning("position") if i in places else m for i, m in enumerate(said)]


def _sample(body: pl.DataFrame, said: Sequence[Meaning], own: frozenset[str]) -> _Sample:
    """Rows from all of a table, evenly; what they show of decimals and days."""
    step = max(body.height // SAMPLE_ROWS, 1)
    rows = body.gather_every(step)
    dates = [rows[f"c{i}"] for i, m in enumerate(said) if m.concept in {"date", "from", "to"}]
    shown = Counter(
        told
        for column in dates
        for cell in column.drop_nulls().unique()
        if (told := reading.shows_day_first(cell)) is not None
    )
    doubtful = set()
    day_first = next(iter(shown)) if len(shown) == 1 else None
    if day_first is None and any(
        reading.is_ambiguous_day(c) for column in dates for c in column.drop_nulls().unique()
    ):
        doubtful.add("day_first")
    comma, unclear = _decimals(rows, said, own)
    if unclear and comma is None:
        doubtful.add("decimal_comma")
    beside = [body[f"c{i}"].is_not_null() for i, m in enumerate(said) if m.concept not in TITLED]
    filled = pl.DataFrame(beside).sum_horizontal() if beside else body["row_no"]
    lengths = [
        rows[f"c{i}"] for i, m in enumerate(said) if MEASURED.get(m.concept or "") == "length"
    ]
    inches = any(map(reading.shows_inches, lengths))
    return _Sample(rows, filled == 1, day_first, comma, frozenset(doubtful), inches)


def _decimals(
    rows: pl.DataFrame, said: Sequence[Meaning], own: frozenset[str]
) -> tuple[bool | None, bool]:
    """Whether commas are decimal, as measured columns show it, or else costs; and whether some
    cells need to know and none shows it."""
    typed = [reading.as_typed(rows[f"c{i}"], own) for i in range(len(said))]
    measured = [cells for cells, m in zip(typed, said, strict=True) if m.concept in MEASURED]
    costs = [
        reading.without_currency(c) for c, m in zip(typed, said, strict=True) if m.concept == "cost"
    ]
    comma, unclear = reading.shown_decimals(measured)
    if comma is None:
        comma, of_any = reading.shown_decimals([*measured, *costs])
        unclear |= of_any
    return comma, unclear


def _kind(said: Sequence[Meaning]) -> str:
    """Which table the headings are of."""
    has = {m.concept for m in said if m.concept}
    of_a_register = has & {"axle_type", "arm_length", "lining_new", "lining_min"}
    if {"unit_id", "date", "odometer"} <= has and of_a_register <= {"lining_new", "lining_min"}:
        of_a_register = set[str]()  # the thinnest that was read is no limit
    if has & READINGS and ({"date", "odometer"} <= has or ("unit_id" in has and not of_a_register)):
        return "inspections"  # without a unit or day too: then that is what it lacks
    if "unit_id" not in has:
        return "none"
    if has & READINGS and "date" in has:
        return "inspections"
    if "job" in has and "date" in has:
        return "work"
    if "duty" in has and "from" in has:
        return "duty"
    if of_a_register:
        return "register"
    return "none"


def _are_readings(said: Sequence[Meaning], heading: Heading) -> bool:
    """Whether headings of which too few are understood are of readings all the same: then it is
    said which are lacking."""
    has = {m.concept for m in said if m.concept}
    if has & {"axle_type", "arm_length"}:
        return False
    placed = bool(has & {"axle_no", "side", "position"}) or any(m.side for m in said)
    named = bool(has & READINGS)
    maybe = named or "lining_min" in has or READING in heading.cells
    maybe |= any(map(reading_named, filter(None, heading.cells)))
    around = len(has & {"unit_id", "date", "odometer"})
    where = sum(m.why == WHERE_ALONE for m in said) > 1
    return (named and placed) or (maybe and around + placed > 1) or (where and around > 1)


def _column(
    table: str,
    heading: str,
    cells: pl.Series,
    said: Meaning,
    sample: _Sample,
    settings: Settings,
) -> ColumnFound:
    some = sample.rows[cells.name].drop_nulls()
    examples = tuple(some.unique(maintain_order=True).head(EXAMPLES))
    found = ColumnFound(heading, examples, why=said.why)
    if heading in OF_ROWS_BELOW and table != "none":
        return _of_rows_below(found, said)
    if said.concept is None:
        return _not_understood(found, cells, some, is_read=table != "none")
    if table == "none":
        return replace(found, why=f"{said.concept}, of no table that is read")
    if some.is_empty():
        return replace(found, why="nothing is written in it")
    name = _name(said.concept, table)
    if name is None:
        return _of_another_table(found, said, table)
    if (
        MEASURED.get(said.concept or "") == "length"
        and said.unit is None
        and sample.shows_inches
        and reading.are_fractions(some)
    ):
        said = replace(said, unit="in")  # nothing else is written so
    if said.concept in MEASURED:
        result = _measured(found, name, said, some, sample, settings)
        name = f"{name}_{said.unit}" if said.unit and MEASURED[said.concept] != "angle" else name
    else:
        result = _worded(found, name, said, some, cells, sample)
    return _with_what_is_meant(result, _placed(name, said)[0])


def _of_another_table(found: ColumnFound, said: Meaning, table: str) -> ColumnFound:
    if said.concept == "lining_min" and table == "inspections":
        return replace(found, why="the least allowed, or the thinnest read", meant="lining_mm")
    return replace(found, why=f"{said.concept} is no column of {table}")


OF_ROWS_BELOW = {SHEET: "the name of the sheet", ABOVE: "what stands alone above rows",
                 A_DAY_ABOVE: "a day in a line above the rows, or in the sheet's name",
                 READING: "no title says what was read on the days across"}  # fmt: skip
MEANT_BELOW = {SHEET: "unit_id", ABOVE: "unit_id", A_DAY_ABOVE: "inspected_on",
               READING: "lining_mm"}  # fmt: skip


def _of_rows_below(found: ColumnFound, said: Meaning) -> ColumnFound:
    """A column that the file has not: a sheet that is called Axle 1 says so; whatever else may be a
    unit's name."""
    if said.concept == "axle_no":
        axles = placed_words(found.examples, "axle_no")
        asks = frozenset({"rear_axle"} & {f"{axle}_axle" for axle in axles.values()})
        return replace(found, target="axle_no", values=axles, asks=asks)
    return replace(found, why=OF_ROWS_BELOW[found.heading], meant=MEANT_BELOW[found.heading])


def _with_what_is_meant(found: ColumnFound, target: str) -> ColumnFound:
    """A column whose cells are not what its heading says, with what that is."""
    if found.target:
        return found
    return replace(found, meant=target, dead_end=found.dead_end or _of_percent(found))


def _not_understood(
    found: ColumnFound, cells: pl.Series, some: pl.Series, *, is_read: bool
) -> ColumnFound:
    """A column of no known heading, with what else its cells say."""
    told = jobs_in(cells, JobWords()) if is_read else ()
    beside = SIDE_BY_SIDE if found.why == OF_ANOTHER_TABLE and found.examples else ""
    of_month = OF_MONTH if reading.is_month(found.heading) and found.examples else ""
    flag = OF_FLAGS if _is_flag_of_a_job(found.heading, some) else ""
    why = of_month or dead_end(found.heading) or _of_percent(found) or flag or beside
    meant = "as_left" if found.why == NO_STAGE else "side" if is_read and _are_sides(some) else ""
    found = replace(found, jobs=told, dead_end=why, meant=meant)
    words = some.unique()
    if words.len() and all(map(unit_called, words)):
        return replace(found, why="units of measure, which stand behind the numbers beside them")
    discs = any(map(says_disc, words))
    return replace(found, why="rows of disc brakes are set aside by it") if discs else found


OF_FLAGS = (
    "cannot be used, because a job is a row of its own; what would do: a table of jobs, a row for "
    "each that was done, with unit, axle, side, day, odometer and what was done"
)


def _is_flag_of_a_job(heading: str, some: pl.Series) -> bool:
    """Whether a column asks whether some job was done: Relined, Y or N."""
    words = some.unique().head(MOST_STAGES).to_list()
    marks = all(yes_or_no(word) or word.casefold() == "x" for word in words)
    return bool(words) and marks and bool(actions_of(heading, JobWords()))


def _are_sides(some: pl.Series) -> bool:
    """Whether the cells of a column are the words of two sides, and nothing else."""
    words = some.unique().head(MOST_STAGES).to_list()
    return 1 < len(words) < MOST_STAGES and len(placed_words(words, "side")) == len(words)


def _of_percent(column: ColumnFound) -> str:
    """That a column's cells are shares of an unknown whole, where its heading names a reading."""
    shares = [cell.rstrip().endswith("%") for cell in column.examples]
    is_one = bool(shares) and all(shares) and reading_named(column.heading) != ""
    return OF_PERCENT if is_one else ""


def reading_named(heading: str) -> str:
    """What the heading of a column that is left alone seems to be a reading of, as it would be
    named; empty where it names none, or more than one, or a word makes it another thing."""
    place = place_in(tokens(heading), {"l": "L", "r": "R"}, offside=True)
    words = set(place.rest)
    named = [(len(core), concept) for concept in INSPECTED for core in CORES[concept]
             if core <= words]  # fmt: skip
    lengths = {word for word in words if UNIT_OF.get(word) in LENGTHS}
    named += [(1, "lining")] if words & SHOES and words & (THICKNESS | lengths) else []
    most = {concept for size, concept in named if size == max(named)[0]}
    far = {UNIT_OF.get(word) for word in words} & set(DISTANCES)  # a hub odometer is no Hub
    if len(most) != 1 or words & (PERCENT | NOT_READ_NOW) or place.why or far:
        return ""
    concept = most.pop()
    if words & NEGATING and concept not in MEASURED:
        return ""  # what is read as pass would be a failure
    units = {UNIT_OF[w] for w in words if w in UNIT_OF} & set(KINDS["length"])
    unit = units.pop() if len(units) == 1 and MEASURED.get(concept) == "length" else ""
    return f"{place_named(heading)} {concept}{'_' * bool(unit)}{unit}".strip()


def place_named(heading: str) -> str:
    """The axle and side that a heading seems to name, as they would be named."""
    place = place_in(tokens(heading), {"l": "L", "r": "R"}, offside=True)
    axle = str(place.axle or "") if place.named or place.side else ""
    return f"{axle}{' ' * (not axle.isdigit())}{place.side or ''}".strip()


def jobs_in(cells: pl.Series, words: JobWords) -> tuple[tuple[str, int], ...]:
    """Cells of a column that tell of known jobs, and how often, the most frequent first."""
    told = cells.filter(cells.str.contains(r"\p{L}{3}").fill_null(value=False))
    counts = told.value_counts(sort=True).head(MOST_JOBS)
    return tuple((line, n) for line, n in counts.iter_rows() if actions_of(line, words))


def undone_left_alone(heading: str, cells: pl.Series) -> str:
    """That a column says of some jobs that they were not done, and nothing reads it; empty where it
    says so of none."""
    if not OF_PAYING.isdisjoint(tokens(heading)):
        return ""
    words = [w for w in cells.unique().drop_nulls() if len(tokens(w)) < 3]
    undone = sorted(w for w in words if status_of(w, planned=False) == "not done")
    count = int(cells.is_in(undone).sum())
    says = f'{heading} says "{undone[0]}" of {counted(count, "job")}' if undone else ""
    mend = f'to have these not count, in its [[files]]: "{heading}" = "status"'
    return f"{says}, and is left alone; {mend}" if undone else ""


def jobs_to_come(path: str, sheet: str, heading: str) -> str:
    """That a file or a sheet is called as if its jobs were not done; empty where it is not."""
    name = sheet if names_undone(sheet) else path
    word = names_undone(name)
    only = f'sheets = "{sheet}"' if name == sheet else f'files = "{path}"'
    return word and (
        f'its name says "{word}", and its jobs count as done; if they were not, in fleet.toml: '
        f'[[files]] table = "none", {only}, [files.columns] "{heading}" = ""'
    )


def jobs_left_alone(heading: str, lines: Sequence[tuple[str, int]]) -> str:
    """That a column tells of jobs and nothing reads them."""
    rows = counted(sum(n for _, n in lines), "row")
    return f'{heading} tells of jobs in {rows}, as in "{lines[0][0][:60]}", and is left alone'


def _name(concept: str, table: str) -> str | None:
    if concept in NAMES:
        return NAMES[concept].get(table)
    known = columns_of(table)
    if concept == "job" and table == "work":
        return concept
    if concept == "position" and table != "duty":
        return concept
    if (concept, table) in {("status", "work"), ("record", "inspections")}:
        return "status"
    if (concept, table) == ("quantity", "work"):
        return concept
    if concept == "fleet" or (concept in {"stroke", "released_stroke"} and table == "inspections"):
        return concept
    return concept if {concept, f"{concept}_mm", f"{concept}_km"} & set(known) else None


def _placed(name: str, said: Meaning) -> tuple[str, set[str]]:
    """The target with its place before it, and what must be known to read it."""
    axle, side = str(said.axle or ""), said.side or ""
    place = f"{axle} {side}".strip() if len(side) > 1 or not axle.isdigit() else f"{axle}{side}"
    asks = {"near_side"} if side in {"near", "off"} else set()
    asks |= {"rear_axle"} if axle == "rear" else set()
    return f"{place} {name}".strip(), asks


def _measured(
    found: ColumnFound,
    name: str,
    said: Meaning,
    some: pl.Series,
    sample: _Sample,
    settings: Settings,
) -> ColumnFound:
    kind = MEASURED[said.concept or ""]
    pairs = said.concept in {"stroke", "applied_stroke"} and _are_pairs(said, some)
    pairs &= settings.answers.stroke_pairs is not False
    if pairs:
        some, said = reading.less_released(some), replace(said, concept="applied_stroke")
        name = "applied_stroke"
    of_ends = said.concept == "lining" and _are_of_two_ends(said, some)
    of_ends &= settings.answers.lining_pairs is not False
    some = reading.thinner(some) if of_ends else some
    unit = said.unit or ("deg" if kind == "angle" else None)
    marks = some.unique(maintain_order=True) if kind != "distance" else ()  # which no row can lack
    nothing = [cell for cell in marks if says_nothing(cell)]
    some = some.filter(~some.is_in(nothing))
    if some.is_empty():
        return replace(found, why="nothing is measured in it")
    if nothing:
        examples = tuple(some.unique(maintain_order=True).head(EXAMPLES))
        found = replace(found, examples=examples, values=dict.fromkeys(nothing, ""))
    if kind == "angle" and said.unit is None:
        return replace(found, why="no unit: degrees are written deg or °")
    own = some.str.contains(r'[^\d\s][\s"]*$') & some.str.contains(r"\d")
    unclear = some.str.contains(GROUPED).any()
    asks = {"decimal_comma"} & sample.doubtful if unclear else set()
    if unit is None and not own.all():
        stated = kind in settings.units.model_fields_set
        asks |= set() if stated else {kind}
        unit = getattr(settings.units, kind) if stated else None
        fits = [u for u in _units_of(kind, found.heading)
                if not _implausible(said, u, some, sample)]  # fmt: skip
        found = replace(found, fits=tuple(fits) if unit is None else ())
    asks |= {"stroke"} if said.concept == "stroke" else {"stroke_pairs"} if pairs else set()
    asks |= {"lining_pairs"} if of_ends else set()
    asks |= {"zeros"} if said.concept in SELDOM_ZERO and reading.has_many_zeros(some) else set()
    told = f"{name}_{said.unit}" if said.unit and kind != "angle" else name
    target, placed = _placed(told, said)
    looked = unit or _usual_unit(kind, some) or next(iter(found.fits), None)
    wrong = _implausible(said, looked, some, sample)
    if wrong:
        return replace(found, why=wrong, dead_end=TWO_IN_ONE if _are_pairs(said, some) else "")
    return replace(found, target=target, asks=frozenset(asks | placed))


def _units_of(kind: str, heading: str) -> list[str]:
    """The units that cells of no stated one may be in: tens of km in the north alone."""
    northern = not NORTHERN.isdisjoint(tokens(heading))
    return [unit for unit in KINDS[kind] if unit != "10ths" and (northern or unit != "10km")]


TWO_IN_ONE = (
    "cannot be used, because its cells hold two numbers; what would do: a column for the stroke "
    "itself, which is applied less released"
)


def _are_of_two_ends(said: Meaning, some: pl.Series) -> bool:
    """Whether most cells of a lining hold two thicknesses in mm, which no fraction is in."""
    both = some.filter(reading.are_of_two_ends(some))
    in_mm = said.unit in {"mm", "cm"} or (said.unit is None and both.str.contains("m").all())
    return in_mm and both.len() >= MOSTLY * some.len() > 0


def _are_pairs(said: Meaning, some: pl.Series) -> bool:
    """Whether most cells of a stroke hold two numbers."""
    both = int(reading.are_pairs(some).sum())
    return (said.concept or "").endswith("stroke") and both >= MOSTLY * some.len() > 0


def _usual_unit(kind: str, some: pl.Series) -> str | None:
    """A unit to look at the cells by, where none is known: nothing is judged by it alone."""
    units = {UNIT_OF.get(folded(u)) for u in some.str.extract(r"([^\d\s.,]+)\s*$", 1).drop_nulls()}
    return "mm" if kind == "length" and units - {None} else "km" if units - {None} else None


def _unread(cells: pl.Series, values: pl.Series, kind: str) -> str:
    """How many cells are none of a kind, and the first of them."""
    unread = cells.filter(values.is_null())
    return f"{unread.len():,} of {cells.len():,} cells are no {kind}, such as {unread[0]!r}"


def _implausible(said: Meaning, unit: str | None, some: pl.Series, sample: _Sample) -> str:
    """Why a column's cells cannot be what its heading says; empty where they can."""
    kind = MEASURED[said.concept or ""]
    looked = unit or {"length": "mm", "distance": "km"}.get(kind)
    doubtful = sample.decimal_comma is None and "decimal_comma" in sample.doubtful
    ways = (True, False) if doubtful else (sample.decimal_comma,)
    wrong = [_wrong(said, kind, unit, some, reading.numbers(some, kind, looked, decimal_comma=way))
             for way in ways]  # fmt: skip
    return wrong[0] if all(wrong) else ""


def _wrong(said: Meaning, kind: str, unit: str | None, some: pl.Series, values: pl.Series) -> str:
    if values.null_count() > (1 - MOSTLY) * some.len():
        return _unread(some, values, kind)
    low, high = PLAUSIBLE.get(said.concept or "", (0.0, 1e9))
    middle = float(values.median() or 0.0)  # type: ignore[arg-type]
    most = float(values.max() or 0.0)  # type: ignore[arg-type]
    if said.concept == "lining" and unit == "mm" and most <= MOST_CM and values.len() >= 2 * FEWEST:
        return f"its cells do not look like lining in mm: none is above {most:.4g}"
    if unit is not None and not low <= middle <= high:
        return f"its cells do not look like {said.concept} in {unit}: half are below {middle:.4g}"
    return ""


def _worded(
    found: ColumnFound,
    name: str,
    said: Meaning,
    some: pl.Series,
    cells: pl.Series,
    sample: _Sample,
) -> ColumnFound:
    target, asks = _placed(name, said)
    match said.concept:
        case "date" | "from" | "to":
            return _dated(found, target, some, sample)
        case "unit_id" if all(map(unit_called, found.examples)):
            return replace(found, why="holds units of measure")
        case "axle_no" | "position" | "side":
            return _located(found, target, said.concept, cells, sample.alone)
        case "job":
            return _job_or_action(found, target, cells)
        case "return_test" | "cap_state" | "marks_aligned" | "as_left" | "reason":
            return _with_values(found, target, said.concept, cells, asks)
        case "status" | "record":
            return _of_status(found, target, cells, of_record=said.concept == "record")
        case "cost" | "quantity":
            return _priced(found, target, some, sample)
    return replace(found, target=target, asks=frozenset(asks))


def _of_status(
    found: ColumnFound, target: str, cells: pl.Series, *, of_record: bool
) -> ColumnFound:
    """A column of which some words say whether jobs were done: of what else it says, rows wait.
    Of a record it says that it counts no more, or else that it does."""
    words = _words_in(cells)[:200]
    if cancels(found.heading):  # whatever stands there, later too
        return replace(found, target=target)
    values = {word: told for word in words if (told := status_under(found.heading, word))}
    if of_record:
        values = {word: "not done" if says_void(word) else "done" for word in words}
    if not values:
        return replace(found, why="its words say nothing of done or not", strange=words[0])
    return replace(found, target=target, values=values)


def _job_or_action(found: ColumnFound, target: str, cells: pl.Series) -> ColumnFound:
    """A column of a few known words is of actions; any other tells of jobs in free text."""
    tidy = _with_values(found, "action", "action", cells, set(), needed=0.95)
    return tidy if tidy.target else replace(found, target=target)


def _priced(found: ColumnFound, target: str, some: pl.Series, sample: _Sample) -> ColumnFound:
    """A column of money or quantities, where most cells are some in one way to read their marks."""
    bare = reading.without_pieces if target == "quantity" else reading.without_currency
    plain = bare(some)
    doubtful = "decimal_comma" in sample.doubtful
    ways = (True, False) if doubtful else (sample.decimal_comma,)
    read = [reading.numbers(plain, None, None, decimal_comma=way) for way in ways]
    if min(values.null_count() for values in read) > (1 - MOSTLY) * some.len():
        return replace(found, why="its cells are mostly no numbers")
    unclear = plain.str.contains(GROUPED) & plain.is_not_null()
    if not (doubtful and unclear.any()):
        return replace(found, target=target)
    first = str(some.filter(unclear)[0])
    examples = tuple(dict.fromkeys((first, *found.examples)))[:EXAMPLES]
    return replace(found, target=target, examples=examples, asks=frozenset({"decimal_comma"}))


NO_YEAR = (
    "; a day without a year is none: accepted are days with their year, or one year in a title "
    "above or in the sheet's name"
)


def _dated(found: ColumnFound, target: str, some: pl.Series, sample: _Sample) -> ColumnFound:
    doubtful = "day_first" in sample.doubtful
    first = True if doubtful else sample.day_first
    read = reading.days(some, day_first=first, week_day="monday")
    exchanged = reading.were_exchanged(some)
    if read.null_count() > (1 - MOSTLY) * some.len():
        unclear = reading.years_may_be_first(some)
        why = "; its years may stand first: accepted are years of four figures" * unclear
        why += NO_YEAR * lacks_year(some[0])
        return replace(found, why=f"{_unread(some, read, 'date')}{why}")
    weeks = any(map(reading.is_week, some.unique()))
    told = (("day_first", doubtful), ("days_exchanged", exchanged), ("week_day", weeks))
    asks = {key for key, is_asked in told if is_asked}
    if asks:
        telling = reading.is_own_day if exchanged else reading.is_ambiguous_day
        telling = reading.is_week if weeks else telling
        first_of = next(cell for cell in some if telling(cell))
        found = replace(
            found, examples=tuple(dict.fromkeys((first_of, *found.examples)))[:EXAMPLES]
        )
    return replace(found, target=target, asks=frozenset(asks))


def _words_in(cells: pl.Series) -> list[str]:
    """The different words of a column, the most frequent first."""
    counts = cells.drop_nulls().value_counts(sort=True)
    return counts.to_series().to_list()


def _located(
    found: ColumnFound, target: str, concept: str, cells: pl.Series, alone: pl.Series
) -> ColumnFound:
    """Axles, sides and positions: the file's words for them, read by one pattern. What is none, and
    stands in rows of nothing else, is a note."""
    words = _words_in(cells)
    known = placed_words(words, concept)
    beside = set(cells.filter(~alone).drop_nulls())
    notes = [word for word in words if word not in known and word not in beside]
    cells = cells.filter(~cells.is_in(notes))
    words = [word for word in words if word not in notes]
    if not words or sum(cells.is_in(list(known)).fill_null(value=False)) < MOSTLY * (
        cells.len() - cells.null_count()
    ):
        strange = next((w for w in words if w not in known), "")
        why = f'no {concept} is understood in "{strange}"; accepted: {PLACED[concept]}'
        return replace(found, why=why, strange=strange)
    asks = {"near_side"} if any("near" in p or "off" in p for p in known.values()) else set()
    asks |= {"rear_axle"} if any("rear" in p for p in known.values()) else set()
    values = {
        w: p for w, p in known.items() if p != w and not (concept == "axle_no" and w.isdigit())
    }
    values |= dict.fromkeys(notes[:MOST_NOTES], "")
    return replace(found, target=target, values=values, asks=frozenset(asks))


def placed_words(words: Sequence[str], concept: str) -> dict[str, str]:
    """The axle, side or both that words of a column mean, of those that mean one beside the
    others."""
    numbered = _numbered_axles(words) if concept == "axle_no" else {}
    if numbered:
        return numbered
    letters = _letters_of(words) or (_letters_of_side(words) if concept == "side" else {})
    offside = any("ns" in tokens(w) for w in words)
    read = {w: _place_word(w, concept, letters, offside=offside) for w in words[:200]}
    return {word: place for word, place in read.items() if place}


def _numbered_axles(words: Sequence[str]) -> dict[str, str]:
    """Axles that a column of axles has in Roman figures, or each after the same letter: E1, E2, or
    all as numbers or ordinals."""
    spelt = [folded(word).strip(" .") for word in words]
    if set(spelt) <= set(ROMAN) and len(spelt) > 1:
        return {word: str(ROMAN[figure]) for word, figure in zip(words, spelt, strict=True)}
    found = [_AFTER_E.fullmatch(word) for word in spelt]
    told = {word: one[1] for word, one in zip(words, found, strict=True) if one}
    told = told or {word: axle for word in words if (axle := axle_of_cell(word))}
    return told if len(told) == len(words) else {}


def _letters_of(words: Iterable[str]) -> dict[str, str]:
    """What single letters mean among these words: only where both of a pair are there."""
    found = [of for word in words if (of := place_of_cell(word))]
    seen = {t for of in found for t, after in zip(of, (*of[1:], ""), strict=True)
            if not (t == "a" and after.isdigit())}  # fmt: skip
    return sides_told_by({t for t in seen if len(t) == 1 and t.isalpha()}, seen)


def _letters_of_side(words: Iterable[str]) -> dict[str, str]:
    """Letters that a column of sides has, and that mean another thing elsewhere: L where no other
    letter is, or R (in each language that writes them so they are the same); V and H (in German
    these are front and rear, which are no sides)."""
    letters = {t for word in words for t in tokens(word) if len(t) == 1 and t.isalpha()}
    if letters == {"v", "h"}:
        return {"v": "L", "h": "R"}
    return {"l": "L", "r": "R"} if letters in ({"l"}, {"r"}) else {}


def _place_word(word: str, concept: str, letters: dict[str, str], *, offside: bool) -> str:
    words = place_of_cell(word) if concept == "position" or "?" in word else tokens(word)
    place = place_in(words, letters, offside=offside)
    if place.rest or place.why:
        return ""
    axle, side = str(place.axle or ""), place.side or ""
    if concept == "axle_no":
        return axle if not side else ""
    if concept == "side":
        return side if not axle else ""
    if not axle or not side:
        return ""
    return f"{axle}{side}" if axle.isdigit() and len(side) == 1 else f"{axle} {side}"


def _with_values(
    found: ColumnFound,
    target: str,
    concept: str,
    cells: pl.Series,
    asks: set[str],
    needed: float = MOSTLY,
) -> ColumnFound:
    """A column of words, with what those found in it are taken for."""
    column = "bool" if concept in {"marks_aligned", "as_left"} else concept
    known = cell_words(column) | (cell_words("as_left") if concept == "as_left" else {})
    words = _words_in(cells)[:200]
    if not CHECK_MARKS.isdisjoint(words):  # beside these a cross is their opposite
        known = known | {"x": "fail" if concept == "return_test" else "no"}
    values = {w: known[spelled(w)] for w in words if spelled(w) in known}
    here = int(cells.is_in(list(values)).fill_null(value=False).sum())
    if here < needed * (cells.len() - cells.null_count()):
        strange = [w for w in words if w not in values]
        some = ", ".join(f'"{w}"' for w in strange)[:80]
        return replace(found, why=f"its words are not known: {some}", strange=strange[0])
    values = {w: meaning for w, meaning in values.items() if w != meaning}
    return replace(found, target=target, values=values, asks=frozenset(asks))


TWO_VEHICLES = "a row is of a vehicle and its trailer"
OF_TWO_VEHICLES = (
    "cannot be used, because nothing says which of a row's axles are whose; what would do: a row "
    "for each of the two, with its own axles from 1, or where all axles are those of one, "
    '"unit_id" for its column'
)
IN_TWO = "found in two columns; name it at one of them"
# What it means to choose one of them.
WHOSE = {"unit_id": " (every axle of a row is then that unit's)"}


def _once_each(columns: list[ColumnFound], several: Collection[str]) -> list[ColumnFound]:
    """Two columns that would be the same thing: none is, unless a person says which, or both are
    ends of one lining, of which the thinner counts, or shares of one cost."""
    counts = Counter(c.target for c in columns if c.target and c.heading not in several)
    units = [c.heading for c in columns if c.target == "unit_id"]
    if len(units) > 1 and len({TRAILERS.isdisjoint(tokens(unit)) for unit in units}) > 1:
        columns = [
            replace(c, target="", meant="unit_id", why=TWO_VEHICLES, dead_end=OF_TWO_VEHICLES)
            if c.target == "unit_id" else c for c in columns
        ]  # fmt: skip
    return [
        replace(
            c,
            target="",
            why=f"{c.target}: {IN_TWO}{WHOSE.get(c.target, '')}",
            rival=c.target,
        )
        if counts[c.target] > 1
        else c
        for c in columns
    ]


def with_choice(found: TableFound, target: str, heading: str) -> TableFound:
    """The table once a person has said which of rival columns is meant."""
    columns = tuple(
        replace(c, target=target, why="", rival="")
        if c.rival == target and c.heading == heading
        else replace(c, rival="", why=f"another column is {target}")
        if c.rival == target
        else c
        for c in found.columns
    )
    return with_columns(found, columns)


def with_columns(found: TableFound, columns: tuple[ColumnFound, ...]) -> TableFound:
    """The table with other findings of its columns."""
    named = [c.target for c in columns if c.target]
    missing = tuple(_missing(found.table, named, both=found.both_sides))
    return replace(found, columns=columns, missing=missing)


def _without_counts(found: TableFound, sample: _Sample, heading: Heading) -> TableFound:
    """A register of one row a unit tells how many axles there are, and not of which one it is."""
    cells = {
        c.target: sample.rows[f"c{heading.cells.index(c.heading)}"]
        for c in found.columns
        if c.target in {"unit_id", "axle_no"}
    }
    if found.table != "register" or len(cells) < 2 or sample.rows.height < 2:
        return found
    several = ~cells["axle_no"].is_in(["1"]).fill_null(value=True)
    if cells["unit_id"].is_duplicated().any() or not several.any():
        return found
    why = "one row a unit, so how many axles there are; accepted: a row an axle"
    columns = (
        replace(c, target="", why=why) if c.target == "axle_no" else c for c in found.columns
    )
    return replace(found, columns=tuple(columns))


def _finished(found: TableFound, sample: _Sample, heading: Heading) -> TableFound:
    """With its job lines, and what its rows lack to be of use."""
    found = _without_counts(found, sample, heading)
    named = [c.target for c in found.columns if c.target]
    bases = {target.rpartition(" ")[2] for target in named}
    sided = any(re.search("[LR]|near|off", target.rpartition(" ")[0]) for target in named)
    both = found.table == "register" and not sided and not bases & {"side", "position"}
    found = replace(found, missing=tuple(_missing(found.table, named, both=both)), both_sides=both)
    found = replace(found, columns=tuple(_with_dead_ends(found)))
    job = next((c for c in found.columns if c.target == "job"), None)
    if job is None:
        return found
    position = heading.cells.index(job.heading)
    return _with_jobs(found, sample.rows[f"c{position}"].drop_nulls())


def _with_dead_ends(found: TableFound) -> Iterator[ColumnFound]:
    """Columns with why those of hours and of parts of a cost are of no use, where the odometer or
    the cost is lacking."""
    costs = any(c.target == "cost" or c.rival == "cost" for c in found.columns)
    for column in found.columns:
        left = not column.target and not column.rival
        if left and "odometer" in found.missing and names_hours(column.heading):
            yield replace(column, dead_end=OF_HOURS)
        elif left and found.table == "work" and not costs and _is_part_of_cost(column):
            yield replace(column, dead_end=OF_PARTS)
        else:
            yield column


OF_PARTS = (
    "cannot be used, because a job has one cost; what would do: a column with what it cost in "
    'all, or one of parts and one of labour, both = "cost", which are added up'
)


def _is_part_of_cost(column: ColumnFound) -> bool:
    """Whether a column holds what parts or labour alone cost."""
    return _share_of(column.heading, column.examples) is not None


def _share_of(heading: str, cells: Sequence[str]) -> int | None:
    """Which of :data:`COST_SHARES` a column of money holds; None where none, or more than one."""
    words = set(tokens(heading))
    shares = [i for i, share in enumerate(COST_SHARES) if share & words]
    money = {"amt", "costs"} | OPTIONAL["cost"] | frozenset[str]().union(*CORES["cost"])
    signs = [any(unicodedata.category(c) == "Sc" for c in cell) for cell in (heading, *cells)]
    if len(shares) != 1 or not cells or not (words & money or signs[0] or all(signs[1:])):
        return None
    plain = reading.without_currency(pl.Series(cells))
    read = [reading.numbers(plain, None, None, decimal_comma=comma) for comma in (True, False)]
    return shares[0] if any(values.null_count() == 0 for values in read) else None


def _with_one_job(said: list[Meaning], heading: Heading, body: pl.DataFrame) -> list[Meaning]:
    """Of several columns of jobs the one that tells of known ones, where one alone does: the others
    are codes for it."""
    jobs = [i for i, m in enumerate(said) if m.concept == "job"]
    telling = [i for i in jobs if jobs_in(body[f"c{i}"], JobWords())] if len(jobs) > 1 else []
    if len(telling) != 1 or any(_are_words(body[f"c{i}"]) for i in jobs if i not in telling):
        return said
    codes = Meaning(None, why=f"{heading.cells[telling[0]]} tells the jobs")
    return [codes if i in jobs and i not in telling else m for i, m in enumerate(said)]


def _are_words(cells: pl.Series) -> bool:
    """Whether many cells hold a word of some length: codes have none."""
    told = cells.drop_nulls()
    return int(told.str.contains(r"\p{L}{4}").sum()) > (1 - MOSTLY) * told.len()


def _with_shares_of_cost(
    said: list[Meaning], heading: Heading, body: pl.DataFrame
) -> list[Meaning]:
    """Of jobs without a cost, one column of parts and one of labour are its shares, with one of
    work given out; of two of a share, one may be with tax and the other without."""
    if "cost" in (concepts := {m.concept for m in said}) or "job" not in concepts:
        return said
    left = [i for i, m in enumerate(said) if m.concept is None and heading.cells[i]]
    cells = {i: body[f"c{i}"].drop_nulls().unique(maintain_order=True).head(EXAMPLES)
             for i in left}  # fmt: skip
    share = {i: _share_of(heading.cells[i], cells[i].to_list()) for i in left}
    told = [of for of in share.values() if of is not None]
    if not {0, 1} <= set(told) or len(told) != len(set(told)):
        return said
    part = Meaning("cost", is_a_share=True)
    return [part if share.get(i) is not None else m for i, m in enumerate(said)]


def _missing(table: str, named: Sequence[str], *, both: bool) -> Iterable[str]:
    bases = {target.rpartition(" ")[2] for target in named}
    places = {target.rpartition(" ")[0] for target in named} - {""}
    has = {concept_of(base) for base in bases}
    for concept in REQUIRED[table]:
        axle_placed = any(p[0] in "0123456789fr" for p in places)
        if concept == "axle_no" and ("position" in has or axle_placed):
            continue
        if concept not in has:
            yield concept
    if table == "inspections" and not has & (READINGS | {"fault", "wear_indicator_deg"}):
        yield "a reading"
    if table == "inspections" or "action" in bases:
        has_axle = (
            "axle_no" in has or "position" in has or any(p[0] in "0123456789fr" for p in places)
        )
        if not has_axle:
            yield "axle_no"
        if not (both or "side" in has or "position" in has or places):
            yield "side"


def concept_of(base: str) -> str:
    """The concept of a contract's name, whatever its unit."""
    base = re.sub(rf"_({'|'.join((*LENGTHS, *DISTANCES))})$", "", base)
    if base in {"inspected_on", "done_on"}:
        return "date"
    if base == "from_on":
        return "from"
    if base.startswith("odometer"):
        return "odometer"
    return "job" if base == "action" else base


def _with_told_jobs(
    found: TableFound, sample: _Sample, heading: Heading, settings: Settings
) -> TableFound:
    """With the lines of a column that ``fleet.toml`` says to hold jobs, whatever its heading."""
    own = {key_of(h) for f in settings.files for h, told in f.columns.items() if told == "job"}
    at = next((i for i, cell in enumerate(heading.cells) if cell and key_of(cell) in own), None)
    return found if at is None else replace(found, job_lines=_counted(sample.rows[f"c{at}"]))


def _counted(lines: pl.Series) -> tuple[tuple[str, int], ...]:
    counts = lines.drop_nulls().value_counts(sort=True)
    return tuple((str(line), int(n)) for line, n in counts.iter_rows())


def _with_jobs(found: TableFound, lines: pl.Series) -> TableFound:
    """With its job lines, by count, and what must be known to place those that are understood."""
    counts = _counted(lines)
    asks = _asked_by([line for line, _ in counts if actions_of(line, JobWords())])
    columns = [replace(c, asks=c.asks | asks) if c.target == "job" else c for c in found.columns]
    return replace(found, columns=tuple(columns), job_lines=counts)


def _asked_by(lines: Sequence[str]) -> frozenset[str]:
    """What must be known to place the jobs of these lines: by their words, or by the letters for a
    wheel that a job says it cannot be placed without."""
    words = {word for line in lines for word in tokens(line)}
    near = {word for word, side in SIDE_OF.items() if side in {"near", "off"}} | {"ns"}
    rear = {word for word, end in END_OF.items() if end == "rear"}
    asks = {"near_side"} if words & near or _waits(lines, NEAR_SIDE, Ground(rear_axle=2)) else set()
    rear_asked = words & rear or _waits(lines, REAR_AXLE, Ground(near_side="L"))
    return frozenset(asks | ({"rear_axle"} if rear_asked else set()))


def _waits(lines: Sequence[str], problem: str, ground: Ground) -> bool:
    """Whether a job of some line that has letters for a wheel has this problem."""
    of_wheels = (line for line in lines if not WHEELS.keys().isdisjoint(tokens(line)))
    return any(job.problem == problem for line in of_wheels
               for job in jobs_of(line, JobWords(), ground))  # fmt: skip
