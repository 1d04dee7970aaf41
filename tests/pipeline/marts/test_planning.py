"""The marts a fleet plans from, of one small run: they agree with each other and the budget."""

import datetime as dt

import duckdb
import numpy as np
import polars as pl
import pytest

from models.lives.fits.distributions import STANDARD_DISTRIBUTIONS, LifeDistribution
from models.lives.fits.parametric import Convergence, LifeFit
from models.relines.past_errors import PastErrors
from pipeline.cli import main
from pipeline.marts.planning import costs, plan
from pipeline.marts.planning.parts import adjusted_pairs, mean_life
from pipeline.marts.planning.stock import linings_stock
from pipeline.settings import Settings
from tests.drawing import rows
from tests.lakes import UNITS, write_small_lake
from tests.reline_world import World, known_fleet, lived

SETTINGS = """
[budget]
plan_months = 12
[costs]
lining_kit = 90
drum = 150
drum_share = 0.5
reline_hours = 1.5
drum_hours = 0.5
check_hours = 0.2
hour_rate = 40
[depots.Northgate]
hours_a_month = 10
[stock]
service_level = 0.9
lead_weeks = 26
[changes.grease]
date = 2025-01-15
what = "another grease"
depots = ["Northgate", "Nowhere"]
[parts.soft]
price = 70
"""


def _km(number: int) -> int:
    """A little after the last check but one."""
    return 100_000 * number + (9_000 + 1_000 * number) * 7 + 2_000


@pytest.fixture(scope="module")
def con(tmp_path_factory):
    lake = write_small_lake(tmp_path_factory.mktemp("planning") / "lake")
    (lake / "fleet.toml").write_text(SETTINGS)
    relines = [
        (unit, 1, side, "2025-09-30", _km(int(unit[1:])), "reline", "soft")
        for unit in UNITS
        for side in "LR"
    ]
    columns = ["unit_id", "axle_no", "side", "done_on", "odometer_km", "action", "part"]
    pl.DataFrame(relines, schema=columns, orient="row").write_csv(lake / "work" / "relines.csv")
    for path in sorted((lake / "inspections").iterdir()):  # new linings are read as new
        read = pl.read_csv(path)
        since = (pl.col("inspected_on") > "2025-09-30") & (pl.col("axle_no") == 1)
        read.with_columns(lining_mm=pl.when(since).then(17.5).otherwise("lining_mm")).write_csv(
            path
        )
    out = lake.with_suffix(".out")
    assert main(["run", str(lake), "--out", str(out)]) == 0
    with duckdb.connect(str(out / "drumline.duckdb"), read_only=True) as made:
        yield made


def test_depots_relines_are_those_of_the_budget_month_by_month(con):
    by_depot = rows(
        con, "select month, sum(relines_mean) from mart.workshop_months group by 1 order by 1"
    )
    budget = rows(
        con,
        "select month, relines_mean from mart.reline_budget where axle_type is null order by 1",
    )
    assert [m for m, _ in by_depot] == [m for m, _ in budget]
    assert [n for _, n in by_depot] == pytest.approx([n for _, n in budget])


def test_hours_are_those_of_the_jobs_and_stand_against_what_a_depot_has(con):
    """Means by hand: 1.5 h a reline, half a drum of .5 h with it (its draws err by less than a
    tenth of an hour), .2 h a check; no adjuster hours are set."""
    for relines, checks, hours in rows(
        con, "select relines_mean, checks, hours_mean from mart.workshop_months"
    ):
        assert hours == pytest.approx(1.75 * relines + 0.2 * checks, abs=0.15)
    stated = rows(
        con,
        """select depot, count(hours_there), min(p_over), min(hours_there)
        from mart.workshop_months group by 1 order by 1""",
    )
    assert stated[0][:2] == ("Millbrook", 0)
    assert stated[1][1] > 0
    assert stated[1][3] == 10.0


def test_labour_that_is_not_stated_is_hours_at_their_rate(con):
    """90 for the linings and 1.5 h at 40: nothing on record has a cost, so [costs] are it."""
    linings, labour = (
        rows(
            con,
            f"""select cost_per_100000km from mart.costs_per_km
            where period = 'past' and item = '{item}' and axle_type is null""",
        )[0][0]
        for item in ("linings", "labour")
    )
    assert linings / labour == pytest.approx(90 / 60)


def test_stock_is_enough_as_often_as_asked(con):
    found = rows(
        con, "select item, demand_mean, stock, p_short, service_level from mart.stock_needed"
    )
    assert {item for item, *_ in found} == {"linings", "drum"}
    for _, mean, stock, short, level in found:
        assert short <= 1.0 - level + 1e-9
        assert stock >= mean - 1.0


