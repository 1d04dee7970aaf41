"""JSON lines → records: on each line one object of plain values, as databases and services export.

Names are those of all records, in the order in which they first stand; what a record has not is
null. A line that is no such object makes the file unreadable, for it may have lost its end.
"""

import json
from dataclasses import dataclass
from typing import NoReturn

from pipeline.errors import UnreadableFileError
from pipeline.lake.workbooks import require_columns

ACCEPTED = 'accepted: one object of plain values, as in {"unit": "T101", "lining_mm": 14.5}'
NESTED = "more than one value"
MOST_VALUES = 20_000_000  # each takes some 100 bytes until the file is read


@dataclass(frozen=True, slots=True)
class Records:
    """``rows``: the number of each line, and its values in the order of ``names``."""

    names: tuple[str, ...]
    rows: tuple[tuple[int, tuple[object, ...]], ...]


def read_records(text: str) -> Records:
    """The records of a text.

    Raises
    ------
    UnreadableFileError
        A line is no object, there is none, or there are more columns or cells than can be read.
    """
    if max(text.count(":"), text.count(",")) > MOST_VALUES:
        raise UnreadableFileError(f"over {MOST_VALUES:,} values; accepted: fewer in a file")
    lines = [(no, line) for no, line in enumerate(text.split("\n"), start=1) if line.strip()]
    found = [(no, _record(no, line)) for no, line in lines]
    names = tuple(dict.fromkeys(name for _, record in found for name in record))
    if not names:
        raise UnreadableFileError(f"no record; {ACCEPTED}")
    require_columns(len(names))
    if len(names) * len(found) > MOST_VALUES:
        raise UnreadableFileError(f"over {MOST_VALUES:,} cells; accepted: fewer in a file")
    rows = ((no, tuple(map(record.get, names))) for no, record in found)
    return Records(tuple(name.strip() for name in names), tuple(rows))


def _record(no: int, line: str) -> dict[str, object]:
    try:
        told = json.loads(line, parse_constant=_refused, object_pairs_hook=_once_each)
    except (ValueError, RecursionError):
        told = None
    if not isinstance(told, dict):
        raise UnreadableFileError(f'in line {no} "{line.strip()[:40]}"; {ACCEPTED}')
    return {name: _plain(value) for name, value in told.items()}


def _once_each(pairs: list[tuple[str, object]]) -> dict[str, object]:
    """An object; of two values under one name nobody knows which is meant."""
    told = dict(pairs)
    if len(told) < len(pairs):
        raise ValueError("a name twice")
    return told


def _refused(word: str) -> NoReturn:
    raise ValueError(word)


def _plain(value: object) -> object:
    """Lists and objects are no cell: what they hold stays unread, and is told."""
    return NESTED if isinstance(value, dict | list) else value
