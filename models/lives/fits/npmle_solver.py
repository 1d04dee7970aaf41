"""The nonparametric likelihood of lives as a concave programme in hazards, and its solution.

Only a few cells of age can carry probability: those that begin at a last-known-good age and end at
the next found-failed or entry age, with none of the former in between (Turnbull 1976, JRSS B
38:290; Frydman 1994, JRSS B 56:71, for entry ages). Let x_j = -log P(alive after cell j | alive
before it). A failure known to lie in cells a..b-1 and seen from entry on contributes

    log(1 - exp(-(x_a + ... + x_{b-1})))  -  (x of the cells from its entry up to a),

and a survivor the second part only, so with r_j = adjusters known to have come through cell j,

    l(x) = sum_i w_i log(1 - exp(-sum_{a_i <= j < b_i} x_j)) - sum_j r_j x_j,   x >= 0.

In the masses this likelihood is not concave once entries are delayed; in x it is, so the
Kuhn-Tucker conditions prove a global maximum. It is solved by Newton steps on a small support: new
cells enter where the gradient peaks, a nonnegative quadratic programme moves all hazards at once,
cells at zero leave (in the manner of Wang 2008, *Comput. Stat. Data Anal.* 52:2388).
"""

from __future__ import annotations

from typing import NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt
from scipy import linalg

from models.common.arrays import BoolArray, FloatArray
from models.lives.fits.data import LifeCounts

IntArray: TypeAlias = npt.NDArray[np.int64]
MAX_STEPS = 200
GRADIENT_TOLERANCE = 1e-10  # per adjuster


class SupportCells(NamedTuple):
    """The m cells (start, end] that can carry probability, and who is known about each.

    start_age, end_age: (m,), equal where a failure was seen at that age; through: (m,) adjusters
    known to have come through the cell while watched; at_risk: (m,) adjusters watched from before
    it and not known to be out; first, beyond: (n,) the cell range of each distinct failure
    interval; failures: (n,) its count.
    """

    start_age: FloatArray
    end_age: FloatArray
    through: FloatArray
    at_risk: FloatArray
    first: IntArray
    beyond: IntArray
    failures: FloatArray


class Solution(NamedTuple):
    """Hazards x (m,), inf where the curve falls to zero; the log-likelihood; gradient (m,)."""

    hazard: FloatArray
    loglik: float
    gradient: FloatArray
    steps: int


class _Program(NamedTuple):
    """The finite part of the problem: intervals in cell numbers, and the price r of each hazard."""

    first: IntArray
    beyond: IntArray
    weight: FloatArray
    price: FloatArray


