"""``drumline check``: what becomes of a lake's rows, said on the terminal and written nowhere."""

import datetime as dt
import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import duckdb

from pipeline.commands.doubts import doubt_lines
from pipeline.lake import loading
from pipeline.lake.lake import opened_lake
from pipeline.places import Place
from pipeline.settings import Settings
from pipeline.values import counted
from pipeline.warehouse import judging, warehouse

EXAMPLES = 3
NOTHING = '""'
MOST_WORDS = 6  # that are shown of those that are not read
MOST_REASONS = 2_000  # different ones of a kind that are looked at for them


@dataclass(frozen=True, slots=True)
class Fates:
    """What became of the rows read; accepted + repeated + set_aside = rows_read.

    A row may be of several wheel ends, its parts; it is accepted where one of them was used.
    """

    rows_read: int
    accepted: int
    repeated: int
    set_aside: int
    files: int
    unreadable_files: int
    parts_read: int
    parts_set_aside: int

    @property
    def of_parts(self) -> str:
        """What rows of several wheel ends came to, where there are such."""
        if self.parts_read == self.rows_read:
            return ""
        records = f"of {self.parts_read:,} wheel ends' records in them"
        return f"; {records} {self.parts_set_aside:,} set aside"


def check(lake: Place, now: dt.datetime, tell: Callable[[str], None]) -> Fates:
    """Read and judge a lake, and tell what came of it line by line."""
    with opened_lake(lake) as opened:
        settings = opened.settings()
    with warehouse.in_memory() as con:
        loading.load(con, lake, settings, now)
        try:
            judging.judge(con, settings, now.date(), None)
        finally:  # what is wrong with the rows is most wanted when none can be used
            for line in lines_of(con, settings):
                tell(line)
        return fates(con)


def lines_of(con: duckdb.DuckDBPyConnection, settings: Settings) -> list[str]:
    """All that is said of a lake."""
    return [*check_lines(con), *doubt_lines(con, settings), *unmatched_lines(con, settings)]


def fates(con: duckdb.DuckDBPyConnection) -> Fates:
    counts = warehouse.one_row(
        con,
        """select coalesce(sum(rows_read), 0), coalesce(sum(accepted), 0),
            coalesce(sum(repeated), 0), coalesce(sum(set_aside), 0),
            count(distinct regexp_replace(path, ' \\[[^\\[\\]]*\\]$', '')),
            count(*) filter (where status like 'not read%'), coalesce(sum(parts_read), 0),
            coalesce(sum(parts_set_aside), 0) from mart.loads""",
    )
    return Fates(*(int(n) for n in counts))


