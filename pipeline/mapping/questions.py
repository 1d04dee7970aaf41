"""What files do not say of themselves, asked once for all of them."""

from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

from pipeline.mapping.findings import WHOSE, ColumnFound, TableFound, with_choice, with_columns
from pipeline.mapping.job_lines.jobs import is_of_an_axle_alone
from pipeline.mapping.reading import WEEK_DAYS
from pipeline.mapping.shapes import SHEET
from pipeline.mapping.tables import is_of, key_of
from pipeline.mapping.words import KINDS, MEASURED, tokens
from pipeline.settings import JobWords, OwnFile, Settings, Target, own_target

Value = str | bool | int


@dataclass(frozen=True, slots=True)
class Question:
    """One key of ``[answers]``, or of a ``[[files]]``: what to ask, what may be said, and what is
    taken if nothing is."""

    key: str
    text: str
    choices: dict[str, Value]
    default: str
    where: str
    is_of_a_form: bool = False

    @property
    def accepted(self) -> list[str]:
        """Each choice by its word, and by its value where that is another."""
        return [
            word if str(value).casefold() == word.casefold() else f"{word} ({_written(value)})"
            for word, value in self.choices.items()
        ]


def _written(value: Value) -> str:
    """A value as ``fleet.toml`` has it, without quotes."""
    return str(value).lower() if isinstance(value, bool) else str(value)


ORDER = (
    "fleets",
    "fill_down",
    "day_first",
    "week_day",
    "days_exchanged",
    "decimal_comma",
    "near_side",
    "rear_axle",
    "axle_alone",
    "stroke_pairs",
    "lining_pairs",
    "less_released",
    "stroke",
    "zeros",
    "distance",
    "length",
)


def agreeing(found: Sequence[TableFound], settings: Settings) -> list[TableFound]:
    """Tables of which columns that state no unit can all be in one: that of the answer, or one that
    can still be answered; the others are left alone, and it is said why. A table of which none can
    is asked for by itself. An answer that no column fits is taken at its word."""
    tables = list(found)
    for kind in ("length", "distance"):
        units = _units(tables, kind, getattr(settings.answers, kind))
        asking = [t for t in tables if kind in t.asks]
        apart = _can_be_apart(asking, kind, units)
        tables = [
            _agreeing(t, kind, units, own=(t.path, t.sheet) in apart) if kind in t.asks else t
            for t in tables
        ]
    return tables


def _can_be_apart(
    asking: Sequence[TableFound], kind: str, units: Sequence[str]
) -> set[tuple[str, str]]:
    """Files and sheets that can be told by their names from those in the usual units: by the
    file's, else by the sheet's, where every sheet of that name is in the same units."""
    usual = [t for t in asking if any(set(fit) & set(units) for fit in _fits(t, kind))]
    paths, sheets = {t.path for t in usual}, {t.sheet for t in usual}
    others = [t for t in asking if t not in usual]
    of_sheet: dict[str, set[tuple[str, ...]]] = {}
    for table in others:
        of_sheet.setdefault(table.sheet, set()).add(_common(table, kind))
    by_sheet = {sheet for sheet, of in of_sheet.items() if len(of) == 1} - sheets
    mixed = any(t.path in paths for t in others)
    return {(t.path, t.sheet) for t in others
            if (t.sheet in by_sheet if mixed else t.path not in paths)}  # fmt: skip


def _common(table: TableFound, kind: str) -> tuple[str, ...]:
    """The units that all columns of a table can be in."""
    fits = _fits(table, kind)
    return tuple(unit for unit in KINDS[kind] if all(unit in one for one in fits))


def _units(found: Sequence[TableFound], kind: str, answered: str | None = None) -> tuple[str, ...]:
    """The unit of the answer; else those that most columns can be in, the usual one before others,
    with the units that the same columns can be in."""
    fits = [c.fits for t in found if t.is_usable for c in t.columns if c.target and kind in c.asks]
    of = {unit: tuple(unit in one for one in fits) for unit in KINDS[kind]}
    if answered:
        return (answered,) if any(of[answered]) else KINDS[kind]
    best = max(of.values(), key=sum, default=())
    return tuple(unit for unit, told in of.items() if told == best and any(told))


def _fits(table: TableFound, kind: str) -> list[tuple[str, ...]]:
    """The units that each column that states none can be in."""
    return [c.fits for c in table.columns if c.target and kind in c.asks]


