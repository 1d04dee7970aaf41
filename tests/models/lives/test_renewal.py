"""Ages of what nobody saw fitted, against places renewed one failure after the other."""

import numpy as np
import pytest

from models.lives.decisions.renewal import ages_met, renewal_density
from models.lives.fits.distributions import STANDARD_DISTRIBUTIONS, LifeDistribution

LIFE = LifeDistribution(STANDARD_DISTRIBUTIONS["weibull"], np.log(300_000.0), np.log(1 / 2.2))


def simulated(run: float, watched: float, places: int, seed: int) -> np.ndarray:
    """Ages at ``run`` km of those not renewed in the last ``watched``."""
    rng = np.random.default_rng(seed)
    fitted, running = np.zeros(places), np.arange(places)
    while len(running):
        fails = fitted[running] + 300_000.0 * rng.weibull(2.2, len(running))
        running, fails = running[fails < run], fails[fails < run]
        fitted[running] = fails
    age = run - fitted
    return age[age >= watched]


@pytest.mark.parametrize(
    ("run", "watched"), [(900_000.0, 0.0), (900_000.0, 200_000.0), (250_000.0, 50_000.0)]
)
def test_ages_are_those_of_places_renewed_at_every_failure(run: float, watched: float) -> None:
    found = ages_met(LIFE, np.array([watched]), np.array([run]), 20)[0]
    drawn = simulated(run, watched, 200_000, 1)
    assert found.mean() == pytest.approx(drawn.mean(), rel=0.02)
    # A twentieth each; what never failed is all of one age.
    assert np.mean(found == run) == pytest.approx(np.mean(drawn == run), abs=0.05)
    for age in np.linspace(watched, run, 6)[1:-1]:
        assert np.mean(found < age) == pytest.approx(np.mean(drawn < age), abs=0.05)


def test_renewals_come_as_often_as_lives_end_in_the_long_run() -> None:
    """One a mean life (Blackwell 1948, *Duke Mathematical Journal* 15:145)."""
    grid = np.linspace(0.0, 3e6, 257)
    mean = 300_000.0 * 0.885635  # gamma(1 + 1 / 2.2), Abramowitz and Stegun 1964, table 6.1
    # Failures come at the end of their step, half a step of 12,000 km late.
    assert renewal_density(LIFE, grid)[-1] * mean == pytest.approx(1.0, rel=0.03)


def test_nobody_is_older_than_the_place_nor_younger_than_it_was_watched() -> None:
    watched, run = np.array([10_000.0, 90_000.0, 5_000.0]), np.array([60_000.0, 90_000.0, 0.0])
    found = ages_met(LIFE, watched, run, 20)
    assert (found >= watched[:, None] - 1e-6).all()
    assert (found <= np.maximum(run, watched)[:, None] + 1e-6).all()


def test_beyond_all_that_the_life_says_they_are_what_was_watched() -> None:
    """Where nearly every check finds a failure, lives are short, and some were watched for longer
    than they can last."""
    short = LifeDistribution(STANDARD_DISTRIBUTIONS["weibull"], np.log(20_000.0), -1.5)
    found = ages_met(short, np.array([9e6]), np.array([9.5e6]), 20)
    assert found.tolist() == [[9e6] * 20]
