r"""REML estimates of a two-level mixed model: Newton's method, restarts and a certificate.

The relative covariances are written :math:`\Gamma = LL^\top` with L lower triangular and
:math:`\tau = l_\tau^2`, so that any real vector is admissible and a variance can reach zero. In
that space the Hessian is :math:`J^\top\mathcal I J` plus the exact second derivative of the square,
which makes Newton's method as fast on the boundary as inside.

A small gradient in L proves nothing: it vanishes wherever an entry of L is zero. The certificate is
therefore taken in the space of variances (Karush-Kuhn-Tucker conditions on the cone of
covariance matrices): along directions open both ways the expected gain of a further step must be
negligible, and along directions that leave the boundary the criterion must not improve.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from models.mixed_blocks import Blocks, BoolArray, FloatArray
from models.mixed_pass import Variances
from models.mixed_pilot import pilot
from models.mixed_reml import RemlPoint, reml_point

MAX_STEPS = 60
GAIN_TOLERANCE = 1e-13
"""Newton stops when the next step promises less than this in -2 log-likelihood."""
CERTIFICATE_TOLERANCE = 1e-6
"""Gain in -2 log-likelihood that the certificate still lets pass."""
SLOPE_TOLERANCE = 1e-3
"""Score in standard errors that the certificate lets pass at a boundary."""
NO_SPREAD = 1e-8
"""A variance below this share of the error's counts as zero."""
STARTS = ((1.0, 0.3, 0.3), (0.1, 0.03, 0.03), (10.0, 3.0, 3.0), (1.0, 0.01, 0.3), (0.05, 1.0, 0.05))
"""Standard deviations relative to the error's: start, slope, unit's slope (over a typical t)."""


class TooFewRowsError(ValueError):
    """Fewer measurements than coefficients: nothing is left to estimate the error from."""

    def __init__(self, found: int, needed: int) -> None:
        super().__init__(f"{found} readings for {needed - 1} coefficients: one more is the least")


@dataclass(frozen=True, slots=True)
class Certificate:
    """What a further search could still gain.

    ``gain`` is the improvement of -2 log-likelihood promised by a free step, ``escape`` the largest
    score, in standard errors, that would lead away from a boundary (0 inside).
    """

    gain: float
    escape: float

    @property
    def holds(self) -> bool:
        return self.gain < CERTIFICATE_TOLERANCE and self.escape < SLOPE_TOLERANCE


@dataclass(frozen=True, slots=True)
class MixedFit:
    """REML fit of a two-level model, on the caller's scale.

    ``beta`` (p,), ``covariance`` (p, p); ``gamma`` (2, 2) covariance of a block's start and slope;
    ``unit_variance`` of a unit's slope; ``sigma2`` error variance; ``reml_loglik`` on lme4's
    constant. ``free`` says which of (start, cross, slope, unit) were estimated; ``pilot_gap`` is
    the largest difference in log-likelihood between restarts.
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
    free: BoolArray
    converged: bool
    certificate: Certificate
    steps: int
    pilot_gap: float
    notes: tuple[str, ...]

    @property
    def standard_errors(self) -> FloatArray:
        return np.sqrt(np.diag(self.covariance))


@dataclass(frozen=True, slots=True)
class _Search:
    """Where a search stands: the square-root parameters and the criterion there."""

    root: FloatArray
    point: RemlPoint
    steps: int
    settled: bool


def variances_of(root: FloatArray, t_scale: float) -> Variances:
    """Relative variances of the square-root parameters (l00, l10, l11, l_tau)."""
    a, b, c, d = root
    return Variances(
        g00=a * a,
        g01=a * b / t_scale,
        g11=(b * b + c * c) / t_scale**2,
        tau=d * d / t_scale**2,
        determinant=(a * c / t_scale) ** 2,
    )


def root_jacobian(root: FloatArray, t_scale: float) -> FloatArray:
    """Derivative of the relative variances in the square-root parameters, shape (4, 4)."""
    a, b, c, d = root
    s, s2 = t_scale, t_scale**2
    return np.array(
        [
            [2 * a, 0, 0, 0],
            [b / s, a / s, 0, 0],
            [0, 2 * b / s2, 2 * c / s2, 0],
            [0, 0, 0, 2 * d / s2],
        ]
    )


def _square_curvature(gradient: FloatArray, t_scale: float) -> FloatArray:
    """Second derivative of the variances in the root parameters, weighted by the gradient."""
    g0, g1, g2, g3 = gradient
    s, s2 = t_scale, t_scale**2
    curvature = np.diag([2 * g0, 2 * g2 / s2, 2 * g2 / s2, 2 * g3 / s2])
    curvature[0, 1] = curvature[1, 0] = g1 / s
    return curvature


def profile_information(point: RemlPoint) -> FloatArray:
    """Average information of the four relative variances with sigma² profiled out."""
    full = point.information
    return np.asarray(full[:4, :4] - np.outer(full[:4, 4], full[4, :4]) / full[4, 4])


def _newton_step(
    search: _Search, free: BoolArray, t_scale: float, radius: float
) -> tuple[FloatArray, float]:
    """A step downhill within ``radius`` and the gain it promises in -2 log-likelihood."""
    jacobian = root_jacobian(search.root, t_scale)[:, free]
    gradient = jacobian.T @ search.point.gradient
    hessian = 2.0 * jacobian.T @ profile_information(search.point) @ jacobian
    hessian += _square_curvature(search.point.gradient, t_scale)[np.ix_(free, free)]
    values, vectors = np.linalg.eigh(hessian)
    curvature = np.maximum(np.abs(values), 1e-12 * np.abs(values).max(initial=1e-300))
    along = vectors.T @ gradient
    step = np.zeros(4)
    step[free] = -vectors @ (along / curvature)
    size = float(np.abs(step / (1.0 + np.abs(search.root))).max(initial=0.0))
    shrink = min(1.0, radius / size) if size > 0 else 1.0
    return step * shrink, float((along**2 / curvature).sum() / 2.0)


def _descend(
    evaluate: Callable[[FloatArray, FloatArray], RemlPoint],
    root: FloatArray,
    free: BoolArray,
    t_scale: float,
    n_columns: int,
) -> _Search:
    """Newton's method with halving from ``root`` until the promised gain is negligible."""
    search = _Search(root, evaluate(root, np.zeros(n_columns)), 1, not free.any())
    radius = 1.0
    while not search.settled and search.steps < MAX_STEPS:
        step, gain = _newton_step(search, free, t_scale, radius)
        if gain < GAIN_TOLERANCE:
            return _Search(search.root, search.point, search.steps, True)
        trial = search.root + step
        point = evaluate(trial, search.point.beta)
        slack = 4e-14 * abs(search.point.deviance) + 1e-12
        if point.deviance <= search.point.deviance + slack:
            search = _Search(trial, point, search.steps + 1, False)
            radius = min(4.0, 2.0 * radius)
        else:
            radius = 0.25 * min(radius, float(np.abs(step / (1.0 + np.abs(search.root))).max()))
            search = _Search(search.root, search.point, search.steps + 1, radius < 1e-12)
    return search


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


