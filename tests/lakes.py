"""A small lake on disk: four units, two axles, nine checks; every number follows from a formula."""

import datetime as dt
from pathlib import Path

import numpy as np
import polars as pl

FIRST_CHECK = dt.date(2024, 1, 8)
UNITS = ("K01", "K02", "K03", "K04")
CHECKS = 9
IRREGULAR_FROM = dt.date(2020, 1, 6)


def register() -> pl.DataFrame:
    return pl.DataFrame(
        [
            (unit, axle, side, "trailing", 140.0, "Northgate" if unit < "K03" else "Millbrook")
            for unit in UNITS
            for axle in (1, 2)
            for side in "LR"
        ],
        schema=["unit_id", "axle_no", "side", "axle_type", "arm_length_mm", "depot"],
        orient="row",
    )


def inspections() -> pl.DataFrame:
    return pl.DataFrame(
        [_check(*where, check) for where in register().iter_rows() for check in range(CHECKS)],
        schema=[
            "unit_id",
            "axle_no",
            "side",
            "inspected_on",
            "odometer_km",
            "lining_mm",
            "free_stroke_mm",
            "return_test",
        ],
        orient="row",
    )


def _check(unit: str, axle: int, side: str, *_: object) -> tuple[object, ...]:
    check = _[-1]
    assert isinstance(check, int)
    number = int(unit[1:])
    km = 100_000 * number + (9_000 + 1_000 * number) * check
    wear_mm = 0.9 * check + 0.1 * ((check * number + axle) % 3)
    stroke_mm = 17 + (check + number + (side == "R")) % 3
    day = FIRST_CHECK + dt.timedelta(weeks=12 * check, days=number)
    lining = round(2 * (17.5 - wear_mm)) / 2
    return (unit, axle, side, day.isoformat(), km, lining, stroke_mm, "pass")


def _greased_at_km(number: int) -> int:
    """A little after the second check."""
    return 100_000 * number + (9_000 + 1_000 * number) + 200


def work() -> pl.DataFrame:
    """One greasing each, so that the table has rows."""
    return pl.DataFrame(
        [
            (unit, axle, side, "2024-04-15", _greased_at_km(int(unit[1:])), "greased")
            for unit in UNITS
            for axle in (1, 2)
            for side in "LR"
        ],
        schema=["unit_id", "axle_no", "side", "done_on", "odometer_km", "action"],
        orient="row",
    )


def write_small_lake(lake: Path) -> Path:
    """Register and work in a file each, inspections in one file per unit."""
    for name in ("register", "inspections", "work"):
        (lake / name).mkdir(parents=True, exist_ok=True)
    register().write_csv(lake / "register" / "all.csv")
    work().write_csv(lake / "work" / "greasing.csv")
    for (unit,), rows in inspections().group_by("unit_id", maintain_order=True):
        rows.write_csv(lake / "inspections" / f"{unit}.csv")
    (lake / "fleet.toml").write_text('[fleet]\nname = "Four Lanes"\n')
    return lake


def irregular_lake(lake: Path, seed: int, weeks: tuple[int, int], units: int = 24) -> Path:
    """A drawn fleet of one axle each over four years, checked after so many weeks as it happens."""
    rng = np.random.default_rng(seed)
    checks, jobs, ends = [], [], []
    for u in range(units):
        unit, per_day, km, day = f"J{u:03d}", rng.uniform(120, 350), 50_000.0, IRREGULAR_FROM
        above = dict(zip("LR", rng.uniform(1.0, 11.0, 2), strict=True))
        ends += [(unit, 1, side, "trailing", 140.0) for side in "LR"]
        while day < IRREGULAR_FROM + dt.timedelta(days=1460):
            for side in "LR":
                reading = round(2 * (7.0 + above[side] + rng.normal(0, 0.4))) / 2
                checks.append((unit, 1, side, day.isoformat(), round(km), max(reading, 0.5)))
                if reading < 8.5:
                    jobs.append((unit, 1, side, day.isoformat(), round(km), "reline"))
                    above[side] = rng.normal(11.0, 0.2)
            gap = int(rng.integers(7 * weeks[0], 7 * weeks[1] + 1))
            ran = gap * per_day * rng.uniform(0.8, 1.2)
            above = {side: mm - ran / 1e4 * rng.uniform(0.4, 0.6) for side, mm in above.items()}
            day, km = day + dt.timedelta(days=gap), km + ran
    end, at = ["unit_id", "axle_no", "side"], ["odometer_km"]
    tables = {
        "register": pl.DataFrame(ends, [*end, "axle_type", "arm_length_mm"], orient="row"),
        "inspections": pl.DataFrame(checks, [*end, "inspected_on", *at, "lining_mm"], orient="row"),
        "work": pl.DataFrame(jobs, [*end, "done_on", *at, "action"], orient="row"),
    }
    for name, rows in tables.items():
        (lake / name).mkdir(parents=True, exist_ok=True)
        rows.write_csv(lake / name / "all.csv")
    (lake / "fleet.toml").write_text(
        '[fleet]\nname = "Jumbled Lanes"\n[axle_types.trailing]\nlining_new_mm = 18\n'
        "lining_min_mm = 7\n"
    )
    return lake
