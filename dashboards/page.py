"""The month's page: one file that opens from disk and asks nobody for anything."""

from collections.abc import Sequence
from functools import cache
from importlib import resources
from typing import Any

import jinja2
import polars as pl
from markupsafe import Markup

from dashboards.embedding import drawing_library, embedded_json, policy
from dashboards.figure import DIMENSIONS, Figure
from dashboards.flagged import flagged
from dashboards.page_data import PageData
from dashboards.sections import Section, sections
from dashboards.theme import CONFIG
from dashboards.words import day_name, month_key_name, month_name

TEMPLATES = "templates"


def rendered(data: PageData) -> str:
    """The page of one month, whole: styles, drawing library, charts and numbers in one file."""
    parts = sections(data)
    style, script = _asset("page.css"), _asset("page.js")
    scripts = [drawing_library(), script]
    return (
        _environment()
        .get_template("page.html.j2")
        .render(
            data=data,
            month_name=month_name(data.as_of),
            as_of=day_name(data.as_of),
            sections=parts,
            flagged=flagged(data),
            choices=_choices(data.wheel_end_status, data.fleet.duty_order),
            policy=policy(scripts, [style]),
            style=Markup(style),  # ours, no part of it from the data
            scripts=[Markup(s) for s in scripts],  # likewise
            embedded=Markup(embedded_json(_embedded(data, parts))),  # escaped by embedded_json
        )
    )


def month_index(months: Sequence[str]) -> str:
    """The page that lists the published months (``2025-03``) and opens the newest."""
    style = _asset("page.css")
    newest_first = sorted(set(months), reverse=True)
    named = [(m, month_key_name(m)) for m in newest_first]
    return (
        _environment()
        .get_template("index.html.j2")
        .render(months=named, policy=policy([], [style]), style=Markup(style))
    )


def _embedded(data: PageData, parts: Sequence[Section]) -> dict[str, Any]:
    figures = [f for part in parts for f in part.figures]
    return {
        "config": CONFIG,
        "figures": {f.key: _figure(f) for f in figures},
    }


def _figure(figure: Figure) -> dict[str, Any]:
    return {
        "spec": figure.spec(),
        "matching": figure.matching,
        "dimensions": figure.dimensions,
        "said": {k: [s.title, s.note] for k, s in figure.said_for.items()},
        "belongs": dict(figure.belongs_to),
    }


def _choices(status: pl.DataFrame, duty_order: Sequence[str]) -> dict[str, list[str]]:
    found = {d: status[d].drop_nulls().unique().sort().to_list() for d in DIMENSIONS}
    ranks = {duty: i for i, duty in enumerate(duty_order)}
    found["duty"].sort(key=lambda d: (ranks.get(d, len(ranks)), d))
    return found


@cache
def _asset(name: str) -> str:
    return (resources.files("dashboards") / TEMPLATES / name).read_text("utf-8")


@cache
def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.PackageLoader("dashboards", TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
