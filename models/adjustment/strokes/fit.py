"""The fleet's own parameters of the drift model, by expectation-maximisation under stated priors.

Each update is a posterior mode: the fleet's records weigh against the priors of
:mod:`models.adjustment.strokes.parameters` as so many imagined settings, years or readings (the
constants below), and each axle type × duty against the fleet. A small fleet therefore starts from
the priors and leaves them as its records grow.

Dempster, Laird & Rubin (1977) J. R. Statist. Soc. B 39:1.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.adjustment.strokes.components import Hold, base, prepare, reading_sums, total
from models.adjustment.strokes.explanations import (
    CHUNK,
    COLUMN,
    HOLDS,
    Explanations,
    Family,
    columns_of,
    columns_starting,
    explain,
)
from models.adjustment.strokes.histories import StrokeHistories
from models.adjustment.strokes.parameters import (
    KEEPS_PACE,
    PRIOR_EXCESS,
    PRIOR_FROM_SET,
    PRIOR_KEEPING_SD,
    PRIOR_MISREAD_SHARE,
    PRIOR_PER_YEAR,
    PRIOR_READING_SD_MM,
    PRIOR_SETTING_SD,
    PRIOR_WRONG_MEAN,
    PRIOR_WRONG_SD,
    PRIOR_WRONG_SHARE,
    SOURCES,
    WEEKS_PER_YEAR,
    Band,
    DriftParameters,
    Kind,
    Start,
    all_start_priors,
    prior_parameters,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# What the priors are worth, in settings, wheel-end years and readings.
PRIOR_SETTINGS = 60.0
PRIOR_YEARS = 150.0
PRIOR_READINGS = 100.0
PRIOR_TROUBLES = 10.0
PRIOR_MISREADS = 3.0
PRIOR_KEEPERS = 200.0
GROUP_MEAN_SD = 0.002
READING_SD_RANGE_MM = (0.2, 6.0)
KEEPING_SD_RANGE = (0.001, 0.006)
SETTING_SD_RANGE = (0.001, 0.02)
WRONG_MEAN_RANGE = (0.025, 0.10)
WRONG_SD_RANGE = (0.008, 0.05)
EXCESS_RANGE = (0.01, 0.15)
# No record is long enough to rule a trouble out: its rate stays above this share of its prior.
LEAST_OF_PRIOR = 0.1

MOST_ITERATIONS = 60
SETTLED = 1e-4
ENOUGH_EPISODES = 10_000


@dataclass(frozen=True, slots=True)
class DriftFit:
    """Fitted parameters and how they came about.

    ``log_likelihood`` is per episode, at each iteration; ``episodes`` and ``readings`` were used.
    """

    parameters: DriftParameters
    band: Band
    episodes: int
    readings: int
    log_likelihood: Floats
    converged: bool


def fit_drift(
    histories: StrokeHistories,
    groups: int,
    band: Band | None = None,
    *,
    misread: tuple[int, int] = (0, 0),
    seed: int = 0,
) -> DriftFit:
    """Estimate the model's parameters from setting episodes.

    Parameters
    ----------
    histories : every episode on record, not only the present ones
    groups : number of axle type × duty groups that ``histories.group`` codes
    misread : readings found to be plain mistakes, and all readings looked at. Last readings cannot
        tell: an episode ends when its last reading calls for work
    seed : picks the episodes used when there are more than ``ENOUGH_EPISODES``
    """
    band = band or Band()
    sample = _sample(histories, seed)
    parameters = replace(prior_parameters(groups, band), misread_share=_misread_share(*misread))
    trace: list[float] = []
    converged = len(sample) == 0
    while not converged and len(trace) < MOST_ITERATIONS:
        explained = explain(sample, parameters, lines=(), deficits=(HOLDS, Kind.SLACK, Kind.TIGHT))
        trace.append(float(explained.log_likelihood.mean()))
        parameters = _updated(sample, explained, parameters, band)
        converged = len(trace) > 1 and abs(trace[-1] - trace[-2]) < SETTLED
    return DriftFit(
        parameters, band, len(sample), int(sample.readings.sum()), np.array(trace), converged
    )


def _sample(histories: StrokeHistories, seed: int) -> StrokeHistories:
    read = np.flatnonzero(histories.readings > 0)
    if len(read) > ENOUGH_EPISODES:
        read = np.random.default_rng(seed).choice(read, ENOUGH_EPISODES, replace=False)
    return histories.rows(np.sort(read))


def _updated(
    h: StrokeHistories, e: Explanations, old: DriftParameters, band: Band
) -> DriftParameters:
    starts = _held_starts(h, e, old)
    setting_mean, setting_sd = _settings(h, starts, old, band)
    wrong_mean, wrong_sd = _wrong_starts(h, starts, old)
    return replace(
        old,
        reading_sd_mm=_reading_sd(starts),
        keeping_sd=_keeping_sd(e),
        setting_mean=setting_mean,
        setting_sd=setting_sd,
        wrong_share=_wrong_share(h, e, old),
        wrong_mean=wrong_mean,
        wrong_sd=wrong_sd,
        from_set=_from_set(h, e, old),
        per_year=_per_year(h, e, old),
        slack_excess=_excess(e, Kind.SLACK),
        tight_excess=_excess(e, Kind.TIGHT),
    )


@dataclass(frozen=True, slots=True)
class HeldStarts:
    """Starts of episodes that hold, by kind of start in columns: weight, mean and variance.

    ``squares`` is the expected sum of squared reading errors of those episodes, mm², less what
    rounding adds; ``count`` their expected number of readings.
    """

    weight: Floats
    start: Floats
    var: Floats
    squares: float
    count: float


def _held_starts(h: StrokeHistories, e: Explanations, parameters: DriftParameters) -> HeldStarts:
    weight = e.probability[:, [COLUMN[Family(HOLDS, True, start)] for start in Start]]
    mean, var = np.zeros_like(weight), np.ones_like(weight)
    squares = count = 0.0
    for index, part in h.chunks(CHUNK):
        found = _held(part, parameters)
        mean[index], var[index] = found[0].T, found[1].T
        squares += float((weight[index].T * found[2]).sum())
        count += float(weight[index].sum(axis=1) @ part.readings)
    return HeldStarts(weight, mean, var, squares, count)


def _held(h: StrokeHistories, parameters: DriftParameters) -> tuple[Floats, Floats, Floats]:
    """Start ratio, its variance, and the squared reading errors in mm²; (starts, n)."""
    p = prepare(h, parameters)
    _, mean, sd = all_start_priors(parameters, h.group, h.source)
    hold = Hold(mean - p.centre, sd, parameters.keeping_sd)
    b = base(total(reading_sums(p, p.precision)), hold, p.readings)
    level, var = b.level(p.x)
    error = ((p.y - level) ** 2 + var) * h.arm_mm**2 - h.rounding_var_mm2
    return (b.start + p.centre)[..., 0], b.s11[..., 0], (error * h.used).sum(axis=-1)


def _reading_sd(starts: HeldStarts) -> float:
    squares = starts.squares + PRIOR_READINGS * PRIOR_READING_SD_MM**2
    sd = np.sqrt(max(squares, 0.0) / (starts.count + PRIOR_READINGS))
    return float(np.clip(sd, *READING_SD_RANGE_MM))


def _keeping_sd(e: Explanations) -> float:
    columns = [COLUMN[Family(HOLDS, True, start)] for start in Start]
    weight = e.probability[:, columns]
    squares = (weight * (e.deficit[:, columns] ** 2 + e.deficit_var[:, columns])).sum()
    squares += PRIOR_KEEPERS * PRIOR_KEEPING_SD**2
    sd = np.sqrt(squares / (weight.sum() + PRIOR_KEEPERS))
    return float(np.clip(sd, *KEEPING_SD_RANGE))


def _settings(
    h: StrokeHistories, starts: HeldStarts, old: DriftParameters, band: Band
) -> tuple[Floats, Floats]:
    """Means by group and source, shrunk to the source's; SDs by source."""
    weight, value, var = (
        part[:, Start.RIGHT] for part in (starts.weight, starts.start, starts.var)
    )
    groups = len(old.setting_mean)
    n, added = _by_source(h.source, weight), _by_source(h.source, weight * value)
    mean = (added + PRIOR_SETTINGS * band.target) / (n + PRIOR_SETTINGS)
    pull = PRIOR_SETTING_SD**2 / GROUP_MEAN_SD**2
    in_cell = _by_cell(h, weight * value, groups) + pull * mean
    shrunk = in_cell / (_by_cell(h, weight, groups) + pull)
    squares = _by_source(h.source, weight * ((value - shrunk[h.group, h.source]) ** 2 + var))
    sd = np.sqrt((squares + PRIOR_SETTINGS * PRIOR_SETTING_SD**2) / (n + PRIOR_SETTINGS))
    return shrunk, np.clip(sd, *SETTING_SD_RANGE)


