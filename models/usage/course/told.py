"""What was found of all units' use, as a table."""

import datetime as dt

import polars as pl

from models.usage.course.change import UseChange
from models.usage.course.found import UseFound
from models.usage.course.stretch import UseStretch

SCHEMA: dict[str, type[pl.DataType]] = {
    **dict.fromkeys(("since_on", "until_on"), pl.Date),
    **dict.fromkeys(("ratio", "ci_low", "ci_high"), pl.Float64),
    **dict.fromkeys(("units", "units_same"), pl.Int64),
    **dict.fromkeys(("p_returns", "relines_12m", "relines_12m_if_returned"), pl.Float64),
}


def use_frame(
    found: UseFound, as_of: dt.date, relines: tuple[float, float] | None = None
) -> pl.DataFrame:
    """A row for what goes on, and one for a stretch that has ended, or none; ``relines`` of 12
    months as forecast, and were the former use to come back at once (None: not forecast)."""
    change, stretch = found.change, found.stretch
    rows: list[dict[str, object]] = []
    if change is not None:
        row = _limits(change) | {"since_on": change.since_on}
        returns = found.course(as_of).p_returns
        if returns > 0.0:
            now, back = (None, None) if relines is None else relines
            row |= {"p_returns": returns, "relines_12m": now, "relines_12m_if_returned": back}
        rows.append(row)
    if stretch is not None:
        ends = {"since_on": stretch.from_on, "until_on": stretch.until_on}
        rows.append(_limits(stretch) | ends)
    return pl.DataFrame([dict.fromkeys(SCHEMA) | row for row in rows], schema=SCHEMA)


def _limits(found: UseChange | UseStretch) -> dict[str, object]:
    names = ("ratio", "ci_low", "ci_high", "units", "units_same")
    return {name: getattr(found, name) for name in names}
