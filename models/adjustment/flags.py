"""Which wheel ends are flagged, under what state, and in what order they are looked at.

A wheel end is flagged when the probability that anything is wrong reaches a limit. The limit is not
guessed: healthy wheel ends are simulated with the fleet's own parameters and checking policies, and
the lowest limit is taken at which a healthy one is flagged no more than once in the stated number
of years. Plain findings (a failed return test, a fault found, applied stroke at its limit) flag
whatever the strokes say. A cumulative sum alone was tried as a second rule and adds nothing at an
equal rate of false flags; it serves to say when a stroke changed.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from models.adjustment.states import weighed_families
from models.adjustment.strokes.explanations import HOLDS, MISREAD, explain
from models.adjustment.strokes.histories import StrokeHistories, up_to, without_saturated
from models.adjustment.strokes.parameters import (
    COARSE_STEP_MM,
    WEEKS_PER_YEAR,
    Band,
    DriftParameters,
    Source,
    Start,
    start_priors,
)
from models.common.control_charts import cusum, cusum_limit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LIMITS_TRIED = np.round(np.arange(0.20, 0.991, 0.01), 2)
SIMULATED = 3000
FEWEST_HISTORIES, FEWEST_READINGS = 40, 4
USUAL_CHECKS, USUAL_WEEKS, USUAL_GROWTH, USUAL_ARM_MM = 10, 12.0, 0.13, 150.0
# Cumulative sum of one-step errors: tuned to shifts of 1.5 SD, one false signal in 1,000 checks.
CHANGE_ALLOWANCE = 0.75
CHANGE_RUN_LENGTH = 1000.0


@dataclass(frozen=True, slots=True)
class FlagRules:
    """Limits of the flags; our own defaults, no source.

    Attributes
    ----------
    years_per_false_flag : healthy wheel-end years per false flag that are aimed at
    side_limit : left against right of an axle, difference of stroke ratio
    overdue_factor : a wheel end not read for this many check intervals is not seen
    """

    years_per_false_flag: float = 100.0
    side_limit: float = 0.03
    overdue_factor: float = 1.5


def flag_limit(
    histories: StrokeHistories,
    parameters: DriftParameters,
    band: Band,
    *,
    years_per_false_flag: float,
    seed: int = 0,
    simulated: int = SIMULATED,
) -> tuple[float, float]:
    """Lowest limit that keeps false flags as rare as asked, and the rate it has, per year.

    Parameters
    ----------
    histories : the fleet's, for its checking policies; when there are too few, 12-weekly checks
    """
    rng = np.random.default_rng(seed)
    healthy = simulate_healthy(_habits(histories, simulated, rng), parameters, band, rng)
    years = float((healthy.weeks[:, -1]).sum() / WEEKS_PER_YEAR)
    seen = trouble_by_check(healthy, parameters, band)
    rates = np.array([onsets(seen > limit) / years for limit in LIMITS_TRIED])
    enough = np.flatnonzero(rates * years_per_false_flag <= 1)
    chosen = int(enough[0]) if len(enough) else len(LIMITS_TRIED) - 1
    return float(LIMITS_TRIED[chosen]), float(rates[chosen])


def onsets(flagged: Bools) -> int:
    """Flags raised: true where the check before was not; rows are wheel ends, columns checks."""
    return int(flagged[:, :1].sum() + (flagged[:, 1:] & ~flagged[:, :-1]).sum())


def trouble_by_check(histories: StrokeHistories, parameters: DriftParameters, band: Band) -> Floats:
    """(n, j) probability of trouble as it stood at each check; zero where there is none."""
    seen = np.zeros(histories.ratio.shape)
    for reading in range(histories.ratio.shape[1]):
        due = np.flatnonzero(histories.used[:, reading])
        so_far = without_saturated(up_to(histories.rows(due), reading))
        explained = explain(so_far, parameters, lines=(HOLDS, MISREAD), deficits=())
        seen[due, reading] = weighed_families(explained, band).by_strokes
    return seen


def _habits(histories: StrokeHistories, count: int, rng: np.random.Generator) -> StrokeHistories:
    """Checking dates, growth and arms to simulate on: the fleet's own, or the usual ones."""
    known = (histories.readings >= FEWEST_READINGS) & (histories.source != Source.FIRST_READING)
    rows = np.flatnonzero(known)
    if len(rows) < FEWEST_HISTORIES:
        return usual_habits(count)
    return histories.rows(rng.choice(rows, count))


def usual_habits(count: int = SIMULATED) -> StrokeHistories:
    """Checks every twelve weeks, common practice, on wheel ends of everyday wear."""
    shape = count, USUAL_CHECKS
    check = np.arange(1, USUAL_CHECKS + 1)
    none = np.zeros(count)
    return StrokeHistories(
        ratio=np.zeros(shape),
        growth=np.tile(USUAL_GROWTH * check, (count, 1)),
        weeks=np.tile(USUAL_WEEKS * check, (count, 1)),
        arm_mm=np.full(shape, USUAL_ARM_MM),
        rounding_var_mm2=np.zeros(shape),
        used=np.full(shape, fill_value=True),
        wear_cv=np.full(count, 0.15),
        stop_ratio=np.full(count, np.inf),
        group=none.astype(np.int64),
        source=none.astype(np.int64),
        next_growth=none,
        next_growth_sd=none,
    )