def _agreeing(table: TableFound, kind: str, units: Sequence[str], *, own: bool) -> TableFound:
    """A table with the columns that can be in one of these units; or all in units of its own."""
    fits = _fits(table, kind)
    common = _common(table, kind)
    if own and common and not any(set(one) & set(units) for one in fits):
        here = frozenset({own_key(kind)})
        columns = (
            replace(c, asks=c.asks - {kind} | here) if kind in c.asks else c for c in table.columns
        )
        own_units = (*table.own_units, (kind, common))
        return replace(with_columns(table, tuple(columns)), own_units=own_units)
    return with_columns(table, tuple(_in_one_of(c, kind, units) for c in table.columns))


def own_key(kind: str) -> str:
    """What is asked of a table whose unit is another than that of others."""
    return f"{kind} of these files"


def _place(table: TableFound) -> str:
    return f"{table.path} [{table.sheet}]" if table.sheet else table.path


def form_key(kind: str, found: TableFound) -> str:
    """By which the answer for a form's own unit is known."""
    return f"{kind} of {found.path} {found.sheet}".rstrip()


def _in_one_of(column: ColumnFound, kind: str, units: Sequence[str]) -> ColumnFound:
    if not column.target or kind not in column.asks or set(column.fits) & set(units):
        return column
    if column.fits:
        fits, others = " or ".join(column.fits), " or ".join(units)
        why = f"states no unit, and its cells can be in {fits}, not in {others} as others"
    else:
        why = "states no unit, and its cells are too small or too large in any that is known"
        why += "; shares in percent cannot be used" * (kind == "length")
    unit = "_in" if "in" in column.fits else f"_{column.fits[0]}" if column.fits else ""
    return replace(column, target="", why=why, meant=f"{column.target}{unit}", asks=frozenset())


def questions(found: Sequence[TableFound], settings: Settings) -> list[Question]:
    """What has to be asked of these tables and is not answered yet."""
    found = [_with_lines_asked_of(table) for table in found]
    asked = frozenset[str]().union(*(table.asks for table in found))
    answered = set(settings.answers.model_fields_set)
    answered |= settings.units.model_fields_set
    if settings.fleet.day_first is not None:
        answered.add("day_first")
    if "decimal_comma" in settings.fleet.model_fields_set:
        answered.add("decimal_comma")
    general = [_question(key, found) for key in ORDER if key in asked and key not in answered]
    given = own_units_given(found, settings)
    return [
        *general,
        *(
            _own_question(table, kind, units)
            for table in found
            for kind, units in table.own_units
            if table.is_usable and form_key(kind, table) not in given
        ),
    ]


def own_units_given(found: Sequence[TableFound], settings: Settings) -> dict[str, Value]:
    """The units that some ``[[files]]`` of the settings name for forms with units of their own."""
    given: dict[str, Value] = {}
    for table in found:
        recipes = [f for f in settings.files
                   if (f.files or f.sheets) and is_of(f, table.path, table.sheet)]  # fmt: skip
        for kind, _ in table.own_units:
            for recipe in recipes:
                unit = getattr(recipe, kind)
                if unit not in {None, "ask"}:
                    given[form_key(kind, table)] = unit
    return given


def as_told(table: TableFound, recipe: OwnFile) -> TableFound:
    """A table with its columns as ``fleet.toml`` has them, and what must be known to read them so
    and no ``[[files]]`` says."""
    told = {key_of(own): value for own, value in recipe.columns.items()}
    said = {key for key in ("day_first", "decimal_comma", "fill_down", "length", "distance")
            if getattr(recipe, key) not in {None, "ask"}}  # fmt: skip
    columns = []
    for column in table.columns:
        value = told.get(key_of(column.heading), "")
        target = own_target(value, recipe.table) if value else None
        if target is None:
            columns.append(replace(column, target="", asks=frozenset()))
            continue
        kept = column.asks & OF_CELLS if column.target or column.asks else frozenset[str]()
        kind = _kind_without_unit(target, column)
        asks = (kept | _asked_by(target) | ({kind} if kind else set())) - said
        fits = column.fits or KINDS.get(kind, ())
        columns.append(replace(column, target=value, asks=asks, fits=fits))
    return replace(table, table=recipe.table, columns=tuple(columns), missing=(), own_units=())


OF_CELLS = {
    "fleets",
    "less_released",
    "lining_pairs",
    "zeros",
    "day_first",
    "week_day",
    "days_exchanged",
    "decimal_comma",
    "fill_down",
    "near_side",
    "rear_axle",
    "stroke_pairs",
}


def _asked_by(target: Target) -> set[str]:
    """What must be known to place what a column holds, and to say which stroke it is."""
    asks = {"near_side"} if target.side in {"near", "off"} else set()
    asks |= {"rear_axle"} if target.axle == "rear" else set()
    return asks | ({"stroke"} if target.name == "stroke" else set())


