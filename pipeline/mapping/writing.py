"""Findings as a commented part of ``fleet.toml``, between marks, and nothing beside it.

The part carries the digest of what was written: as long as nobody has touched it, it is written
anew. Once a person has, it is the person's: what is found later goes into a part below it.
"""

import hashlib
import json
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from glob import escape

from pipeline.lake.cells import NEVER_SHOWN
from pipeline.mapping.findings import ColumnFound, TableFound, with_columns
from pipeline.mapping.grids import Grid
from pipeline.mapping.job_lines.jobs import kinds_of
from pipeline.mapping.questions import Question, Value, form_key
from pipeline.mapping.tables import is_of, key_of, tables_in
from pipeline.settings import JobWords, OwnFile
from pipeline.values import counted

BEGIN, END = "# >>> drumline map", "# <<< drumline map"
_PART = re.compile(rf"^{BEGIN} ([0-9a-f]{{12}})[^\n]*\n(.*?)^{END}[^\n]*\n?", re.M | re.S)
_ANSWERS = re.compile(r"^\[answers\][^\n]*\n", re.M)
_UNSEEN = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]+")
_NOTHING = "   # taken for nothing"
_BARE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")


@dataclass(frozen=True, slots=True)
class Form:
    """One form of files: a table as found, and every place where it was; ``files`` tells its files
    from others with the same headings, ``sheets`` its sheets from others of the same files."""

    found: TableFound
    places: tuple[str, ...]
    row_count: int
    files: str = ""
    sheets: str = ""


def forms(found: Sequence[TableFound], recipes: Sequence[OwnFile] = ()) -> list[Form]:
    """Tables with the same headings are one form, with the words of all of them; two where some
    have units of their own. ``recipes`` are a person's own."""
    grouped: dict[tuple[object, ...], list[TableFound]] = {}
    for table in found:
        key = (table.table, table.heading.rows, _keys(table), table.own_units)
        grouped.setdefault(key, []).append(table)
    apart = {_keys(table) for table in found if table.own_units}
    apart |= {_keys(t) for t in found for r in recipes if r.files and set(_keys(t)) >= _own_keys(r)}
    mixed = _of_mixed_files(found, apart)
    return [
        Form(_merged(group), tuple(_place(t) for t in group), sum(t.row_count for t in group),
             *_where(group, found, apart, mixed))
        for group in grouped.values()
    ]  # fmt: skip


def _of_mixed_files(
    found: Sequence[TableFound], apart: set[tuple[str, ...]]
) -> set[tuple[str, ...]]:
    """Headings that sheets of one file share though their units are not the same."""
    units: dict[tuple[object, ...], set[object]] = {}
    for table in found:
        if (keys := _keys(table)) in apart:
            units.setdefault((keys, table.path), set()).add(table.own_units)
    return {keys for (keys, _), of in units.items() if len(of) > 1}  # type: ignore[misc]


def _where(
    group: Sequence[TableFound],
    found: Sequence[TableFound],
    apart: set[tuple[str, ...]],
    mixed: set[tuple[str, ...]],
) -> tuple[str, str]:
    """Patterns of the files and sheets of some tables, where others have the same headings."""
    if _keys(group[0]) in mixed:
        return "", "|".join(dict.fromkeys(escape(t.sheet) for t in group))
    return (_files_of(group, found), "") if _keys(group[0]) in apart else ("", "")


def _keys(table: TableFound) -> tuple[str, ...]:
    return tuple(map(key_of, table.heading.cells))


def _own_keys(recipe: OwnFile) -> set[str]:
    return {key_of(heading) for heading in recipe.columns}


def _files_of(group: Sequence[TableFound], found: Sequence[TableFound]) -> str:
    """A pattern of the paths of some tables: their folder, where no other table stands in it."""
    paths = list(dict.fromkeys(t.path for t in group))
    folders = {path.rpartition("/")[0] for path in paths}
    folder = f"{folders.pop()}/" if len(folders) == 1 else "/"
    others = [t.path for t in found if t not in group]
    if folder != "/" and not any(path.startswith(folder) for path in others):
        return f"{escape(folder)}*"
    return "|".join(map(escape, paths))


def _place(table: TableFound) -> str:
    return f"{table.path} [{table.sheet}]" if table.sheet else table.path


def _merged(group: list[TableFound]) -> TableFound:
    first = max(group, key=lambda table: len(table.asks))
    doubtful = frozenset[str]().union(*(c.asks for t in group for c in t.columns if c.target))
    columns = [
        _merged_column([_column(t, c.heading) for t in group]) if c.heading else c
        for c in first.columns
    ]
    merged = replace(
        first,
        columns=tuple(columns),
        # What one file shows is not said of another that leaves it open: each is read as it shows.
        day_first=None if "day_first" in doubtful else _same(t.day_first for t in group),
        decimal_comma=None
        if "decimal_comma" in doubtful
        else _same(t.decimal_comma for t in group),
        slid=sum(t.slid for t in group),
        days_shown=frozenset[bool]().union(*(t.days_shown for t in group)),
        sums=tuple(sorted({word for t in group for word in t.sums})),
        unstored=tuple(dict.fromkeys(h for t in group for h in t.unstored)),
        job_lines=_added(t.job_lines for t in group),
        missing=tuple(dict.fromkeys(m for t in group for m in t.missing)),
    )
    if merged.table == "none" or all(t.missing for t in group):
        return merged
    return with_columns(merged, merged.columns)  # what files disagree on may now be missing


