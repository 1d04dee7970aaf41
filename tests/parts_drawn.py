"""Linings of two parts drawn from the wear model, as the sums that SQL leaves of them."""

import datetime as dt

import numpy as np
import polars as pl

from models.wear.sums import LiningLifeSums, lining_life_sums

KM_PER_CHECK, CHECKS = 15_000.0, 8
FIRST_DAY = dt.date(2023, 1, 2)


def drawn_linings(
    seed: int,
    ratio: float,
    *,
    units: int = 60,
    by_unit: bool = False,
    unit_sd: float = 0.05,
    life_sd: float = 0.05,
) -> tuple[LiningLifeSums, pl.Series]:
    """Sums of 4 linings a unit in two groups, and the part of each: B wears ``ratio`` times A.

    ``by_unit``: a unit has one part on all its wheel ends; else each lining has its own.
    """
    rng = np.random.default_rng(seed)
    unit = np.repeat(np.arange(units), 4)
    axle = np.tile([0, 0, 1, 1], units)
    drawn = rng.integers(0, 2, units)[unit] if by_unit else rng.integers(0, 2, len(unit))
    base = np.array([0.5, 0.4])[axle] + unit_sd * rng.standard_normal(units)[unit]
    rate = base * np.where(drawn == 1, ratio, 1.0) + life_sd * rng.standard_normal(len(unit))
    start = 18.0 + 0.3 * rng.standard_normal(len(unit))
    km = KM_PER_CHECK * np.arange(1, CHECKS + 1)
    mm = start[:, None] - rate[:, None] * km / 1e4 + 0.3 * rng.standard_normal((len(unit), CHECKS))
    ids = [f"L{n:05}" for n in range(len(unit))]
    centred = mm - mm.mean(axis=1, keepdims=True)
    off = km - km.mean()
    lives = pl.DataFrame(
        {
            "life_id": ids,
            "instrument": "gauge",
            "wheel_end_id": ids,
            "unit_id": [f"U{u:03}" for u in unit],
            "axle_type": np.where(axle == 0, "drive", "trailer"),
            "start_known": True,
            "readings": CHECKS,
            "mean_km": km.mean(),
            "mean_mm": mm.mean(axis=1),
            "fitted_on": FIRST_DAY,
            "last_inspected_on": FIRST_DAY + dt.timedelta(days=700),
            "s_km_km": float(off @ off),
            "s_km_mm": centred @ off,
            "s_mm_mm": (centred**2).sum(axis=1),
        }
    )
    return lining_life_sums(lives, _in_one_duty(lives, km), _NO_PAIRS), pl.Series(
        "part", np.where(drawn == 1, "B", "A")
    )


def _in_one_duty(lives: pl.DataFrame, km: np.ndarray) -> pl.DataFrame:
    return lives.select(
        "life_id",
        "instrument",
        "mean_km",
        duty=pl.lit("haul"),
        s_duty_km="s_km_km",
        s_duty_mm="s_km_mm",
        last_km=pl.lit(float(km[-1])),
    )


_NO_PAIRS = pl.DataFrame(
    schema={
        "life_id": pl.String,
        "instrument": pl.String,
        "duty_a": pl.String,
        "duty_b": pl.String,
        "s_km_km": pl.Float64,
    }
)
