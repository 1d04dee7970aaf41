"""What each setting episode has been, as probabilities over families of explanations.

An episode either holds (start made right, or drawn wide), holds with a misread last reading, or has
one of the troubles of :class:`~models.adjustment.strokes.parameters.Kind` from the setting on or
from some point between two checks. Every combination has a closed-form marginal likelihood
(:mod:`models.adjustment.strokes.components`); this module weighs them by their prior probabilities.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from models.adjustment.strokes.components import (
    Base,
    Component,
    Hold,
    PreparedHistories,
    Ramp,
    Sums,
    base,
    before,
    cross_information,
    from_here,
    held_by_stop,
    holding,
    large_deficit_from_set,
    large_deficit_later,
    late_ramp,
    prepare,
    project,
    reading_sums,
    small_deficits,
    step,
    total,
    whole_ramp,
)
from models.adjustment.strokes.histories import StrokeHistories
from models.adjustment.strokes.parameters import (
    WEEKS_PER_YEAR,
    WIDEST_RATIO,
    DriftParameters,
    Kind,
    Start,
    start_priors,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CHUNK = 1024
WORKERS = 2
HOLDS, MISREAD = -1, -2
NEVER = 1e-300
LARGE = (Kind.FAILING, Kind.STUCK)


class Family(NamedTuple):
    """One column of :class:`Explanations`: ``kind`` is a Kind, ``HOLDS`` or ``MISREAD``."""

    kind: int
    from_set: bool
    start: Start


FAMILIES = (
    *(Family(kind, True, start) for kind in (HOLDS, MISREAD) for start in Start),
    *(Family(k, first, start) for k in Kind for first in (True, False) for start in Start),
)
COLUMN = {family: i for i, family in enumerate(FAMILIES)}


def columns_of(kind: int, *, from_set: bool | None = None) -> Ints:
    """Columns of one kind, both beginnings unless said which."""
    wanted = (True, False) if from_set is None else (from_set,)
    return np.array([i for i, f in enumerate(FAMILIES) if f.kind == kind and f.from_set in wanted])


def columns_starting(start: Start) -> Ints:
    return np.array([i for i, f in enumerate(FAMILIES) if f.start == start])


BEGUN_LATER = np.array([not family.from_set for family in FAMILIES])


@dataclass(frozen=True, slots=True)
class Explanations:
    """Families of explanations per episode; arrays are (n, families) unless said otherwise.

    Attributes
    ----------
    probability : posterior, rows sum to 1
    now, now_var : stroke ratio at the last reading
    next, next_var : stroke ratio at the next check, if nothing new happens
    deficit, deficit_var : 1 − take-up, as the wear estimate has it
    log_likelihood : (n,) of the readings
    began : (n,) likeliest reading before which later trouble began (0 is the first)
    """

    probability: Floats
    now: Floats
    now_var: Floats
    next: Floats
    next_var: Floats
    deficit: Floats
    deficit_var: Floats
    log_likelihood: Floats
    began: Ints


def explain(
    histories: StrokeHistories, parameters: DriftParameters, from_set: Floats | None = None
) -> Explanations:
    """Weigh every explanation of every episode.

    Parameters
    ----------
    histories : n episodes
    from_set : (n, kinds) prior probability of trouble from the setting on, where it is known better
        than by group (the same adjuster had it before the setting)
    """
    if from_set is None:
        from_set = parameters.from_set[histories.group]
    prior, out = from_set, _empty(len(histories))

    def fill(index: Ints) -> None:
        _fill(out, index, _explain_part(histories.rows(index), parameters, prior[index]))

    # Pieces touch rows of their own, and numpy works outside the interpreter's lock.
    with ThreadPoolExecutor(WORKERS) as pool:
        for _ in pool.map(fill, histories.pieces(CHUNK)):
            pass
    return out


def _empty(n: int) -> Explanations:
    a, b, c, d, e, f, g = (np.zeros((n, len(FAMILIES))) for _ in range(7))
    return Explanations(a, b, c, d, e, f, g, np.zeros(n), np.zeros(n, dtype=np.int64))


def _fill(out: Explanations, index: Ints, part: Explanations) -> None:
    for name in Explanations.__slots__:
        getattr(out, name)[index] = getattr(part, name)


class Priors(NamedTuple):
    """Log prior probabilities: holding and from the setting on (n, ·), later (n, kinds, c)."""

    holds: Floats
    from_set: Floats
    later: Floats


def _priors(h: StrokeHistories, parameters: DriftParameters, from_set: Floats) -> Priors:
    per_week = parameters.per_year[h.group] / WEEKS_PER_YEAR
    rate = per_week.sum(axis=1, keepdims=True)
    weeks_before = np.concatenate([np.zeros((len(h), 1)), h.weeks[:, :-1]], axis=1)
    spell = np.maximum(h.weeks - weeks_before, 0.0)
    fine = np.log(np.maximum(1 - from_set.sum(axis=1, keepdims=True), NEVER))
    begins = np.log(np.maximum(-np.expm1(-rate * spell), NEVER)) - rate * weeks_before
    share = np.log(np.maximum(per_week, NEVER) / np.maximum(rate, NEVER))
    return Priors(
        fine - rate * h.weeks[:, -1:],
        np.log(np.maximum(from_set, NEVER)),
        fine[:, :, None] + begins[:, None, :] + share[:, :, None],
    )


class Batch(NamedTuple):
    """Sums of a batch of histories that both kinds of start use."""

    p: PreparedHistories
    whole: Sums
    without_last: Sums
    ramped: Sums
    tail: Sums
    mixed: Sums
    mixed_tail: Sums
    stopped: Floats
    stopped_later: Floats


def _batch(h: StrokeHistories, parameters: DriftParameters) -> Batch:
    p = prepare(h, parameters)
    plain, ramp = reading_sums(p, p.precision), reading_sums(p, p.ramp_precision)
    last = np.arange(h.ratio.shape[1]) == np.maximum(p.readings - 1, 0)
    free = ramp.where(1 - p.at_stop)
    # A stroke held by its stop says nothing of the ramp that took it there, except to a ramp
    # that began in the very interval before it.
    mixed_tail = from_here(free).plus(ramp.where(p.at_stop))
    return Batch(
        p=p,
        whole=total(plain),
        without_last=total(plain.where(~last)),
        ramped=total(free),
        tail=from_here(plain),
        mixed=before(plain).plus(mixed_tail),
        mixed_tail=mixed_tail,
        stopped=p.at_stop.sum(axis=1, keepdims=True),
        stopped_later=np.cumsum(p.at_stop[:, ::-1], axis=1)[:, ::-1] - p.at_stop,
    )


def _explain_part(
    h: StrokeHistories, parameters: DriftParameters, from_set: Floats
) -> Explanations:
    batch, priors = _batch(h, parameters), _priors(h, parameters, from_set)
    found: dict[Family, Collapsed] = {}
    for start in Start:
        share, mean, sd = start_priors(parameters, h.group, h.source, start)
        share_log = np.log(np.maximum(share, NEVER))
        of = Hold(mean - batch.p.centre, sd, parameters.keeping_sd)
        for kind, first, part, prior in _components(batch, of, priors, parameters):
            found[Family(kind, first, start)] = _collapse(part, prior + share_log)
    return _assemble(found, batch.p)


# Kind, whether from the setting on, likelihood and moments, log prior.
Weighed = tuple[int, bool, Component, Floats]


def _components(
    batch: Batch, start: Hold, priors: Priors, parameters: DriftParameters
) -> list[Weighed]:
    known, misread = np.log1p(-parameters.misread_share), np.log(parameters.misread_share)
    p = batch.p
    whole = base(batch.whole, start, p.readings)
    blind = base(batch.without_last, start, np.maximum(p.readings - 1, 0))
    anything = -np.log(WIDEST_RATIO) * (p.readings > 0)
    parts = [
        (HOLDS, True, holding(whole, p), priors.holds + known),
        (MISREAD, True, holding(blind, p), priors.holds + misread + anything),
    ]
    for kind, part in _from_set(batch, whole, start, parameters).items():
        parts.append((kind, True, part, priors.from_set[:, kind, None] + known))
    for kind, part in _later(batch, whole, start, parameters).items():
        parts.append((kind, False, part, priors.later[:, kind] + known))
    return parts


def _from_set(
    batch: Batch, whole: Base, start: Hold, parameters: DriftParameters
) -> dict[Kind, Component]:
    p = batch.p
    parts = small_deficits(whole, project(whole, whole_ramp(batch.whole, p), p), p, parameters)
    ramped = base(batch.ramped, start, p.readings - batch.stopped)
    z = project(ramped, whole_ramp(batch.ramped, p), p)
    for kind in LARGE:
        part = large_deficit_from_set(ramped, z, p, kind)
        parts[kind] = held_by_stop(part, p, batch.stopped > 0)
    return parts


def _later(
    batch: Batch, whole: Base, start: Hold, parameters: DriftParameters
) -> dict[Kind, Component]:
    p = batch.p
    middle = (p.x_before + p.x) / 2
    gentle = project(whole, late_ramp(batch.tail, middle, p), p)
    parts = small_deficits(whole, gentle, p, parameters)
    mixed = base(batch.mixed, start, p.readings - batch.stopped_later)
    ramp: Ramp = late_ramp(batch.mixed_tail, p.x, p)
    jump = project(mixed, step(batch.mixed_tail), p)
    cross = cross_information(ramp, jump)
    steep = project(mixed, ramp, p)
    for kind in LARGE:
        part = large_deficit_later(mixed, steep, jump, cross, p, kind)
        parts[kind] = held_by_stop(part, p, batch.stopped_later > 0)
    return parts


class Collapsed(NamedTuple):
    """A family's log weight and moments, its beginnings summed over; and the likeliest of them."""

    log_weight: Floats
    now: Floats
    now_var: Floats
    next: Floats
    next_var: Floats
    deficit: Floats
    deficit_var: Floats
    likeliest: Ints
    log_likeliest: Floats


