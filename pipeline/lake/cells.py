"""Cells as written → typed contract columns, with one clear line for every cell that is not.

A column's type, range and accepted spellings come from ``pipeline.contract``. Nothing is guessed:
a cell that could mean two things is set aside with both meanings named.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import dataframely as dy
import polars as pl

from pipeline.contract import (
    FILLED_BEFOREHAND,
    TABLES,
    accepted_values,
    columns_of,
    is_required,
    unit_of,
)
from pipeline.lake.files import Cells
from pipeline.lake.struck import STRUCK
from pipeline.settings import Settings, contract_headings
from pipeline.values import ACTIONS, CAP_STATES, REASONS, RETURN_TESTS, SIDES

# Whom a row names is not shown where the row is.
NEVER_SHOWN = ("inspector",)
# What is told of a row with a problem.
TOLD = ("problem_kind", "problem", "raw")
MM_PER_INCH = 25.4
KM_PER_MILE = 1.609344

_YES = ("true", "yes", "y", "1", "1.0", "t")
_TRUE = (*_YES, "x")  # a cross says yes, but of a test neither that it passed nor that it failed
_FALSE = ("false", "no", "n", "0", "0.0", "f")
# Spellings beyond the contract's own words, by the words they stand for.
_SPELLINGS = {
    SIDES: {"left": "L", "right": "R", "l": "L", "r": "R"},
    RETURN_TESTS: {
        **dict.fromkeys(("pass", "passed", "p", "ok", *_YES), "pass"),
        **dict.fromkeys(("fail", "failed", *_FALSE), "fail"),
    },
    CAP_STATES: {name: name for name in CAP_STATES},
    ACTIONS: {name: name for name in ACTIONS},
    REASONS: {name: name for name in REASONS},
}


@dataclass(frozen=True, slots=True)
class Dialect:
    """How this file's text is to be read."""

    day_first: bool | None
    decimal_comma: bool
    # "412.345" groups thousands in text with decimal commas; not in a workbook's own numbers, nor
    # in a text whose other cells show its dots to be decimal points.
    dot_groups: bool
    length_in_inches: bool
    distance_in_miles: bool


@dataclass(frozen=True, slots=True)
class Source:
    """Where a contract column comes from: the file's column, and its unit's factor.

    A column of an own file is told of by its heading (``label``), with what is ``accepted`` beyond
    the contract's words and what would mend it: a pattern of cells, and what to say of them.
    """

    position: int
    heading: str
    factor: float
    label: str = ""
    accepted: str = ""
    mends: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Problem:
    """Something a row can have wrong: where it does, its kind, and what to say."""

    where: pl.Expr
    kind: str
    text: pl.Expr

    def named(self) -> pl.Expr:
        """Kind and text where the row has it, else null."""
        return pl.when(self.where).then(pl.struct(kind=pl.lit(self.kind), text=self.text))


def dialect_of(settings: Settings, cells: Cells) -> Dialect:
    return Dialect(
        day_first=settings.fleet.day_first,
        decimal_comma=settings.fleet.decimal_comma,
        dot_groups=settings.fleet.decimal_comma
        and cells.is_text
        and not _has_decimal_points(cells),
        length_in_inches=settings.units.length == "in",
        distance_in_miles=settings.units.distance == "mi",
    )


def _has_decimal_points(cells: Cells) -> bool:
    """A number whose dot cannot group thousands: 12.5, 0.375, 3.1416."""
    texts = cells.rows.select(pl.col("^c[0-9]+$"))
    point = pl.all().str.contains(r"^\s*-?(\d+\.\d{1,2}|\d+\.\d{4,}|0\.\d+)\s*$").any()
    return any(texts.select(point).row(0)) if texts.width else False


