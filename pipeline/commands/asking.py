"""``drumline ask``: what if, answered from the last run's posterior, in the same futures.

A run keeps all that it knows of the fleet (``fit.fleet_model``), of the lives of its adjusters
(``fit.checked_groups``), of what earlier forecasts missed by (``fit.past_errors``), and its
settings; what it foresaw stands in ``mart.futures``. So a question costs one simulation and no fit,
and its answer is what a run with that scenario would say.
"""

import dataclasses
import datetime as dt
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import duckdb
import numpy as np
import polars as pl
from pydantic import ValidationError

from models.common.arrays import FloatArray
from models.lives.decisions.checking import CheckedGroup, moved, unseen_share_draws
from models.relines.budget import Months
from models.relines.past_errors import PastErrors, calibrated_totals
from models.relines.scenario_table import by_future
from models.relines.simulation.counts import Agreed
from models.relines.simulation.scenario import AS_NOW, Scenario, UnusableScenarioError
from models.relines.simulation.simulate import FleetModel, simulate_relines
from pipeline.accepted import accepted
from pipeline.errors import UserError
from pipeline.marts import budget_terms
from pipeline.out.last_run import last_run
from pipeline.places import Place
from pipeline.settings import ScenarioSection, Settings
from pipeline.warehouse import kept, warehouse

RUN = "fit.run"
UNSEEN_SEED = 41_000
# The words of the budget, in the order of its sheet of scenarios.
MEASURES = {
    "relines": "Relines of wheel ends",
    "cost": "Cost",
    "own_visits": "Axles relined at a visit made for that alone",
    "crossings": "Linings that fall to their minimum in service",
    "scrapped_mm": "Lining above its minimum when relined, mm in all",
    "scrapped_cost": "What that lining cost",
}
UNSEEN = "Wheel ends with a failed adjuster that nobody has seen"


@dataclass(frozen=True, slots=True)
class Line:
    """One measure, (D,) futures each: as the fleet is now, and as was asked."""

    words: str
    now: FloatArray
    asked: FloatArray


@dataclass(frozen=True, slots=True)
class Reply:
    """What was asked, of which run, and what came of it."""

    section: ScenarioSection
    name: str
    as_of: dt.date
    until: dt.date
    futures: int
    wheel_ends: int
    lines: tuple[Line, ...]
    without_life: float
    currency: str


@dataclass(frozen=True, slots=True)
class Known:
    """What a run knew: of the fleet (None: too little for a forecast), of what earlier forecasts
    missed by, of its adjusters' lives; and its futures as it is now."""

    as_of: dt.date
    settings: Settings
    fleet: FleetModel | None
    agreed: Agreed | None
    past: PastErrors | None
    groups: Sequence[CheckedGroup]
    now: pl.DataFrame


def keep_for_asking(
    con: duckdb.DuckDBPyConnection,
    fleet: FleetModel | None,
    agreed: Agreed | None,
    past: PastErrors | None,
    settings: Settings,
    as_of: dt.date,
) -> None:
    """What :func:`answered` needs of a run, beside what the adjusters' chapter keeps.

    How files are read is no part of an answer, so that these settings are not kept.
    """
    for name, known in ((kept.FLEET, fleet), (kept.AGREED, agreed), (kept.ERRORS, past)):
        if known is None:
            con.execute(f"drop table if exists {name}")
        else:
            kept.keep(con, name, known)
    told = settings.model_dump_json(exclude={"columns", "files", "wheel_ends", "answers"})
    warehouse.put(con, RUN, pl.DataFrame([{"as_of": as_of, "settings": told}]))


