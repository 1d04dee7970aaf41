"""The stroke on a day after its last reading, against brute-force drawing of the same mixture."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from models.adjustment.states import weighed_families
from models.adjustment.strokes.explanations import explain
from models.adjustment.strokes.parameters import (
    DEFICIT_MEAN,
    DEFICIT_SD,
    Band,
    Kind,
    Source,
    prior_parameters,
)
from models.adjustment.today import (
    STUCK_OF_LARGE,
    Ahead,
    Stopped,
    chance_out_on_day,
    stroke_on_day,
)
from tests.models.adjustment.test_explanations import histories

BAND = Band()
DRAWS = 400_000
GROWTH = 0.13 * np.arange(1, 6)


def ahead(h, *, failed=0.0, share=1.0, grabbing=0.0, may_fail=1.0, stop=0.5):
    each = [np.full(len(h), float(v)) for v in (share, failed, may_fail, grabbing, stop)]
    growth = np.full(len(h), 0.13)
    return Ahead(each[0], growth, 0.2 * growth, each[1], each[2], each[3], each[4])


def on_day(h, **more):
    explained = explain(h, prior_parameters(1, BAND))
    return stroke_on_day(explained, weighed_families(explained, BAND), BAND, ahead(h, **more))


def holding():
    return histories([0.122, 0.126, 0.124, 0.125, 0.124], GROWTH)


def test_on_the_day_of_the_reading_it_is_what_was_read():
    h = holding()
    explained = explain(h, prior_parameters(1, BAND))
    found = stroke_on_day(explained, weighed_families(explained, BAND), BAND, ahead(h, share=0.0))
    assert found.ratio[0] == pytest.approx(0.1242, abs=0.002)
    assert found.low[0] < found.ratio[0] < found.high[0]
    assert found.p_out[0] < 0.01


def test_failures_since_are_those_of_drawing_them():
    """Every adjuster works until a moment drawn at random, then loses its share of the wear."""
    rng = np.random.default_rng(5)
    sound = on_day(holding(), failed=0.0)
    failed, grabbing = 0.25, 0.3
    found = on_day(holding(), failed=failed, grabbing=grabbing)
    kinds = rng.choice(
        [Kind.STUCK, Kind.FAILING, Kind.GRABBING],
        DRAWS,
        p=[(1 - grabbing) * STUCK_OF_LARGE, (1 - grabbing) * (1 - STUCK_OF_LARGE), grabbing],
    )
    mean, sd = (
        np.array([table.get(kind, 0.0) for kind in Kind])[kinds]
        for table in (DEFICIT_MEAN, DEFICIT_SD)
    )
    fails = rng.random(DRAWS) < failed
    lost = rng.normal(mean, sd) * 0.13 * rng.random(DRAWS)
    # Its own spread without the rare trouble that the mixture keeps besides.
    spread = (sound.high[0] - sound.low[0]) / (2 * norm.ppf(0.9))
    level = rng.normal((sound.high[0] + sound.low[0]) / 2, spread, DRAWS)
    drawn = np.clip(level + np.where(fails, lost, 0.0), 0.02, 0.5)
    outside = ((drawn < BAND.low) | (drawn > BAND.high)).mean()
    assert found.p_out[0] == pytest.approx(outside, rel=0.04)
    assert found.ratio[0] == pytest.approx(drawn.mean(), abs=5e-4)
    assert found.ratio_sd[0] == pytest.approx(drawn.std(), rel=0.04)
    low, high = np.quantile(drawn, [0.1, 0.9])
    assert (found.low[0], found.high[0]) == pytest.approx((low, high), abs=0.002)


def test_what_was_seen_to_work_since_can_only_have_failed_after_that():
    late, early = (on_day(holding(), failed=0.2, may_fail=m).p_out[0] for m in (0.3, 1.0))
    assert late < early


def test_a_stuck_stroke_grows_until_the_chamber_ends_it():
    h = histories([0.125, 0.16, 0.29], [0.13, 0.20, 0.33])
    free, ended = (on_day(h, stop=s).ratio[0] for s in (0.5, 0.33))
    assert free > 0.36
    assert ended == pytest.approx(0.33, abs=0.005)


def test_without_a_reading_it_is_how_settings_turn_out():
    """Right and wrong settings by their priors: normal laws weighed by how many they are."""
    h = replace(histories([0.0], [0.0]), used=np.zeros((1, 1), bool))
    prior, source = prior_parameters(1, BAND), int(Source.ADJUSTER_REPLACED)
    shares = prior.wrong_share[0, source]
    means = prior.setting_mean[0, source] + np.array([0.0, *prior.wrong_mean])
    sds = np.array([prior.setting_sd[source], *prior.wrong_sd])
    outside = norm.cdf(BAND.low, means, sds) + norm.sf(BAND.high, means, sds)
    expected = outside @ np.array([1 - shares.sum(), *shares])
    assert on_day(h, share=0.0).p_out[0] == pytest.approx(expected, rel=1e-6)


def test_a_unit_that_may_have_left_stands_as_it_stood_then():
    """Two laws weighed by the chance: run on till the day with failures, or stopped half-way."""
    h = holding()
    explained = explain(h, prior_parameters(1, BAND))
    weighed = weighed_families(explained, BAND)
    runs, stops = ahead(h, failed=0.6), ahead(h, failed=0.05, share=0.1)
    ran, stood = (stroke_on_day(explained, weighed, BAND, a) for a in (runs, stops))
    for chance in (0.0, 0.7, 1.0):
        left = Stopped(np.full(len(h), chance), stops)
        found = stroke_on_day(explained, weighed, BAND, runs, left)
        for name in ("p_out", "ratio"):
            mixed = (1 - chance) * getattr(ran, name) + chance * getattr(stood, name)
            assert getattr(found, name) == pytest.approx(mixed, rel=1e-12)
        apart = (1 - chance) * chance * (ran.ratio - stood.ratio) ** 2
        within = (1 - chance) * ran.ratio_sd**2 + chance * stood.ratio_sd**2
        assert found.ratio_sd**2 == pytest.approx(within + apart, rel=1e-9)
    assert found.high == pytest.approx(stood.high, abs=1e-6)
    assert ran.p_out[0] > 0.3 > 0.05 > stood.p_out[0]


def test_the_chance_alone_is_that_of_the_stroke():
    h = holding()
    explained = explain(h, prior_parameters(1, BAND))
    given = explained, weighed_families(explained, BAND), BAND, ahead(h, failed=0.3)
    assert chance_out_on_day(*given) == pytest.approx(stroke_on_day(*given).p_out, rel=1e-12)
