"""Linings whose rates are multiples of their duty's, as the sums that SQL leaves of them.

Drawn at once, so that a thousand fleets take minutes: every unit runs in one duty and has as many
linings as asked on two axle types, each read now and then; some starts are not on record.
"""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.wear.sums import LiningLifeSums, lining_life_sums

AXLES, DUTIES = ("drive", "trailer"), ("a", "b")
BASE = np.array([[0.45, 0.32], [0.60, 0.42]])
KM_PER_CHECK, READ_KM = 15_000.0, 1e4
_NO_PAIRS = pl.DataFrame(
    schema={
        **dict.fromkeys(("life_id", "instrument", "duty_a", "duty_b"), pl.String),
        "s_km_km": pl.Float64,
    }
)


@dataclass(frozen=True, slots=True)
class Drawn:
    """Spread of the logarithm of rates between units and linings, or of rates themselves [mm per
    10,000 km] where ``alike``; starts and reading error in mm."""

    units: int = 40
    linings: int = 8
    checks: float = 10.0
    unit_sd: float = 0.2
    life_sd: float = 0.1
    alike: bool = False
    start_sd: float = 0.2
    reading_sd: float = 0.4
    unknown: float = 0.25

    @property
    def rates(self) -> np.ndarray:
        """Mean rates (A, D)."""
        more = 0.0 if self.alike else (self.unit_sd**2 + self.life_sd**2) / 2.0
        return BASE * np.exp(more)


def drawn_rates(seed: int, of: Drawn) -> LiningLifeSums:
    """The sums of one fleet."""
    rng = np.random.default_rng(seed)
    n = of.units * of.linings
    unit, axle = np.repeat(np.arange(of.units), of.linings), np.arange(n) % 2
    duty = unit % 2
    own = of.unit_sd * rng.standard_normal(of.units)[unit], of.life_sd * rng.standard_normal(n)
    rate = BASE[axle, duty]
    rate = rate + own[0] + own[1] if of.alike else rate * np.exp(own[0] + own[1])
    readings = np.maximum(rng.poisson(of.checks, n), 2)
    most = int(readings.max())
    there = np.arange(most) < readings[:, None]
    km = KM_PER_CHECK * np.cumsum(rng.uniform(0.7, 1.3, (n, most)), axis=1)
    known = rng.random(n) >= of.unknown
    before = np.where(known, 0.0, rng.uniform(0.0, 60_000.0, n))
    worn = rate[:, None] * (km + before[:, None]) / READ_KM
    start = 18.0 + of.start_sd * rng.standard_normal(n)
    mm = start[:, None] - worn + of.reading_sd * rng.standard_normal(km.shape)
    km = km - np.where(known, 0.0, km[:, 0])[:, None]
    mean_km, mean_mm = ((x * there).sum(axis=1) / readings for x in (km, mm))
    off = [(x - m[:, None]) * there for x, m in ((km, mean_km), (mm, mean_mm))]
    ids = [f"L{i:05}" for i in range(n)]
    lives = pl.DataFrame(
        {
            "life_id": ids,
            "instrument": ["gauge"] * n,
            "wheel_end_id": ids,
            "unit_id": [f"U{u:04}" for u in unit],
            "axle_type": np.array(AXLES)[axle],
            "start_known": known,
            "readings": readings,
            "mean_km": mean_km,
            "mean_mm": mean_mm,
            "fitted_on": pl.Series([None] * n, dtype=pl.Date),
            "last_inspected_on": [dt.date(2025, 1, 6)] * n,
            "s_km_km": (off[0] ** 2).sum(axis=1),
            "s_km_mm": (off[0] * off[1]).sum(axis=1),
            "s_mm_mm": (off[1] ** 2).sum(axis=1),
        }
    )
    by_duty = lives.select(
        "life_id",
        "instrument",
        "mean_km",
        duty=pl.Series(np.array(DUTIES)[duty]),
        s_duty_km="s_km_km",
        s_duty_mm="s_km_mm",
        last_km=pl.Series(km[np.arange(n), readings - 1]),
    )
    return lining_life_sums(lives, by_duty, _NO_PAIRS)