def typed_rows(table: str, cells: Cells, settings: Settings) -> pl.DataFrame:
    """The contract's columns of a file, typed and in mm and km.

    Returns ``row_no``, every column of the contract (null where empty or unreadable),
    ``problem_kind`` and ``problem`` (null for a usable row) and ``raw`` (the cells as they
    stood, for rows with a problem).
    """
    dialect = dialect_of(settings, cells)
    sources, heading_problems = column_sources(table, cells.headings, settings, dialect)
    columns = columns_of(table)
    parsed = _filled_in(table, _parsed_columns(columns, cells, sources, dialect))
    problems = [
        *heading_problems,
        Problem(
            pl.col("shape_problem").is_not_null(), "wrong number of cells", pl.col("shape_problem")
        ),
        *[p for name, c in columns.items() for p in cell_problems(name, c, sources, dialect)],
        *[
            _struck(n)
            for n, c in columns.items()
            if isinstance(c, dy.String) and n not in NEVER_SHOWN
        ],
        *row_problems(table),
    ]
    return judged(parsed, columns, cells, sources, problems)


def _struck(name: str) -> Problem:
    """Words that a workbook has struck out are read as words all the same."""
    text = pl.format(f'{name}: found "{{}}"; accepted: what nobody struck out', name)
    return Problem(pl.col(name).str.ends_with(STRUCK), "struck out", text)


def judged(
    parsed: pl.DataFrame,
    columns: Iterable[str],
    cells: Cells,
    sources: dict[str, Source],
    problems: list[Problem],
) -> pl.DataFrame:
    """Parsed rows with what is wrong with each; ``cells`` has the same rows, as they stand."""
    hidden = {sources[name].position for name in NEVER_SHOWN if name in sources}
    bad = parsed.select(pl.any_horizontal(p.where for p in problems)).to_series()
    rows = parsed.select("row_no", *columns)
    if not bad.any():
        return rows.with_columns(pl.lit(None, dtype=pl.String).alias(name) for name in TOLD)
    named = _named_problems(parsed, bad, problems, cells, sources, hidden)
    return rows.join(named, on="row_no", how="left", maintain_order="left")


def _filled_in(table: str, parsed: pl.DataFrame) -> pl.DataFrame:
    """Without the rows of a half-filled form that name a wheel end and say nothing of it.

    They are no more than lines with nothing between their separators, which are not rows either.
    """
    named = [f"{name}·here" for name in FILLED_BEFOREHAND.get(table, ())]
    if not named:
        return parsed
    said = pl.any_horizontal(c for c in parsed.columns if c.endswith("·here") and c not in named)
    whole = pl.col("shape_problem").is_not_null()
    return parsed.filter(said | whole | ~pl.all_horizontal(named))


def _parsed_columns(
    columns: dict[str, dy.Column], cells: Cells, sources: dict[str, Source], dialect: Dialect
) -> pl.DataFrame:
    """Each column's values, and in ``NAME·here`` whether anything was written."""
    parsed = [cells.rows["row_no"], cells.rows["shape_problem"]]
    for name, column in columns.items():
        if name in sources:
            value, here = _parsed(column, cells.rows, sources[name], dialect)
        else:
            value = pl.Series([None], dtype=column.dtype).new_from_index(0, cells.rows.height)
            here = pl.Series([False]).new_from_index(0, cells.rows.height)
        parsed += [value.alias(name), here.alias(f"{name}·here")]
    return pl.DataFrame(parsed)


def column_sources(
    table: str, headings: tuple[str, ...], settings: Settings, dialect: Dialect
) -> tuple[dict[str, Source], list[Problem]]:
    """Which of the file's columns feeds which contract column; and what is wrong with that."""
    own = {k.strip().casefold(): v for k, v in settings.columns.get(table, {}).items()}
    known = {name.casefold(): name for name in contract_headings(table)}
    sources: dict[str, Source] = {}
    problems = []
    for position, heading in enumerate(headings):
        key = heading.strip().casefold()
        spelled = own.get(key) or known.get(key)
        if spelled is None:
            continue
        name, factor = _contract_name(spelled, dialect)
        if name in sources:
            twice = f"{sources[name].heading!r} and {heading!r}"
            text = f"{name}: found in two columns, {twice}; accepted: one"
            problems.append(Problem(pl.lit(value=True), f"{name} twice", pl.lit(text)))
            continue
        sources[name] = Source(position, heading, factor)
    return sources, problems


