"""Lines of all linings drawn together, so that totals have the right spread.

What linings share is drawn once: the fixed effects for the fleet, the slope of a unit for its wheel
ends. Only the rest is a life's own.
"""

from dataclasses import dataclass

import numpy as np

from models.common.arrays import FloatArray
from models.wear.predict import LiningLines


@dataclass(frozen=True, slots=True)
class DrawnLines:
    """Draws of every life's line: ``level_mm`` and ``slope_mm`` (draws, N) as in ``LiningLines``,
    and the fixed effects (draws, P) they go with."""

    level_mm: FloatArray
    slope_mm: FloatArray
    beta: FloatArray


def _root(covariance: FloatArray) -> FloatArray:
    """A square root of a covariance matrix that may be singular."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def _ratio(top: FloatArray, bottom: FloatArray) -> FloatArray:
    out = np.zeros_like(top)
    np.divide(top, bottom, out=out, where=bottom > 0.0)
    return out


def _own_noise(
    lines: LiningLines, normal: FloatArray, on_level: FloatArray, on_slope: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Level and slope left to a life once its unit's slope is drawn; ``normal`` (2, draws, N)."""
    level = np.maximum(lines.var_level - on_level * lines.cov_level_unit, 0.0)
    cross = lines.cov_level_slope - on_level * lines.cov_slope_unit
    slope = lines.var_slope - on_slope * lines.cov_slope_unit
    root = np.sqrt(level)
    load = _ratio(cross, root)
    rest = np.sqrt(np.maximum(slope - load**2, 0.0))
    return normal[0] * root, normal[0] * load + normal[1] * rest


def draw_lines(lines: LiningLines, n_draws: int, rng: np.random.Generator) -> DrawnLines:
    """Draw ``n_draws`` fleets of lines; memory grows with draws x lives."""
    p, n = len(lines.beta), lines.n_lives
    shift = rng.standard_normal((n_draws, p)) @ _root(lines.covariance).T
    n_units = int(lines.unit.max(initial=-1)) + 1
    sd_unit = np.sqrt(lines.var_unit)
    unit = rng.standard_normal((n_draws, n_units))[:, lines.unit] * sd_unit
    on_level = _ratio(lines.cov_level_unit, lines.var_unit)
    on_slope = _ratio(lines.cov_slope_unit, lines.var_unit)
    own_level, own_slope = _own_noise(
        lines, rng.standard_normal((2, n_draws, n)), on_level, on_slope
    )
    return DrawnLines(
        level_mm=lines.level_mm + shift @ lines.level_gradient.T + unit * on_level + own_level,
        slope_mm=lines.slope_mm + shift @ lines.slope_gradient.T + unit * on_slope + own_slope,
        beta=lines.beta + shift,
    )
