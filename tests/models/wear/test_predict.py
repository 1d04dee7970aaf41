"""Each lining's line against dense algebra, its crossing of the minimum, and drawn truth."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from models.relines.forecast.from_wear import unit_slopes
from models.wear import predict
from models.wear.blocks import duty_clusters
from models.wear.fit import fit_wear
from models.wear.predict import lining_lines, predict_lining
from models.wear.spread import EVEN, SpreadLaw
from tests.fleets.linings import AXLES, DUTIES, DrawnFleet, FleetTruth, draw_fleet, sums_of
from tests.models.wear.test_fit import drawn_lives, straight
from tests.oracles.wear_crossing import _first_crossing, _Line, km_to_minimum, probability_worn
from tests.oracles.wear_draws import draw_lines


@pytest.fixture(scope="module")
def fleet():
    return draw_fleet(11, 12, FleetTruth(checks=7))


@pytest.fixture(scope="module")
def sums(fleet):
    return sums_of(fleet)


LAWS = [
    EVEN,
    SpreadLaw("power", 0.7, 0.7, 0.0, 1, 0.0),
    SpreadLaw("proportional, by duty", 1.0, 1.0, 0.4, 1, 0.0),
]


@pytest.fixture(scope="module", params=LAWS, ids=lambda law: law.name)
def fit(sums, request):
    return fit_wear(sums, shrink=False, laws=(request.param,))


def dense_rows(fleet: DrawnFleet, sums, fit):
    """Every reading's row in definition, in the order of the fit's columns."""
    wide = fleet.reading_km.pivot(on="duty", index=["life_id", "inspected_on"], values="km")
    frame = fleet.readings.join(wide, on=["life_id", "inspected_on"], how="left").fill_null(0.0)
    axle = np.array([AXLES.index(a) for a in frame["axle_type"]])
    km = frame.select(DUTIES).to_numpy() / 1e4
    x = np.zeros((len(axle), len(fit.columns)))
    for column, kind in enumerate(fit.columns.kind):
        mine = axle == fit.columns.axle[column]
        if kind == "start":
            x[:, column] = mine & frame["start_known"].to_numpy()
        else:
            x[:, column] = -km[:, fit.columns.duty[column]] * mine
    place = {life: i for i, life in enumerate(sums.life_id)}
    life = np.array([place[i] for i in frame["life_id"]])
    weight = fit.spread.life[axle]
    return x, (weight * km).sum(axis=1), life, frame["lining_mm"].to_numpy()


def dense_prediction(fleet, sums, fit, ahead_km):
    """Best linear unbiased prediction and its error by definition, in one dense system.

    Unknown starts are fixed effects, as the model says.
    """
    x, t, life, y = dense_rows(fleet, sums, fit)
    free = np.flatnonzero(~sums.start_known)
    x = np.column_stack([x, life[:, None] == free])
    c = fit.mixed
    cluster, of_unit, _ = duty_clusters(sums)
    prior = np.zeros((2 * sums.n_lives + len(of_unit),) * 2)
    for i in range(sums.n_lives):
        prior[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] = c.gamma
    alike = (1 - fit.spread.duty_share) * (of_unit[:, None] == of_unit)
    own = fit.spread.duty_share * np.eye(len(of_unit))
    prior[2 * sums.n_lives :, 2 * sums.n_lives :] = c.unit_variance * (alike + own)
    z = np.zeros((len(y), len(prior)))
    rows = np.arange(len(y))
    z[rows, 2 * life], z[rows, 2 * life + 1] = 1.0, t
    z[rows, 2 * sums.n_lives + cluster[life]] = t
    new_x = np.zeros((sums.n_lives, x.shape[1]))
    new_z = np.zeros((sums.n_lives, len(prior)))
    for i in range(sums.n_lives):
        km = (sums.last_km[:, i] + ahead_km[:, i]) / 1e4
        for d in range(len(DUTIES)):
            new_x[i, fit.columns.position("rate", sums.axle[i], d)] = -km[d]
        if sums.start_known[i]:
            new_x[i, fit.columns.position("start", sums.axle[i])] = 1.0
        else:
            new_x[i, len(fit.columns) + np.searchsorted(free, i)] = 1.0
        run = fit.spread.life[sums.axle[i]] @ km
        new_z[i, [2 * i, 2 * i + 1, 2 * sums.n_lives + cluster[i]]] = 1.0, run, run
    inverse = np.linalg.inv(z @ prior @ z.T + c.sigma2 * np.eye(len(y)))
    phi = np.linalg.inv(x.T @ inverse @ x)
    beta = phi @ x.T @ inverse @ y
    gain = new_z @ prior @ z.T @ inverse
    left = new_x - gain @ x
    covariance = new_z @ prior @ new_z.T - gain @ z @ prior @ new_z.T + left @ phi @ left.T
    return new_x @ beta + gain @ (y - x @ beta), covariance


def test_lines_are_the_best_linear_unbiased_prediction(fleet, sums, fit):
    """Mean and full prediction error, known and unknown starts, duty changes: 1e-7 relative."""
    ahead = np.random.default_rng(0).uniform(0, 40_000, (len(DUTIES), sums.n_lives))
    ours = predict_lining(lining_lines(fit, sums), ahead)
    mean, covariance = dense_prediction(fleet, sums, fit, ahead)
    assert (~sums.start_known).sum() > 10
    assert ours.mean_mm == pytest.approx(mean, rel=1e-7)
    assert ours.sd_mm == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-6)


def test_lines_are_the_same_worked_out_a_few_units_at_a_time(sums, fit, monkeypatch):
    whole = lining_lines(fit, sums)
    monkeypatch.setattr(predict, "LIVES_AT_ONCE", 10)
    masks = list(predict.whole_units(whole.unit))
    assert len(masks) > 3
    assert (np.sum(masks, axis=0) == 1).all()
    parts = lining_lines(fit, sums)
    assert parts.life_id.equals(whole.life_id)
    for name in whole.__slots__:
        if name != "life_id":
            assert getattr(parts, name) == pytest.approx(getattr(whole, name), rel=1e-9, abs=1e-9)


def test_units_slopes_are_the_same_worked_out_a_few_units_at_a_time(sums, fit, monkeypatch):
    """By any duty, the first, and none they ran in; with a part of a duty's own and without."""
    own = replace(fit, spread=replace(fit.spread, duty_share=0.4))
    for of in (fit, own):
        for duty in (None, 0, -1):
            runs = None if duty is None else np.full(len(sums.units), duty)
            monkeypatch.setattr(predict, "LIVES_AT_ONCE", 10**9)
            whole = unit_slopes(of, sums, runs)
            monkeypatch.setattr(predict, "LIVES_AT_ONCE", 10)
            parts = unit_slopes(of, sums, runs)
            for name in whole.__slots__:
                expected = pytest.approx(getattr(whole, name), rel=1e-9, abs=1e-12)
                assert getattr(parts, name) == expected


