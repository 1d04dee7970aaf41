r"""Lining wear of a fleet: rates per axle type and duty by REML, from per-life sums.

The model is that of ``models.mixed.reml`` with t = km since the life's origin in 10,000 km:

.. math:: \text{lining} = \text{start}_a - \sum_d \text{rate}_{ad}\,\text{km}_d
          + b_0 + b_1 t + c_u t + \varepsilon

start and rates fixed, :math:`(b_0, b_1)` per lining life, :math:`c` per unit. A life whose reline
is not on record has a start of its own. A unit that changed duty has its km split by duty. How the
random slopes grow with the rate is chosen by likelihood (``models.wear.spread``).

Wheel ends of one unit share its slope, so units are what counts. Where there are units enough the
covariance of rates and starts is that of leaving each unit out in turn
(``models.mixed.jackknife``): it holds also where units differ in ways the model has not, as one
that is hard on its linings in one duty alone. With fewer units it is the likelihood's own. Degrees
of freedom are the least of Satterthwaite's (from the variance components) and the jackknife's (from
the units behind a rate); and the number of units less the number of rates where the spread between
units happens to be estimated as zero, which must not make an interval narrow
(``tests/bench/bench_wear.py`` prints how they cover).
"""

from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.distributions import t_quantile
from models.mixed.blocks import Blocks
from models.mixed.estimable import Estimable, estimable_columns
from models.mixed.fit import MixedFit, TooFewRowsError, fit_mixed
from models.mixed.jackknife import UnitJackknife, contrast_df, unit_jackknife
from models.mixed.reml import normal_equations
from models.mixed.satterthwaite import MOST_DF, variance_covariance
from models.mixed.unit_scores import robust_variance_covariance
from models.wear.blocks import (
    AS_GAUGE,
    PointerWeight,
    Spread,
    WearColumns,
    chosen_columns,
    even_spread,
    wear_blocks,
    wear_columns,
)
from models.wear.notes import fit_notes, nothing_told
from models.wear.result import NO_COMPONENTS, Support, WearComponents, WearFit, WearRate, WearStart
from models.wear.shrinkage import (
    NotSeparableError,
    RawRates,
    ShrunkRates,
    mixture_limits,
    shrink_rates,
)
from models.wear.spread import (
    SpreadFit,
    SpreadLaw,
    compared_laws,
    rate_table,
    sampled_units,
    settled_fit,
    spread_of,
    typical_rate,
    typical_rate_error,
)
from models.wear.sums import LiningLifeSums, as_gauge, without_pointer

LEAST_LEFT_OUT = 20
"""With fewer units, leaving each out in turn says less of an error than the model does."""
NO_SPREAD = 0.01
"""Units that part by less than this share of a reading's error over a lining's km do not part."""
LEAST_READING_SD_MM = 0.1 / float(np.sqrt(12.0))
"""A gauge marked in tenths of a millimetre cannot do better than this (its rounding alone)."""


class Detail(IntEnum):
    """How much of a fit is worked out: the variances and rates alone; their covariance, rates
    leaning on one another, too, so that lines can be drawn; or all that readers are told."""

    VARIANCES = 0
    LINES = 1
    TOLD = 2


class NothingToldError(ValueError):
    """No lining says anything of a rate."""

    def __init__(self, sums: LiningLifeSums) -> None:
        super().__init__(nothing_told(sums))


@dataclass(frozen=True, slots=True)
class _Work:
    """What one fit goes through: sums, columns, blocks and the REML fit of the kept columns."""

    sums: LiningLifeSums
    columns: WearColumns
    estimable: Estimable
    support: Support
    weight: PointerWeight
    kept_blocks: Blocks
    mixed: MixedFit
    spread: Spread
    laws: tuple[SpreadLaw, ...]
    jackknife: UnitJackknife | None


def rate_support(sums: LiningLifeSums, columns: WearColumns) -> Support:
    """Units, lives and readings behind each rate (zero for other columns).

    A life counts under every duty it ran in, if it says anything of a rate.
    """
    counts = np.zeros((3, len(columns)), np.int64)
    informative, unit = sums.informative, sums.real_unit
    for position in columns.where("rate"):
        axle, duty = columns.axle[position], columns.duty[position]
        lives = informative & sums.ran[duty] & (sums.axle == axle)
        units = len(np.unique(unit[lives]))
        counts[:, position] = units, lives.sum(), sums.readings[lives].sum()
    return Support(units=counts[0], lives=counts[1], readings=counts[2])


