r"""How much faster linings wear near their minimum than new, from their own readings.

The logarithm of that ratio, :math:`\beta`, is what makes thickness on the scale of
``models.wear.shape.scale`` a straight line in km. It is found by Gauss and Newton: readings on the
scale of the present :math:`\beta` are fitted by the mixed model of ``models.wear.fit`` with one
column more, the derivative of the scale in :math:`\beta` along each lining's expected line; its
coefficient is what :math:`\beta` lacks. Bedding-in and a season of readings stand beside it, so
that neither passes for it. The test is Wald's, with Satterthwaite's degrees of freedom, of the
coefficient where :math:`\beta` is nought; the standard error is that at the end.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.common.arrays import FloatArray
from models.common.distributions import t_quantile
from models.mixed.fit import TooFewRowsError
from models.wear.shape.linearity import (
    LEAST_LIVES,
    MOST_LIVES,
    Departure,
    Rows,
    Trial,
    bedding_columns,
    life_means,
    readings_rows,
    seasonal,
    tried,
    wear_departures,
    with_three_readings,
)
from models.wear.shape.scale import WearScale, even_per_worn

SHOWN = 0.01
"""p below which wear is taken to quicken or slow as linings thin."""
LEAST_RATIO = 1.1
"""A rate that changes by less over a lining's life is as good as even."""
TOLD_ERRORS, NOT_THERE = 6.0, 0.05
"""A depot whose standard error is so many times smaller than what all show would have a smaller p
by itself; searches that end at their first step find a third of it with few linings."""
LONGEST_STEP = 0.7
MOST_STEPS = 8
SETTLED = 0.1
"""Steps shorter than this share of the standard error change nothing that matters."""
MOST = math.log(10.0)


@dataclass(frozen=True, slots=True)
class Thinning:
    """Logarithm of the wear rate at the minimum over that of a new lining, its standard error and
    degrees of freedom, and p of there being none."""

    log_ratio: float
    se: float
    df: float
    p: float

    @property
    def is_shown(self) -> bool:
        return self.p < SHOWN and abs(self.log_ratio) > math.log(LEAST_RATIO)

    def scale(self, new_mm: FloatArray, minimum_mm: FloatArray) -> WearScale:
        """The scale of linings on which they wear evenly."""
        return WearScale(self.log_ratio, minimum_mm, new_mm - minimum_mm)

    def limits(self, level: float = 0.95) -> tuple[float, float]:
        """Interval of the ratio."""
        half = float(t_quantile(0.5 + level / 2, self.df)) * self.se
        return math.exp(self.log_ratio - half), math.exp(self.log_ratio + half)


def found_thinning(
    readings: pl.DataFrame, reading_km: pl.DataFrame, *, most_lives: int = MOST_LIVES
) -> Thinning | None:
    """How wear changes as linings thin; None where too few linings were read often enough.

    ``readings`` and ``reading_km`` as :func:`models.wear.shape.linearity.wear_departures` has them,
    with ``lining_new_mm`` and ``lining_min_mm`` of each reading's lining.
    """
    if readings["lining_mm"].count() == 0 or reading_km.is_empty():
        return None
    rows, frame = readings_rows(readings, reading_km, most_lives)
    if with_three_readings(rows) < LEAST_LIVES:
        return None
    new, minimum = (frame[name].to_numpy() for name in ("lining_new_mm", "lining_min_mm"))
    above = replace(rows, y=rows.y - minimum)
    try:
        return _searched(above, WearScale(0.0, minimum, new - minimum))
    except TooFewRowsError:
        return None


def is_of_all(found: Thinning, by_depot: Sequence[Thinning]) -> bool:
    """Whether no depot shows nothing of it where it would have to: a lining wears alike wherever it
    is measured, a gauge that errs on thin linings belongs to one depot."""
    told = [each for each in by_depot if abs(found.log_ratio) > TOLD_ERRORS * each.se]
    return all(each.p < NOT_THERE for each in told)


def _searched(rows: Rows, scale: WearScale) -> Thinning | None:
    beside = {**bedding_columns(rows)[0], **seasonal(rows)}
    line, p = _line(rows, tried(rows, {})), None
    for _ in range(MOST_STEPS):
        even = replace(rows, y=scale.even_mm(rows.y))
        columns = {**beside, "thinning": _derivative(rows, scale, line)}
        trial = tried(even, columns)
        if "thinning" not in trial.names:
            return None
        (step,), ((variance,),) = trial.estimate("thinning")
        test, se = trial.test("thinning"), float(np.sqrt(variance))
        p = test.p if p is None else p
        step = float(np.clip(step, -LONGEST_STEP, LONGEST_STEP))
        log_ratio = float(np.clip(scale.log_ratio + step, -MOST, MOST))
        scale, line = replace(scale, log_ratio=log_ratio), _line(even, trial)
        if p > SHOWN or abs(step) < SETTLED * se:
            return Thinning(log_ratio, se, test.df2, p)
    return None


def _line(rows: Rows, trial: Trial) -> FloatArray:
    """Expected readings on the scale: by the fixed effects, from each lining's own mean where its
    start is not known. Noise of a reading would lean on its own derivative else."""
    beta = np.zeros(rows.x.shape[1])
    beta[trial.line_kept] = trial.fit.beta[: int(trial.line_kept.sum())]
    fixed = rows.x @ beta
    free = rows.known == 0.0
    return np.where(free, fixed + life_means(rows, rows.y - fixed), fixed)


def _derivative(rows: Rows, scale: WearScale, even_mm: FloatArray) -> FloatArray:
    """How readings on the scale fall as beta grows."""
    above, h = scale.above_mm(even_mm), 1e-3
    high, low = (replace(scale, log_ratio=scale.log_ratio + d).even_mm(above) for d in (h, -h))
    return np.asarray((low - high) / (2.0 * h))


def departures_beside(
    readings: pl.DataFrame, reading_km: pl.DataFrame, found: Thinning
) -> tuple[Departure, ...]:
    """Bedding-in and season of readings on the scale, with the thinning that made it in the place
    of a bend; what new linings lose early in mm by a gauge."""
    new, minimum = (readings[name].to_numpy() for name in ("lining_new_mm", "lining_min_mm"))
    scale = found.scale(new, minimum)
    lining = readings["lining_mm"].fill_null(np.nan).to_numpy()
    even = pl.Series("lining_mm", scale.even_lining_mm(lining)).fill_nan(None)
    early = 1.0 / float(even_per_worn(np.zeros(1), found.log_ratio)[0])
    told = wear_departures(readings.with_columns(even), reading_km, first_mm=early)
    kept = tuple(departure for departure in told if departure.kind != "curvature")
    return (*kept, thinning_told(found))


def thinning_told(found: Thinning) -> Departure:
    """The ratio of wear at the minimum to wear when new, as a departure that fits allow for."""
    ratio, (low, high) = math.exp(found.log_ratio), found.limits()
    return Departure(
        "thinning",
        *(ratio, ratio * found.se, low, high, found.df, found.p, found.p),
        sentence=f"Linings wear {ratio:.2f} times as fast at their minimum as when new (95 % "
        f"interval {low:.2f} to {high:.2f}). Forecasts are made so.",
    )
