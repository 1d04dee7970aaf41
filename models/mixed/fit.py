"""REML estimates of a two-level mixed model with a random slope per unit."""

from dataclasses import dataclass, replace

import numpy as np

from models.common.arrays import BoolArray, FloatArray
from models.mixed.blocks import Blocks
from models.mixed.optimum import (
    STARTS,
    Certificate,
    Search,
    best_of_restarts,
    certified_search,
    evaluator,
    starting_root,
)
from models.mixed.pilot import pilot
from models.mixed.reml import RemlPoint

UNFELT = 1e-9
"""Information on a relative variance below this means that the data do not see it."""


class TooFewRowsError(ValueError):
    """Fewer measurements than coefficients: nothing is left to estimate the error from."""

    def __init__(self, found: int, needed: int) -> None:
        super().__init__(f"{found} readings for {needed - 1} coefficients: one more is the least")


@dataclass(frozen=True, slots=True)
class MixedFit:
    """REML fit of a two-level model, on the caller's scale.

    ``beta`` (p,), ``covariance`` (p, p); ``gamma`` (2, 2) covariance of a block's start and slope;
    ``unit_variance`` of a unit's slope; ``sigma2`` error variance; ``reml_loglik`` on lme4's
    constant. ``back`` maps the coefficients of ``point`` to ``beta``'s. ``free`` says which of
    (start, cross, slope, unit) were estimated; ``pilot_gap`` is the largest difference in
    log-likelihood between restarts.
    """

    names: tuple[str, ...]
    beta: FloatArray
    covariance: FloatArray
    gamma: FloatArray
    unit_variance: float
    sigma2: float
    reml_loglik: float
    point: RemlPoint
    root: FloatArray
    t_scale: float
    back: FloatArray
    free: BoolArray
    converged: bool
    certificate: Certificate
    steps: int
    pilot_gap: float
    notes: tuple[str, ...]

    @property
    def standard_errors(self) -> FloatArray:
        return np.sqrt(np.diag(self.covariance))


def typical_t(blocks: Blocks) -> float:
    """Root mean square of t over all measurements (within blocks where the start is free)."""
    squares = sum(float((g.r12**2 + g.r22**2).sum()) for g in blocks.groups)
    return float(np.sqrt(squares / max(blocks.n_rows, 1))) or 1.0


def least_error_variance(blocks: Blocks, min_sd: float) -> float:
    """Floor of the error variance, so that readings lying exactly on lines still have a fit."""
    about_fit = float(blocks.within[-1, -1])
    about_fit += sum(float((g.first[-1] ** 2 + g.second[-1] ** 2).sum()) for g in blocks.groups)
    rounding = 1e-20 * blocks.mean_square
    return max(min_sd**2, 1e-10 * about_fit / max(blocks.n_rows, 1), rounding, 1e-30)


def estimable_variances(blocks: Blocks, *, correlated: bool = True) -> BoolArray:
    """Which of (start, cross, slope, unit) the layout of the data can tell apart from the error.

    A start needs some block with more than one row; a unit's slope needs two units, and some unit
    with two blocks (otherwise it is the block's slope).
    """
    second = sum(int((g.r22 > 0).sum()) for g in blocks.groups)
    known = any((g.r11 > 0).any() for g in blocks.groups)
    firsts = sum(int((g.r11 > 0).sum()) for g in blocks.groups)
    repeats = second > 0 or blocks.n_rows > firsts
    moving = any(((g.r22 > 0) | (g.r12 != 0)).any() for g in blocks.groups)
    units = [
        np.repeat(blocks.cluster_unit[g.segment_cluster], g.segment_length) for g in blocks.groups
    ]
    shared = any((np.bincount(unit) > 1).any() for unit in units)
    start, slope = known and repeats, moving and (repeats or blocks.n_units < blocks.n_blocks)
    unit = blocks.has_units and blocks.n_units > 1 and moving and shared
    return np.array([start, start and slope and correlated, slope, unit])


def _felt_variances(point: RemlPoint, t_scale: float) -> BoolArray:
    """Variances that change the likelihood at all: not those a fixed effect takes up whole."""
    scale = np.array([1.0, 1.0 / t_scale, 1.0 / t_scale**2, 1.0 / t_scale**2])
    felt = np.diag(point.information)[:4] * scale**2 > UNFELT
    felt[1] &= felt[0] and felt[2]
    return np.asarray(felt)


def _notes(search: Search, certificate: Certificate, gap: float) -> tuple[str, ...]:
    notes = []
    if not certificate.holds:
        notes.append(
            f"The REML search did not settle after {search.steps} steps "
            f"(a further step still promises {certificate.gain:.2g} in -2 log-likelihood)."
        )
    if gap > 1e-3:
        notes.append(f"Restarts ended {gap:.2g} apart in log-likelihood; the best one was kept.")
    return tuple(notes)