def _collapse(part: Component, log_prior: Floats) -> Collapsed:
    log_weight = part.log_likelihood + log_prior
    highest = log_weight.max(axis=1, keepdims=True)
    share = np.exp(log_weight - highest)
    mass = share.sum(axis=1, keepdims=True)
    share /= mass
    moments: list[Floats] = []
    for mean, var in (
        (part.now, part.now_var),
        (part.next, part.next_var),
        (part.deficit, part.deficit_var),
    ):
        centre = (share * mean).sum(axis=1)
        spread = (share * (var + mean * mean)).sum(axis=1) - centre * centre
        moments += [centre, np.maximum(spread, 1e-14)]
    likeliest = log_weight.argmax(axis=1)
    now, now_var, after, after_var, deficit, deficit_var = moments
    return Collapsed(
        (highest + np.log(mass))[:, 0],
        now,
        now_var,
        after,
        after_var,
        deficit,
        deficit_var,
        likeliest,
        highest[:, 0],
    )


def _assemble(found: dict[Family, Collapsed], p: PreparedHistories) -> Explanations:
    columns = [found[family] for family in FAMILIES]
    log_weight, *moments = (
        np.stack([getattr(column, name) for column in columns], axis=1)
        for name in Collapsed._fields[:7]
    )
    evidence = logsumexp(log_weight, axis=1)
    likeliest = np.stack([column.likeliest for column in columns], axis=1)
    at = np.stack([column.log_likeliest for column in columns], axis=1)
    later = np.where(BEGUN_LATER, at, -np.inf).argmax(axis=1)
    now, now_var, ahead, ahead_var, deficit, deficit_var = moments
    stop = p.stop + p.centre
    return Explanations(
        np.exp(log_weight - evidence[:, None]),
        np.minimum(now + p.centre, stop),
        now_var,
        np.minimum(ahead + p.centre, stop),
        ahead_var,
        deficit,
        deficit_var,
        evidence,
        np.take_along_axis(likeliest, later[:, None], axis=1)[:, 0],
    )
