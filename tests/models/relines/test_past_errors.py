"""What is learned from errors: the prior where there are few, the errors where there are many."""

import dataclasses
import datetime as dt

import numpy as np
import pytest

from models.relines.look_back import PastTotals, errors_of
from models.relines.past_errors import (
    AHEAD_SD,
    BIAS_SD,
    LEAD_SD,
    NO_CHANGE,
    SCALES,
    SEASON_SD,
    SURPRISE_SD,
    PastErrors,
    calibrated_totals,
    error_factors,
    errors_to_come,
    past_errors,
)
from models.relines.simulation.counts import Calendar, no_event_counts

QUARTERS = 4
UNCHANGED = np.full(100, NO_CHANGE)
AS_FORECAST = np.zeros(100)


def windows(origins: int, bias: float, surprise: float, luck: float, seed: int) -> PastErrors:
    """Every quarter after each of some origins, as a fleet with such errors would show them."""
    rng = np.random.default_rng(seed)
    by_quarter = bias + rng.normal(0.0, np.hypot(surprise, luck), origins)
    at = [(h - ago, h) for ago in range(1, origins + 1) for h in range(1, min(ago, 4) + 1)]
    quarter, ahead = np.array(at).T
    error = by_quarter[quarter + origins - 1]
    return PastErrors(
        error,
        np.full(len(error), luck),
        quarter,
        ahead,
        UNCHANGED[: len(error)],
        AS_FORECAST[: len(error)],
    )


NOTHING = past_errors([], [], [])


def test_without_a_past_the_prior_stands():
    coming = errors_to_come(NOTHING, QUARTERS)
    assert coming.expected == pytest.approx(np.zeros(QUARTERS))
    # θ, ψ, φ, ω have a spread of their own: their mean square multiplies the prior's variance.
    variance = coming.sd**2 - LEAD_SD**2 * np.arange(QUARTERS)
    ratio = variance / (BIAS_SD**2 + AHEAD_SD**2 + SURPRISE_SD**2 + SEASON_SD**2)
    assert np.ptp(ratio) == pytest.approx(0.0, abs=1e-9)
    assert 1.0 < ratio[0] < 4.0


def test_one_error_by_hand():
    """One θ, ψ, φ and ω, one error of the last quarter: e K / (K + s²), K the prior covariance."""
    error, luck = 0.2, 0.1
    past = PastErrors(
        np.array([error]),
        np.array([luck]),
        np.array([0]),
        np.array([1]),
        UNCHANGED[:1],
        AS_FORECAST[:1],
    )
    coming = errors_to_come(past, 1)
    (middle,) = np.flatnonzero((SCALES == 1.0).all(axis=1))
    own = BIAS_SD**2 + AHEAD_SD**2 + SURPRISE_SD**2 + SEASON_SD**2
    with_next = (BIAS_SD**2 + AHEAD_SD**2 - SEASON_SD**2 / 3.0) * np.exp(-1.0 / 12.0)
    variance = own + luck**2 + 1e-6
    assert coming.mean[middle, 0] == pytest.approx(error * with_next / variance, rel=1e-9)
    assert coming.covariance[middle, 0, 0] == pytest.approx(own - with_next**2 / variance, rel=1e-9)


def test_a_lasting_bias_is_learned_and_a_fleet_without_errors_becomes_sure():
    biased = errors_to_come(windows(12, 0.15, 0.02, 0.03, 1), QUARTERS)
    assert biased.expected[0] == pytest.approx(0.15, abs=0.03)
    none = np.mean([errors_to_come(windows(12, 0.0, 0.0, 0.01, s), 1).sd[0] for s in range(5)])
    wild = np.mean([errors_to_come(windows(12, 0.0, 0.15, 0.03, s), 1).sd[0] for s in range(5)])
    prior = errors_to_come(NOTHING, 1).sd[0]
    assert none < 0.5 * prior
    assert wild > 1.3 * prior


def test_overlapping_windows_are_not_new_outcomes():
    """One quarter, forecast from four origins: four errors that say little more than one."""
    error, luck = np.full(4, 0.2), np.full(4, 0.1)
    ahead = np.arange(1, 5)
    one = PastErrors(
        error[:1], luck[:1], np.zeros(1, int), ahead[:1], UNCHANGED[:1], AS_FORECAST[:1]
    )
    four = PastErrors(error, luck, np.zeros(4, int), ahead, UNCHANGED[:4], AS_FORECAST[:4])
    apart = PastErrors(error, luck, -np.arange(4), np.ones(4, int), UNCHANGED[:4], AS_FORECAST[:4])
    single, many, spread = (errors_to_come(past, 1) for past in (one, four, apart))
    assert spread.expected[0] - single.expected[0] > 3 * (many.expected[0] - single.expected[0])