def _kind_without_unit(target: Target, column: ColumnFound) -> str:
    """What a column measures, where neither it nor its cells state a unit."""
    kind = MEASURED.get(target.name, "")
    stated = any(c.isalpha() or c in "\"″”'" for cell in column.examples for c in cell)
    return "" if target.unit or stated or kind not in {"length", "distance"} else kind


def _own_question(table: TableFound, kind: str, units: Sequence[str]) -> Question:
    column = next(c for c in table.columns if c.target and own_key(kind) in c.asks)
    what = {"length": "lengths", "distance": "odometers"}[kind]
    text = f"Which unit have the {what} here? They cannot be in that of other files."
    where = f'"{column.heading}" in {_place(table)}, as in {next(iter(column.examples), "")}'
    choices: dict[str, Value] = {unit: unit for unit in units}
    default = "in" if "in" in units else units[0]
    return Question(form_key(kind, table), text, choices, default, where, is_of_a_form=True)


def _with_lines_asked_of(table: TableFound) -> TableFound:
    """A table whose job lines tell of axles relined, and of no side, with the question what that
    means, and such a line for an example; not where a row says its side itself."""
    bases = {c.target.rpartition(" ")[2] for c in table.columns if c.target}
    if not table.is_usable or "job" not in bases or bases & {"side", "position"}:
        return table
    lines = (line for line, _ in table.job_lines if is_of_an_axle_alone(line, JobWords()))
    alone = next(lines, None)
    if alone is None:
        return table
    return with_columns(table, tuple(
        replace(c, asks=c.asks | {"axle_alone"}, examples=(alone, *c.examples))
        if c.target == "job" else c for c in table.columns))  # fmt: skip


def _question(key: str, found: Sequence[TableFound]) -> Question:
    columns = [
        (t, c) for t in found for c in t.columns if key in c.asks and c.target and t.is_usable
    ]
    table, column = columns[0]
    example = next(
        (e for e in column.examples if _is_telling(key, e)), next(iter(column.examples), "")
    )
    where = f'"{column.heading}" in {table.path}, as in {example}'
    if key == "fill_down":
        headings = ", ".join(f'"{c.heading}"' for t, c in columns if t is table)
        where = f"{headings} in {table.path}, as in {column.blank}"
    if key in KINDS:
        where += _others(columns)
    text, choices, default = _TEXTS[key](example, found)
    return Question(key, text, choices, default, where)


def _others(columns: Sequence[tuple[TableFound, ColumnFound]]) -> str:
    """Other columns that the same answer is for, one of each thing and file."""
    seen = {(t.path, c.target.rpartition(" ")[2]): (t, c) for t, c in reversed(columns)}
    others = [
        f'"{c.heading}" in {t.path}, as in {next(iter(c.examples), "")}'
        for t, c in list(seen.values())[::-1]
        if (t, c) != columns[0]
    ]
    if not others:
        return ""
    more = f" and {len(others) - 3} more" if len(others) > 3 else ""
    return f"; also {'; '.join(others[:3])}{more}; one in another unit is named at its heading"


def _is_telling(key: str, example: str) -> bool:
    if key == "axle_alone":
        return is_of_an_axle_alone(example, JobWords())
    return key != "decimal_comma" or any(mark in example for mark in ",.")


def _day_first(example: str, found: Sequence[TableFound]) -> tuple[str, dict[str, Value], str]:
    """Asked of files that do not show it; what the others show is said, and is the default."""
    shown = frozenset[bool]().union(*(table.days_shown for table in found))
    usual = "day" if shown == {True} else "month" if shown == {False} or _american(found) else "day"
    others = f" (other files show the {usual} first)" if len(shown) == 1 else ""
    return (
        f"Is the day or the month first in {example}{others}?",
        {"day": True, "month": False},
        usual,
    )


def _week_day(example: str, _: object) -> tuple[str, dict[str, Value], str]:
    return (
        f"Which day counts for a week, as in {example} (weeks from Monday, by ISO 8601)?",
        {day: day for day in WEEK_DAYS},
        "wednesday",
    )


def _days_exchanged(example: str, _: object) -> tuple[str, dict[str, Value], str]:
    return (
        f"Did a spreadsheet exchange day and month of real dates, as in {example}? All are of "
        "the 1st to 12th, all that stayed text later. Put back?",
        {"yes": True, "no": False},
        "yes",
    )


