"""What must hold of every run's results before they are published.

Each invariant is a query that returns the rows that break it, told in words; no row: it holds.
Marts are looked up in the catalogue, so that a new one is held to the same rules without being
named here.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import duckdb

from pipeline.contract import TABLES
from pipeline.errors import BrokenInvariantError

# Sums of doubles taken in another order differ in their last digits; a reline is a whole one.
ROUNDING = "1e-6"
# Dates that look ahead by their meaning; everything else staged lies in the past.
LOOKING_AHEAD = ("stage.duty_spells.until_on", "reduce.greasing_due.due_on")
SURVIVING = {"survival", "ci_low", "ci_high"}


@dataclass(frozen=True, slots=True)
class Invariant:
    """``queries`` yields SELECTs, each of one text column that says where the rule is broken."""

    rule: str
    queries: Callable[[duckdb.DuckDBPyConnection], Iterator[str]]


def require_invariants(con: duckdb.DuckDBPyConnection) -> None:
    """Every invariant holds of the tables of this run.

    Raises
    ------
    BrokenInvariantError
        One does not: the first that fails, with its first offending row.
    """
    for invariant in INVARIANTS:
        found = offending(con, invariant)
        if found:
            more = f" and {len(found) - 1:,} more" if len(found) > 1 else ""
            raise BrokenInvariantError(
                f"nothing published: {invariant.rule}, but found {found[0]}{more}; this is a fault "
                "of the program, not of the records: please report it"
            )


def offending(con: duckdb.DuckDBPyConnection, invariant: Invariant) -> list[str]:
    """Where an invariant is broken, in words."""
    return [
        str(where) for query in invariant.queries(con) for (where,) in con.execute(query).fetchall()
    ]


def fates_add_up(_: duckdb.DuckDBPyConnection) -> Iterator[str]:
    """Every row read has one fate, counted in ``mart.loads`` as it stands in ``fate``."""
    yield """select path || ': ' || rows_read || ' rows read, ' || accepted || ' accepted, '
            || repeated || ' repeated, ' || set_aside || ' set aside'
        from mart.loads
        where rows_read <> accepted + repeated + set_aside
            or least(rows_read, accepted, repeated, set_aside) < 0
        order by path"""
    yield """select l.path || ': ' || l.set_aside || ' set aside, ' || coalesce(s.n, 0) || ' listed'
        from mart.loads l
        left join (
            select path, count(*) as n from mart.set_aside where parts = parts_read group by path
        ) s
            on s.path = l.path
        where l.set_aside <> coalesce(s.n, 0)
        order by l.path"""
    for table in TABLES:
        yield from _fates_of(table)


def _fates_of(table: str) -> Iterator[str]:
    yield f"""select '{table}: content ' || c.content_id || ' of ' || c.parts_read || ' rows holds '
            || count(r.row_no)
        from raw.contents c left join raw.{table} r on r.content_id = c.content_id
        where c.table_name = '{table}'
        group by c.content_id, c.parts_read having count(r.row_no) <> c.parts_read
        order by c.content_id"""
    yield f"""select '{table}: row ' || f.row_no || ' with ' || count(*) || ' fates, '
            || count(r.row_no) || ' of them of a row that was read'
        from fate.{table} f
        left join raw.{table} r on r.content_id = f.content_id and r.row_no = f.row_no
        group by f.content_id, f.row_no having count(*) <> 1 or count(r.row_no) <> 1
        order by f.content_id, f.row_no"""


def wheel_ends_registered(con: duckdb.DuckDBPyConnection) -> Iterator[str]:
    """What is said of a wheel end is said of one in the register, and each has its one row."""
    for table in _tables_with(con, "wheel_end_id"):
        yield f"""select distinct '{table}: ' || t.wheel_end_id
            from {table} t anti join judge.wheel_ends w on w.wheel_end_id = t.wheel_end_id
            order by all"""
    yield """select w.wheel_end_id || ': ' || count(s.wheel_end_id) || ' rows of status'
        from judge.wheel_ends w
        left join mart.wheel_end_status s on s.wheel_end_id = w.wheel_end_id
        group by w.wheel_end_id having count(s.wheel_end_id) <> 1
        order by all"""


def curves_fall(_: duckdb.DuckDBPyConnection) -> Iterator[str]:
    """Survival and its band stay in [0, 1] and never rise with age; incidence never falls."""
    for column in sorted(SURVIVING):
        yield _turning("adjuster_curves", column, "axle_type, duty, method", rises=False)
    yield _turning("adjuster_causes", "incidence", "axle_type, duty, cause", rises=True)
    yield _turning("replacement_counts", "replacements", "duty", rises=True)
    for table, column in (*(("adjuster_curves", c) for c in sorted(SURVIVING)), _INCIDENCE):
        yield f"""select '{table}.{column} ' || {column} from mart.{table}
            where not {column} between 0 and 1 order by all"""


_INCIDENCE = ("adjuster_causes", "incidence")


def _turning(table: str, column: str, curve: str, *, rises: bool) -> str:
    """Steps of a curve that go the wrong way by more than rounding."""
    wrong = f"{column} < before - {ROUNDING}" if rises else f"{column} > before + {ROUNDING}"
    return f"""select '{table}.{column} ' || {column} || ' at ' || km || ' km after ' || before
        from (
            select *, lag({column}) over (partition by {curve} order by km, {_order(column, rises)})
                as before
            from mart.{table} where {column} is not null
        )
        where {wrong}
        order by all"""


def _order(column: str, rises: bool) -> str:
    """At one km a curve that steps has both ends of its step."""
    return column if rises else f"{column} desc"


def quantiles_in_order(con: duckdb.DuckDBPyConnection) -> Iterator[str]:
    """p10 ≤ p50 ≤ p90 and low ≤ high, in every mart."""
    columns = _columns(con, "mart")
    for table, names in columns.items():
        for low, high in _pairs(set(names)):
            yield f"""select '{table}: {low} ' || "{low}" || ' above {high} ' || "{high}"
                from {table} where "{low}" > "{high}" order by all"""


_NEXT = (("p10", "p50"), ("p50", "p90"), ("p10", "p90"), ("low", "high"))


def _pairs(names: set[str]) -> list[tuple[str, str]]:
    """Columns whose names differ in low and high alone."""
    swapped = ((name, name.replace(one, other)) for name in sorted(names) for one, other in _NEXT)
    return [(low, high) for low, high in swapped if low != high and high in names]


def budget_adds_up(_: duckdb.DuckDBPyConnection) -> Iterator[str]:
    """In the mean, a month's parts make its total, and the months make the outlook."""
    for figure in ("relines_mean", "cost_mean"):
        yield f"""select cast(month as varchar) || ': {figure} ' || whole || ', its parts ' || parts
            from (
                select month,
                    coalesce(sum({figure}) filter (
                        where depot is null and axle_type is null and duty is null), 0) as whole,
                    coalesce(sum({figure}) filter (where axle_type is not null), 0) as parts
                from mart.reline_budget group by month
            )
            where abs(whole - parts) > {ROUNDING} * greatest(abs(whole), 1)
            order by month"""