def _usable_sums(
    sums: LiningLifeSums, pointer_weight: PointerWeight | None
) -> tuple[LiningLifeSums, bool]:
    """The sums to fit, and whether two instruments remain.

    Without a calibration pointers count only where nothing else was ever read.
    """
    if not sums.gauge.readings.any():
        return as_gauge(sums), False
    if pointer_weight is None:
        return without_pointer(sums, np.ones(sums.n_lives, bool)), False
    return sums, bool(sums.pointer.readings.any())


def _priority(columns: WearColumns, support: Support) -> FloatArray:
    """Starts first, then rates by units; pointer biases last."""
    rank = {"start": np.inf, "rate": 0.0, "pointer": -1.0}
    return np.array([rank[kind] for kind in columns.kind]) + support.units


def _worked(
    sums: LiningLifeSums,
    pointer_weight: PointerWeight | None,
    given: tuple[SpreadLaw, ...] | None,
    start: WearFit | None,
    detail: Detail,
) -> _Work:
    usable, both = _usable_sums(sums, pointer_weight)
    if not usable.informative.any():
        raise NothingToldError(usable)
    weight = pointer_weight if both and pointer_weight is not None else AS_GAUGE
    columns = wear_columns(usable, pointer_bias=both)
    support = rate_support(usable, columns)
    # Which columns the readings tell apart does not hang on how the slopes are weighted.
    spread = _first_spread(usable, given, start)
    blocks = wear_blocks(usable, columns, pointer_weight=weight, spread=spread)
    estimable = estimable_columns(blocks, _priority(columns, support))
    kept = chosen_columns(columns, estimable.kept)
    if not estimable.kept.all():
        blocks = wear_blocks(usable, kept, pointer_weight=weight, spread=spread)
    root = start.root if start is not None else None
    laws, found = _under_law(usable, kept, weight, given, root, spread, blocks)
    left_out, mixed = None, found.fit
    if _n_units(usable) >= LEAST_LEFT_OUT and (
        detail > Detail.VARIANCES or not _fixed(estimable).all()
    ):
        left_out = unit_jackknife(found.blocks, mixed)
        mixed = replace(mixed, covariance=left_out.covariance)
    return _Work(
        usable,
        columns,
        estimable,
        support,
        weight,
        found.blocks,
        mixed,
        found.spread,
        laws,
        left_out,
    )


def _first_spread(
    sums: LiningLifeSums, given: tuple[SpreadLaw, ...] | None, start: WearFit | None
) -> Spread:
    """The weights to begin with: those of a like fit's rates under the law given, else none."""
    groups = sums.axle_types, sums.duties
    if not given or start is None or (start.axle_types, start.duties) != groups:
        return even_spread(len(sums.axle_types), len(sums.duties))
    rates = rate_table(sums, start.columns, start.beta)
    return spread_of(given[0], rates, typical_rate(sampled_units(sums), rates))


def _under_law(
    sums: LiningLifeSums,
    kept: WearColumns,
    weight: PointerWeight,
    given: tuple[SpreadLaw, ...] | None,
    root: FloatArray | None,
    spread: Spread,
    blocks: Blocks,
) -> tuple[tuple[SpreadLaw, ...], SpreadFit]:
    """The laws compared and the fit under the best, or under that given; ``blocks`` are those of
    ``sums`` under ``spread``. A large fleet's law and weights come from some of its units."""
    some = sampled_units(sums)
    if some is not sums:
        try:
            part = wear_blocks(some, kept, pointer_weight=weight, spread=spread)
            laws, found = _settled(some, kept, weight, given, root, spread, part)
        except (np.linalg.LinAlgError, TooFewRowsError):
            pass  # they leave a rate without readings
        else:
            if found.spread is not spread:
                blocks = wear_blocks(sums, kept, pointer_weight=weight, spread=found.spread)
            fit = fit_mixed(blocks, min_sd=LEAST_READING_SD_MM, start=found.fit.root)
            return laws, SpreadFit(fit, found.spread, blocks)
    return _settled(sums, kept, weight, given, root, spread, blocks)


def _settled(
    sums: LiningLifeSums,
    kept: WearColumns,
    weight: PointerWeight,
    given: tuple[SpreadLaw, ...] | None,
    root: FloatArray | None,
    spread: Spread,
    blocks: Blocks,
) -> tuple[tuple[SpreadLaw, ...], SpreadFit]:
    floor = LEAST_READING_SD_MM
    first = SpreadFit(fit_mixed(blocks, min_sd=floor, start=root), spread, blocks)
    laws = given or compared_laws(sums, kept, weight, first.fit, floor)
    return laws, settled_fit(sums, kept, weight, laws[0], first, floor)


