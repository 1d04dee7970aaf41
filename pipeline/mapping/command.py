"""``drumline map``: looks at a lake's files, says what it takes them for, and writes that down."""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.errors import UnreadableFileError, UserError
from pipeline.lake.lake import LEFT_ALONE, SETTINGS_FILE, Lake, LakeFile, opened_lake
from pipeline.lake.loading import contract_cells
from pipeline.mapping.applying import QUOTES, hours_for_km
from pipeline.mapping.findings import (
    NOTHING_OF_OURS,
    PLACED,
    READ_AS,
    UNSTORED,
    ColumnFound,
    TableFound,
    jobs_left_alone,
    jobs_to_come,
    place_named,
    reading_named,
    tables_found,
    with_fleets,
)
from pipeline.mapping.grids import HIDDEN, Grid
from pipeline.mapping.headings import INSPECTED, OF_HOURS, WHERE_ALONE
from pipeline.mapping.job_lines.jobs import kinds_of
from pipeline.mapping.questions import (
    Question,
    Value,
    agreeing,
    as_told,
    asked,
    chosen,
    own_units_given,
    questions,
    with_units_of_sheets,
)
from pipeline.mapping.reading import counted_days
from pipeline.mapping.shapes import SHEET, shaped_grids
from pipeline.mapping.words import tokens
from pipeline.mapping.writing import (
    Form,
    forms,
    is_read_otherwise,
    settings_text,
    settling,
    without_own_part,
)
from pipeline.places import Place
from pipeline.settings import JobWords, OwnFile, Settings, settings_from
from pipeline.values import CAP_STATES, REASONS, counted

Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Mapped:
    """What a map found: forms, files that cannot be read, and how many questions stay open."""

    forms: tuple[Form, ...]
    unreadable: tuple[str, ...]
    open_questions: int
    others_read: bool

    @property
    def is_clear(self) -> bool:
        usable = [form.found.is_usable for form in self.forms]
        known = [form.found.table == "none" for form in self.forms]
        clear = all(a or b for a, b in zip(usable, known, strict=True))
        something = self.others_read or any(usable) or not self.forms
        return clear and something and not self.unreadable and not self.open_questions


def map_lake(where: Place, ask: Callable[[str], str] | None, tell: Tell) -> Mapped:
    """Look at every file, ask what cannot be told, and write the findings into ``fleet.toml``.

    ``ask`` is None where nobody sits at a terminal: questions are then written as comments.

    Raises
    ------
    UserError
        There is no such lake, or its settings cannot be read or written.
    """
    if not isinstance(where, Path):
        raise UserError(f"{where}: found an address; accepted for map: a folder")
    path = where / SETTINGS_FILE
    text = path.read_bytes().decode("utf-8-sig") if path.exists() else ""
    whole = settings_from(text.encode(), SETTINGS_FILE)
    own = settings_from(without_own_part(text).encode(), SETTINGS_FILE)
    with opened_lake(where) as lake:
        found, unreadable, others, hidden = _looked_at(lake, own)
    found = with_fleets(found)
    settled = [settling(t, own.files) for t in found]
    left = [t for t, recipe in zip(found, settled, strict=True) if recipe is None]
    left, named = with_units_of_sheets(left, whole.answers.sheet_units, ask, tell)
    shown = forms(agreeing(chosen(left, ask, tell) if ask else left, whole), own.files)
    told = [(t, recipe) for t, recipe in zip(found, settled, strict=True) if recipe is not None]
    by_hand = [as_told(t, recipe) for t, recipe in told if recipe.table != "none"]
    open_questions = questions([*(form.found for form in shown), *by_hand], whole)
    for form in shown:
        _show(form, tell)
    for table, recipe in told:
        _show_told(table, recipe, tell)
    answers = _given_before(whole, own) | own_units_given([form.found for form in shown], whole)
    answers |= named | (asked(open_questions, ask, tell) if ask else {})
    new = settings_text(text, shown, answers, open_questions)
    settings_from(new.encode(), SETTINGS_FILE)  # what is written can be read
    _write(path, text, new)
    still_open = [question for question in open_questions if question.key not in answers]
    _say_what_is_left(shown, [*hidden, *unreadable], still_open, tell)
    others |= len(left) < len(found)
    return Mapped(tuple(shown), tuple(unreadable), len(still_open), others)


def _show_told(table: TableFound, recipe: OwnFile, tell: Tell) -> None:
    """What is worth a word of a table that is read as a person has written."""
    hours = [
        f"{heading}: read as an odometer; hours {OF_HOURS}" for heading in hours_for_km(recipe)
    ]
    if table.job_lines or hours:
        tell(f"{table.path}: {counted(table.row_count, 'row')}, read as {SETTINGS_FILE} says")
    for line in hours:
        tell(f"  {line}")
    if table.job_lines:
        _show_jobs(table, recipe.jobs, tell)


