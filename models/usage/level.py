r"""Each unit's level of use: a local level, filtered so that recent history counts most.

For unit u in interval i of :math:`d` days, with :math:`m` the log km per day of its group,

.. math::
   \log(\text{km}/d) = m + a_u(t) + \varepsilon,\qquad
   \varepsilon \sim N(0,\ \omega/d + 2/d^2),\qquad
   a_u(0) \sim N(0, \tau^2),\quad \mathrm{d}a_u = \sqrt{q}\,\mathrm{d}W

(Harvey 1989, *Forecasting, Structural Time Series Models*, ch. 4; with steady intervals it is the
exponentially weighted mean of Muth 1960, *JASA* 55:299). The prior shrinks a unit toward its depot
and duty; :math:`2/d^2` allows one day of error in each date. :math:`\tau, q, \omega` maximise the
likelihood of one-step prediction errors, with weak priors so that a small fleet has an answer.

Fleets are not Gaussian, so the filter is guarded (errors are a contaminated normal, as in Box, Tiao
1968, *Biometrika* 55:119):

- off the road: an interval far below what was predicted does not move the level, and says where
  the unit is now; unless it keeps running at that rate;
- an odd interval counts by the chance that it is not odd;
- two odd ones in a row on the same side are a new regime: the level is free to move there.
"""

from dataclasses import dataclass

import numpy as np
import scipy

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.usage.groups import STANDING_SHARE, GroupRates
from models.usage.intervals import SHORTEST_DAYS, UsageIntervals

ODD = 3.0
"""Prediction errors of more standard deviations than this are left out of other estimates."""
ODD_SHARE, ODD_DENSITY = 0.02, 0.25
"""Share of odd intervals, and how log km per day spreads in them (evenly over a factor of 50)."""
SLOW_INTERVALS = 3
"""A unit that runs, but far less than it did, for more intervals than this is not off the road."""
PILOT_UNITS = 4_000
YEAR_DAYS = 365.25
_PRIOR = np.log([0.20, 0.06, 0.10])
"""SD between units, drift in a year, noise of 84 days: a guess of ours, believed within a factor
of 2.7 (one SD of its logarithm)."""
_NOISE_DAYS = 84.0


@dataclass(frozen=True, slots=True)
class UsageVariances:
    """Variances of log km per day: between units, drift per day, and noise times days."""

    unit: float
    drift_per_day: float
    noise_days: float

    def noise(self, days: FloatArray) -> FloatArray:
        """Variance of an interval's log km per day around the unit's level."""
        long = np.maximum(days, 1.0)
        return np.asarray(self.noise_days / long + 2.0 / long**2)

    @property
    def unit_sd(self) -> float:
        return float(np.sqrt(self.unit))

    @property
    def drift_sd_per_year(self) -> float:
        return float(np.sqrt(self.drift_per_day * YEAR_DAYS))


@dataclass(frozen=True, slots=True)
class UsageLevels:
    """Where the filter ends and what it saw on its way.

    ``level`` and ``variance`` (U,): log of the unit's km per day over its group's, at the end of
    its last interval. ``error`` (U, T): one-step prediction errors in standard deviations, NaN
    where nothing was learned. ``usual_km`` (U, T): what was predicted. ``off_road`` and
    ``off_before`` (U, T): standing in the interval, and in the one before. ``loglik`` is the
    guarded likelihood.
    """

    level: FloatArray
    variance: FloatArray
    error: FloatArray
    usual_km: FloatArray
    off_road: BoolArray
    off_before: BoolArray
    loglik: float

    @property
    def off_now(self) -> BoolArray:
        if self.off_road.shape[1] == 0:
            return np.zeros(len(self.level), dtype=bool)
        return np.asarray(self.off_road[:, -1])


@dataclass(slots=True)
class _State:
    level: FloatArray
    variance: FloatArray
    last_odd: FloatArray
    off: BoolArray
    slow: IntArray
    loglik: float = 0.0


def usage_levels(
    intervals: UsageIntervals,
    rates: GroupRates,
    log_season: FloatArray,
    variances: UsageVariances,
) -> UsageLevels:
    """Run the filter; ``log_season`` (U, T) is taken out of every interval."""
    units, width = intervals.days.shape
    state = _State(
        level=np.zeros(units),
        variance=np.full(units, variances.unit),
        last_odd=np.zeros(units),
        off=np.zeros(units, bool),
        slow=np.zeros(units, np.int64),
    )
    seen = _seen(intervals, rates.log_km_per_day[intervals.group] + log_season)
    noise = variances.noise(seen.days)
    shape = (width, units)
    error, usual = np.empty(shape), np.empty(shape)
    off_road, off_before = np.empty(shape, bool), np.empty(shape, bool)
    for t in range(width):
        off_before[t] = state.off
        usual[t] = np.exp(seen.expected[t] + state.level) * seen.days[t]
        error[t] = _stepped(state, seen, variances, noise[t], usual[t], t)
        off_road[t] = state.off
    return UsageLevels(
        state.level, state.variance, error.T, usual.T, off_road.T, off_before.T, state.loglik
    )


@dataclass(frozen=True, slots=True)
class _Seen:
    """What intervals show whatever the variances are, (T, U): an interval's units side by side.

    ``log_rate``: log of km per day over what is ``expected``, where it is ``informative``.
    """

    days: FloatArray
    km: FloatArray
    expected: FloatArray
    log_rate: FloatArray
    informative: BoolArray
    runs: BoolArray
    places: BoolArray


