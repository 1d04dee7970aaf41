"""The month's page: one file that opens from disk and asks nobody for anything."""

from collections.abc import Sequence
from functools import cache
from importlib import resources
from typing import Any

import jinja2
import polars as pl
from markupsafe import Markup

from dashboards import histories
from dashboards.charts.history import lining_history, stroke_history
from dashboards.drawing.embedding import drawing_library, embedded_json, packed_spec, policy
from dashboards.drawing.figure import DIMENSIONS, Figure
from dashboards.drawing.room import MOST_BYTES, ROOMS, Room
from dashboards.drawing.theme import CONFIG, NUMBER_FORMAT
from dashboards.flagged import Flagged, flagged
from dashboards.notes import why_no_forecast
from dashboards.page_data import PageData
from dashboards.page_lists import page_lists
from dashboards.sections import ANALYST, ENGINEER, Section, sections
from dashboards.sentences.measures import Measures
from dashboards.sentences.method import CAUTIONS
from dashboards.sentences.missing import missing, reasons_counted
from dashboards.sentences.on_record import flags_judged, services_judged
from dashboards.sentences.words import count, day_name, month_key_name, month_name
from dashboards.summary import shorts

TEMPLATES = "templates"
FIRST_SHOWN = 4  # flags seen without asking for more
MOST_PRINTED = 60  # flags on paper; the page says where the others are
# The chapters beside the month itself: key, heading, what it is for.
READERS = (
    (
        ENGINEER,
        "For the engineer",
        "The whole fleet, relines and their money, service, and how far the totals can be trusted.",
    ),
    (
        ANALYST,
        "For the analyst",
        "Rates, lives, comparisons and tests, and how they are worked out.",
    ),
)
Drawn = dict[str, dict[str, Any]]  # figures by key, as the page's script takes them
DIMENSION_WORDS = {"depot": "Depot", "duty": "Duty", "axle_type": "Axle type"}


def rendered(
    data: PageData, parts: Sequence[Section] | None = None, library: str | None = None
) -> str:
    """The page of one month, whole: styles, drawing library, charts and numbers in one file.

    ``parts`` are its sections, ``library`` the drawing library, where they are made already.

    Under 4 MB whatever the fleet's size: what does not fit stays in the warehouse, and the page
    says how to get it.
    """
    parts = sections(data) if parts is None else parts
    library = library or drawing_library()
    figures = {f.key: _figure(f) for part in parts for f in part.figures}
    pages = (_with_room(data, parts, figures, room, library) for room in ROOMS)
    page = next(pages)
    while len(page.encode()) > MOST_BYTES:
        smaller = next(pages, None)
        if smaller is None:
            break
        page = smaller
    return page


def _with_room(
    data: PageData, parts: Sequence[Section], figures: Drawn, room: Room, library: str
) -> str:
    flags = flagged(data, room)
    style = _asset("page.css")
    scripts = [library, _asset("page.js")]
    embedded = embedded_json(_embedded(data, figures, flags, room))
    template = _environment().get_template("page.html.j2")
    return template.render(
        data=data,
        month_name=month_name(data.as_of),
        as_of=day_name(data.as_of),
        sections=parts,
        flagged=flags,
        first_shown=FIRST_SHOWN,
        in_print=MOST_PRINTED,
        shorts=shorts(data),
        lists=page_lists(data, room.listed),
        services=_services(data),
        linings=bool(data.wear_rates["readings"].sum()),
        no_forecast=why_no_forecast(data),
        readers=READERS,
        judged=flags_judged(data.on_record, data.wheel_end_status),
        cautions=CAUTIONS,
        missing=missing(data.loads, reasons_counted(data.set_aside)),
        months=_other_months(data),
        choices=_choices(data.wheel_end_status, data.fleet.duty_order),
        policy=policy(scripts, [style]),
        # These three are markup by intent: two files of ours, and JSON made safe where it is made.
        style=Markup(style),
        scripts=[Markup(s) for s in scripts],
        embedded=Markup(embedded),
    )


def _services(data: PageData) -> tuple[str, ...]:
    if data.overdue is None or data.on_record is None:
        return ("What is overdue was not worked out.",)
    return services_judged(data.on_record, data.overdue, data.overdue_if_there)


def month_index(months: Sequence[str]) -> str:
    """The page that lists the published months (``2025-03``) and opens the newest."""
    style = _asset("page.css")
    named = [(m, month_key_name(m)) for m in sorted(set(months), reverse=True)]
    template = _environment().get_template("index.html.j2")
    return template.render(months=named, policy=policy([], [style]), style=Markup(style))


def _embedded(data: PageData, figures: Drawn, flags: Flagged, room: Room) -> dict[str, Any]:
    measures = Measures(data.fleet)
    templates = {"lining": lining_history(measures), "stroke": stroke_history(measures)}
    return {
        "config": CONFIG,
        "numbers": NUMBER_FORMAT,
        "figures": figures,
        "histories": {name: chart.to_dict() for name, chart in templates.items()},
        "fleet": histories.packed(data, [r.wheel_end_id for r in flags.rows], room),
        "lengthUnit": measures.length_unit,
        "firstShown": FIRST_SHOWN,
        "printed": MOST_PRINTED,
    }


def _figure(figure: Figure) -> dict[str, Any]:
    return {
        "spec": packed_spec(figure.spec()),
        "matching": figure.matching,
        "dimensions": figure.dimensions,
        "said": {k: [s.title, s.note] for k, s in figure.said_for.items()},
        "belongs": dict(figure.belongs_to),
    }


def _choices(status: pl.DataFrame, duty_order: Sequence[str]) -> list[tuple[str, str, list[str]]]:
    """The filter's selects: dimension, label, values."""
    found = {d: status[d].drop_nulls().unique().sort().to_list() for d in DIMENSIONS}
    ranks = {duty: i for i, duty in enumerate(duty_order)}
    found["duty"].sort(key=lambda d: (ranks.get(d, len(ranks)), d))
    return [(d, DIMENSION_WORDS[d], found[d]) for d in DIMENSIONS]


def _other_months(data: PageData) -> list[tuple[str, str]]:
    """Published months but this one, newest first: key and name."""
    if data.months is None:
        return []
    keys = data.months["month"].cast(pl.String).str.slice(0, 7)
    others = sorted({k for k in keys if k != data.month}, reverse=True)
    return [(k, month_key_name(k)) for k in others]


@cache
def _asset(name: str) -> str:
    return (resources.files("dashboards") / TEMPLATES / name).read_text("utf-8")


@cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("dashboards", TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["count"] = count
    return environment