def _column(table: TableFound, heading: str) -> ColumnFound:
    return next((c for c in table.columns if c.heading == heading), ColumnFound(heading, ()))


def _merged_column(same: list[ColumnFound]) -> ColumnFound:
    """A column as most is known of it; where files disagree it is left alone."""
    targets = {c.target for c in same if c.target}
    values = {word: meaning for c in reversed(same) for word, meaning in c.values.items()}
    if len(targets) > 1:
        return replace(same[0], target="", why=f"{' or '.join(sorted(targets))}, by file")
    wrong = [c for c in same if not c.target and c.examples]
    if targets and wrong:
        return replace(wrong[0], target="", values={})
    known = max(same, key=lambda c: (c.target != "", len(c.asks), bool(c.examples)))
    asks = frozenset[str]().union(*(c.asks for c in same))
    return replace(known, values=values, asks=asks)


def _same(told: object) -> bool | None:
    seen = {value for value in told if value is not None}  # type: ignore[attr-defined]
    return seen.pop() if len(seen) == 1 else None


def _added(told: Iterable[tuple[tuple[str, int], ...]]) -> tuple[tuple[str, int], ...]:
    counts: Counter[str] = Counter()
    for lines in told:
        counts.update(dict(lines))
    return tuple(counts.most_common())


def settling(table: TableFound, recipes: Sequence[OwnFile]) -> OwnFile | None:
    """A person's own ``[[files]]`` that say all that can be said of a table's columns."""
    headings = {key_of(cell) for cell in table.heading.cells}
    for recipe in recipes:
        own = {key_of(heading): told for heading, told in recipe.columns.items()}
        read = {heading for heading, told in own.items() if told or recipe.table == "none"}
        understood = {key_of(c.heading) for c in table.columns if c.target}
        if (
            is_of(recipe, table.path, table.sheet)
            and recipe.heading_rows == table.heading.rows
            and read <= headings
            and understood <= set(own)
        ):
            return recipe
    return None


def is_read_otherwise(table: TableFound, grid: Grid, path: str, recipes: Sequence[OwnFile]) -> bool:
    """Whether a person's own ``[[files]]`` read a table with a heading of other rows."""
    mine = range(table.heading.index, table.heading.index + table.heading.rows)
    return any(
        read.heading.rows != table.heading.rows
        and set(mine) & set(range(read.heading.index, read.heading.index + read.heading.rows))
        for read in tables_in(grid, recipes, path)
    )


def settings_text(
    text: str, written: Sequence[Form], answers: Mapping[str, Value], asked: Sequence[Question]
) -> str:
    """``fleet.toml`` with the findings in it; every line that a person wrote stays as it is."""
    kept = without_own_part(text)
    of_forms = {form_key(kind, f.found) for f in written for kind, _ in f.found.own_units}
    own = {key: value for key, value in answers.items() if key in of_forms}
    answers = {key: value for key, value in answers.items() if key not in of_forms}
    asked = [question for question in asked if not question.is_of_a_form]
    newline = "\r\n" if "\r\n" in kept else "\n"
    body = _body(kept, written, answers, asked, own)
    if _ANSWERS.search(kept) and answers:
        lines = "".join(f"{key} = {_value(value)}{newline}" for key, value in answers.items())
        kept = _ANSWERS.sub(lambda found: found.group() + lines, kept, count=1)
    if not body:
        return kept
    digest = hashlib.sha256(body.encode()).hexdigest()[:12]
    part = f"{BEGIN} {digest}: correct what is wrong; your lines stay\n{body}{END}\n"
    gap = (
        ""
        if not kept or kept.endswith(("\n\n", "\r\n\r\n"))
        else "\n"
        if kept.endswith("\n")
        else "\n\n"
    )
    return kept + (gap + part).replace("\n", newline)


def without_own_part(text: str) -> str:
    """The settings without the part that nobody has touched since it was written."""

    def kept(found: re.Match[str]) -> str:
        body = found.group(2).replace("\r\n", "\n")
        untouched = hashlib.sha256(body.encode()).hexdigest()[:12] == found.group(1)
        return "" if untouched else found.group()

    return _PART.sub(kept, text)


def _body(
    kept: str,
    written: Sequence[Form],
    answers: Mapping[str, Value],
    asked: Sequence[Question],
    own: Mapping[str, Value],
) -> str:
    parts = [] if _ANSWERS.search(kept) else _answers(answers, asked)
    if _ANSWERS.search(kept):
        parts = [_open(q) for q in asked if q.key not in answers]
    blocks = ["\n".join(parts) + "\n"] if parts else []
    blocks += [_form(form, own) for form in written]
    return "\n".join(blocks)


