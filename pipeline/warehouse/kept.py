"""What a fit found, kept in the warehouse as a table, so that later questions need no new fit.

A frozen dataclass of ``models`` is walked field by field down to arrays, series and plain values;
each of these is a row. Nothing in such a table is code, and nothing of it is run: what is made
again are dataclasses of this program, from the fields that they have.
"""

import dataclasses
import datetime as dt
import importlib
import io
import json
import zlib
from collections.abc import Iterator, Mapping
from typing import Any, cast

import duckdb
import numpy as np
import polars as pl

from models.lives.fits.distributions import (
    STANDARD_DISTRIBUTIONS,
    DistributionName,
    StandardDistribution,
)
from pipeline.errors import UserError
from pipeline.warehouse import warehouse

# What runs keep: the fleet as its forecast sees it and what its twins agree on, its adjusters'
# lives, what was missed before.
FLEET, AGREED = "fit.fleet_model", "fit.twins_agreed"
CHECKED, ERRORS = "fit.checked_groups", "fit.past_errors"
Leaf = tuple[str, str, bytes]
PLAIN = (bool, int, float, str, type(None))
FAST = 1  # zlib: most of what there is to gain, for little time
OTHER_VERSION = "it was made by another version of this program; run again, then ask"


def keep(con: duckdb.DuckDBPyConnection, table: str, thing: object) -> None:
    """Replace ``table`` by ``thing``, as :func:`as_rows` has it."""
    warehouse.put(con, table, as_rows(thing))


def as_rows(thing: object) -> pl.DataFrame:
    """A row per value inside ``thing``.

    Raises
    ------
    TypeError
        It holds something that is neither data nor a dataclass of ``models``.
    """
    rows = [(place, kind, zlib.compress(data, FAST)) for place, kind, data in _leaves(thing, "")]
    schema = {"place": pl.String, "kind": pl.String, "content": pl.Binary}
    return pl.DataFrame(rows, schema=schema, orient="row")


def kept(con: duckdb.DuckDBPyConnection, table: str) -> Any:
    """What was kept in ``table``.

    Raises
    ------
    UserError
        The table is not there, or does not fit the dataclasses that this version has.
    """
    if not warehouse.is_table(con, table):
        raise UserError(f"the last run kept no {table}: {OTHER_VERSION}")
    rows = con.execute(f"select place, kind, content from {table}").fetchall()
    try:
        leaves = {place: (kind, zlib.decompress(data)) for place, kind, data in rows}
        return _made(leaves, "")
    except (KeyError, TypeError, ValueError, AttributeError, ImportError, zlib.error) as error:
        raise UserError(f"{table} cannot be read ({error}): {OTHER_VERSION}") from None


def _leaves(thing: Any, place: str) -> Iterator[Leaf]:
    single = _leaf(thing)
    if single is not None:
        yield place, *single
    elif isinstance(thing, tuple | list):
        yield place, "tuple", json.dumps(len(thing)).encode()
        yield from _inside(enumerate(thing), place)
    elif isinstance(thing, Mapping):
        yield place, "mapping", json.dumps(len(thing)).encode()
        yield from _inside(enumerate(thing.items()), place)
    else:
        yield place, "fields", _name_of(type(thing)).encode()
        fields = (field.name for field in dataclasses.fields(thing))
        yield from _inside(((name, getattr(thing, name)) for name in fields), place)


def _leaf(thing: Any) -> tuple[str, bytes] | None:
    """Kind and content of what is one value; None for what has parts."""
    match thing:
        case np.ndarray():
            return "array", _array_bytes(thing)
        case pl.Series():
            return "series", _series_bytes(thing)
        case np.generic():
            return "value", json.dumps(thing.item()).encode()
        case StandardDistribution():  # made of functions: known by its name
            return "standard", thing.name.encode()
        case dt.date():
            return "date", thing.isoformat().encode()
        case tuple() | list() if all(isinstance(each, PLAIN) for each in thing):
            return "values", json.dumps(thing).encode()
        case _:
            return ("value", json.dumps(thing).encode()) if isinstance(thing, PLAIN) else None


def _inside(parts: Any, place: str) -> Iterator[Leaf]:
    for name, part in parts:
        yield from _leaves(part, f"{place}/{name}")


def _made(leaves: Mapping[str, tuple[str, bytes]], place: str) -> Any:
    kind, data = leaves[place]
    match kind:
        case "array":
            return np.load(io.BytesIO(data), allow_pickle=False)
        case "series":
            return pl.read_ipc(io.BytesIO(data)).to_series()
        case "value":
            return json.loads(data)
        case "standard":
            return STANDARD_DISTRIBUTIONS[cast(DistributionName, data.decode())]
        case "values":
            return tuple(json.loads(data))
        case "date":
            return dt.date.fromisoformat(data.decode())
        case "fields":
            made = _class_of(data.decode())
            names = [field.name for field in dataclasses.fields(made) if field.init]
            return made(**{name: _made(leaves, f"{place}/{name}") for name in names})
        case _:
            parts = tuple(_made(leaves, f"{place}/{n}") for n in range(json.loads(data)))
            return dict(parts) if kind == "mapping" else parts


def _array_bytes(array: np.ndarray) -> bytes:
    buffer = io.BytesIO()
    np.save(buffer, array, allow_pickle=False)
    return buffer.getvalue()


def _series_bytes(series: pl.Series) -> bytes:
    buffer = io.BytesIO()
    series.to_frame().write_ipc(buffer)
    return buffer.getvalue()


def _name_of(made: type) -> str:
    if not (dataclasses.is_dataclass(made) and made.__module__.startswith("models.")):
        raise TypeError(f"{made.__module__}.{made.__qualname__} cannot be kept")
    return f"{made.__module__}:{made.__qualname__}"


def _class_of(name: str) -> Any:
    module, _, found = name.partition(":")
    if not module.startswith("models."):
        raise TypeError(f"{name} is none of ours")
    made = getattr(importlib.import_module(module), found)
    if not dataclasses.is_dataclass(made):
        raise TypeError(f"{name} is no dataclass")
    return made