def _given_before(whole: Settings, own: Settings) -> dict[str, Value]:
    """Answers that stand in the part that is written anew."""
    before = whole.answers.model_dump(exclude_unset=True)
    return {k: v for k, v in before.items() if k not in own.answers.model_fields_set}


def _write(path: Path, before: str, after: str) -> None:
    """The settings, whole or not at all."""
    if after == before:
        return
    aside = path.with_name(f"{path.name}.new")
    aside.write_bytes(after.encode())
    aside.replace(path)


NO_TABLE = "no heading with rows below it is found in it; accepted: cells parted by ; tab , or |"


def _looked_at(
    lake: Lake, settings: Settings
) -> tuple[list[TableFound], list[str], bool, list[str]]:
    """Tables of every file that is not in the contract's form, files that cannot be read, whether
    any file is in that form, and sheets and documents that are left alone."""
    found: list[TableFound] = []
    unreadable: list[str] = []
    hidden: list[str] = []
    seen: set[str | None] = set()
    others = False
    for file in lake.files():
        if file.sha256 is None:
            of_no_records = (file.problem or "").startswith(LEFT_ALONE)
            (hidden if of_no_records else unreadable).append(f"{file.path}: {file.problem}")
            continue
        if file.sha256 in seen:
            continue
        seen.add(file.sha256)
        try:
            grids = _grids_of(lake, file, settings)
            others |= grids is None
            shown = [grid for grid in grids or () if not grid.is_hidden]
            tables = [t for grid in shown for t in tables_found(grid, file.path, settings)]
            read = [t for grid in shown for t in tables if t.sheet == grid.name
                    and is_read_otherwise(t, grid, file.path, settings.files)]  # fmt: skip
            others |= bool(read)
            found += [table for table in tables if table not in read]
            hidden += [f"{file.path} [{g.name}]: {HIDDEN}" for g in grids or () if g.hidden_table]
            if grids is not None and not tables:
                unreadable.append(f"{file.path}: {NO_TABLE}")
        except UnreadableFileError as error:
            unreadable.append(f"{file.path}: found {error}")
    return found, unreadable, others, hidden


def _grids_of(lake: Lake, file: LakeFile, settings: Settings) -> list[Grid] | None:
    """None where the file is in the contract's form."""
    content = lake.read(file)
    if contract_cells(file, content, settings) is not None:
        return None
    return shaped_grids(content, Path(file.path))


def _show(form: Form, tell: Tell) -> None:
    """A form, column by column: heading, examples, what it is taken for."""
    found = form.found
    files = ", ".join(form.places[:3]) + (" …" if len(form.places) > 3 else "")
    kind = f"taken for {found.table}" if found.is_usable else "left alone"
    tell(f"{files}: {counted(form.row_count, 'row')}, {kind}")
    if found.table == "none":
        tell(f"  {found.dead_end or NOTHING_OF_OURS}")
    if found.missing and found.table != "none":
        tell(
            f"  it looks like {found.table}, but no column is understood as "
            f"{', '.join(found.missing)}{_ABOVE * ('unit_id' in found.missing)}"
        )
        _show_how_to_name(found, tell)
        _show_axle_in_unit(found, tell)
    for column in found.columns:
        _show_column(column, found, tell)
    _show_to_come(form, tell)
    _show_doubts(found, tell)
    _show_rows_lost(found, tell)
    _show_dead_ends(found, tell)
    _show_lost(found, tell)
    if found.is_usable:
        for column in found.columns:
            if column.jobs:
                tell(f"  {jobs_left_alone(column.heading, column.jobs)}; {_to_read_jobs(column)}")
        _show_jobs(found, JobWords(), tell)


_ENDS_IN_AXLE = re.compile(r"(.*\w)[-/. _]([1-9])")


def _show_axle_in_unit(found: TableFound, tell: Tell) -> None:
    """What would do where units seem to have their axle behind them: they may be units of a name
    each, so nothing is cut."""
    units = [c for c in found.columns if c.target == "unit_id" and "axle_no" in found.missing]
    for column in units:
        ends = [_ENDS_IN_AXLE.fullmatch(name) for name in column.examples]
        stems = [end[1] for end in ends if end]
        if len(stems) == len(column.examples) > len(set(stems)):
            tell(
                f"  {column.heading}: may end in the axle, as {column.examples[0]}; what would do: "
                "a column for the axle"
            )


