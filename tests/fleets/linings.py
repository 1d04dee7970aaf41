"""A fleet's lining readings drawn from the wear model, seen through imperfect people.

An invented fleet: every unit has two axles of two wheel ends, one steering and one carrying.
"""

import datetime as dt
from dataclasses import dataclass, field
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from models.wear.sums import LiningLifeSums, lining_life_sums

SQL = Path(__file__).parents[2] / "sql" / "30_reduce"
REDUCTIONS = (
    "100_lining_measurements",
    "110_lining_life_sums",
    "120_lining_life_duty_sums",
    "130_lining_life_duty_pairs",
    "140_lining_pointer_pairs",
)
AXLES = ("carrying", "steering")
DUTIES = ("gravel", "ring", "trunk")
FIRST_DAY = dt.date(2019, 1, 7)


@dataclass(frozen=True, slots=True)
class FleetTruth:
    """What the readings are drawn from: mm, mm per 10,000 km, and shares of imperfect readings.

    Spread between units and lives is what it is called at the geometric mean of the rates and grows
    with a power of the rate; ``unit_duty_sd`` is a unit's own difference in each duty. Linings
    fitted from check ``later_from`` on wear ``later_ratio`` times as fast (by axle type), and start
    ``later_start_mm`` thicker. From then on every lining wears ``rough_ratio`` times as fast, and a
    share of units, ``joined``, is only there since, their linings wearing ``joined_ratio`` times as
    fast; and linings of the first units, a share ``harder``, wear ``harder_ratio`` times as fast.
    """

    rates: np.ndarray = field(
        default_factory=lambda: np.array([[0.62, 0.44, 0.30], [0.48, 0.35, 0.22]])
    )
    starts: np.ndarray = field(default_factory=lambda: np.array([18.0, 16.0]))
    intercept_sd: float = 0.35
    life_sd: float = 0.06
    unit_sd: float = 0.05
    unit_power: float = 0.0
    life_power: float = 0.0
    unit_duty_sd: float = 0.0
    residual_sd: float = 0.4
    km_per_check: float = 15_000.0
    checks: int = 16
    relined_below_mm: float = 7.0
    change_share: float = 0.3
    unknown_share: float = 0.4
    missing_share: float = 0.1
    round_to_mm: float = 0.5
    bedding_mm: float = 0.0
    bedding_km: float = 8_000.0
    pointer_share: float = 0.0
    pointer_bias: tuple[float, float] = (0.4, -0.3)
    pointer_sd: float = 0.9
    pointer_setting_sd: float = 0.0
    pointer_scale: float = 0.0
    pointer_follows_start: float = 0.0
    season_mm: float = 0.0
    unreset_share: float = 0.0
    later_from: int = 0
    later_ratio: tuple[float, float] = (1.0, 1.0)
    later_start_mm: float = 0.0
    rough_ratio: float = 1.0
    joined: float = 0.0
    joined_ratio: float = 1.0
    harder: float = 0.0
    harder_ratio: float = 1.0


@dataclass(frozen=True, slots=True)
class DrawnFleet:
    """Readings and km by duty, as the stage tables hold them; lives whose pointer nobody reset;
    each life's true thickness at its last reading and slope beside its group's rates; and the
    units' km by duty up to each check's day."""

    readings: pl.DataFrame
    reading_km: pl.DataFrame
    unreset: frozenset[str] = frozenset()
    lines: pl.DataFrame = field(default_factory=pl.DataFrame)
    unit_km: pl.DataFrame = field(default_factory=pl.DataFrame)


@dataclass(slots=True)
class _Wheels:
    """State of all wheel ends while the fleet is walked through its checks."""

    unit: np.ndarray
    axle: np.ndarray
    life_no: np.ndarray
    known: np.ndarray
    start_mm: np.ndarray
    slope: np.ndarray
    origin: np.ndarray
    pointer_lag_mm: np.ndarray
    pointer_set_mm: np.ndarray
    joined: np.ndarray

    def is_late(self, truth: FleetTruth) -> np.ndarray:
        """Whether a lining was fitted late enough to be of another make."""
        return (self.origin >= truth.later_from) & (truth.later_from > 0)

    def worn(self, km: np.ndarray, check: int, truth: FleetTruth) -> np.ndarray:
        """What the group's rate takes of each lining up to a check."""
        turn = np.clip(truth.later_from, self.origin, check)
        after = km[self.unit, check] - km[self.unit, turn]
        before = km[self.unit, turn] - km[self.unit, self.origin]
        make = np.where(self.is_late(truth), np.array(truth.later_ratio)[self.axle], 1.0)
        joined = np.where(self.joined, truth.joined_ratio, 1.0)
        harder = np.where(self.unit < truth.harder * len(km), truth.harder_ratio, 1.0)
        weighted = before + truth.rough_ratio * after * harder[:, None]
        return (truth.rates[self.axle] * weighted).sum(axis=1) / 1e4 * make * joined


