"""A table under a fleet's own headings → the contract's rows, by what ``fleet.toml`` says of it.

One row of an own file may be of several wheel ends: its *parts*. A part's ``row_no`` is the file's
row times :data:`PARTS` plus its place, so that it finds back, and a row counts once.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, cached_property
from typing import TypeVar

import dataframely as dy
import polars as pl

from pipeline.contract import columns_of, unit_of
from pipeline.lake.cells import (
    TWO_MARKS,
    TWO_ORDERS,
    Dialect,
    Problem,
    Source,
    boolean_of,
    cell_problems,
    judged,
    of_words,
    row_problems,
    word_of,
)
from pipeline.lake.files import Cells
from pipeline.lake.struck import STRUCK
from pipeline.mapping import reading
from pipeline.mapping.doubted.miles import COLUMNS, doubted_places
from pipeline.mapping.doubted.units import doubted_units, small_odometers
from pipeline.mapping.findings import (
    PLACED,
    SELDOM_ZERO,
    UNSTORED,
    concept_of,
    jobs_in,
    jobs_left_alone,
    placed_words,
    reading_named,
    undone_left_alone,
)
from pipeline.mapping.headings import (
    OF_HOURS,
    axle_of_cell,
    meanings,
    names_hours,
    place_in,
    place_of_cell,
)
from pipeline.mapping.job_lines import jobs
from pipeline.mapping.job_lines.jobs import left_or_right
from pipeline.mapping.job_lines.other_units import other_units
from pipeline.mapping.job_lines.reversals import TAKES_NOTHING_BACK, nothing_done, reversals
from pipeline.mapping.shapes import filled_from_above, held_of, taken_from_above
from pipeline.mapping.tables import USUAL, Table, is_again, key_of, slid
from pipeline.mapping.words import (
    BRAKE_PARTS,
    CELL_WORDS,
    COST_SHARES,
    DITTOS,
    as_written,
    cell_words,
    says_credit,
    says_disc,
    says_nothing,
    says_summary,
    spelled,
    status_under,
    tokens,
)
from pipeline.settings import OwnFile, Settings, Target, own_target
from pipeline.values import counted

PARTS = jobs.MOST
MOST_PLACES = 200  # different words of a column that are looked at for what they wait for
MOST_READ = 5_000  # and that are read for it
PAIRED = "applied_stroke_mm"  # of which a cell may hold applied and released
RELEASED = "released_stroke"
STROKES = {"free": "free_stroke", "applied": "applied_stroke"}
DAYS = ("inspected_on", "done_on")
SIGNED = ("cost", "quantity")  # a job with a negative one is taken back
TAKES_BACK = "accepted: one of the same unit, place, wording and amount in this table, no later"
OF_A_CARD = {"unit_id", "odometer", *DAYS}  # what may stand above its rows
QUOTES = "quotes go round a cell that has the separator in it"
SUMMED = "accepted: a unit, and no sum or average of other rows"
BLANK = (
    "{}: found nothing, as below merged cells; accepted: fill_down = true or false under [answers]"
)
OR_NOTHING = '"" for nothing'
NO_NUMBER = r"^\D*$|^[^\d.,+-]|\d\s*\D{4,}$"  # cells that are more than a number in another unit
NO_DIGIT = r"^\D*$"  # money has its currency beside it
NO_DAY = r"\p{L}|^\D*$"
EXCHANGED = (
    "; a spreadsheet seems to have exchanged its day and month: export it again as CSV, or set "
    "days_exchanged under [answers]"
)
WRITTEN_AS_A_NUMBER = r"^(\d+)\.0+$"  # 417.0 is unit 417: an export took its name for a number
ROUNDING = 0.001  # by so much of itself a value may differ between two columns of two units
Told = TypeVar("Told")
KIND_OF = {"mm": "length", "km": "distance", "°": "angle"}
# Cells below are text already: nothing of a workbook's own types is left to be told apart.
_PLAIN = Dialect(None, False, False, False, False)


@dataclass(frozen=True, slots=True)
class Typed:
    """Typed parts of a table's rows; ``rows_read`` counts these, which have ``row_parts`` numbers
    each, ``notes`` what else to say."""

    table: str
    rows: pl.DataFrame
    rows_read: int
    unused: tuple[str, ...]
    notes: tuple[str, ...] = ()
    row_parts: int = PARTS


@dataclass(frozen=True, slots=True)
class _Column:
    """A column of the file and what it holds, once the answers are known.

    ``name`` is the contract's; ``axle`` and ``side`` None where a cell says; ``open`` what the
    settings leave unanswered; ``several`` the columns that it stands for, where several are it;
    ``less`` that of the released stroke, which is taken off an applied one; ``fleet`` that of the
    fleet whose name goes before a unit's.
    """

    heading: str
    position: int
    name: str
    axle: int | None
    side: str | None
    unit: str | None
    open: str = ""
    several: tuple["_Column", ...] = ()
    less: "_Column | None" = None
    fleet: "_Column | None" = None


@dataclass(frozen=True, slots=True)
class _Way:
    """How the cells of one file are read."""

    recipe: OwnFile
    settings: Settings
    shown_comma: bool | None = None
    shown_day_first: bool | None = None
    surely_day_first: bool | None = None

    @property
    def day_first(self) -> bool | None:
        """As stated of such files, else as many of the file's own days show, else as answered or
        stated for all, else as a few show."""
        answers, fleet = self.settings.answers, self.settings.fleet
        told = _first(answers.day_first, fleet.day_first, self.shown_day_first)
        return _first(self.recipe.day_first, self.surely_day_first, told)

    @property
    def decimal_comma(self) -> bool | None:
        fleet = self.settings.fleet
        stated = fleet.decimal_comma if "decimal_comma" in fleet.model_fields_set else None
        told = _first(self.recipe.decimal_comma, self.settings.answers.decimal_comma, stated)
        # A file whose own cells speak against it is read as one of which nothing is known.
        return told if self.shown_comma in {None, told} else None

    def unit(self, contract_unit: str) -> str | None:
        """The unit of a column that states none: as answered, or as the fleet states."""
        units, answers, own = self.settings.units, self.settings.answers, self.recipe
        stated = units.model_fields_set
        length = _first(own.length, answers.length, units.length if "length" in stated else None)
        distance = _first(
            own.distance, answers.distance, units.distance if "distance" in stated else None
        )
        unit = {"mm": length, "km": distance}.get(contract_unit)
        return None if unit == "ask" else unit

    def words_of(self, heading: str) -> dict[str, str]:
        """The file's own words of a column, as they are compared."""
        for own, words in self.recipe.values.items():
            if key_of(own) == key_of(heading):
                return {spelled(word): meaning for word, meaning in words.items()}
        return {}


def _first(*told: Told | None) -> Told | None:
    return next((value for value in told if value is not None), None)