def _evaluator(
    blocks: Blocks, t_scale: float, floor: float
) -> Callable[[FloatArray, FloatArray], RemlPoint]:
    def evaluate(root: FloatArray, beta: FloatArray) -> RemlPoint:
        return reml_point(blocks, variances_of(root, t_scale), beta, floor)

    return evaluate


def _start(scales: tuple[float, float, float], free: BoolArray) -> FloatArray:
    start, slope, unit = scales
    return np.where(free, np.array([start, 0.0, slope, unit]), 0.0)


def _best_of_restarts(
    blocks: Blocks, free: BoolArray, t_scale: float, floor: float
) -> tuple[_Search, float]:
    """The best of several searches and the gap in log-likelihood between them."""
    evaluate, none = _evaluator(blocks, t_scale, floor), np.zeros(blocks.n_columns)
    starts = [_start(scales, free) for scales in (STARTS if free.any() else STARTS[:1])]
    starts.sort(key=lambda root: evaluate(root, none).deviance)
    found = [_descend(evaluate, root, free, t_scale, blocks.n_columns) for root in starts[:2]]
    best = min(found, key=lambda search: search.point.deviance)
    return best, max(search.point.deviance - best.point.deviance for search in found) / 2.0


def _square_root(gamma: FloatArray) -> FloatArray:
    """Lower triangular root (l00, l10, l11) of a 2 x 2 covariance that may be singular."""
    a = float(np.sqrt(max(gamma[0, 0], 0.0)))
    b = float(gamma[0, 1]) / a if a > 0.0 else 0.0
    return np.array([a, b, np.sqrt(max(gamma[1, 1] - b * b, 0.0))])


def _scaled_gamma(root: FloatArray) -> FloatArray:
    lower = np.array([[root[0], 0.0], [root[1], root[2]]])
    return np.asarray(lower @ lower.T)


def _boundary_directions(root: FloatArray, free: BoolArray) -> list[FloatArray]:
    """Directions (v0, v1, unit) in which a variance is zero and may only grow."""
    directions = [np.array([0.0, 0.0, 1.0])] if free[3] and root[3] ** 2 < NO_SPREAD else []
    gamma = _scaled_gamma(root)
    if free[1]:
        values, vectors = np.linalg.eigh(gamma)
        pairs = zip(values, vectors.T, strict=True)
    else:
        pairs = zip(np.diag(gamma)[free[[0, 2]]], np.eye(2)[free[[0, 2]]], strict=True)
    return directions + [np.append(v, 0.0) for value, v in pairs if value < NO_SPREAD]


