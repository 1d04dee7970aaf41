"""Files or depots whose odometers may be in miles, among others in km: told, for none is sure.

A unit seen in two of them shows it by a value 1.61 times off where it should be. Units of one alone
show it only beside the others': they seem to run 1.61 times less a day, while their linings wear as
fast by the day. Roads of another kind would make the linings differ too, seldom by as much.
"""

from collections.abc import Iterator, Sequence
from itertools import permutations

import polars as pl

from pipeline.mapping.reading import KM

MILE = KM["mi"]
# Our own, no source: how near to 1.61 a value, or the middle of some units, must come; how far the
# middle half of these may lie apart, and their wear from that of others; the fewest units and days.
NEAR, NEAR_MIDDLES, TOGETHER, WEAR_ALIKE = 0.07, (1.45, 1.8), 1.5, (0.8, 1.25)
FEWEST_UNITS, FEWEST_DAYS = 3, 60
COLUMNS = ("place", "unit_id", "axle_no", "side", "inspected_on", "odometer_km", "lining_mm")


def doubted_places(checks: pl.DataFrame, mend: str) -> Iterator[str]:
    """What to say of places, given :data:`COLUMNS` of checks; ``mend``: what would do."""
    checks = checks.drop_nulls(["place", "unit_id", "inspected_on", "odometer_km"])
    if checks["place"].n_unique() < 2:
        return
    seen = checks.group_by("place", "unit_id", "inspected_on", maintain_order=True).agg(
        km=pl.col("odometer_km").max()
    )
    told = dict(_moved(seen))
    told |= {pair: why for pair, why in _slower(seen, checks) if pair not in told}
    for (place, _), why in sorted(told.items()):
        yield f"{why}: if the odometers of {place} are in miles, {mend}"


def _moved(seen: pl.DataFrame) -> Iterator[tuple[tuple[str, str], str]]:
    """Pairs of places, that of smaller values first, where all units of both are a mile off."""
    order = pl.col("place", "inspected_on", "km")
    steps = seen.sort("unit_id", "inspected_on", "place").with_columns(
        order.shift().over("unit_id").name.prefix("before_")
    )
    days = (pl.col("inspected_on") - pl.col("before_inspected_on")).dt.total_days()
    steps = steps.drop_nulls().with_columns(
        days=days, here=pl.col("place") == pl.col("before_place")
    )
    rate = (pl.col("km") - pl.col("before_km")) / pl.col("days")
    usual = rate.filter(pl.col("here") & (pl.col("days") > 0))
    steps = steps.with_columns(rate=pl.coalesce(usual.median().over("unit_id"), usual.median()))
    due = pl.col("before_km") + pl.col("rate") * pl.col("days")
    off = (pl.col("km") / due).log()
    steps = steps.filter(~pl.col("here")).with_columns(
        miles=pl.when(off < 0).then("place").otherwise("before_place"),
        km_in=pl.when(off < 0).then("before_place").otherwise("place"),
        fits=(off.abs() - pl.lit(MILE).log()).abs() < NEAR,
    )
    pairs = steps.group_by("miles", "km_in", maintain_order=True).agg(
        pl.all().sort_by("unit_id", "inspected_on")
    )
    for pair in pairs.iter_rows(named=True):
        units = list(dict.fromkeys(pair["unit_id"]))
        back = pairs.filter(miles=pair["km_in"], km_in=pair["miles"])
        if all(pair["fits"]) and back.is_empty():
            was, now = pair["before_km"][0], pair["km"][0]
            yield (
                (pair["miles"], pair["km_in"]),
                f"odometers of {', '.join(units[:4])}, seen in {pair['miles']} and in "
                f"{pair['km_in']}, are 1.61 times apart there ({units[0]}: {was:.0f}, then "
                f"{now:.0f} on {pair['inspected_on'][0]})",
            )


def _slower(seen: pl.DataFrame, checks: pl.DataFrame) -> Iterator[tuple[tuple[str, str], str]]:
    """Pairs of places, the slower first, whose units seem to run 1.61 times apart."""
    of = ["place", "unit_id"]
    days = (pl.col("inspected_on").max() - pl.col("inspected_on").min()).dt.total_days()
    units = seen.group_by(of, maintain_order=True).agg(
        days=days, km=pl.col("km").max() - pl.col("km").min()
    )
    units = units.filter(pl.col("days") >= FEWEST_DAYS).with_columns(
        km=pl.col("km") / pl.col("days")
    )
    units = units.join(_worn(checks), on=of, how="left").with_columns(
        mm=pl.col("mm") / pl.col("days")
    )
    low, high = (pl.col("km").quantile(q) for q in (0.25, 0.75))
    places = units.group_by("place", maintain_order=True).agg(
        pl.len().alias("n"), pl.median("km", "mm"), together=high <= TOGETHER * low
    )
    places = places.filter((pl.col("n") >= FEWEST_UNITS) & pl.col("together") & (pl.col("mm") > 0))
    for slow, fast in permutations(places.sort("place").iter_rows(named=True), 2):
        apart, alike = fast["km"] / max(slow["km"], 1e-9), fast["mm"] / slow["mm"]
        if _within(apart, NEAR_MIDDLES) and _within(alike, WEAR_ALIKE):
            yield (
                (slow["place"], fast["place"]),
                f"units of {slow['place']} run {slow['km']:.0f} km a day by their odometers, those "
                f"of {fast['place']} {fast['km']:.0f}, {apart:.2f} times as far, and linings wear "
                "alike by the day",
            )


def _worn(checks: pl.DataFrame) -> pl.DataFrame:
    """What the linings of a wheel end lost in all, in the middle of a unit's, by place."""
    end = ["place", "unit_id", "axle_no", "side"]
    lost = -pl.col("lining_mm").diff().over(end, order_by="inspected_on").clip(upper_bound=0)
    worn = (
        checks.with_columns(lost=lost).group_by(end, maintain_order=True).agg(pl.col("lost").sum())
    )
    return worn.group_by("place", "unit_id", maintain_order=True).agg(mm=pl.col("lost").median())


def _within(value: float, bounds: Sequence[float]) -> bool:
    return bounds[0] <= value <= bounds[1]
