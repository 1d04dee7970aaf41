r"""Since which day linings wear otherwise, whenever fitted: a score scan along the calendar.

A rule of braking, another load, a road or its salt change the wear of every lining in place, from
one day on. Beside ``models.wear.generations.scan``, which asks by the day of fitting, the covariate
of a day c is

.. math:: z = -\sum_d \hat r_{ad}\,\text{km}_d\ \text{run after } c

and N holds whatever else may look like it: for every axle type a rate of their own for the linings
of every quarter (another make may wear otherwise: only those that ran on both sides of c speak), a
bend along wear, a bedding-in, and a rate and a bend for lives whose start is not on record; a
season of wear in every duty, and one of readings, with two harmonics each; and a level of its own
for readings since a day (another gauge), of the days of every month the one that leaves least of
the score.
Score, information, :math:`\hat\theta` and what leaving out each unit makes of them are as there,
from single readings: with V = I + ZGZ' within a life and a slope of the unit's besides, Woodbury's
identity leaves sums over lives and units. Asked are all linings together, every duty and every axle
type, at each quarter's end; of days that pass, the one whose score without another gauge is largest
is told, or a month about it.

With a hundred such questions, one in 1,300 fleets without a change exceeds ``CHANGE_SCORE`` in any
by Bonferroni's bound. Only readings of the gauge are asked.
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.units import KM_PER_UNIT
from models.wear.blocks import unit_scale
from models.wear.generations.names import base_of, bounds_of
from models.wear.generations.scan import (
    BEDDING_T,
    CHANGE_SCORE,
    LEAST_CHANGE,
    LEAST_LIVES,
    LEAST_UNITS,
    QUARTER_DAYS,
    Change,
    inverse,
    score_of_units,
)
from models.wear.predict import usable_sums
from models.wear.result import WearFit
from models.wear.sums import LiningLifeSums

MOST_QUARTERS = 20
"""A change longer ago is not sought: few linings of then are still read."""
MONTH_DAYS = 30
YEAR_DAYS = 365.25
HARMONICS = 2
UNKNOWN_START = 1e6
"""Variance of a start that is not on record, in those of a reading."""
SEASON_SCORE = 9.0
"""Of a change by the day of fitting, once wear may have a season."""
LEAST_LEFT = 1e-3
"""A change of which less than this share is left beside all else cannot be told from it."""


@dataclass(frozen=True, slots=True)
class DatedReadings:
    """Gauge readings of some units, and how far these had run in each duty by which day.

    readings: ``life_id``, ``unit_id``, ``inspected_on``, ``origin_on`` (the life's start, or its
    first reading where that is not on record), ``lining_mm``; unit_km: ``unit_id``, ``on_date``,
    ``duty``, ``km``, every reading's and origin's day among them.
    """

    readings: pl.DataFrame
    unit_km: pl.DataFrame


@dataclass(frozen=True, slots=True)
class Shift:
    """All linings of the axle types named wear otherwise in the duties named since a day; ``score``
    is the statistic, ``ratio`` about what rates are over those before."""

    axle_types: tuple[str, ...]
    duties: tuple[str, ...]
    since: dt.date
    score: float
    ratio: float


@dataclass(frozen=True, slots=True)
class DatedRows:
    """n readings in the order of units and lives; K of U units' km in each of D duties.

    ``km``, ``origin_km`` (n, D): at the reading and at the life's origin; ``rate`` (n, D): wear per
    10,000 km; ``columns`` (n, P): the fit's; ``season`` (n, S), 2 HARMONICS of every duty; ``t``,
    ``pull`` (n,): km of the life's slope, and of its unit's. ``life_start``, ``unit_start``: where
    each begins.
    """

    y: FloatArray
    axle: IntArray
    known: BoolArray
    day: FloatArray
    origin: FloatArray
    unit: IntArray
    life: IntArray
    km: FloatArray
    origin_km: FloatArray
    rate: FloatArray
    columns: FloatArray
    season: FloatArray
    t: FloatArray
    pull: FloatArray
    life_start: IntArray
    unit_start: IntArray

    @property
    def line(self) -> FloatArray:
        """What a life's own line is made of (n, 2)."""
        return np.column_stack([np.ones(len(self.t)), self.t])

    @property
    def life_no(self) -> IntArray:
        """Which life in order each reading is of (n,)."""
        begins = np.zeros(len(self.t), np.int64)
        begins[self.life_start[1:]] = 1
        return np.cumsum(begins)

    @property
    def worn(self) -> FloatArray:
        """Expected wear since the origin (n,)."""
        return np.asarray((self.rate * (self.km - self.origin_km)).sum(axis=1)) / KM_PER_UNIT

    def worn_since(self, unit_km: FloatArray) -> FloatArray:
        """Expected wear in each duty (n, D) since its units had run ``unit_km`` (U, D)."""
        since = np.maximum(unit_km[self.unit], self.origin_km)
        return np.asarray(self.rate * np.maximum(self.km - since, 0.0)) / KM_PER_UNIT


