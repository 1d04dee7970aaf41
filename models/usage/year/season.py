r"""The yearly swing of a fleet's use, where its records show one.

km per day is multiplied by :math:`f = 1 + \sum_h \alpha_h\cos h\phi + \beta_h\sin h\phi`,
:math:`\phi` the angle of the day in the year, of one wave or two; or by a step, where
nobody is checked in a part of the year (``closed``). An interval sees the mean of that
over its days, which has a closed form, so a swing is not flattened by long intervals. Estimated by
least squares within units, beside a straight trend, on log km per day weighted by days: of log f
itself, since a fleet that hardly runs in winter is far from where that is a straight line.

All units share good and bad quarters, so many units do not make a season: the test is Wald's with
errors clustered by unit and again by calendar quarter (Liang, Zeger 1986, *Biometrika* 73:13, with
the usual small-sample factor), and the larger p decides; so does it on the second wave.
"""

from dataclasses import dataclass, fields, replace

import numpy as np
import scipy

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.distributions import f_sf
from models.usage.groups import GroupRates
from models.usage.intervals import UsageIntervals
from models.usage.level import ODD, YEAR_DAYS, UsageLevels
from models.usage.year.closed import NOT_CLOSED, ClosedSeason

QUARTER_DAYS = YEAR_DAYS / 4.0
LEAST_QUARTERS = 8
"""Two years: less cannot tell a season from a trend."""
LEVEL = 0.01
"""A season is used when its p is below this; so is a second wave."""
HARMONICS = 2
MOST_AT_FIRST = 0.8
"""Of a wave, where a search begins: a first guess may lie below nought."""
LEAST_KM_PER_DAY = 1.0
"""Of an interval that tells of a season: in a shorter one a unit stood."""
PARTS, LEAST_COVER = 24, 0.1
"""Of the year; and of their mean, at least, so many intervals lie about the middle of each."""
MANY = 20_000
"""Intervals tell as well as all."""
MOSTLY_CLOSED, STANDING_STEP = 0.5, 7.0
"""Of the year: who is not checked for a larger share of it stands for most of that, our guess; and
days by which it is tried when."""
LEAST_USE = 0.03
"""Of the year's mean, on any day: units that stand all winter are off the road, which is another
state than running little."""