@dataclass(frozen=True)
class _Reader:
    """The columns of a table, each read once however many parts it is of."""

    table: Table
    way: _Way
    columns: list[_Column]
    lacking: Mapping[int, str] = field(default_factory=dict)
    unmatched: Mapping[int, str] = field(default_factory=dict)
    idle_rows: Mapping[int, str] = field(default_factory=dict)
    read: dict[tuple[int, str], tuple[pl.Series, pl.Series]] = field(default_factory=dict)

    @cached_property
    def cells(self) -> Cells:
        rows = self.table.body.with_columns(shape_problem=pl.lit(None, dtype=pl.String))
        return Cells(self.table.heading.cells, rows, is_text=True)

    @cached_property
    def slid(self) -> pl.Series:
        return slid(self.table.is_text, self.table.heading, self.table.body)

    @cached_property
    def disc(self) -> pl.Series:
        """What a row says of being a disc brake's, in any column; null where none does."""
        told = pl.lit(None, dtype=pl.String)
        for position, heading in enumerate(self.table.heading.cells):
            cells = self.table.body[f"c{position}"]
            words = {c for c in cells.unique().drop_nulls() if says_disc(c)}
            text = pl.format('{}: found "{}"; accepted: drum brakes', pl.lit(heading), cells.name)
            told = pl.when(pl.col(cells.name).is_in(words)).then(text).otherwise(told)
        return self.table.body.select(told.alias("disc")).to_series()

    @cached_property
    def blank(self) -> pl.Series:
        """What may be that of the row above, and is not said to be; null where nothing is."""
        return self._by_row(self.lacking)

    @cached_property
    def reversal(self) -> pl.Series:
        """What a row says of taking back a job that is not there; null where it does not."""
        return self._by_row(self.unmatched)

    @cached_property
    def idle(self) -> pl.Series:
        """What a row says of a job with a quantity of 0 that may have been done; null where it is
        none."""
        return self._by_row(self.idle_rows)

    def _by_row(self, told: Mapping[int, str]) -> pl.Series:
        rows = self.table.body["row_no"]
        if not told:
            return pl.Series([None], dtype=pl.String).new_from_index(0, len(rows))
        return pl.Series([told.get(no) for no in rows], dtype=pl.String)

    @cached_property
    def summed(self) -> pl.Series:
        """What a row says of summing up others, in place of its unit; null where it does not."""
        unit = next((c for c in self.columns if c.name == "unit_id"), None)
        if unit is None:
            return pl.Series("summed", [None], dtype=pl.String).new_from_index(
                0, self.table.body.height
            )
        cells, own = self.table.body[f"c{unit.position}"], self.way.words_of(unit.heading)
        words = [
            c for c in cells.unique().drop_nulls() if says_summary(c) and spelled(c) not in own
        ]
        to_say = f'(or, where a unit is called so: [files.values."{unit.heading}"]'
        parts = pl.lit(unit.heading), "unit", pl.lit(f"{SUMMED} {to_say}"), "unit", "unit"
        text = pl.format('{}: found "{}"; {} "{}" = "{}")', *parts)
        told = pl.when(pl.col("unit").is_in(words)).then(text)
        return cells.alias("unit").to_frame().select(told.alias("summed")).to_series()

    @cached_property
    def unsaid(self) -> pl.Series:
        """What a row's status says, where that is neither that its job was done nor that it was
        not; null where it is one of these."""
        status = next((c for c in self.columns if c.name == "status"), None)
        if status is None:
            return pl.Series("unsaid", [None], dtype=pl.String).new_from_index(
                0, self.table.body.height
            )
        cells = self.table.body[f"c{status.position}"]
        told = _status_words(self.table, status.heading, status.position)
        text = f'{status.heading}: found "{{}}"; accepted: done or not done{_to_say(status)})'
        reasons = {c: text.replace("{}", c) for c, meaning in told.items() if not meaning}
        words, said = list(reasons), list(reasons.values())
        return cells.replace_strict(words, said, default=None, return_dtype=pl.String)

    def values(self, column: _Column) -> tuple[pl.Series, pl.Series]:
        """A column's values, and whether anything was written."""
        key = (column.position, column.name)
        if key not in self.read:
            text = self.table.body[f"c{column.position}"]
            several = [self.values(one) for one in column.several]
            if several and _is_added_up(column):
                value = _added_up(several)
            elif several:
                value = _agreed(column.name, several)
            else:
                value = _values(column, text, self.way)
            self.read[key] = self._combined(column, value, text.is_not_null())
        return self.read[key]

    def _combined(
        self, column: _Column, value: pl.Series, here: pl.Series
    ) -> tuple[pl.Series, pl.Series]:
        """A column's values with what another column takes off them, or puts before them."""
        if column.less is not None:
            released, both = self.values(column.less)
            return reading.less(value, released), here & both
        if column.fleet is not None:
            fleet = self.table.body[f"c{column.fleet.position}"]
            named = pl.DataFrame({"fleet": fleet, "unit": value})
            value = named.select(pl.concat_str("fleet", "unit", separator=" ")).to_series()
            return value, here & fleet.is_not_null()
        return value, here


