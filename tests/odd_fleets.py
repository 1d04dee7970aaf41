"""Small fleets that are odd in one way each: a seeded generator of lakes, with a switch a way.

Wear, adjuster lives and the workshop's ways are as plain as can be, so that what a page says of
such a fleet follows from what its records hold and lack, not from fine points of its history.
"""

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl

START = dt.date(2023, 1, 9)
ARM_MM, NEW_MM, MIN_MM = 150.0, 18.0, 6.5
AIM, STUCK_GROWTH_MM = 0.125, 9.0  # of the arm; free stroke gained a check once an adjuster fails
MM_PER_INCH, KM_PER_MILE = 25.4, 1.609344  # exact, by definition
PUT_RIGHT_AT_ONCE = 0.7  # chance that a failed adjuster is replaced at the visit that finds it
PLACES = tuple((axle, side) for axle in (1, 2) for side in "LR")
KM_PER_DAY = {"town": 130.0, "distance": 420.0}
WEAR_MM_PER_10000KM = {"town": 0.75, "distance": 0.22}
Spoiler = Callable[[dict[str, pl.DataFrame]], dict[str, pl.DataFrame]]


@dataclass(frozen=True, slots=True)
class Odd:
    """A fleet; every switch left alone makes an ordinary small one."""

    name: str
    units: int = 12
    weeks: int = 130
    check_weeks: int = 12
    seed: int = 1
    irregular: bool = False  # checks 8 to 20 weeks apart instead
    checks: int | None = None  # no more than so many a unit
    one_group: bool = False
    never_inspected: int = 0  # every so many-th unit has no inspection
    duty: bool = True
    work: bool = True
    greased: bool = True
    lining: bool = True
    stroke: bool = True
    return_test: bool = True
    relines: bool = True
    all_planned: bool = False  # every adjuster is replaced before it can fail
    life_km: float = 260_000  # Weibull scale of the adjusters' lives
    imperial: bool = False
    spoiled: Spoiler | None = None
    unreadable: str = ""  # a table whose one file is no table
    settings: str = field(default="")


def write_lake(odd: Odd, lake: Path) -> Path:
    """The fleet's files, one a table."""
    tables = _tables(odd)
    for name, rows in tables.items():
        folder = lake / name
        folder.mkdir(parents=True, exist_ok=True)
        if name == odd.unreadable:
            (folder / "export.xlsx").write_bytes(b"this is no workbook at all")
        elif not rows.is_empty():
            rows.write_csv(folder / "export.csv")
    (lake / "fleet.toml").write_text(_settings(odd), "utf-8")
    return lake


def _settings(odd: Odd) -> str:
    units = '[units]\nlength = "in"\ndistance = "mi"\n' if odd.imperial else ""
    minimum = f"[axle_types.{{}}]\nlining_new_mm = {NEW_MM}\nlining_min_mm = {MIN_MM}\n"
    return (
        f'[fleet]\nname = "{odd.name}"\n{units}'
        + "".join(minimum.format(kind) for kind in ("steer", "drive"))
        + odd.settings
    )


def _tables(odd: Odd) -> dict[str, pl.DataFrame]:
    rng = np.random.default_rng(odd.seed)
    inspections: list[dict[str, object]] = []
    work: list[dict[str, object]] = []
    for number in range(odd.units):
        seen, done = _unit(odd, number, rng)
        inspections += seen
        work += done
    tables = {
        "register": _register(odd),
        "inspections": _readings_kept(odd, pl.DataFrame(inspections, infer_schema_length=None)),
        "work": _jobs_kept(odd, pl.DataFrame(work, infer_schema_length=None)),
        "duty": _duties(odd),
    }
    spoiled = odd.spoiled(tables) if odd.spoiled else tables
    return {n: _in_inches_and_miles(t) for n, t in spoiled.items()} if odd.imperial else spoiled


def _unit_id(number: int) -> str:
    return f"F{number + 1:03d}"


def _duty_of(odd: Odd, number: int) -> str:
    return "town" if odd.one_group or number % 2 else "distance"


def _axle_type(odd: Odd, axle: int) -> str:
    return "drive" if odd.one_group or axle == 2 else "steer"