def _show_to_come(form: Form, tell: Tell) -> None:
    """Files and sheets of jobs that are called as if these were not done."""
    for place in form.places if form.found.table == "work" and form.found.is_usable else ():
        path, _, sheet = place.removesuffix("]" * place.endswith("]")).partition(" [")
        first = next(c.heading for c in form.found.columns if c.target)
        if told := jobs_to_come(path, sheet, first):
            tell(f"  {place}: {told}")


def _show_doubts(found: TableFound, tell: Tell) -> None:
    """What the cells of columns that are read leave open."""
    for column in found.columns:
        if column.target.endswith("_on"):
            for line in counted_days(column.heading, column.examples):
                tell(f"  {line}")
    if found.unstored:
        tell(f"  {', '.join(found.unstored)}: {UNSTORED}")


_STRANGE = ("not understood", "no concept of")
# Contract names of what a heading is understood as.
_NAMED = {"unit_id": "unit_id", "date": "inspected_on", "odometer": "odometer_km"}


# First or last words of a heading that names rows of another table.
_REFERS = {"id", "key", "ref", "fk", "no", "nr", "n", "num", "numero", "nummer", "number", "numer"}


def _show_how_to_name(found: TableFound, tell: Tell) -> None:
    """What to write of headings that are not understood, where they may be what is lacking; what
    would do where they name rows of another table."""
    lacking = [_NAMED[one] for one in found.missing if one in _NAMED]
    strange = [c.heading for c in found.columns if c.why.startswith(_STRANGE) and c.examples]
    if found.table != "inspections" or not lacking or not strange:
        return
    refers = [heading for heading in strange if len(tokens(heading)) > 1
              and _REFERS & {*tokens(heading)[:1], *tokens(heading)[-1:]}]  # fmt: skip
    if refers and len(lacking) > 1:
        tell(
            f"  {', '.join(refers)}: may name rows of another file, and files are not joined; what "
            "would do: one export with unit, day and odometer in every row, or both as sheets of "
            "one workbook"
        )
        return
    lines = ", ".join(f'"its heading" = "{name}"' for name in lacking)
    some = ", ".join(strange[:4]) + " …" * (len(strange) > 4)
    tell(f'  if one of {some} is it, in {SETTINGS_FILE}: table = "inspections", {lines}')


def _show_column(column: ColumnFound, found: TableFound, tell: Tell) -> None:
    examples = ", ".join(column.examples) if column.target != "inspector" else "not shown"
    sure = "" if not column.asks else f" (once answered: {', '.join(sorted(column.asks))})"
    alike = [c.target for c in found.columns].count(column.target) > 1
    of_several = "added up" if column.target == "cost" else "the thinnest of several counts"
    sure += f" ({of_several})" * bool(alike and column.target)
    tell(f"  {column.heading or '(no heading)'} | {examples[:60]} | {column.told}{sure}")


def _show_dead_ends(found: TableFound, tell: Tell) -> None:
    """Columns that can be of no use, and what would do, a line for those alike."""
    alike: dict[str, list[str]] = {}
    for column in found.columns:
        if column.dead_end:
            alike.setdefault(column.dead_end, []).append(column.heading)
    for why, headings in alike.items():
        tell(f"  {', '.join(headings[:4])}{' …' * (len(headings) > 4)}: {why}")


def _show_rows_lost(found: TableFound, tell: Tell) -> None:
    """Rows that will be set aside, and columns of another table than this."""
    if not found.is_usable:
        return
    if found.slid:
        rows = counted(found.slid, "row")
        tell(f"  {rows} with cells beyond the heading will be set aside: {QUOTES}")
    if found.sums:
        tell(f"  rows of {', '.join(found.sums[:4])} sum up others, and will be set aside")
    _show_elsewhere([c.heading for c in found.columns if _OF_OTHERS in c.why], tell)


_SHOWN = 5  # wordings of each kind of job
_SHOWN_OTHERS = 20


def _show_jobs(found: TableFound, words: JobWords, tell: Tell) -> None:
    """What the job lines become, kind by kind, so that a person sees what is taken for a reline."""
    for kind, told in kinds_of(found.job_lines, words).items():
        tell(f"  {counted(sum(n for _, n in told), 'job line')}: {kind}")
        most = _SHOWN_OTHERS if kind.startswith("other") else _SHOWN
        for line, count in told[:most]:
            tell(f"    {count:,} × {line[:80]}")
        if len(told) > most:
            tell(f"    and {counted(len(told) - most, 'other wording')}")


