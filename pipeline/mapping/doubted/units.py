"""Units whose odometers seem to be in thousands of km, their linings or strokes in cm; lost names.

A cell alone shows none of it: 141.234 is a good odometer, and 1.6 mm a worn lining. All of a unit's
together do, beside those of the others. Their rows are set aside, but where a cell names its unit.
"""

import re
from collections.abc import Iterator

import polars as pl

from pipeline.values import counted

THOUSAND, SMALL, SMALL_DAYS = 1_000, 100, 90
# By so much an odometer taken for thousands may lie beyond those of the others.
BEYOND = 3.0
# No lining is thicker, in cm; half of all linings in mm are thicker than the other. Too few
# readings show neither. Our own, from memory of the trade.
LEAST_CM, MOST_CM, USUAL_MM, FEWEST = 0.3, 2.6, 5.0, 4
# Nor are a unit's strokes all so short, beside those of half the units, of more than as much.
LONGEST_CM, USUAL_STROKE_MM = 6.5, 15.0
# Before a spreadsheet shortened it, this was a number of more figures.
SHORTENED = r"(?i)^\d([.,]\d+)?E\+?\d+$"
PLUS = r"(?i)E\+"
STROKES = ("free_stroke_mm", "applied_stroke_mm")

IN_THOUSANDS = (
    "odometer_km: found {} km, as every odometer of {} is a hundred times below those of half the "
    "units; accepted: km, or a cell that names its unit, as in 312 tkm or 312 km"
)
IN_CM = (
    "lining_mm: found {} mm, as no lining of {} is above 2.6 mm; accepted: mm, or a cell that "
    "names its unit, as in 1.6 cm or 1.6 mm"
)
STROKE_IN_CM = (
    "{0}: found {{}} mm, as no such stroke of {{}} is above 6.5 mm and most of the others' are; "
    "accepted: mm, or a cell that names its unit, as in 3.5 cm or 3.5 mm"
)
NO_NAME = (
    'unit_id: found "{}", which a spreadsheet has made of a longer number; accepted: the whole '
    "number, as in an export whose column is text"
)


SEVERAL = 'unit_id: found "{}", which are units of their own in other rows; accepted: one a row'


def doubted_units(rows: pl.DataFrame, named: dict[str, pl.Series]) -> pl.DataFrame:
    """Typed rows with what is wrong with those of units that are doubted; ``named``: by column,
    the rows whose cells name their unit."""
    rows = _with_problem(rows, _is_shortened(rows), "unit_id not readable", NO_NAME, ["unit_id"])
    rows = _with_problem(rows, _are_several(rows), "unit_id not readable", SEVERAL, ["unit_id"])
    if "inspected_on" not in rows.columns:
        return rows
    for column, found, text in (
        ("odometer_km", _in_thousands(rows), IN_THOUSANDS),
        ("lining_mm", _in_cm(rows), IN_CM),
        *((name, _short(rows, name), STROKE_IN_CM.format(name)) for name in STROKES),
    ):
        said = named.get(column, pl.Series([], dtype=pl.Int64))
        doubted = rows["unit_id"].is_in(found) & ~rows["row_no"].is_in(said.implode())
        doubted &= rows[column].is_not_null()
        kind = f"{column} in another unit"
        rows = _with_problem(rows, doubted, kind, text, [column, "unit_id"])
    return rows


def _is_shortened(rows: pl.DataFrame) -> pl.Series:
    """Rows of a unit called 4.17E+11; 5E7 may be a name."""
    names = rows["unit_id"].fill_null("")
    return names.str.contains(SHORTENED) & (names.str.contains(PLUS) | names.str.contains(r"[.,]"))


def _are_several(rows: pl.DataFrame) -> pl.Series:
    """Rows whose unit is the names of two or more that other rows are of: T101, T102."""
    units = set(rows["unit_id"].drop_nulls().unique())
    named = {unit: re.split(r"\s*[,;/+&]\s*", unit) for unit in units}
    several = [unit for unit, parts in named.items() if len(parts) > 1 and units.issuperset(parts)]
    return rows["unit_id"].is_in(several)


