"""Cells as written → typed contract columns, with one clear line for every cell that is not.

A column's type, range and accepted spellings come from ``pipeline.contract``. Nothing is guessed:
a cell that could mean two things is set aside with both meanings named.
"""

from dataclasses import dataclass

import dataframely as dy
import polars as pl

from pipeline.contract import (
    ACTIONS,
    CAP_STATES,
    REASONS,
    RETURN_TESTS,
    SIDES,
    TABLES,
    accepted_values,
    columns_of,
    is_required,
    unit_of,
)
from pipeline.files import Cells
from pipeline.settings import Settings, contract_headings

# Whom a row names is not shown where the row is.
NEVER_SHOWN = ("inspector",)
MM_PER_INCH = 25.4
KM_PER_MILE = 1.609344

_TRUE = ("true", "yes", "y", "1", "1.0", "t", "x")
_FALSE = ("false", "no", "n", "0", "0.0", "f")
# Spellings beyond the contract's own words, by the words they stand for.
_SPELLINGS = {
    SIDES: {"left": "L", "right": "R", "l": "L", "r": "R"},
    RETURN_TESTS: {
        **dict.fromkeys(("pass", "passed", "p", "ok", *_TRUE), "pass"),
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
    """Where a contract column comes from: the file's column, and its unit's factor."""

    position: int
    heading: str
    factor: float


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
    parsed = cells.rows.select(
        "row_no",
        "shape_problem",
        *[_parsed(name, c, cells, sources, dialect).alias(name) for name, c in columns.items()],
        *[_written(name, cells, sources).alias(f"{name}·text") for name in columns],
    )
    problems = [
        *heading_problems,
        Problem(
            pl.col("shape_problem").is_not_null(), "wrong number of cells", pl.col("shape_problem")
        ),
        *[p for name, c in columns.items() for p in _cell_problems(name, c, sources, dialect)],
        *_row_problems(table),
    ]
    hidden = {sources[name].position for name in NEVER_SHOWN if name in sources}
    return _with_problems(parsed, problems, columns, _as_it_stood(cells, hidden), cells)


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


def _written(name: str, cells: Cells, sources: dict[str, Source]) -> pl.Expr:
    """The cell as text; null when empty."""
    if name not in sources:
        return pl.lit(None, dtype=pl.String)
    column = f"c{sources[name].position}"
    dtype = cells.rows.schema[column]
    if dtype == pl.Binary or dtype.is_nested():
        return pl.lit(f"a {dtype}", dtype=pl.String)
    text = pl.col(column).cast(pl.String).str.strip_chars(" \t\r\n\u00a0'")
    return pl.when(text != "").then(text)


def _parsed(
    name: str, column: dy.Column, cells: Cells, sources: dict[str, Source], dialect: Dialect
) -> pl.Expr:
    if name not in sources:
        return pl.lit(None, dtype=column.dtype)
    source = sources[name]
    cell = pl.col(f"c{source.position}")
    dtype = cells.rows.schema[f"c{source.position}"]
    text = _written(name, cells, sources)
    match column:
        case dy.Float64():
            value = _finite(cell.cast(pl.Float64)) if dtype.is_numeric() else _number(text, dialect)
            return value * source.factor
        case dy.Int64():
            value = cell.cast(pl.Float64) if dtype.is_numeric() else _number(text, dialect)
            return pl.when(value == value.round(0)).then(value).cast(pl.Int64, strict=False)
        case dy.Date():
            return cell.cast(pl.Date) if dtype.is_temporal() else _date(text, dialect)
        case dy.Bool():
            return cell if dtype == pl.Boolean else _boolean(text)
        case dy.Enum():
            return _word(text, tuple(column.categories)).cast(column.dtype)
        case _:
            return text


def _finite(value: pl.Expr) -> pl.Expr:
    return pl.when(value.is_finite()).then(value)


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
    digits = r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,2})?$"
    return pl.when(value.str.contains(digits)).then(value).cast(pl.Float64, strict=False)


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


def _boolean(text: pl.Expr) -> pl.Expr:
    word = text.str.to_lowercase()
    return pl.when(word.is_in(_TRUE)).then(True).when(word.is_in(_FALSE)).then(False)


def _word(text: pl.Expr, categories: tuple[str, ...]) -> pl.Expr:
    spellings = _SPELLINGS[categories]
    word = text.str.to_lowercase().str.replace_all("[ -]+", "_")
    return word.replace_strict(spellings, default=None, return_dtype=pl.String)


def _cell_problems(
    name: str, column: dy.Column, sources: dict[str, Source], dialect: Dialect
) -> list[Problem]:
    written, value = pl.col(f"{name}·text"), pl.col(name)
    accepted = accepted_values(column) + _in_files_unit(column, sources.get(name))
    found = pl.format(f'{name}: found "{{}}"; accepted: {_escaped(accepted)}', written)
    unreadable = written.is_not_null() & value.is_null()
    problems = [Problem(unreadable, f"{name} not readable", found + pl.lit(_hint(column, dialect)))]
    if is_required(column):
        where = "found nothing" if name in sources else "the file has no such column"
        missing = pl.lit(f"{name}: {where}; accepted: {accepted}")
        problems.insert(0, Problem(written.is_null(), f"{name} missing", missing))
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
    if source is None or source.factor == 1.0:
        return ""
    return f", given in {'inches' if unit_of(column) == 'mm' else 'miles'}"


def _hint(column: dy.Column, dialect: Dialect) -> str:
    if isinstance(column, dy.Date) and dialect.day_first is None:
        return " (or set day_first under [fleet] to say how 03/04/2025 is read)"
    if isinstance(column, dy.Float64) and not dialect.decimal_comma:
        return " (for decimal commas set decimal_comma under [fleet])"
    return ""


def _escaped(text: str) -> str:
    return text.replace("{", "{{").replace("}", "}}")


def _row_problems(table: str) -> list[Problem]:
    return [Problem(~rule.holds, rule.kind, pl.lit(rule.text)) for rule in TABLES[table].row_rules]


def _with_problems(
    parsed: pl.DataFrame,
    problems: list[Problem],
    columns: dict[str, dy.Column],
    as_it_stood: pl.Expr,
    cells: Cells,
) -> pl.DataFrame:
    """Most rows have none, so only those that do are asked which."""
    bad = parsed.select(pl.any_horizontal(p.where for p in problems)).to_series()
    listed = pl.concat_list(p.named() for p in problems).list.drop_nulls()
    texts = pl.col("problems").list.eval(pl.element().struct.field("text"))
    named = (
        parsed.filter(bad)
        .select("row_no", problems=listed)
        .select(
            "row_no",
            problem_kind=pl.col("problems").list.first().struct.field("kind"),
            problem=texts.list.join("; "),
        )
    )
    raw = cells.rows.filter(bad).select("row_no", raw=as_it_stood)
    return (
        parsed.select("row_no", *columns)
        .join(named, on="row_no", how="left", maintain_order="left")
        .join(raw, on="row_no", how="left", maintain_order="left")
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