def _decimal_comma(example: str, _: object) -> tuple[str, dict[str, Value], str]:
    mark = "comma" if "," in example else "point"
    thousands, decimals = {"comma": (False, True), "point": (True, False)}[mark]
    return (
        f"What does the {mark} of {example} do: group thousands, or begin decimals?",
        {"thousands": thousands, "decimals": decimals},
        "thousands",
    )


def _fill_down(_: str, __: object) -> tuple[str, dict[str, Value], str]:
    return (
        "Is a blank cell that of the row above, as below cells that were merged?",
        {"yes": True, "no": False},
        "no",
    )


def _near_side(_: str, found: Sequence[TableFound]) -> tuple[str, dict[str, Value], str]:
    return (
        "Which side is the near (kerb) side: left, where traffic keeps left, or right?",
        {"left": "L", "right": "R"},
        "right" if _american(found) else "left",
    )


def _rear_axle(_: str, __: object) -> tuple[str, dict[str, Value], str]:
    return "Which number has the axle called rear?", {str(n): n for n in range(2, 9)}, "2"


def _axle_alone(_: str, __: object) -> tuple[str, dict[str, Value], str]:
    return (
        "Is a reline that names an axle and no side of both wheel ends, or is that unknown?",
        {"both": "both", "unknown": "unknown"},
        "both",
    )


def _stroke_pairs(example: str, _: object) -> tuple[str, dict[str, Value], str]:
    return (
        f"Is {example} the applied and the released stroke, of which the difference counts?",
        {"yes": True, "no": False},
        "no",
    )


def _lining_pairs(example: str, _: object) -> tuple[str, dict[str, Value], str]:
    return (
        f"Is {example} a lining at its two ends or shoes, of which the thinner counts?",
        {"yes": True, "no": False},
        "no",
    )


def _less_released(example: str, _: object) -> tuple[str, dict[str, Value], str]:
    return (
        f"Of the applied and the released stroke, as in {example}, does the difference count (no: "
        "the applied one as it is)?",
        {"yes": True, "no": False},
        "yes",
    )


def _zeros(_: str, __: object) -> tuple[str, dict[str, Value], str]:
    return (
        "Is a 0 among linings and strokes one that was not measured, or a reading of 0?",
        {"blank": "blank", "read": "read"},
        "blank",
    )


def _fleets(example: str, _: object) -> tuple[str, dict[str, Value], str]:
    return (
        f"Is {example} a vehicle of each, to be kept apart, or one?",
        {"apart": "apart", "one": "one"},
        "apart",
    )


def _stroke(_: str, __: object) -> tuple[str, dict[str, Value], str]:
    return (
        "Is a stroke the free stroke (arm pulled by hand) or the applied one (pushrod, by air)?",
        {"free": "free", "applied": "applied"},
        "free",
    )


def _distance(_: str, found: Sequence[TableFound]) -> tuple[str, dict[str, Value], str]:
    units = _units(found, "distance")
    default = "mi" if _has_unit(found, "mi") and "mi" in units else units[0]
    text = f"Which unit have odometers that state none{_but(units, 'distance')}?"
    return text, {unit: unit for unit in dict.fromkeys((*units, "km"))}, default


def _length(_: str, found: Sequence[TableFound]) -> tuple[str, dict[str, Value], str]:
    units = _units(found, "length")
    inches = _has_unit(found, "in") and not _has_unit(found, "mm") and "in" in units
    but = _but(units, "length") or " (16ths, 32nds: of an inch)"
    text = f"Which unit have lengths that state none{but}?"
    choices: dict[str, Value] = {unit: unit for unit in dict.fromkeys((*units, "mm"))}
    return text, choices, "in" if inches else units[0]


def _but(units: Sequence[str], kind: str) -> str:
    """The usual unit, where the cells cannot be in it."""
    usual = KINDS[kind][0]
    return "" if usual in units else f" (in {usual} they would be too small or too large)"


_TEXTS: dict[str, Callable[[str, Sequence[TableFound]], tuple[str, dict[str, Value], str]]] = {
    "fill_down": _fill_down,
    "day_first": _day_first,
    "week_day": _week_day,
    "days_exchanged": _days_exchanged,
    "decimal_comma": _decimal_comma,
    "near_side": _near_side,
    "rear_axle": _rear_axle,
    "axle_alone": _axle_alone,
    "stroke_pairs": _stroke_pairs,
    "lining_pairs": _lining_pairs,
    "less_released": _less_released,
    "stroke": _stroke,
    "zeros": _zeros,
    "fleets": _fleets,
    "distance": _distance,
    "length": _length,
}


