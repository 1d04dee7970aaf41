"""What people get wrong when they write rows down: typos, repeats, impossible cells.

Every error goes on record with the fate a careful reader should give the row: `set_aside`,
`repeated`, or `either` where nobody can be sure: an error that may look like a good row, or a
good row that an error in another row puts in doubt.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from sample_lake.parameters import BoolArray, IntArray

SET_ASIDE, REPEATED, EITHER = "set_aside", "repeated", "either"
VISIT = ("unit_id", "inspected_on")
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
Change = Callable[[pl.DataFrame, np.random.Generator], pl.DataFrame]


@dataclass(frozen=True, slots=True)
class ErrorKind:
    """One way to get a row wrong, and how often per 1,000 rows."""

    name: str
    per_1000: float
    eligible: pl.Expr
    change: Change
    fate: str = SET_ASIDE
    adds_row: bool = False
    doubts: str = ""
    """Name under which the good row in doubt is listed; empty when there is none."""


def _with(*columns: pl.Expr) -> Change:
    def change(rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
        return rows.with_columns(*columns)

    return change


def _one_of(column: str, texts: Sequence[str]) -> Change:
    """Cell of `column` overwritten by one of these texts."""

    def change(rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
        chosen = [texts[which] for which in rng.integers(0, len(texts), rows.height)]
        return rows.with_columns(_column=pl.lit(column), _text=pl.Series(chosen, dtype=pl.String))

    return change


def _other_unit(rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Each row under the unit of the next of them."""
    return rows.with_columns(pl.col("unit_id").shift(-1, fill_value=pl.col("unit_id").first()))


