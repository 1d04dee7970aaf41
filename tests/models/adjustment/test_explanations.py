"""The drift model against a general-purpose library, by hand, and on simulated truth."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import logsumexp
from scipy.stats import gamma, multivariate_normal

from models.adjustment.states import STATES, states, weighed_families
from models.adjustment.strokes.explanations import FAMILIES, HOLDS, MISREAD, columns_of, explain
from models.adjustment.strokes.histories import StrokeHistories, without_saturated
from models.adjustment.strokes.parameters import (
    DEFICIT_MEAN,
    DEFICIT_SD,
    EXCESS_SHAPE,
    INTERVAL_WEAR_CV,
    KEEPS_PACE,
    WEEKS_PER_YEAR,
    WIDEST_RATIO,
    Band,
    Kind,
    Source,
    Start,
    prior_parameters,
)
from models.adjustment.today import Ahead, stroke_on_day

BAND = Band()
PRIORS = prior_parameters(1, BAND)


def histories(ratio, growth, *, weeks=None, arm_mm=150.0, stop=np.inf, cv=0.1, **changes):
    """Histories of equal length from lists of lists."""
    ratio, growth = np.atleast_2d(ratio).astype(float), np.atleast_2d(growth).astype(float)
    n, j = ratio.shape
    if weeks is None:
        weeks = 12.0 * np.arange(1, j + 1)
    made = StrokeHistories(
        ratio=ratio,
        growth=np.broadcast_to(growth, (n, j)).copy(),
        weeks=np.broadcast_to(np.asarray(weeks, dtype=float), (n, j)).copy(),
        arm_mm=np.full((n, j), arm_mm),
        rounding_var_mm2=np.zeros((n, j)),
        used=np.ones((n, j), dtype=bool),
        wear_cv=np.full(n, cv),
        stop_ratio=np.full(n, stop),
        group=np.zeros(n, dtype=np.int64),
        source=np.full(n, Source.ADJUSTER_REPLACED, dtype=np.int64),
        next_growth=np.full(n, 0.13),
        next_growth_sd=np.full(n, 0.03),
    )
    return replace(made, **changes)


class BruteForce:
    """The model's definition, one history at a time: normal densities summed over fine grids."""

    def __init__(self, h, p):
        self.y, self.x, self.weeks = h.ratio[0], h.growth[0], h.weeks[0]
        self.p, self.cv = p, h.wear_cv[0]
        self.var = np.full(len(self.y), p.reading_sd_mm**2 / h.arm_mm[0, 0] ** 2)
        steps = np.diff(self.x, prepend=0.0)
        self.ramp_var = self.var + (INTERVAL_WEAR_CV * steps) ** 2
        self.mean = p.setting_mean[0, h.source[0]]
        self.sd = p.setting_sd[h.source[0]]
        self.wrong = p.wrong_share[0, h.source[0]]

    def starts(self):
        yield 1 - self.wrong.sum(), self.mean, self.sd
        for side in (0, 1):
            yield self.wrong[side], self.mean + self.p.wrong_mean[side], self.p.wrong_sd[side]

    def log_density(self, means, noise, start_sd, extra=0.0, keep=slice(None)):
        """Of the readings, for each row of means."""
        cov = np.diag(noise) + start_sd**2 + self.p.keeping_sd**2 * np.outer(self.x, self.x) + extra
        kept = np.atleast_2d(self.y - means)[:, keep]
        return multivariate_normal(cov=cov[keep][:, keep]).logpdf(kept)

    def gamma_ramp(self, z, mean_excess, sign, start):
        b = KEEPS_PACE + np.linspace(0.0, 0.6, 2401)[1:]
        density = gamma.pdf(b - KEEPS_PACE, EXCESS_SHAPE, scale=mean_excess / EXCESS_SHAPE)
        logs = self.log_density(start[1] + sign * b[:, None] * z, self.var, start[2])
        return logsumexp(logs, b=density * (b[1] - b[0]))

    def grabbing_ramp(self, z, start):
        mean, sd = DEFICIT_MEAN[Kind.GRABBING], DEFICIT_SD[Kind.GRABBING]
        return self.log_density(start[1] + mean * z, self.var, start[2], sd**2 * np.outer(z, z))

    def large(self, kind, column, start):
        mean = DEFICIT_MEAN[kind]
        var = DEFICIT_SD[kind] ** 2 + (mean * self.cv) ** 2
        if column is None:
            extra = var * np.outer(self.x, self.x)
            return self.log_density(start[1] + mean * self.x, self.ramp_var, start[2], extra)
        later = np.arange(len(self.x)) >= column
        ramp = np.where(later, self.x - self.x[column], 0.0)
        noise = np.where(later, self.ramp_var, self.var)
        before = self.x[column - 1] if column else 0.0
        reach = (self.x[column] - before) * mean * (1 + self.cv + DEFICIT_SD[kind])
        a = np.linspace(0.0, reach, 1601)
        extra = var * np.outer(ramp, ramp)
        means = start[1] + mean * ramp + a[:, None] * later
        logs = self.log_density(means, noise, start[2], extra)
        weight = np.full(len(a), 1 / 1600)
        weight[[0, -1]] /= 2
        return logsumexp(logs, b=weight)

    def trouble(self, kind, column, start):
        if kind in (Kind.FAILING, Kind.STUCK):
            return self.large(kind, column, start)
        z = self.x
        if column is not None:
            before = self.x[column - 1] if column else 0.0
            z = np.maximum(self.x - (before + self.x[column]) / 2, 0.0)
            z = np.where(np.arange(len(z)) >= column, z, 0.0)
        if kind is Kind.GRABBING:
            return self.grabbing_ramp(z, start)
        excess = self.p.slack_excess if kind is Kind.SLACK else self.p.tight_excess
        return self.gamma_ramp(z, excess, 1 if kind is Kind.SLACK else -1, start)

    def weights(self):
        """Log of prior × likelihood by family."""
        p, found = self.p, {}
        first, rate = p.from_set[0], p.per_year[0] / WEEKS_PER_YEAR
        fine, total = np.log(1 - first.sum()), rate.sum()
        known = np.log1p(-p.misread_share)
        spells = np.concatenate([[0.0], self.weeks])
        for start, s in zip(Start, self.starts(), strict=True):
            share = np.log(s[0])
            level = np.full(len(self.y), s[1])
            still = share + fine - total * self.weeks[-1]
            found[HOLDS, True, start] = still + known + self.log_density(level, self.var, s[2])
            blind = self.log_density(level, self.var, s[2], keep=slice(0, -1))
            found[MISREAD, True, start] = (
                still + np.log(p.misread_share) - np.log(WIDEST_RATIO) + blind
            )
            for kind in Kind:
                found[kind, True, start] = (
                    share + known + np.log(first[kind]) + self.trouble(kind, None, s)
                )
                later = []
                for c in range(len(self.y)):
                    begins = -total * spells[c] + np.log(-np.expm1(-total * np.diff(spells)[c]))
                    later.append(begins + np.log(rate[kind] / total) + self.trouble(kind, c, s))
                found[kind, False, start] = share + known + fine + logsumexp(later)
        return found