def check_lines(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Counts, then a line for every reason with its first places, then files not read whole."""
    f = fates(con)
    lines = [
        f"{counted(f.rows_read, 'row')} in {counted(f.files, 'file')}: {f.accepted:,} accepted, "
        f"{f.repeated:,} repeated, {f.set_aside:,} set aside{f.of_parts}"
    ]
    lines += [_reason_line(con, *reason) for reason in _reasons(con)]
    lines += derived_lines(con)
    lines.extend(f"{path}: {status}" for path, status in _remarks(con))
    return lines


def _reason_line(con: duckdb.DuckDBPyConnection, table: str, kind: str, count: int) -> str:
    """A kind of reason: how often, where first, what was found there, and what would mend it."""
    examples = con.execute(
        """select path, row_no, reason from mart.set_aside
        where table_name = ? and reason_kind = ? order by path, row_no limit ?""",
        [table, kind, EXAMPLES],
    ).fetchall()
    places = ", ".join(f"{path} row {no}" for path, no, _ in examples)
    reason = examples[0][2]
    every = con.execute(
        """select reason, count(*) from mart.set_aside where table_name = ? and reason_kind = ?
        group by all order by count(*) desc, reason limit ?""",
        [table, kind, MOST_REASONS],
    ).fetchall()
    mend = line_that_mends(table, reason, *(told for told, _ in every))
    rows = counted(count, "row")
    told = f"; to mend, in fleet.toml: {mend}" if mend else _near_unit(con, reason)
    words = "" if mend and "files.values" not in mend else _different(every)  # one answer for all
    return f"{table}, {kind}: {rows}; {places}: {reason}{words}{told}"


def _different(reasons: Sequence[tuple[str, int]]) -> str:
    """The different words that rows of one kind were set aside for, where there are several."""
    found: Counter[str] = Counter()
    for reason, count in reasons:
        words = _WORD.match(reason)
        if words is None:
            return ""
        found[words.group(1)] += count
    if len(found) < 2:
        return ""
    most = ", ".join(f'"{word}" {n:,}' for word, n in found.most_common(MOST_WORDS))
    return f"; found in all: {most}{', …' * (len(found) > MOST_WORDS)}"


def _near_unit(con: duckdb.DuckDBPyConnection, reason: str) -> str:
    """The register's own id of a unit that is written there with other zeros, spaces or marks."""
    found = re.match(r'unit_id: found "(.*?)"; accepted: a unit in the register', reason)
    if not found:
        return ""
    whole = "regexp_replace(upper({}), '\\.0+$', '')"
    plain = f"regexp_replace(regexp_replace({whole}, '[^\\pL\\pN]', '', 'g'), '^0+', '')"
    near = con.execute(
        f"""select min(unit_id) from raw.register
        where {plain.format("unit_id")} = {plain.format("cast(? as varchar)")}""",
        [found.group(1)],
    ).fetchall()[0][0]
    return f'; the register has "{near}": write both alike' if near else ""


# What a reason says, and the line of fleet.toml that would mend its kind.
_MENDING = (
    (r"accepted: (\w+ = \S+) or \S+ under \[answers\]", "[answers] {0}"),
    (r"accepted: (\w+ = \d+), or its number under \[answers\]", "[answers] {0}"),
    (r"set near_side under", '[answers] near_side = "L", or "R"'),
    (r"set rear_axle under", "[answers] rear_axle = 2, or its number"),
    (r"near_side is not set under", '[answers] near_side = "L", or "R"'),
    (r"set (length|distance) under \[answers\]", '[answers] {0} = its unit, such as "mm" or "km"'),
    (r"set decimal_comma under \[(\w+)\]", "[{0}] decimal_comma = true, or false"),
    (
        r"set days_exchanged under \[answers\]",
        "[answers] days_exchanged = true, to put them back, or false where they are right",
    ),
    (r"set stroke_pairs under \[answers\]", "[answers] stroke_pairs = true, or false"),
    (r"set day_first under \[(\w+)\]", "[{0}] day_first = true, or false"),
    (r"^lining_mm: found .* new lining plus", "[axle_types.NAME] lining_new_mm = the new lining"),
    (
        r"^(\w+): the file has no such column",
        '[columns.TABLE] "own heading" = "{0}", or drumline map',
    ),
)


# A word that is not read, what its column accepts, where to say what it means, and what it is known
# to mean.
_WORD = re.compile(r'[^;]*?: found "([^"]*)"; accepted: ')
_MEANING = re.compile(
    r'[^;]*?found "([^"]*)"; accepted: ([^(;]*) \(or say what it means under '
    r'(\[files\.values\.".*?"\])(, "" for nothing)?\)(?:: ".*?" = "([^"]*)")?'
)


def line_that_mends(table: str, *reasons: str) -> str:
    """What to write into ``fleet.toml`` against a kind of reason, of which these are some, the
    first as an example; empty where no setting would help."""
    lines = [
        line.format(*found.groups()).replace("TABLE", table)
        for pattern, line in _MENDING
        for found in re.finditer(pattern, reasons[0])
    ]
    words: dict[str, dict[str, str]] = {}
    first = _MEANING.finditer(reasons[0])
    others = (found for reason in reasons[1:] if (found := _MEANING.match(reason)))
    for found in (*first, *others):
        word, accepted, where, of_nothing, known = found.groups()
        if known:
            meaning = f'"{known}"'
        elif of_nothing:
            meaning = f"{NOTHING} where nothing was read, else what it means: {accepted}"
        else:
            meaning = f"what it means: {accepted}"
        words.setdefault(where, {}).setdefault(word, meaning)
    lines += [f"{where} {_said(told)}" for where, told in words.items()]
    return "; ".join(dict.fromkeys(lines))


def _said(meanings: Mapping[str, str]) -> str:
    """Words with what they mean; those of which the same is said together."""
    words: dict[str, list[str]] = {}
    for word, meaning in list(meanings.items())[:MOST_WORDS]:
        words.setdefault(meaning, []).append(word)
    every = {m: '" = "", "'.join(of) if m.startswith(NOTHING) else '" and "'.join(of)
             for m, of in words.items()}  # fmt: skip
    return ", ".join(f'"{of}" = {meaning}' for meaning, of in every.items())


def unmatched_lines(con: duckdb.DuckDBPyConnection, settings: Settings) -> list[str]:
    """Names in ``fleet.toml`` that nothing in the records has, in one line."""
    known = {
        kind: {name for (name,) in con.execute(query).fetchall()} for kind, query in _NAMES.items()
    }
    named = [
        (kind, f"[{kind}.{name}]", name)
        for kind in ("axle_types", "depots", "parts")
        for name in getattr(settings, kind)
    ] + [
        (kind, f"{kind} {name} under [changes.{change}]", name)
        for change, section in settings.changes.items()
        for kind in ("units", "depots", "axle_types")
        for name in getattr(section, kind)
    ]
    strange = [where for kind, where, name in named if name not in known[kind]]
    if not strange or not known["units"]:
        return []
    return [f"names in fleet.toml that no record has: {', '.join(strange)}"]


_NAMES = {
    "axle_types": "select distinct axle_type from judge.wheel_ends where axle_type is not null",
    "depots": "select distinct depot from judge.wheel_ends where depot is not null",
    "units": "select distinct unit_id from judge.wheel_ends",
    "parts": "select distinct trim(part) from raw.work where part is not null",
}


def derived_lines(con: duckdb.DuckDBPyConnection) -> list[str]:
    (derived, armless) = warehouse.one_row(
        con,
        """select count(*), count(*) filter (where arm_length_mm is null)
        from judge.wheel_ends where is_derived""",
    )
    if not derived:
        return []
    arms = (
        f"; {armless:,} without an arm length, so that their strokes go unjudged" if armless else ""
    )
    return [
        f"no register: {derived:,} wheel ends derived from inspections and [[wheel_ends]]{arms}"
    ]


def _reasons(con: duckdb.DuckDBPyConnection) -> list[tuple[str, str, int]]:
    return con.execute(
        """select table_name, reason_kind, count(*) from mart.set_aside
        group by all order by count(*) desc, table_name, reason_kind"""
    ).fetchall()


def _remarks(con: duckdb.DuckDBPyConnection) -> list[tuple[str, str]]:
    return con.execute(
        "select path, status from mart.loads where status <> 'loaded' order by path"
    ).fetchall()