def _american(found: Iterable[TableFound]) -> bool:
    """Months before days, or kerbs spelled with a c: only a default hangs on it."""
    return any(
        t.day_first is False or any("curb" in " ".join(tokens(c.heading)) for c in t.columns)
        for t in found
    )


def _has_unit(found: Iterable[TableFound], unit: str) -> bool:
    return any(c.target.endswith(f"_{unit}") for t in found for c in t.columns)


def asked(
    open_questions: Sequence[Question], ask: Callable[[str], str], tell: Callable[[str], None]
) -> dict[str, Value]:
    """The answers of whoever sits at the terminal; an empty one takes the default. Where the input
    ends, what was answered stands and the others stay open."""
    answers: dict[str, Value] = {}
    for no, question in enumerate(open_questions, start=1):
        tell(f"Question {no} of {len(open_questions)}: {question.text} ({question.where})")
        try:
            answers[question.key] = _answer(question, ask, tell)
        except EOFError:
            tell("")
            break
    return answers


def with_units_of_sheets(
    found: Sequence[TableFound],
    told: bool | None,
    ask: Callable[[str], str] | None,
    tell: Callable[[str], None],
) -> tuple[list[TableFound], dict[str, Value]]:
    """Tables with the names of their sheets as units, where these are so, and the answer if one is
    new: it is asked where the unit alone is missing."""
    new: dict[str, Value] = {}
    of = [t for t in found if t.missing == ("unit_id",) and _sheet_name(t)]
    if told is None and ask is not None and of:
        where = f"of {len(of)} such sheets in {of[0].path}"
        text = f"Is {_sheet_name(of[0])}, the name of a sheet, the unit of its rows?"
        question = Question("sheet_units", text, {"yes": True, "no": False}, "no", where)
        tell(f"Question: {question.text} ({question.where})")
        with suppress(EOFError):
            told = bool(_answer(question, ask, tell))
            new = {"sheet_units": told}
    named = [_with_sheets_unit(t) if told and t in of else t for t in found]
    return named, new


def _sheet_name(table: TableFound) -> str:
    """The name of a table's sheet, where it may be a unit's."""
    names = (e for c in table.columns if c.heading == SHEET for e in c.examples)
    return next((name for name in names if any(char.isdigit() for char in name)), "")


def _with_sheets_unit(table: TableFound) -> TableFound:
    return with_columns(table, tuple(
        replace(c, target="unit_id", why="", meant="") if c.heading == SHEET else c
        for c in table.columns))  # fmt: skip


def chosen(
    found: Sequence[TableFound], ask: Callable[[str], str], tell: Callable[[str], None]
) -> list[TableFound]:
    """Tables once it is said which of columns that would be the same thing is meant."""
    said: dict[tuple[str, tuple[str, ...]], str] = {}
    tables: list[TableFound] = []
    for table in found:
        for target, headings in _rivals(table).items():
            if (target, headings) not in said:
                try:
                    said[target, headings] = _choice(table, target, headings, ask, tell)
                except EOFError:
                    tell("")
                    return [*tables, table, *found[len(tables) + 1 :]]
            table = with_choice(table, target, said[target, headings])
        tables.append(table)
    return tables


def _rivals(table: TableFound) -> dict[str, tuple[str, ...]]:
    rivals: dict[str, tuple[str, ...]] = {}
    for column in table.columns:
        if column.rival:
            rivals[column.rival] = (*rivals.get(column.rival, ()), column.heading)
    return rivals


def _choice(
    table: TableFound,
    target: str,
    headings: tuple[str, ...],
    ask: Callable[[str], str],
    tell: Callable[[str], None],
) -> str:
    listed = ", ".join(f"{no} {heading}" for no, heading in enumerate(headings, start=1))
    choices: dict[str, Value] = {str(no): h for no, h in enumerate(headings, start=1)}
    text = f"Which column is {target}{WHOSE.get(target, '')}: {listed}?"
    question = Question(target, text, choices, "1", f"in {table.path}")
    tell(f"Question: {question.text} ({question.where})")
    return str(_answer(question, ask, tell))


def _answer(question: Question, ask: Callable[[str], str], tell: Callable[[str], None]) -> Value:
    told = "/".join(question.choices)
    while True:
        said = ask(f"  {told} [{question.default}]: ").strip().casefold() or question.default
        fitting = [c for c in question.choices if c.casefold().startswith(said)]
        exact = [c for c in fitting if c.casefold() == said]
        if len(exact or fitting) == 1:
            return question.choices[(exact or fitting)[0]]
        for value in question.choices.values():
            if _written(value).casefold() == said:
                return value
        tell(f"  found {said!r}; accepted: {', '.join(question.accepted)}")
