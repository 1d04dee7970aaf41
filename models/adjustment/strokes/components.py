"""Marginal likelihoods of everything a setting episode can have been, in closed form.

A reading is start + deficit × growth + error, growth being what the ratio would have gained had
nothing been taken up. Start and the small deficit of an adjuster that keeps pace are normal and
integrated out in :class:`Base`; trouble adds a ramp (its deficit) and, where it began between two
checks, an unknown step. One column per place where trouble can have begun: column c lies between
readings c − 1 and c (column 0: between the setting and the first reading).
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from models.adjustment.strokes.closed_forms import (
    LOG_2PI,
    Coefficient,
    gamma_prior,
    normal_prior,
    uniform_prior,
)
from models.adjustment.strokes.histories import StrokeHistories
from models.adjustment.strokes.parameters import (
    DEFICIT_MEAN,
    DEFICIT_SD,
    EXCESS_SHAPE,
    INTERVAL_WEAR_CV,
    KEEPS_PACE,
    DriftParameters,
    Kind,
)

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LEAST_STEP = 1e-4
# A reading this many standard deviations below the chamber's travel may be at it.
STOP_MARGIN_SD = 2.0


class Sums(NamedTuple):
    """Precision-weighted sums over readings: 1, growth, ratio and their products; log precision.

    The ratio is taken from the group's setting mean. Shape (n, 1), or (n, c) by beginning.
    """

    one: Floats
    x: Floats
    xx: Floats
    y: Floats
    xy: Floats
    yy: Floats
    log: Floats

    def plus(self, other: "Sums") -> "Sums":
        return Sums(*(a + b for a, b in zip(self, other, strict=True)))

    def where(self, kept: Floats) -> "Sums":
        """Only the readings marked 1."""
        return Sums(*(part * kept for part in self))


class Ramp(NamedTuple):
    """Sums of a regressor z: against 1, growth, ratio and itself; its value now and next."""

    one: Floats
    x: Floats
    y: Floats
    zz: Floats
    now: Floats
    next: Floats


class Hold(NamedTuple):
    """Normal priors of what needs no trouble: start (mean from the setting mean) and creep."""

    mean: Floats
    sd: Floats
    keeping_sd: float


class Base(NamedTuple):
    """Posterior of start and keeping deficit without trouble: covariance, mean, log-likelihood."""

    s11: Floats
    s12: Floats
    s22: Floats
    start: Floats
    deficit: Floats
    log_likelihood: Floats

    def level(self, x: Floats) -> tuple[Floats, Floats]:
        """Mean and variance of the ratio at growth ``x``, from the setting mean."""
        return self.start + self.deficit * x, self.s11 + 2 * x * self.s12 + x * x * self.s22


class Line(NamedTuple):
    """The ratio now and at the next check, from the setting mean: means and variances."""

    now: Floats
    now_var: Floats
    next: Floats
    next_var: Floats


class Component(NamedTuple):
    """Log-likelihood of trouble of one kind, and what it implies, worked out where it is asked for:
    the ratio's line, and the deficit's mean and variance."""

    log_likelihood: Floats
    line: Callable[[], Line]
    deficit: Callable[[], tuple[Floats, Floats]]


class PreparedHistories(NamedTuple):
    """What every component of a batch of histories shares; (n, j), or (n, 1) where constant."""

    x: Floats
    y: Floats
    precision: Floats
    ramp_precision: Floats
    readings: Floats
    x_now: Floats
    x_next: Floats
    next_sd: Floats
    centre: Floats
    stop: Floats
    at_stop: Floats
    x_before: Floats
    wear_cv: Floats


def prepare(h: StrokeHistories, parameters: DriftParameters) -> PreparedHistories:
    """Weights and centred readings of a batch of histories."""
    centre = parameters.setting_mean[h.group, h.source][:, None]
    variance = (parameters.reading_sd_mm**2 + h.rounding_var_mm2) / h.arm_mm**2
    x_before = np.concatenate([np.zeros((len(h), 1)), h.growth[:, :-1]], axis=1)
    wear_error = (INTERVAL_WEAR_CV * (h.growth - x_before)) ** 2
    last = np.maximum(h.readings - 1, 0)[:, None]
    at_last = np.arange(h.ratio.shape[1]) == last
    reading_sd = np.sqrt(variance)
    stopped = at_last & h.used & (h.ratio > h.stop_ratio[:, None] - STOP_MARGIN_SD * reading_sd)
    x_now = h.growth[:, -1:]
    return PreparedHistories(
        x=h.growth,
        y=np.where(h.used, h.ratio - centre, 0.0),
        precision=h.used / variance,
        ramp_precision=h.used / (variance + wear_error),
        readings=h.readings[:, None].astype(float),
        x_now=x_now,
        x_next=x_now + h.next_growth[:, None],
        next_sd=h.next_growth_sd[:, None],
        centre=centre,
        stop=h.stop_ratio[:, None] - centre,
        at_stop=stopped.astype(float),
        x_before=x_before,
        wear_cv=h.wear_cv[:, None],
    )


def reading_sums(p: PreparedHistories, precision: Floats) -> Sums:
    """Sums of each reading alone, (n, j)."""
    x, y = p.x, p.y
    log = np.log(precision, where=precision > 0, out=np.zeros_like(precision))
    wx, wy = precision * x, precision * y
    return Sums(precision, wx, wx * x, wy, wx * y, wy * y, log)


def total(sums: Sums) -> Sums:
    return Sums(*(part.sum(axis=1, keepdims=True) for part in sums))


def before(sums: Sums) -> Sums:
    """Sums over the readings before each column."""
    return Sums(*(np.cumsum(part, axis=1) - part for part in sums))


def from_here(sums: Sums) -> Sums:
    """Sums over each column's reading and those after it."""
    return Sums(*(np.cumsum(part[:, ::-1], axis=1)[:, ::-1] for part in sums))


