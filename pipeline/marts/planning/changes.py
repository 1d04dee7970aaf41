"""Before and after a dated change, and slow changes that nobody announced."""

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

import duckdb
import numpy as np
import polars as pl

from models.changes.course import FALSE_ALARM_MONTHS, watched_course
from models.changes.interrupted import Effect, Windows, effect
from models.common.multiple_tests import holm
from pipeline.marts import marts
from pipeline.marts.lives.fits import Row, frame_of
from pipeline.marts.planning.costs import GROUP, spending
from pipeline.settings import ChangeSection, Settings

MOST_MONTHS, SOON = 12, 6
OFF_COURSE = 0.05


@dataclass(frozen=True, slots=True)
class Measure:
    """What is counted over what, the unit it is told in, and how many of that the count is per."""

    amount: str
    distance: str
    unit: str
    per: float
    caution: str


MEASURES = {
    "set_wrong": Measure(
        "set_wrong", "settings", "share of settings out of band at the next check", 1.0, ""
    ),
    "wear": Measure(
        "worn_mm",
        "worn_km",
        "mm per 10,000 km",
        1e4,
        "Linings fitted before the day count until they are relined.",
    ),
    "failures": Measure(
        "failures_counted",
        "wheel_end_km",
        "failed adjusters per 1,000,000 km of a wheel end",
        1e6,
        "A failure found after the day may have happened before it.",
    ),
    "cost": Measure("all", "wheel_end_km", "money per 100,000 km of a wheel end", 1e5, ""),
}


def write_change_marts(con: duckdb.DuckDBPyConnection, settings: Settings, as_of: dt.date) -> None:
    """Every change's effects, and the fleet's months; both over whole months before as-of."""
    this_month = as_of.replace(day=1)
    rows: list[Row] = []
    if settings.changes:
        where = f"month < date '{this_month}'"
        months = spending(con, settings.costs, ("unit_id", "axle_type", "month"), where)
        months = months.with_columns(settings=pl.col("set_wrong") + pl.col("set_right"))
        for name, change in settings.changes.items():
            rows += _effects(name, change, months, this_month)
    marts.write(con, "change_effects", frame_of("change_effects", rows))
    marts.write(con, "monthly_rates", _courses(con, settings, this_month))


def _effects(
    name: str, change: ChangeSection, months: pl.DataFrame, this_month: dt.date
) -> list[Row]:
    at = change.date.replace(day=1)
    first = min(months["month"], default=at)
    length = min(MOST_MONTHS, _months(first, at), _months(at, this_month) - 1)
    of_units = months.with_columns(changed=_is_changed(change), place=_months_from(at))
    found = {key: _windows(of_units, each, length) for key, each in MEASURES.items()}
    effects = {key: effect(w) if length > 0 else None for key, w in found.items()}
    told = {key: each for key, each in effects.items() if each is not None}
    adjusted = dict(zip(told, holm([each.p for each in told.values()]), strict=True))
    common: Row = {"name": name, "what": change.what, "changed_on": change.date}
    return [
        common
        | {"measure": key, "months": max(length, 0), "unit": each.unit}
        | _told(effects[key], each, adjusted.get(key))
        | _course_before(of_units, each, length)
        | {"note": _note(effects[key], each, length, change, months)}
        for key, each in MEASURES.items()
    ]


def _is_changed(change: ChangeSection) -> pl.Expr:
    chosen = (("depot", change.depots), ("unit_id", change.units), ("axle_type", change.axle_types))
    named = [pl.col(column).is_in(list(values)) for column, values in chosen if values]
    return pl.all_horizontal(*named, pl.lit(value=True)).fill_null(value=False)


def _months(low: dt.date, high: dt.date) -> int:
    return (high.year - low.year) * 12 + high.month - low.month


def _months_from(at: dt.date) -> pl.Expr:
    """Months from the change's: it is 0 itself, and neither before nor after."""
    month = pl.col("month")
    return (month.dt.year() - at.year) * 12 + month.dt.month().cast(pl.Int32) - at.month


def _windows(months: pl.DataFrame, measure: Measure, length: int, start: int = 0) -> Windows:
    """Sums of each unit and axle type over ``length`` months either side of month ``start``."""
    place = pl.col("place") - start
    sides = {"before": place.is_between(-length, -1), "after": place.is_between(1, length)}
    sums = [
        pl.col(column).filter(inside).sum().alias(f"{what}_{side}")
        for side, inside in sides.items()
        for what, column in (
            ("amount", measure.amount),
            ("distance", measure.distance),
            ("run", "wheel_end_km"),
        )
    ]
    units = months.group_by("unit_id", "axle_type", "changed", maintain_order=True).agg(*sums)
    seen = units.select((pl.col("run_before") > 0.0) & (pl.col("run_after") > 0.0)).to_series()
    return Windows(
        amount_before=units["amount_before"].to_numpy(),
        distance_before=units["distance_before"].to_numpy(),
        amount_after=units["amount_after"].to_numpy(),
        distance_after=units["distance_after"].to_numpy(),
        changed=units["changed"].to_numpy(),
        seen=seen.to_numpy(),
    )