def test_draws_share_what_linings_share(fleet, sums, fit):
    """40,000 draws of lines, carried some way on: every entry of the fleet's covariance within
    five and a half of its standard errors."""
    n, ahead = 40_000, np.random.default_rng(2).uniform(0, 80_000, (3, sums.n_lives))
    lines = lining_lines(fit, sums)
    drawn = draw_lines(lines, n, np.random.default_rng(1))
    rates = drawn.beta[:, lines.rate_columns]
    lining = drawn.level_mm + drawn.slope_mm * (lines.km_weight * ahead).sum(axis=0) / 1e4
    lining -= np.einsum("sdn,dn->sn", rates, ahead / 1e4)
    mean, covariance = dense_prediction(fleet, sums, fit, ahead)
    sd = np.sqrt(np.diag(covariance))
    error = np.sqrt((np.outer(sd**2, sd**2) + covariance**2) / n)
    assert (np.abs(np.cov(lining.T) - covariance) < 5.5 * error).all()
    assert (np.abs(lining.mean(axis=0) - mean) < 5 * sd / np.sqrt(n)).all()


def test_the_inverse_returns_the_probability(sums, fit):
    lines = lining_lines(fit, sums)
    share = np.full((3, sums.n_lives), [[0.2], [0.3], [0.5]])
    km = km_to_minimum(lines, 3.0, share, (0.1, 0.5, 0.9))
    assert (km[0] < km[1]).all()
    assert (km[1] < km[2]).all()
    for p, x in zip((0.1, 0.5, 0.9), km, strict=True):
        assert probability_worn(lines, 3.0, share * x) == pytest.approx(p, abs=1e-9)