def _seen(intervals: UsageIntervals, expected: FloatArray) -> _Seen:
    informative = intervals.is_informative
    rate = np.where(informative & (intervals.km > 0), intervals.km_per_day, 1.0)
    # Whether a unit is on the road is told by an interval of some length.
    places = intervals.is_there & (intervals.days >= SHORTEST_DAYS)
    return _Seen(
        days=_by_interval(intervals.days),
        km=_by_interval(intervals.km),
        expected=_by_interval(expected),
        log_rate=_by_interval(np.log(rate) - expected),
        informative=np.ascontiguousarray(informative.T),
        runs=np.ascontiguousarray((intervals.km > 0).T),
        places=np.ascontiguousarray(places.T),
    )


def _by_interval(table: FloatArray) -> FloatArray:
    return np.ascontiguousarray(table.T)


def _stepped(
    state: _State,
    seen: _Seen,
    variances: UsageVariances,
    noise: FloatArray,
    usual_km: FloatArray,
    t: int,
) -> FloatArray:
    """Move the state over one interval; its prediction errors, NaN where it taught nothing."""
    half = variances.drift_per_day * seen.days[t] / 2.0
    state.variance = state.variance + half
    informative = seen.informative[t]
    low = informative & (seen.km[t] < STANDING_SHARE * usual_km)
    state.slow = np.where(low & seen.runs[t], state.slow + 1, 0)
    standing = low & (state.slow <= SLOW_INTERVALS)
    state.off = np.where(seen.places[t], standing, state.off)
    learns = informative & ~standing
    found = np.where(learns, seen.log_rate[t], state.level)
    error = _updated(state, found, noise, learns, variances.unit)
    state.variance = state.variance + half
    return np.where(learns, error, np.nan)


def _updated(
    state: _State, found: FloatArray, noise: FloatArray, learns: BoolArray, unit: float
) -> FloatArray:
    """Take in one measurement per unit that learns; returns the errors in SDs."""
    spread = np.sqrt(state.variance + noise)
    error = (found - state.level) / spread
    usual = (1.0 - ODD_SHARE) * np.exp(-(error**2) / 2.0) / (spread * np.sqrt(2.0 * np.pi))
    density = usual + ODD_SHARE * ODD_DENSITY
    believed = usual / density
    odd = believed < 0.5
    moved = odd & (state.last_odd * np.sign(error) > 0)
    prior = state.variance + np.where(moved, unit, 0.0)
    weighed = noise / np.where(moved, 1.0, np.maximum(believed, 1e-9))
    gain = np.where(learns, prior / (prior + weighed), 0.0)
    state.level = state.level + gain * (found - state.level)
    state.variance = np.where(learns, prior * (1.0 - gain), state.variance)
    side = np.where(odd & ~moved, np.sign(error), 0.0)
    state.last_odd = np.where(learns, side, state.last_odd)
    state.loglik += float(np.where(learns, np.log(density), 0.0).sum())
    return error


def usage_variances(
    intervals: UsageIntervals,
    rates: GroupRates,
    log_season: FloatArray,
    warm_start: UsageVariances | None = None,
) -> UsageVariances:
    """Maximise the guarded likelihood, on every k-th unit where there are very many.

    The search starts ``warm_start`` variances where some are known to be close.
    """
    stride = max(len(intervals.days) // PILOT_UNITS, 1)
    part = _every(intervals, stride)

    def cost(log_sd: FloatArray) -> float:
        prior = float(((log_sd - _PRIOR) ** 2).sum()) / 2.0
        levels = usage_levels(part, rates, log_season[::stride], _variances_of(log_sd))
        return prior - levels.loglik

    if not part.is_informative.any():
        return _variances_of(_PRIOR)
    start, step = (_PRIOR, 0.5) if warm_start is None else (_log_sd_of(warm_start), 0.1)
    simplex = start + np.vstack([np.zeros(3), step * np.eye(3)])
    found = scipy.optimize.minimize(
        cost,
        start,
        method="Nelder-Mead",
        options={"initial_simplex": simplex, "xatol": 0.01, "fatol": 0.01, "maxiter": 300},
    )
    return _variances_of(found.x)


def _variances_of(log_sd: FloatArray) -> UsageVariances:
    unit, drift, noise = np.exp(2.0 * np.clip(log_sd, -12.0, 3.0))
    return UsageVariances(float(unit), float(drift / YEAR_DAYS), float(noise * _NOISE_DAYS))


def _log_sd_of(variances: UsageVariances) -> FloatArray:
    noise = variances.noise_days / _NOISE_DAYS
    parts = [variances.unit, variances.drift_per_day * YEAR_DAYS, noise]
    return np.log(parts) / 2.0


def _every(intervals: UsageIntervals, stride: int) -> UsageIntervals:
    return UsageIntervals(
        days=intervals.days[::stride],
        km=intervals.km[::stride],
        middle_day=intervals.middle_day[::stride],
        group=intervals.group[::stride],
        is_there=intervals.is_there[::stride],
        one_duty=intervals.one_duty[::stride],
        to_visit=intervals.to_visit[::stride],
    )