def _wrong_starts(
    h: StrokeHistories, starts: HeldStarts, old: DriftParameters
) -> tuple[Floats, Floats]:
    """How far too tight and too loose settings lie from the mean, and how they scatter."""
    weight, var = starts.weight[:, 1:], starts.var[:, 1:]
    off = starts.start[:, 1:] - old.setting_mean[h.group, h.source][:, None]
    n = weight.sum(axis=0) + PRIOR_TROUBLES
    mean = ((weight * off).sum(axis=0) + PRIOR_TROUBLES * PRIOR_WRONG_MEAN) / n
    mean = np.sign(PRIOR_WRONG_MEAN) * np.clip(np.abs(mean), *WRONG_MEAN_RANGE)
    squares = (weight * ((off - mean) ** 2 + var)).sum(axis=0)
    sd = np.sqrt((squares + PRIOR_TROUBLES * PRIOR_WRONG_SD**2) / n)
    return mean, np.clip(sd, *WRONG_SD_RANGE)


def _by_source(source: Ints, weight: Floats) -> Floats:
    return np.bincount(source, weight, minlength=len(SOURCES)).astype(float)


def _by_cell(h: StrokeHistories, weight: Floats, groups: int) -> Floats:
    code = h.group * len(SOURCES) + h.source
    cells = groups, len(SOURCES)
    return np.bincount(code, weight, minlength=cells[0] * cells[1]).reshape(cells).astype(float)