def _shifted_date(rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """A week to a month early."""
    days = pl.lit(pl.Series(rng.integers(7, 31, rows.height)))
    return rows.with_columns(pl.col("inspected_on") - pl.duration(days=days))


def _impossible(rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """A negative lining, a stroke longer than any arm, or a pointer beyond 90 degrees."""
    which = pl.Series(rng.integers(0, 3, rows.height))
    return rows.with_columns(
        lining_mm=pl.when(which == 0).then(-pl.col("lining_mm")).otherwise("lining_mm"),
        free_stroke_mm=pl.when(which == 1).then(400.0).otherwise("free_stroke_mm"),
        wear_indicator_deg=pl.when(which == 2).then(270.0).otherwise("wear_indicator_deg"),
    )


_DIGITS = pl.col("odometer_km").cast(pl.String)
_FIRST, _SECOND = _DIGITS.str.slice(0, 1), _DIGITS.str.slice(1, 1)
_FAR_APART = (_FIRST.cast(pl.Int64, strict=False) - _SECOND.cast(pl.Int64, strict=False)).abs() >= 2
_SWAPPED = (_SECOND + _FIRST + _DIGITS.str.slice(2)).cast(pl.Int64, strict=False)
_SIX_DIGITS = pl.col("odometer_km").is_between(100_000, 999_999) & _FAR_APART & (_SECOND != "0")
_INSIDE = pl.col("_inside_records")
_TEXTUAL = pl.col("_textual")
_FULL = (pl.col("lining_mm") >= 9.0) & (pl.col("free_stroke_mm") >= 10.0)
_ZERO_IN_ID = pl.col("unit_id").str.contains("0", literal=True)
_LETTER_O = pl.col("unit_id").str.replace("0", "O", literal=True)

INSPECTION_ERRORS = (
    ErrorKind(
        "odometer_digits_swapped",
        0.6,
        _SIX_DIGITS & _INSIDE,
        _with(_SWAPPED.alias("odometer_km")),
    ),
    ErrorKind(
        "odometer_extra_digit",
        0.4,
        _INSIDE & (pl.col("odometer_km") > 50_000),
        _with(pl.col("odometer_km") * 10 + 7),
    ),
    ErrorKind("lining_tenfold", 0.6, _FULL, _with(pl.col("lining_mm") * 10)),
    ErrorKind(
        "inches_in_mm_file",
        0.6,
        _FULL & pl.col("_metric") & _INSIDE,
        _with((pl.col("lining_mm", "free_stroke_mm", "applied_stroke_mm") / 25.4).round(2)),
    ),
    ErrorKind(
        "wrong_side",
        0.5,
        pl.col("_both_sides") & _FULL,
        _with(pl.col("side").replace_strict({"L": "R", "R": "L"}, return_dtype=pl.String)),
        doubts="same_side_twice",
    ),
    ErrorKind("unknown_unit", 0.6, _ZERO_IN_ID, _with(_LETTER_O)),
    ErrorKind("other_unit", 0.3, _INSIDE, _other_unit, fate=EITHER),
    ErrorKind("shifted_date", 0.3, _INSIDE, _shifted_date, fate=EITHER),
    ErrorKind("future_date", 0.4, pl.lit(True), _with(pl.col("inspected_on").dt.offset_by("11y"))),
    ErrorKind("impossible_value", 0.6, _FULL, _impossible),
    ErrorKind(
        "text_in_number",
        0.6,
        _TEXTUAL,
        _one_of("lining_mm", ("worn", "ok", "see note", "?")),
    ),
    ErrorKind(
        "impossible_date",
        0.3,
        _TEXTUAL,
        _one_of("inspected_on", ("2024-02-31", "31.06.2023", "2022-13-04")),
    ),
    ErrorKind(
        "missing_required", 0.4, pl.lit(True), _with(pl.lit(None, pl.Int64).alias("odometer_km"))
    ),
    ErrorKind(
        "no_reading",
        0.3,
        pl.lit(True),
        _with(*(pl.lit(None).alias(column) for column in READINGS)),
    ),
    ErrorKind("repeated_row", 2.0, pl.lit(True), _with(), fate=REPEATED, adds_row=True),
    ErrorKind(
        "contradictory_duplicate",
        0.6,
        _FULL,
        _with(pl.col("lining_mm") - 2.0, pl.col("free_stroke_mm") + 6.0),
        adds_row=True,
        doubts="contradicted",
    ),
)

WORK_ERRORS = (
    ErrorKind("unknown_unit", 0.2, _ZERO_IN_ID, _with(_LETTER_O)),
    ErrorKind("future_date", 0.1, pl.lit(True), _with(pl.col("done_on").dt.offset_by("11y"))),
    ErrorKind("unknown_action", 0.2, pl.lit(True), _with(pl.lit("adjusted?").alias("action"))),
    ErrorKind("text_in_number", 0.2, _TEXTUAL, _one_of("cost", ("ask the office", "tbc"))),
    ErrorKind(
        "missing_required", 0.1, pl.lit(True), _with(pl.lit(None, pl.Int64).alias("odometer_km"))
    ),
    ErrorKind("repeated_row", 0.4, pl.lit(True), _with(), fate=REPEATED, adds_row=True),
)


def expected_count(kind: ErrorKind, rows: int, factor: float = 1.0) -> int:
    """How many errors of a kind go into so many rows, `factor` times the usual share."""
    return int(np.ceil(factor * kind.per_1000 * rows / 1000.0))


def with_errors(
    frame: pl.DataFrame,
    kinds: Sequence[ErrorKind],
    visit: Sequence[str],
    rng: np.random.Generator,
    factor: float = 1.0,
) -> pl.DataFrame:
    """The frame with errors of each kind, at most one per unit and day.

    Adds `_kind` and `_fate` (null for good rows), and `_column`, `_text` (a cell to be
    overwritten when the row is put into words). Added rows follow the row they copy.
    """
    frame = frame.with_columns(
        _order=pl.int_range(pl.len()).cast(pl.Float64),
        _kind=pl.lit(None, pl.String),
        _fate=pl.lit(None, pl.String),
        _column=pl.lit(None, pl.String),
        _text=pl.lit(None, pl.String),
    )
    counts = [expected_count(kind, frame.height, factor) for kind in kinds]
    chosen = _chosen_rows(frame, kinds, counts, visit, rng)
    untouched = np.ones(frame.height, dtype=bool)
    parts = []
    for kind, rows in zip(kinds, chosen, strict=True):
        wrong = kind.change(frame[rows], rng).with_columns(
            _kind=pl.lit(kind.name), _fate=pl.lit(kind.fate), _order=pl.col("_order") + 0.5
        )
        parts.append(wrong.select(frame.columns))
        untouched[rows] = kind.adds_row
    good = _in_doubt(frame, kinds, chosen).filter(pl.Series(untouched))
    return pl.concat([good, *parts], how="vertical_relaxed").sort("_order")


def _chosen_rows(
    frame: pl.DataFrame,
    kinds: Sequence[ErrorKind],
    counts: Sequence[int],
    visit: Sequence[str],
    rng: np.random.Generator,
) -> list[IntArray]:
    """Rows per kind, no two of them of the same unit on the same day."""
    hashes = frame.select(pl.struct(visit).hash()).to_series().to_numpy()
    names, visits = np.unique(hashes, return_inverse=True)
    free = np.ones(len(names), dtype=bool)
    chosen = []
    for kind, count in zip(kinds, counts, strict=True):
        eligible = frame.select(kind.eligible.fill_null(False).alias("is")).to_series().to_numpy()
        rows = _some(eligible, visits, free, count, rng)
        free[visits[rows]] = False
        chosen.append(rows)
    return chosen


def _some(
    eligible: BoolArray, visits: IntArray, free: BoolArray, count: int, rng: np.random.Generator
) -> IntArray:
    """At most `count` eligible rows, of different visits that are still free."""
    eligible = np.broadcast_to(eligible, visits.shape)
    rows = rng.permutation(np.flatnonzero(eligible & free[visits]))
    _, first = np.unique(visits[rows], return_index=True)
    return np.sort(rows[np.sort(first)[:count]])


def _in_doubt(
    frame: pl.DataFrame, kinds: Sequence[ErrorKind], chosen: Sequence[IntArray]
) -> pl.DataFrame:
    """Good rows that an error puts in doubt are listed as such."""
    doubted = np.full(frame.height, -1)
    for which, (kind, rows) in enumerate(zip(kinds, chosen, strict=True)):
        if kind.doubts:
            doubted[_doubted_by(frame, kind, rows)] = which
    name = pl.Series([*(kind.doubts for kind in kinds), None], dtype=pl.String)
    listed = name.gather(pl.Series(np.where(doubted < 0, len(kinds), doubted)))
    return frame.with_columns(
        _kind=listed, _fate=pl.when(listed.is_not_null()).then(pl.lit(EITHER))
    )


def _doubted_by(frame: pl.DataFrame, kind: ErrorKind, rows: IntArray) -> IntArray:
    """The copied row itself, or the other side of the axle that day."""
    if kind.adds_row:
        return rows
    keys = ["unit_id", "axle_no", "inspected_on", "as_left"]
    mine = frame[rows].select(*keys, "_order")
    others = frame.select(*keys, other="_order")
    pairs = mine.join(others, on=keys, nulls_equal=True)
    return pairs.filter(pl.col("other") != pl.col("_order"))["other"].to_numpy().astype(np.int64)
