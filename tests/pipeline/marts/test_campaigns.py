"""A drawn fleet that once relined all that was thin: found, told, and not forecast again."""

import datetime as dt

import polars as pl
import pytest

from dashboards.sentences.reline_policy import campaign_said
from models.relines.policy.frame import policy_frame
from pipeline.marts import marts
from pipeline.stages.fitting import fit_wear_and_use
from pipeline.stages.forecasting import known_fleet
from pipeline.warehouse import warehouse
from tests.worlds.fleet import ENDS_ON, lived
from tests.worlds.lake import counted
from tests.worlds.roads import CHECK_DAYS
from tests.worlds.world import WORLDS

AS_OF = ENDS_ON - dt.timedelta(days=365)
CAMPAIGN = WORLDS["a campaign relined all that was thin"]
PLAIN = WORLDS["checks exactly every 12 weeks"]


@pytest.fixture(
    scope="module",
    params=[CAMPAIGN, PLAIN],
    ids=["campaign", "none"],
)
def told(request, tmp_path_factory):
    """The drawn fleet, its world, and the mart's rows."""
    fleet = lived(request.param, 903)
    with counted(fleet, tmp_path_factory.mktemp("once"), AS_OF) as made:
        model = known_fleet(made.con, fit_wear_and_use(made.con, made.settings, AS_OF))
        marts.write(made.con, "reline_policy", policy_frame(model.policy, AS_OF, model.campaigns))
        yield fleet, request.param, warehouse.fetch(made.con, "from mart.reline_policy")


def test_a_campaign_is_told_with_its_days_and_relines_and_none_where_there_was_none(told):
    fleet, world, rows = told
    row = rows.row(0, named=True)
    if world is not CAMPAIGN:
        assert set(rows["campaigns"]) == {0}
        assert rows["campaign_until_on"].null_count() == rows.height
        assert campaign_said(rows) == ""
        return
    assert set(rows["campaigns"]) == {1}
    first = fleet.date(fleet.roads.closes_on)
    last = first + dt.timedelta(days=CHECK_DAYS - 1)
    # Told by quarters of 91 days: each end is less than one of them off.
    assert abs((row["campaign_from_on"] - first).days) < 91
    assert abs((row["campaign_until_on"] - last).days) < 91
    between = pl.col("relined_on").is_between(row["campaign_from_on"], row["campaign_until_on"])
    made = fleet.relines().filter(between).height
    # Every reline there is written down, on the day of its visit.
    assert row["campaign_relines"] == made
    assert row["campaign_usual"] < 0.5 * made
    assert f"{row['campaign_relines']} wheel ends" in campaign_said(rows)