def base(sums: Sums, hold: Hold, readings: Floats) -> Base:
    """Start and keeping deficit given weighted sums."""
    start_var, keeping_var = hold.sd**2, hold.keeping_sd**2
    a11, a12, a22 = sums.one + 1 / start_var, sums.x, sums.xx + 1 / keeping_var
    det = a11 * a22 - a12 * a12
    s11, s12, s22 = a22 / det, -a12 / det, a11 / det
    pull = sums.y + hold.mean / start_var
    start, deficit = s11 * pull + s12 * sums.xy, s12 * pull + s22 * sums.xy
    misfit = sums.yy + hold.mean**2 / start_var - start * pull - deficit * sums.xy
    constant = readings * LOG_2PI + np.log(start_var * keeping_var * det)
    return Base(s11, s12, s22, start, deficit, 0.5 * (sums.log - constant - misfit))


class Projected(NamedTuple):
    """A regressor once the base is integrated out."""

    score: Floats
    info: Floats
    shift_start: Floats
    shift_deficit: Floats
    now: Floats
    next: Floats


def project(b: Base, z: Ramp, p: PreparedHistories) -> Projected:
    """Score and information of z's coefficient, and its net effect on the level now and next."""
    k1, k2 = b.s11 * z.one + b.s12 * z.x, b.s12 * z.one + b.s22 * z.x
    info = np.maximum(z.zz - k1 * z.one - k2 * z.x, 0.0)
    score = z.y - b.start * z.one - b.deficit * z.x
    return Projected(score, info, k1, k2, z.now - k1 - k2 * p.x_now, z.next - k1 - k2 * p.x_next)


def holding(b: Base, p: PreparedHistories) -> Component:
    """No trouble: the ratio holds, or creeps with the keeping deficit."""
    return Component(
        b.log_likelihood,
        lambda: Line(*b.level(p.x_now), *b.level(p.x_next)),
        lambda: (b.deficit, b.s22),
    )


def ramping(
    b: Base, z: Projected, c: Coefficient, p: PreparedHistories, sign: float = 1.0
) -> Component:
    """Trouble whose only unknown is the deficit c, on the regressor sign × z."""

    def line() -> Line:
        deficit = sign * c.mean
        now, now_var = b.level(p.x_now)
        later, later_var = b.level(p.x_next)
        wear_var = (deficit**2 + c.var) * p.next_sd**2
        return Line(
            now + deficit * z.now,
            now_var + z.now**2 * c.var,
            later + deficit * z.next,
            later_var + z.next**2 * c.var + wear_var,
        )

    return Component(b.log_likelihood + c.log_gain, line, lambda: (sign * c.mean, c.var))


def small_deficits(
    b: Base, z: Projected, p: PreparedHistories, parameters: DriftParameters
) -> dict[Kind, Component]:
    """Slack, tight and grabbing on one regressor (whose sign turns for the last two)."""
    slack = gamma_prior(z.score, z.info, KEEPS_PACE, parameters.slack_excess, EXCESS_SHAPE)
    tight = gamma_prior(-z.score, z.info, KEEPS_PACE, parameters.tight_excess, EXCESS_SHAPE)
    grabbing = normal_prior(
        z.score, z.info, DEFICIT_MEAN[Kind.GRABBING], DEFICIT_SD[Kind.GRABBING] ** 2
    )
    return {
        Kind.SLACK: ramping(b, z, slack, p),
        Kind.TIGHT: ramping(b, z, tight, p, sign=-1.0),
        Kind.GRABBING: ramping(b, z, grabbing, p),
    }