UNIT_APART = 1e6
"""Days between one unit's and the next one's, laid end to end: more than any records span."""


@dataclass(frozen=True, slots=True)
class UnitKm:
    """Days (m,) on which units were seen, unit by unit, and their km by then in each of the fit's
    duties (D, m); ``start`` (U,): where each unit's begin."""

    days: FloatArray
    km: FloatArray
    start: IntArray

    @property
    def line(self) -> FloatArray:
        """The days of all units end to end (m,)."""
        units = len(self.start)
        number = np.repeat(np.arange(units), np.diff(self.start, append=len(self.days)))
        return np.asarray(number * UNIT_APART + self.days)

    def at(self, values: FloatArray, unit: IntArray, days: FloatArray) -> FloatArray:
        """Values (k, m) by days on which units were seen, as they were on others (k, n): on the
        line between two of them, and before and after all as on the nearest."""
        last = np.append(self.start[1:], len(self.days)) - 1
        here = unit * UNIT_APART + np.clip(days, self.days[self.start][unit], self.days[last][unit])
        line = self.line
        return np.array([np.interp(here, line, row) for row in values])

    def on(self, day: float) -> FloatArray:
        """Km of all units on a day (U, D)."""
        units = np.arange(len(self.start))
        return np.asarray(self.at(self.km, units, np.full(len(units), day)).T)


def found_shift(sums: LiningLifeSums, fit: WearFit, dated: DatedReadings) -> Shift | None:
    """The change of wear since a day, of whatever linings; None where none is clear.

    ``sums``: as the fit was made of them.
    """
    return likeliest_shift(sums, fit, dated, LEAST_CHANGE, CHANGE_SCORE)


def likeliest_shift(
    sums: LiningLifeSums,
    fit: WearFit,
    dated: DatedReadings,
    least: float = 0.0,
    beyond: float = 0.0,
) -> Shift | None:
    """That of the largest score beyond some other, of those whose ratio is at least so far from 1;
    None where there is none."""
    read = dated_rows(usable_sums(sums, fit), fit, dated) if fit.mixed is not None else None
    if read is None:
        return None
    rows, units = read
    last = float(rows.day.max())
    quarters = last - QUARTER_DAYS * np.arange(1, MOST_QUARTERS + 1)
    days = [float(day) for day in quarters if day > rows.day.min()]
    asking = Asked.of(rows, units, fit, beside_wear(rows, fit))
    best = _best(asking, days, least, beyond)
    if best is None:
        return None
    near = best.day + MONTH_DAYS * np.array([-2.0, -1.0, 1.0, 2.0])
    about = [float(day) for day in near if rows.day.min() < day < last - MONTH_DAYS]
    best = _best(asking, about, least, beyond, best.plain) or best
    asked = asking.questions[best.question]
    since = dt.date(1970, 1, 1) + dt.timedelta(days=int(best.day) + 1)
    axle_types = tuple(fit.axle_types[a] for a in asked.axles)
    return Shift(
        axle_types, tuple(fit.duties[d] for d in asked.duties), since, best.score, 1.0 + best.theta
    )


