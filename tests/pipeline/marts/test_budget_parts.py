"""The budget of parts of the fleet: it must agree with the fleet's, future by future."""

import numpy as np
import polars as pl
import pytest

from models.relines.budget import budget_frame, budget_months, outlook_frame, quantile_columns
from models.relines.simulation.scenario import AS_NOW, RelineCosts
from models.relines.simulation.simulate import simulate_relines
from pipeline.marts.budget import budget_frames, simulated_futures
from pipeline.marts.budget_parts import months_frame, spans_frame
from pipeline.marts.budget_terms import DRAWS, SEED, plan
from pipeline.settings import Settings
from tests.reline_world import ORIGIN, World, known_fleet, lived

COSTS = RelineCosts(
    lining_kit=80, reline_labour=60, drum=150, drum_share=0.3, inflation_per_year=0.03
)
MONTHS = budget_months(ORIGIN, 24)
MEANS = ("relines_mean", "cost_mean")


@pytest.fixture(scope="module")
def fleet():
    return known_fleet(lived(World(units=24, years_after=0.5), 2))


@pytest.fixture(scope="module")
def by_month(fleet):
    return simulate_relines(fleet, MONTHS.calendar, draws=80, seed=1)[0]


@pytest.fixture(scope="module")
def parts(fleet, by_month):
    return months_frame(fleet.cells, by_month, MONTHS, COSTS, seed=0)


def test_parts_of_every_kind_add_up_to_the_fleets_mean(fleet, by_month, parts):
    total = budget_frame(fleet, by_month, MONTHS, COSTS).filter(pl.col("depot").is_null())
    assert parts["part"].n_unique() == 6
    for (_,), rows in parts.group_by("part"):
        summed = rows.group_by("month").agg(pl.col(MEANS).sum()).sort("month")
        for name in MEANS:  # the same draws, added up in another order: rounding only
            assert summed[name].to_numpy() == pytest.approx(total[name].to_numpy(), rel=1e-9)


def test_a_parts_band_is_that_of_its_cells_summed_within_each_future(fleet, by_month, parts):
    depot = fleet.cells.depots[0]
    mine = fleet.cells.frame().filter(pl.col("depot") == depot)["cell"].to_numpy()
    draws = by_month.relines[:, :, mine].sum(axis=2).astype(np.float64)
    expected = quantile_columns("relines", draws)
    rows = parts.filter((pl.col("part") == "depot") & (pl.col("depot") == depot)).sort("month")
    for name, values in expected.items():
        assert rows[name].to_list() == values.tolist()
    cells = budget_frame(fleet, by_month, MONTHS, COSTS).filter(pl.col("depot") == depot)
    naive = cells.group_by("month").agg(pl.col("relines_p90").sum()).sort("month")
    # Quantiles do not add up; of rare counts a single month's may even lie above the sum.
    assert rows["relines_p90"].sum() < naive["relines_p90"].sum()


def test_spans_end_when_the_fleets_do_and_add_up_to_it(fleet, by_month):
    spans = spans_frame(fleet.cells, by_month, MONTHS, COSTS, seed=0)
    outlook = outlook_frame(by_month, MONTHS, COSTS)
    for months in (12, 24):
        year = outlook.filter(
            (pl.col("months") == months) & (pl.col("from_on") == outlook["from_on"].min())
        ).row(0, named=True)
        rows = spans.filter((pl.col("months") == months) & (pl.col("part") == "depot"))
        assert rows["until_on"].unique().to_list() == [year["until_on"]]
        # The very same futures: the means agree to rounding.
        assert rows["relines_mean"].sum() == pytest.approx(year["relines_mean"], rel=1e-9)


def test_what_is_published_is_the_forecast_and_the_plan_stands_beside_it(fleet):
    """The outlook is the fleet working as it works, drawn as earlier origins draw it; the plan is
    set against it in the same futures, and a laxer risk asks for less."""
    settings = Settings()
    frames = budget_frames(simulated_futures(fleet, settings, ORIGIN), settings, None)
    now, kept = simulate_relines(
        fleet, MONTHS.calendar, draws=DRAWS, seed=SEED, scenarios=(AS_NOW, plan(settings))
    )
    year = now.span_relines[:, :12].sum(axis=1)
    published = frames["reline_outlook"].filter(pl.col("months") == 12)
    assert published["relines_mean"].item() == pytest.approx(year.mean())
    assert published["relines_p90"].item() == np.quantile(year, 0.9, method="inverted_cdf")
    beside = frames["reline_plan"].filter(pl.col("months") == 12)
    extra = kept.span_relines[:, :12].sum(axis=1) - year
    assert beside["extra_relines_mean"].item() == pytest.approx(extra.mean())
    assert beside["extra_relines_p10"].item() == np.quantile(extra, 0.1, method="inverted_cdf")
    avoided = (now.span_crossings - kept.span_crossings)[:, :12].sum(axis=1)
    assert beside["crossings_avoided_mean"].item() == pytest.approx(avoided.mean())
    assert avoided.mean() > 0.0
    lax = settings.model_copy(update={"budget": settings.budget.model_copy(update={"risk": 0.3})})
    fewer = budget_frames(simulated_futures(fleet, lax, ORIGIN), lax, None)["reline_plan"].filter(
        pl.col("months") == 12
    )
    assert fewer["extra_relines_mean"].item() < beside["extra_relines_mean"].item()