def _answers(answers: Mapping[str, Value], asked: Sequence[Question]) -> list[str]:
    if not answers and not asked:
        return []
    lines = ["[answers]"]
    for question in asked:
        if question.key in answers:
            lines.append(
                f"{question.key} = {_value(answers[question.key])}   # {_seen(question.text)}"
            )
        else:
            lines.append(_open(question))
    known = {question.key for question in asked}
    lines += [f"{key} = {_value(value)}" for key, value in answers.items() if key not in known]
    return lines


def _open(question: Question) -> str:
    """A question as a comment: whoever takes the mark away and keeps the right value answers it."""
    words = list(zip(question.choices.values(), question.accepted, strict=True))[:4]
    values = " or ".join(
        f"{_value(v)} ({word.partition(' ')[0]})" if isinstance(v, bool) else _value(v)
        for v, word in words
    )
    default = _value(question.choices[question.default])
    return (
        f"# {question.key} = {default}   # to answer: {_seen(question.text)} {values} "
        f"({_seen(question.where)})"
    )


def _form(form: Form, own: Mapping[str, Value]) -> str:
    """One ``[[files]]``, with what each column holds and is taken for, and the units that are its
    own."""
    found = form.found
    more = f" and {len(form.places) - 3} more" if len(form.places) > 3 else ""
    lines = [
        f"# {_seen(', '.join(form.places[:3]), 200)}{more}: {form.row_count:,} rows",
        "[[files]]",
    ]
    lines += _head(found)
    lines += [f"files = {_value(form.files)}"] if form.files else []
    lines += [f"sheets = {_value(form.sheets)}"] if form.sheets else []
    if found.is_usable:
        lines += [_own_unit(found, kind, units, own) for kind, units in found.own_units]
    lines += ["", "[files.columns]"]
    width = min(max((len(_key(c.heading)) for c in found.columns if c.heading), default=0), 40)
    lines += [_line(c, width) for c in found.columns if c.heading]
    for column in found.columns:
        if column.target and column.values:
            lines += ["", f"[files.values.{_key(column.heading)}]"]
            lines += [
                f"{_key(w)} = {_value(v)}{_NOTHING * (not v)}" for w, v in column.values.items()
            ]
    lines += _jobs(found) if any(c.target == "job" for c in found.columns) else []
    return "\n".join(lines) + "\n"


def _own_unit(found: TableFound, kind: str, units: Sequence[str], own: Mapping[str, Value]) -> str:
    """The unit of lengths or odometers of a form, where it is not that of others."""
    if form_key(kind, found) in own:
        return f"{kind} = {_value(own[form_key(kind, found)])}"
    told = " or ".join(map(_value, units))
    return f'{kind} = "ask"   # to answer: {told}; not the unit of other files, by its cells'


def _head(found: TableFound) -> list[str]:
    if found.table != "none" and found.missing:
        lacks = ", ".join(found.missing)
        lines = [f'table = "none"   # "{found.table}" once a column is named for: {lacks}']
    elif found.table == "none":
        lines = ['table = "none"   # nothing of brakes was understood: left alone']
    else:
        lines = [f'table = "{found.table}"']
    lines += [f"heading_rows = {found.heading.rows}"] if found.heading.rows > 1 else []
    for key in ("day_first", "decimal_comma"):
        value = getattr(found, key)
        lines += [f"{key} = {_value(value)}   # as its cells show"] if value is not None else []
    if found.both_sides:
        lines.append("both_sides = true   # no column for the side: a row is of both")
    return lines


def _line(column: ColumnFound, width: int) -> str:
    hidden = column.target in NEVER_SHOWN
    shown = "" if hidden else ", ".join(_seen(e, 24) for e in column.examples)
    why = "" if column.target else f"{_seen(column.told, 132)}; "
    return f"{_key(column.heading):{width}} = {_value(column.target)}   # {why}{shown}".rstrip(
        " #;"
    )


def _jobs(found: TableFound) -> list[str]:
    """Room for a fleet's own patterns, and what the lines become without any."""
    lines = [
        "",
        "# Wordings known in a dozen languages need no line here. Patterns that you write go",
        "# before them: + and, | or, * any ending; the first that fits counts.",
        "[files.jobs]",
        "not_done = []   # words of work that was not done, beside those known",
        "",
        "[files.jobs.actions]",
    ]
    for kind, told in kinds_of(found.job_lines, JobWords()).items():
        lines.append(f"# {counted(sum(n for _, n in told), 'line')}: {kind}, as in")
        lines += [f"#   {n:,} × {_seen(line, 70)}" for line, n in told[:12]]
        lines += [f"#   and {counted(len(told) - 12, 'other wording')}"] * (len(told) > 12)
    return [*lines, "", "[files.jobs.reasons]"]


def _value(value: Value) -> str:
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return str(value).lower()


def _key(name: str) -> str:
    return name if _BARE.fullmatch(name) else _value(name)


def _seen(text: str, most: int = 160) -> str:
    """Text for a comment: on one line, and nothing in it that a terminal would act on."""
    plain = _UNSEEN.sub(" ", text)
    return plain if len(plain) <= most else plain[: most - 1] + "…"
