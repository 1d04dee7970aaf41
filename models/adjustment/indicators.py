"""What else was found at a wheel end, as evidence with weights that are estimated or stated.

Each indicator is a category per wheel end. How often a category turns up in each state is
estimated from the fleet's own records, weighing every wheel end by what its strokes alone say of
its state; the stated defaults (common practice and our own judgement, no source) count as
``WORTH`` wheel ends per state. A mark that nobody ever lines up therefore soon counts for nothing.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

UNKNOWN = -1
WORTH = 30.0
FAST_WEAR_Z = 2.0
FOUND_STUCK, FOUND_OVER_ADJUSTING, FOUND_DAMAGED = 1, 2, 3
FAULT_CODES = {
    "stuck": FOUND_STUCK,
    "over_adjusting": FOUND_OVER_ADJUSTING,
    "damaged": FOUND_DAMAGED,
}


@dataclass(frozen=True, slots=True)
class Indicator:
    """Categories of one indicator and their default probabilities by state, rows as ``STATES``."""

    categories: tuple[str, ...]
    default: tuple[tuple[float, ...], ...]


INDICATORS: dict[str, Indicator] = {
    "marks": Indicator(
        ("aligned", "no longer aligned", "never aligned"),
        (
            (0.87, 0.03, 0.10),
            (0.25, 0.40, 0.35),
            (0.45, 0.40, 0.15),
            (0.25, 0.60, 0.15),
            (0.45, 0.40, 0.15),
        ),
    ),
    "return_test": Indicator(
        ("passed", "failed"),
        ((0.99, 0.01), (0.97, 0.03), (0.60, 0.40), (0.08, 0.92), (0.70, 0.30)),
    ),
    "fault": Indicator(
        ("none", "stuck", "over-adjusting", "damaged"),
        (
            (0.990, 0.003, 0.003, 0.004),
            (0.970, 0.010, 0.010, 0.010),
            (0.850, 0.100, 0.010, 0.040),
            (0.550, 0.400, 0.010, 0.040),
            (0.750, 0.010, 0.200, 0.040),
        ),
    ),
    "cap": Indicator(
        ("seated", "open or missing"),
        ((0.95, 0.05), (0.95, 0.05), (0.90, 0.10), (0.88, 0.12), (0.92, 0.08)),
    ),
    "greasing": Indicator(
        ("in time", "overdue"),
        ((0.85, 0.15), (0.85, 0.15), (0.80, 0.20), (0.78, 0.22), (0.82, 0.18)),
    ),
    "wear": Indicator(
        ("as its group", "faster than its group"),
        ((0.97, 0.03), (0.94, 0.06), (0.97, 0.03), (0.97, 0.03), (0.80, 0.20)),
    ),
    "applied": Indicator(
        ("within the limit", "at or past the limit"),
        ((0.997, 0.003), (0.80, 0.20), (0.75, 0.25), (0.15, 0.85), (0.999, 0.001)),
    ),
}

Tables = Mapping[str, Floats]


def default_tables() -> dict[str, Floats]:
    """(states, categories) per indicator, before any record is seen."""
    return {name: np.array(indicator.default) for name, indicator in INDICATORS.items()}


def fitted_tables(codes: Mapping[str, Ints], probability: Floats) -> dict[str, Floats]:
    """The same, from wheel ends whose states the strokes alone judge.

    Parameters
    ----------
    codes : (n,) category per wheel end by indicator, ``UNKNOWN`` where not seen
    probability : (n, states)
    """
    return {
        name: _fitted(codes[name], probability, prior) for name, prior in default_tables().items()
    }


def _fitted(code: Ints, probability: Floats, prior: Floats) -> Floats:
    known = code >= 0
    counts = np.stack(
        [np.bincount(code[known], p, minlength=prior.shape[1]) for p in probability[known].T]
    )
    table: Floats = (counts + WORTH * prior) / (counts.sum(axis=1, keepdims=True) + WORTH)
    return table


def likelihood(codes: Mapping[str, Ints], tables: Tables) -> Floats:
    """(n, states) relative likelihood of what was found; independent given the state."""
    logs = [_log_of(codes[name], table) for name, table in tables.items()]
    total = np.sum(logs, axis=0)
    shares: Floats = np.exp(total - total.max(axis=1, keepdims=True))
    return shares


def _log_of(code: Ints, table: Floats) -> Floats:
    logs = np.log(table).T[np.maximum(code, 0)]
    return np.where((code >= 0)[:, None], logs, 0.0)


def indicator_codes(found: pl.DataFrame) -> dict[str, Ints]:
    """Categories from the latest findings of each wheel end (see :func:`latest_findings`)."""
    marks = (
        pl.when(pl.col("marks_aligned"))
        .then(0)
        .when(~pl.col("marks_aligned"))
        .then(pl.when("marks_were_aligned").then(1).otherwise(2))
    )
    fault = pl.col("fault").replace_strict(FAULT_CODES, default=0, return_dtype=pl.Int64)
    limit = pl.col("applied_stroke_mm") >= pl.col("readjust_limit_mm")
    codes = found.select(
        marks=marks,
        return_test=pl.col("return_test") == "fail",
        fault=pl.when("inspected").then(fault),
        cap=pl.col("cap_state") != "seated",
        greasing=pl.col("greasing_overdue"),
        wear=pl.col("wear_z") >= FAST_WEAR_Z,
        applied=limit,
    )
    return {name: codes[name].cast(pl.Int64).fill_null(UNKNOWN).to_numpy() for name in INDICATORS}


FINDINGS = (
    *("marks_aligned", "return_test", "cap_state", "greasing_overdue"),
    *("applied_stroke_mm", "readjust_limit_mm"),
)


def latest_findings(readings: pl.DataFrame) -> pl.DataFrame:
    """Latest value of each finding in each wheel end's present setting episode.

    A finding before the last setting belongs to what that job put right, so it is left behind;
    only whether the marks ever lined up is remembered.
    """
    order = "wheel_end_id", "inspected_on", "as_left"
    rows = readings.select(*order, "episode_id", "fault", *FINDINGS).sort(
        order, maintain_order=True
    )
    rows = rows.with_columns(
        wheel_end=pl.col("wheel_end_id").rle_id(),
        aligned=pl.col("marks_aligned").fill_null(value=False).cast(pl.Int64),
    )
    rows = rows.with_columns(
        aligned_before=pl.col("aligned").cum_sum().over("wheel_end") - pl.col("aligned")
    )
    present = rows.filter(pl.col("episode_id") == pl.col("episode_id").last().over("wheel_end"))
    return present.group_by("wheel_end", maintain_order=True).agg(
        pl.col("wheel_end_id").first(),
        *(pl.col(name).drop_nulls().last() for name in FINDINGS),
        pl.col("fault").last(),
        marks_were_aligned=pl.col("aligned_before").last() > 0,
        inspected=pl.lit(value=True).first(),
    )
