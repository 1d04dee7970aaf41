"""A large fleet's totals from a part of its units, against all of it simulated."""

from collections.abc import Iterator

import numpy as np
import pytest

from models.relines.budget import budget_months
from models.relines.simulation.counts import EventCounts
from models.relines.simulation.sampling import every_kth
from models.relines.simulation.scenario import AS_NOW, Scenario
from models.relines.simulation.simulate import FleetModel, simulate_relines
from tests.reline_world import ORIGIN, World, known_fleet, lived

DRAWS, ENDS = 400, 600
MONTHS = budget_months(ORIGIN, 12).calendar
GUARDED = Scenario("guarded", guard=True)
ERRORS = 3.5
"""Standard errors allowed: with some 40 comparisons, chance alone passes these once in 50 seeds."""
QUANTILE_ERROR = 1.71
"""Standard error of the p10 or p90 of n normal numbers, in SD over the root of n."""


@pytest.fixture(scope="module")
def fleet() -> FleetModel:
    return known_fleet(lived(World(units=400, years_after=0.1), 3))


def drawn(fleet: FleetModel, most_ends: int, seed: int) -> tuple[EventCounts, ...]:
    return simulate_relines(
        fleet,
        MONTHS,
        draws=DRAWS,
        seed=seed,
        scenarios=(AS_NOW, GUARDED),
        most_ends=most_ends,
    )


@pytest.fixture(scope="module")
def whole(fleet: FleetModel) -> tuple[EventCounts, ...]:
    return drawn(fleet, len(fleet.ends), 1)


@pytest.fixture(scope="module", params=[2, pytest.param(3, marks=pytest.mark.proof)])
def part(fleet: FleetModel, request: pytest.FixtureRequest) -> tuple[EventCounts, ...]:
    return drawn(fleet, ENDS, request.param)


def parts_of(fleet: FleetModel) -> Iterator[np.ndarray]:
    """Cells of the fleet and of each of its depots."""
    yield np.arange(fleet.cells.n_cells)
    for (_,), cells in fleet.cells.frame().group_by("depot", maintain_order=True):
        yield cells["cell"].to_numpy()


def test_totals_are_those_of_the_whole_fleet_within_their_error(fleet, whole, part):
    assert len(fleet.ends) == 4 * ENDS
    for full, some in zip(whole, part, strict=True):
        for cells in parts_of(fleet):
            all_of, of_part = (
                t.relines_by_span[:, :, cells].sum(axis=(1, 2)) for t in (full, some)
            )
            by_draws = np.hypot(all_of.std(), of_part.std()) / np.sqrt(DRAWS)
            by_units = some.mean_error(0, 12, cells)
            assert by_units < 0.015 * all_of.mean()
            error = np.hypot(by_draws, by_units)
            assert of_part.mean() == pytest.approx(all_of.mean(), abs=ERRORS * error)
            error = np.hypot(QUANTILE_ERROR * by_draws, by_units)
            for p in (0.1, 0.9):
                expected = np.quantile(all_of, p)
                assert np.quantile(of_part, p) == pytest.approx(expected, abs=ERRORS * error)
            # SD of an SD: 1 / sqrt(2 n) of it, twice; what units share is known to a tenth.
            assert of_part.std() == pytest.approx(all_of.std(), rel=ERRORS * 0.05 + 0.1)


def test_rare_events_keep_their_mean_and_spread(whole, part):
    """Crossings: fewer than one in a month and cell."""
    full, some = (t[0].span_crossings.sum(axis=1) for t in (whole, part))
    by_units = part[0].mean_error(0, 12, np.arange(part[0].relines.shape[2]))
    # A count of one in so many relines is known worse than they are by the root of that.
    by_units *= np.sqrt(full.mean() / part[0].span_relines.sum(axis=1).mean())
    error = np.hypot(np.hypot(full.std(), some.std()) / np.sqrt(DRAWS), by_units)
    assert some.mean() == pytest.approx(full.mean(), abs=ERRORS * error)
    assert some.std() == pytest.approx(full.std(), rel=0.15)


def test_scenarios_differ_as_in_the_whole_fleet(whole, part):
    more, more_in_part = (
        (t[1].span_relines - t[0].span_relines).sum(axis=1) for t in (whole, part)
    )
    error = np.hypot(more.std(), more_in_part.std()) / np.sqrt(DRAWS)
    by_batch = (part[1].batch_means - part[0].batch_means).sum(axis=(1, 2))
    error = np.hypot(error, by_batch.std() / np.sqrt(len(by_batch)))
    assert more_in_part.mean() == pytest.approx(more.mean(), abs=ERRORS * error)
    assert more_in_part.std() == pytest.approx(more.std(), rel=0.35)
    apart = np.random.default_rng(1).permutation(whole[0].span_relines.sum(axis=1))
    unpaired = (whole[1].span_relines.sum(axis=1) - apart).std()
    assert more_in_part.std() < 0.8 * unpaired


def test_a_scenario_asked_alone_has_the_same_futures(fleet):
    both = simulate_relines(
        fleet, MONTHS, draws=8, seed=4, scenarios=(AS_NOW, GUARDED), most_ends=ENDS
    )
    (alone,) = simulate_relines(
        fleet, MONTHS, draws=8, seed=4, scenarios=(GUARDED,), most_ends=ENDS
    )
    for name in ("relines", "visits_by_span", "crossings", "second", "scrapped_mm"):
        assert (getattr(alone, name) == getattr(both[1], name)).all()


def test_counts_are_whole_and_none_is_below_nought(part):
    for event_counts in part:
        assert event_counts.relines.dtype == np.int32
        assert (
            min(event_counts.relines.min(), event_counts.visits.min(), event_counts.crossings.min())
            >= 0
        )


def test_every_unit_has_its_turn():
    line = np.arange(97)
    taken = np.concatenate([every_kth(line, 12, batch) for batch in range(50)])
    turns = np.bincount(taken, minlength=97)
    assert turns.min() >= 4
    assert turns.max() <= 9


@pytest.mark.parametrize("draws", [1, 2, 5])
def test_few_futures_are_enough(fleet, draws):
    (event_counts,) = simulate_relines(fleet, MONTHS, draws=draws, seed=5, most_ends=ENDS)
    assert event_counts.n_draws == draws
    assert event_counts.relines.sum() > 0