def _score(direction: FloatArray, point: RemlPoint, t_scale: float) -> float:
    """Score along a direction that leaves the boundary, in its standard errors."""
    v0, v1, unit = direction
    change = np.array([v0 * v0, v0 * v1 / t_scale, v1 * v1 / t_scale**2, unit / t_scale**2])
    spread = float(change @ profile_information(point) @ change)
    return float(-change @ point.gradient / 2.0 / np.sqrt(spread)) if spread > 0.0 else 0.0


def _certificate(search: _Search, free: BoolArray, t_scale: float) -> Certificate:
    gain = _newton_step(search, free, t_scale, 1.0)[1] if free.any() else 0.0
    scores = [_score(d, search.point, t_scale) for d in _boundary_directions(search.root, free)]
    return Certificate(gain=gain, escape=max([0.0, *scores]))


def _kicked(root: FloatArray, free: BoolArray, point: RemlPoint, t_scale: float) -> FloatArray:
    """Root parameters moved off the boundary along the most promising direction."""
    best = max(_boundary_directions(root, free), key=lambda d: _score(d, point, t_scale))
    gamma = _scaled_gamma(root) + 0.01 * np.outer(best[:2], best[:2])
    unit = np.sqrt(root[3] ** 2 + 0.01 * best[2])
    return np.where(free, np.append(_square_root(gamma), unit), 0.0)


def _certified(
    blocks: Blocks, root: FloatArray, free: BoolArray, t_scale: float, floor: float
) -> tuple[_Search, Certificate]:
    """Descend, then leave any boundary that is not optimal, at most three times."""
    evaluate = _evaluator(blocks, t_scale, floor)
    search = _descend(evaluate, root, free, t_scale, blocks.n_columns)
    certificate = _certificate(search, free, t_scale)
    for _ in range(3):
        if certificate.escape < SLOPE_TOLERANCE:
            break
        root = _kicked(search.root, free, search.point, t_scale)
        search = _descend(evaluate, root, free, t_scale, blocks.n_columns)
        certificate = _certificate(search, free, t_scale)
    return search, certificate


def estimable_variances(blocks: Blocks, *, correlated: bool = True) -> BoolArray:
    """Which of (start, cross, slope, unit) the layout of the data can tell apart from the error.

    A start needs some block with more than one row; a unit's slope needs two units, and some unit
    with two blocks (otherwise it is the block's slope).
    """
    second = sum(int((g.r22 > 0).sum()) for g in blocks.groups)
    known = any((g.r11 > 0).any() for g in blocks.groups)
    repeats = second > 0 or blocks.n_rows > blocks.n_blocks
    moving = any(((g.r22 > 0) | (g.r12 != 0)).any() for g in blocks.groups)
    shared = any((np.bincount(g.segment_unit) > 1).any() for g in blocks.groups) or any(
        (g.segment_length > 1).any() for g in blocks.groups
    )
    start, slope = known and repeats, moving and (repeats or blocks.n_units < blocks.n_blocks)
    unit = blocks.has_units and blocks.n_units > 1 and moving and shared
    return np.array([start, start and slope and correlated, slope, unit])


def _notes(search: _Search, certificate: Certificate, gap: float) -> tuple[str, ...]:
    notes = []
    if not (search.settled and certificate.holds):
        notes.append(
            f"The REML search did not settle after {search.steps} steps "
            f"(a further step still promises {certificate.gain:.2g} in -2 log-likelihood)."
        )
    if gap > 1e-3:
        notes.append(f"Restarts ended {gap:.2g} apart in log-likelihood; the best one was kept.")
    return tuple(notes)


def _on_callers_scale(
    blocks: Blocks,
    search: _Search,
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
        free=free,
        converged=search.settled and certificate.holds,
        certificate=certificate,
        steps=search.steps,
        pilot_gap=gap,
        notes=_notes(search, certificate, gap),
    )


def fit_mixed(blocks: Blocks, *, correlated: bool = True, min_sd: float = 0.0) -> MixedFit:
    """REML estimates of a two-level mixed model with a random slope per unit.

    Parameters
    ----------
    blocks : data as pseudo-rows (``models.mixed_blocks``).
    correlated : whether a block's start and slope may be correlated.
    min_sd : least standard deviation of the error, in the measurement's unit.

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
    free = estimable_variances(blocks, correlated=correlated)
    floor, t_scale = least_error_variance(blocks, min_sd), typical_t(blocks)
    best, gap = _best_of_restarts(pilot(blocks), free, t_scale, floor)
    search, certificate = _certified(blocks, best.root, free, t_scale, floor)
    return _on_callers_scale(blocks, search, certificate, free, gap)
