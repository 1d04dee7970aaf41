r"""Each unit's level of use: a local level, filtered so that recent history counts most.

For unit u in interval i of :math:`d` days, with :math:`m` the log km per day of its group,

.. math::
   \log(\text{km}/d) = m + a_u(t) + \varepsilon,\qquad
   \varepsilon \sim N(0,\ \omega/d + 2/d^2 + \rho^2 (s^{-2} - 1)^+),\qquad
   a_u(0) \sim N(0, \tau^2),\quad \mathrm{d}a_u = \sqrt{q}\,\mathrm{d}W

(Harvey 1989, *Forecasting, Structural Time Series Models*, ch. 4; with steady intervals it is the
exponentially weighted mean of Muth 1960, *JASA* 55:299). The prior shrinks a unit toward its depot
and duty; :math:`2/d^2` allows one day of error in each date, and :math:`\rho` is how far the season
s of an interval may be off, of the year's mean: where little is run, that is much. :math:`\tau, q,
\omega` maximise the likelihood of one-step prediction errors, with weak priors so that a small
fleet has an answer. Its slopes and curvatures are central differences, for which one run of the
filter takes all points side by side.

Fleets are not Gaussian, so the filter is guarded (errors are a contaminated normal, as in Box, Tiao
1968, *Biometrika* 55:119):

- off the road: an interval far below what was predicted does not move the level, and says where
  the unit is now; unless it keeps running at that rate;
- an odd interval counts by the chance that it is not odd;
- two odd ones in a row on the same side are a new regime: the level is free to move there.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.distributions import Numbers
from models.usage.groups import STANDING_SHARE, GroupRates
from models.usage.intervals import SHORTEST_DAYS, UsageIntervals

ODD = 3.0
"""Prediction errors of more standard deviations than this are left out of other estimates."""
ODD_SHARE, ODD_DENSITY = 0.02, 0.25
"""Share of odd intervals, and how log km per day spreads in them (evenly over a factor of 50)."""
SLOW_INTERVALS = 3
"""A unit that runs, but far less than it did, for more intervals than this is not off the road."""
SEASON_OFF = 0.1
"""How far a season may be off, of the year's mean use: no wave is as steep as a harvest's end."""
PILOT_UNITS = 4_000
YEAR_DAYS = 365.25
_PRIOR = np.log([0.20, 0.06, 0.10])
"""SD between units, drift in a year, noise of 84 days: a guess of ours, believed within a factor
of 2.7 (one SD of its logarithm)."""
_NOISE_DAYS = 84.0
WIDEST, NARROWEST = 0.1, 0.01
"""Of the differences, in log SD: a standard error within these."""
SETTLED = 0.005
"""A step as small, in log SD, ends the search: variances are known to some hundredths."""
LONGEST_STEP = 0.7
MOST_STEPS = 30


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
    """Of every unit, (U,), or under each of some variances, (P, U); ``loglik`` (P,) or one."""

    level: FloatArray
    variance: FloatArray
    last_odd: FloatArray
    off: BoolArray
    slow: IntArray
    loglik: Numbers = 0.0

    @classmethod
    def at_first(cls, unit: FloatArray) -> "_State":
        """``unit``: the units' variance, of each."""
        nought, no = np.zeros(unit.shape), np.zeros(unit.shape, bool)
        return cls(nought, unit, nought, no, np.zeros(unit.shape, np.int64))


def usage_levels(
    intervals: UsageIntervals,
    rates: GroupRates,
    log_season: FloatArray,
    variances: UsageVariances,
) -> UsageLevels:
    """Run the filter; ``log_season`` (U, T) is taken out of every interval."""
    units, width = intervals.days.shape
    state = _State.at_first(np.full(units, variances.unit))
    seen = _seen(intervals, rates, log_season)
    noise = variances.noise(seen.days) + seen.season_off
    shape = (width, units)
    error, usual = np.empty(shape), np.empty(shape)
    off_road, off_before = np.empty(shape, bool), np.empty(shape, bool)
    for t in range(width):
        off_before[t] = state.off
        usual[t] = np.exp(seen.expected[t] + state.level) * seen.days[t]
        error[t] = _stepped(state, seen, variances.unit, variances.drift_per_day, noise[t], t)
        off_road[t] = state.off
    return UsageLevels(
        state.level, state.variance, error.T, usual.T, off_road.T, off_before.T, float(state.loglik)
    )


@dataclass(frozen=True, slots=True)
class _Seen:
    """What intervals show whatever the variances are, (T, U): an interval's units side by side.

    ``season_off``: variance of what is expected, where little is run at that time of the year.
    ``log_rate``: log of km per day over what is ``expected``, where it is ``informative``; where
    its unit's level is above ``standing``, it stood.
    """

    days: FloatArray
    expected: FloatArray
    season_off: FloatArray
    log_rate: FloatArray
    standing: FloatArray
    informative: BoolArray
    runs: BoolArray
    places: BoolArray


def _seen(intervals: UsageIntervals, rates: GroupRates, log_season: FloatArray) -> _Seen:
    expected = rates.log_km_per_day[intervals.group] + log_season
    season_off = SEASON_OFF**2 * np.maximum(np.exp(-2.0 * log_season) - 1.0, 0.0)
    informative = intervals.is_informative
    runs = intervals.km > 0
    rate = np.where(informative & runs, intervals.km_per_day, 1.0)
    log_rate = np.log(rate) - expected
    standing = np.where(runs, log_rate - np.log(STANDING_SHARE), -np.inf)
    # Whether a unit is on the road is told by an interval of some length.
    places = intervals.is_there & (intervals.days >= SHORTEST_DAYS)
    return _Seen(
        days=_by_interval(intervals.days),
        expected=_by_interval(expected),
        season_off=_by_interval(season_off),
        log_rate=_by_interval(log_rate),
        standing=_by_interval(standing),
        informative=np.ascontiguousarray(informative.T),
        runs=np.ascontiguousarray(runs.T),
        places=np.ascontiguousarray(places.T),
    )


