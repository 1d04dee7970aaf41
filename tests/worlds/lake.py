"""What the fleet wrote down, as a lake in the contract's form."""

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.run import Run, load, reduce, settings_of
from pipeline.warehouse import warehouse
from pipeline.warehouse.incremental import restage
from tests.worlds.fleet import Fleet, unit_id
from tests.worlds.workshop import FRONT, REAR

DEPOTS = ("Brindle Quay", "Low Stannet", "Overmarsh Yard")
DUTIES = ("trunk", "round town", "quarry")
TYPES = {"front": FRONT, "rear": REAR}
SETTINGS = """[fleet]
name = "Tidewrack Cartage (invented)"
currency = "CU"

[costs]
lining_kit = 90.0
reline_labour = 120.0
downtime = 200.0
adjuster = 60.0
adjuster_labour = 40.0
failed_adjuster = 400.0

[service]
check_weeks = {weeks}
"""


LOADED_AT = dt.datetime(2026, 9, 1, 8, 0)


@contextmanager
def counted(fleet: Fleet, base: Path, as_of: dt.date) -> Iterator[Run]:
    """A run over the fleet's records as of a day, in memory, up to where counting ends."""
    lake = write_lake(fleet, base / "lake", as_of)
    with warehouse.in_memory() as con:
        run = Run(con, lake, base / "out", settings_of(lake), LOADED_AT, as_of)
        load(run)
        restage(con, run.settings, LOADED_AT.date(), as_of)
        reduce(run)
        yield run


def write_lake(fleet: Fleet, lake: Path, register_on: dt.date) -> Path:
    """Write the records of every unit that was in the register on a day, to their end.

    A run as of that day uses nothing dated later; the register has no date, so it is that of then.
    """
    named = _named(fleet).filter(pl.Series(fleet.registered(register_on)))
    tables = {
        "register": _register(fleet, named, register_on),
        "inspections": _inspections(fleet, named),
        "work": _work(fleet, named),
    }
    if fleet.world.two_duties or fleet.world.harder_told:
        units = named["unit_id"].unique().to_list()
        tables["duty"] = _duty(fleet).filter(pl.col("unit_id").is_in(units))
    for name, table in tables.items():
        (lake / name).mkdir(parents=True, exist_ok=True)
        table.write_parquet(lake / name / "all.parquet")
    axles = "\n".join(
        f"[axle_types.{name}]\nlining_new_mm = {t['new_mm']}\nlining_min_mm = {t['minimum_mm']}\n"
        for name, t in TYPES.items()
    )
    settings = SETTINGS.format(weeks=26 if fleet.world.gaps == "half-yearly" else 12)
    (lake / "fleet.toml").write_text(f"{settings}\n{axles}", encoding="utf-8")
    return lake


def _named(fleet: Fleet) -> pl.DataFrame:
    ends = fleet.ends
    return pl.DataFrame(
        {
            "end": np.arange(len(ends)),
            "unit_id": [unit_id(u) for u in ends.unit],
            "axle_no": ends.axle_no,
            "side": np.where(ends.is_left, "L", "R"),
        }
    )


def _odometer(fleet: Fleet, ends: np.ndarray, day: np.ndarray) -> np.ndarray:
    unit = fleet.ends.unit[ends]
    roads, on = fleet.roads, np.asarray(day, int)
    km = np.where(roads.joins[unit] > 0, roads.km[unit, on], roads.shown[unit, on])
    return np.asarray(np.round(km))