def test_a_bias_of_one_distance_ahead_stays_there():
    """A rule changed a year ago: the coming quarter has been missed every time, later ones not."""
    quarter, ahead = np.array([(q, h) for q in range(-3, 1) for h in range(1, 5)]).T
    error = np.where(ahead == 1, 1.0, 0.0)
    coming = errors_to_come(
        PastErrors(error, np.full(16, 0.15), quarter, ahead, UNCHANGED[:16], AS_FORECAST[:16]),
        QUARTERS,
    )
    assert coming.expected[0] > 0.6
    assert np.abs(coming.expected[1:]).max() < 0.15


def test_a_season_is_learned_and_is_no_bias_of_the_year():
    """Five quarters, the first and the last of which were winters in which more came: two winters
    among them where a year has one. The last is over, so the next is the fourth ahead."""
    at = [(h - ago, h) for ago in range(1, 6) for h in range(1, min(ago, 4) + 1)]
    quarter, ahead = np.array(at).T
    seasons = np.array([-0.05, -0.05, -0.05, 0.15])
    error = seasons[quarter % 4 - 1]
    n = len(error)
    past = PastErrors(error, np.full(n, 0.02), quarter, ahead, UNCHANGED[:n], AS_FORECAST[:n])
    expected = errors_to_come(past, QUARTERS).expected
    assert expected[3] > 0.06
    assert expected[:3].max() < 0.0
    assert expected.mean() == pytest.approx(0.0, abs=0.5 * error.mean())


def test_what_is_known_at_an_origin_was_over_by_then():
    known = windows(6, 0.0, 0.1, 0.1, 1).known_at(3)
    assert known.quarter.max() == 0
    assert len(np.unique(known.quarter)) == 3
    assert len(windows(6, 0.0, 0.1, 0.1, 1).known_at(6)) == 0


@pytest.mark.proof
def test_bands_widened_by_past_errors_cover_what_comes():
    """400 fleets whose errors have a bias and surprises of their own: 8 in 10 inside, ± 3 standard
    errors. Without what was learned, luck alone covers far less."""
    rng = np.random.default_rng(5)
    inside, alone = [], []
    for _ in range(400):
        bias = rng.normal(0.0, 0.08)
        draws = [np.exp(rng.normal(np.log(400.0), 0.03, (300, n))) for n in range(1, 9)]
        came = 400.0 * np.exp(bias + rng.normal(0.0, 0.04, 8) + rng.normal(0.0, 0.03, 8))
        happened = [came[8 - n :] for n in range(1, 9)]
        coming = errors_to_come(past_errors(draws, happened, range(1, 9)), 1)
        now = np.exp(rng.normal(np.log(400.0), 0.03, 300))
        calibrated = now * error_factors(coming, 300, 1)[:, 0]
        after = 400.0 * np.exp(bias + rng.normal(0.0, np.hypot(0.04, 0.03)))
        for held, drawn in ((inside, calibrated), (alone, now)):
            low, high = np.quantile(drawn, [0.1, 0.9])
            held.append(low <= after <= high)
    assert np.mean(inside) == pytest.approx(0.8, abs=0.06)
    assert np.mean(alone) < 0.55


def drawn_event_counts(months: int = 24, cells: int = 30):
    ends = 30.4375 * np.arange(1, months + 1)
    event_counts = no_event_counts(Calendar(ends, ends), 100, 500, cells)
    rng = np.random.default_rng(2)
    event_counts.relines[:] = rng.poisson(0.4, event_counts.relines.shape)
    event_counts.relines_by_span[:] = event_counts.relines
    return event_counts


def test_calibrated_counts_are_whole_and_follow_their_factors():
    event_counts = drawn_event_counts()
    past = windows(12, 0.2, 0.0, 0.02, 1)
    found = calibrated_totals(event_counts, past, 3)
    assert found.relines.dtype == np.int32
    assert found.relines.min() >= 0
    before, after = event_counts.relines.sum(axis=(1, 2)), found.relines.sum(axis=(1, 2))
    expected = np.exp(errors_to_come(past, 8).expected)
    assert after.mean() / before.mean() == pytest.approx(expected.mean(), abs=0.02)
    # A part's mean grows as the total's: rounding favours none. 500 draws of some 10 relines.
    by_cell = found.relines.sum(axis=1).mean(axis=0) / event_counts.relines.sum(axis=1).mean(axis=0)
    assert by_cell == pytest.approx(after.mean() / before.mean(), abs=0.02)
    again = calibrated_totals(event_counts, past, 3)
    assert (again.relines == found.relines).all()
    assert event_counts.relines.sum() == before.sum()