def _unit_km(
    rng: np.random.Generator, units: int, truth: FleetTruth
) -> tuple[np.ndarray, np.ndarray]:
    """Accumulated km by duty at each check (units, checks, duties), and the duty then."""
    first, second = rng.integers(0, len(DUTIES), (2, units))
    change = np.where(
        rng.random(units) < truth.change_share,
        rng.integers(3, max(truth.checks - 2, 4), units),
        truth.checks,
    )
    duty = np.where(np.arange(truth.checks) < change[:, None], first[:, None], second[:, None])
    pace = truth.km_per_check * rng.lognormal(0.0, 0.25, units)
    step = pace[:, None] * rng.uniform(0.7, 1.3, (units, truth.checks))
    step[:, 0] = 0.0
    return np.cumsum(step[:, :, None] * (duty[:, :, None] == np.arange(len(DUTIES))), axis=1), duty


def _new_lives(
    rng: np.random.Generator, wheels: _Wheels, where: np.ndarray, truth: FleetTruth
) -> None:
    n = len(where)
    start = truth.starts[wheels.axle[where]] + rng.normal(0, truth.intercept_sd, n)
    wheels.start_mm[where] = start
    wheels.slope[where] = rng.normal(0, truth.life_sd, n)
    # Put upright with the new linings, a pointer shows what is worn since, not how thick they were.
    unseen = (1.0 - truth.pointer_follows_start) * (start - truth.starts[wheels.axle[where]])
    set_mm = rng.normal(0, truth.pointer_setting_sd, n) if truth.pointer_setting_sd else 0.0
    wheels.pointer_set_mm[where] = set_mm - unseen


def _first_lives(rng: np.random.Generator, units: int, truth: FleetTruth) -> _Wheels:
    unit, axle = np.repeat(np.arange(units), 4), np.tile([0, 0, 1, 1], units)
    n = len(unit)
    joined = unit >= round(units * (1.0 - truth.joined))
    wheels = _Wheels(
        unit=unit,
        axle=axle,
        life_no=np.ones(n, int),
        known=(rng.random(n) >= truth.unknown_share) | joined,
        start_mm=np.zeros(n),
        slope=np.zeros(n),
        origin=np.where(joined, truth.later_from, 0),
        pointer_lag_mm=np.zeros(n),
        pointer_set_mm=np.zeros(n),
        joined=joined,
    )
    _new_lives(rng, wheels, np.arange(n), truth)
    wheels.start_mm -= ~wheels.known * rng.uniform(0, 7, n)
    return wheels


def _rounded(values: np.ndarray, truth: FleetTruth) -> np.ndarray:
    if truth.round_to_mm <= 0:
        return values
    return np.round(values / truth.round_to_mm) * truth.round_to_mm