def _register(odd: Odd) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {
                "unit_id": _unit_id(number),
                "axle_no": axle,
                "side": side,
                "axle_type": _axle_type(odd, axle),
                "arm_length_mm": ARM_MM,
                "depot": "Norrby" if odd.one_group or number % 3 else "Saltholm",
                "in_service_on": START,
                "in_service_km": 0.0,
            }
            for number in range(odd.units)
            for axle, side in PLACES
        ]
    )


def _duties(odd: Odd) -> pl.DataFrame:
    rows = [
        {"unit_id": _unit_id(n), "duty": _duty_of(odd, n), "from_on": START}
        for n in range(odd.units)
    ]
    return pl.DataFrame(rows if odd.duty else [])


def _visits(odd: Odd, number: int, rng: np.random.Generator) -> Iterator[int]:
    """Days after the start."""
    day, last = 7 * (1 + number % odd.check_weeks), 7 * odd.weeks
    for _ in range(odd.checks or 10_000):
        if day > last:
            return
        yield day
        day += 7 * int(rng.integers(8, 21)) if odd.irregular else 7 * odd.check_weeks


def _unit(
    odd: Odd, number: int, rng: np.random.Generator
) -> tuple[list[dict[str, object]], list[dict[str, object]]]:
    duty = _duty_of(odd, number)
    km_per_day = KM_PER_DAY[duty] * rng.uniform(0.85, 1.15)
    rates = WEAR_MM_PER_10000KM[duty] * rng.uniform(0.85, 1.15, len(PLACES))
    lining = np.full(len(PLACES), NEW_MM)
    good_until = _lives(odd, rng, len(PLACES))
    stroke = ARM_MM * (AIM + rng.normal(0.0, 0.006, len(PLACES)))
    before, inspections, work = 0.0, [], []
    for day in _visits(odd, number, rng):
        km = round(km_per_day * day)
        lining -= rates * (km - before) / 10_000
        failed = good_until < km
        stroke += np.where(failed, STUCK_GROWTH_MM, rng.normal(0.0, 0.4, len(PLACES)))
        at = {"unit_id": _unit_id(number), "odometer_km": float(km)}
        on = START + dt.timedelta(days=day)
        inspections += [
            {**at, "axle_no": axle, "side": side, "inspected_on": on}
            | _readings(rng, lining[i], stroke[i], failed=bool(failed[i]))
            for i, (axle, side) in enumerate(PLACES)
        ]
        for i, (axle, side) in enumerate(PLACES):
            job = {**at, "axle_no": axle, "side": side, "done_on": on}
            work.append(job | {"action": "greased", "reason": None})
            worn = lining[2 * (i // 2) : 2 * (i // 2) + 2].min() < MIN_MM + 1.5
            if worn and odd.relines and i % 2 == 0:
                pair = [{**job, "side": s, "action": "reline", "reason": "worn"} for s in "LR"]
                work += pair
                lining[i : i + 2] = NEW_MM
            seen_to = failed[i] and rng.uniform() < PUT_RIGHT_AT_ONCE
            ends = good_until[i] < km + 60_000 if odd.all_planned else seen_to
            if ends:
                why = "planned" if odd.all_planned else "failed"
                work.append(job | {"action": "adjuster_replaced", "reason": why})
                good_until[i] = km + _lives(odd, rng, 1)[0]
                stroke[i] = ARM_MM * AIM
        before = km
    return ([] if _is_skipped(odd, number) else inspections), work


def _is_skipped(odd: Odd, number: int) -> bool:
    return bool(odd.never_inspected) and number % odd.never_inspected == 0


def _lives(odd: Odd, rng: np.random.Generator, n: int) -> np.ndarray:
    return odd.life_km * rng.weibull(2.5, n)


def _readings(
    rng: np.random.Generator, lining: float, stroke: float, *, failed: bool
) -> dict[str, object]:
    return {
        "lining_mm": max(0.0, round(2 * (lining + rng.normal(0.0, 0.25))) / 2),
        "free_stroke_mm": round(stroke, 1),
        "return_test": "fail" if failed else "pass",
        "marks_aligned": not failed,
    }


def _readings_kept(odd: Odd, rows: pl.DataFrame) -> pl.DataFrame:
    gone = [
        *(["lining_mm"] if not odd.lining else []),
        *(["free_stroke_mm", "marks_aligned"] if not odd.stroke else []),
        *(["return_test"] if not odd.return_test else []),
    ]
    kept = rows.drop(gone, strict=False)
    return kept if odd.return_test or odd.stroke or odd.lining else kept.clear()


def _jobs_kept(odd: Odd, rows: pl.DataFrame) -> pl.DataFrame:
    if not odd.work or rows.is_empty():
        return rows.clear()
    return rows if odd.greased else rows.filter(pl.col("action") != "greased")


def _in_inches_and_miles(rows: pl.DataFrame) -> pl.DataFrame:
    inches = [c for c in rows.columns if c.endswith("_mm")]
    miles = [c for c in rows.columns if c.endswith("_km")]
    turned = rows.with_columns(
        *((pl.col(c) / MM_PER_INCH).round(3) for c in inches),
        *((pl.col(c) / KM_PER_MILE).round(0) for c in miles),
    )
    return turned.rename(
        {c: c.removesuffix("_mm") + "_in" for c in inches}
        | {c: c.removesuffix("_km") + "_mi" for c in miles}
    )


def every_second_date_is_ambiguous(tables: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """Half the inspections say their day in a form with two readings."""
    two_ways = pl.format("0{}/0{}/2025", pl.int_range(pl.len()) % 9 + 1, pl.col("axle_no"))
    spoiled = pl.when(pl.int_range(pl.len()) % 2 == 0).then(two_ways)
    day = pl.col("inspected_on").cast(pl.String)
    return tables | {
        "inspections": tables["inspections"].with_columns(inspected_on=spoiled.otherwise(day))
    }


def half_the_units_are_not_in_the_register(
    tables: dict[str, pl.DataFrame],
) -> dict[str, pl.DataFrame]:
    """The register lost every second unit: nobody knows the wheel ends of their rows."""
    kept = tables["register"].filter(pl.col("unit_id").str.tail(1).cast(pl.Int64) % 2 == 1)
    return tables | {"register": kept}


def all_readings_are_the_same(tables: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """Somebody writes down the same figures at every check."""
    same = {"lining_mm": pl.lit(12.0), "free_stroke_mm": pl.lit(19.0)}
    return tables | {"inspections": tables["inspections"].with_columns(**same)}


def a_depot_closed(tables: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """One depot's units have no record after a day."""
    units = tables["register"].filter(pl.col("depot") == "Saltholm")["unit_id"]
    gone = pl.col("unit_id").is_in(units.unique().to_list())
    last = START + dt.timedelta(weeks=60)
    return tables | {
        table: tables[table].filter(~gone | (pl.col(day) <= last))
        for table, day in (("inspections", "inspected_on"), ("work", "done_on"))
    }


def relines_are_not_written_down(tables: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """The workshop relines, and writes down all but that."""
    return tables | {"work": tables["work"].filter(pl.col("action") != "reline")}


def strokes_are_read_by_air(tables: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """The stroke under air is written down as the free one: longer by an arm's worth of give."""
    longer = pl.col("free_stroke_mm") + 0.15 * ARM_MM
    return tables | {"inspections": tables["inspections"].with_columns(free_stroke_mm=longer)}


FLEETS = (
    Odd("Ordinary"),
    Odd("One unit", units=1),
    Odd("Five units", units=5),
    Odd("Three months", weeks=13),
    Odd("One inspection each", checks=1),
    Odd("No duty", duty=False),
    Odd("No work", work=False),
    Odd("No greasing", greased=False),
    Odd("No lining", lining=False),
    Odd("No stroke", stroke=False, return_test=False),
    Odd("No return test", return_test=False),
    Odd("Inches and miles", imperial=True),
    Odd("No relines", relines=False, weeks=40),
    Odd("All planned", all_planned=True),
    Odd("One group", one_group=True, life_km=80_000),
    Odd("A third never inspected", never_inspected=3),
    Odd("Half set aside by date", spoiled=every_second_date_is_ambiguous),
    Odd("Half set aside by register", spoiled=half_the_units_are_not_in_the_register),
    Odd("Work unreadable", unreadable="work"),
    Odd("Irregular checks", irregular=True),
    Odd("All readings the same", spoiled=all_readings_are_the_same),
    Odd("A depot closed", spoiled=a_depot_closed),
    Odd("Relines not written down", weeks=200, spoiled=relines_are_not_written_down),
    Odd("Strokes read by air", spoiled=strokes_are_read_by_air),
    Odd("Adjusters fail at once", life_km=9_000),
)