def stands_beside_a_season(
    sums: LiningLifeSums, fit: WearFit, dated: DatedReadings, change: Change
) -> bool:
    """Whether linings fitted since a day wear otherwise than those before, once wear may have a
    season too, and the readings another gauge since a day: linings still young have run through
    another part of the year than those before them, and most were read by that gauge alone, which
    sums over whole lives do not tell apart. The day being found already, three
    standard errors tell. True where too few of them were read to ask."""
    used = usable_sums(sums, fit)
    read = dated_rows(used, fit, dated) if fit.mixed is not None else None
    if read is None:
        return True
    rows, units = read
    axles = [a for a, name in enumerate(fit.axle_types) if name in change.axle_types]
    since = (used.fitted_on >= change.since).fill_null(value=False).to_numpy()[rows.life]
    of_these = np.isin(rows.axle, axles)
    sides = (np.unique(rows.unit[of_these & side]) for side in (since, ~since))
    if min(map(len, sides)) < LEAST_UNITS:
        return True
    z = -(rows.worn * since * of_these)
    asked = Asked.of(rows, units, fit, beside_wear(rows, fit, starts=True))
    left = z - asked.beside @ (asked.down @ (asked.white.T @ z))
    white = asked.whitened(left[:, None])[:, 0]
    known = max(float(left @ white), 1e-300)
    told = asked.answer(0.0, 0, left, float(left @ asked.residual), known, asked.gauges.T @ white)
    same = told.theta * (change.ratio - 1.0) > 0.0
    return same and told.score > SEASON_SCORE and abs(told.theta) >= LEAST_CHANGE


@dataclass(frozen=True, slots=True)
class _Question:
    axles: tuple[int, ...]
    duties: tuple[int, ...]


def _questions(fit: WearFit) -> list[_Question]:
    """All linings together, each duty, each axle type; of every duty the newest era."""
    axles = tuple(range(len(fit.axle_types)))
    bounds = [bounds_of(name, fit.duties) for name in fit.duties]
    duties = tuple(d for d, (_, until) in enumerate(bounds) if until is None)
    types = sorted({base_of(name) for name in fit.axle_types})
    by_type = [tuple(a for a in axles if base_of(fit.axle_types[a]) == name) for name in types]
    asked = [_Question(axles, duties)]
    asked += [_Question(axles, (d,)) for d in duties] if len(duties) > 1 else []
    return asked + ([_Question(own, duties) for own in by_type] if len(types) > 1 else [])


@dataclass(frozen=True, slots=True)
class _Answer:
    """What the end of a day says to a question; the covariate (n,) with all else taken out, and the
    score if no other gauge were thought of, ``plain``."""

    score: float
    plain: float
    theta: float
    day: float
    question: int
    left: FloatArray


def _best(
    asked: "Asked", days: Sequence[float], least: float, beyond: float, than: float = 0.0
) -> _Answer | None:
    """Of the answers with a score beyond some other, the one of the largest plain score."""
    answers = [answer for day in days for answer in asked.on(day)]
    for each in sorted(answers, key=lambda one: one.plain, reverse=True):
        if each.plain <= than:
            break
        # By the model's word first: units can only lower a score.
        if each.score > beyond and abs(each.theta) >= least:
            score = min(each.score, asked.score_of(each))
            if score > beyond:
                return replace(each, score=score)
    return None


def dated_rows(
    used: LiningLifeSums, fit: WearFit, dated: DatedReadings
) -> tuple[DatedRows, UnitKm] | None:
    lives = pl.DataFrame({"life_id": used.life_id}).with_row_index("life")
    frame = (
        dated.readings.filter(pl.col("lining_mm").is_not_null())
        .join(lives, on="life_id", how="inner")
        .with_columns(
            day=pl.col("inspected_on").dt.epoch("d").cast(pl.Float64),
            origin=pl.col("origin_on").dt.epoch("d").cast(pl.Float64),
            life=pl.col("life").cast(pl.Int64),
        )
        .sort("unit_id", "life", "day")
    )
    names = frame["unit_id"].unique(maintain_order=True)
    if len(names) < LEAST_UNITS:
        return None
    units = _units(names, fit.duties, dated.unit_km)
    unit = frame.select(pl.col("unit_id").rle_id().cast(pl.Int64)).to_series().to_numpy()
    life, day, origin = (frame[name].to_numpy() for name in ("life", "day", "origin"))
    unit_start, life_start = (np.flatnonzero(np.diff(x, prepend=-1)) for x in (unit, life))
    km, origin_km = (units.at(units.km, unit, days).T for days in (day, origin))
    season = _season(units, unit, day, origin)
    axle, known = used.axle[life], used.start_known[life]
    rate, columns = _columns(fit, axle, known, (km - origin_km) / KM_PER_UNIT)
    t = (fit.spread.life[axle] * (km - origin_km)).sum(axis=1) / KM_PER_UNIT
    return DatedRows(
        y=frame["lining_mm"].cast(pl.Float64).to_numpy(),
        axle=axle,
        known=known,
        day=day,
        origin=origin,
        unit=unit,
        life=life,
        km=km,
        origin_km=origin_km,
        rate=rate,
        columns=columns,
        season=_by_duty(season * rate[:, :, None] / KM_PER_UNIT, fit.duties),
        t=t,
        pull=t * unit_scale(used, fit.spread)[life],
        life_start=life_start,
        unit_start=unit_start,
    ), units


