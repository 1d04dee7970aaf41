"""What of the past forecasts do not take for how the fleet goes on: holes of the records, use that
is not what it was, and units that left all at once."""

import datetime as dt
from typing import Any

import polars as pl

from dashboards.sentences.words import count, day_name, figures, month_name, number

MOST_HOLES = 3
"""Told one by one, the latest; the others are counted."""


def past_said(
    holes: pl.DataFrame | None, use: pl.DataFrame | None, left: pl.DataFrame | None = None
) -> tuple[str, ...]:
    """A sentence for each hole, for a change of use and for units that left at once; empty where
    there is none."""
    return (*holes_said(holes), *use_said(use), *left_said(left))


def past_clause(
    holes: pl.DataFrame | None, use: pl.DataFrame | None, left: pl.DataFrame | None = None
) -> str:
    """The same in clauses behind a figure of the forecast: the latest hole, and the changes."""
    missing, gone = _holes(holes), _first(left)
    said = ""
    if missing:
        row = missing[0]
        said += f"; no check on record {_when(row)}{_at(row, ' at ')}"
    for row in _rows(use):
        if row.get("until_on") is None:
            said += f"; units run {_how_much(row)} since about {month_name(row['since_on'])}"
        else:
            said += f"; units ran {_how_much(row)} {_from_to(row)}, which is over"
    if gone:
        said += (
            f"; {count(gone['units'], 'unit')} that left about {month_name(gone['until_on'])} "
            "counted as gone for good"
        )
    return said


def _when(row: dict[str, Any]) -> str:
    if row["until_on"] is None:
        return f"since {month_name(row['from_on'])}"
    return f"from {month_name(row['from_on'])} to {month_name(row['until_on'])}"


def silence_said(holes: pl.DataFrame | None, as_of: dt.date) -> tuple[str, ...]:
    """A sentence for each time without a check that has not ended by the as-of day."""
    return tuple(
        f"No check{_at(row, ' at ') or ' of any unit'} is on record since "
        f"{day_name(row['from_on'])}, {count(_weeks(row, as_of), 'week')} before the day this is "
        f"told of, and {count(row['units'], 'unit')} "
        f"{'was' if row['units'] == 1 else 'were'} checked in the year before that: "
        + (_OF_DEPOT if row["depot"] else _OF_FLEET)
        for row in _holes(holes)
        if row["until_on"] is None
    )


_OF_FLEET = (
    "either records are missing, or the fleet has left. What was found and done since is in no "
    "figure: linings are told as if all had run on, relines that fell due since as still to come."
)
_OF_DEPOT = (
    "they have left, as forecasts take it the longer this lasts, or their records are missing."
)


def holes_said(holes: pl.DataFrame | None) -> tuple[str, ...]:
    missing = [row for row in _holes(holes) if row["until_on"] is not None]
    more = len(missing) - MOST_HOLES
    others = f"{count(more, 'earlier such time')} in mart.record_holes."
    told = (
        f"No check{_at(row, ' at ')} is on record between {day_name(row['from_on'])} and "
        f"{day_name(row['until_on'])} ({count(_weeks(row, row['until_on']), 'week')}), though "
        f"{count(row['units'], 'unit')} ran on. What was wrong then is not on record; "
        "forecasts take it for missing records, not for how the fleet checks."
        for row in missing[:MOST_HOLES]
    )
    return (*told, *((others,) * (more > 0)))


def use_said(use: pl.DataFrame | None) -> tuple[str, ...]:
    return tuple(_of_use(row) for row in _rows(use))


def _of_use(row: dict[str, Any]) -> str:
    low, high = sorted(abs(row[end] - 1.0) * 100.0 for end in ("ci_low", "ci_high"))
    much = f"{_how_much(row)} ({number(low)} to {number(high)})"
    same = f"{number(row['units_same'])} of the {count(row['units'], 'unit')}"
    if row.get("until_on") is not None:
        return (
            f"{_capital(_from_to(row))} units ran {much} than before and since: so did {same} seen "
            "then and else. It is over: forecasts go by what units run outside of it, and linings "
            "now by what was run in it."
        )
    return (
        f"Since about {month_name(row['since_on'])} units run {much} than before: so did {same} "
        "seen before and since. Forecasts go on from how far each unit runs now; "
        + (_LASTS if row.get("p_returns") is None else _may_return(row))
    )