def _check(
    rng: np.random.Generator,
    wheels: _Wheels,
    km: np.ndarray,
    check: int,
    unit_slope: np.ndarray,
    truth: FleetTruth,
) -> dict[str, np.ndarray]:
    """One round of readings of every wheel end."""
    since = km[wheels.unit, check] - km[wheels.unit, wheels.origin]
    total = since.sum(axis=1)
    worn = wheels.worn(km, check, truth)
    relative = truth.rates / np.exp(np.log(truth.rates).mean())
    life_km = (relative[wheels.axle] ** truth.life_power * since).sum(axis=1)
    unit_km = relative[wheels.axle] ** truth.unit_power * since
    random = (wheels.slope * life_km + (unit_slope[wheels.unit] * unit_km).sum(axis=1)) / 1e4
    bedding = truth.bedding_mm * -np.expm1(-total / truth.bedding_km) * wheels.known
    later_mm = truth.later_start_mm * wheels.is_late(truth)
    lining = wheels.start_mm + later_mm - worn + random - bedding
    n = len(lining)
    drum = truth.pointer_scale * (lining - truth.starts[wheels.axle])
    pointer = lining + np.array(truth.pointer_bias)[wheels.axle] + drum - wheels.pointer_lag_mm
    season = truth.season_mm * np.cos(2 * np.pi * 91 * check / 365.25)
    return {
        "since": since,
        "km": km[wheels.unit, check].sum(axis=1),
        "lining": lining,
        "slope": random / np.maximum(total, 1e-9) * 1e4,
        "read": _rounded(lining + season + rng.normal(0, truth.residual_sd, n), truth),
        "pointer": pointer + wheels.pointer_set_mm + rng.normal(0, truth.pointer_sd, n),
        "has_pointer": rng.random(n) < truth.pointer_share,
        "taken": (rng.random(n) >= truth.missing_share)
        & (~wheels.joined | (check >= truth.later_from)),
    }


def _rows(wheels: _Wheels, seen: dict[str, np.ndarray], check: int) -> dict[str, np.ndarray]:
    taken = seen["taken"]
    return {
        "wheel": np.flatnonzero(taken),
        "true_mm": seen["lining"][taken],
        "true_slope": seen["slope"][taken],
        "life_no": wheels.life_no[taken],
        "start_known": wheels.known[taken],
        "check": np.full(taken.sum(), check),
        "origin": wheels.origin[taken],
        "km": seen["km"][taken],
        "lining_mm": seen["read"][taken],
        "pointer_lining_mm": np.where(seen["has_pointer"], seen["pointer"], np.nan)[taken],
        **{f"km_{d}": seen["since"][taken, i] for i, d in enumerate(DUTIES)},
    }


def _reline(
    rng: np.random.Generator,
    wheels: _Wheels,
    seen: dict[str, np.ndarray],
    check: int,
    truth: FleetTruth,
) -> list[tuple[int, int]]:
    """Reline what was read too thin; (wheel end, life number) of those with a pointer not reset."""
    due = np.flatnonzero(seen["taken"] & (seen["read"] <= truth.relined_below_mm))
    before = seen["lining"][due] - wheels.pointer_lag_mm[due]
    _new_lives(rng, wheels, due, truth)
    forgotten = rng.random(len(due)) < truth.unreset_share
    wheels.pointer_lag_mm[due] = np.where(forgotten, wheels.start_mm[due] - before, 0.0)
    wheels.life_no[due] += 1
    wheels.known[due], wheels.origin[due] = True, check
    return list(zip(due[forgotten].tolist(), wheels.life_no[due[forgotten]].tolist(), strict=True))