def _on_callers_scale(
    blocks: Blocks,
    search: Search,
    certificate: Certificate,
    free: BoolArray,
    gap: float,
) -> MixedFit:
    point = search.point
    shift = np.array([[1.0, -blocks.pivot], [0.0, 1.0]])
    return MixedFit(
        names=blocks.names,
        beta=blocks.back @ (point.beta + blocks.offset),
        covariance=point.sigma2 * blocks.back @ point.xtx_inverse @ blocks.back.T,
        gamma=point.sigma2 * shift @ point.variances.gamma @ shift.T,
        unit_variance=point.sigma2 * point.variances.tau,
        sigma2=point.sigma2,
        reml_loglik=-point.deviance / 2.0,
        point=point,
        root=search.root,
        t_scale=typical_t(blocks),
        back=blocks.back,
        free=free,
        converged=certificate.holds,
        certificate=certificate,
        steps=search.steps,
        pilot_gap=gap,
        notes=_notes(search, certificate, gap),
    )


def fit_mixed(
    blocks: Blocks,
    *,
    correlated: bool = True,
    min_sd: float = 0.0,
    start: FloatArray | None = None,
) -> MixedFit:
    """REML estimates of a two-level mixed model with a random slope per unit.

    Parameters
    ----------
    blocks : data as pseudo-rows (``models.mixed.blocks``).
    correlated : whether a block's start and slope may be correlated.
    min_sd : least standard deviation of the error, in the measurement's unit.
    start : (4,) ``root`` of a fit of nearly the same data, searched from before any other.

    Raises
    ------
    TooFewRowsError
        If there are not more measurements than fixed effects.
    ValueError
        If an uncorrelated start is asked of data whose t is counted from its mean.
    numpy.linalg.LinAlgError
        If the fixed-effect columns are linearly dependent.

    References
    ----------
    Patterson, Thompson (1971), Biometrika 58:545; Gilmour, Thompson, Cullis (1995), Biometrics
    51:1440; Bates, Machler, Bolker, Walker (2015), J. Stat. Software 67(1), for the constant.
    """
    if blocks.n_rows <= blocks.n_columns:
        raise TooFewRowsError(blocks.n_rows, blocks.n_columns + 1)
    if not correlated and blocks.pivot != 0.0:
        raise ValueError("uncorrelated start and slope: build the blocks with keep_origin=True")
    floor, t_scale = least_error_variance(blocks, min_sd), typical_t(blocks)
    free = estimable_variances(blocks, correlated=correlated)
    root = starting_root(STARTS[0], free) if start is None else np.where(free, start, 0.0)
    first = evaluator(blocks, t_scale, floor)(root, np.zeros(blocks.n_columns))
    told, free = free, free & _felt_variances(first, t_scale)
    if start is not None:
        point = first if (free == told).all() else None
        fit = _searched_from(blocks, np.where(free, start, 0.0), free, floor, point)
        if fit.converged:
            return fit
    fit = _searched(blocks, free, floor)
    for simpler, left_out in _simpler(free):
        if fit.converged:
            break
        trial = _searched(blocks, simpler, floor)
        if trial.converged:
            note = f"The REML search did not settle with {left_out}: left out."
            fit = replace(trial, notes=(*trial.notes, note))
    return fit


def _simpler(free: BoolArray) -> list[tuple[BoolArray, str]]:
    """Models with fewer variances to fall back on, the one that shares units last."""
    cuts = [
        ((1,), "the correlation of start and slope"),
        ((0, 1), "a spread of starts"),
        ((1, 2), "a spread of slopes between blocks"),
        ((0, 1, 2), "a spread between blocks"),
        ((0, 1, 2, 3), "any spread but the error's"),
    ]
    chosen = []
    for cut, name in cuts:
        fewer = free.copy()
        fewer[list(cut)] = False
        if (fewer != free).any():
            chosen.append((fewer, name))
    return chosen


def _searched(blocks: Blocks, free: BoolArray, floor: float) -> MixedFit:
    t_scale = typical_t(blocks)
    few = pilot(blocks)
    best, gap = best_of_restarts(few, free, t_scale, floor)
    point = best.point if few is blocks else None
    search, certificate = certified_search(blocks, best.root, free, t_scale, floor, point)
    return _on_callers_scale(blocks, search, certificate, free, gap)


def _searched_from(
    blocks: Blocks, root: FloatArray, free: BoolArray, floor: float, point: RemlPoint | None
) -> MixedFit:
    search, certificate = certified_search(blocks, root, free, typical_t(blocks), floor, point)
    return _on_callers_scale(blocks, search, certificate, free, 0.0)
