"""The lake's four tables: every column's type, unit, range and meaning, stated once.

Validation, the messages of ``drumline check`` and the tables in lake/LAKE.md are all made from
these classes; nothing else in the project repeats a range or an accepted spelling.
"""

from dataclasses import dataclass

import dataframely as dy
import polars as pl

from pipeline.values import (
    ACTIONS,
    CAP_STATES,
    MAX_ARM_MM,
    MAX_LINING_NEW_MM,
    MAX_ODOMETER_KM,
    MIN_ARM_MM,
    MIN_LINING_NEW_MM,
    REASONS,
    RETURN_TESTS,
    SIDES,
)

READINGS = (
    "lining_mm",
    "wear_indicator_deg",
    "free_stroke_mm",
    "applied_stroke_mm",
    "marks_aligned",
    "return_test",
    "cap_state",
    "fault",
)

# What a blank form says of a wheel end before anybody has looked at it.
FILLED_BEFOREHAND = {"inspections": ("unit_id", "axle_no", "side")}

HAS_A_READING = pl.any_horizontal(pl.col(name).is_not_null() for name in READINGS)
ENDS_AFTER_IT_STARTS = (pl.col("to_on") >= pl.col("from_on")).fill_null(value=True)
MINIMUM_IS_BELOW_NEW = (pl.col("lining_min_mm") < pl.col("lining_new_mm")).fill_null(value=True)

# A lining reads above new only by reading error: more than this above new is impossible.
ABOVE_NEW_MM = 2.0


def _unit_id() -> dy.String:
    return dy.String(nullable=False, min_length=1, description="The unit, as the fleet names it")


def _axle_no() -> dy.Int64:
    return dy.Int64(nullable=False, min=1, max=20, description="Axle, counted from the front")


def _side() -> dy.Enum:
    return dy.Enum(SIDES, nullable=False, description="Left or right, seen in driving direction")


def _length(description: str, *, low: float = 0.0, high: float | None = None) -> dy.Float64:
    return dy.Float64(
        nullable=True, min=low, max=high, description=description, metadata={"unit": "mm"}
    )


def _distance(description: str, *, required: bool = False) -> dy.Float64:
    return dy.Float64(
        nullable=not required,
        min=0.0,
        max=MAX_ODOMETER_KM,
        description=description,
        metadata={"unit": "km"},
    )


class Register(dy.Schema):
    """One row per wheel end."""

    unit_id = _unit_id()
    axle_no = _axle_no()
    side = _side()
    axle_type = dy.String(nullable=False, min_length=1, description="Axle type, as in fleet.toml")
    arm_length_mm = dy.Float64(
        nullable=True,
        min=MIN_ARM_MM,
        max=MAX_ARM_MM,
        description="Adjuster arm: camshaft centre to clevis-pin centre; empty: no word on strokes",
        metadata={"unit": "mm"},
    )
    depot = dy.String(nullable=True, description="Depot that checks the unit")
    chamber_size = dy.String(nullable=True, description="Trade size; L marks long stroke")
    lining_new_mm = _length(
        "New lining, if not the axle type's", low=MIN_LINING_NEW_MM, high=MAX_LINING_NEW_MM
    )
    lining_min_mm = _length("Minimum lining, if not the axle type's", high=MAX_LINING_NEW_MM)
    relined_on = dy.Date(nullable=True, description="Last reline before the records begin")
    relined_km = _distance("Odometer at that reline")
    in_service_on = dy.Date(nullable=True, description="When the wheel end entered service")
    in_service_km = _distance("Odometer then")
    adjuster_fitted_on = dy.Date(nullable=True, description="When its adjuster was fitted")
    adjuster_fitted_km = _distance("Odometer then")

    @dy.rule()
    def minimum_is_below_new(cls) -> pl.Expr:
        return MINIMUM_IS_BELOW_NEW


