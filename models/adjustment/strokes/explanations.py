"""What each setting episode has been, as probabilities over families of explanations.

An episode either holds (start made right, or drawn wide), holds with a misread last reading, or has
one of the troubles of :class:`~models.adjustment.strokes.parameters.Kind` from the setting on or
from some point between two checks. Every combination has a closed-form marginal likelihood
(:mod:`models.adjustment.strokes.components`); this module weighs them by their prior probabilities.
"""

from collections.abc import Collection
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

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
    all_start_priors,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CHUNK = 512
WORKERS = 2
HOLDS, MISREAD = -1, -2
NEVER = 1e-300
LARGE = (Kind.FAILING, Kind.STUCK)
ALL = slice(None)


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


BEGUN_LATER = np.flatnonzero([not family.from_set for family in FAMILIES])
EVERY = (HOLDS, MISREAD, *Kind)


@dataclass(frozen=True, slots=True)
class Explanations:
    """Families of explanations per episode; arrays are (n, families) unless said otherwise.

    Moments of kinds that were not asked for are NaN.

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
    histories: StrokeHistories,
    parameters: DriftParameters,
    from_set: Floats | None = None,
    *,
    lines: Collection[int] = EVERY,
    deficits: Collection[int] = EVERY,
) -> Explanations:
    """Weigh every explanation of every episode.

    Parameters
    ----------
    histories : n episodes
    from_set : (n, kinds) prior probability of trouble from the setting on, where it is known better
        than by group (the same adjuster had it before the setting)
    lines, deficits : kinds whose ratios, now and next, and whose deficits are wanted; moments take
        as long as the probabilities
    """
    if from_set is None:
        from_set = parameters.from_set[histories.group]
    prior, out, wanted = from_set, _empty(len(histories)), Wanted(lines, deficits)

    def fill(index: Ints) -> None:
        _explain_part(histories.rows(index), parameters, prior[index], wanted, Rows(out, index))

    # Pieces touch rows of their own, and numpy works outside the interpreter's lock.
    with ThreadPoolExecutor(WORKERS) as pool:
        for _ in pool.map(fill, histories.pieces(CHUNK)):
            pass
    return out


def _empty(n: int) -> Explanations:
    # A family after the other, as they are filled and summed.
    a, b, c, d, e, f, g = (np.full((n, len(FAMILIES)), np.nan, order="F") for _ in range(7))
    return Explanations(a, b, c, d, e, f, g, np.zeros(n), np.zeros(n, dtype=np.int64))


class Wanted(NamedTuple):
    """Kinds whose lines and deficits are worked out."""

    lines: Collection[int]
    deficits: Collection[int]


class Rows(NamedTuple):
    """Where a piece's episodes stand among all."""

    out: Explanations
    numbers: Ints

    def put(self, name: str, values: Floats | Ints, columns: slice = ALL) -> None:
        found = getattr(self.out, name)
        found[(self.numbers, columns)[: found.ndim]] = values


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
    h: StrokeHistories, parameters: DriftParameters, from_set: Floats, wanted: Wanted, rows: Rows
) -> None:
    """Fill in some rows; all that depends on the start has an axis (starts, n, beginnings) more."""
    batch, priors = _batch(h, parameters), _priors(h, parameters, from_set)
    of_start, mean, sd = all_start_priors(parameters, h.group, h.source)
    log_start = np.log(np.maximum(of_start, NEVER))
    hold = Hold(mean - batch.p.centre, sd, parameters.keeping_sd)
    log_weight, likeliest, at = (np.empty((len(FAMILIES), len(h))) for _ in range(3))
    for kind, first, part, prior in _components(batch, hold, priors, parameters):
        column = COLUMN[Family(kind, first, Start.RIGHT)]
        columns = slice(column, column + len(Start))
        begun = _beginnings(part.log_likelihood + prior + log_start)
        log_weight[columns] = begun.log_weight
        likeliest[columns], at[columns] = begun.likeliest, begun.log_likeliest
        if kind in wanted.lines:
            _put_line(rows, columns, part, begun.share, batch.p)
        if kind in wanted.deficits:
            moments = _mixed(begun.share, *part.deficit())
            for name, values in zip(("deficit", "deficit_var"), moments, strict=True):
                rows.put(name, values.T, columns)
    highest = log_weight.max(axis=0)
    weight = np.exp(log_weight - highest)
    total = weight.sum(axis=0)
    rows.put("probability", (weight / total).T)
    rows.put("log_likelihood", highest + np.log(total))
    later = BEGUN_LATER[at[BEGUN_LATER].argmax(axis=0)]
    rows.put("began", likeliest[later, np.arange(len(h))])


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


class Beginnings(NamedTuple):
    """Where trouble of one kind may have begun, by start: log weight of all places, (starts, n),
    the share of each, (starts, n, c), and the likeliest of them with its log weight."""

    log_weight: Floats
    share: Floats
    likeliest: Ints
    log_likeliest: Floats


def _beginnings(log_weight: Floats) -> Beginnings:
    likeliest = log_weight.argmax(axis=-1)
    highest = log_weight.max(axis=-1)
    share = np.exp(log_weight - highest[..., None])
    mass = share.sum(axis=-1)
    share /= mass[..., None]
    return Beginnings(highest + np.log(mass), share, likeliest, highest)


def _put_line(
    rows: Rows, columns: slice, part: Component, share: Floats, p: PreparedHistories
) -> None:
    """A kind's ratios, never beyond the chamber's travel."""
    line, stop = part.line(), (p.stop + p.centre)[:, 0]
    for name in ("now", "next"):
        moments = getattr(line, name), getattr(line, f"{name}_var")
        mean, var = _mixed(share, *moments)
        rows.put(name, np.minimum(mean + p.centre[:, 0], stop).T, columns)
        rows.put(f"{name}_var", var.T, columns)


def _mixed(share: Floats, mean: Floats, var: Floats) -> tuple[Floats, Floats]:
    """Mean and variance over the beginnings, (starts, n)."""
    centre = (share * mean).sum(axis=-1)
    spread = (share * (var + mean * mean)).sum(axis=-1) - centre * centre
    return centre, np.maximum(spread, 1e-14)