def test_a_large_fleet_does_not_claim_less_than_its_past_allows():
    event_counts = drawn_event_counts()
    event_counts.relines[:] *= 1000
    year = calibrated_totals(event_counts, NOTHING, 1).relines[:, :12].sum(axis=(1, 2))
    low, high = np.quantile(year, [0.1, 0.9])
    assert (high - low) / year.mean() > 0.1


def test_no_quarters_are_refused():
    with pytest.raises(ValueError, match="at least 1"):
        errors_to_come(NOTHING, 0)


def with_use(fall: float, always: float) -> PastErrors:
    """Eight origins of a fleet whose use fell three quarters ago, and is always missed a little:
    relines follow it, half in the quarter after."""
    at = [(h - ago, h) for ago in range(1, 9) for h in range(1, min(ago, 4) + 1)]
    quarter, ahead = np.array(at).T
    before, fell = quarter - ahead < -3, quarter >= -2
    use = always + fall * (before & fell)
    lagged = always + fall * (before & (quarter - 1 >= -2) & (ahead > 1))
    error = np.where(ahead == 1, use - fall * (before & fell) / 2.0, (use + lagged) / 2.0)
    return PastErrors(
        error, np.full(len(error), 0.05), quarter, ahead, UNCHANGED[: len(error)], use
    )


def test_use_that_shifted_is_no_bias_but_widens():
    shifted, calm = (errors_to_come(with_use(fall, 0.0), QUARTERS) for fall in (-0.4, 0.0))
    assert np.abs(shifted.expected).max() < 0.01
    assert (shifted.sd > 1.2 * calm.sd).all()
    # Without the records of use the fall is taken for a bias.
    blind = dataclasses.replace(with_use(-0.4, 0.0), use=np.zeros(26))
    assert errors_to_come(blind, QUARTERS).expected[3] < -0.1


def test_use_that_is_always_missed_alike_is_a_bias():
    past = with_use(0.0, 0.1)
    assert past.beyond_use == pytest.approx(past.error)
    assert errors_to_come(past, QUARTERS).expected.min() > 0.05


def test_use_by_hand():
    """Two quarters of one origin: the second's relines follow half of each quarter's use."""
    past = past_errors([np.full((5, 2), 20.0)], [np.full(2, 20.0)], [2], use=[np.array([0.2, 0.1])])
    assert past.beyond_use == pytest.approx(-np.array([0.1, 0.15]))


def test_what_missed_a_change_of_policy_says_nothing_of_forecasts_that_know_it():
    """By hand: the policy changed five quarters ago; one forecast of before, one of a quarter ago
    that knew of it and one that did not, and one of three quarters ago that had hardly seen it."""
    ahead = (4, 1, 1, 3)
    draws = [np.full((5, quarters), 20.0) for quarters in ahead]
    came = [np.array([20.0, 20.0, 40.0, 40.0]), *(np.full(n, x) for n, x in ((1, 21.0), (1, 40.0)))]
    every = past_errors(draws, [*came, np.full(3, 60.0)], [7, 1, 1, 3], [0, 4, 0, 2])
    told = every.under_policy(5)
    assert told.quarter.tolist() == [-6, -5, 0]
    assert np.exp(told.error).max() < 1.06
    assert len(every.under_policy(0)) == 9
    # Six quarters ago nobody could know: what was known then stays.
    assert every.known_at(6).quarter.tolist() == [0]


def test_who_knew_less_says_nothing_of_forecasts_that_know_more():
    """Two origins expect 20; one did not know that 40 come in such a quarter."""
    counts = no_event_counts(Calendar(np.array([30, 61, 91]), np.array([30, 61, 91])), 5, 5, 1)
    counts = dataclasses.replace(counts, relines_by_span=np.tile([[6], [7], [7]], (5, 1, 1)))
    day, use, known = dt.date(2026, 1, 1), np.zeros(1), frozenset({"season"})
    knew = PastTotals(day, 1, counts, np.array([20.0]), {}, {}, use, year_known=known)
    blind = PastTotals(day, 5, counts, np.array([40.0]), {}, {}, use)
    assert errors_of([knew, blind], year_known=known).error == pytest.approx([0.0])
    # Nor does one made when a hole of the records had hardly ended.
    lost = dataclasses.replace(blind, year_known=known, after_hole=True)
    assert errors_of([knew, lost], year_known=known).error == pytest.approx([0.0])
    # A forecast that knows of none may miss by one.
    assert errors_of([knew, blind]).error == pytest.approx([0.0, np.log(40.5 / 20.5)])