def simulate_healthy(
    policies: StrokeHistories, parameters: DriftParameters, band: Band, rng: np.random.Generator
) -> StrokeHistories:
    """Histories of wheel ends set right, in band, that keep pace; coarse readers round as ever."""
    _, mean, sd = start_priors(parameters, policies.group, policies.source, Start.RIGHT)
    low, high = ndtr((band.low - mean) / sd), ndtr((band.high - mean) / sd)
    start = mean + sd * ndtri(rng.uniform(low, high))
    creep = rng.normal(0.0, parameters.keeping_sd, mean.shape) * policies.growth
    error = parameters.reading_sd_mm * rng.standard_normal(policies.ratio.shape)
    stroke = np.maximum((start + creep) * policies.arm_mm + error, 0.0)
    coarse = policies.rounding_var_mm2 > COARSE_STEP_MM**2 / 24
    stroke = np.where(coarse, COARSE_STEP_MM * np.round(stroke / COARSE_STEP_MM), stroke)
    return replace(policies, ratio=stroke / policies.arm_mm)


def one_step_errors(histories: StrokeHistories, parameters: DriftParameters) -> Floats:
    """(n, j) standardised errors of predicting each reading from those before it; NaN where none.

    The first is judged by how settings are made; if it is far off, a wrong setting is assumed, so
    that the later ones show change since then and not the setting again.
    """
    h = histories
    _, mean, sd = start_priors(parameters, h.group, h.source, Start.RIGHT)
    noise = (parameters.reading_sd_mm**2 + h.rounding_var_mm2) / h.arm_mm**2
    first = (h.ratio[:, :1] - mean) / np.sqrt(sd**2 + noise[:, :1])
    level, var = mean[:, 0], np.where(np.abs(first) > 3, WRONG_START_SD, sd)[:, 0] ** 2
    errors = np.full(h.ratio.shape, np.nan)
    for j in range(h.ratio.shape[1]):
        total = var + noise[:, j]
        miss = h.ratio[:, j] - level
        errors[:, j] = np.where(h.used[:, j], miss / np.sqrt(total), np.nan)
        gain = np.where(h.used[:, j], var / total, 0.0)
        level, var = level + gain * miss, var * (1 - gain)
    return errors


WRONG_START_SD = 0.05


@dataclass(frozen=True, slots=True)
class Changes:
    """Whether each stroke changed since its setting, and before which reading; (n,)."""

    changed: Bools
    reading: Ints


def sudden_changes(histories: StrokeHistories, parameters: DriftParameters) -> Changes:
    """Cumulative sums of one-step errors against a limit for ``CHANGE_RUN_LENGTH`` checks."""
    limit = cusum_limit(CHANGE_ALLOWANCE, CHANGE_RUN_LENGTH)
    errors = one_step_errors(histories, parameters)
    chart = cusum(errors, target=0.0, allowance=CHANGE_ALLOWANCE, limit=limit)
    last = np.maximum(chart.upper[:, -1], chart.lower[:, -1])
    rising = np.where((chart.upper[:, -1] >= chart.lower[:, -1])[:, None], chart.upper, chart.lower)
    still = np.cumsum((rising <= 0)[:, ::-1], axis=1)[:, ::-1] > 0
    return Changes(last > limit, np.minimum(still.sum(axis=1), rising.shape[1] - 1))


def both_sides(
    axle: Ints, ratio: Floats, ratio_sd: Floats, side_limit: float
) -> tuple[Floats, Ints]:
    """Probability that the two ends of an axle are further apart than allowed; the other's row.

    Parameters
    ----------
    axle : (n,) code of the axle; one or two wheel ends each
    ratio, ratio_sd : (n,), NaN where not seen

    Returns
    -------
    (n,) probability, 0 where there is no other end; (n,) row of the other end, −1 where none
    """
    order = np.argsort(axle, kind="stable")
    paired = np.flatnonzero(axle[order][1:] == axle[order][:-1])
    other = np.full(len(axle), -1)
    other[order[paired]], other[order[paired + 1]] = order[paired + 1], order[paired]
    has = other >= 0
    apart = np.where(has, ratio - ratio[other], 0.0)
    sd = np.sqrt(ratio_sd**2 + ratio_sd[other] ** 2)
    known = has & np.isfinite(apart) & np.isfinite(sd)
    scaled = np.where(known, sd, 1.0)
    far = ndtr((-side_limit - apart) / scaled) + ndtr((apart - side_limit) / scaled)
    return np.where(known, far, 0.0), other