_OF_OTHERS = " is no column of "
_ABOVE = (
    " (a column, or a line above the rows such as Unit: T101; of a sheet for each unit "
    f'"{SHEET}" = "unit_id")'
)


def _reading_in(column: ColumnFound) -> str:
    """What a column that is left alone seems to be a reading of; empty where it is none."""
    return "" if _OF_OTHERS in column.why else reading_named(column.heading)


def _show_elsewhere(headings: list[str], tell: Tell) -> None:
    if headings:
        tell(
            f"  not read from here: {', '.join(headings)}; what they hold belongs into a table of "
            "its own: jobs with unit, axle, side, day and odometer, or a register"
        )


def _to_read_jobs(column: ColumnFound) -> str:
    """What to write so that the jobs of a column are read."""
    return (
        f"to read them, in {SETTINGS_FILE} a second [[files]] of the same columns: "
        f'table = "work", "{column.heading}" = "job"'
    )


# What a word of a column may be said to mean.
_ACCEPTED = {"return_test": "pass or fail", "cap_state": " or ".join(CAP_STATES),
             "marks_aligned": "yes or no", **PLACED, "reason": " or ".join(REASONS)}  # fmt: skip


def _show_lost(found: TableFound, tell: Tell) -> None:
    """Columns that would be read if it were said how."""
    left = [
        c for c in found.columns
        if c.examples and not (c.target or c.dead_end or c.why.startswith(READ_AS))
    ]  # fmt: skip
    readings = [
        replace(c, meant=c.meant if c.meant.startswith(named) else named)
        for c in left if (named := _reading_in(c))
    ]  # fmt: skip
    where = [
        replace(c, meant=f"{place} lining_mm")
        for c in left if c.why == WHERE_ALONE and (place := place_named(c.heading))
    ]  # fmt: skip
    shown = {c.heading for c in readings} | {SHEET}
    sides = [c for c in left if c.meant == "side" and not c.strange and "side" in found.missing]
    others = [
        c for c in left
        if c.meant and (c.meant != "side" or c.strange) and c.heading not in shown
    ]  # fmt: skip
    kinds = (
        (readings, "seems to hold readings", ""),
        (where, "says where on the unit and not what was read", " if it is a lining in mm"),
        (sides, "holds sides", ""),
        (others, "has a known heading", ""),
    )
    for columns, told, doubt in kinds:
        if columns:
            some = ", ".join(c.heading for c in columns[:4]) + (" …" if len(columns) > 4 else "")
            tell(
                f"  {told}, and is left alone: {some}; to read it, in {SETTINGS_FILE}: "
                f"{_lines_for(columns[0], found)}{doubt}, or what it is"
            )


_PLACE = " after its axle and side (as in 2L lining_mm)"


def _lacks_place(column: ColumnFound, found: TableFound) -> bool:
    """Whether neither a heading nor another column says where something was read."""
    said = {c.target.rpartition(" ")[2] or c.why.partition(",")[0] for c in found.columns}
    placed = said & {"side", "position"}
    return column.meant.startswith(tuple(INSPECTED)) and not placed


def _lines_for(column: ColumnFound, found: TableFound) -> str:
    """What to write so that a column is read."""
    table = found.table if found.table != "none" else "inspections"
    lines = [] if found.is_usable else [f'table = "{table}"']
    lines.append(f'"{column.heading}" = "{column.meant}"{_PLACE * _lacks_place(column, found)}')
    name = column.meant.rpartition(" ")[2]
    if column.strange and name in _ACCEPTED:
        told = f'"{column.strange}" = what it means: {_ACCEPTED[name]}; "" for nothing'
        lines.append(f'under [files.values."{column.heading}"] {told}')
    return ", ".join(lines)


def _say_what_is_left(
    shown: list[Form], left: list[str], open_questions: list[Question], tell: Tell
) -> None:
    for line in left:
        tell(line)
    if shown:
        usable = sum(form.found.is_usable for form in shown)
        tell(
            f"{usable} of {len(shown)} forms can be read; {SETTINGS_FILE} says how, and can be "
            "corrected"
        )
    elif not left and not open_questions:
        tell(f"every table is in the contract's form, or read as {SETTINGS_FILE} says")
    if open_questions:
        _say_what_is_open(open_questions, tell)


def _say_what_is_open(open_questions: Sequence[Question], tell: Tell) -> None:
    to_answer = counted(len(open_questions), "question")
    named = {"[[files]]" if q.is_of_a_form else "[answers]" for q in open_questions}
    where = " and ".join(sorted(named, reverse=True))
    keys = ", ".join(q.key for q in open_questions)
    tell(f"{to_answer} to answer under {where} in {SETTINGS_FILE}: {keys}")