def _told(found: Effect | None, measure: Measure, adjusted: float | None) -> Row:
    if found is None:
        return {"units_changed": 0, "units_unchanged": 0}
    return {
        "before": found.before * measure.per,
        "after": found.after * measure.per,
        "ratio": found.ratio,
        "ci_low": found.low,
        "ci_high": found.high,
        "p": found.p,
        "p_adjusted": adjusted,
        "units_changed": found.units_changed,
        "units_unchanged": found.units_unchanged,
    }


def _course_before(months: pl.DataFrame, measure: Measure, length: int) -> Row:
    """The effect of a change that was none: half-way through the time before."""
    half = (length - 1) // 2
    found = effect(_windows(months, measure, half, -half - 1)) if half > 0 else None
    return {"apart_before": found.ratio, "apart_before_p": found.p} if found else {}


def _note(
    found: Effect | None, measure: Measure, length: int, change: ChangeSection, months: pl.DataFrame
) -> str | None:
    said = [*_unknown(change, months)]
    if length <= 0:
        said.append("No whole month lies before it, or none after it yet.")
    elif found is None:
        said.append("Too few units changed with records before and after, or nothing was counted.")
    else:
        if length < SOON:
            said.append(f"Soon to say: {length} months after it.")
        if not found.controlled:
            said.append("No unit stayed as it was: whatever else changed meanwhile is in it.")
        said.append(measure.caution)
    return " ".join(filter(None, said)) or None


def _unknown(change: ChangeSection, months: pl.DataFrame) -> Iterator[str]:
    """Names that no record has."""
    for column, values in (
        ("depot", change.depots), ("unit_id", change.units), ("axle_type", change.axle_types)
    ):  # fmt: skip
        missing = sorted(set(values) - set(months[column].drop_nulls()))
        if missing:
            yield f"No record names {', '.join(missing)}."


def _courses(
    con: duckdb.DuckDBPyConnection, settings: Settings, this_month: dt.date
) -> pl.DataFrame:
    """Each measure's months beside what all months' rates would make of them."""
    where = f"month < date '{this_month}'"
    groups = spending(con, settings.costs, (*GROUP, "month"), where)
    groups = groups.with_columns(settings=pl.col("set_wrong") + pl.col("set_right"))
    frames = [_course(key, each, groups) for key, each in MEASURES.items()]
    return pl.concat([marts.empty("monthly_rates"), *frames], how="diagonal_relaxed")


def _course(key: str, measure: Measure, groups: pl.DataFrame) -> pl.DataFrame:
    amount, distance = pl.col(measure.amount), pl.col(measure.distance)
    rate = amount.sum().over(*GROUP) / distance.sum().over(*GROUP)
    months = (
        groups.with_columns(expected=(rate * distance).fill_nan(0.0))
        .group_by("month", maintain_order=True)
        .agg(amount=amount.sum(), expected=pl.col("expected").sum())
        .filter(pl.col("expected") > 0.0)
        .sort("month")
    )
    amounts, expected = (months[name].to_numpy() for name in ("amount", "expected"))
    # So long between false alarms of all measures together: they are told side by side.
    between = FALSE_ALARM_MONTHS * len(MEASURES)
    course = watched_course(amounts, expected, months_between=between)
    began, ended = (np.full(months.height, None, dtype=object) for _ in range(2))
    signalled = np.zeros(months.height, dtype=bool)
    for rise in course.rises:
        began[rise.began :] = months["month"][rise.began]
        ended[rise.began :] = None if rise.ended is None else months["month"][rise.ended]
        signalled[rise.signal : rise.ended] = True
    return months.with_columns(
        measure=pl.lit(key),
        ratio=pl.col("amount") / pl.col("expected"),
        standardised=pl.Series(course.standardised).fill_nan(None),
        rise=pl.Series(course.rise),
        rise_limit=pl.lit(course.limit),
        signal=pl.Series(signalled),
        began=pl.Series(began.tolist(), dtype=pl.Date),
        ended=pl.Series(ended.tolist(), dtype=pl.Date),
    )
