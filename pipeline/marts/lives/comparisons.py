"""Duties compared by how long adjusters last under them, for ``mart.duty_comparisons``."""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

import duckdb
import polars as pl

from models.common.multiple_tests import holm
from models.lives.effects.duty_ratios import MEASURES, DutyComparison, Measure, compare_duties
from models.lives.effects.regression import RegressionFit, RegressionKind, fit_regression
from models.lives.effects.segments import AdjusterSegments
from models.lives.effects.watched import Terms, WatchedLives
from models.lives.fits.distributions import STANDARD_DISTRIBUTIONS, DistributionName
from pipeline.marts import marts
from pipeline.marts.lives.fits import Row, finite, frame_of, joined
from pipeline.marts.lives.watched import NO_DUTY, watched_lives
from pipeline.settings import Settings

# Duties alone make few segments, so more units can be taken in than where maintenance counts too.
MOST_UNITS = 2_000
MEASURE_WORDS: dict[Measure, str] = {
    "hazard_ratio": "proportional hazards",
    "life_ratio": "accelerated life",
}
BASELINES: dict[DistributionName, str] = {
    "weibull": "Weibull",
    "lognormal": "log-normal",
    "loglogistic": "log-logistic",
}


@dataclass(frozen=True, slots=True)
class Form:
    """A form of regression and the baseline it is fitted with."""

    measure: Measure
    baseline: DistributionName

    @property
    def words(self) -> str:
        return f"{BASELINES[self.baseline]} {MEASURE_WORDS[self.measure]}"

    def compared(self, segments: AdjusterSegments, duties: Sequence[str]) -> list[DutyComparison]:
        return compare_duties(segments, duties, baseline=self.baseline, measures=[self.measure])


def life_comparisons(con: duckdb.DuckDBPyConnection, settings: Settings) -> pl.DataFrame:
    """Ratios of hazards and of lives for every pair of duties, within axle types and over all.

    The baselines are chosen over all; one without a maximum of its own leaves its measure out.
    """
    every = watched_lives(con, settings.adjusters.clock, MOST_UNITS)
    watched, _ = every.well_filled(("duty", "axle_type"))
    fewest = settings.adjusters.fewest_failures
    terms = watched.terms(("duty", "axle_type"), fewest)
    if "duty" not in terms.kept:
        return marts.empty("duty_comparisons")
    fits = possible_fits(watched.segments(terms.factors))
    parts = []
    for measure in MEASURES:
        baseline = best_of(fits, measure)
        if baseline is not None:
            form = Form(measure, baseline)
            rows = _compared(watched, None, terms, form)
            for axle_type in sorted(watched.lives["axle_type"].unique()):
                own, _ = every.on(axle_type).well_filled(("duty",))
                rows += _compared(own, axle_type, own.terms(("duty",), fewest), form)
            parts.append(_holm_adjusted(frame_of("duty_comparisons", rows)))
    return joined("duty_comparisons", parts)


def _holm_adjusted(rows: pl.DataFrame) -> pl.DataFrame:
    """Holm over all comparisons of a measure, within axle types and over all alike."""
    adjusted = holm(rows["p"].fill_null(1.0).to_list())
    return rows.with_columns(p_adjusted=pl.Series(adjusted, dtype=pl.Float64))


def _compared(watched: WatchedLives, axle_type: str | None, terms: Terms, form: Form) -> list[Row]:
    if "duty" not in terms.kept:
        return []
    segments = watched.segments(terms.factors)
    duties = {duty for duty in watched.spells["duty"].unique() if duty != NO_DUTY}
    failed_in = sorted(duties & watched.levels_failed_in("duty"))
    try:
        pairs = _pairs(segments, failed_in, sorted(duties - set(failed_in)), form)
    except ValueError:  # the search for a limit lost its way: too little to compare
        return []
    return [_row(axle_type, pair, form) for pair in pairs]


def possible_fits(segments: AdjusterSegments) -> list[RegressionFit]:
    """Both forms with every baseline that suits and has a maximum, the least AIC first.

    Hazards are compared with a Weibull baseline only: times a constant it is a Weibull again, so
    that ratios agree whichever level they refer to. The other two are not.
    """
    wanted: list[tuple[RegressionKind, DistributionName]] = [("hazard", "weibull")]
    wanted += [("accelerated", name) for name in STANDARD_DISTRIBUTIONS]
    fits = []
    for kind, baseline in wanted:
        with suppress(ValueError):  # the fits of whole groups say in words what is missing
            fits.append(fit_regression(segments, baseline, kind))
    return sorted(fits, key=lambda fit: fit.aic)


def best_of(fits: Sequence[RegressionFit], measure: Measure) -> DistributionName | None:
    """The baseline that suits one form of regression best; ``fits`` have the least AIC first."""
    kind = MEASURES[measure]
    return next((fit.model.standard.name for fit in fits if fit.kind == kind), None)


def _pairs(
    segments: AdjusterSegments, failed_in: list[str], spared: list[str], form: Form
) -> list[DutyComparison]:
    """All pairs of duties with failures, and each duty without any against those.

    A duty without failures is never the one compared with: every ratio would be infinite.
    """
    first, *others = [[duty] for duty in spared] or [[]]
    found = form.compared(segments, [*first, *failed_in])
    for other in others:
        more = form.compared(segments, [*other, *failed_in])
        found += [comparison for comparison in more if comparison.duty_a in other]
    return found


def _row(axle_type: str | None, compared: DutyComparison, form: Form) -> Row:
    return {
        "axle_type": axle_type,
        "measure": compared.measure,
        "duty_a": compared.duty_a,
        "duty_b": compared.duty_b,
        "ratio": finite(compared.ratio),
        "ci_low": finite(compared.low),
        "ci_high": finite(compared.high),
        "p": finite(compared.p),
        "method": (
            f"{form.words}, km counted under the duty they were run in; profile limits and "
            "likelihood-ratio p, widened as units differ"
        ),
    }