def _wrong_share(h: StrokeHistories, e: Explanations, old: DriftParameters) -> Floats:
    groups = len(old.wrong_share)
    count = _by_cell(h, np.ones(len(h)), groups)[:, :, None]
    sides = [e.probability[:, columns_starting(side)].sum(axis=1) for side in list(Start)[1:]]
    n = np.stack([_by_cell(h, side, groups) for side in sides], axis=2)
    fleet = (n.sum(axis=0) + PRIOR_SETTINGS * PRIOR_WRONG_SHARE) / (
        count.sum(axis=0) + PRIOR_SETTINGS
    )
    shares: Floats = (n + PRIOR_SETTINGS * fleet) / (count + PRIOR_SETTINGS)
    return shares


def _kinds(e: Explanations, first: bool) -> Floats:
    """(n, kinds) posterior of each trouble, from the setting on or begun later."""
    columns = [columns_of(kind, from_set=first) for kind in Kind]
    return np.stack([e.probability[:, column].sum(axis=1) for column in columns], axis=1)


def _rates(
    group: Ints, groups: int, events: Floats, exposure: Floats, prior: Floats, worth: float
) -> Floats:
    """Events per exposure by group, shrunk to the fleet's, and that to the prior."""
    by_group = np.stack([np.bincount(group, k, minlength=groups) for k in events.T], axis=1)
    exposed = np.bincount(group, exposure, minlength=groups)[:, None]
    fleet = (by_group.sum(axis=0) + worth * prior) / (exposed.sum() + worth)
    rates = (by_group + worth * fleet) / (exposed + worth)
    return np.maximum(_tied(rates, prior), LEAST_OF_PRIOR * prior)


def _tied(rates: Floats, prior: Floats) -> Floats:
    """Failing and stuck together are the fleet's own, their proportion the prior's.

    A stroke at its stop, or wear hardly known, cannot tell the two apart, and the likelihood would
    drift to whichever fits by a hair.
    """
    both = [Kind.FAILING, Kind.STUCK]
    tied: Floats = rates.copy()
    tied[:, both] = rates[:, both].sum(axis=1, keepdims=True) * prior[both] / prior[both].sum()
    return tied


def _from_set(h: StrokeHistories, e: Explanations, old: DriftParameters) -> Floats:
    settings = np.ones(len(h))
    begun = _kinds(e, first=True)
    return _rates(h.group, len(old.from_set), begun, settings, PRIOR_FROM_SET, PRIOR_SETTINGS)


def _per_year(h: StrokeHistories, e: Explanations, old: DriftParameters) -> Floats:
    """Exposure stops, roughly, once trouble has begun."""
    fine = 1 - 0.5 * _kinds(e, first=False).sum(axis=1) - _kinds(e, first=True).sum(axis=1)
    years = np.maximum(h.weeks[:, -1], 0.0) / WEEKS_PER_YEAR * np.clip(fine, 0.0, 1.0)
    begun = _kinds(e, first=False)
    return _rates(h.group, len(old.per_year), begun, years, PRIOR_PER_YEAR, PRIOR_YEARS)


def _excess(e: Explanations, kind: Kind) -> float:
    columns = columns_of(kind)
    weight = e.probability[:, columns]
    beyond = weight * (np.abs(e.deficit[:, columns]) - KEEPS_PACE)
    mean = (beyond.sum() + PRIOR_TROUBLES * PRIOR_EXCESS) / (weight.sum() + PRIOR_TROUBLES)
    return float(np.clip(mean, *EXCESS_RANGE))


def _misread_share(found: int, readings: int) -> float:
    worth = PRIOR_MISREADS / PRIOR_MISREAD_SHARE
    return (found + PRIOR_MISREADS) / (readings + worth)