def nothing_later(con: duckdb.DuckDBPyConnection) -> Iterator[str]:
    """No date of what was read, staged or reduced lies after the as-of day."""
    for schema in ("stage", "reduce"):
        for table, names in _columns(con, schema, "DATE").items():
            for name in names:
                if f"{table}.{name}" not in LOOKING_AHEAD:
                    yield _later(table, name)
    for place in ("lining_readings.inspected_on", "wheel_end_status.last_inspected_on"):
        yield _later(*f"mart.{place}".rsplit(".", 1))
    for place in ("backtest.origin", "flag_precision.month", "flag_changes.cleared_on"):
        yield _later(*f"mart.{place}".rsplit(".", 1))
    yield """select wheel_end_id || ': as of ' || s.as_of from mart.wheel_end_status s
        cross join run.parameters p where s.as_of <> p.as_of order by all"""


def _later(table: str, name: str) -> str:
    return f"""select '{table}.{name} ' || max(t."{name}") || ' after ' || any_value(p.as_of)
        from {table} t cross join run.parameters p where t."{name}" > p.as_of having count(*) > 0"""


def all_finite(con: duckdb.DuckDBPyConnection) -> Iterator[str]:
    """A figure is a number or empty."""
    for table, names in _columns(con, "mart", "DOUBLE").items():
        for name in names:
            yield f"""select '{table}.{name} ' || "{name}" from {table}
                where isnan("{name}") or isinf("{name}")"""


def _columns(
    con: duckdb.DuckDBPyConnection, schema: str, kind: str | None = None
) -> dict[str, list[str]]:
    """Table (or view of a mart) → its columns, of one type where ``kind`` names it."""
    found: dict[str, list[str]] = {}
    for table, name in con.execute(
        """select schema_name || '.' || table_name, column_name from duckdb_columns()
        where schema_name = ? and database_name = current_database()
            and (schema_name = 'mart' or (schema_name, table_name) not in (
                select (schema_name, view_name) from duckdb_views()))
            and data_type = coalesce(?, data_type)
        order by all""",
        [schema, kind],
    ).fetchall():
        found.setdefault(table, []).append(name)
    return found


def _tables_with(con: duckdb.DuckDBPyConnection, column: str) -> list[str]:
    return [table for table, names in _columns(con, "mart").items() if column in names]


INVARIANTS = (
    Invariant("accepted, repeated and set aside make up the rows read", fates_add_up),
    Invariant("a wheel end with a figure stands in the register, once", wheel_ends_registered),
    Invariant("survival stays in [0, 1] and falls with age", curves_fall),
    Invariant("quantiles and limits are in order", quantiles_in_order),
    Invariant("the budget's parts add up to its total in the mean", budget_adds_up),
    Invariant("nothing dated after the as-of day is used", nothing_later),
    Invariant("a figure is a number or empty", all_finite),
)