numbers = st.floats(-5, 5)


@given(
    gap=numbers, slope=numbers, a=st.floats(0.01, 2), b=numbers, c=st.floats(0, 2),
    p=st.sampled_from([0.01, 0.1, 0.5, 0.9, 0.99]),
)  # fmt: skip
@settings(max_examples=300, deadline=None)
def test_the_first_crossing_is_first_and_never_undefined(gap, slope, a, b, c, p):
    """Any line, growing ones too: less than p before the answer, p there, infinite if never."""
    b *= 0.3
    line = _Line(*(np.array([v]) for v in (gap, slope, a * a, a * b, b * b + c * c)))
    x = float(_first_crossing(line, np.array([gap]), p)[0])

    def margin(at):
        """Wear beyond what is needed for probability p; it reaches zero at the answer."""
        sd = np.sqrt((a + b * at) ** 2 + (c * at) ** 2)
        return slope * at - gap - stats.norm.ppf(p) * sd

    tolerance = 1e-6 * (1 + abs(gap) + a) * (1 + min(x, 1e4))
    assert x >= 0
    if x > 0:
        assert (margin(np.linspace(0, min(x, 1e4), 200)) <= tolerance).all()
    if x < 1e4:
        assert margin(x) >= -tolerance


def test_a_lining_already_at_its_minimum_is_due_now(sums, fit):
    lines = lining_lines(fit, sums)
    assert (km_to_minimum(lines, 30.0, np.full((3, sums.n_lives), 1 / 3)) == 0.0).all()


def test_linings_that_seem_to_grow_are_not_within_sight():
    grown = drawn_lives(straight(12, [1e4, 5e4, 9e4], rate=-0.5))
    lines = lining_lines(fit_wear(grown), grown)
    km = km_to_minimum(lines, 5.0, np.ones((1, 12)))
    assert np.isposinf(km).all()
    assert (probability_worn(lines, 5.0, np.full((1, 12), 1e5)) < 1e-6).all()


@pytest.mark.proof
def test_true_linings_and_their_end_lie_where_stated():
    """Six fleets of 40 units: shares of truth inside stated bands.

    About 950 linings, correlated within units and fleets: a design effect below 4 allows 80 % +- 6.
    """
    inside, below, z = [], [], []
    for seed in range(6):
        fleet = draw_fleet(50 + seed, 40)
        sums = sums_of(fleet)
        lines = lining_lines(fit_wear(sums), sums)
        truth = pl.DataFrame({"life_id": lines.life_id}).join(
            fleet.lines, on="life_id", how="left", maintain_order="left"
        )
        now = predict_lining(lines, np.zeros((3, lines.n_lives)))
        z.append((truth["true_mm"].to_numpy() - now.mean_mm) / now.sd_mm)
        last = (truth["check"] == FleetTruth().checks - 1).to_numpy()
        share = np.zeros((3, lines.n_lives))
        share[1] = 1.0
        rate = FleetTruth().rates[sums.axle, 1] - truth["true_slope"].to_numpy()
        km = (truth["true_mm"].to_numpy() - 5.0) / rate * 1e4
        low, _, high = km_to_minimum(lines, 5.0, share)
        inside.append(((low <= km) & (km <= high))[last])
        below.append((km < low)[last])
    z, inside, below = (np.concatenate(parts) for parts in (z, inside, below))
    assert len(inside) > 700
    assert np.mean(np.abs(z) < stats.norm.ppf(0.975)) == pytest.approx(0.95, abs=0.02)
    assert inside.mean() == pytest.approx(0.8, abs=0.06)
    assert below.mean() == pytest.approx(0.1, abs=0.04)


def test_a_fit_without_rates_draws_no_lines():
    nothing = drawn_lives([])
    with pytest.raises(ValueError, match="no rates"):
        lining_lines(fit_wear(nothing), nothing)


def test_sums_of_another_fleet_are_refused(fit):
    other = drawn_lives(straight(6, [1e4, 5e4]))
    with pytest.raises(ValueError, match="other axle types or duties"):
        lining_lines(fit, other)