_LASTS = "whether that lasts is not known."


def _may_return(row: dict[str, Any]) -> str:
    return (
        "whether that lasts is too early to tell. Early dates are those of the faster use, now's "
        f"or the former; totals take {number(100.0 * row['p_returns'])} chances in 100 that the "
        "former comes back."
    )


def returning_said(use: pl.DataFrame | None) -> tuple[str, ...]:
    """A sentence where all units' use changed so lately that it may come back."""
    return tuple(
        f"Use {'fell' if row['ratio'] < 1.0 else 'rose'} by "
        f"{number(abs(row['ratio'] - 1.0) * 100.0)} % about {month_name(row['since_on'])}, and it "
        "is too early to tell whether that lasts. Early dates at the minimum are told as if the "
        "faster use, now's or the former, went on from today; relines of 12 months take "
        f"{number(100.0 * row['p_returns'])} chances in 100 that the former comes back"
        + _if_returned(row)
        for row in _rows(use)
        if row.get("p_returns") is not None
    )


def _if_returned(row: dict[str, Any]) -> str:
    now, back = row["relines_12m"], row["relines_12m_if_returned"]
    if now is None or back is None:
        return "."
    return f": if it returns at once, about {number(back)} relines, not {number(now)}."


def _from_to(row: dict[str, Any]) -> str:
    begun, ended = month_name(row["since_on"]), month_name(row["until_on"])
    return f"in {begun}" if begun == ended else f"from about {begun} to {ended}"


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]


def left_said(left: pl.DataFrame | None) -> tuple[str, ...]:
    row = _first(left)
    if not row:
        return ()
    return (
        f"{count(row['units'], 'unit')} of {number(row['units_there'])} then in the fleet were "
        f"last seen between {day_name(row['from_on'])} and {day_name(row['until_on'])}: they left "
        "at about the same time, or their records are missing since. Forecasts count them as gone, "
        "and do not await that so many leave at once again.",
    )


def year_said(year: pl.DataFrame | None) -> tuple[str, ...]:
    """How use swings over the year, and when nobody is checked; empty where neither is found."""
    said = []
    for row in [] if year is None else year.to_dicts():
        if row["most_on"] is not None:
            said.append(
                f"{_whose(row)} run most about {_in_the_year(row['most_on'])}, "
                f"{figures(row['most_ratio'])} times the year's mean, and least about "
                f"{_in_the_year(row['least_on'])}, {figures(row['least_ratio'])} times; "
                "forecasts take each month's use so."
            )
        if row["closed_from_on"] is not None:
            said.append(
                f"Between about {day_name(row['closed_from_on'])} and "
                f"{day_name(row['closed_until_on'])} nobody is checked{_where(row)}, as in every "
                "year on record: forecasts have no check then, and no reline."
            )
    return tuple(said)


def _where(row: dict[str, Any]) -> str:
    if row["depot"] is None and row["duty"] is None:
        return ""
    return f" at {row['depot']}" if row["depot"] else f" in duty {row['duty']}"


def _whose(row: dict[str, Any]) -> str:
    if row["depot"] is None and row["duty"] is None:
        return "Units"
    return f"Units at {row['depot']}" if row["depot"] else f"Units of duty {row['duty']}"


def _in_the_year(day: dt.date) -> str:
    return month_name(day).rsplit(" ", 1)[0]


def _holes(holes: pl.DataFrame | None) -> list[dict[str, Any]]:
    """The latest first."""
    if holes is None:
        return []
    return holes.sort("from_on", "depot", descending=[True, False]).to_dicts()


def _rows(rows: pl.DataFrame | None) -> list[dict[str, Any]]:
    return [] if rows is None else rows.to_dicts()


def _first(rows: pl.DataFrame | None) -> dict[str, Any]:
    return {} if rows is None or rows.is_empty() else rows.row(0, named=True)


def _at(row: dict[str, Any], word: str) -> str:
    return f"{word}{row['depot']}" if row["depot"] else ""


def _weeks(row: dict[str, Any], until: dt.date) -> int:
    days: int = (until - row["from_on"]).days
    return round(days / 7)


def _how_much(row: dict[str, Any]) -> str:
    return f"{number(abs(row['ratio'] - 1.0) * 100.0)} % {'less' if row['ratio'] < 1 else 'more'}"