def _units(names: pl.Series, duties: tuple[str, ...], unit_km: pl.DataFrame) -> UnitKm:
    """Km of the units named in each of the fit's duties, those of a duty's eras cut apart."""
    bases = sorted({base_of(name) for name in duties})
    wide = (
        unit_km.filter(pl.col("unit_id").is_in(names.implode()), pl.col("duty").is_in(bases))
        .pivot(on="duty", index=["unit_id", "on_date"], values="km")
        .with_columns(pl.lit(0.0).alias(base) for base in set(bases) - set(unit_km["duty"]))
        .sort("unit_id", "on_date")
    )
    order = pl.DataFrame({"unit_id": names}).with_row_index("unit")
    wide = wide.join(order, on="unit_id").sort("unit", "on_date")
    start = np.flatnonzero(np.diff(wide["unit"].cast(pl.Int64).to_numpy(), prepend=-1))
    days = wide["on_date"].dt.epoch("d").cast(pl.Float64).to_numpy()
    km = {base: wide[base].fill_null(0.0).cast(pl.Float64).to_numpy() for base in bases}
    whole = UnitKm(days, np.array([km[base_of(duty)] for duty in duties]), start)
    cut = [_within(whole, row, duty, duties) for row, duty in zip(whole.km, duties, strict=True)]
    return replace(whole, km=np.array(cut))


def _within(units: UnitKm, whole: FloatArray, duty: str, duties: tuple[str, ...]) -> FloatArray:
    """Km run in a duty (m,), or in one era of it, by each day; ``whole``: in all of them."""
    numbers = np.arange(len(units.start))
    each = np.diff(units.start, append=len(whole))
    since, until = (
        None
        if day is None
        else units.at(
            whole[None], numbers, np.full(len(numbers), (day - dt.date(1970, 1, 1)).days - 1.0)
        )[0]
        for day in bounds_of(duty, duties)
    )
    low = np.repeat(whole[units.start] if since is None else since, each)
    high = np.inf if until is None else np.repeat(until, each)
    return np.asarray(np.clip(whole, low, high) - low)


def _season(units: UnitKm, unit: IntArray, day: FloatArray, origin: FloatArray) -> FloatArray:
    """Km since the origin in each duty, weighed by waves of the year (n, D, 2 HARMONICS)."""
    waves = _waves(units)
    rows = waves.reshape(-1, waves.shape[-1])
    run = units.at(rows, unit, day) - units.at(rows, unit, origin)
    return np.moveaxis(run.reshape(*waves.shape[:2], len(day)), 2, 0)


def _by_duty(season: FloatArray, duties: tuple[str, ...]) -> FloatArray:
    """Of each of the fit's duties (n, D, 2 HARMONICS), as columns of all duties, their eras taken
    together: salt and grit may wear the linings of one alone."""
    bases = [base_of(name) for name in duties]
    own = [season[:, [b == base for b in bases]].sum(axis=1) for base in sorted({*bases})]
    return np.column_stack(own)


