"""JSON → records: on each line one object, as databases and services export, or all of them in one
list.

Names are those of all records, in the order in which they first stand; what a record has not is
null. A line that is no object makes the file unreadable, for it may have lost its end. An object
within another gives its values to it (``odometer km``), and of a list of objects within one each is
a record of its own, with what stands around it.
"""

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import NoReturn

from pipeline.errors import UnreadableFileError
from pipeline.lake.workbooks import require_columns

ACCEPTED = 'accepted: one object of plain values, as in {"unit": "T101", "lining_mm": 14.5}'
NESTED = "more than one value"
LISTED = 'accepted: one list of objects, as in [{"unit": "T101", "lining_mm": 14.5}]'
DEEPEST = 8
MOST_VALUES = 20_000_000  # each takes some 100 bytes until the file is read


@dataclass(frozen=True, slots=True)
class Records:
    """``rows``: the number of each line, or the place of a record where lines hold several, and its
    values in the order of ``names``."""

    names: tuple[str, ...]
    rows: tuple[tuple[int, tuple[object, ...]], ...]


def read_records(text: str) -> Records:
    """The records of a text.

    Raises
    ------
    UnreadableFileError
        A line is no object, there is none, or there are more columns or cells than can be read;
        lists lie in lists, or two beside each other.
    """
    _require_few(text)
    lines = [(no, line) for no, line in enumerate(text.split("\n"), start=1) if line.strip()]
    found = list(_all_flat((no, _record(no, line)) for no, line in lines))
    if len(found) == len(lines):
        return _records(found)
    return _records([(place, record) for place, (_, record) in enumerate(found, start=1)])


def read_document(text: str) -> Records:
    """The records of a text that is one list of objects, or one object with such a list in it; a
    record's number is its place. Of any other text, those of its lines.

    Raises
    ------
    UnreadableFileError
        As of :func:`read_records`; lists lie in lists, or two beside each other.
    """
    _require_few(text)
    try:
        told = json.loads(text, parse_constant=_refused, object_pairs_hook=_once_each)
    except (ValueError, RecursionError):
        return read_records(text)
    objects = told if isinstance(told, list) else [told]
    if not all(isinstance(one, dict) for one in objects):
        raise UnreadableFileError(f'"{text.strip()[:40]}"; {LISTED}')
    flat = _all_flat(enumerate(objects))
    return _records([(place, record) for place, (_, record) in enumerate(flat, start=1)])


def _all_flat(
    objects: Iterable[tuple[int, dict[str, object]]],
) -> Iterator[tuple[int, dict[str, object]]]:
    """The records of all objects, each with its object's number."""
    values = 0
    for no, told in objects:
        for record in _flat(told):
            values += len(record)
            if values > MOST_VALUES:
                raise UnreadableFileError(f"over {MOST_VALUES:,} values; accepted: fewer in a file")
            yield no, record


def _flat(told: dict[str, object], depth: int = 0) -> list[dict[str, object]]:
    """An object's own values, once for each object of the one list of them that is in it."""
    if depth > DEEPEST:
        raise UnreadableFileError(f"objects in objects, over {DEEPEST} deep; {LISTED}")
    listed = [name for name, value in told.items() if _is_list_of_objects(value)]
    if len(listed) > 1:
        beside = f'lists beside each other, "{listed[0]}" and "{listed[1]}"'
        raise UnreadableFileError(f"{beside}; {LISTED}")
    plain = _plain_of(told, listed, depth)
    items = told[listed[0]] if listed else None
    if not isinstance(items, list):
        return [plain]
    require_columns(len(plain))
    if len(plain) * len(items) > MOST_VALUES:
        raise UnreadableFileError(f"over {MOST_VALUES:,} cells; accepted: fewer in a file")
    return [_together(plain, of, listed[0]) for item in items for of in _flat(item, depth + 1)]


def _plain_of(told: dict[str, object], listed: list[str], depth: int) -> dict[str, object]:
    """An object's values but for its list, with those of objects within it."""
    plain: dict[str, object] = {}
    for name, value in told.items():
        if isinstance(value, dict):
            within = _flat(value, depth + 1)
            if len(within) != 1:
                raise UnreadableFileError(f'a list within "{name}"; {LISTED}')
            plain |= {f"{name} {own}": one for own, one in within[0].items()}
        elif name not in listed:
            plain[name] = _plain(value)
    return plain


def _together(around: dict[str, object], own: dict[str, object], listed: str) -> dict[str, object]:
    """What stands around a list and what one of it says; a name of both is that of the list too."""
    return around | {
        name if name not in around else f"{listed} {name}": v for name, v in own.items()
    }


def _is_list_of_objects(value: object) -> bool:
    return isinstance(value, list) and value != [] and all(isinstance(one, dict) for one in value)


def _require_few(text: str) -> None:
    if max(text.count(":"), text.count(",")) > MOST_VALUES:
        raise UnreadableFileError(f"over {MOST_VALUES:,} values; accepted: fewer in a file")


def _records(found: Sequence[tuple[int, dict[str, object]]]) -> Records:
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
    return told


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