DRAWN = {
    "holds": [0.124, 0.121, 0.130, 0.126],
    "slackens": [0.131, 0.139, 0.144, 0.156],
    "stuck in the third interval": [0.127, 0.122, 0.171, 0.300],
    "tightens": [0.118, 0.112, 0.101, 0.092],
    "set too loose": [0.166, 0.172, 0.168, 0.175],
}


@pytest.mark.parametrize("ratio", DRAWN.values(), ids=DRAWN.keys())
def test_probabilities_equal_those_of_brute_force(ratio):
    h = histories(ratio, [0.10, 0.23, 0.34, 0.47])
    explained = explain(h, PRIORS)
    weights = BruteForce(h, PRIORS).weights()
    evidence = logsumexp(list(weights.values()))
    # The grids, and the exponential tail of the closed form, are good to about 0.3 %.
    assert explained.log_likelihood[0] == pytest.approx(evidence, abs=5e-3)
    for column, family in enumerate(FAMILIES):
        expected = np.exp(weights[tuple(family)] - evidence)
        assert explained.probability[0, column] == pytest.approx(expected, rel=2e-2, abs=1e-5), (
            family
        )


def named(h, parameters=PRIORS):
    explained = explain(without_saturated(h), parameters)
    judged = states(explained, weighed_families(explained, BAND), h.wear_cv)
    return [STATES[i] for i in judged.probability.argmax(axis=1)], judged


def out_at(h, *, next_check):
    """Chance outside the band at the last reading or the next check, nothing failing meanwhile."""
    explained = explain(without_saturated(h), PRIORS)
    none, one = np.zeros(len(h)), np.ones(len(h))
    share = one if next_check else none
    ahead = Ahead(share, h.next_growth, h.next_growth_sd, none, one, none, 0.5 * one)
    return stroke_on_day(explained, weighed_families(explained, BAND), BAND, ahead).p_out


GROWTH = 0.13 * np.arange(1, 9)


@pytest.mark.parametrize(
    ("ratio", "state"),
    [
        (0.125 + 0 * GROWTH, "in_band"),
        (0.172 + 0 * GROWTH, "set_wrong"),
        (0.078 + 0 * GROWTH, "set_wrong"),
        (0.120 + 0.06 * GROWTH, "slackening"),
        (0.130 - 0.06 * GROWTH, "tightening"),
        (0.125 + GROWTH, "stuck"),
        (0.125 + np.maximum(GROWTH - 0.70, 0.0), "stuck"),
        (np.minimum(0.125 + np.maximum(GROWTH - 0.30, 0.0), 0.40), "stuck"),
        (0.125 + 0.5 * GROWTH, "slackening"),
    ],
    ids=[
        *("fine", "too loose", "too tight", "slack", "tight", "stuck", "stuck late"),
        *("stuck at the stop", "half stuck"),
    ],
)
@pytest.mark.parametrize("stop", [0.40, np.inf], ids=["stop known", "stop unknown"])
def test_clear_histories_are_named(ratio, state, stop):
    names, judged = named(histories(ratio, GROWTH, stop=stop))
    assert names == [state]
    assert judged.probability.max() > 0.9


