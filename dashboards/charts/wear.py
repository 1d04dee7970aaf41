"""Lining wear by axle type and duty."""

from typing import Any

import altair as alt
import polars as pl

from dashboards.drawing import marks
from dashboards.drawing.figure import Chart, Figure, Said, Table, said_for_selections, table
from dashboards.sentences.measures import Measures
from dashboards.sentences.words import count, listed, month_name, number

DIMENSIONS = ("duty", "axle_type")
COLUMNS = ("mm_per_10000km", "ci_low", "ci_high")
OWN, SHRUNK = "own readings", "few units: drawn to its axle type"


def wear_figure(rates: pl.DataFrame, measures: Measures) -> Figure | None:
    # What no reading stands behind is only what others suggest: the remarks name it.
    known = pl.all_horizontal(pl.col(c).is_not_null() for c in COLUMNS)
    rows = rates.filter(known, pl.col("readings") > 0)
    if rows.is_empty():
        return None

    def say(frame: pl.DataFrame) -> Said:
        return _said(frame, measures)

    return Figure(
        key="wear-rates",
        said=say(rows),
        chart=wear_chart(rows, measures),
        table=_table(rows, measures),
        sql="select * from mart.wear_rates order by axle_type, duty",
        matching="cells",
        dimensions=DIMENSIONS,
        said_for=said_for_selections(rows, DIMENSIONS, say),
    )


def wear_chart(rates: pl.DataFrame, measures: Measures) -> Chart:
    """Rates with their intervals, one line for an axle type and duty."""
    shown = marks.with_group(
        measures.scaled(rates, measures.per_rate, *COLUMNS), measures.fleet.duty_order
    ).select(
        "group",
        *DIMENSIONS,
        *COLUMNS,
        "lives",
        pl.when("shrunk").then(pl.lit(SHRUNK)).otherwise(pl.lit(OWN)).alias("from"),
    )
    return marks.interval_plot(
        shown,
        COLUMNS,
        alt.X("ci_low:Q", title=f"Lining wear, {measures.rate_unit}", scale=alt.Scale(zero=True)),
        ".3f" if measures.length_unit == "mm" else ".4f",
        shape=marks.told_apart("from", (OWN, SHRUNK)),
        more_tips=(("lives:Q", "Lining lives", ",d"),),
    )


def _said(frame: pl.DataFrame, measures: Measures) -> Said:
    lives, readings = marks.total(frame, "lives"), marks.total(frame, "readings")
    note = (
        f"Points are estimates, bars their 95 % intervals. From {count(readings, 'reading')} of "
        f"{count(lives, 'lining life', 'lining lives')}; the readings of one unit count as related."
    )
    ranked = frame.sort("mm_per_10000km", descending=True)
    top, last = ranked.row(0, named=True), ranked.row(-1, named=True)
    rate = f"{measures.rate_interval(*(top[c] for c in COLUMNS))} {measures.rate_unit}"
    if frame.height == 1:
        return Said(f"Linings of {_group(top)} wear {rate}", note)
    if top["ci_low"] <= last["ci_high"]:
        return Said("No group's linings clearly wear faster than another's", note)
    least = f"{measures.rate_interval(*(last[c] for c in COLUMNS))}"
    peers = frame.filter(pl.col("ci_high") >= top["ci_low"]).height - 1
    if peers:
        note += f" {count(peers, 'other group')} cannot be told apart from the fastest."
    wear = "probably wear" if peers else "wear"
    return Said(f"Linings of {_group(top)} {wear} fastest: {rate}; of {_group(last)} {least}", note)


