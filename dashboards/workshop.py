"""Workshop sheets: one page of paper a unit, from what is known of its wheel ends."""

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import jinja2
import polars as pl
from markupsafe import Markup

from dashboards.drawing.embedding import policy
from dashboards.drawing.theme import STATE_WORDS
from dashboards.page_data import Fleet
from dashboards.sentences.measures import Measures
from dashboards.sentences.method import CAUTIONS
from dashboards.sentences.words import NOTHING, capital, count, day_name, listed, number, span

# In the order of the columns to write into; faults are always asked for.
ASKED = (
    "lining_mm",
    "wear_indicator_deg",
    "free_stroke_mm",
    "applied_stroke_mm",
    "marks_aligned",
    "return_test",
    "cap_state",
)
LAST_READINGS = 2  # shown per wheel end, the newest first


@dataclass(frozen=True, slots=True)
class WorkshopData:
    """What sheets are made from, in mm and km.

    ends
        One row per wheel end of the chosen units, in the order of the sheets: ``unit_id``,
        ``wheel_end_id``, ``depot``, ``axle_type``, ``duty``, ``arm_length_mm``, ``lining_min_mm``,
        ``chamber_size``, ``readjust_limit_mm``, ``state`` (in words or as its code), ``flagged``,
        ``priority``, ``evidence``.
    readings
        The latest inspections as found: ``wheel_end_id``, ``inspected_on``, ``lining_mm``,
        ``free_stroke_mm``, ``applied_stroke_mm``, ``return_test``, ``cap_state``; any order.
    sightings
        ``unit_id``, ``seen_on``, ``odometer_km``: the unit's last odometer reading.
    overdue
        ``wheel_end_id``, ``kind``, ``due_on``: what is overdue.
    recorded
        The readings that this fleet has on record at all: others are not asked for. All of them
        for a fleet that has none yet.
    """

    fleet: Fleet
    as_of: dt.date
    ends: pl.DataFrame
    readings: pl.DataFrame
    sightings: pl.DataFrame
    overdue: pl.DataFrame
    recorded: tuple[str, ...] = ASKED


@dataclass(frozen=True, slots=True)
class EndLine:
    """One wheel end's row on its unit's sheet."""

    name: str
    axle_type: str
    arm: str
    band: str
    aim: str
    minimum: str
    limit: str
    readings: tuple[tuple[str, str, str, str], ...]  # day, lining, free stroke, the rest
    flagged: bool


@dataclass(frozen=True, slots=True)
class Look:
    """A wheel end to look at: what is the matter with it, why that is said, and what to do."""

    name: str
    state: str
    evidence: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """One unit's page."""

    unit: str
    depot: str
    duty: str
    odometer: str
    ends: tuple[EndLine, ...]
    looks: tuple[Look, ...]
    due: tuple[str, ...]


# The heading of each reading that the sheet asks for.
HEADINGS = {
    "lining_mm": "Lining",
    "wear_indicator_deg": "Wear pointer, °",
    "free_stroke_mm": "Free stroke",
    "applied_stroke_mm": "Applied stroke",
    "marks_aligned": "Marks in line",
    "return_test": "Returns",
    "cap_state": "Cap",
}
# What is read by looking, in one step; what is measured or tried, in steps of its own. All is
# said so that it holds for whichever maker's parts there are.
LOOKED_AT = {
    "lining_mm": "the lining at its thinnest point",
    "wear_indicator_deg": "the wear pointer where there is one",
    "cap_state": "the grease cap (seated, open, missing)",
    "marks_aligned": "whether the adjuster's marks line up, where its maker put any",
}
MEASURED = {
    "free_stroke_mm": "Brakes released, arm pulled by hand: its pin's travel is the free stroke.",
    "applied_stroke_mm": "Brakes applied at test pressure: pushrod travel is the applied stroke.",
    "return_test": "Return test, as the adjuster's maker describes it: taken out of adjustment, it "
    "must find its way back by itself. One that does not is faulty: it is replaced, not re-set.",
}
SAFE_FIRST = "Level ground, wheels chocked, air and spring brakes made safe before hands go in."
FOUND_FIRST = "Write down day, odometer and every reading as found, before any work."
REPLACED = "An adjuster that fails its return test is replaced, not re-set."
WORK_STEPS = (
    "Set only what passed, to the aim, in its maker's way. Setting again what keeps going out of "
    "adjustment hides a fault: find the cause.",
    "Grease as the maker says, with the cap back in its seat: a cap left open lets dirt in. Lining "
    "dust is never blown about.",
)
AS_LEFT = "After work, measure the free stroke again and write it under “as left”"
POINTER_RESET = "after a reline, reset the wear pointer"
STEPS_SOURCE = (
    "The steps and the band are common practice, not a maker's. Where the maker's manual or local "
    "law says otherwise, they are right and this sheet is wrong."
)
OWN_SOURCE = (
    "These steps are the fleet's own, from fleet.toml. Where the maker's manual or local law says "
    "otherwise, they are right and this sheet is wrong."
)