def _n_units(sums: LiningLifeSums) -> int:
    """Units that say something of a rate."""
    return len(np.unique(sums.unit[sums.informative]))


def _fixed(estimable: Estimable) -> BoolArray:
    """Columns that the readings fix by themselves."""
    return estimable.kept & ~estimable.aliased


def _raw_rates(work: _Work) -> RawRates:
    """Estimates over all columns, with the information behind those that are not estimable."""
    size, kept = len(work.columns), np.flatnonzero(work.estimable.kept)
    beta, covariance = np.zeros(size), np.zeros((size, size))
    beta[kept] = work.mixed.beta
    covariance[np.ix_(kept, kept)] = work.mixed.covariance
    fixed = _fixed(work.estimable)
    information, score = _information(work, fixed)
    return RawRates(beta, covariance, information, score, fixed, work.support.units)


def _information(work: _Work, fixed: BoolArray) -> tuple[FloatArray, FloatArray]:
    """X'V^-1X and X'V^-1y over all columns.

    From the fit's own covariance, units left out in turn, where every column with readings is
    estimable; else from the likelihood, which also knows of their mixtures.
    """
    size, kept = len(work.columns), np.flatnonzero(work.estimable.kept)
    if (fixed | (work.support.lives == 0)).all() and fixed[kept].all():
        information, score = np.zeros((size, size)), np.zeros(size)
        inverse = np.linalg.pinv(work.mixed.covariance, rcond=1e-14, hermitian=True)
        information[np.ix_(kept, kept)] = inverse
        score[kept] = inverse @ work.mixed.beta
        return information, score
    blocks = wear_blocks(work.sums, work.columns, pointer_weight=work.weight, spread=work.spread)
    gram = normal_equations(blocks, work.mixed.point.variances) / work.mixed.sigma2
    return gram[:-1, :-1], gram[:-1, -1] + gram[:-1, :-1] @ blocks.offset


def _most_df(work: _Work) -> float:
    """Units less rates, where units have a spread of their own that is estimated as none: its
    doubt is then in no other degrees of freedom."""
    if not work.mixed.free[3] or abs(work.mixed.root[3]) > NO_SPREAD:
        return MOST_DF
    return max(1.0, float(_n_units(work.sums) - len(work.columns.where("rate"))))


def _degrees_of_freedom(work: _Work) -> FloatArray:
    """Per column; columns without data of their own take the least of the others."""
    kept = np.flatnonzero(work.estimable.kept)
    df = contrast_df(work.mixed, work.jackknife, np.eye(len(kept)), _most_df(work))
    out = np.full(len(work.columns), df.min(initial=MOST_DF))
    out[kept] = df
    return out


def _limits(
    raw: RawRates, shrunk: ShrunkRates | None, df: FloatArray, level: float
) -> tuple[FloatArray, FloatArray]:
    """Of every column, low ends and high ones (P,)."""
    half = t_quantile(0.5 + level / 2, df) * np.sqrt(np.diag(raw.covariance))
    low, high = raw.beta - half, raw.beta + half
    if shrunk is not None:
        leaning = shrunk.columns
        low[leaning], high[leaning] = mixture_limits(shrunk, df[leaning], level)
    return low, high


def _rates(
    work: _Work, raw: RawRates, shrunk: ShrunkRates | None, df: FloatArray, level: float
) -> tuple[WearRate, ...]:
    low, high = _limits(raw, shrunk, df, level)
    return tuple(
        _rate(work, raw, shrunk, int(c), float(df[c]), (float(low[c]), float(high[c])))
        for c in work.columns.where("rate")
    )


def _rate(
    work: _Work,
    raw: RawRates,
    shrunk: ShrunkRates | None,
    column: int,
    df: float,
    limits: tuple[float, float],
) -> WearRate:
    used = raw if shrunk is None else shrunk
    own = bool(raw.fixed[column])
    support = work.support
    return WearRate(
        axle_type=work.sums.axle_types[work.columns.axle[column]],
        duty=work.sums.duties[work.columns.duty[column]],
        units=int(support.units[column]),
        lives=int(support.lives[column]),
        readings=int(support.readings[column]),
        mm_per_10000km=float(used.beta[column]),
        se=float(np.sqrt(used.covariance[column, column])),
        df=df,
        ci_low=limits[0],
        ci_high=limits[1],
        shrunk=shrunk is not None and bool(shrunk.leans[column]),
        raw_mm_per_10000km=float(raw.beta[column]) if own else None,
        raw_se=float(np.sqrt(raw.covariance[column, column])) if own else None,
    )