def changes_said(
    changes: pl.DataFrame | None, rates: pl.DataFrame | None = None
) -> tuple[str, ...]:
    """How linings wear by when they were fitted, or since some day, a sentence for each change that
    was found; ``rates`` are of all duties.

    Why is not known: another make, or whatever else those fitted since have in common.
    """
    return tuple(
        f"Linings of {row['axle_type']} {_SINCE[row['counted']][0]}{_in_some(row, rates)} since "
        f"about {month_name(row['since_on'])}{_SINCE[row['counted']][1]} wear "
        f"{number(row['ratio'], 2)} ({number(row['ci_low'], 2)} to {number(row['ci_high'], 2)}) "
        f"times as fast as {_SINCE[row['counted']][2]}: {_lives(row, 'since')} against "
        f"{_lives(row, 'before')}. This is seen in the records, not why: "
        f"{_SINCE[row['counted']][3]}"
        for row in _changes(changes)
    )


def _in_some(row: dict[str, Any], rates: pl.DataFrame | None) -> str:
    """The duties in which km run since are other than before, where not in all."""
    every = set() if rates is None else {*rates["duty"]}
    if row["counted"] != "run" or not every - {*row["duties"]}:
        return ""
    return f" in {listed(row['duties'])}"


_SINCE = {
    "fitted": (
        "fitted",
        "",
        "those fitted before",
        "another make and a rougher road for all look alike. Rates and forecasts take new linings "
        "to wear like those fitted since.",
    ),
    "run": (
        "on km run",
        ", whenever they were fitted,",
        "on km run before",
        "brakes set otherwise, loads, roads and salt look alike. Rates and forecasts take all "
        "linings to wear on as since.",
    ),
}
"""Of linings fitted since a day, and of all since a day: what is told of, against what, and why."""


def wear_changed(changes: pl.DataFrame | None, rates: pl.DataFrame | None = None) -> str:
    """The same in a clause behind a figure of the forecast; empty where no change was found."""
    named: dict[str, dict[tuple[str, str], list[str]]] = {"fitted": {}, "run": {}}
    for row in _changes(changes):
        how = ("faster" if row["ratio"] > 1 else "slower") + _in_some(row, rates)
        of_kind = named[row["counted"]]
        of_kind.setdefault((how, month_name(row["since_on"])), []).append(row["axle_type"])
    return "".join(
        f"; {what} wear {listed(_how_and_when(found))}"
        for what, found in zip(("new linings", "all linings"), named.values(), strict=True)
        if found
    )


def _how_and_when(found: dict[tuple[str, str], list[str]]) -> list[str]:
    return [f"{how} since about {month} ({listed(on)})" for (how, month), on in found.items()]


def _changes(changes: pl.DataFrame | None) -> list[dict[str, Any]]:
    """The newest change of every kind and axle type, over its ``duties``."""
    if changes is None:
        return []
    by = ("counted", "axle_type")
    duties = changes.group_by(*by, "since_on").agg(duties=pl.col("duty").drop_nulls().sort())
    rows = changes.filter(pl.col("duty").is_null()).join(duties, on=(*by, "since_on"))
    rows = rows.sort(*by, "since_on")
    return rows.unique(by, keep="last", maintain_order=True).to_dicts()


def _lives(row: dict[str, Any], when: str) -> str:
    lives, units = row[f"lives_{when}"], row[f"units_{when}"]
    return f"{count(lives, 'lining life', 'lining lives')} of {count(units, 'unit')}"


def _group(row: dict[str, object]) -> str:
    return f"{row['axle_type']} / {row['duty']}"


def _table(frame: pl.DataFrame, measures: Measures) -> Table:
    rows = [
        (
            r["axle_type"],
            r["duty"],
            measures.rate_interval(*(r[c] for c in COLUMNS)),
            number(r["units"]),
            number(r["lives"]),
            number(r["readings"]),
            r["note"] or (SHRUNK if r["shrunk"] else ""),
        )
        for r in frame.sort("axle_type", "duty").iter_rows(named=True)
    ]
    unit = measures.rate_unit
    heads = ("Axle type", "Duty", f"Wear, {unit} (95 %)", "Units", "Lives", "Readings", "Remark")
    return table(rows, *heads)