def unused_headings(table: str, headings: tuple[str, ...], settings: Settings) -> list[str]:
    """Headings that feed no contract column, so that the load log can name them."""
    own = {k.strip().casefold() for k in settings.columns.get(table, {})}
    known = {name.casefold() for name in contract_headings(table)} | own
    return [h for h in headings if h and h.strip().casefold() not in known]


def _contract_name(spelled: str, dialect: Dialect) -> tuple[str, float]:
    if spelled.endswith("_in"):
        return spelled.removesuffix("_in") + "_mm", MM_PER_INCH
    if spelled.endswith("_mi"):
        return spelled.removesuffix("_mi") + "_km", KM_PER_MILE
    if spelled.endswith("_mm") and dialect.length_in_inches:
        return spelled, MM_PER_INCH
    if spelled.endswith("_km") and dialect.distance_in_miles:
        return spelled, KM_PER_MILE
    return spelled, 1.0


def written(column: pl.Series) -> pl.Series:
    """Cells as text; null when empty."""
    if column.dtype == pl.Binary or column.dtype.is_nested():
        return pl.Series([f"a {column.dtype}"]).new_from_index(0, len(column))
    text = column.cast(pl.String).str.strip_chars(" \t\r\n\u00a0'")
    empty = text == ""
    return text.set(empty, None) if empty.any() else text


def _parsed(
    column: dy.Column, rows: pl.DataFrame, source: Source, dialect: Dialect
) -> tuple[pl.Series, pl.Series]:
    """A column's values, and whether anything was written.

    A workbook's own numbers, days and booleans need no reading; what is text is read.
    """
    cells = rows[f"c{source.position}"]
    match column:
        case dy.Float64() | dy.Int64() if cells.dtype.is_numeric():
            return _as_number(column, cells.cast(pl.Float64), source), cells.is_not_null()
        case dy.Date() if cells.dtype.is_temporal():
            return cells.cast(pl.Date), cells.is_not_null()
        case dy.Bool() if cells.dtype == pl.Boolean:
            return cells, cells.is_not_null()
    text = written(cells)
    return _read(column, text, source, dialect), text.is_not_null()


def _read(column: dy.Column, text: pl.Series, source: Source, dialect: Dialect) -> pl.Series:
    match column:
        case dy.Float64() | dy.Int64():
            return _as_number(column, _numbers(text, dialect), source)
        case dy.Date():
            days = text.str.to_date("%Y-%m-%d", strict=False)
            return _completed(days, text, lambda texts: _date(texts, dialect))
        case dy.Bool():
            return of_words(text, boolean_of, pl.Boolean())
        case dy.Enum():
            words = tuple(column.categories)
            return of_words(text, lambda texts: word_of(texts, words), pl.String()).cast(
                column.dtype
            )
        case _:
            return text


def _as_number(column: dy.Column, value: pl.Series, source: Source) -> pl.Series:
    """Finite, in the contract's unit; whole where the column counts."""
    if isinstance(column, dy.Int64):
        whole = value.set((value != value.round(0)).fill_null(value=False), None)
        return whole.cast(pl.Int64, strict=False)
    finite = value.is_finite().fill_null(value=True)
    value = value if finite.all() else value.set(~finite, None)
    return value if source.factor == 1.0 else value * source.factor


def _numbers(text: pl.Series, dialect: Dialect) -> pl.Series:
    """Most numbers are written plainly; how the others are meant takes longer to find out."""
    plain = text.cast(pl.Float64, strict=False)
    if dialect.dot_groups:
        plain = plain.set(text.str.contains(".", literal=True), None)
    return _completed(plain, text, lambda texts: _number(texts, dialect))


def _completed(
    plain: pl.Series, text: pl.Series, reading: Callable[[pl.Expr], pl.Expr]
) -> pl.Series:
    """``plain``, and where it could not be had from what is written, the longer reading."""
    left = plain.is_null() & text.is_not_null()
    if not left.any():
        return plain
    read = text.filter(left).to_frame("text").select(reading(pl.col("text"))).to_series()
    return plain.scatter(left.arg_true(), read)