def _starts(
    work: _Work, beta: FloatArray, covariance: FloatArray, df: FloatArray, level: float
) -> tuple[WearStart, ...]:
    starts = []
    known = work.sums.start_known & (work.sums.readings > 0)
    for column in work.columns.where("start"):
        half = t_quantile(0.5 + level / 2, df[column]) * np.sqrt(covariance[column, column])
        axle = work.columns.axle[column]
        starts.append(
            WearStart(
                axle_type=work.sums.axle_types[axle],
                lives=int((known & (work.sums.axle == axle)).sum()),
                mm=float(beta[column]),
                se=float(np.sqrt(covariance[column, column])),
                ci_low=float(beta[column] - half),
                ci_high=float(beta[column] + half),
            )
        )
    return tuple(starts)


def _sd_error(variance: float, variance_se: float) -> float:
    """Standard error of a standard deviation by the delta method; that of the variance's root
    where it is estimated as zero."""
    if variance <= 0.0:
        return float(np.sqrt(variance_se))
    return float(variance_se / (2.0 * np.sqrt(variance)))


def wear_components(
    mixed: MixedFit,
    spread: Spread | None = None,
    typical_error: float = 0.0,
    by_units: FloatArray | None = None,
) -> WearComponents:
    """Standard deviations of the random parts with their standard errors (delta method).

    Those of rates are told at the fleet's typical rate: where they grow with a power of the rate,
    ``typical_error``, the error of that rate's logarithm, is theirs as often. ``by_units`` is the
    covariance of the variances from units as they differ (``models.mixed.unit_scores``); the wider
    of that and the likelihood's own is told, for a narrower one of few units is luck.
    """
    v, s2 = mixed.point.variances, mixed.sigma2
    values = np.array([v.g00, v.g11, v.tau, 1.0]) * s2
    jacobian = np.column_stack([s2 * np.eye(4, 3), values / s2])
    given = [variance_covariance(mixed)] + ([] if by_units is None else [by_units])
    doubt = np.max([_errors_of(each, jacobian) for each in given], axis=0)
    errors = [_sd_error(x, se) for x, se in zip(values, doubt, strict=True)]
    by_unit, by_life = (0.0, 0.0) if spread is None else (spread.unit_power, spread.life_power)
    unit_sd, life_sd = float(np.sqrt(v.tau * s2)), float(np.sqrt(v.g11 * s2))
    correlation = 0.0
    if v.g00 > 0.0 and v.g11 > 0.0:
        correlation = float(np.clip(-v.g01 / np.sqrt(v.g00 * v.g11), -1.0, 1.0))
    return WearComponents(
        between_unit_sd=unit_sd,
        between_unit_sd_se=float(np.hypot(errors[2], by_unit * typical_error * unit_sd)),
        between_life_sd=life_sd,
        between_life_sd_se=float(np.hypot(errors[1], by_life * typical_error * life_sd)),
        intercept_sd=float(np.sqrt(v.g00 * s2)),
        intercept_sd_se=errors[0],
        start_rate_correlation=correlation,
        residual_sd=float(np.sqrt(s2)),
        residual_sd_se=errors[3],
    )


def _errors_of(covariance: FloatArray, jacobian: FloatArray) -> FloatArray:
    """Standard errors of the variances of start, slope, unit and reading, (4,)."""
    chosen = covariance[np.ix_([0, 2, 3, 4], [0, 2, 3, 4])]
    return np.asarray(np.sqrt(np.maximum(np.diag(jacobian @ chosen @ jacobian.T), 0.0)))


def _shrunk(raw: RawRates, columns: WearColumns, wanted: bool) -> ShrunkRates | None:
    """All rates leaning on one another; None where that is not wanted, or where no rate is clearly
    above zero and all are fixed by their own readings."""
    if not wanted and raw.fixed.all():
        return None
    try:
        return shrink_rates(raw, columns)
    except NotSeparableError:
        if raw.fixed.all():
            return None
        raise


