r"""What is known of each lining on the way, for a workshop that plans by its forecasts.

The state (lining above the minimum, rate) of every wheel end is filtered: an interval of
:math:`\kappa` times 10,000 km moves it, a reading with error sd :math:`\sigma` corrects it
(Kalman 1960, *J. Basic
Eng.* 82:35). Because truth is drawn from the same distribution the filter starts with, it is exact
but for what the wheel ends of one unit could tell of each other. The chance to cross the minimum
before the next visit follows in closed form.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.units import KM_PER_UNIT
from models.relines.forecast.lines import (
    LineMoments,
    WheelEndLines,
    line_moments,
    new_lining_moments,
)
from models.relines.simulation.layout import Layout
from models.usage.fit import UsageFit


@dataclass(slots=True)
class Knowledge:
    """Estimates per wheel end of the batch, and the same for a lining fitted now."""

    above_mm: FloatArray
    rate: FloatArray
    var_above: FloatArray
    cov: FloatArray
    var_rate: FloatArray
    fresh: LineMoments
    reading_var: float


@dataclass(frozen=True, slots=True)
class NextInterval:
    """Expected km to the next visit (in 10,000 km), per wheel end, and its relative variance."""

    km: FloatArray
    relative_var: float


@dataclass(frozen=True, slots=True)
class Told:
    """What the records tell of a fleet: its lines, linings fitted now, and intervals between visits
    (mean and relative variance of what is run in them, in usual ones)."""

    now: LineMoments
    fresh: LineMoments
    reading_sd: float
    interval: float
    leg_var: float


def told(lines: WheelEndLines, usage: UsageFit) -> Told:
    """The same for every copy of the fleet."""
    sample = usage.interval_distribution.after_road
    product = sample.length * sample.use
    mean = sample.mean(product)
    spread = sample.mean((product - mean) ** 2) / mean**2 if mean > 0 else 0.0
    return Told(line_moments(lines), new_lining_moments(lines), lines.reading_sd, mean, spread)


def first_knowledge(told: Told, layout: Layout, copies: int) -> Knowledge:
    """What the forecasts know when each unit was last seen."""
    now = told.now
    return Knowledge(
        above_mm=np.tile(now.now_mm, copies) - layout.minimum_mm,
        rate=np.tile(now.rate, copies) + layout.rate_change,
        var_above=np.tile(now.var_now, copies),
        cov=np.tile(now.cov, copies),
        var_rate=np.tile(now.var_rate, copies),
        fresh=told.fresh,
        reading_var=told.reading_sd**2,
    )


def expected_interval(told: Told, usage: UsageFit, layout: Layout, copies: int) -> NextInterval:
    """How far a unit runs to its next visit, as far as anyone can tell."""
    level = np.tile(np.exp(usage.log_level + usage.level_variance / 2.0), copies)
    km = level * np.exp(layout.level_change) * layout.usual_days * told.interval / KM_PER_UNIT
    return NextInterval(km[layout.unit], told.leg_var + float(np.mean(usage.level_variance)))


def kalman_predict(known: Knowledge, km: FloatArray) -> None:
    """Move the estimates of all wheel ends by the km each ran (in 10,000 km)."""
    known.above_mm -= known.rate * km
    known.var_above += km * (known.var_rate * km - 2.0 * known.cov)
    known.cov -= known.var_rate * km


def kalman_update(
    known: Knowledge,
    is_read: BoolArray,
    reading_mm: FloatArray,
    finely: FloatArray | float = 1.0,
) -> None:
    """Take in the readings (mm above the minimum) of the wheel ends that are read; ``finely``: what
    an error of a millimetre comes to."""
    # Line and rate: L = m - r x, so the rate's covariance with the lining now is ``cov``.
    share = is_read / (known.var_above + known.reading_var * finely**2)
    gain, gain_rate = known.var_above * share, known.cov * share
    error = reading_mm - known.above_mm
    known.above_mm += gain * error
    known.rate += gain_rate * error
    known.var_rate -= gain_rate * known.cov
    known.cov *= 1.0 - gain
    known.var_above *= 1.0 - gain


def know_reline(known: Knowledge, layout: Layout, ends: IntArray) -> None:
    """Start again with a new lining."""
    row = ends % len(known.fresh.now_mm)
    known.above_mm[ends] = known.fresh.now_mm[row] - layout.minimum_mm[ends]
    known.rate[ends] = known.fresh.rate[row] + layout.rate_change[ends]
    known.var_above[ends] = known.fresh.var_now[row]
    known.cov[ends], known.var_rate[ends] = known.fresh.cov[row], known.fresh.var_rate[row]


def chance_crossing(
    known: Knowledge, ends: IntArray, km: FloatArray, relative_var: float
) -> FloatArray:
    """Chance to be at or below the minimum after km (in 10,000 km) that vary themselves."""
    return np.asarray(special.ndtr(-_deviations(known, ends, km, relative_var)))


def is_at_risk(known: Knowledge, km: FloatArray, relative_var: float, risk: float) -> BoolArray:
    """Whether that chance is above the risk, of all wheel ends."""
    highest = special.ndtri(risk)
    return np.asarray(-_deviations(known, slice(None), km, relative_var) > highest)


def _deviations(
    known: Knowledge, ends: IntArray | slice, km: FloatArray, relative_var: float
) -> FloatArray:
    """Lining left after km, in its standard deviations."""
    rate, var_rate = known.rate[ends], known.var_rate[ends]
    variance = known.var_above[ends] + km * (
        km * (var_rate + relative_var * (rate**2 + var_rate)) - 2.0 * known.cov[ends]
    )
    mean = known.above_mm[ends] - rate * km
    return np.asarray(mean / np.sqrt(np.maximum(variance, 1e-12)))


def latest_share(
    known: Knowledge, ends: IntArray, km: FloatArray, relative_var: float, risk: float
) -> FloatArray:
    """Largest share of the next leg that keeps the risk; 0 where even now does not."""
    low, high = np.zeros(len(ends)), np.ones(len(ends))
    for _ in range(7):
        middle = (low + high) / 2.0
        keeps = chance_crossing(known, ends, km * middle, relative_var) <= risk
        low, high = np.where(keeps, middle, low), np.where(keeps, high, middle)
    return low