def section_of(given: Mapping[str, str]) -> ScenarioSection:
    """The scenario that options ask for, each value written as in ``fleet.toml``.

    A threshold that is named is meant: it is the rule, unless another is named beside it.

    Raises
    ------
    UserError
        A value is not one that its key accepts.
    """
    values = {key: _value(text) for key, text in given.items()}
    if "threshold_mm" in values:
        values.setdefault("reline", "threshold")
        if values["reline"] != "threshold":
            raise UserError(
                f"--threshold: found with --reline {values['reline']}, which has none; accepted: "
                "one of the two"
            )
    try:
        return ScenarioSection.model_validate(values)
    except ValidationError as error:
        key = str(error.errors()[0]["loc"][0])
        takes = accepted(ScenarioSection.model_fields[key])
        raise UserError(
            f"--{key.replace('_', '-')}: found {given[key]!r}; accepted: {takes}"
        ) from None


def _value(text: str) -> Any:
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def answered(out: Place, section: ScenarioSection, name: str = "asked") -> Reply:
    """What the scenario comes to, against the fleet as it is now.

    Raises
    ------
    UserError
        No run has been made, it could not forecast, or the fleet has not what is named.
    """
    with last_run(out) as con:
        known = _known(con)
    if known.fleet is None:
        raise UserError(f"{out}: the last run could forecast nothing: no wear could be fitted")
    settings, now = known.settings, known.now
    months = budget_terms.months_of(settings, known.as_of)
    scenario = budget_terms.scenario(name, section, settings.budget.risk)
    asked = _asked_futures(known, known.fleet, scenario, months)
    lines = [Line(MEASURES[key], now[key].to_numpy(), asked[key]) for key in MEASURES]
    unseen, without = _unseen(known.groups, section, now.height)
    return Reply(
        section=section,
        name=name,
        as_of=known.as_of,
        until=_last_day(months),
        futures=now.height,
        wheel_ends=len(known.fleet.ends),
        lines=(*lines, *unseen),
        without_life=without,
        currency=settings.fleet.currency,
    )


def _known(con: duckdb.DuckDBPyConnection) -> Known:
    as_of, settings = run_of(con)
    fleet, agreed, past = (
        kept.kept(con, name) if warehouse.is_table(con, name) else None
        for name in (kept.FLEET, kept.AGREED, kept.ERRORS)
    )
    return Known(
        as_of=as_of,
        settings=settings,
        fleet=fleet,
        agreed=agreed,
        past=past,
        groups=kept.kept(con, kept.CHECKED),
        now=warehouse.fetch(con, f"from mart.futures where name = '{AS_NOW.name}'", "future"),
    )


def _last_day(months: Months) -> dt.date:
    """The last day of the budget's last calendar month."""
    return months.as_of + dt.timedelta(days=int(months.calendar.month_ends[-1]))


def run_of(con: duckdb.DuckDBPyConnection) -> tuple[dt.date, Settings]:
    """As-of day and settings of the run that a warehouse is from."""
    if not warehouse.is_table(con, RUN):
        raise UserError(f"the last run kept no {RUN}: {kept.OTHER_VERSION}")
    as_of, told = warehouse.one_row(con, f"select as_of, settings from {RUN}")
    try:
        return as_of, Settings.model_validate_json(told)
    except ValidationError:
        raise UserError(f"{RUN} cannot be read: {kept.OTHER_VERSION}") from None


def _asked_futures(
    known: Known, fleet: FleetModel, asked: Scenario, months: Months
) -> dict[str, FloatArray]:
    try:
        (tally,) = simulate_relines(
            fleet,
            months.calendar,
            draws=budget_terms.DRAWS,
            seed=budget_terms.SEED,
            scenarios=(asked,),
            agreed=known.agreed,
        )
    except UnusableScenarioError as error:
        raise UserError(str(error)) from None
    if known.past is not None:
        tally = calibrated_totals(tally, known.past, budget_terms.SEED)
    costs = budget_terms.reline_costs(known.settings)
    return by_future(tally, months, costs, budget_terms.SEED)