def of_words(
    text: pl.Series, reading: Callable[[pl.Expr], pl.Expr], dtype: pl.DataType
) -> pl.Series:
    """A few words, many times: each is read once."""
    words = text.drop_nulls().unique(maintain_order=True)
    read = words.to_frame("text").select(reading(pl.col("text"))).to_series()
    return text.replace_strict(words, read, default=None, return_dtype=dtype)


def _number(text: pl.Expr, dialect: Dialect) -> pl.Expr:
    """A number with a dot, or a comma where the fleet uses one; thousands may be grouped."""
    plain = text.str.replace_all("[ \u00a0\u202f]", "")
    grouped_by_comma = plain.str.contains(r"^[+-]?\d{1,3}(,\d{3})+(\.\d*)?$")
    grouped_by_dot = plain.str.contains(r"^[+-]?\d{1,3}(\.\d{3})+(,\d*)?$")
    with_dot = plain.str.replace(",", ".", literal=True)
    if dialect.decimal_comma:
        ungrouped = plain.str.replace_all(".", "", literal=True).str.replace(",", ".", literal=True)
        groups = grouped_by_dot if dialect.dot_groups else grouped_by_dot & plain.str.contains(",")
        value = pl.when(groups).then(ungrouped).otherwise(with_dot)
    else:
        without_comma = plain.str.replace_all(",", "", literal=True)
        value = pl.when(grouped_by_comma).then(without_comma).otherwise(plain)
    return value.cast(pl.Float64, strict=False)


def _date(text: pl.Expr, dialect: Dialect) -> pl.Expr:
    """ISO always; day or month first as the fleet says, or where only one reading is possible."""
    day = text.str.replace(r"[T ]00:00(:00(\.0+)?)?Z?$", "")
    iso = day.str.to_date("%Y-%m-%d", strict=False)
    slashed = day.str.replace_all(r"[./]", "-")
    shaped = pl.when(slashed.str.contains(r"^\d{1,2}-\d{1,2}-\d{4}$")).then(slashed)
    first_day = shaped.str.to_date("%d-%m-%Y", strict=False)
    first_month = shaped.str.to_date("%m-%d-%Y", strict=False)
    if dialect.day_first is True:
        return pl.coalesce(iso, first_day)
    if dialect.day_first is False:
        return pl.coalesce(iso, first_month)
    only_reading = (
        pl.when(first_day.is_null() | first_month.is_null() | (first_day == first_month))
        .then(pl.coalesce(first_day, first_month))
        .otherwise(None)
    )
    return pl.coalesce(iso, only_reading)


def boolean_of(text: pl.Expr) -> pl.Expr:
    word = text.str.to_lowercase()
    return pl.when(word.is_in(_TRUE)).then(True).when(word.is_in(_FALSE)).then(False)


def word_of(text: pl.Expr, categories: tuple[str, ...]) -> pl.Expr:
    spellings = _SPELLINGS[categories]
    word = text.str.to_lowercase().str.replace_all("[ -]+", "_")
    return word.replace_strict(spellings, default=None, return_dtype=pl.String)


def cell_problems(
    name: str, column: dy.Column, sources: dict[str, Source], dialect: Dialect
) -> list[Problem]:
    """What a column's cells can have wrong; ``parsed`` has NAME, NAME·here and NAME·text."""
    here, value = pl.col(f"{name}·here"), pl.col(name)
    accepted = accepted_values(column) + _in_files_unit(column, sources.get(name))
    label = sources[name].label if name in sources and sources[name].label else name
    problems = []
    if is_required(column):
        where = "found nothing" if name in sources else "the file has no such column"
        missing = pl.lit(f"{label}: {where}; accepted: {accepted}")
        problems = [Problem(~here, f"{name} missing", missing)]
    if name not in sources:
        return problems
    text = pl.col(f"{name}·text")
    found = pl.format(f'{_escaped(label)}: found "{{}}"; accepted: {_escaped(accepted)}', text)
    mends = sources[name].mends if sources[name].label else _mends(column, dialect)
    hints = [
        pl.when(text.str.contains(of)).then(pl.lit(said)).otherwise(pl.lit(""))
        for of, said in mends
    ]
    hinted = pl.concat_str(found, *hints)
    problems.append(Problem(here & value.is_null(), f"{name} not readable", hinted))
    ranges = [
        rule
        for rule_name, rule in column.validation_rules(value).items()
        if rule_name not in ("nullability", "primary_key", "nan", "inf")
    ]
    if ranges:
        outside = ~pl.all_horizontal(ranges).fill_null(value=True)
        problems.append(Problem(outside, f"{name} impossible", found))
    return problems