def test_stock_carries_what_earlier_forecasts_missed_by():
    """Eight quarters, each relined 30 % more than forecast with 1 % of luck: nearly all of that is
    a bias, which stays, and not the prior's 5 %; over 30 weeks, three quarters."""
    fleet = known_fleet(lived(World(units=30, years_after=0.5), 5))
    settings = Settings.model_validate({"stock": {"lead_weeks": 30}})
    quarter = np.arange(-7, 1)
    unchanged = np.full(8, -100)
    past = PastErrors(
        np.full(8, np.log(1.3)),
        np.full(8, 0.01),
        quarter,
        np.ones(8, np.int64),
        unchanged,
        np.zeros(8),
    )
    mean, stock = {}, {}
    for name, known in (("none", None), ("low", past)):
        rows = [row for row in linings_stock(settings, fleet, known) if row["item"] == "linings"]
        mean[name], stock[name] = (sum(row[k] for row in rows) for k in ("demand_mean", "stock"))
    assert 1.15 < mean["low"] / mean["none"] < 1.35
    assert stock["low"] > stock["none"] * 1.1


def test_every_group_of_adjusters_is_another_chance_to_err():
    """Three pairs in three groups, by hand: the least p three times, the next twice."""
    pairs = [{"p": p} for p in (0.04, None, 0.01, 0.03)]
    assert [pair["p_adjusted"] for pair in adjusted_pairs(pairs)] == [
        pytest.approx(0.06),
        None,
        pytest.approx(0.03),
        pytest.approx(0.06),
    ]


def test_what_is_planned_is_ahead_likely_and_of_the_months_asked_for(con):
    found = rows(con, "select visit_on, month, p_reline, p_adjuster, check_first from mart.plan")
    assert found
    for visit_on, month, reline, adjuster, first in found:
        assert month == visit_on.replace(day=1)
        assert dt.date(2025, 11, 14) < visit_on <= dt.date(2026, 10, 31)
        assert first or (reline or 0.0) >= 0.1 or (adjuster or 0.0) >= 0.1


def test_a_part_has_its_price_and_a_lone_part_no_comparison(con):
    found = rows(con, "select part, fitted, note from mart.part_figures")
    # Fitted six weeks before the last check, which read them once.
    assert [part for part, *_ in found] == ["soft"]
    assert found[0][1] == 8
    assert rows(con, "select count(*) from mart.part_comparisons") == [(0,)]


def test_a_change_says_what_it_cannot_tell(con):
    found = dict(rows(con, "select measure, note from mart.change_effects"))
    assert set(found) == {"set_wrong", "wear", "failures", "cost"}
    assert "No record names Nowhere." in found["wear"]
    assert "Too few units changed" in found["failures"]


def test_visits_are_planned_the_same_a_few_wheel_ends_at_a_time(monkeypatch):
    fleet = known_fleet(lived(World(units=8), 3))
    size, unit = len(fleet.ends), fleet.ends.unit
    frame = pl.DataFrame(
        {
            "wheel_end_id": fleet.ends.wheel_end_id,
            "unit_id": [fleet.usage.unit_ids[u] for u in unit],
            "depot": ["Northgate"] * size,
            "axle_type": list(fleet.ends.axle_type),
            "duty": ["trunk"] * size,
            "flagged": [n % 5 == 0 for n in range(size)],
            "age_km": [50_000.0] * size,
        }
    )
    use = fleet.usage
    days = use.usual_days[unit], use.since_visit[unit], use.due_in[unit]
    ends = plan.Ends(frame, unit, *days, use.present[unit], np.full(size, 250.0))
    day = dt.date(2025, 6, 30)
    whole = plan._plan(Settings(), fleet, ends, (), day)
    assert whole.height > 7
    monkeypatch.setattr(plan, "ENDS_AT_ONCE", 7)
    assert plan._plan(Settings(), fleet, ends, (), day).equals(whole)


def test_a_group_that_has_not_run_yet_tells_nothing_of_its_unit_s_costs():
    """One new unit of a kind of its own, greased once and not run yet, beside two that have."""
    names = (*costs._ITEMS, *(f"{name}_counted" for name in costs.COUNTED), "relines_alone")
    nought = dict.fromkeys(names, 0.0)
    rows = [
        {"unit_id": unit, "axle_type": kind, "duty": "haul", "depot": None} | nought
        | {"wheel_end_km": km, "labour": 100.0, "all": 100.0, "relines_counted": n}
        for unit, kind, km, n in (("A", "S9", 5e4, 1), ("B", "S9", 5e4, 1), ("C", "S1", 0.0, 0))
    ]  # fmt: skip
    found = costs._units(pl.DataFrame(rows))
    assert found["unit_id"].to_list() == ["A", "B"]
    assert found["expected_cost"].to_list() == [100.0, 100.0]


def test_a_mean_life_that_may_be_anything_is_not_known():
    """A fit to a few failures can leave a mean within e^±900: no cost rests on it."""
    life = LifeDistribution(STANDARD_DISTRIBUTIONS["lognormal"], np.log(400_000.0), np.log(0.8))

    def known_by(errors: float) -> tuple[float, float, float] | None:
        good, none = Convergence(3, 1e-9, True, True), np.zeros((2, 2))
        return mean_life(LifeFit(life, np.diag([0.04, errors]), -1.0, 100.0, 8.0, good, none))

    found = known_by(0.04)
    assert found is not None
    low, mean, high = found
    assert mean == pytest.approx(400_000.0 * np.exp(0.8**2 / 2))
    assert 1.0 < high / mean < 3.0
    assert low * high == pytest.approx(mean**2)
    assert known_by(900.0) is None