def _with_problem(
    rows: pl.DataFrame, where: pl.Series, kind: str, text: str, of: list[str]
) -> pl.DataFrame:
    """Rows with a problem where they had none; ``of`` are the columns whose values it names."""
    where = where.fill_null(value=False) & rows["problem"].is_null()
    if not where.any():
        return rows
    raw = pl.concat_str(
        [pl.format(f"{name}={{}}", name) for name in ("unit_id", of[0])], separator=" | "
    )
    told = {"problem_kind": pl.lit(kind), "problem": pl.format(text, *of), "raw": raw}
    return rows.with_columns(
        pl.when(pl.lit(where)).then(value).otherwise(name).alias(name)
        for name, value in told.items()
    )


def _units(rows: pl.DataFrame) -> pl.DataFrame:
    """Of each unit the span of its days, the largest odometer, and its linings."""
    return rows.drop_nulls(["unit_id", "inspected_on"]).group_by(
        "unit_id", maintain_order=True
    ).agg(
        km=pl.col("odometer_km").max(),
        days=(pl.col("inspected_on").max() - pl.col("inspected_on").min()).dt.total_days(),
        broken=((pl.col("odometer_km") * 10 % 1) > 1e-6).mean(),
        lining=pl.col("lining_mm").max(),
        readings=pl.col("lining_mm").count(),
    )  # fmt: skip


def _small(units: pl.DataFrame) -> pl.DataFrame:
    """Units whose odometers are so far below those of half the units, over months or with
    thousandths."""
    usual = pl.col("km").median()
    lasting = (pl.col("days") >= SMALL_DAYS) | (pl.col("broken") > 0.5)
    return units.filter((pl.col("km") * SMALL < usual) & lasting)


def _in_thousands(rows: pl.DataFrame) -> list[str]:
    """Units whose odometers would be like the others', were they in thousands of km."""
    units = _units(rows)
    small = _small(units)
    others = units.filter(~pl.col("unit_id").is_in(small["unit_id"].implode()))["km"].drop_nulls()
    if small.is_empty() or others.is_empty():
        return []
    low, high = float(others.min() or 0) / BEYOND, float(others.max() or 0) * BEYOND  # type: ignore[arg-type]
    return small.filter((pl.col("km") * THOUSAND).is_between(low, high))["unit_id"].to_list()


def _in_cm(rows: pl.DataFrame) -> list[str]:
    """Units all of whose linings are as thin as linings in mm never are, beside thicker ones of
    others or in a table that has no others."""
    units = _units(rows).filter(pl.col("readings") > 0)
    thin = units.filter(pl.col("lining").is_between(LEAST_CM, MOST_CM))
    thick = units.filter(pl.col("lining") >= USUAL_MM)
    enough = int(thin["readings"].sum()) >= 2 * FEWEST
    if thin.height == units.height:
        return thin["unit_id"].to_list() if enough else []
    if thick.height * 2 < units.height:
        return []
    return thin.filter(pl.col("readings") >= FEWEST)["unit_id"].to_list()


def _short(rows: pl.DataFrame, stroke: str) -> list[str]:
    """Units all of whose strokes are as short as strokes in mm never are, beside longer ones."""
    units = rows.drop_nulls(["unit_id", stroke]).group_by("unit_id", maintain_order=True).agg(
        longest=pl.col(stroke).max(), usual=pl.col(stroke).median(), n=pl.len()
    )  # fmt: skip
    long = units.filter(pl.col("usual") >= USUAL_STROKE_MM)
    if long.height * 2 < units.height:
        return []
    few = (pl.col("n") < FEWEST) | (pl.col("usual") <= 0)
    return units.filter((pl.col("longest") <= LONGEST_CM) & ~few)["unit_id"].to_list()


def small_odometers(rows: pl.DataFrame) -> Iterator[str]:
    """What is said of units whose odometers may be in thousands, and may be right."""
    kept = rows.filter(pl.col("problem").is_null()) if "inspected_on" in rows.columns else rows[:0]
    if kept.is_empty():
        return
    small = _small(_units(rows)).join(kept.select("unit_id").unique(), on="unit_id", how="semi")
    if small.height:
        some = ", ".join(small.sort("unit_id")["unit_id"].head(4))
        yield (
            f"odometers of {counted(small.height, 'unit')} ({some}) stay a hundred times below "
            "those of half the units: if they are in thousands of km, say so in each cell (312 tkm)"
        )
