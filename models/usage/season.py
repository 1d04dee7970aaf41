r"""The yearly swing of a fleet's use, where its records show one.

km per day is multiplied by :math:`1 + \alpha\cos\phi + \beta\sin\phi`, :math:`\phi` the angle of
the day in the year. An interval sees the mean of that over its days, which has a closed form, so a
swing is not flattened by long intervals. Estimated by least squares within units, beside a straight
trend, on log km per day weighted by days.

All units share good and bad quarters, so many units do not make a season: the test is Wald's with
errors clustered by unit and again by calendar quarter (Liang, Zeger 1986, *Biometrika* 73:13, with
the usual small-sample factor), and the larger p decides.
"""

from dataclasses import dataclass

import numpy as np

from models.common.arrays import FloatArray, IntArray
from models.common.distributions import f_sf
from models.usage.groups import GroupRates
from models.usage.intervals import UsageIntervals
from models.usage.level import ODD, YEAR_DAYS, UsageLevels

QUARTER_DAYS = YEAR_DAYS / 4.0
LEAST_QUARTERS = 8
"""Two years: less cannot tell a season from a trend."""
LEVEL = 0.01
"""A season is used when its p is below this."""


@dataclass(frozen=True, slots=True)
class Season:
    """Swing of km per day; ``p`` is NaN-free: 1 where there is too little to test.

    ``day_of_year`` is that of the as-of day, from which days are counted.
    """

    cosine: float
    sine: float
    p: float
    day_of_year: float
    note: str

    @property
    def amplitude(self) -> float:
        return float(np.hypot(self.cosine, self.sine))

    @property
    def is_known(self) -> bool:
        """Whether the records show one."""
        return self.amplitude > 0.0

    def mean(self, from_day: FloatArray, to_day: FloatArray) -> FloatArray:
        """Mean factor over days (counted from as-of); equal days give the day's own."""
        if not self.is_known:
            return np.ones(np.broadcast(from_day, to_day).shape)
        cosine, sine = mean_waves(from_day, to_day, self.day_of_year)
        return np.asarray(1.0 + self.cosine * cosine + self.sine * sine)


def mean_waves(
    from_day: FloatArray, to_day: FloatArray, day_of_year: float
) -> tuple[FloatArray, FloatArray]:
    """Mean of cos and sin of the year's angle between two days."""
    middle = np.pi / YEAR_DAYS * (from_day + to_day + 2.0 * day_of_year)
    damping = np.sinc((to_day - from_day) / YEAR_DAYS)
    return np.cos(middle) * damping, np.sin(middle) * damping


def no_season(day_of_year: float, note: str = "", p: float = 1.0) -> Season:
    return Season(0.0, 0.0, p, day_of_year, note)


def log_season(season: Season, intervals: UsageIntervals) -> FloatArray:
    """Log of the season's mean factor in every interval, shape (U, T)."""
    half = intervals.days / 2.0
    return np.log(season.mean(intervals.middle_day - half, intervals.middle_day + half))


def usage_season(
    intervals: UsageIntervals, rates: GroupRates, levels: UsageLevels, day_of_year: float
) -> Season:
    """Test for a season, and the season if there is one (p below 0.01)."""
    keep = np.nan_to_num(np.abs(levels.error), nan=np.inf) <= ODD
    unit, column = np.nonzero(keep)
    days, middle = intervals.days[unit, column], intervals.middle_day[unit, column]
    quarter = np.floor(middle / QUARTER_DAYS).astype(np.int64)
    if len(np.unique(quarter)) < LEAST_QUARTERS:
        return no_season(day_of_year, "Less than two years of use on record: no season looked for.")
    waves = mean_waves(middle - days / 2.0, middle + days / 2.0, day_of_year)
    use = np.log(intervals.km_per_day[unit, column])
    use -= rates.log_km_per_day[intervals.group[unit, column]]
    table = within_units(np.column_stack([*waves, middle / YEAR_DAYS, use]), unit, days)
    return _judged(table, days, unit, quarter, day_of_year)


def within_units(table: FloatArray, unit: IntArray, weight: FloatArray) -> FloatArray:
    total = np.bincount(unit, weight)
    columns = [
        column - (np.bincount(unit, weight * column) / np.maximum(total, 1e-300))[unit]
        for column in table.T
    ]
    return np.column_stack(columns)


def _judged(
    table: FloatArray, weight: FloatArray, unit: IntArray, quarter: IntArray, day_of_year: float
) -> Season:
    x, y = table[:, :3], table[:, 3]
    gram = (x * weight[:, None]).T @ x
    if np.linalg.cond(gram) > 1e10:
        return no_season(day_of_year, "The records do not spread over the year: no season.")
    beta = np.asarray(np.linalg.solve(gram, (x * weight[:, None]).T @ y), np.float64)
    scores = x * (weight * (y - x @ beta))[:, None]
    p = max(_clustered_p(beta, gram, scores, cluster) for cluster in (unit, quarter))
    if p >= LEVEL:
        return no_season(day_of_year, f"No season shows in the records (p = {p:.2g}).", p)
    note = f"Use swings by {np.hypot(beta[0], beta[1]):.0%} over the year (p = {p:.2g})."
    return Season(float(beta[0]), float(beta[1]), p, day_of_year, note)


def _clustered_p(beta: FloatArray, gram: FloatArray, scores: FloatArray, by: IntArray) -> float:
    """p of no swing (the first two coefficients), errors clustered."""
    _, cluster = np.unique(by, return_inverse=True)
    clusters = int(cluster.max()) + 1
    sums = np.column_stack([np.bincount(cluster, column) for column in scores.T])
    inverse = np.linalg.inv(gram)
    covariance = inverse @ (sums.T @ sums) @ inverse * clusters / max(clusters - 1, 1)
    swing, spread = beta[:2], covariance[:2, :2]
    if clusters < 4 or np.linalg.cond(spread) > 1e12:
        return 1.0
    f = float(swing @ np.linalg.solve(spread, swing)) / 2.0
    # Three coefficients were estimated from these clusters: Wald's F takes them off.
    return float(f_sf(f * (clusters - 3) / (clusters - 1), 2, clusters - 3))