def steps_for(fleet: Fleet, recorded: Sequence[str]) -> tuple[str, ...]:
    """The steps on a sheet: the fleet's own, or general ones for the readings that it records."""
    if fleet.steps:
        return (SAFE_FIRST, *fleet.steps, REPLACED)
    looked = [what for name, what in LOOKED_AT.items() if name in recorded]
    taken = [f"Brakes released, read {listed(looked)}."] * bool(looked)
    taken += [what for name, what in MEASURED.items() if name in recorded]
    after = [
        *([AS_LEFT] if "free_stroke_mm" in recorded else []),
        *([POINTER_RESET] if "wear_indicator_deg" in recorded else []),
    ]
    tested = [] if "return_test" in recorded else [REPLACED]
    last = [f"{capital('; '.join(after))}."] * bool(after)
    return (SAFE_FIRST, FOUND_FIRST, *taken, *tested, *WORK_STEPS, *last)


def workshop_sheets(data: WorkshopData) -> str:
    """The sheets of the chosen units, whole: one HTML file that prints to A4 and runs nothing."""
    style = _asset("workshop.css")
    sheets = unit_sheets(data)
    return _template().render(
        sheets=sheets,
        how_many=count(len(sheets), "unit"),
        fleet=data.fleet.name or "Fleet",
        as_of=day_name(data.as_of),
        unit=data.fleet.length_unit,
        distance=data.fleet.distance_unit,
        steps=steps_for(data.fleet, data.recorded),
        steps_source=OWN_SOURCE if data.fleet.steps else STEPS_SOURCE,
        asked=[HEADINGS[name] for name in ASKED if name in data.recorded] + ["Fault"],
        shown=_shown(data),
        cautions=CAUTIONS,
        band_source=data.fleet.band_source,
        takes_up=_takes_up(data.fleet.take_up_deg),
        policy=policy([], [style]),
        style=Markup(style),
    )


def _shown(data: WorkshopData) -> dict[str, bool]:
    """Which of the columns of what is known, and of what is left, this fleet has a use for."""
    strokes = "free_stroke_mm" in data.recorded
    limits = data.ends["readjust_limit_mm"].is_not_null().any()
    return {
        "stroke": strokes,
        "chamber": "applied_stroke_mm" in data.recorded or bool(limits),
        "lining": "lining_mm" in data.recorded,
    }


def unit_sheets(data: WorkshopData) -> tuple[Sheet, ...]:
    readings = _by_wheel_end(data.readings.sort("inspected_on", descending=True))
    due = _by_wheel_end(data.overdue)
    seen = {r["unit_id"]: r for r in data.sightings.iter_rows(named=True)}
    units = data.ends.partition_by("unit_id", maintain_order=True)
    return tuple(_sheet(ends.to_dicts(), data, readings, due, seen) for ends in units)


Rows = list[dict[str, Any]]


def _by_wheel_end(frame: pl.DataFrame) -> dict[str, Rows]:
    parts = frame.partition_by("wheel_end_id", maintain_order=True, as_dict=True)
    return {str(key[0]): part.to_dicts() for key, part in parts.items()}


def _sheet(
    ends: Rows,
    data: WorkshopData,
    readings: dict[str, Rows],
    due: dict[str, Rows],
    seen: dict[str, dict[str, Any]],
) -> Sheet:
    measures = Measures(data.fleet)
    first, names = ends[0], [e["wheel_end_id"] for e in ends]
    flagged = sorted((e for e in ends if e["flagged"]), key=lambda e: -(e["priority"] or 0.0))
    return Sheet(
        unit=first["unit_id"],
        depot=first["depot"] or "No depot on record",
        duty=first["duty"] or "no duty on record",
        odometer=_odometer(seen.get(first["unit_id"]), measures),
        ends=tuple(_line(e, measures, readings.get(e["wheel_end_id"], [])) for e in ends),
        looks=tuple(_look(e) for e in flagged),
        due=_overdue_said([(n, r) for n in names for r in due.get(n, [])], len(ends)),
    )