class Inspections(dy.Schema):
    """One row per wheel end per inspection; readings as found unless ``as_left`` is true."""

    unit_id = _unit_id()
    axle_no = _axle_no()
    side = _side()
    inspected_on = dy.Date(nullable=False, description="Day of the inspection")
    odometer_km = _distance("Odometer at the inspection", required=True)
    lining_mm = _length("Lining at its thinnest point")
    wear_indicator_deg = dy.Float64(
        nullable=True,
        min=0.0,
        max=90.0,
        description="Camshaft wear pointer: 0 new, 90 worn out",
        metadata={"unit": "°"},
    )
    free_stroke_mm = _length("Clevis-pin travel, arm pulled by hand, brakes released")
    applied_stroke_mm = _length("Pushrod travel at test pressure", high=MAX_ARM_MM)
    marks_aligned = dy.Bool(nullable=True, description="Pointer lines up with the body's mark")
    return_test = dy.Enum(
        RETURN_TESTS, nullable=True, description="Backed off and applied: returns to its mark?"
    )
    cap_state = dy.Enum(CAP_STATES, nullable=True, description="Grease cap as found")
    fault = dy.String(nullable=True, description="stuck, over_adjusting, damaged, or other words")
    inspector = dy.String(nullable=True, description="Who read it; never published")
    as_left = dy.Bool(nullable=True, description="True: read after the day's work")

    @dy.rule()
    def some_reading(cls) -> pl.Expr:
        return HAS_A_READING


class Work(dy.Schema):
    """One row per workshop job on a wheel end."""

    unit_id = _unit_id()
    axle_no = _axle_no()
    side = _side()
    done_on = dy.Date(nullable=False, description="Day of the job")
    odometer_km = _distance("Odometer at the job", required=True)
    action = dy.Enum(ACTIONS, nullable=False, description="What was done")
    reason = dy.Enum(REASONS, nullable=True, description="Why")
    cost = dy.Float64(nullable=True, min=0.0, description="What it cost, fleet currency")
    part = dy.String(nullable=True, description="What was fitted, in the fleet's words")


class Duty(dy.Schema):
    """One row per spell of a unit in a duty; without rows a unit is ``unassigned``."""

    unit_id = _unit_id()
    duty = dy.String(nullable=False, min_length=1, description="Duty, in the fleet's words")
    from_on = dy.Date(nullable=False, description="First day")
    to_on = dy.Date(nullable=True, description="Last day; empty: until the next row, or still")

    @dy.rule()
    def ends_after_it_starts(cls) -> pl.Expr:
        return ENDS_AFTER_IT_STARTS


@dataclass(frozen=True, slots=True)
class RowRule:
    """What must hold across a row's cells, and what to say where it does not.

    Where a cell of the columns ``of`` is written and cannot be read, that is said, and not this.
    """

    holds: pl.Expr
    kind: str
    text: str
    of: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LakeTable:
    """A table of the lake: its folder, its schema, and the rules across a row."""

    name: str
    schema: type[dy.Schema]
    row_rules: tuple[RowRule, ...] = ()


TABLES = {
    table.name: table
    for table in (
        LakeTable(
            "register",
            Register,
            (
                RowRule(
                    MINIMUM_IS_BELOW_NEW,
                    "minimum not below new",
                    "lining_min_mm: found no less than lining_new_mm; accepted: below it",
                ),
            ),
        ),
        LakeTable(
            "inspections",
            Inspections,
            (
                RowRule(
                    HAS_A_READING,
                    "no reading",
                    f"found no reading; accepted: at least one of {', '.join(READINGS)}",
                    READINGS,
                ),
            ),
        ),
        LakeTable("work", Work),
        LakeTable(
            "duty",
            Duty,
            (
                RowRule(
                    ENDS_AFTER_IT_STARTS,
                    "to_on before from_on",
                    "to_on: found a day before from_on; accepted: the same day or later",
                ),
            ),
        ),
    )
}


def columns_of(table_name: str) -> dict[str, dy.Column]:
    """The contract's columns of a lake table, in order."""
    return TABLES[table_name].schema.columns()


def unit_of(column: dy.Column) -> str | None:
    return (column.metadata or {}).get("unit")


def is_required(column: dy.Column) -> bool:
    return not column.nullable


def accepted_values(column: dy.Column) -> str:
    """What a cell of the column may hold, in words fit for a message or a table."""
    match column:
        case dy.Enum():
            return " or ".join([", ".join(column.categories[:-1]), column.categories[-1]])
        case dy.Bool():
            return "yes or no (also true/false, y/n, 1/0)"
        case dy.Date():
            return "a date such as 2025-03-31"
        case dy.String():
            return "text"
        case dy.Int64() | dy.Float64():
            return _accepted_numbers(column)
    raise TypeError(column)


def _accepted_numbers(column: dy.Int64 | dy.Float64) -> str:
    noun = "a whole number" if isinstance(column, dy.Int64) else "a number"
    low, high = column.min, column.max
    unit = f" {unit_of(column)}" if unit_of(column) else ""
    if low is not None and high is not None:
        return f"{noun} from {low:g} to {high:.10g}{unit}"
    if low is not None:
        return f"{noun} of {low:g}{unit} or more"
    return f"{noun}{unit}"
