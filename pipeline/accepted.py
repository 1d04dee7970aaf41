"""What a key of ``fleet.toml`` accepts, in words, from the type it was given."""

import datetime as dt
from collections.abc import Iterator, Sequence
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

_PLAIN = {
    bool: "true or false",
    int: "a whole number",
    float: "a number",
    str: "text",
    dt.date: "a date",
}
_BOUNDS = {"gt": "above", "ge": "from", "lt": "below", "le": "to"}


def accepted(field: FieldInfo) -> str:
    """What a key accepts, in words, with an example where words do not show its form."""
    words = " or ".join(dict.fromkeys(_words(field.annotation, field.metadata)))
    examples = ", ".join(field.examples or ())
    return f"{words}, as in {examples}" if examples else words


def _words(annotation: Any, limits: Sequence[Any] = ()) -> Iterator[str]:
    """One phrase for each kind of value that an annotation lets through."""
    inner = get_args(annotation)
    if get_origin(annotation) is Annotated:
        yield from _words(inner[0], [m for each in inner[1:] for m in _limits(each)])
    elif get_origin(annotation) is Literal:
        yield f"{', '.join(map(repr, inner[:-1]))} or {inner[-1]!r}".replace("'", '"')
    elif get_origin(annotation) in (Union, UnionType):
        kinds = (kind for kind in inner if kind is not type(None))
        yield from (words for kind in kinds for words in _words(kind, limits))
    elif get_origin(annotation) is tuple:
        yield "a list" if section_of(inner[0]) else f"a list, each {next(_words(inner[0]))}"
    elif get_origin(annotation) is dict:
        yield "values by name"
    else:
        yield _PLAIN.get(annotation, "text") + _between(limits)


def _limits(metadata: Any) -> Iterator[Any]:
    """The bounds that a ``Field`` inside an annotation sets."""
    yield from getattr(metadata, "metadata", (metadata,))


def _between(limits: Sequence[Any]) -> str:
    found = [
        f"{word} {getattr(limit, name):g}"
        for limit in limits
        for name, word in _BOUNDS.items()
        if getattr(limit, name, None) is not None
    ]
    return " " + " and ".join(found).replace(" and to", " to") if found else ""


def section_of(annotation: Any) -> type[BaseModel] | None:
    """The section that a key stands for, or each of its names; None for a plain value."""
    value = get_args(annotation)[-1] if get_origin(annotation) is dict else annotation
    return value if isinstance(value, type) and issubclass(value, BaseModel) else None