def _register(fleet: Fleet, named: pl.DataFrame, on: dt.date) -> pl.DataFrame:
    every = np.arange(len(fleet.ends))
    begin = fleet.records[0]
    life, fitting = fleet.lives.at(begin, every), fleet.fittings.at(begin, every)
    joins = fleet.roads.joins[fleet.ends.unit]
    # What a register knows of the time before the records: some of it.
    known = (every // 2 * 7919 % 10 < 6) & (life["day"] > 0) & (joins == 0)
    fitted = every * 104_729 % 10 < 5
    depot = fleet.roads.depot_on(fleet.ends.unit, fleet.day(on))
    table = pl.DataFrame(
        {
            "end": every,
            "axle_type": np.where(fleet.ends.axle_no == 1, "front", "rear"),
            "arm_length_mm": fleet.ends.arm_mm,
            "depot": [DEPOTS[d] for d in depot],
            "relined_on": _dates(fleet, life["day"], known),
            "relined_km": _where(known, _odometer(fleet, every, life["day"])),
            "in_service_on": _dates(fleet, joins, joins > 0),
            "in_service_km": _where(joins > 0, np.zeros(len(every))),
            "adjuster_fitted_on": _dates(fleet, fitting["day"], fitted),
            "adjuster_fitted_km": _where(fitted, _odometer(fleet, every, fitting["day"])),
        }
    )
    return named.join(table, on="end", maintain_order="left").drop("end")


def _where(known: np.ndarray, values: np.ndarray) -> pl.Series:
    return pl.Series([v if k else None for k, v in zip(known, values.tolist(), strict=True)])


def _dates(fleet: Fleet, day: np.ndarray, known: np.ndarray) -> pl.Series:
    dates = [fleet.date(d) if k else None for d, k in zip(day, known, strict=True)]
    return pl.Series(dates, dtype=pl.Date)


def _on_record(fleet: Fleet, columns: dict[str, np.ndarray], named: pl.DataFrame) -> pl.DataFrame:
    """Events of the records' days, with unit, axle, side, ``on`` and ``odometer_km``."""
    first, last = fleet.records
    table = pl.DataFrame(columns).filter(pl.col("day").is_between(first, last))
    km = _odometer(fleet, table["end"].to_numpy(), table["day"].to_numpy())
    on = pl.lit(fleet.date(0)) + pl.duration(days=pl.col("day").cast(pl.Int64))
    table = table.with_columns(odometer_km=km, on=on.cast(pl.Date))
    return table.join(named, on="end").sort("on", "end")


def _inspections(fleet: Fleet, named: pl.DataFrame) -> pl.DataFrame:
    checks = dict(fleet.checks)
    if fleet.care is not None:
        checks["off"] = fleet.care.cap_off[checks["end"], checks["day"].astype(int)]
    if fleet.world.unmeasured:
        renewed = {(e, d) for e, d in zip(fleet.relined["end"], fleet.relined["day"], strict=True)}
        unread = [key in renewed for key in zip(checks["end"], checks["day"], strict=True)]
        checks["lining_mm"] = np.where(unread, np.nan, checks["lining_mm"])
    cap = pl.when("off").then(pl.lit("open")).otherwise(pl.lit("seated"))
    return _on_record(fleet, checks, named).select(
        "unit_id",
        "axle_no",
        "side",
        "odometer_km",
        inspected_on="on",
        lining_mm=pl.col("lining_mm").fill_nan(None),
        free_stroke_mm="stroke_mm",
        return_test=pl.when("found").then(pl.lit("fail")).when("tested").then(pl.lit("pass")),
        **({"cap_state": cap} if fleet.care is not None else {}),
    )


def _work(fleet: Fleet, named: pl.DataFrame) -> pl.DataFrame:
    relined = fleet.relined
    written = {n: c[relined["written"]] for n, c in relined.items() if n != "written"}
    relines = _on_record(fleet, written, named).with_columns(
        action=pl.lit("reline"), reason=pl.lit("worn")
    )
    faults = _on_record(fleet, fleet.faults, named).with_columns(
        action=pl.when("replaced")
        .then(pl.lit("adjuster_replaced"))
        .otherwise(pl.lit("adjuster_set")),
        reason=pl.when("replaced").then(pl.lit("failed")),
    )
    kept = ["unit_id", "axle_no", "side", "on", "odometer_km", "action", "reason"]
    # The work of a reline ends with setting the adjuster.
    settings = relines.with_columns(action=pl.lit("adjuster_set"), reason=pl.lit(None, pl.String))
    done = (relines, settings, faults, *_greasings(fleet, named))
    rows = pl.concat([table.select(kept) for table in done])
    return rows.rename({"on": "done_on"}).sort("done_on", "unit_id", "axle_no", "side")


def _greasings(fleet: Fleet, named: pl.DataFrame) -> list[pl.DataFrame]:
    if fleet.care is None:
        return []
    end, day = np.nonzero(fleet.care.greased[fleet.ends.unit])
    done = _on_record(fleet, {"end": end, "day": day.astype(float)}, named)
    return [done.with_columns(action=pl.lit("greased"), reason=pl.lit(None, pl.String))]


def _duty(fleet: Fleet) -> pl.DataFrame:
    rows = []
    for unit, duty in enumerate(fleet.roads.duty):
        changes = [0, *(np.flatnonzero(np.diff(duty)) + 1)]
        rows += [(unit_id(unit), DUTIES[duty[d]], fleet.date(d)) for d in changes]
    return pl.DataFrame(rows, schema=["unit_id", "duty", "from_on"], orient="row")