def _unseen(
    groups: Sequence[CheckedGroup], section: ScenarioSection, draws: int
) -> tuple[list[Line], float]:
    """Wheel ends with an unseen failure, and how many wheel ends it cannot be said of."""
    known = [group for group in groups if group.can_be_known]
    without = sum(group.wheel_ends for group in groups) - sum(g.wheel_ends for g in known)
    if not known:
        return [], without
    moves = [(move.from_duty, move.to_duty, move.share) for move in section.duty_moves]
    asked = [_as_asked(group, section) for group in moved(known, moves)]
    counts = [
        unseen_share_draws(each, draws=draws, seed=UNSEEN_SEED)[1]
        @ np.array([group.wheel_ends for group in each])
        for each in (known, asked)
    ]
    return [Line(UNSEEN, *counts)], without


def _as_asked(group: CheckedGroup, section: ScenarioSection) -> CheckedGroup:
    return dataclasses.replace(
        group,
        km_per_week=group.km_per_week * section.use_factor,
        weeks=(section.check_weeks or group.weeks) * section.check_interval_factor,
    )


def answer_lines(reply: Reply) -> list[str]:
    """The answer as a terminal shows it; means, and what 8 of 10 futures lie between."""
    rows: list[tuple[str, ...]] = [("", "as now", "as asked", "difference")]
    money = {MEASURES["cost"], MEASURES["scrapped_cost"]}
    priced = any(line.now.any() or line.asked.any() for line in reply.lines if line.words in money)
    for line in reply.lines:
        if line.words in money and not priced:
            continue  # a cost of nought would be believed
        cells = (line.now, line.asked, line.asked - line.now)
        rows.append((line.words, *(_figures(each) for each in cells)))
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    table = [
        "  ".join((row[0].ljust(widths[0]), *map(str.rjust, row[1:], widths[1:]))).rstrip()
        for row in rows
    ]
    toml = toml_lines(reply.name, reply.section)
    currency = reply.currency or "the currency of [costs]"
    asked = ", ".join(toml[1:]) or "nothing, so that both are the same"
    return [
        f"Asked: {asked}. From the run as of {reply.as_of}, {reply.wheel_ends:,} wheel ends, up to "
        f"{reply.until}.",
        f"Mean (8 of 10 outcomes) over the same {reply.futures} simulated futures; "
        f"{f'money in {currency}' if priced else 'no cost is set under [costs]: none is told'}.",
        *table,
        *_without(reply),
        "To have it in every run, put into fleet.toml:",
        *toml,
    ]


def _without(reply: Reply) -> list[str]:
    """What the last line of the table leaves out, if anything."""
    if reply.without_life < 0.5 and len(reply.lines) > len(MEASURES):
        return []
    whose = f"{reply.without_life:,.0f} wheel ends" if reply.without_life >= 0.5 else "the fleet"
    return [f"Unseen failures are not known of {whose}: no adjuster life could be fitted."]


def _figures(draws: FloatArray) -> str:
    """Mean and the middle 8 in 10."""
    low, high = np.quantile(draws, [0.1, 0.9], method="inverted_cdf")
    digits = 0 if np.abs(draws).max(initial=0.0) >= 100.0 else 1
    told = (f"{value:,.{digits}f}" for value in (draws.mean(), low, high))
    return "{} ({} to {})".format(*(each.replace("-0.0", "0.0") for each in told))


def toml_lines(name: str, section: ScenarioSection) -> list[str]:
    """The lines of ``fleet.toml`` that make the scenario one of every run."""
    given = section.model_dump(exclude_defaults=True)
    header = name if name.replace("_", "").replace("-", "").isalnum() else f'"{name}"'
    return [f"[scenarios.{header}]", *(f"{key} = {_toml(value)}" for key, value in given.items())]


def _toml(value: Any) -> str:
    match value:
        case bool():
            return str(value).lower()
        case dict():
            return "{" + ", ".join(f"{_key(k)} = {_toml(v)}" for k, v in value.items()) + "}"
        case list() | tuple():
            return f"[{', '.join(map(_toml, value))}]"
        case str():
            return _quoted(value)
        case _:
            return repr(value)


def _key(name: str) -> str:
    return name if name.replace("_", "").isalnum() and name.isascii() else _quoted(name)


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