def _life_ids(frame: pl.DataFrame) -> pl.DataFrame:
    unit = pl.format("K{}", (pl.col("wheel") // 4).cast(pl.String).str.zfill(6))
    end = pl.format(
        "{}/{}{}",
        unit,
        (pl.col("wheel") % 4) // 2 + 1,
        pl.when(pl.col("wheel") % 2 == 0).then(pl.lit("L")).otherwise(pl.lit("R")),
    )
    return frame.with_columns(unit_id=unit, wheel_end_id=end).with_columns(
        life_id=pl.format("{}#{}", "wheel_end_id", "life_no")
    )


def _reading_frames(columns: dict[str, np.ndarray]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Readings counted from each life's origin: its first reading where its start is unknown."""
    duty_km = [f"km_{d}" for d in DUTIES]
    axle = pl.when((pl.col("wheel") % 4) < 2).then(pl.lit(AXLES[0])).otherwise(pl.lit(AXLES[1]))
    frame = (
        _life_ids(pl.DataFrame(columns))
        .with_columns(
            axle_type=axle,
            as_left=pl.lit(False),
            inspected_on=pl.lit(FIRST_DAY) + pl.duration(days=91 * pl.col("check")),
            started_on=pl.when("start_known").then(
                pl.lit(FIRST_DAY) + pl.duration(days=91 * pl.col("origin"))
            ),
            pointer_lining_mm=pl.col("pointer_lining_mm").fill_nan(None),
            pointer_deg=pl.lit(45.0),
        )
        .with_columns(
            pl.col(c) - pl.when("start_known").then(0.0).otherwise(pl.col(c).min().over("life_id"))
            for c in duty_km
        )
        .with_columns(km_since_reline=pl.sum_horizontal(duty_km))
    )
    long = (
        frame.select("life_id", "inspected_on", "as_left", *duty_km)
        .unpivot(
            index=["life_id", "inspected_on", "as_left"], variable_name="duty", value_name="km"
        )
        .filter(pl.col("km") > 0)
        .with_columns(pl.col("duty").str.strip_prefix("km_"))
    )
    return frame.drop(duty_km, "origin", "true_mm", "true_slope"), long


def draw_fleet(seed: int, units: int, truth: FleetTruth | None = None) -> DrawnFleet:
    """Readings of a fleet of ``units`` units over its checks."""
    truth = truth or FleetTruth()
    rng = np.random.default_rng(seed)
    km, _ = _unit_km(rng, units, truth)
    wheels = _first_lives(rng, units, truth)
    unit_slope = rng.normal(0, truth.unit_sd, units)[:, None] + np.zeros(len(DUTIES))
    if truth.unit_duty_sd:
        unit_slope = unit_slope + rng.normal(0, truth.unit_duty_sd, unit_slope.shape)
    parts, unreset = [], []
    for check in range(truth.checks):
        seen = _check(rng, wheels, km, check, unit_slope, truth)
        parts.append(_rows(wheels, seen, check))
        unreset += _reline(rng, wheels, seen, check, truth)
    columns = {name: np.concatenate([p[name] for p in parts]) for name in parts[0]}
    readings, reading_km = _reading_frames(columns)
    lines = (
        _life_ids(pl.DataFrame(columns))
        .group_by("life_id")
        .agg(pl.col("true_mm", "true_slope", "check").sort_by("check").last())
    )
    lost = pl.DataFrame(unreset, schema={"wheel": pl.Int64, "life_no": pl.Int64}, orient="row")
    forgotten = frozenset(_life_ids(lost)["life_id"])
    return DrawnFleet(readings, reading_km, forgotten, lines, _by_day(km))


def _by_day(km: np.ndarray) -> pl.DataFrame:
    """unit_id, on_date, duty, km, from km by unit, check and duty."""
    unit, check, duty = (index.ravel() for index in np.indices(km.shape))
    columns = {"wheel": 4 * unit, "life_no": 0, "check": check, "km": km.ravel()}
    return (
        _life_ids(pl.DataFrame(columns))
        .with_columns(
            on_date=pl.lit(FIRST_DAY) + pl.duration(days=91 * pl.col("check")),
            duty=pl.Series(np.array(DUTIES)[duty]),
        )
        .select("unit_id", "on_date", "duty", "km")
    )


def reduced(readings: pl.DataFrame, reading_km: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """The reductions of two stage tables, by the project's own SQL; lives without a ``started_on``
    began before the records."""
    if "started_on" not in readings.columns:
        readings = readings.with_columns(started_on=pl.lit(None, dtype=pl.Date))
    with duckdb.connect() as database:
        database.execute("create schema stage; create schema reduce")
        database.register("stage_readings", readings)
        database.register("stage_km", reading_km)
        database.execute("create view stage.lining_readings as from stage_readings")
        database.execute(
            """create view stage.lining_lives as
            select distinct life_id, wheel_end_id, unit_id, axle_type, start_known, started_on
            from stage_readings"""
        )
        database.execute("create view stage.lining_reading_km as from stage_km")
        for name in REDUCTIONS:
            select = (SQL / f"{name}.sql").read_text()
            database.execute(f"create table reduce.{name[4:]} as {select}")
        names = [f"reduce.{name[4:]}" for name in REDUCTIONS[1:]]
        return {name: database.table(name).pl() for name in names}


def sums_of(fleet: DrawnFleet) -> LiningLifeSums:
    tables = reduced(fleet.readings, fleet.reading_km)
    return lining_life_sums(
        tables["reduce.lining_life_sums"],
        tables["reduce.lining_life_duty_sums"],
        tables["reduce.lining_life_duty_pairs"],
    )
