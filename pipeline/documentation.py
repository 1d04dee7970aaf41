"""Reference pages, made from the contract, the settings, the mart schemas and their SQL.

``python -m pipeline.documentation`` writes each beside what it describes; a test fails when a page
and the code disagree. What a person writes stands in ``README.md``, which links them.
"""

import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import dataframely as dy
from pydantic import BaseModel
from pydantic_core import PydanticUndefined

from pipeline.accepted import accepted
from pipeline.contract import TABLES, accepted_values, is_required, unit_of
from pipeline.marts import marts
from pipeline.settings import Settings
from pipeline.warehouse import warehouse

HERE = Path(__file__).parent
SQL_MARTS = ("17_mart", "40_mart")


MADE = "<!-- made by `python -m pipeline.documentation` from the code it describes -->"
LAKE = """
# What goes in

Columns of the lake's four tables. Headings are these names in any case, or the fleet's own, mapped
under `[columns.TABLE]` ([settings](../SETTINGS.md)). A column ending in `_mm` may come as `_in`
(inches), one ending in `_km` as `_mi` (miles); `[units]` says what the plain names hold.
"""
SETTINGS = """
# Settings

Keys of `LAKE/fleet.toml`; every one has a default, and an unknown key is an error that names the
nearest known one.
"""
MARTS = """
# What comes out

Tables of schema `mart` in `OUT/drumline.duckdb`. Lengths are in mm, distances in km, whatever the
fleet's own units; `_low` and `_high` are 95 % limits, `_p10` and `_p90` hold 8 outcomes in 10.
"""


def lake_tables() -> str:
    """What goes in: a table per folder of the lake."""
    parts = []
    for table in TABLES.values():
        rows = [
            (f"`{name}`", "yes" if is_required(c) else "", accepted_values(c), c.description or "")
            for name, c in table.schema.columns().items()
        ]
        parts.append(f"**`{table.name}/`** {_summary(table.schema)}\n")
        parts.append(_table(("column", "required", "accepted", "meaning"), rows))
    return "\n".join(parts)


def mart_tables() -> str:
    """What comes out: a table per mart."""
    parts = []
    for name, schema in marts.SCHEMAS.items():
        rows = [
            (f"`{column}`", unit_of(c) or "", c.description or "")
            for column, c in schema.columns().items()
        ]
        parts.append(f"**`mart.{name}`** {_summary(schema)}\n")
        parts.append(_table(("column", "unit", "meaning"), rows))
    return "\n".join(parts)


def mart_index() -> str:
    """Every mart and its grain; meaning and columns of those that SQL makes."""
    described = [
        (f"`mart.{name}`", _grain(_summary(schema)), "columns below")
        for name, schema in marts.SCHEMAS.items()
    ]
    selected = [
        (f"`mart.{name}`", _grain(header["grain"]), f"{header['meaning']}. {_quoted(columns)}")
        for name, header, columns in sql_marts()
    ]
    return _table(("table", "one row per", "what it holds"), sorted(described + selected))


def _grain(sentence: str) -> str:
    """``wheel end of the register`` of ``One row per wheel end of the register.``"""
    return re.sub(r"^(One row(?: per|:)|one) ", "", sentence).removesuffix(".")


def _quoted(columns: Sequence[str]) -> str:
    return ", ".join(f"`{column}`" for column in columns)


def sql_marts() -> Iterator[tuple[str, dict[str, str], list[str]]]:
    """(name, header, columns) of every mart that is one SELECT."""
    for folder in SQL_MARTS:
        for table, select in warehouse.sql_files(folder):
            comment = select.partition("\nwith ")[0].replace("\n--         ", "")
            header = dict(re.findall(r"^-- (\w+): (.*)$", comment, flags=re.M))
            yield table.partition(".")[2], header, _selected(select)


def _selected(select: str) -> list[str]:
    """Names of the columns of the last CTE: what each of its expressions ends with."""
    body = select.partition("final as (\n    select\n")[2].partition("\n    from ")[0]
    nested = r"\((?:[^()]|\([^()]*\))*\)|case\b.*?\bend\b"
    expressions = re.sub(nested, "", body, flags=re.S).split(",")
    return [re.split(r"[\s.]", expression.strip())[-1] for expression in expressions]


def settings_table() -> str:
    """Every key of fleet.toml with its default."""
    rows = [
        (f"`{section}`", f"`{key}`", default, takes, meaning)
        for section, key, default, takes, meaning in _keys(Settings, "")
    ]
    return _table(("section", "key", "default", "accepted", "meaning"), rows)


def _summary(schema: type[dy.Schema]) -> str:
    return (schema.__doc__ or "").strip().splitlines()[0]


def _table(headings: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    lines = [headings, tuple("---" for _ in headings), *rows]
    return "".join(
        "| " + " | ".join(c.replace("|", "\\|") for c in line) + " |\n" for line in lines
    )


def _keys(model: type[BaseModel], section: str) -> Iterator[tuple[str, str, str, str, str]]:
    for name, field in model.model_fields.items():
        inner, path = _section(field.annotation), f"{section}.{name}".lstrip(".")
        if inner is not None:
            yield from _keys(inner[0], f"{path}{inner[1]}")
            continue
        default = "required" if field.default is PydanticUndefined else _shown(field.default)
        where = (_in_brackets(section), name) if section else (f"[{name}.TABLE]", "HEADING")
        yield *where, default, accepted(field), field.description or ""


def _in_brackets(section: str) -> str:
    """As TOML writes it: a section of a list has two of each."""
    name = section.replace("[]", "")
    return f"[[{name}]]" if section.endswith("[]") else f"[{name}]"


def _section(annotation: Any) -> tuple[type[BaseModel], str] | None:
    """(model, what stands behind its name) of a section; None for a plain value."""
    inner = getattr(annotation, "__args__", ("",))
    each = "[]" if inner[-1] is Ellipsis else ".NAME"
    for candidate, behind in ((annotation, ""), (inner[0], each), (inner[-1], each)):
        if isinstance(candidate, type) and issubclass(candidate, BaseModel):
            return candidate, behind
    return None


def _shown(default: object) -> str:
    match default:
        case None:
            return "not set"
        case bool():
            return str(default).lower()
        case "":
            return "empty"
        case {} | ():
            return "none"
        case _:
            return f"{default}"


def _page(intro: str, *tables: str) -> str:
    return "\n".join((MADE + intro, *tables))


PAGES: dict[Path, Callable[[], str]] = {
    HERE / "lake" / "LAKE.md": lambda: _page(LAKE, lake_tables()),
    HERE / "SETTINGS.md": lambda: _page(SETTINGS, settings_table()),
    HERE / "marts" / "MARTS.md": lambda: _page(MARTS, mart_index(), mart_tables()),
}


if __name__ == "__main__":
    for path, made in PAGES.items():
        path.write_text(made(), encoding="utf-8")