def typed_table(table: Table, settings: Settings) -> Typed:
    """The contract's rows of a table, typed and in mm and km, with what is wrong with each."""
    recipe, name = table.recipe, table.recipe.table
    found = _columns(table)
    table, blank = _from_above(table, found, settings)
    table = _without_zeros(_without_pairs(table, found, settings), found, settings)
    table = _in_words_of_ours(table, found)
    rows_read = (table.body["row_no"] // table.row_parts).n_unique()
    table, undone = _without_undone(table, found)
    typed = [(reading.as_typed(table.body[f"c{i}"], table.own_numbers), t) for _, i, t in found]
    measured = [
        reading.without_currency(cells) if target.name == "cost" else cells
        for cells, target in typed if _is_measured(target, name)
    ]  # fmt: skip
    days = [table.body[f"c{i}"] for _, i, target in found if _is_a_day(target, name)]
    shown = [reading.shown_day_order(days, by) for by in (2, reading.SHOWN_SURELY)]
    way = _Way(recipe, settings, reading.shown_decimals(measured)[0], *shown)
    table, waiting, idle = _without_idle(table, found, way)
    table, unmatched, reversed_ = _without_reversed(table, found, way)
    table, columns = _united(table, [_resolved(*column, way) for column in found])
    columns = _told_apart(_less_released(columns, settings), settings)
    reader = _Reader(table, way, columns, blank, unmatched, waiting)
    job = next((c for c in columns if c.name == "job"), None)
    if job is not None:
        rows, notes = _of_jobs(reader, job)
    else:
        rows, notes = pl.concat(_parts(reader)).sort("row_no"), ()
    mapped = {key_of(own) for own in recipe.columns}
    unused = tuple(h for h in table.heading.cells if h and key_of(h) not in mapped)
    rows = doubted_units(rows, _named_units(reader))
    doubts = (*_doubts(table), *small_odometers(rows), *_depots_in_miles(table, rows))
    told = (*notes, *undone, *idle, *reversed_, *doubts, *_left_alone(table))
    return Typed(name, rows, rows_read, unused, told, PARTS * table.row_parts)


def _depots_in_miles(table: Table, rows: pl.DataFrame) -> Iterator[str]:
    """What is said of depots, in a column of their own, whose odometers may be in miles."""
    depot = next(
        (i for i, m in enumerate(meanings(table.heading.cells)) if m.concept == "depot"), None
    )
    if depot is None or "odometer" not in table.recipe.columns.values():
        return
    places = table.body.select(row=pl.col("row_no"), place=f"c{depot}")
    kept = rows.filter(pl.col("problem").is_null()).with_columns(row=pl.col("row_no") // PARTS)
    mend = "write mi behind each, or put them into a file of their own and say so there"
    yield from doubted_places(kept.join(places, on="row").select(COLUMNS), mend)


def _named_units(reader: _Reader) -> dict[str, pl.Series]:
    """By column, the rows of parts whose cells name their unit of measure."""
    named: dict[str, list[int]] = {}
    places = _places(reader)
    for column in reader.columns:
        cells = reader.table.body[f"c{column.position}"]
        says = cells.str.contains(r"\d\s*[\p{L}\"]").fill_null(value=False)
        parts = [i for i, of in enumerate(places) if of == (column.axle, column.side)]
        rows = reader.table.body["row_no"].filter(says)
        parts = parts or list(range(len(places)))
        named.setdefault(column.name, []).extend(no * PARTS + i for no in rows for i in parts)
    return {name: pl.Series(rows, dtype=pl.Int64) for name, rows in named.items()}


def hours_for_km(recipe: OwnFile) -> list[str]:
    """Headings of hours that ``fleet.toml`` has read as an odometer."""
    if recipe.table == "none":
        return []
    told = {own: own_target(value, recipe.table) for own, value in recipe.columns.items() if value}
    return [own for own, t in told.items() if t and t.name == "odometer" and names_hours(own)]


def _doubts(table: Table) -> Iterator[str]:
    """What is doubtful of columns that are read."""
    cells = table.heading.cells
    told = {key_of(own) for own, value in table.recipe.columns.items() if value}
    unstored = [h for i, h in enumerate(cells) if key_of(h) in told and f"c{i}" in table.unstored]
    if unstored:
        yield f"{', '.join(unstored)}: {UNSTORED}"
    for _, i, target in _columns(table):
        if _is_a_day(target, table.recipe.table):
            yield from reading.counted_days(cells[i], table.body[f"c{i}"].drop_nulls())
    for heading in hours_for_km(table.recipe):
        if key_of(heading) in map(key_of, cells):
            yield f"{heading} is read as an odometer, and its heading names hours: {OF_HOURS}"


def _left_alone(table: Table) -> Iterator[str]:
    """What is worth a word of columns that nothing reads."""
    cells, told = table.heading.cells, {key_of(o): t for o, t in table.recipe.columns.items()}
    left = [
        i
        for i, cell in enumerate(cells)
        if cell and not told.get(key_of(cell)) and key_of(cell) not in table.elsewhere
        if not table.body[f"c{i}"].is_null().all()
    ]
    again = [cells[i] for i in left if is_again(cells, i) and key_of(cells[i]) in told]
    if again:
        yield f"left alone, as a heading of the same name stands before: {', '.join(again)}"
    if table.recipe.table == "inspections":
        readings = [c for i in left if (c := cells[i]) not in again and reading_named(c)]
        if readings:
            yield f"left alone, though by their headings readings: {', '.join(readings)}"
    for i in left if table.recipe.table == "work" else ():
        if told_undone := undone_left_alone(cells[i], table.body[f"c{i}"]):
            yield told_undone
    for i in left:
        lines = jobs_in(table.body[f"c{i}"], table.recipe.jobs)
        if lines:
            yield jobs_left_alone(cells[i], lines)


def _from_above(
    table: Table, found: Sequence[tuple[str, int, Target]], settings: Settings
) -> tuple[Table, dict[int, str]]:
    """The table with blank cells filled from above where that is said; where nothing is said, the
    headings of those that may be so, by ``row_no``."""
    held = held_of([(f"c{i}", concept_of(target.name)) for _, i, target in found])
    fill_down = _first(table.recipe.fill_down, settings.answers.fill_down)
    whole = table.body if table.whole is None else table.whole
    if fill_down:
        whole = filled_from_above(whole, held)
        here = whole["row_no"].is_in(table.body["row_no"].implode())
        return replace(table, body=whole.filter(here)), {}
    lacking: dict[int, str] = {}
    if fill_down is None:
        for concept, rows in taken_from_above(whole, held).items():
            heading = table.heading.cells[int(held.of[concept][1:])]
            for row_no in whole["row_no"].filter(rows):
                lacking[row_no] = f"{lacking[row_no]}, {heading}" if row_no in lacking else heading
    return table, lacking


def _in_words_of_ours(table: Table, found: Sequence[tuple[str, int, Target]]) -> Table:
    """The table with nothing in the cells that the file's own words say to be nothing, and with the
    numbers and days that others stand for.

    A row of which then no more is left than unit, day and odometer is none: a note below a card.
    """
    body = table.body
    for heading, position, target in found:
        if target.name == "unit_id":  # a sign of nothing, or for what is not above it, is no name
            cells, own = body[f"c{position}"], _own_words(table.recipe, heading)
            words = [c for c in cells.unique().drop_nulls() if as_written(c) not in own]
            none = [c for c in words if says_nothing(c) or c in DITTOS]
            cells = cells.set(cells.is_in(none).fill_null(value=False), None)
            whole = cells.str.replace(WRITTEN_AS_A_NUMBER, "$1")
            body = body.with_columns(whole.zip_with(cells.is_in(words), cells))
    noted = pl.repeat(value=False, n=body.height, eager=True)
    for heading, position, target in found:
        own = _own_words(table.recipe, heading)
        if not own:
            continue
        cells = body[f"c{position}"]
        told = {c: own[as_written(c)] for c in cells.unique().drop_nulls() if as_written(c) in own}
        plain = _is_measured(target, table.recipe.table) or _is_a_day(target, table.recipe.table)
        changed = {cell: meaning or None for cell, meaning in told.items() if plain or not meaning}
        if changed:
            values = pl.Series(list(changed.values()), dtype=pl.String)
            body = body.with_columns(cells.replace(list(changed), values))
        if target.name in {"axle_no", "side", "position", *DAYS}:
            noted |= cells.is_in([c for c, m in changed.items() if m is None]).fill_null(
                value=False
            )
    if not noted.any():
        return replace(table, body=body)
    rest = [f"c{i}" for _, i, t in found if t.name not in OF_A_CARD]
    left = body.select(pl.any_horizontal(False, pl.col(rest).is_not_null()).alias("left"))
    return replace(table, body=body.filter(~noted | left["left"]))


def _without_pairs(
    table: Table, found: Sequence[tuple[str, int, Target]], settings: Settings
) -> Table:
    """The table with nothing in cells of two strokes, or two ends of a lining, where these are said
    to be left alone."""
    told, changed = settings.answers, list[pl.Series]()
    for _, i, target in found:
        cells = table.body[f"c{i}"]
        if told.stroke_pairs is False and target.name in {"applied_stroke", "stroke"}:
            changed.append(cells.set(reading.are_pairs(cells), None))
        if told.lining_pairs is False and target.name == "lining":
            changed.append(cells.set(reading.are_of_two_ends(cells), None))
    return replace(table, body=table.body.with_columns(changed))


def _without_zeros(
    table: Table, found: Sequence[tuple[str, int, Target]], settings: Settings
) -> Table:
    """The table with nothing in cells of 0, where these are said to be no readings."""
    if settings.answers.zeros != "blank":
        return table
    names = [f"c{i}" for _, i, target in found if target.name in SELDOM_ZERO]
    changed = [table.body[name].set(reading.are_zeros(table.body[name]), None) for name in names]
    return replace(table, body=table.body.with_columns(changed))


def _status_words(table: Table, heading: str, position: int) -> dict[str, str]:
    """What the words of a status mean: done, not done, or nothing that is known."""
    own = _own_words(table.recipe, heading)
    words = table.body[f"c{position}"].unique().drop_nulls()
    told = {word: own.get(as_written(word), status_under(heading, word)) for word in words}
    return {w: meaning if meaning in {"done", "not done"} else "" for w, meaning in told.items()}


def _without_undone(
    table: Table, found: Sequence[tuple[str, int, Target]]
) -> tuple[Table, tuple[str, ...]]:
    """The table without the jobs that their status says were not done, and how many these are."""
    for heading, position, target in found:
        if target.name != "status":
            continue
        told = _status_words(table, heading, position)
        cells = table.body[f"c{position}"]
        undone = cells.is_in([w for w, of in told.items() if of == "not done"])
        undone = undone.fill_null(value=False) & ~_credited(table, found)
        if undone.any():
            counts = cells.filter(undone).value_counts(sort=True).head(3)
            most = ", ".join(f'"{word}" {n:,}' for word, n in counts.iter_rows())
            rows_told = counted(int(undone.sum()), "row")
            note = f"left alone, as {heading} says not done, or void: {rows_told}, as {most}"
            return replace(table, body=table.body.filter(~undone)), (note,)
    return table, ()


OF_A_JOB = {"unit_id", "fleet", "axle_no", "side", "position", "job", "action"}


def _credited(table: Table, found: Sequence[tuple[str, int, Target]]) -> pl.Series:
    """The rows of jobs whose status says that they take back another: credit notes."""
    credited = pl.Series([False]).new_from_index(0, table.body.height)
    if table.recipe.table != "work" or sum(t.name == "done_on" for _, _, t in found) != 1:
        return credited
    for cells in (table.body[f"c{i}"] for _, i, t in found if t.name == "status"):
        words = [word for word in cells.unique().drop_nulls() if says_credit(word)]
        credited |= cells.is_in(words).fill_null(value=False)
    return credited


def _without_reversed(
    table: Table, found: Sequence[tuple[str, int, Target]], way: _Way
) -> tuple[Table, dict[int, str], tuple[str, ...]]:
    """The table without jobs that a later row takes back, and without these rows; why those that
    take back no job here are not read, by ``row_no``; and how many jobs were taken back."""
    at = {name: [(h, f"c{i}") for h, i, t in found if t.name == name] for name in SIGNED}
    signed = [of for name in SIGNED for of in at[name]]
    dated = [f"c{i}" for _, i, t in found if t.name == "done_on"]
    credited = _credited(table, found)
    if table.recipe.table != "work" or len(dated) != 1 or not (signed or credited.any()):
        return table, {}, ()
    body = table.body
    named = body.select(f"c{i}" for _, i, t in found if t.name in OF_A_JOB)
    amounts, quantity = _amounts(table, found, way)
    days = _day_values(body[dated[0]], way)
    pairs, alone = reversals(named, days, amounts, quantity, credited)
    rows, gone = body["row_no"], [i for pair in pairs for i in pair]
    by_status = [h for h, _, t in found if t.name == "status" and credited.any()]
    headings = " or ".join([*by_status, *(heading for heading, _ in signed)])
    said = f"{headings}: takes back a job; {TAKES_BACK}"
    some = ", ".join(f"row {rows[one]} by row {rows[other]}" for one, other in pairs[:3])
    signs = [f"a negative {' or '.join(h for h, _ in signed)}"] if signed else []
    signs += [f"a credit note under {h}" for h in by_status]
    note = (
        f"left alone, as taken back by a row of the same job with {' or '.join(signs)}: "
        f"{counted(len(pairs), 'job')}, as {some}"
    )
    kept = ~pl.Series(range(body.height)).is_in(gone)
    return (replace(table, body=body.filter(kept)), {rows[i]: said for i in alone},
            (note,) if pairs else ())  # fmt: skip


def _amounts(
    table: Table, found: Sequence[tuple[str, int, Target]], way: _Way
) -> tuple[pl.DataFrame, pl.Series]:
    """The costs of jobs, a column each, and their quantities; null where a cell is no number."""
    body = table.body
    numbers = {
        (t.name, f"c{i}"): reading.numbers(
            reading.without_pieces(body[f"c{i}"]) if t.name == "quantity"
            else reading.without_currency(body[f"c{i}"]),
            None, None, decimal_comma=way.decimal_comma,
        ).alias(f"c{i}")
        for _, i, t in found if t.name in SIGNED
    }  # fmt: skip
    none = pl.Series([None], dtype=pl.Float64).new_from_index(0, body.height)
    quantity = next((n for (name, _), n in numbers.items() if name == "quantity"), none)
    return pl.DataFrame([n for (name, _), n in numbers.items() if name == "cost"]), quantity


def _without_idle(
    table: Table, found: Sequence[tuple[str, int, Target]], way: _Way
) -> tuple[Table, dict[int, str], tuple[str, ...]]:
    """The table without jobs of which a quantity of 0 says that nothing was done; why those
    that may have been wait, by ``row_no``; and how many were left out."""
    heading = next((h for h, _, t in found if t.name == "quantity"), "")
    if table.recipe.table != "work" or not heading:
        return table, {}, ()
    amounts, quantity = _amounts(table, found, way)
    undone, paid, doubtful = nothing_done(amounts, quantity)
    rows = table.body["row_no"]
    why = f"{heading}: found 0 beside a cost; accepted: how much was done, or no cost"
    only = (
        f'{heading}: found 0, as in every row; accepted: how much was done (or "{heading}" = "" in '
        "its [[files]], where it says nothing)"
    )
    waiting = {rows[i]: why for i in paid} | {rows[i]: only for i in doubtful}
    note = f"left alone, as {heading} is 0 and nothing was paid: {counted(len(undone), 'row')}"
    kept = ~pl.Series(range(table.body.height)).is_in(undone)
    return replace(table, body=table.body.filter(kept)), waiting, (note,) if undone else ()


def _own_words(recipe: OwnFile, heading: str) -> dict[str, str]:
    """What a column's cells mean, by how they are written."""
    words = next((w for own, w in recipe.values.items() if key_of(own) == key_of(heading)), {})
    return {as_written(word): meaning for word, meaning in words.items()}


def _is_measured(target: Target, table: str) -> bool:
    column = columns_of(table).get(_contract_name(target.name, table))
    return target.name == "stroke" or isinstance(column, dy.Float64)


def _is_a_day(target: Target, table: str) -> bool:
    return isinstance(columns_of(table).get(target.name), dy.Date)


def _columns(table: Table) -> list[tuple[str, int, Target]]:
    """Heading, place and target of every column that is read."""
    told = {key_of(own): value for own, value in table.recipe.columns.items() if value}
    found = []
    for position, heading in enumerate(table.heading.cells):
        target = own_target(told.get(key_of(heading), ""), table.recipe.table)
        if heading and target is not None:
            found.append((heading, position, target))
    return found


def _resolved(heading: str, position: int, target: Target, way: _Way) -> _Column:
    """A column once the answers have been put in."""
    answers = way.settings.answers
    name, opened = target.name, ""
    if name == "stroke":
        name = STROKES[answers.stroke or "free"]
        opened = "" if answers.stroke else 'stroke = "free" or "applied"'
    axle = {"front": 1, "rear": answers.rear_axle}.get(target.axle)
    axle = int(target.axle) if target.axle.isdigit() else axle
    if target.axle == "rear" and axle is None:
        opened = "rear_axle = 2, or its number"
    side = left_or_right(target.side or None, answers.near_side)
    if target.side and side is None:
        opened = 'near_side = "L" or "R"'
    contract = _contract_name(name, way.recipe.table)
    like = PAIRED if name == RELEASED else contract
    unit = (
        target.unit or way.unit(unit_of(columns_of(way.recipe.table)[like]) or "")
        if (like in columns_of(way.recipe.table))
        else None
    )
    return _Column(heading, position, contract, axle, side, unit, opened)


def _united(table: Table, columns: Sequence[_Column]) -> tuple[Table, list[_Column]]:
    """One column for those that are the same of the same place, with the cells of all."""
    alike: dict[tuple[object, ...], list[_Column]] = {}
    for i, column in enumerate(columns):
        of_contract = column.name in columns_of(table.recipe.table)
        key = (column.name, column.axle, column.side, "" if of_contract else i)
        alike.setdefault(key, []).append(column)
    body, united = table.body, []
    for several in alike.values():
        if len(several) == 1:
            united += several
            continue
        position = body.width - 2  # beside row_no and width, all are cells
        cells = pl.concat_str([f"c{c.position}" for c in several], separator=" / ",
                              ignore_nulls=True)  # fmt: skip
        body = body.with_columns(pl.when(cells != "").then(cells).alias(f"c{position}"))
        heading, opened = " / ".join(c.heading for c in several), max(c.open for c in several)
        one = replace(several[0], heading=heading, position=position, open=opened)
        united.append(replace(one, several=tuple(several)))
    return replace(table, body=body), united


def _less_released(columns: Sequence[_Column], settings: Settings) -> list[_Column]:
    """Applied strokes less the released ones of the same place, where that is said; a released one
    is nothing by itself."""
    released = {(c.axle, c.side): c for c in columns if c.name == RELEASED}
    told = settings.answers.less_released
    kept = []
    for column in columns:
        other = released.get((column.axle, column.side)) if column.name == PAIRED else None
        if other is not None and told is None:
            column = replace(column, open="less_released = true or false")
        kept += [replace(column, less=other if told else None)] if column.name != RELEASED else []
    return kept


def _told_apart(columns: Sequence[_Column], settings: Settings) -> list[_Column]:
    """Columns with the unit's told apart by its fleet's, where that is said."""
    fleet = next((c for c in columns if c.name == "fleet"), None)
    told = settings.answers.fleets
    if fleet is None or told == "one":
        return [c for c in columns if c.name != "fleet"]
    opened = "" if told else 'fleets = "apart" or "one"'
    return [
        replace(c, fleet=fleet, open=opened) if c.name == "unit_id" else c
        for c in columns
        if c.name != "fleet"
    ]


def _agreed(name: str, several: Sequence[tuple[pl.Series, pl.Series]]) -> pl.Series:
    """What columns of the same thing say together: of linings the thinnest counts, all else must be
    alike, up to rounding; null where a cell is unreadable or they differ."""
    told = pl.DataFrame([value.alias(f"{i}") for i, (value, _) in enumerate(several)])
    unread = pl.DataFrame([(h & v.is_null()).alias(f"{i}") for i, (v, h) in enumerate(several)])
    first, every = pl.coalesce(pl.all()), pl.all()
    if name == "lining_mm":
        return told.select(pl.min_horizontal(every)).to_series().set(_any(unread), None)
    if told.dtypes[0].is_float():
        differ = (every - first).abs() > ROUNDING * first.abs()
    else:
        differ = every != first
    return told.select(first).to_series().set(_any(unread) | _any(told.select(differ)), None)


def _is_added_up(column: _Column) -> bool:
    """Whether a cost stands in parts: one column for parts, one for labour, by their headings. Two
    of the same, or one that is of no share, may say the same twice, as with and without tax."""
    if column.name != "cost":
        return False
    words = [set(tokens(one.heading)) for one in column.several]
    kinds = [[i for i, share in enumerate(COST_SHARES) if share & of] for of in words]
    told = [kind[0] for kind in kinds if len(kind) == 1]
    return len(words) > 1 and len(set(told)) == len(words)


def _added_up(several: Sequence[tuple[pl.Series, pl.Series]]) -> pl.Series:
    """The sum of what is written; null where a cell is unreadable, or none is."""
    told = pl.DataFrame([value.alias(f"{i}") for i, (value, _) in enumerate(several)])
    unread = pl.DataFrame([(h & v.is_null()).alias(f"{i}") for i, (v, h) in enumerate(several)])
    total = told.select(
        pl.when(pl.any_horizontal(pl.all().is_not_null())).then(pl.sum_horizontal(pl.all()))
    )
    return total.to_series().set(_any(unread), None)


def _any(told: pl.DataFrame) -> pl.Series:
    """Whether any column of booleans holds; unknown ones do not."""
    return told.fill_null(value=False).select(pl.any_horizontal(pl.all())).to_series()


def _contract_name(name: str, table: str) -> str:
    """lining_mm for lining."""
    names = columns_of(table)
    return next((n for n in (name, f"{name}_mm", f"{name}_km") if n in names), name)


def _values(column: _Column, text: pl.Series, way: _Way) -> pl.Series:
    """What a column's cells say, in the contract's type."""
    words = way.words_of(column.heading)
    if column.name == "position":
        return of_words(text, lambda t: _each(t, lambda c: _position(c, words, way)), pl.String())
    if column.name in {"job", "fleet", "status", "quantity"}:
        return text
    if column.name == RELEASED:
        return reading.numbers(text, "length", column.unit, decimal_comma=way.decimal_comma)
    return _typed(columns_of(way.recipe.table)[column.name], column, text, way, words)


def _typed(
    kind: dy.Column, column: _Column, text: pl.Series, way: _Way, words: Mapping[str, str]
) -> pl.Series:
    match kind:
        case dy.Float64():
            measured = KIND_OF.get(unit_of(kind) or "")
            unit = "deg" if measured == "angle" else column.unit
            return reading.numbers(
                _plain(column, text, way), measured, unit, decimal_comma=way.decimal_comma
            )
        case dy.Int64():
            axles = of_words(text, lambda t: _each(t, lambda c: _axle(c, words, way)), pl.String())
            return axles.cast(pl.Int64, strict=False)
        case dy.Date():
            return _day_values(text, way)
        case dy.Bool():
            own = _in_own_words(text, {**_usual_words("bool"), **words})
            return of_words(own, boolean_of, pl.Boolean())
        case dy.Enum() if column.name == "side":
            read = of_words(text, lambda t: _each(t, lambda c: _side(c, words, way)), pl.String())
            return read.cast(kind.dtype)
        case dy.Enum():
            categories = tuple(kind.categories)
            own = _in_own_words(text, {**_usual_words(column.name), **words})
            return of_words(own, lambda t: word_of(t, categories), pl.String()).cast(kind.dtype)
        case _:
            return _in_own_words(text, words)


def _day_values(text: pl.Series, way: _Way) -> pl.Series:
    told = way.settings.answers
    return reading.days(text, day_first=way.day_first, put_back=told.days_exchanged,
                        week_day=told.week_day)  # fmt: skip


def _plain(column: _Column, text: pl.Series, way: _Way) -> pl.Series:
    """Cells of numbers, with nothing beside these and their units."""
    if column.name == "cost":
        return reading.without_currency(text)
    if column.name == PAIRED and way.settings.answers.stroke_pairs:
        text = reading.less_released(text)
    if _is_in_mm(column) and way.settings.answers.lining_pairs:
        text = reading.thinner(text)
    if _may_be_blank(column, text, way):
        text = text.set(reading.are_zeros(text), "0 ?")  # neither nothing nor a reading
    return text


def _is_in_mm(column: _Column) -> bool:
    """Whether a column is of linings, and 5/8 in it no fraction of an inch."""
    return column.name == "lining_mm" and column.unit in {"mm", "cm", None}


def _may_be_blank(column: _Column, text: pl.Series, way: _Way) -> bool:
    """Whether the zeros of a column may be no readings, and nothing says whether they are."""
    is_asked = column.name.removesuffix("_mm") in SELDOM_ZERO and way.settings.answers.zeros is None
    return is_asked and reading.has_many_zeros(text)


def _each(text: pl.Expr, read: object) -> pl.Expr:
    return text.map_elements(read, return_dtype=pl.String)  # type: ignore[arg-type]


@cache
def _usual_words(column: str) -> dict[str, str]:
    """Words that mean one thing whoever writes them; letters are left to the file's own."""
    return {word: told for word, told in cell_words(column).items() if len(word) > 1}


def _in_own_words(text: pl.Series, words: Mapping[str, str]) -> pl.Series:
    """Cells in the contract's words where the file's own are known, else as they are."""
    if not words:
        return text
    return of_words(
        text, lambda t: _each(t, lambda cell: words.get(spelled(cell), cell)), pl.String()
    )


def _side(cell: str, words: Mapping[str, str], way: _Way) -> str | None:
    """A side's letter: as the file's words say, or a word that has one meaning anywhere."""
    told = words.get(spelled(cell), cell)
    if told in {"L", "R", "near", "off"}:
        return left_or_right(told, way.settings.answers.near_side)
    place = place_in(tokens(told), {}, offside=False)
    if place.rest or place.axle is not None or place.side is None or "?" in told:
        return {"l": "L", "r": "R"}.get(cell.casefold())
    return left_or_right(place.side, way.settings.answers.near_side)


def _axle(cell: str, words: Mapping[str, str], way: _Way) -> str | None:
    told = words.get(spelled(cell), cell)
    if number := axle_of_cell(told):
        return number
    place = place_in(tokens(told), {}, offside=False)
    if place.rest or place.side or place.why or not told.strip() or "?" in told:
        return None
    axle = place.axle
    if isinstance(axle, int):
        return str(axle)
    return {"front": "1", "rear": str(way.settings.answers.rear_axle or "")}.get(axle or "")


def _position(cell: str, words: Mapping[str, str], way: _Way) -> str | None:
    """An axle and side as 2L."""
    told = words.get(spelled(cell), cell)
    place = place_in(place_of_cell(told), {"l": "L", "r": "R"}, offside="ns" in told.casefold())
    side = left_or_right(place.side, way.settings.answers.near_side)
    axle = {"front": 1, "rear": way.settings.answers.rear_axle}.get(str(place.axle), place.axle)
    if place.rest or place.why or side is None or not isinstance(axle, int):
        return None
    return f"{axle}{side}"


def _places(reader: _Reader) -> list[tuple[int | None, str | None]]:
    """The wheel ends that a row is of; (None, None): its cells say which."""
    if reader.way.recipe.both_sides:
        axles: Sequence[int | None] = sorted({c.axle for c in reader.columns if c.axle is not None})
        return [(axle, side) for axle in (axles or [None]) for side in "LR"]
    placed = {(c.axle, c.side) for c in reader.columns if c.axle is not None or c.side is not None}
    return sorted(placed, key=lambda p: (p[0] or 0, p[1] or "")) or [(None, None)]


def _is_of(reader: _Reader, column: _Column, place: tuple[int | None, str | None]) -> bool:
    """Whether a column is told of a wheel end alone, or of both of its axle."""
    of_both = reader.way.recipe.both_sides and (column.axle, column.side) == (place[0], None)
    return (column.axle, column.side) != (None, None) and (
        (column.axle, column.side) == place or of_both
    )


def _parts(reader: _Reader) -> list[pl.DataFrame]:
    """Typed rows of each wheel end, those left out of which nothing was written."""
    places = _places(reader)
    written = [_written_at(reader, place) for place in places]
    nothing = ~pl.DataFrame(written).select(pl.any_horizontal(pl.all())).to_series()
    frames = []
    for i, (place, here) in enumerate(zip(places, written, strict=True)):
        kept = here | nothing if i == 0 else here
        frames.append(_part(reader, place, i, kept))
    return frames


def _written_at(reader: _Reader, place: tuple[int | None, str | None]) -> pl.Series:
    own = [c for c in reader.columns if _is_of(reader, c, place)]
    body = reader.table.body
    if not own:
        return pl.Series(f"{place}", [True]).new_from_index(0, body.height)
    here = body.select(pl.any_horizontal(pl.col(f"c{c.position}").is_not_null() for c in own))
    return here.to_series().alias(f"{place}")


def _part(
    reader: _Reader, place: tuple[int | None, str | None], index: int, kept: pl.Series
) -> pl.DataFrame:
    """One wheel end's rows: what is told of it alone, and what is told of the row."""
    unplaced = (None, None)
    mine = [c for c in reader.columns if _is_of(reader, c, place) or (c.axle, c.side) == unplaced]
    if place != (None, None):  # what a row cost cannot be told apart by its wheel ends
        mine = [c for c in mine if c.name != "cost" or (c.axle, c.side) == place]
    columns = columns_of(reader.way.recipe.table)
    parsed: dict[str, pl.Series] = {}
    for name, kind in columns.items():
        column = next((c for c in mine if c.name == name), None)
        value, here = reader.values(column) if column else _constant(name, kind, place, kept.len())
        parsed[name], parsed[f"{name}·here"] = value, here
    _take_apart(reader, mine, parsed)
    row_no = reader.table.body["row_no"] * PARTS + index
    body = {
        "width": reader.table.body["width"],
        "slid": reader.slid,
        "disc": reader.disc,
        "struck": _struck(reader, mine),
        "summed": reader.summed,
        "blank": reader.blank,
        "unsaid": reader.unsaid,
        "reversal": reader.reversal,
        "idle": reader.idle,
    }
    frame = pl.DataFrame({"row_no": row_no, **body, **parsed}).filter(kept)
    return _judged(reader, mine, frame, reader.cells.rows.filter(kept))


def _struck(reader: _Reader, mine: Sequence[_Column]) -> pl.Series:
    """What a row says of being struck out, in any of some columns of words, which would be read as
    words all the same; null where it is not."""
    told = pl.lit(None, dtype=pl.String)
    kinds = columns_of(reader.way.recipe.table)
    for column in () if reader.table.is_text else mine:
        if not isinstance(kinds.get(column.name), (dy.String, type(None))):
            continue
        cells = pl.col(f"c{column.position}")
        text = pl.format(
            '{}: found "{}"; accepted: what nobody struck out', pl.lit(column.heading), cells
        )
        told = pl.when(cells.str.ends_with(STRUCK)).then(text).otherwise(told)
    frame = reader.table.body.select("row_no", told.alias("struck"))
    return frame["struck"]


def _constant(
    name: str, kind: dy.Column, place: tuple[int | None, str | None], height: int
) -> tuple[pl.Series, pl.Series]:
    """What the heading says of every row, or nothing."""
    value = {"axle_no": place[0], "side": place[1]}.get(name)
    series = pl.Series([value], dtype=kind.dtype).new_from_index(0, height)
    return series, pl.Series([value is not None]).new_from_index(0, height)


def _take_apart(reader: _Reader, mine: Sequence[_Column], parsed: dict[str, pl.Series]) -> None:
    """Axle and side out of a column that holds both."""
    column = next((c for c in mine if c.name == "position"), None)
    if column is None:
        return
    value, here = reader.values(column)
    parsed["axle_no"] = value.str.extract(r"^(\d+)", 1).cast(pl.Int64)
    parsed["side"] = value.str.extract(r"([LR])$", 1).cast(parsed["side"].dtype)
    parsed["axle_no·here"] = parsed["side·here"] = here


def _judged(
    reader: _Reader,
    mine: Sequence[_Column],
    parsed: pl.DataFrame,
    rows: pl.DataFrame,
    more: Sequence[Problem] = (),
) -> pl.DataFrame:
    table = reader.way.recipe.table
    columns = columns_of(table)
    body = reader.table.body
    sources = {
        c.name: _source(c, columns[c.name], reader.way, body[f"c{c.position}"])
        for c in mine
        if c.name in columns
    }
    position = next((c for c in mine if c.name == "position"), None)
    if position is not None:
        source = _source(position, columns["axle_no"], reader.way, body[f"c{position.position}"])
        sources["axle_no"] = replace(source, accepted=" and a side, as in 2L")
        sources["side"] = replace(source, mends=())
    problems = [
        *more,
        _misshapen(reader.table),
        Problem(pl.col("struck").is_not_null(), "struck out", pl.col("struck")),
        Problem(pl.col("disc").is_not_null(), "disc brake", pl.col("disc")),
        Problem(pl.col("summed").is_not_null(), "sum of other rows", pl.col("summed")),
        Problem(pl.col("unsaid").is_not_null(), "status not readable", pl.col("unsaid")),
        Problem(pl.col("reversal").is_not_null(), TAKES_NOTHING_BACK, pl.col("reversal")),
        Problem(pl.col("idle").is_not_null(), "quantity of 0", pl.col("idle")),
        Problem(pl.col("blank").is_not_null(), "not answered", pl.format(BLANK, "blank")),
        *[_unanswered(c) for c in mine if c.open and c.name in columns],
        *[p for name, c in columns.items() for p in cell_problems(name, c, sources, _PLAIN)],
        *row_problems(table),
    ]
    cells = Cells(reader.cells.headings, rows.with_columns(row_no=parsed["row_no"]), is_text=True)
    return judged(parsed, columns, cells, sources, problems)


def _misshapen(table: Table) -> Problem:
    """A row of an unusual number of cells has slid: usual are the heading's, and many rows'.

    So has any row of a text with something written beyond its heading, as where a comma within a
    number parts it in two.
    """
    counts = table.body["width"].value_counts(name="n")
    usual = counts.filter(pl.col("n") >= USUAL * table.body.height)["width"].to_list()
    text = f"found {{}} cells; accepted: {table.heading.width}, as in the heading{{}}"
    where = ~pl.col("width").is_in([*usual, table.heading.width]) | pl.col("slid")
    why = pl.when("slid").then(pl.lit(f" ({QUOTES})")).otherwise(pl.lit(""))
    return Problem(where, "wrong number of cells", pl.format(text, pl.col("width"), why))


def _unanswered(column: _Column) -> Problem:
    text = (
        f"{column.heading}: fleet.toml does not say how it is meant; accepted: {column.open} under "
        "[answers]"
    )
    return Problem(pl.col(f"{column.name}·here"), "not answered", pl.lit(text))


def _source(column: _Column, kind: dy.Column, way: _Way, cells: pl.Series) -> Source:
    """How a column is told of in a reason, and what in ``fleet.toml`` would mend it."""
    is_any = column.name == "lining_mm" or _is_added_up(column)
    accepted = ", alike in both" * bool(column.several and not is_any)
    match kind:
        case dy.Float64():
            if unit_of(kind) in {"mm", "km"}:
                accepted += f", given in {column.unit}" if column.unit else ", with its unit"
            if column.name == "cost":
                accepted += ", with or without a currency"
            mends = _number_mends(column, unit_of(kind), way, cells)
        case dy.Date():
            mends = _day_mends(column, way, cells.drop_nulls().unique())
        case dy.Bool() | dy.Enum() | dy.Int64():
            mends = _word_mends(column, kind, way, cells)
        case _:
            mends = iter(())
    return Source(column.position, column.heading, 1.0, column.heading, accepted, tuple(mends))


Mends = Iterator[tuple[str, str]]  # a pattern of cells, and what to say of those that it finds


def _to_say(column: _Column) -> str:
    return f' (or say what it means under [files.values."{column.heading}"]'


def _number_mends(column: _Column, unit: str | None, way: _Way, cells: pl.Series) -> Mends:
    what = {"mm": "length", "km": "distance"}.get(unit or "")
    if what and not column.unit:
        is_own = getattr(way.recipe, what) == "ask"
        where = f"{what} in its [[files]]" if is_own else f"{what} under [answers]"
        yield r"\d", f" (or set {where})"
    if column.name == PAIRED and way.settings.answers.stroke_pairs is None:
        yield r"\d\D{0,6}\s[-–—]\s*\d", " (or set stroke_pairs under [answers])"
    if _is_in_mm(column) and way.settings.answers.lining_pairs is None:
        yield r"\d\D{0,6}[/|]\s*\d", " (or set lining_pairs = true or false under [answers])"
    if _may_be_blank(column, cells, way):
        yield reading.ZERO, ' (or set zeros = "blank" or "read" under [answers])'
    is_cost = column.name == "cost"
    if (what or is_cost) and way.decimal_comma is None:
        yield r"\d[.,]\d" if is_cost else TWO_MARKS, " (or set decimal_comma under [answers])"
    yield NO_DIGIT if is_cost else NO_NUMBER, f"{_to_say(column)}, {OR_NOTHING})"


def _day_mends(column: _Column, way: _Way, words: pl.Series) -> Mends:
    if reading.years_may_be_first(words):
        yield "", "; its year may stand first: accepted are years of four figures"
    elif way.settings.answers.days_exchanged is None and reading.were_exchanged(words):
        yield r"^\d{4}-", EXCHANGED
    elif way.settings.answers.week_day is None and any(map(reading.is_week, words)):
        yield r"\p{L}", ' (or set week_day = "monday", or the day that counts, under [answers])'
    elif way.day_first is None:
        yield TWO_ORDERS, " (or set day_first under [answers])"
    yield NO_DAY, f"{_to_say(column)}, {OR_NOTHING})"


def _word_mends(column: _Column, kind: dy.Column, way: _Way, cells: pl.Series) -> Mends:
    lacking = _answer_lacking(column, way, cells)
    yield "", lacking or f"{_to_say(column)})"
    for word, meaning in () if lacking else _known_words(column, kind, way, cells):
        yield f"^{pl.escape_regex(word)}$", f': "{word}" = "{meaning}"'


def _known_words(
    column: _Column, kind: dy.Column, way: _Way, cells: pl.Series
) -> Iterator[tuple[str, str]]:
    """Words of a column that are not read, and mean something beside its others."""
    words = cells.drop_nulls().unique(maintain_order=True).head(MOST_READ)
    own = way.words_of(column.heading)
    read = _values(column, words, way)
    strange = [w for w in words.filter(read.is_null()).head(MOST_PLACES) if spelled(w) not in own]
    if column.name in PLACED:
        known = placed_words(words.head(MOST_PLACES).to_list(), column.name)
    else:
        told_of = "bool" if isinstance(kind, dy.Bool) else column.name
        told = cell_words(told_of) if told_of in CELL_WORDS else {}
        known = {word: told.get(spelled(word), "") for word in strange}
    yield from ((word, known[word]) for word in strange if known.get(word))


def _answer_lacking(column: _Column, way: _Way, cells: pl.Series) -> str:
    """The answer by which words of a column for near, off or rear would be read."""
    if column.name not in {"axle_no", "side", "position"}:
        return ""
    words, answers = way.words_of(column.heading), way.settings.answers
    told = [words.get(spelled(c), c) for c in cells.drop_nulls().unique().head(MOST_PLACES)]
    places = [place_in(tokens(t), {}, offside="ns" in tokens(t)) for t in told]
    if answers.near_side is None and {p.side for p in places} & {"near", "off"}:
        return " (or set near_side under [answers])"
    if answers.rear_axle is None and "rear" in {p.axle for p in places}:
        return " (or set rear_axle under [answers])"
    return ""


def _of_jobs(reader: _Reader, job: _Column) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Work rows of job lines: one for each action on each wheel end that a line names."""
    texts = reader.table.body[f"c{job.position}"]
    shared = [c for c in reader.columns if c is not job]
    base = _base(reader, shared)
    keys = base.select("axle_no", "side").with_columns(line=texts)
    told = _told_of(keys, reader.way)
    joined = keys.with_row_index("at").join(told, on=["axle_no", "side", "line"], nulls_equal=True)
    exploded = joined.explode("jobs").drop_nulls("jobs").unnest("jobs").sort("at", "place")
    at = exploded["at"]
    share = _share_of_cost(base["cost"][at], exploded)
    parsed = base[at].with_columns(
        row_no=reader.table.body["row_no"].gather(at) * PARTS + exploded["place"],
        width=reader.table.body["width"].gather(at),
        slid=reader.slid.gather(at),
        disc=reader.disc.gather(at),
        struck=_struck(reader, reader.columns).gather(at),
        summed=reader.summed.gather(at),
        blank=reader.blank.gather(at),
        unsaid=reader.unsaid.gather(at),
        reversal=reader.reversal.gather(at),
        idle=reader.idle.gather(at),
        # A line of no known wheel end says so; its row's own axle and side are not what is wrong.
        axle_no=exploded["axle"].fill_null(base["axle_no"][at]),
        side=exploded["job_side"].cast(base.schema["side"]).fill_null(base["side"][at]),
        action=exploded["action"].cast(base.schema["action"]),
        reason=pl.coalesce(base["reason"][at], exploded["reason"].cast(base.schema["reason"])),
        cost=share,
        # A cost that is left out, since nobody can say how it is shared, is not one left unread.
        **{"cost·here": base["cost·here"][at] & (base["cost"][at].is_null() | share.is_not_null())},
    )
    parsed = parsed.with_columns(
        *[pl.lit(value=True).alias(f"{name}·here") for name in ("axle_no", "side", "action")],
        **{"problem·job": exploded["problem"]},
    )
    quoted = pl.format(
        f'{job.heading.replace("{", "{{").replace("}", "}}")}: found "{{}}"', "job·text"
    )
    problem = Problem(
        pl.col("problem·job") != "",
        "job of no known wheel end",
        pl.format("{}, which {}; accepted: {}", quoted, "problem·job", _accepted(reader.way)),
    )
    other = Problem(
        pl.col("other_unit").is_not_null(),
        "job of another unit",
        pl.format("{}, which names {}; accepted: jobs of its row's own unit", quoted, "other_unit"),
    )
    named = other_units(texts, base["unit_id"]).gather(at)
    parsed = parsed.with_columns(named, **{"job·text": texts.gather(at)})
    rows = _judged(reader, shared, parsed, reader.cells.rows[at], [problem, other])
    return rows, (*_other_lines(texts, exploded), *_shared_costs(base["cost"][at], exploded))


def _accepted(way: _Way) -> pl.Expr:
    """What a job must name; an answer may stand for the side of an axle that is relined."""
    usual = "an axle and a side"
    if way.settings.answers.axle_alone is not None:
        return pl.lit(usual)
    alone = (pl.col("action") == "reline") & pl.col("problem·job").str.ends_with(jobs.NO_SIDE)
    answer = f'axle_alone = "both" or "unknown" under [answers], or {usual}'
    return pl.when(alone).then(pl.lit(answer)).otherwise(pl.lit(usual))


def _share_of_cost(cost: pl.Series, told: pl.DataFrame) -> pl.Series:
    """What a line cost, by its wheel ends; nobody can say how jobs of several kinds share it."""
    jobs_of_line = told.select(n=pl.len().over("at"), kinds=pl.col("action").n_unique().over("at"))
    shared = pl.DataFrame({"cost": cost, **jobs_of_line.to_dict()}).select(
        pl.when(pl.col("kinds") == 1).then(pl.col("cost") / pl.col("n"))
    )
    return shared.to_series()


def _shared_costs(cost: pl.Series, told: pl.DataFrame) -> tuple[str, ...]:
    several = told.filter(cost.is_not_null()).filter(pl.len().over("at") > 1)
    if several.is_empty():
        return ()
    left_out = several.filter(pl.col("action").n_unique().over("at") > 1)["at"].n_unique()
    return (
        f"{counted(several['at'].n_unique(), 'line')} of several wheel ends or jobs: their cost is "
        f"shared equally, or left out where they did several things ({counted(left_out, 'line')})",
    )


def _base(reader: _Reader, shared: Sequence[_Column]) -> pl.DataFrame:
    parsed: dict[str, pl.Series] = {}
    height = reader.table.body.height
    for name, kind in columns_of("work").items():
        column = next((c for c in shared if c.name == name), None)
        value, here = (
            reader.values(column) if column else _constant(name, kind, (None, None), height)
        )
        parsed[name], parsed[f"{name}·here"] = value, here
    _take_apart(reader, shared, parsed)
    return pl.DataFrame(parsed)


def _told_of(keys: pl.DataFrame, way: _Way) -> pl.DataFrame:
    """The jobs of every different line, read once."""
    words, answers = way.recipe.jobs, way.settings.answers
    lines = keys.unique(maintain_order=True).drop_nulls("line")
    told = []
    for axle, side, line in lines.select(pl.col("axle_no"), pl.col("side"), "line").iter_rows():
        both = answers.axle_alone == "both"
        ground = jobs.Ground(answers.near_side, answers.rear_axle, axle, side, both)
        told.append(
            [
                {"place": i, "action": j.action, "reason": j.reason, "axle": j.axle,
                 "job_side": j.side, "problem": j.problem, "is_known": j.is_known}
                for i, j in enumerate(jobs.jobs_of(line, words, ground))
            ]
        )  # fmt: skip
    kind = pl.List(
        pl.Struct(
            {"place": pl.Int64, "action": pl.String, "reason": pl.String, "axle": pl.Int64,
             "job_side": pl.String, "problem": pl.String, "is_known": pl.Boolean}
        )
    )  # fmt: skip
    return lines.with_columns(jobs=pl.Series(told, dtype=kind))


def _other_lines(texts: pl.Series, told: pl.DataFrame) -> tuple[str, ...]:
    """How many lines tell of no known job, and which most; apart, those that name a part."""
    known = told.filter("is_known")["at"].unique()
    others = texts.filter(~pl.Series(range(texts.len())).is_in(known.implode())).drop_nulls()
    counts = others.value_counts(sort=True, name="n")
    named = counts.to_series().map_elements(jobs.names_a_part, return_dtype=pl.Boolean)
    notes = []
    unsaid = (
        "count as other, unless [files.jobs.actions] in fleet.toml says more: {} naming "
        f"{BRAKE_PARTS}, with nothing known done to them"
    )
    for of, text in ((named, unsaid), (~named, "count as other: {} that fit no pattern")):
        some = counts.filter(of)
        if not some.is_empty():
            most = ", ".join(f'"{line[:60]}" {n:,}' for line, n in some.head(3).iter_rows())
            lines = counted(int(some["n"].sum()), "job line")
            notes.append(f"{text.format(lines)}, as {most}")
    return tuple(notes)