def _takes_up(degrees: float | None) -> str:
    """Pushrod travel turns the camshaft: an arc of the arm's length (geometry)."""
    if degrees is None:  # differs by maker
        return ""
    arc = math.radians(degrees)
    return (
        f"By the fleet's settings its adjusters take up past {degrees:g}° of camshaft turn: "
        f"an applied stroke of about {number(100 * arc)} % of its arm."
    )


def _odometer(sighting: dict[str, Any] | None, measures: Measures) -> str:
    if sighting is None or sighting["odometer_km"] is None:
        return "no odometer on record"
    reading = f"{number(sighting['odometer_km'] * measures.per_km)} {measures.distance_unit}"
    return f"{reading} on {day_name(sighting['seen_on'])}"


def _line(end: dict[str, Any], measures: Measures, readings: Rows) -> EndLine:
    arm, fleet = end["arm_length_mm"], measures.fleet
    low, aim, high = (
        _length(None if arm is None else arm * of_arm, measures)
        for of_arm in (fleet.band_low, fleet.target, fleet.band_high)
    )
    return EndLine(
        name=_short_name(end),
        axle_type=end["axle_type"],
        arm=_length(arm, measures, 0),
        band=span(low, high),
        aim=aim,
        minimum=_length(end["lining_min_mm"], measures),
        limit=_limit(end, measures),
        readings=tuple(_reading(r, measures) for r in readings[:LAST_READINGS]),
        flagged=bool(end["flagged"]),
    )


def _short_name(end: dict[str, Any]) -> str:
    """The wheel end on its unit's own sheet: ``2L`` of ``T0412/2L``."""
    return str(end["wheel_end_id"]).removeprefix(f"{end['unit_id']}/")


def _length(value_mm: float | None, measures: Measures, digits: int = 1) -> str:
    """In the unit that the sheet's headings name."""
    if value_mm is None:
        return NOTHING
    inches = measures.length_unit == "in"
    return number(value_mm * measures.per_mm, digits + 2 if inches else digits)


def _limit(end: dict[str, Any], measures: Measures) -> str:
    """Chamber and the applied stroke at which it is readjusted, where the fleet says one."""
    limit = end["readjust_limit_mm"]
    size = end["chamber_size"] or NOTHING
    return size if limit is None else f"{size}: {_length(limit, measures)}"


def _reading(row: dict[str, Any], measures: Measures) -> tuple[str, str, str, str]:
    passed = {"pass": "returns", "fail": "fails its return test"}.get(row["return_test"] or "")
    cap = {"open": "cap open", "missing": "cap missing"}.get(row["cap_state"] or "")
    applied = row["applied_stroke_mm"]
    stroke = None if applied is None else f"applied {_length(applied, measures)}"
    return (
        day_name(row["inspected_on"]),
        _length(row["lining_mm"], measures),
        _length(row["free_stroke_mm"], measures),
        ", ".join(word for word in (stroke, passed, cap) if word),
    )


def _look(end: dict[str, Any]) -> Look:
    state = end["state"]
    return Look(_short_name(end), STATE_WORDS.get(state, state), end["evidence"] or "")


def _overdue_said(overdue: Sequence[tuple[str, dict[str, Any]]], ends: int) -> tuple[str, ...]:
    """``Greasing was due 3 May 2025 at all wheel ends``: one line a kind and day."""
    grouped: dict[tuple[str, dt.date], list[str]] = {}
    for name, row in overdue:
        grouped.setdefault((row["kind"], row["due_on"]), []).append(name.rpartition("/")[2])
    return tuple(
        f"{kind.capitalize()} was due {day_name(day)} at "
        f"{'all wheel ends' if len(names) == ends else ', '.join(names)}"
        for (kind, day), names in sorted(grouped.items())
    )


@cache
def _asset(name: str) -> str:
    return (resources.files("dashboards") / "templates" / name).read_text("utf-8")


@cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("dashboards", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("workshop.html.j2")