def _in_files_unit(column: dy.Column, source: Source | None) -> str:
    if source is not None and source.accepted:
        return source.accepted
    if source is None or source.factor == 1.0:
        return ""
    return f", given in {'inches' if unit_of(column) == 'mm' else 'miles'}"


# Cells that another order of day and month, or another decimal mark, could make readable.
TWO_ORDERS = r"^\W*(0?[1-9]|1[0-2])\W+(0?[1-9]|1[0-2])\W+(\d{2}|\d{4})(\D|$)"
TWO_MARKS = r"^[+-]?\d[\d .,'\u{a0}\u{202f}]*[.,]\d+\D*$"


def _mends(column: dy.Column, dialect: Dialect) -> tuple[tuple[str, str], ...]:
    if isinstance(column, dy.Date) and dialect.day_first is None:
        said = " (or set day_first under [fleet] to say how 03/04/2025 is read)"
        return ((TWO_ORDERS, said),)
    if isinstance(column, dy.Float64) and not dialect.decimal_comma:
        return ((TWO_MARKS, " (for decimal commas set decimal_comma under [fleet])"),)
    return ()


def _escaped(text: str) -> str:
    return text.replace("{", "{{").replace("}", "}}")


def row_problems(table: str) -> list[Problem]:
    """What can be wrong across a row's cells."""
    return [
        Problem(
            ~rule.holds & ~pl.any_horizontal(False, *[f"{name}·here" for name in rule.of]),
            rule.kind,
            pl.lit(rule.text),
        )
        for rule in TABLES[table].row_rules
    ]


def _named_problems(
    parsed: pl.DataFrame,
    bad: pl.Series,
    problems: list[Problem],
    cells: Cells,
    sources: dict[str, Source],
    hidden: set[int],
) -> pl.DataFrame:
    """What is wrong with each bad row, and its cells: most rows have nothing, so few are asked."""
    parsed = parsed.filter(bad)
    # Lines of a half-filled form are among the cells, and no rows.
    rows = cells.rows.join(parsed.select("row_no"), on="row_no", how="semi", maintain_order="left")
    texts_of = {
        f"{name}·text": written(rows[f"c{source.position}"]) for name, source in sources.items()
    }
    listed = pl.concat_list(p.named() for p in problems).list.drop_nulls()
    texts = pl.col("problems").list.eval(pl.element().struct.field("text"))
    return (
        parsed.with_columns(series.alias(name) for name, series in texts_of.items())
        .with_columns(raw=rows.select(_as_it_stood(cells, hidden)).to_series())
        .select("row_no", "raw", problems=listed)
        .select(
            "row_no",
            problem_kind=pl.col("problems").list.first().struct.field("kind"),
            problem=texts.list.join("; "),
            raw=pl.col("raw"),
        )
    )


def _as_it_stood(cells: Cells, hidden: set[int]) -> pl.Expr:
    """The row's filled cells as ``heading=cell``, for a person to find it again."""
    parts = []
    schema = cells.rows.schema  # asked once: a file may have many columns
    for i, heading in enumerate(cells.headings):
        dtype = schema[f"c{i}"]
        if i in hidden or dtype == pl.Binary or dtype.is_nested():
            continue
        text = pl.col(f"c{i}").cast(pl.String).str.slice(0, 200)
        parts.append(
            pl.when(text.str.strip_chars() != "").then(pl.format(f"{_escaped(heading)}={{}}", text))
        )
    return pl.concat_str(parts, separator=" | ", ignore_nulls=True) if parts else pl.lit("")