def large_deficit_var(kind: Kind, p: PreparedHistories) -> Floats:
    """Prior variance of the apparent deficit: its own and that of the wear it is judged by."""
    return DEFICIT_SD[kind] ** 2 + (DEFICIT_MEAN[kind] * p.wear_cv) ** 2


def large_deficit_from_set(b: Base, z: Projected, p: PreparedHistories, kind: Kind) -> Component:
    c = normal_prior(z.score, z.info, DEFICIT_MEAN[kind], large_deficit_var(kind, p))
    return ramping(b, z, c, p)


def large_deficit_later(
    b: Base, ramp: Projected, step: Projected, cross: Floats, p: PreparedHistories, kind: Kind
) -> Component:
    """Failing or stuck from somewhere inside each interval on.

    The ramp counts from the end of the interval; what the ratio gained inside it is a step,
    uniform up to all that the interval's wear could have given.
    """
    var = large_deficit_var(kind, p)
    c = normal_prior(ramp.score, ramp.info, DEFICIT_MEAN[kind], var)
    lean = cross * c.var
    score = step.score - cross * c.mean
    info = np.maximum(step.info - cross * lean, 0.0)
    reach = (p.x - p.x_before) * DEFICIT_MEAN[kind] * (1 + p.wear_cv + DEFICIT_SD[kind])
    a = uniform_prior(score, info, np.maximum(reach, LEAST_STEP))

    def deficit() -> tuple[Floats, Floats]:
        return c.mean - lean * a.mean, c.var + lean**2 * a.var

    def line() -> Line:
        apparent, apparent_var = deficit()
        now, now_var = b.level(p.x_now)
        later, later_var = b.level(p.x_next)
        at_now, at_next = step.now - ramp.now * lean, step.next - ramp.next * lean
        wear_var = (apparent**2 + apparent_var) * p.next_sd**2
        return Line(
            now + ramp.now * c.mean + at_now * a.mean,
            now_var + ramp.now**2 * c.var + at_now**2 * a.var,
            later + ramp.next * c.mean + at_next * a.mean,
            later_var + ramp.next**2 * c.var + at_next**2 * a.var + wear_var,
        )

    return Component(b.log_likelihood + c.log_gain + a.log_gain, line, deficit)


def whole_ramp(sums: Sums, p: PreparedHistories) -> Ramp:
    """Growth itself: trouble from the setting on."""
    return Ramp(sums.x, sums.xx, sums.xy, sums.xx, p.x_now, p.x_next)


def late_ramp(tail: Sums, origin: Floats, p: PreparedHistories) -> Ramp:
    """Growth since ``origin``, zero before each column."""
    return Ramp(
        tail.x - origin * tail.one,
        tail.xx - origin * tail.x,
        tail.xy - origin * tail.y,
        tail.xx - 2 * origin * tail.x + origin**2 * tail.one,
        p.x_now - origin,
        p.x_next - origin,
    )


def step(tail: Sums) -> Ramp:
    """One from each column on."""
    ones = np.ones_like(tail.one)
    return Ramp(tail.one, tail.x, tail.y, tail.one, ones, ones)


def cross_information(ramp: Ramp, h: Projected) -> Floats:
    """Information that a ramp and the step of the same columns share."""
    return ramp.one - h.shift_start * ramp.one - h.shift_deficit * ramp.x


def held_by_stop(c: Component, p: PreparedHistories, stopped: Bools) -> Component:
    """Add the last reading where it was left out because the chamber's travel ended the stroke.

    Its likelihood is that of reading the stop, times the chance that the stroke had got so far.
    """
    if not stopped.any():
        return c
    stop = np.where(np.isfinite(p.stop), p.stop, 0.0)
    line = c.line()
    reach = log_ndtr((line.now - stop) / np.sqrt(line.now_var + 1e-12))
    precision = (p.at_stop * p.precision).sum(axis=1, keepdims=True)
    reading = 0.5 * (np.log(np.maximum(precision, 1.0)) - LOG_2PI)
    gain = np.where(stopped, reach + reading, 0.0)
    return c._replace(log_likelihood=c.log_likelihood + gain)