def test_a_thin_quarter_s_error_is_its_fuller_neighbour_s_by_hand():
    """Checks in the same weeks twice a year: 100 relines, few, 100, few. Forecasts have 8 in the
    quarters between, none come: one part in thirteen too many, not a logarithm of five."""
    full, thin = np.full(5, 100.0), np.full(5, 8.0)
    draws = [
        np.column_stack([full, thin, full, thin]),
        np.column_stack([thin, full, thin]),
        thin[:, None],
    ]
    came = [np.array([104.0, 0.0, 104.0, 0.0]), np.array([0.0, 104.0, 0.0]), np.zeros(1)]
    past = past_errors(draws, came, [4, 3, 1])
    # Each thin one goes with the full one before it: where that is before the origin, it says
    # nothing, and an origin that has the thin one alone says nothing at all.
    assert past.quarter.tolist() == [-3, -1, -1]
    assert past.ahead.tolist() == [1, 3, 2]
    assert past.error == pytest.approx(np.log(104.5 / 108.5))
    # What was taken together is known when all of it is over.
    assert past.known_from.tolist() == [-2, 0, 0]
    assert past.known_at(1).quarter.tolist() == [-2]
    coming = errors_to_come(past, 4)
    assert (np.abs(coming.expected) < 0.1).all()


def test_quarters_as_full_as_their_neighbours_stand_alone():
    drawn = np.tile([100.0, 45.0, 100.0, 41.0], (5, 1))
    past = past_errors([drawn], [np.array([90.0, 50.0, 110.0, 30.0])], [4])
    assert past.quarter.tolist() == [-3, -2, -1, 0]
    assert past.known_from.tolist() == past.quarter.tolist()
    assert past.error[3] == pytest.approx(np.log(30.5 / 41.5))


def test_a_fleet_sold_by_half_is_missing_from_what_came_and_from_no_forecast_of_today():
    """Origins before the sale missed by half; those since by nothing."""
    came, units = [np.full(4, 100.0) for _ in range(12)], [np.zeros(4) for _ in range(12)]
    for ago in range(1, 13):
        after = np.arange(1, 5) - ago > -5
        if ago > 5:
            came[ago - 1] = np.where(after, 50.0, 100.0)
            units[ago - 1] = np.where(after, np.log(0.5), 0.0)
    came = [c[:ago] for ago, c in enumerate(came, start=1)]
    units = [u[:ago] for ago, u in enumerate(units, start=1)]
    draws = [np.random.default_rng(ago).poisson(100.0, (200, len(c))) for ago, c in enumerate(came)]
    given = draws, came, range(1, 13)
    blind = errors_to_come(past_errors(*given), 4).expected
    seeing = errors_to_come(past_errors(*given, units=units), 4).expected
    assert blind.mean() < -0.04
    assert np.abs(seeing).max() < 0.02


def quarters_missed_by(own: list[float]) -> PastErrors:
    """Each quarter by as much however far ahead it was forecast; the last is the latest."""
    at = [(h - ago, h) for ago in range(1, len(own) + 1) for h in range(1, min(ago, 4) + 1)]
    quarter, ahead = np.array(at).T
    n = len(quarter)
    none = np.zeros(n)
    error = np.array(own)[quarter - 1]
    return PastErrors(error, np.full(n, 0.1), quarter, ahead, np.full(n, -1), none)


@pytest.mark.parametrize("at", [0, 3, 7])
def test_a_quarter_without_linings_is_no_bias_of_those_to_come(at):
    """70 relines were forecast and none was done: the log of that is as far off as a tenth of a
    thousandth would be."""
    own = [0.05, -0.04, 0.02, -0.03, 0.04, -0.05, 0.01, -0.02]
    own[at] = float(np.log(0.5 / 70.5))
    expected = errors_to_come(quarters_missed_by(own), QUARTERS).expected
    assert np.abs(expected).max() < 0.12


def test_what_most_quarters_missed_is_a_bias_however_large():
    past = quarters_missed_by([-0.6, -0.65, -0.55, -0.6, -0.7, -0.6, -0.62, -0.58])
    assert past.drawn_in.error.tolist() == past.error.tolist()
    assert errors_to_come(past, QUARTERS).expected[0] < -0.45


def test_quarters_are_drawn_in_by_hand():
    """The median quarter is 0, of which others are off by 0.1 in the median: four SDs are
    4 hypot(0.148, 0.1) = 0.715."""
    own = [0.0, 0.1, -0.1, 0.1, -0.1, 0.0, 0.0, -5.0, 0.2]
    found = quarters_missed_by(own).drawn_in
    limit = 4.0 * np.hypot(1.4826 * 0.1, 0.1)
    assert found.error.min() == pytest.approx(-limit)
    assert (found.error != quarters_missed_by(own).error).sum() == 4  # forecast four times