def _finished(work: _Work, shrink: bool, level: float, detail: Detail) -> WearFit:
    raw = _raw_rates(work)
    shrunk = _shrunk(raw, work.columns, shrink)
    used = raw if shrunk is None else shrunk
    fit = WearFit(
        rates=(),
        starts=(),
        components=NO_COMPONENTS,
        axle_types=work.sums.axle_types,
        duties=work.sums.duties,
        columns=work.columns,
        beta=used.beta,
        covariance=used.covariance,
        df=np.zeros(0),
        most_df=_most_df(work),
        kept=work.estimable.kept,
        mixed=work.mixed,
        spread=work.spread,
        laws=work.laws,
        jackknife=work.jackknife,
        pointer_weight=work.weight if len(work.columns.where("pointer")) else None,
        reml_loglik=work.mixed.reml_loglik,
        converged=work.mixed.converged,
        n_units=len(np.unique(work.sums.real_unit[work.sums.readings > 0])),
        n_lives=int((work.sums.readings > 0).sum()),
        n_readings=int(work.sums.readings.sum()),
        notes=(),
    )
    return _told(fit, work, raw, shrunk, level) if detail is Detail.TOLD else fit


def _told(
    fit: WearFit, work: _Work, raw: RawRates, shrunk: ShrunkRates | None, level: float
) -> WearFit:
    """The fit with what readers are told: limits, the spreads' errors, and notes."""
    df = _degrees_of_freedom(work)
    rates = _rates(work, raw, shrunk, df, level)
    doubt = typical_rate_error(work.sums, work.columns, fit.beta, fit.covariance)
    by_units = robust_variance_covariance(work.kept_blocks, work.mixed)
    components = wear_components(work.mixed, work.spread, doubt, by_units)
    return replace(
        fit,
        rates=rates,
        starts=_starts(work, fit.beta, fit.covariance, df, level),
        components=components,
        df=df,
        notes=fit_notes(
            work.sums,
            work.mixed,
            rates,
            components,
            LEAST_READING_SD_MM,
            work.spread,
            work.laws,
        ),
    )


def fit_wear(
    sums: LiningLifeSums,
    *,
    pointer_weight: PointerWeight | None = None,
    shrink: bool = True,
    level: float = 0.95,
    laws: tuple[SpreadLaw, ...] | None = None,
    start: WearFit | None = None,
    detail: Detail = Detail.TOLD,
) -> WearFit:
    """Wear rates per axle type and duty, their uncertainty and the spread between units and lives.

    Parameters
    ----------
    sums : per-life sums (``models.wear.sums.lining_life_sums``).
    pointer_weight : what the wear pointers are worth, from ``models.wear.pointers``; None leaves
        them out.
    shrink : whether rates lean on one another (``models.wear.shrinkage``); one that its readings
        do not fix always does.
    level : coverage of the intervals.
    laws : how spread may grow with the rate, compared already, the best first; None lets the
        readings choose.
    start : the fit of much the same linings, where the searches begin: that of the variances
        (``models.mixed.fit``) and, under ``laws``, that of the weights.
    detail : how much is worked out.

    Returns
    -------
    WearFit. Where the readings allow no fit it has no rates, and ``notes`` say why. Below
    ``Detail.TOLD`` it has neither limits nor notes; at ``Detail.VARIANCES`` its ``covariance`` is
    the likelihood's.
    """
    try:
        work = _worked(sums, pointer_weight, laws, start, detail)
        return _finished(work, shrink, level, detail)
    except NothingToldError as reason:
        return failed_fit(sums, (str(reason),))
    except (TooFewRowsError, NotSeparableError) as reason:
        return failed_fit(sums, (f"No wear rates: {reason}.",))


def failed_fit(sums: LiningLifeSums, notes: tuple[str, ...]) -> WearFit:
    """A fit without results, and why."""
    none: IntArray = np.zeros(0, np.int64)
    return WearFit(
        rates=(),
        starts=(),
        components=NO_COMPONENTS,
        axle_types=sums.axle_types,
        duties=sums.duties,
        columns=WearColumns((), none, none),
        beta=np.zeros(0),
        covariance=np.zeros((0, 0)),
        df=np.zeros(0),
        most_df=1.0,
        kept=np.zeros(0, bool),
        mixed=None,
        spread=even_spread(len(sums.axle_types), len(sums.duties)),
        laws=(),
        jackknife=None,
        pointer_weight=None,
        reml_loglik=None,
        converged=False,
        n_units=len(np.unique(sums.unit[sums.readings > 0])),
        n_lives=int((sums.readings > 0).sum()),
        n_readings=int(sums.readings.sum()),
        notes=notes,
    )
