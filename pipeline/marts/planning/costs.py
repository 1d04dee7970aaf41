"""Cost per 100,000 km of a wheel end, on record and in the long run, and of units beside others."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import duckdb
import numpy as np
import polars as pl

from models.costs.ahead import PerKm, failures_per_km, relines_per_km
from models.costs.rates import ratio_rate
from models.costs.units import unit_costs
from models.lives.decisions.checking import CheckedGroup
from models.wear.generations.names import rates_now
from models.wear.result import WearFit
from pipeline.marts import marts
from pipeline.marts.lives.fits import Row, finite, frame_of
from pipeline.marts.planning.parts import lining_worn, mean_life
from pipeline.marts.results import Fits
from pipeline.settings import Costs, Settings
from pipeline.warehouse import warehouse

KM_TOLD = 100_000.0
MONTHS = "unit_months"
MOST_UNSURE = 100.0  # limits further apart than this factor say nothing
GROUP = ("axle_type", "duty")
PAST = "Jobs on record, at the cost on record or, where none is, that of [costs]."
AHEAD = "In the long run, at today's wear, lives, habits and prices of [costs]."
OTHERS = ("set_right", "set_wrong", "worn_mm", "worn_km")
COUNTS = (
    "wheel_end_km", "relines", "relines_alone", "drums", "adjusters", "failures",
    "reline_cost", "reline_unpriced", "drum_cost", "drum_unpriced", "adjuster_cost",
    "adjuster_unpriced", "other_cost", "others", *OTHERS,
)  # fmt: skip


@contextmanager
def months_at_hand(con: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """``MONTHS`` is ``reduce.unit_months``, a view, worked out once for all who ask it."""
    con.execute(f"create or replace temp table {MONTHS} as from reduce.unit_months")
    try:
        yield
    finally:
        con.execute(f"drop table if exists temp.{MONTHS}")


def write_cost_marts(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    fits: Fits,
    groups: Sequence[CheckedGroup],
) -> None:
    """Both periods by axle type and duty and over all, and every unit beside what is expected."""
    spent = spending(con, settings.costs, ("unit_id", *GROUP))
    worn = lining_worn(con, fits.thinning)
    rows = [*_past(spent), *_ahead(spent, worn, settings.costs, fits.wear, groups)]
    marts.write(con, "costs_per_km", frame_of("costs_per_km", rows))
    marts.write(con, "unit_costs", _units(spent))


def spending(
    con: duckdb.DuckDBPyConnection, costs: Costs, by: Sequence[str], where: str = "true"
) -> pl.DataFrame:
    """What was spent ``by`` these columns of ``MONTHS``, by item and ``all`` together;
    and how many jobs of which kind that was (``…_counted``)."""
    # Over decimals: the same sum in whatever order threads take the rows.
    sums = ", ".join(
        f"cast(sum(cast({name} as decimal(38, 9))) as double) as {name}" for name in COUNTS
    )
    counted = warehouse.fetch(
        con,
        f"""select {", ".join(by)}, min(depot) as depot, {sums}
        from {MONTHS} where {where} group by {", ".join(by)}""",
        order=", ".join(by),
    )
    kit, fitting = _shares(costs.lining_kit, costs.reline_labour)
    part, work = _shares(costs.adjuster, costs.adjuster_labour)
    reline = pl.col("reline_cost") + pl.col("reline_unpriced") * (
        costs.lining_kit + costs.reline_labour
    )
    adjuster = pl.col("adjuster_cost") + pl.col("adjuster_unpriced") * (
        costs.adjuster + costs.adjuster_labour
    )
    named = {
        "linings": reline * kit,
        "drums": pl.col("drum_cost") + pl.col("drum_unpriced") * costs.drum,
        "adjusters": adjuster * part,
        "labour": reline * fitting + adjuster * work,
        # Both ends of an axle share the visit.
        "downtime": pl.col("relines_alone") / 2.0 * costs.downtime,
        "failures": pl.col("failures") * costs.failed_adjuster,
        "upkeep": pl.col("other_cost"),
    }
    counts = [pl.col(name).alias(f"{name}_counted") for name in COUNTED]
    kept = (*by, "depot", "wheel_end_km", "relines_alone", *OTHERS)
    return counted.select(*kept, *counts, **named).with_columns(all=pl.sum_horizontal(*_ITEMS))


_ITEMS = ("linings", "drums", "adjusters", "labour", "downtime", "failures", "upkeep")
COUNTED = ("relines", "drums", "adjusters", "failures", "others")


def _shares(part: float, labour: float) -> tuple[float, float]:
    """How a job's cost is shared by part and labour; all of it is the part's where none is set."""
    both = part + labour
    return (part / both, labour / both) if both > 0.0 else (1.0, 0.0)


def _past(spent: pl.DataFrame) -> Iterator[Row]:
    by_group = [
        (dict(zip(GROUP, key, strict=True)), part)
        for key, part in sorted(spent.partition_by(*GROUP, as_dict=True).items())
    ]
    for named, part in [*by_group, ({}, spent)]:
        units = part.group_by("unit_id", maintain_order=True).agg(
            pl.col("wheel_end_km", "all", *_ITEMS).sum()
        )
        km = units["wheel_end_km"].to_numpy()
        for item in (*_ITEMS, "all"):
            found = ratio_rate(units[item].to_numpy(), km)
            sure = found.high <= MOST_UNSURE * max(found.low, 1e-12)
            yield {
                "period": "past",
                **named,
                "item": item,
                "cost_per_100000km": _told(found.rate),
                "ci_low": _told(found.low) if sure else None,
                "ci_high": _told(found.high) if sure else None,
                "units": found.units,
                "wheel_end_km": float(km.sum()),
                "note": PAST if sure else f"{PAST} {found.units} units are too few for limits.",
            }


def _told(rate: float) -> float | None:
    return finite(rate * KM_TOLD)


def _ahead(
    spent: pl.DataFrame,
    worn: dict[str, float],
    costs: Costs,
    wear: WearFit,
    groups: Sequence[CheckedGroup],
) -> Iterator[Row]:
    """The long run of every group whose wear, or whose adjusters' life, is known."""
    alone = float(spent["relines_alone"].sum()) / max(float(spent["relines_counted"].sum()), 1.0)
    lives = {(group.axle_type, group.duty): group for group in groups if group.can_be_known}
    for rate in rates_now(wear):
        mm, group = worn.get(rate.axle_type), lives.get((rate.axle_type, rate.duty))
        events: list[tuple[PerKm, dict[str, float]]] = []
        if mm is not None and mm > 0.0 and rate.mm_per_10000km > 0.0:
            relines = relines_per_km(rate.mm_per_10000km, rate.ci_low, rate.ci_high, mm)
            events.append((relines, _of_a_reline(costs, alone)))
        known = None if group is None else mean_life(group.life)
        if known is not None:
            low, life, high = known
            events.append((failures_per_km(life, low, high), _of_a_failure(costs)))
        row: Row = {"period": "ahead", "axle_type": rate.axle_type, "duty": rate.duty}
        yield from _ahead_rows(row | {"units": rate.units, "wheel_end_km": None}, events)


