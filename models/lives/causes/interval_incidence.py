"""Cumulative incidence of each cause when ends are found at inspections, with delayed entry.

A failure of cause k found between two ages has likelihood sum of the masses p_k(cell) of its cause
in between; a survivor at C all mass beyond it; an entry at V divides by all mass beyond V. The
nonparametric maximum puts the masses of cause k into cells that begin at a last-known-good age of
cause k or of a survivor and end at the next found age of cause k or entry (Hudgens, Satten &
Longini 2001, *Biometrics* 57:74; Frydman 1994 for entries). Planned replacement, whose age is
known, is one more cause with exact ages.

Solved by EM (Turnbull 1976, unseen early ends filled in for late entries), speeded up by squared
extrapolation (Varadhan & Roland 2008, *Scand. J. Stat.* 35:335) and by Newton steps, until the
Kuhn-Tucker conditions hold. Without entries the likelihood is concave and that proves the maximum;
with entries it proves a stationary point, and the start (the product-limit incidence with failures
spread over their intervals) is close to the maximum.

Standard errors come from the observed information of the masses in use, so they are right where
inspection ages repeat and too small where all ages differ.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import polars as pl
from scipy import linalg

from models.common.arrays import FloatArray, IntArray
from models.common.distributions import two_sided_z
from models.lives.fits.data import FAILURE_CAUSES, LifeCounts
from models.lives.fits.npmle_solver import innermost_cells

MAX_CYCLES = 3000
KKT_TOLERANCE = 1e-8  # per adjuster
UNUSED = 1e-9
ROUND = 10


@dataclass(frozen=True, slots=True)
class CompetingCounts:
    """`counts` as for one life, ends of all causes in its failed table, with each row's cause.

    cause: (failed rows,), 1 … K; names: of the K causes.
    """

    counts: LifeCounts
    cause: IntArray
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CumulativeIncidence:
    """Incidence of one cause at `ages`, its standard error, and limits on the log(-log) scale."""

    cause: str
    ages: FloatArray
    incidence: FloatArray
    se: FloatArray
    low: FloatArray
    high: FloatArray
    ended: int
    level: float


@dataclass(frozen=True, slots=True)
class IntervalIncidence:
    """Incidence by cause.

    kkt_violation: the steepest slope of the log-likelihood in any mass, per adjuster. Without
    entries no masses gain more than that much per adjuster.
    """

    causes: tuple[CumulativeIncidence, ...]
    loglik: float
    kkt_violation: float
    cycles: int


class _Masses(NamedTuple):
    """All causes' cells one after another, then one for outliving the records: (m + 1,) masses.

    first, beyond: each failure row's cells [first, beyond) among all; reached: for each survivor
    and late entry age, the order in which cells end, so that mass beyond is a running sum.
    """

    cause: IntArray
    end_position: IntArray
    start_age: FloatArray
    end_age: FloatArray
    first: IntArray
    beyond: IntArray
    failures: FloatArray
    order: IntArray
    censored_from: IntArray
    censored: FloatArray
    entered_from: IntArray
    entered: FloatArray
    adjusters: float


def competing_counts(
    intervals: pl.DataFrame,
    censored: pl.DataFrame,
    entries: pl.DataFrame,
    causes: tuple[str, ...] = FAILURE_CAUSES,
    planned: str = "planned",
) -> CompetingCounts:
    """One group's counts with every failure cause apart and planned replacement as one more.

    The frames are those of `life_data.counts_from_frames`, `censored` with its `ending`. Adjusters
    replaced as `planned` end exactly at their `left_age`; other endings only end the watching.
    Raises ValueError for a cause that is not named.
    """
    names = (*causes, planned)
    ends = _numbered_ends(intervals, censored, names)
    still = censored.filter(pl.col("ending") != planned)
    still = (
        still.group_by("left_age", maintain_order=True)
        .agg(pl.col("adjusters").sum())
        .sort("left_age")
    )
    late = entries.filter(pl.col("entry_age") > 0.0)
    counts = LifeCounts(
        *_columns(ends, "left_age", "right_age", "adjusters"),
        *_columns(still, "left_age", "adjusters"),
        *_columns(late, "entry_age", "adjusters"),
    )
    return CompetingCounts(counts, ends["number"].to_numpy().copy(), names)


def _numbered_ends(
    intervals: pl.DataFrame, censored: pl.DataFrame, names: tuple[str, ...]
) -> pl.DataFrame:
    """left_age, right_age, number (1 … K), adjusters: failures and planned replacements."""
    planned = censored.filter(pl.col("ending") == names[-1], pl.col("left_age") > 0.0).select(
        "left_age",
        pl.col("left_age").alias("right_age"),
        pl.col("ending").alias("cause"),
        "adjusters",
    )
    failed = intervals.select(planned.columns)
    ends = pl.concat([failed, planned], how="vertical_relaxed")
    unknown = sorted(set(ends["cause"].unique()) - set(names))
    if unknown:
        raise ValueError(f"causes {unknown} are not among {list(names)}")
    numbers = dict(zip(names, range(1, len(names) + 1), strict=True))
    number = pl.col("cause").replace_strict(numbers, return_dtype=pl.Int64)
    keys = ["left_age", "right_age", "number"]
    ends = ends.with_columns(number=number)
    return ends.group_by(keys, maintain_order=True).agg(pl.col("adjusters").sum()).sort(keys)


def _columns(frame: pl.DataFrame, *names: str) -> tuple[FloatArray, ...]:
    return tuple(frame[name].cast(pl.Float64).to_numpy().copy() for name in names)


def interval_incidence(
    competing: CompetingCounts,
    ages: FloatArray,
    level: float = 0.95,
    *,
    from_age: float = 0.0,
) -> IntervalIncidence:
    """The incidence of every cause by `ages`, each cell's mass counted at its end.

    With `from_age` it is that among adjusters that have reached it: the way round an early risk set
    too small to trust (see `life_npmle`). Raises ValueError when nothing outlives `from_age`, or
    when the masses fall to zero before a later entry (see `life_stretch`).
    """
    masses = _masses(competing)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        mass, cycles = _maximised(masses, _start(masses))
    if not np.all(np.isfinite(mass)):
        raise ValueError("everything watched ended before a later entry: the ages do not connect")
    before = masses.end_age <= from_age
    reached = 1.0 - float(mass[:-1] @ before)
    if reached <= UNUSED:
        raise ValueError(f"no adjuster is estimated to outlive age {from_age:g}")
    covariance, used = _covariance(masses, mass)
    causes = []
    for number, name in enumerate(competing.names, start=1):
        own = ((masses.cause == number) & ~before)[:, None]
        inside = own & (masses.end_age[:, None] <= ages[None, :])
        incidence = np.minimum(mass[:-1] @ inside / reached, 1.0)
        pull = (inside + incidence * before[:, None])[used] / reached
        se = np.sqrt(np.maximum(np.einsum("ia,ij,ja->a", pull, covariance, pull), 0.0))
        low, high = incidence_limits(incidence, se, level)
        ended = int(competing.counts.failed[competing.cause == number].sum())
        causes.append(CumulativeIncidence(name, ages, incidence, se, low, high, ended, level))
    return IntervalIncidence(
        tuple(causes), _loglik(masses, mass), _kkt_violation(masses, mass), cycles
    )


def _masses(competing: CompetingCounts) -> _Masses:
    counts = competing.counts
    ages = np.unique(np.concatenate([counts.left, counts.right, counts.censored_at, counts.entry]))
    right = 2 * np.searchsorted(ages, counts.right) + 1
    left = 2 * np.searchsorted(ages, counts.left) + (counts.left < counts.right)
    censored = 2 * np.searchsorted(ages, counts.censored_at) + 1
    entry = 2 * np.searchsorted(ages, counts.entry) + 1
    first, beyond = np.zeros_like(left), np.zeros_like(left)
    cause, start, end = [], [], []
    offset = 0
    for number in range(1, len(competing.names) + 1):
        own = competing.cause == number
        cells = innermost_cells(
            np.concatenate([left[own], censored]), np.concatenate([right[own], entry])
        )
        first[own] = offset + np.searchsorted(cells[0], left[own])
        beyond[own] = offset + np.searchsorted(cells[1], right[own], "right")
        offset += cells[0].size
        cause.append(np.full(cells[0].size, number))
        start.append(cells[0])
        end.append(cells[1])
    starts, ends = np.concatenate(start), np.concatenate(end)
    order = np.argsort(ends, kind="stable")
    return _Masses(
        cause=np.concatenate(cause),
        end_position=ends,
        start_age=ages[starts // 2],
        end_age=ages[ends // 2],
        first=first,
        beyond=beyond,
        failures=counts.failed,
        order=order,
        censored_from=np.searchsorted(ends[order], censored, "right"),
        censored=counts.censored,
        entered_from=np.searchsorted(ends[order], entry, "right"),
        entered=counts.entered,
        adjusters=counts.adjusters,
    )


def _start(masses: _Masses) -> FloatArray:
    """Product-limit incidence, each failure spread evenly over its cells."""
    even = masses.failures / (masses.beyond - masses.first)
    spread = _per_cell(masses, even)
    ends, place = np.unique(masses.end_position, return_inverse=True)
    together = np.bincount(place, weights=spread)
    outlived = np.bincount(masses.censored_from, masses.censored, minlength=masses.order.size + 1)
    entered = np.bincount(masses.entered_from, masses.entered, minlength=masses.order.size + 1)
    cell_of = np.searchsorted(masses.end_position[masses.order], ends, "left")
    gone = np.append(0.0, np.cumsum(together))[:-1] + np.cumsum(outlived)[cell_of]
    late = masses.entered.sum() - np.cumsum(entered)[cell_of]
    watched = np.maximum(masses.adjusters - gone - late, together)
    share = together / np.maximum(watched, 1e-300)
    before = np.append(1.0, np.cumprod(1.0 - share))
    with np.errstate(invalid="ignore", divide="ignore"):
        mass = (before[:-1] * share / together)[place] * spread
    mass = np.append(np.where(spread > 0.0, mass, 0.0), before[-1])
    mass = 0.999 * mass + 0.001 / mass.size  # no mass starts at 0, where EM would leave it
    return np.asarray(mass / mass.sum())


def _per_cell(masses: _Masses, per_row: FloatArray) -> FloatArray:
    """Sum of a value per failure row over the rows that hold each cell."""
    size = masses.cause.size
    opened = np.bincount(masses.first, weights=per_row, minlength=size + 1)
    closed = np.bincount(masses.beyond, weights=per_row, minlength=size + 1)
    return np.asarray(np.cumsum(opened - closed)[:size])


def _row_masses(masses: _Masses, mass: FloatArray) -> FloatArray:
    total = np.append(0.0, np.cumsum(mass[:-1]))
    return np.asarray(total[masses.beyond] - total[masses.first])


def _mass_beyond(masses: _Masses, mass: FloatArray) -> FloatArray:
    """Mass of the cells from each place in the order of ends on, and of outliving: (m + 1,)."""
    tail = np.cumsum(np.append(mass[:-1][masses.order], mass[-1])[::-1])[::-1]
    return np.asarray(tail)


def _slope(masses: _Masses, mass: FloatArray) -> FloatArray:
    """d loglik / d mass, (m + 1,); its mass-weighted sum is the number of entries at age 0."""
    beyond = _mass_beyond(masses, mass)
    failed = _per_cell(masses, masses.failures / _row_masses(masses, mass))
    size = masses.order.size + 1
    price = np.bincount(
        masses.censored_from, masses.censored / beyond[masses.censored_from], minlength=size
    ) - np.bincount(
        masses.entered_from, masses.entered / beyond[masses.entered_from], minlength=size
    )
    ordered = np.cumsum(price)
    slope = np.empty(size)
    slope[masses.order] = ordered[:-1]
    slope[-1] = ordered[-1]
    slope[:-1] += failed
    return slope


def _unseen(masses: _Masses, mass: FloatArray) -> float:
    """Expected adjusters that ended before they could enter, and the entries they stand beside."""
    return float(np.sum(masses.entered / _mass_beyond(masses, mass)[masses.entered_from]))


def _em(masses: _Masses, mass: FloatArray) -> FloatArray:
    """One EM step: seen and unseen adjusters shared out over the cells, as a share of all."""
    unseen = _unseen(masses, mass)
    share = mass * (_slope(masses, mass) + unseen)
    return np.asarray(share / share.sum())


def _loglik(masses: _Masses, mass: FloatArray) -> float:
    beyond, rows = _mass_beyond(masses, mass), _row_masses(masses, mass)
    if np.any(rows <= 0.0) or np.any(mass < 0.0):
        return -np.inf
    value = masses.failures @ np.log(rows)
    value += masses.censored @ np.log(beyond[masses.censored_from])
    return float(value - masses.entered @ np.log(beyond[masses.entered_from]))


def _kkt_violation(masses: _Masses, mass: FloatArray) -> float:
    """The steepest slope per adjuster; slopes average to zero over the masses, so 0 is the top."""
    slope = _slope(masses, mass) - (masses.adjusters - masses.entered.sum())
    return float(slope.max()) / max(masses.adjusters, 1.0)


def _maximised(masses: _Masses, mass: FloatArray) -> tuple[FloatArray, int]:
    """Extrapolated EM, with a Newton step now and then for the directions EM is slow in."""
    for cycle in range(MAX_CYCLES):
        if cycle % ROUND == ROUND - 1:
            mass = _newton_step(masses, mass)
            if _kkt_violation(masses, mass) < KKT_TOLERANCE:
                return mass, cycle
        mass = _leap(masses, mass)
    return mass, MAX_CYCLES


def _leap(masses: _Masses, mass: FloatArray) -> FloatArray:
    """Two EM steps extrapolated and followed by a third; the two alone where that loses."""
    once = _em(masses, mass)
    twice = _em(masses, once)
    change, bend = once - mass, twice - 2.0 * once + mass
    length = -np.linalg.norm(change) / max(float(np.linalg.norm(bend)), 1e-300)
    leap = mass - 2.0 * length * change + length**2 * bend
    leap = np.maximum(leap, 0.1 * np.minimum(mass, twice))
    leap = _em(masses, leap / leap.sum())
    return leap if _loglik(masses, leap) >= _loglik(masses, twice) else twice


def _newton_step(masses: _Masses, mass: FloatArray) -> FloatArray:
    """A Newton step of the masses that matter, stopped short of zero; none where it gains nothing.

    A mass it would make negative keeps a hundredth, and is left to EM once it is negligible. The
    multiplier of "masses sum to one" is the number of entries at age 0, as l grows by that many
    log c when all masses are multiplied by c.
    """
    used = np.flatnonzero(mass > 1e-6)
    pull = _slope(masses, mass)[used] - (masses.adjusters - masses.entered.sum())
    try:
        factor = linalg.cho_factor(_information(masses, mass, used))
    except linalg.LinAlgError:  # with entries the likelihood need not be concave here
        return mass
    moved = mass.copy()
    moved[used] = np.maximum(mass[used] + linalg.cho_solve(factor, pull), 0.01 * mass[used])
    moved /= moved.sum()
    return moved if _loglik(masses, moved) > _loglik(masses, mass) else mass


def _information(masses: _Masses, mass: FloatArray, used: IntArray) -> FloatArray:
    """-d²l of the used masses, each free of the others."""
    beyond, rows = _mass_beyond(masses, mass), _row_masses(masses, mass)
    place = np.full(mass.size, masses.order.size)
    place[masses.order] = np.arange(masses.order.size)
    holds = (used >= masses.first[:, None]) & (used < masses.beyond[:, None])
    information = (holds.T * (masses.failures / rows**2)) @ holds
    for starts, weight in (
        (masses.censored_from, masses.censored),
        (masses.entered_from, -masses.entered),
    ):
        after = place[used] >= starts[:, None]
        information = information + (after.T * (weight / beyond[starts] ** 2)) @ after
    return np.asarray(information)


def _covariance(masses: _Masses, mass: FloatArray) -> tuple[FloatArray, IntArray]:
    """Covariance of the masses in use under their sum being one, outliving left out of it."""
    used = np.flatnonzero(mass > UNUSED)
    directions = linalg.null_space(np.ones((1, used.size)))  # changes that keep the sum
    information = directions.T @ _information(masses, mass, used) @ directions
    covariance = (
        directions @ np.linalg.pinv(information, rcond=1e-12, hermitian=True) @ directions.T
    )
    cells = used < mass.size - 1
    return np.asarray(covariance[np.ix_(cells, cells)]), used[cells]


def incidence_limits(
    incidence: FloatArray, se: FloatArray, level: float
) -> tuple[FloatArray, FloatArray]:
    """Limits symmetric in log(-log(1 - F)), which stay in [0, 1]; F itself where F is 0 or 1."""
    inner = (incidence > 0.0) & (incidence < 1.0)
    log_rest = np.log1p(-np.where(inner, incidence, 0.5))
    z = two_sided_z(level)
    spread = z * se / np.abs((1.0 - np.where(inner, incidence, 0.5)) * log_rest)
    with np.errstate(over="ignore"):  # no limit at all where next to nothing is known
        low, high = (-np.expm1(log_rest * np.exp(sign * spread)) for sign in (-1.0, 1.0))
    return np.where(inner, low, incidence), np.where(inner, high, incidence)