@pytest.mark.parametrize("take_up", [0.90, 0.94, 0.98, 1.02, 1.06, 1.10])
def test_take_up_is_recovered_with_an_interval_that_holds_it(take_up):
    _, judged = named(histories(0.125 + (1 - take_up) * GROWTH, GROWTH, cv=0.05))
    # A slope of 8 readings has an SD of 0.009 here, and is shrunk toward keeping pace.
    assert judged.take_up[0] == pytest.approx(take_up, abs=0.018)
    assert judged.take_up_low[0] < take_up < judged.take_up_high[0]


def test_take_up_counts_the_error_of_the_wear():
    sharp, vague = (
        named(histories(0.125 + 0.08 * GROWTH, GROWTH, cv=cv))[1] for cv in (0.03, 0.40)
    )
    widths = [judged.take_up_high[0] - judged.take_up_low[0] for judged in (sharp, vague)]
    assert widths[1] > 1.5 * widths[0]


def test_two_readings_do_not_make_an_alarm():
    _, judged = named(histories([[0.125, 0.143], [0.118, 0.102]], GROWTH[:2]))
    assert judged.p_trouble.max() < 0.5
    assert abs(judged.deficit).max() < 0.05  # the raw slopes are 0.14 and −0.12


def test_one_reading_is_shrunk_toward_how_settings_are_made():
    h = histories([0.150], GROWTH[:1])
    _, judged = named(h)
    assert 0.130 < judged.read_ratio[0] < 0.145
    assert out_at(h, next_check=False)[0] < 0.3


def test_no_reading_gives_the_prior():
    h = histories([0.0], [0.0], weeks=[0.0], used=np.zeros((1, 1), dtype=bool))
    _, judged = named(h)
    assert judged.read_ratio[0] == pytest.approx(0.125, abs=0.003)
    assert np.isfinite(judged.probability).all()


def test_a_lone_wild_last_reading_may_be_misread():
    h = histories([0.125, 0.121, 0.127, 0.126, 0.40], np.minimum(GROWTH[:5], 0.53), stop=0.45)
    explained = explain(h, PRIORS)
    assert explained.probability[0, columns_of(MISREAD)].sum() > 0.05


def test_out_of_band_at_the_next_check_grows_with_the_wear_to_come():
    ratio = 0.125 + 0.05 * GROWTH[:4]
    soon = histories(ratio, GROWTH[:4], next_growth=np.array([0.02]))
    late = histories(ratio, GROWTH[:4], next_growth=np.array([0.40]))
    assert out_at(late, next_check=True)[0] > out_at(soon, next_check=True)[0] + 0.1


def test_histories_of_many_lengths_are_explained_as_if_alone():
    rng = np.random.default_rng(5)
    ratio = rng.normal(0.13, 0.02, (3000, 8))
    used = np.arange(8) < rng.integers(0, 9, 3000)[:, None]
    last = np.maximum(used.sum(axis=1) - 1, 0)
    kept = np.minimum(np.arange(8), last[:, None])
    h = histories(ratio, GROWTH, used=used)
    h = replace(h, growth=h.growth[np.arange(3000)[:, None], kept], weeks=12.0 * (kept + 1))
    together = explain(h, PRIORS)
    for row in (0, 17, 2999):
        alone = explain(h.rows(np.array([row])), PRIORS)
        np.testing.assert_allclose(together.probability[row], alone.probability[0], rtol=1e-9)
        assert together.log_likelihood[row] == pytest.approx(alone.log_likelihood[0])
    assert np.isfinite(together.probability).all()
    np.testing.assert_allclose(together.probability.sum(axis=1), 1.0)


def test_what_is_not_asked_for_is_not_told_and_changes_nothing():
    ratio = np.random.default_rng(6).normal(0.13, 0.03, (40, 8))
    h = histories(ratio, GROWTH, stop=0.16)
    whole = explain(h, PRIORS)
    part = explain(h, PRIORS, lines=(HOLDS,), deficits=(Kind.SLACK,))
    for name in ("probability", "log_likelihood", "began"):
        np.testing.assert_array_equal(getattr(part, name), getattr(whole, name))
    for kind, names in ((HOLDS, ("now", "next_var")), (Kind.SLACK, ("deficit", "deficit_var"))):
        for name in names:
            found, columns = getattr(part, name), columns_of(kind)
            np.testing.assert_array_equal(found[:, columns], getattr(whole, name)[:, columns])
            assert np.isnan(np.delete(found, columns, axis=1)).all()


def test_km_not_run_says_nothing_of_the_adjuster():
    names, judged = named(histories([0.125, 0.126, 0.124], [0.0, 0.0, 0.0]))
    assert names == ["in_band"]
    assert judged.take_up_low[0] < 0.95  # cannot tell it from one that has since failed