def life_cells(counts: LifeCounts) -> SupportCells:
    """The cells of `counts`; see the module's text.

    Ages become positions: 2 i + 1 is just after the i-th distinct age, 2 i just before it, so that
    a failure seen at an age occupies (just before, just after] and precedes censoring there.
    """
    ages = np.unique(np.concatenate([counts.left, counts.right, counts.censored_at, counts.entry]))
    right = 2 * np.searchsorted(ages, counts.right) + 1
    left = 2 * np.searchsorted(ages, counts.left) + (counts.left < counts.right)
    censored = 2 * np.searchsorted(ages, counts.censored_at) + 1
    entry = 2 * np.searchsorted(ages, counts.entry) + 1
    good = np.concatenate([left, censored])
    good_weight = np.concatenate([counts.failed, counts.censored])
    start, end = innermost_cells(good, np.concatenate([right, entry]))
    out = np.concatenate([right, censored])
    through = _at_or_above(good, good_weight, end) - _at_or_above(entry, counts.entered, end)
    not_out = _at_or_above(out, good_weight, start + 1)
    watched = not_out - _at_or_above(entry, counts.entered, start + 1)
    first, beyond, failures = _merged_ranges(
        np.searchsorted(start, left), np.searchsorted(end, right, "right"), counts.failed
    )
    return SupportCells(
        ages[start // 2], ages[end // 2], _cleaned(through), watched, first, beyond, failures
    )


def innermost_cells(good: IntArray, closing: IntArray) -> tuple[IntArray, IntArray]:
    """Start and end positions of the cells; the one after the last closing position is left out."""
    starts, ends = np.unique(good), np.unique(closing)
    following = np.searchsorted(ends, starts, "right")
    starts, following = starts[following < ends.size], following[following < ends.size]
    cell_end = ends[following]
    next_start = np.append(starts[1:], np.iinfo(np.int64).max)
    inner = next_start >= cell_end
    return starts[inner], cell_end[inner]


def _at_or_above(position: IntArray, weight: FloatArray, cut: IntArray) -> FloatArray:
    """Total weight at positions >= each cut."""
    order = np.argsort(position, kind="stable")
    total = np.append(np.cumsum(weight[order][::-1])[::-1], 0.0)
    return np.asarray(total[np.searchsorted(position[order], cut)])


def _cleaned(through: FloatArray) -> FloatArray:
    """Sums of counts whose rounding error would hide an exact zero."""
    return np.where(through < 1e-9 * max(float(through.max(initial=0.0)), 1.0), 0.0, through)


def _merged_ranges(
    first: IntArray, beyond: IntArray, weight: FloatArray
) -> tuple[IntArray, IntArray, FloatArray]:
    span = int(beyond.max(initial=0)) + 1
    keys, place = np.unique(first.astype(np.int64) * span + beyond, return_inverse=True)
    merged = np.bincount(place, weights=weight, minlength=keys.size)
    return keys // span, keys % span, np.asarray(merged, float)


def solved(
    cells: SupportCells, price: FloatArray | None = None, warm: FloatArray | None = None
) -> Solution:
    """The maximising hazards. `price` replaces `through`; `warm` are hazards to start from."""
    price = cells.through if price is None else price
    covered = _coverage(cells.first, cells.beyond, np.ones_like(cells.failures), price.size) > 0.5
    endless = covered & (price <= 0.0)
    program = _finite_program(cells, price, endless)
    hazard, steps = _newton(program, _start(program, warm))
    loglik, gradient = _loglik(program, hazard), _gradient(program, hazard)
    return Solution(
        np.where(endless, np.inf, hazard), loglik, np.where(endless, 0.0, gradient), steps
    )


def loglik_at(cells: SupportCells, hazard: FloatArray) -> float:
    """The log-likelihood of any hazards, under the cells' own counts."""
    endless = np.isinf(hazard)
    if np.any(endless & (cells.through > 0.0)):
        return -np.inf
    program = _finite_program(cells, cells.through, endless)
    return _loglik(program, np.where(endless, 0.0, hazard))


def _finite_program(cells: SupportCells, price: FloatArray, endless: BoolArray) -> _Program:
    """Without the intervals that an endless hazard explains fully."""
    count = np.append(0, np.cumsum(endless))
    open_ = count[cells.beyond] == count[cells.first]
    return _Program(cells.first[open_], cells.beyond[open_], cells.failures[open_], price)


def _coverage(first: IntArray, beyond: IntArray, weight: FloatArray, size: int) -> FloatArray:
    """Total weight of the ranges that hold each cell."""
    opened = np.bincount(first, weights=weight, minlength=size + 1)
    closed = np.bincount(beyond, weights=weight, minlength=size + 1)
    return np.asarray(np.cumsum(opened - closed)[:size])


def _range_sums(program: _Program, hazard: FloatArray) -> FloatArray:
    total = np.append(0.0, np.cumsum(hazard))
    return np.asarray(total[program.beyond] - total[program.first])


def _loglik(program: _Program, hazard: FloatArray) -> float:
    sums = _range_sums(program, hazard)
    if np.any(sums <= 0.0):
        return -np.inf
    return float(program.weight @ np.log(-np.expm1(-sums)) - program.price @ hazard)


def _gradient(program: _Program, hazard: FloatArray) -> FloatArray:
    pull = program.weight / np.expm1(np.minimum(_range_sums(program, hazard), 700.0))
    return _coverage(program.first, program.beyond, pull, hazard.size) - program.price


def _start(program: _Program, warm: FloatArray | None) -> FloatArray:
    """Hazards on a smallest set of cells that touches every interval, or the given ones."""
    if warm is not None and np.isfinite(_loglik(program, warm)):
        return warm
    stabs = _stabbing_cells(program)
    hazard = np.zeros_like(program.price)
    if stabs.size:
        nearest = stabs[np.searchsorted(stabs, program.first)]
        failures = np.bincount(nearest, weights=program.weight, minlength=hazard.size)[stabs]
        hazard[stabs] = np.log1p(failures / np.maximum(program.price[stabs], 1e-3 * failures))
    return hazard


def _stabbing_cells(program: _Program) -> IntArray:
    """Going up, the last cell of the interval that ends first among those not yet touched."""
    size = program.price.size
    soonest = np.full(size + 1, size + 1)
    np.minimum.at(soonest, program.first, program.beyond)
    soonest = np.minimum.accumulate(soonest[::-1])[::-1]
    stabs, cell = [], 0
    while cell <= size and soonest[cell] <= size:
        stabs.append(soonest[cell] - 1)
        cell = int(soonest[cell])
    return np.array(stabs, dtype=np.int64)


def _newton(program: _Program, hazard: FloatArray) -> tuple[FloatArray, int]:
    adjusters = max(float(program.price.max(initial=0.0) + program.weight.sum()), 1e-300)
    value = _loglik(program, hazard)
    for step_no in range(MAX_STEPS):
        gradient = _gradient(program, hazard)
        if _kkt_violation_at(gradient, hazard) <= GRADIENT_TOLERANCE * adjusters:
            return hazard, step_no
        support = _grown_support(gradient, hazard)
        target = np.zeros_like(hazard)
        target[support] = _quadratic_target(program, hazard, gradient, support)
        direction = target - hazard
        for fraction in 0.5 ** np.arange(30):
            tried = hazard + fraction * direction
            new_value = _loglik(program, tried)
            if new_value > value + 1e-4 * fraction * (gradient @ direction):
                break
        else:
            return _last_step(program, hazard, target), step_no
        hazard, value = tried, new_value
    return hazard, MAX_STEPS


def _last_step(program: _Program, hazard: FloatArray, target: FloatArray) -> FloatArray:
    """At the limit of what the value can resolve, the better of two points by its gradient."""
    if not np.isfinite(_loglik(program, target)):
        return hazard
    gaps = [_kkt_violation_at(_gradient(program, x), x) for x in (hazard, target)]
    return target if gaps[1] < gaps[0] else hazard


def _kkt_violation_at(gradient: FloatArray, hazard: FloatArray) -> float:
    """The largest gradient, in size where the hazard is positive, in excess of 0 elsewhere."""
    broken = np.where(hazard > 0.0, np.abs(gradient), np.maximum(gradient, 0.0))
    return float(broken.max(initial=0.0))


def _grown_support(gradient: FloatArray, hazard: FloatArray) -> IntArray:
    """Cells with a hazard, and between each two of them the cell of steepest positive gradient."""
    held = hazard > 0.0
    begins = held.copy()
    begins[:1] = True
    begins[1:] |= held[:-1]
    bounds = np.flatnonzero(begins)
    peak = np.maximum.reduceat(gradient, bounds)
    kkt_violation_of = np.cumsum(begins) - 1
    peaks = np.flatnonzero((gradient == peak[kkt_violation_of]) & (gradient > 0.0))
    held[peaks[np.diff(kkt_violation_of[peaks], prepend=-1) > 0]] = True  # the first of equal peaks
    return np.flatnonzero(held)


def _quadratic_target(
    program: _Program, hazard: FloatArray, gradient: FloatArray, support: IntArray
) -> FloatArray:
    curvature = support_information(program, hazard, support)
    pull = gradient[support] + curvature @ hazard[support]
    return nonnegative_minimum(curvature, pull)


def support_information(program: _Program, hazard: FloatArray, support: IntArray) -> FloatArray:
    """-d²l / dx dx' on the support, (s, s): sum of w e^B / (e^B - 1)² over ranges holding both."""
    sums = np.minimum(_range_sums(program, hazard), 300.0)
    weight = program.weight * np.exp(sums) / np.expm1(sums) ** 2
    size = support.size
    low, high = np.searchsorted(support, program.first), np.searchsorted(support, program.beyond)
    corner = np.bincount(low * (size + 1) + high, weights=weight, minlength=(size + 1) ** 2)
    corner = corner.reshape(size + 1, size + 1)
    reach = np.cumsum(np.cumsum(corner, axis=0)[:, ::-1], axis=1)[:, ::-1]
    upper = np.triu(reach[:size, 1:])  # [i, j]: ranges with low <= i and high > j
    return np.asarray(upper + upper.T - np.diag(np.diag(upper)), float)


def information_of(cells: SupportCells, hazard: FloatArray, support: IntArray) -> FloatArray:
    """The observed information of the finite hazards on `support`."""
    endless = np.isinf(hazard)
    program = _finite_program(cells, cells.through, endless)
    return support_information(program, np.where(endless, 0.0, hazard), support)


def _solved_positive(matrix: FloatArray, pull: FloatArray) -> FloatArray:
    try:
        factor = linalg.cho_factor(matrix, overwrite_a=True, check_finite=False)
    except linalg.LinAlgError:  # rounding has eaten a curvature that was nearly zero
        return np.asarray(np.linalg.lstsq(matrix, pull, rcond=None)[0])
    return np.asarray(linalg.cho_solve(factor, pull, check_finite=False))


def nonnegative_minimum(curvature: FloatArray, pull: FloatArray) -> FloatArray:
    """argmin over x >= 0 of x'Gx/2 - pull'x, pivoting whole sets while it helps, then one by one.

    Kim & Park (2011), *SIAM J. Sci. Comput.* 33:3261.
    """
    size = pull.size
    ridge = 1e-13 * np.trace(curvature) / max(size, 1)
    matrix = curvature + ridge * np.eye(size)
    free, fewest, patience = np.ones(size, bool), size + 1, 3
    x = np.zeros(size)
    for _ in range(10 * size + 50):
        x[:] = 0.0
        if free.any():
            x[free] = _solved_positive(matrix[np.ix_(free, free)], pull[free])
        slope = matrix @ x - pull
        wrong = np.where(free, x < 0.0, slope < -1e-12 * np.abs(pull).max(initial=1e-300))
        if not wrong.any():
            break
        if wrong.sum() < fewest:
            fewest, patience = int(wrong.sum()), 3
        elif patience:
            patience -= 1
        else:
            wrong[: np.flatnonzero(wrong)[-1]] = False
        free = free ^ wrong
    return np.maximum(x, 0.0)
