"""What shortens or lengthens an adjuster's life, and how far those answers can be trusted."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import duckdb
import numpy as np

from models.lives.effects.duty_ratios import MEASURES, Measure, time_scale_disagreements
from models.lives.effects.frailty import fit_frailty
from models.lives.effects.regression import (
    Effect,
    ProportionalityTest,
    RegressionFit,
    effects,
    fit_regression,
    proportionality,
    term_tests,
)
from models.lives.effects.watched import FACTORS, TERMS, Terms, ThinLevel, WatchedLives
from pipeline.marts.lives.comparisons import Form, best_of, possible_fits
from pipeline.marts.lives.fits import Frames, Row, finite, frame_of
from pipeline.marts.lives.schemas import TIME_SCALES
from pipeline.marts.lives.watched import left_out_words, thin_words, watched_lives
from pipeline.settings import Settings

# Greasing and caps act on jamming, so that failures found stuck are looked at by themselves too.
JAMMED = "stuck"
FEWEST_UNITS = 30  # fewer, and how much units differ is itself unsure
FRAILTY_BESIDE = ("duty", "axle_type")
UNSETTLED = 1e-3  # twice the log-likelihood still to gain


@dataclass(frozen=True, slots=True)
class Fitted:
    """One regression: its clock, cause and form, and its effects."""

    clock: str
    fleets_clock: bool
    cause: str | None
    form: Form
    watched: WatchedLives
    fit: RegressionFit
    effects: list[Effect]

    @property
    def told(self) -> Row:
        return {
            "clock": self.clock,
            "fleets_clock": self.fleets_clock,
            "cause": self.cause,
            "measure": self.form.measure,
        }


@dataclass(frozen=True, slots=True)
class OnTimeScale:
    """Lives on one clock and what can be asked of them."""

    clock: str
    fleets: bool
    watched: WatchedLives
    terms: Terms
    thin: list[ThinLevel]
    fits: Sequence[RegressionFit]

    def form(self, measure: Measure) -> Form | None:
        baseline = best_of(self.fits, measure)
        return None if baseline is None else Form(measure, baseline)


def effect_frames(con: duckdb.DuckDBPyConnection, settings: Settings) -> Frames:
    """The ratios on both clocks, their tests, and words where there is no ratio."""
    clocks = [on_time_scale(con, clock, settings) for clock in TIME_SCALES]
    fitted = [one for clock in clocks for one in _fitted_on(clock, settings)]
    missing = [row for clock in clocks for row in _missing_rows(clock, fitted)]
    rows = [row for one in fitted for row in effect_rows(one)]
    fleets = next(clock for clock in clocks if clock.fleets)
    whole = [one for one in fitted if one.fleets_clock and one.cause is None]
    tests = [row for one in whole for row in _term_rows(one)]
    tests += [*_proportionality_rows(fleets), *_frailty_rows(fleets), *_time_scale_rows(fitted)]
    return {
        "adjuster_effects": frame_of("adjuster_effects", rows + missing),
        "adjuster_effect_tests": frame_of("adjuster_effect_tests", tests),
    }


def on_time_scale(con: duckdb.DuckDBPyConnection, clock: str, settings: Settings) -> OnTimeScale:
    """Baselines are chosen by the factors alone: maintenance hardly moves that choice."""
    chosen = settings.adjusters
    every = watched_lives(con, clock, chosen.units_compared)
    watched, thin = every.with_rare_parts_as_one().well_filled(FACTORS)
    terms = watched.terms(TERMS, chosen.fewest_failures)
    fits = possible_fits(watched.segments(terms.factors)) if terms.kept else []
    return OnTimeScale(clock, clock == chosen.clock, watched, terms, thin, fits)


def _fitted_on(clock: OnTimeScale, settings: Settings) -> Iterator[Fitted]:
    for measure in MEASURES:
        yield from regression(clock, clock.watched, clock.terms, measure)
    if clock.fleets and clock.terms.shares:
        jammed, _ = clock.watched.failed_by(JAMMED).well_filled(FACTORS)
        terms = jammed.terms(clock.terms.kept, settings.adjusters.fewest_failures)
        if terms.shares:
            yield from regression(clock, jammed, terms, "hazard_ratio", JAMMED)


def regression(
    clock: OnTimeScale,
    watched: WatchedLives,
    terms: Terms,
    measure: Measure,
    cause: str | None = None,
) -> Iterator[Fitted]:
    """The fit of one form; of one cause's failures, only what maintenance does to them is told."""
    form = clock.form(measure)
    if form is None or not terms.kept:
        return
    segments = watched.segments(terms.factors, terms.shares)
    told = terms.shares if cause is not None else segments.design.names
    try:
        fit = fit_regression(segments, form.baseline, MEASURES[measure])
        found = effects(fit, names=told)
    except ValueError:  # no maximum: the terms are then named as missing
        return
    yield Fitted(clock.clock, clock.fleets, cause, form, watched, fit, found)


