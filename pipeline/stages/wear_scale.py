"""Lining readings on a scale on which wear is even, where it quickens or slows as linings thin."""

import datetime as dt
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

import duckdb

from models.wear.generations.names import base_of, generation_of, has_later, run_since
from models.wear.result import WearFit
from models.wear.shape.thinning import Thinning, found_thinning, is_of_all
from pipeline.marts.wear import TESTED, tested_readings
from pipeline.stages.wear_by_day import AS_THEY_ARE, km_by_era
from pipeline.warehouse import warehouse


def shown_thinning(con: duckdb.DuckDBPyConnection, fit: WearFit) -> Thinning | None:
    """How wear changes as linings thin, where that is shown beside what else the ``fit`` knows to
    have changed: rates by the day of fitting, and of all linings since a day; and where depots
    agree on it, for what one of them alone shows is its gauge."""
    readings, km = tested_readings(con)
    kinds = generation_of(readings["axle_type"], readings["started_on"], fit.axle_types)
    if has_later(fit.duties):
        eras: dict[str, list[dt.date]] = {}
        for name in fit.duties:
            since = run_since(name)
            if since is not None:
                eras.setdefault(base_of(name), []).append(since)
        km = km_by_era(con, {duty: tuple(sorted(days)) for duty, days in eras.items()}, TESTED)
    readings = readings.with_columns(axle_type=kinds)
    found = found_thinning(readings, km)
    if found is None or not found.is_shown:
        return None
    depots = readings.partition_by("depot")
    by_depot = [found_thinning(rows, km) for rows in depots] if len(depots) > 1 else []
    return found if is_of_all(found, [each for each in by_depot if each is not None]) else None


@contextmanager
def on_scale(
    con: duckdb.DuckDBPyConnection, thinning: Thinning | None
) -> Iterator[Mapping[str, str]]:
    """What the tables are called meanwhile whose thicknesses are on the scale."""
    if thinning is None:
        yield AS_THEY_ARE
        return
    texts = dict(warehouse.sql_files("30_reduce"))
    names = {READINGS: "scaled_readings"}
    try:
        con.execute(f"create or replace temp table {names[READINGS]} as {_scaled(thinning)}")
        for table in REDUCED:
            text = warehouse.renamed(texts[f"reduce.{table}"], names)
            names[f"reduce.{table}"] = f"scaled_{table}"
            con.execute(f"create or replace temp table scaled_{table} as {text}")
        yield names
    finally:
        for name in names.values():
            con.execute(f"drop table if exists {name}")


READINGS = "stage.lining_readings"
REDUCED = (
    "lining_measurements",
    "lining_life_sums",
    "lining_life_duty_sums",
    "lining_life_duty_pairs",
    "lining_pointer_pairs",
)
"""Tables of ``reduce`` made anew of thicknesses on the scale, in their order."""


def _scaled(thinning: Thinning) -> str:
    """``stage.lining_readings`` on the scale of ``models.wear.shape.scale``."""
    beta = f"({thinning.log_ratio!r}::double)"
    columns = ", ".join(
        f"""lining_new_mm - usable_mm * (
            (exp(-{beta} * {inside}) - 1) / (exp(-{beta}) - 1)
            + ({worn} - {inside}) * -{beta} * exp(-{beta} * {inside}) / (exp(-{beta}) - 1)
        ) as {name}"""
        for name in ("lining_mm", "pointer_lining_mm")
        for worn in [f"((lining_new_mm - {name}) / usable_mm)"]
        for inside in [f"greatest(least({worn}, 1), 0)"]
    )
    return f"""
        select * exclude (lining_new_mm, usable_mm) replace ({columns}) from (
            select r.*, w.lining_new_mm, w.lining_new_mm - w.lining_min_mm as usable_mm
            from {READINGS} r
            inner join stage.lining_lives l on l.life_id = r.life_id
            inner join judge.wheel_ends w on w.wheel_end_id = l.wheel_end_id
        )"""