@dataclass(frozen=True, slots=True)
class Season:
    """Swing of km per day: ``waves``, alpha and beta of each; or ``rest``, how much more a fleet
    runs in its ``closed`` season than else (below nought: less). ``p`` is NaN-free: 1 where there
    is too little to test.

    ``day_of_year`` is that of the as-of day, from which days are counted.
    """

    waves: tuple[float, ...]
    p: float
    day_of_year: float
    note: str
    rest: float = 0.0
    closed: ClosedSeason = NOT_CLOSED

    @property
    def amplitude(self) -> float:
        """Half of what lies between the year's highest day and its lowest."""
        return float(np.ptp(self._by_day()) / 2.0) if self.is_known else 0.0

    @property
    def is_known(self) -> bool:
        """Whether the records show one."""
        return any(self.waves) or self.rest != 0.0

    def mean(self, from_day: FloatArray, to_day: FloatArray) -> FloatArray:
        """Mean factor over days (counted from as-of); equal days give the day's own."""
        if not self.is_known:
            return np.ones(np.broadcast(from_day, to_day).shape)
        found = mean_waves(from_day, to_day, self.day_of_year, len(self.waves) // 2)
        swing = sum(size * wave for size, wave in zip(self.waves, found, strict=True))
        if self.rest:
            swing = swing + self.rest * self.closed.swing(from_day, to_day)
        return np.asarray(1.0 + swing)

    def _by_day(self) -> FloatArray:
        day = np.arange(YEAR_DAYS)
        return self.mean(day, day)


def mean_waves(
    from_day: FloatArray, to_day: FloatArray, day_of_year: float, harmonics: int = 1
) -> list[FloatArray]:
    """Mean of cos and sin of the year's angle between two days, and of its multiples."""
    middle = np.pi / YEAR_DAYS * (from_day + to_day + 2.0 * day_of_year)
    share = (to_day - from_day) / YEAR_DAYS
    waves = []
    for h in range(1, harmonics + 1):
        damping = np.sinc(h * share)
        waves += [np.cos(h * middle) * damping, np.sin(h * middle) * damping]
    return waves


def no_season(day_of_year: float, note: str = "", p: float = 1.0) -> Season:
    return Season((), p, day_of_year, note)


def usage_season(
    intervals: UsageIntervals,
    rates: GroupRates,
    levels: UsageLevels,
    day_of_year: float,
    closed: ClosedSeason = NOT_CLOSED,
) -> Season:
    """Test for a season, and the season if there is one (p below 0.01), in intervals that are not
    odd to what was known so far; if none shows in these, in all: a winter may be what is odd."""
    usual, every = intervals_that_tell(intervals, levels)
    season = season_in(seen_use(usual, intervals, rates, day_of_year), day_of_year, closed)
    if season.is_known:
        return season
    hidden = season_in(seen_use(every, intervals, rates, day_of_year), day_of_year, closed)
    return hidden if hidden.is_known else season


def intervals_that_tell(
    intervals: UsageIntervals, levels: UsageLevels
) -> tuple[BoolArray, BoolArray]:
    """Those that are not odd to what was known so far, and all in which a unit ran (U, T)."""
    usual = np.nan_to_num(np.abs(levels.error), nan=np.inf) <= ODD
    return usual, intervals.is_informative & (intervals.km_per_day > LEAST_KM_PER_DAY)


def seen_use(
    keep: BoolArray, intervals: UsageIntervals, rates: GroupRates, day_of_year: float
) -> "SeenUse":
    """Use of the intervals that are kept (U, T)."""
    unit, column = np.nonzero(keep)
    days, middle = intervals.days[unit, column], intervals.middle_day[unit, column]
    begins, ends = middle - days / 2.0, middle + days / 2.0
    use = np.log(intervals.km_per_day[unit, column])
    group = intervals.group[unit, column]
    return SeenUse(
        begins=begins,
        ends=ends,
        waves=np.stack(mean_waves(begins, ends, day_of_year, HARMONICS), axis=1),
        log_use=use - rates.log_km_per_day[group],
        unit=unit,
        group=group,
    )


def season_in(seen: "SeenUse", day_of_year: float, closed: ClosedSeason = NOT_CLOSED) -> Season:
    """The season that shows in some intervals, if one does."""
    if len(np.unique(seen.quarter)) < LEAST_QUARTERS:
        return no_season(day_of_year, "Less than two years of use on record: no season looked for.")
    season = _judged(seen, day_of_year)
    if season.is_known and closed.days:
        return _resting(season, seen, closed, closed.swing(seen.begins, seen.ends))
    return season


def within_units(table: FloatArray, unit: IntArray, weight: FloatArray) -> FloatArray:
    total = np.bincount(unit, weight)
    columns = [
        column - (np.bincount(unit, weight * column) / np.maximum(total, 1e-300))[unit]
        for column in table.T
    ]
    return np.column_stack(columns)


@dataclass(frozen=True, slots=True)
class SeenUse:
    """Of intervals (n,): first and last day, ``waves`` (n, 2 harmonics), log of use over the
    group's, and whose."""

    begins: FloatArray
    ends: FloatArray
    waves: FloatArray
    log_use: FloatArray
    unit: IntArray
    group: IntArray

    def some(self, which: BoolArray) -> "SeenUse":
        return SeenUse(*(getattr(self, field.name)[which] for field in fields(self)))

    def beside(self, log_factor: FloatArray) -> "SeenUse":
        return replace(self, log_use=self.log_use - log_factor)

    @property
    def days(self) -> FloatArray:
        return self.ends - self.begins

    @property
    def years(self) -> FloatArray:
        return (self.begins + self.ends) / (2.0 * YEAR_DAYS)

    @property
    def covers_the_year(self) -> bool:
        """Whether every part of the year lies within some intervals: a wave drawn through one
        part of it can be anything in the rest."""
        some = slice(None, None, len(self.unit) // MANY + 1)
        begins, days = self.begins[some], self.days[some]
        middles = (np.arange(PARTS) + 0.5) * (YEAR_DAYS / PARTS)
        within = np.array([np.sum(np.mod(each - begins, YEAR_DAYS) < days) for each in middles])
        return bool(within.min() >= LEAST_COVER * within.mean())

    @property
    def quarter(self) -> IntArray:
        return np.floor(self.years * YEAR_DAYS / QUARTER_DAYS).astype(np.int64)

    def within(self, *columns: FloatArray) -> FloatArray:
        """About their units' means."""
        return within_units(np.column_stack(columns), self.unit, self.days)

    def squares(self, log_factor: FloatArray) -> float:
        """What is left beside a season, and a trend of the best size."""
        left, years = self.within(self.log_use - log_factor, self.years).T
        trend = (self.days * years) @ left / max(float((self.days * years) @ years), 1e-9)
        return float(self.days @ (left - trend * years) ** 2)

    def p(self, slopes: FloatArray, error: FloatArray, beta: FloatArray, tested: slice) -> float:
        """Of some coefficients being nought, by slopes and errors about the units' means."""
        gram = (slopes * self.days[:, None]).T @ slopes
        scores = slopes * (self.days * error)[:, None]
        return max(_clustered_p(beta, gram, scores, by, tested) for by in (self.unit, self.quarter))


def first_wave(seen: SeenUse) -> tuple[FloatArray, float] | None:
    """Sizes (2,) of the year's first wave in the log of use, and p of there being none; None where
    the intervals do not spread over the year."""
    if not seen.covers_the_year:
        return None
    slopes = seen.within(seen.waves[:, :2], seen.years)
    use = seen.within(seen.log_use)[:, 0]
    gram = (slopes * seen.days[:, None]).T @ slopes
    if np.linalg.cond(gram) > 1e10:
        return None
    beta = np.asarray(np.linalg.solve(gram, (slopes * seen.days[:, None]).T @ use), np.float64)
    return beta[:2], seen.p(slopes, use - slopes @ beta, beta, slice(2))


def _judged(seen: SeenUse, day_of_year: float) -> Season:
    wave = first_wave(seen)
    if wave is None:
        return no_season(day_of_year, "The records do not spread over the year: no season.")
    beta, p = wave
    if p >= LEVEL:
        return no_season(day_of_year, f"No season shows in the records (p = {p:.2g}).", p)
    one, _ = _swung(seen, seen.waves[:, :2], np.append(beta, 0.0))
    two, p_second = _swung(seen, seen.waves, np.array([*one, 0.0, 0.0, 0.0]))
    waves = two if p_second < LEVEL else one
    return _told(_above_nought(Season(tuple(waves), p, day_of_year, "")))


def _told(season: Season) -> Season:
    note = f"Use swings by {season.amplitude:.0%} over the year (p = {season.p:.2g})."
    return replace(season, note=note)


def _resting(season: Season, seen: SeenUse, closed: ClosedSeason, swing: FloatArray) -> Season:
    """One use in the closed season and one in the rest of the year, if that fits no worse."""
    (rest,), _ = _swung(seen, swing[:, None], np.array([-MOST_AT_FIRST, 0.0]))
    deepest = 1.0 - closed.days / YEAR_DAYS
    rest = max(float(rest), -(1.0 - LEAST_USE) / deepest)
    steps = replace(season, waves=(), rest=rest, closed=closed)
    waves = seen.waves[:, : len(season.waves)] @ np.array(season.waves)
    left = [seen.squares(np.log(f)) for f in (1.0 + rest * swing, 1.0 + waves)]
    return _told(_standing(steps, seen)) if left[0] <= left[1] else season


def _standing(season: Season, seen: SeenUse) -> Season:
    """Where a year is mostly closed: they stand in one stretch of it, and run in all the rest.

    Nobody who stands for most of a year runs a little every day. When a stretch begins and ends is
    not when checks do: units run on after the last, and not at once after the first. It is the one
    by which what was run between checks is the likeliest.
    """
    closed = season.closed
    if closed.days < MOSTLY_CLOSED * YEAR_DAYS:
        return season

    def stands(later: float, longer: float) -> Season:
        days = closed.days - later + longer
        rest = -(1.0 - LEAST_USE) / (1.0 - days / YEAR_DAYS)
        return replace(season, rest=rest, closed=ClosedSeason(closed.first + later, days))

    def squares(each: Season) -> float:
        return seen.squares(np.log(each.mean(seen.begins, seen.ends)))

    open_days = YEAR_DAYS - closed.days
    later = np.arange(0.0, closed.days / 2.0, STANDING_STEP)
    longer = np.arange(0.0, open_days / 2.0, STANDING_STEP)
    return min((stands(a, b) for a in later for b in longer), key=squares)


def _swung(seen: SeenUse, waves: FloatArray, start: FloatArray) -> tuple[FloatArray, float]:
    """Sizes of some waves (n, k) by least squares, begun at them and a trend; and p of the last two
    of them, where there are as many."""
    root, many = np.sqrt(seen.days), waves.shape[1]

    def factor(at: FloatArray) -> FloatArray:
        return np.asarray(np.maximum(1.0 + waves @ at[:-1], LEAST_USE))

    def error(at: FloatArray) -> FloatArray:
        return seen.within(seen.log_use - np.log(factor(at)) - at[-1] * seen.years)[:, 0]

    def slopes(at: FloatArray) -> FloatArray:
        return seen.within(waves / factor(at)[:, None], seen.years)

    def weighted(at: FloatArray) -> FloatArray:
        return root * error(at)

    def bent(at: FloatArray) -> FloatArray:
        return -root[:, None] * slopes(at)

    swing = np.max(np.abs(start[:-1]), initial=MOST_AT_FIRST)
    begun = np.append(start[:-1] * (MOST_AT_FIRST / swing), start[-1])
    found = scipy.optimize.least_squares(weighted, begun, bent)
    if many < 2:
        return found.x[:-1], 1.0
    return found.x[:-1], seen.p(slopes(found.x), error(found.x), found.x, slice(many - 2, many))


def _above_nought(season: Season) -> Season:
    """With the swing drawn in until no day has less than :data:`LEAST_USE`."""
    deepest = 1.0 - float(season._by_day().min())
    draw = min((1.0 - LEAST_USE) / max(deepest, 1e-9), 1.0)
    return replace(season, waves=tuple(draw * wave for wave in season.waves))


def clustered_covariance(
    inverse: FloatArray, scores: FloatArray, by: IntArray
) -> tuple[FloatArray, int]:
    """Covariance (p, p) of coefficients whose errors are clustered ``by`` (n,), and how many
    clusters there are (Liang & Zeger 1986, *Biometrika* 73:13). ``inverse`` (p, p) of what is
    known; ``scores`` (n, p): each row's slopes."""
    _, cluster = np.unique(by, return_inverse=True)
    clusters = int(cluster.max()) + 1
    sums = np.column_stack([np.bincount(cluster, column) for column in scores.T])
    covariance = inverse @ (sums.T @ sums) @ inverse * clusters / max(clusters - 1, 1)
    return np.asarray(covariance), clusters


def _clustered_p(
    beta: FloatArray, gram: FloatArray, scores: FloatArray, by: IntArray, tested: slice
) -> float:
    """p of two ``tested`` coefficients being nought, errors clustered."""
    covariance, clusters = clustered_covariance(
        np.asarray(np.linalg.inv(gram), np.float64), scores, by
    )
    swing, spread = beta[tested], covariance[tested, tested]
    if clusters <= len(beta) or np.linalg.cond(spread) > 1e12:
        return 1.0
    f = float(swing @ np.linalg.solve(spread, swing)) / 2.0
    # Wald's F takes off the coefficients that were estimated from these clusters.
    left = clusters - len(beta)
    return float(f_sf(f * left / (clusters - 1), 2, left))