def effect_rows(fitted: Fitted) -> Iterator[Row]:
    for effect in fitted.effects:
        _, _, level = effect.name.partition("=")
        yield {
            **fitted.told,
            "term": effect.term,
            "level": level or None,
            "reference": effect.reference,
            "ratio": finite(effect.ratio),
            "ci_low": finite(effect.low),
            "ci_high": finite(effect.high),
            "inflation": finite(effect.inflation),
            "p": finite(effect.p),
            "p_adjusted": finite(effect.p_adjusted),
            "adjusters": fitted.watched.adjusters,
            "failures": fitted.watched.failures,
            "method": fitted.form.words,
            "note": _limits(fitted, effect),
        }


def _limits(fitted: Fitted, effect: Effect) -> str | None:
    """What limits a ratio, in words."""
    words = []
    if not np.isfinite(np.log(effect.ratio) if effect.ratio > 0.0 else -np.inf):
        words.append("no failure on one side of the comparison: only the finite limit says much")
    if fitted.watched.units < FEWEST_UNITS:
        words.append(f"with {fitted.watched.units} units the limits are themselves unsure")
    if not fitted.fit.decrement < UNSETTLED:
        words.append("the fit had not settled when it stopped")
    return "; ".join(words) or None


def _missing_rows(clock: OnTimeScale, fitted: Sequence[Fitted]) -> Iterator[Row]:
    """A row of words for every term or level without a ratio on this clock."""
    for measure in MEASURES:
        own = [one for one in fitted if (one.clock, one.form.measure) == (clock.clock, measure)]
        reasons = {t: left_out_words(t, why) for t, why in clock.terms.left_out.items()}
        if not own:
            reasons |= dict.fromkeys(clock.terms.kept, "the likelihood has no maximum")
        missing: list[Row] = [{"term": term, "note": words} for term, words in reasons.items()]
        missing += [{"term": t.term, "level": t.level, "note": thin_words(t)} for t in clock.thin]
        for row in missing:
            yield {
                **row,
                "clock": clock.clock,
                "fleets_clock": clock.fleets,
                "measure": measure,
                "adjusters": clock.watched.adjusters,
                "failures": clock.watched.failures,
            }


def _term_rows(fitted: Fitted) -> Iterator[Row]:
    told = {name: value for name, value in fitted.told.items() if name != "fleets_clock"}
    for test in term_tests(fitted.fit):
        found = "matters" if test.p_adjusted < 0.05 else "cannot be shown to matter"
        yield {
            **told,
            "kind": "term",
            "term": test.term,
            "chi_square": finite(test.chi_square),
            "degrees": test.degrees,
            "p": finite(test.p),
            "p_adjusted": finite(test.p_adjusted),
            "sentence": f"{test.term} {found} (adjusted p {test.p_adjusted:.3f})",
        }


def _proportionality_rows(clock: OnTimeScale) -> Iterator[Row]:
    """Each factor tested beside the others; maintenance comes and goes, whatever the age."""
    form = clock.form("hazard_ratio")
    if form is None:
        return
    segments = clock.watched.segments(clock.terms.factors)
    for term in clock.terms.factors:
        row: Row = {
            "kind": "proportionality",
            "clock": clock.clock,
            "measure": "hazard_ratio",
            "term": term,
        }
        try:
            test = proportionality(segments, term, form.baseline)
        except ValueError as error:
            yield {**row, "sentence": f"not tested: {error}"}
        else:
            yield {**row, **_tested(test)}


def _tested(test: ProportionalityTest) -> Row:
    return {
        "chi_square": finite(test.chi_square),
        "degrees": test.degrees,
        "p": finite(test.p),
        "sentence": test.words,
    }


def _frailty_rows(clock: OnTimeScale) -> Iterator[Row]:
    row: Row = {"kind": "frailty", "clock": clock.clock, "measure": "hazard_ratio"}
    form = clock.form("hazard_ratio")
    if form is None or clock.watched.units < 2:
        yield {**row, "sentence": "not estimated: too few failures, or fewer than two units"}
        return
    beside = [term for term in FRAILTY_BESIDE if term in clock.terms.kept]
    try:
        fit = fit_frailty(clock.watched.segments(beside), form.baseline)
    except ValueError as error:
        yield {**row, "sentence": f"not estimated: {error}"}
        return
    yield {
        **row,
        "p": finite(fit.p),
        "estimate": finite(fit.variance.estimate),
        "ci_low": finite(fit.variance.low),
        "ci_high": finite(fit.variance.high),
        "sentence": fit.words,
    }


def _time_scale_rows(fitted: Sequence[Fitted]) -> Iterator[Row]:
    """Where km and weeks do not say the same of a ratio's direction."""
    for measure in MEASURES:
        by_time_scale = {
            one.clock: one.effects
            for one in fitted
            if one.form.measure == measure and one.cause is None
        }
        if set(by_time_scale) == set(TIME_SCALES):
            found = time_scale_disagreements(by_time_scale["km"], by_time_scale["weeks"])
            agree = "by km and by weeks every ratio points the same way, or neither is told from 1"
            for sentence in found or [agree]:
                yield {"kind": "clocks", "measure": measure, "sentence": sentence}