def _waves(units: UnitKm) -> FloatArray:
    """Km by each day, each weighed by sine and cosine of its time of the year, (D, 2 HARMONICS, m);
    even between the days. They add up from unit to unit: only their differences within one tell.
    """
    waves, days = [], units.days
    steps = np.maximum(np.diff(days), 1e-9)
    for k in range(1, HARMONICS + 1):
        angle = 2.0 * np.pi * k * days / YEAR_DAYS
        width = 2.0 * np.pi * k * steps / YEAR_DAYS
        waves += [-np.diff(np.cos(angle)) / width, np.diff(np.sin(angle)) / width]
    run = np.diff(units.km, axis=1)[:, None, :] * np.array(waves)[None]
    run[:, :, units.start[1:] - 1] = 0.0
    return np.concatenate([np.zeros((*run.shape[:2], 1)), np.cumsum(run, axis=2)], axis=2)


def _columns(
    fit: WearFit, axle: IntArray, known: BoolArray, km: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Rates (n, D) of readings on some axle types, and the fit's columns (n, P); ``km`` (n, D)."""
    columns = fit.columns
    rate, values = np.zeros(km.shape), np.zeros((len(axle), len(columns)))
    for place, (kind, a, d) in enumerate(
        zip(columns.kind, columns.axle, columns.duty, strict=True)
    ):
        mine = axle == a
        if kind == "rate":
            rate[mine, d] = fit.beta[place]
            values[mine, place] = -km[mine, d]
        elif kind == "start":
            values[mine, place] = known[mine]
    return rate, values


@dataclass(frozen=True, slots=True)
class _Whitener:
    """V^-1, unit by unit: ``weight`` (L, 2, 2) of what lives sum of [1, t], ``pulled`` (n,) of the
    unit's slope within lives, and ``kappa`` (U,)."""

    rows: DatedRows
    weight: FloatArray
    pulled: FloatArray
    kappa: FloatArray

    @classmethod
    def of(cls, rows: DatedRows, fit: WearFit) -> "_Whitener":
        assert fit.mixed is not None
        v = fit.mixed.point.variances
        known = np.array([[v.g00, v.g01], [v.g01, v.g11]])
        unknown = np.array([[UNKNOWN_START, 0.0], [0.0, v.g11]])
        g = np.where(rows.known[rows.life_start][:, None, None], known, unknown)
        z = rows.line
        zz = np.add.reduceat(z[:, :, None] * z[:, None, :], rows.life_start)
        weight = g @ np.linalg.inv(np.eye(2) + zz @ g)
        made = cls(rows, weight, np.zeros(len(z)), np.zeros(len(rows.unit_start)))
        pulled = made(rows.pull[:, None])[:, 0]
        h = np.add.reduceat(rows.pull * pulled, rows.unit_start)
        return cls(rows, weight, pulled, v.tau / (1.0 + v.tau * h))

    def __call__(self, c: FloatArray) -> FloatArray:
        """V^-1 C of columns (n, k)."""
        rows, z = self.rows, self.rows.line
        sums = np.stack([np.add.reduceat(c * z[:, [i]], rows.life_start) for i in (0, 1)], axis=1)
        weighed = (self.weight @ sums)[rows.life_no]
        within = c - weighed[:, 0] - z[:, [1]] * weighed[:, 1]
        pulls = np.add.reduceat(c * self.pulled[:, None], rows.unit_start)
        return np.asarray(within - self.pulled[:, None] * (self.kappa[:, None] * pulls)[rows.unit])


@dataclass(frozen=True, slots=True)
class Asked:
    """What every day is asked of. ``beside`` (n, k): what N has whatever the day; ``white``:
    V^-1 of it; ``down`` (k, k): inverse of N'V^-1N; ``residual`` (n,): V^-1 of what it leaves of
    the readings; ``gauges`` (n, S): levels since S days, with N taken out, and what is known of
    them and their scores (S,)."""

    rows: DatedRows
    units: UnitKm
    questions: list[_Question]
    whitened: _Whitener
    beside: FloatArray
    white: FloatArray
    down: FloatArray
    residual: FloatArray
    gauges: FloatArray
    gauges_known: FloatArray
    gauges_score: FloatArray
    sigma2: float

    @classmethod
    def of(cls, rows: DatedRows, units: UnitKm, fit: WearFit, beside: FloatArray) -> "Asked":
        assert fit.mixed is not None
        whitened = _Whitener.of(rows, fit)
        white = whitened(beside)
        down = inverse(beside.T @ white)
        left = rows.y - beside @ (down @ (white.T @ rows.y))
        residual = whitened(left[:, None])[:, 0]
        since = rows.day[:, None] > np.arange(rows.day.min(), rows.day.max(), MONTH_DAYS)
        gauges = since - beside @ (down @ (white.T @ since))
        return cls(
            rows,
            units,
            _questions(fit),
            whitened,
            beside,
            white,
            down,
            residual,
            gauges,
            np.einsum("ns,ns->s", gauges, whitened(gauges)),
            gauges.T @ residual,
            fit.mixed.sigma2,
        )

    def on(self, day: float) -> list[_Answer]:
        """What the end of a day says, by the model's word, to every question that enough linings
        answer."""
        rows = self.rows
        worn = rows.worn_since(self.units.on(day))
        asked = [
            -(worn[:, list(q.duties)].sum(axis=1) * np.isin(rows.axle, q.axles))
            for q in self.questions
        ]
        each = np.column_stack(asked)
        left = each - self.beside @ (self.down @ (self.white.T @ each))
        white = self.whitened(left)
        known, score = np.einsum("nq,nq->q", left, white), left.T @ self.residual
        whole = np.einsum("nq,nq->q", each, self.whitened(each))
        enough = np.array([_enough(rows, z, day) for z in each.T])
        shared = self.gauges.T @ white
        return [
            self.answer(day, int(q), left[:, q], float(score[q]), float(known[q]), shared[:, q])
            for q in np.flatnonzero(enough & (known > LEAST_LEFT * whole))
        ]

    def answer(
        self,
        day: float,
        question: int,
        left: FloatArray,
        score: float,
        known: float,
        shared: FloatArray,
    ) -> _Answer:
        """With the level of readings taken out that leaves least of the score, if any does."""
        own = self.gauges_known
        told = own > LEAST_LEFT * own.max(initial=0.0)
        share = np.divide(shared, own, out=np.zeros(len(own)), where=told)
        rest = np.maximum(known - share * shared, LEAST_LEFT * known)
        pulls = score - share * self.gauges_score
        plain, scores = score**2 / known / self.sigma2, pulls**2 / rest / self.sigma2
        place = int(np.argmin(scores))
        if scores[place] >= plain:
            return _Answer(plain, plain, score / known, day, question, left)
        beside = left - share[place] * self.gauges[:, place]
        theta = float(pulls[place] / rest[place])
        return _Answer(float(scores[place]), plain, theta, day, question, beside)

    def score_of(self, answer: _Answer) -> float:
        """The score as leaving out each unit in turn has it."""
        starts, left = self.rows.unit_start, answer.left
        score = np.add.reduceat(left * self.residual, starts)
        white = self.whitened(left[:, None])[:, 0]
        return score_of_units(score, np.add.reduceat(left * white, starts))


def beside_wear(rows: DatedRows, fit: WearFit, *, starts: bool = False) -> FloatArray:
    """What N has whatever the day asked of (n, k). ``starts``: linings of every quarter may be
    thicker, instead of wearing otherwise."""
    worn, known = rows.worn, rows.known.astype(np.float64)
    shapes = [
        known * worn**2,
        known * np.expm1(-rows.t / BEDDING_T),
        (1.0 - known) * worn,
        (1.0 - known) * worn**2,
    ]
    fitted = ((rows.day.max() - rows.origin) // QUARTER_DAYS).astype(np.int64)
    quarters = np.minimum(fitted, MOST_QUARTERS)
    by_quarter = known if starts else worn
    shapes += [by_quarter * (quarters == quarter) for quarter in np.unique(quarters)]
    by_axle = [
        shape * (rows.axle == axle) for axle in range(len(fit.axle_types)) for shape in shapes
    ]
    turn = 2.0 * np.pi * np.outer(rows.day, np.arange(1, HARMONICS + 1)) / YEAR_DAYS
    return np.column_stack([rows.columns, rows.season, np.sin(turn), np.cos(turn), *by_axle])


def _enough(rows: DatedRows, z: FloatArray, day: float) -> bool:
    """Whether enough linings, in enough units, ran on both sides of a day and were read since."""
    told = (z != 0.0) & (rows.origin < day)
    return (
        len(np.unique(rows.unit[told])) >= LEAST_UNITS
        and len(np.unique(rows.life[told])) >= LEAST_LIVES
    )