def _by_interval(table: FloatArray) -> FloatArray:
    return np.ascontiguousarray(table.T)


def _stepped(
    state: _State,
    seen: _Seen,
    unit: Numbers,
    drift_per_day: Numbers,
    noise: FloatArray,
    t: int,
) -> FloatArray:
    """Move the state over one interval; its prediction errors, NaN where it taught nothing."""
    half = drift_per_day * seen.days[t] / 2.0
    state.variance = state.variance + half
    informative = seen.informative[t]
    low = informative & (state.level > seen.standing[t])
    state.slow = np.where(low & seen.runs[t], state.slow + 1, 0)
    standing = low & (state.slow <= SLOW_INTERVALS)
    state.off = np.where(seen.places[t], standing, state.off)
    learns = informative & ~standing
    found = np.where(learns, seen.log_rate[t], state.level)
    error = _updated(state, found, noise, learns, unit)
    state.variance = state.variance + half
    return np.where(learns, error, np.nan)


def _updated(
    state: _State, found: FloatArray, noise: FloatArray, learns: BoolArray, unit: Numbers
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
    state.loglik = state.loglik + np.where(learns, np.log(density), 0.0).sum(axis=-1)
    return error


def _logliks(seen: _Seen, log_sds: FloatArray) -> FloatArray:
    """The guarded likelihood at each of some variances (P, 3), (P,)."""
    unit, drift, noise_days = np.exp(2.0 * np.clip(log_sds, -12.0, 3.0)).T[:, :, None]
    long = np.maximum(seen.days, 1.0)
    state = _State.at_first(np.repeat(unit, seen.days.shape[1], axis=1))
    for t in range(len(seen.days)):
        noise = noise_days * _NOISE_DAYS / long[t] + 2.0 / long[t] ** 2 + seen.season_off[t]
        _stepped(state, seen, unit, drift / YEAR_DAYS, noise, t)
    return np.zeros(len(log_sds)) + state.loglik


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
    if not part.is_informative.any():
        return _variances_of(_PRIOR)
    seen = _seen(part, rates, log_season[::stride])

    def cost(log_sds: FloatArray) -> FloatArray:
        prior = ((log_sds - _PRIOR) ** 2).sum(axis=1) / 2.0
        return np.asarray(prior - _logliks(seen, log_sds))

    return _variances_of(_least(cost, _PRIOR if warm_start is None else _log_sd_of(warm_start)))


def _least(cost: Callable[[FloatArray], FloatArray], start: FloatArray) -> FloatArray:
    """Where a cost of log SDs is least, by Newton's method on its differences; ``cost`` takes many
    points at once. A step to where it is no less is cut short."""
    at, least, step = start, np.inf, np.zeros(3)
    apart = finer = np.full(3, WIDEST)
    for _ in range(MOST_STEPS):
        found = cost(at + step + apart * _AROUND)
        if found[0] > least + 1e-9:
            step = step / 4.0
        else:
            at, least = at + step, float(found[0])
            slope, bend = _slopes(found, apart)
            step = _newton_step(slope, bend)
            finer = np.clip(np.diag(bend), WIDEST**-2, NARROWEST**-2) ** -0.5
        if np.abs(step).max() < SETTLED and (apart <= 1.5 * finer).all():
            break
        apart = finer
    return at + step


_AXES = np.eye(3)
_PAIRS = ((0, 1), (0, 2), (1, 2))
_BOTH = np.array([_AXES[i] + _AXES[j] for i, j in _PAIRS])
_AROUND = np.vstack([np.zeros((1, 3)), _AXES, -_AXES, _BOTH])
"""Points whose values tell slopes and curvatures."""


def _slopes(found: FloatArray, apart: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Slopes (3,) and curvatures (3, 3) from the values ``_AROUND`` a point, so far ``apart``."""
    middle, up, down = found[0], found[1:4], found[4:7]
    slope, bend = (up - down) / 2.0, np.diag(up + down - 2.0 * middle)
    for both, (i, j) in zip(found[7:], _PAIRS, strict=True):
        plain = slope[i] + slope[j] + (bend[i, i] + bend[j, j]) / 2.0
        bend[i, j] = bend[j, i] = both - middle - plain
    return slope / apart, bend / np.outer(apart, apart)


def _newton_step(slope: FloatArray, bend: FloatArray) -> FloatArray:
    """The step to where the cost is least; nowhere bends it less than a tenth of what its prior
    does."""
    values, vectors = np.linalg.eigh(bend)
    step = -vectors @ (vectors.T @ slope / np.maximum(np.abs(values), 0.1))
    return np.asarray(step / max(1.0, float(np.abs(step).max()) / LONGEST_STEP))


def _variances_of(log_sd: FloatArray) -> UsageVariances:
    unit, drift, noise = np.exp(2.0 * np.clip(log_sd, -12.0, 3.0))
    return UsageVariances(float(unit), float(drift / YEAR_DAYS), float(noise * _NOISE_DAYS))


def _log_sd_of(variances: UsageVariances) -> FloatArray:
    noise = variances.noise_days / _NOISE_DAYS
    parts = [variances.unit, variances.drift_per_day * YEAR_DAYS, noise]
    return np.log(parts) / 2.0


def _every(intervals: UsageIntervals, stride: int) -> UsageIntervals:
    some = {name: getattr(intervals, name)[::stride] for name in UsageIntervals.__slots__}
    return UsageIntervals(**some)