def _of_a_reline(costs: Costs, alone: float) -> dict[str, float]:
    return {
        "linings": costs.lining_kit,
        "drums": costs.drum_share * costs.drum,
        "labour": costs.reline_labour,
        "downtime": alone / 2.0 * costs.downtime,
    }


def _of_a_failure(costs: Costs) -> dict[str, float]:
    return {
        "adjusters": costs.adjuster,
        "labour": costs.adjuster_labour,
        "failures": costs.failed_adjuster,
    }


def _ahead_rows(row: Row, events: Sequence[tuple[PerKm, dict[str, float]]]) -> Iterator[Row]:
    """Each item, and all together where both relines and failures are known: their errors are
    independent, so limits are added by squares (Zou & Donner 2008, Stat. Med. 27:1693)."""
    items = {item for _, each in events for item in each}
    totals = [(found, {"all": sum(each.values())}) for found, each in events]
    for item in (*(i for i in _ITEMS if i in items), *(["all"] if len(events) == 2 else [])):
        parts = [(f, each[item]) for f, each in (*events, *totals) if item in each]
        middle = sum(price * f.rate for f, price in parts)
        below = np.sqrt(sum((price * (f.rate - f.low)) ** 2 for f, price in parts))
        above = np.sqrt(sum((price * (f.high - f.rate)) ** 2 for f, price in parts))
        yield row | {
            "item": item,
            "cost_per_100000km": middle * KM_TOLD,
            "ci_low": max(float(middle - below), 0.0) * KM_TOLD,
            "ci_high": float(middle + above) * KM_TOLD,
            "note": AHEAD,
        }


def _units(spent: pl.DataFrame) -> pl.DataFrame:
    """Every unit that ran, beside what its axle types, duties and km explain; of a group that has
    not run yet, a job's cost says nothing."""
    km = pl.col("wheel_end_km").sum().over(*GROUP)
    rate = pl.col("all").sum().over(*GROUP) / km
    units = (
        spent.filter(km > 0.0)
        .with_columns(expected_cost=rate * pl.col("wheel_end_km"))
        .group_by("unit_id", maintain_order=True)
        .agg(
            pl.col("depot").first(),
            pl.col("wheel_end_km", "expected_cost").sum(),
            cost=pl.col("all").sum(),
        )
        .filter(pl.col("expected_cost") > 0.0)
    )
    scale = _scale(spent)
    if units.is_empty() or scale is None:
        return marts.empty("unit_costs")
    found = unit_costs(units["cost"].to_numpy(), units["expected_cost"].to_numpy(), scale)
    return units.with_columns(
        factor=pl.Series(found.raw),
        pooled_factor=pl.Series(found.pooled),
        ci_low=pl.Series(found.low),
        ci_high=pl.Series(found.high),
        funnel_low=pl.Series(found.funnel_low),
        funnel_high=pl.Series(found.funnel_high),
        stands_out=pl.Series(found.named),
    )


def _scale(spent: pl.DataFrame) -> float | None:
    """E[c²]/E[c] of one job's cost: jobs of a kind alike, both ends of an axle one job; None where
    no job cost anything."""
    names = (*_ITEMS, *(f"{name}_counted" for name in COUNTED))
    total = {name: float(spent[name].sum()) for name in names}
    adjusters = total["adjusters_counted"]
    kinds = (
        (total["linings"] + total["labour"], total["relines_counted"] / 2.0 + adjusters),
        (total["drums"], total["drums_counted"]),
        (total["adjusters"], adjusters),
        (total["failures"], total["failures_counted"]),
        (total["upkeep"], total["others_counted"]),
        (total["downtime"], float(spent["relines_alone"].sum()) / 2.0),
    )
    known = [(cost, count) for cost, count in kinds if count > 0.0 and cost > 0.0]
    if not known:
        return None
    return sum(cost**2 / count for cost, count in known) / sum(cost for cost, _ in known)
