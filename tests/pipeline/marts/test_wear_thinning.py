"""A fleet whose linings wear faster as they thin: what is told of it, and forecast with."""

import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from dashboards.sentences.departures import departures_said
from dashboards.sentences.measures import Fleet, Measures
from models.relines.forecast.minimum import minimum_forecast
from models.relines.forecast.relining import reline_forecast
from models.relines.simulation.counts import Calendar
from models.relines.simulation.draws import Luck, draw_fleet
from models.relines.simulation.layout import batch_layout
from models.relines.simulation.scenario import Scenario
from models.relines.simulation.simulate import simulate_relines
from models.wear.shape.scale import WearScale
from pipeline.marts.adjustment import drift_outlook, strokes_of, wear_since_setting
from pipeline.marts.planning.parts import lining_worn
from pipeline.marts.wear import write_wear_marts
from pipeline.stages import fitting
from pipeline.stages.fitting import fit_wear_and_use
from pipeline.stages.forecasting import known_fleet, linings_now
from pipeline.stages.origins import origins
from pipeline.stages.wear_scale import on_scale
from pipeline.warehouse import warehouse
from tests.worlds.fleet import ENDS_ON, lived
from tests.worlds.lake import counted
from tests.worlds.world import WORLDS

WORLD = WORLDS["wear quickens as linings thin"]
AS_OF = ENDS_ON - dt.timedelta(days=365)


@pytest.fixture(scope="module")
def fleet():
    return lived(WORLD, 907)


@pytest.fixture(scope="module")
def run(fleet, tmp_path_factory):
    with counted(fleet, tmp_path_factory.mktemp("thinning"), AS_OF) as made:
        yield made


@pytest.fixture(scope="module")
def fits(run):
    found = fit_wear_and_use(run.con, run.settings, AS_OF)
    write_wear_marts(run.con, found)
    return found


@pytest.fixture(scope="module")
def known(run, fits):
    return known_fleet(run.con, fits)


@pytest.fixture(scope="module")
def without(run):
    """The same fleet as it would be told by a straight line in mm."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fitting, "shown_thinning", lambda *_: None)
        return known_fleet(run.con, fit_wear_and_use(run.con, run.settings, AS_OF))


def test_it_is_found_and_told(run, fits):
    """Drawn with rates in a straight line from 0.55 to 1.45 of the mean: 2.6 times, and in the
    middle half of a lining's thickness as an exponential of ratio 2.5 has them."""
    low, high = fits.thinning.limits()
    assert 2.1 < low < high < 3.0
    told = warehouse.fetch(run.con, "from mart.wear_departures", order="kind")
    assert told["kind"].to_list() == ["bedding-in", "season", "thinning"]
    assert told.filter(kind="thinning")["estimate"].item() == pytest.approx(
        np.exp(fits.thinning.log_ratio)
    )
    said = " ".join(departures_said(told, Measures(Fleet())))
    assert "at their minimum 2." in said
    assert "faster and faster as they thin" in said
    assert "2 tests" in said


def test_the_warehouse_has_readings_on_the_same_scale(run, fits):
    with on_scale(run.con, fits.thinning) as names:
        assert names["stage.lining_readings"] == "scaled_readings"
        both = warehouse.fetch(
            run.con,
            """select r.lining_mm, s.lining_mm as even_mm, w.lining_new_mm, w.lining_min_mm
            from stage.lining_readings r
            inner join scaled_readings s using (life_id, inspected_on, as_left)
            inner join stage.lining_lives l on l.life_id = r.life_id
            inner join judge.wheel_ends w on w.wheel_end_id = l.wheel_end_id
            where r.lining_mm is not null""",
        )
    read, even, new, least = (c.to_numpy() for c in both.get_columns())
    scale = WearScale(fits.thinning.log_ratio, least, new - least)
    assert len(read) > 3_000
    assert (read < least).any()
    assert even == pytest.approx(scale.even_lining_mm(read), abs=1e-9)
    left = warehouse.fetch(run.con, "select table_name from duckdb_tables() where temporary")
    assert not left["table_name"].str.starts_with("scaled_").any()


def test_dates_at_the_minimum_hold_what_comes(fleet, known, without):
    """By a straight line in mm nearly half of the linings are at their minimum too early."""
    true = fleet.days_to_minimum(AS_OF)
    by_id = dict(zip(fleet.wheel_end_ids, true, strict=True))

    def shares(model) -> tuple[float, float]:
        days = minimum_forecast(model.lines, model.ends.minimum_mm, model.usage).days
        came = np.array([by_id[i] for i in model.ends.wheel_end_id])
        told = np.isfinite(days[0]) & (came > 0)
        early = (came < days[0])[told]
        return float(early.mean()), float(((came >= days[0]) & (came <= days[2]))[told].mean())

    early, inside = shares(known)
    assert early < 0.17
    assert 0.72 < inside < 0.93
    early, inside = shares(without)
    assert early > 0.35
    assert inside < 0.6


def test_linings_now_are_in_mm_by_a_gauge(run, fleet, known):
    told = linings_now(run.con, known)
    true = pl.DataFrame({"wheel_end_id": fleet.wheel_end_ids, "true_mm": fleet.lining_mm(AS_OF)})
    both = told.join(true, on="wheel_end_id")
    off = (both["lining_mm"] - both["true_mm"]).to_numpy()
    thin = (both["true_mm"] < both["true_mm"].quantile(0.25)).to_numpy()
    for some in (thin, ~thin):
        assert abs(off[some].mean()) < 0.1
        inside = np.abs(off)[some] <= 1.2816 * both["lining_sd"].to_numpy()[some]
        assert 0.7 < inside.mean() < 0.97


def test_reline_dates_agree_with_the_simulation(known):
    """Both count wheel ends relined at least once by a day; the code has nothing in common."""
    levels, day = np.linspace(0.02, 0.98, 33), 250.0
    days = reline_forecast(known.lines, known.ends, known.usage, known.policy, levels).days
    calendar = Calendar(np.array([day]), np.array([day]))
    (drawn,) = simulate_relines(known, calendar, draws=200, seed=5)
    simulated = drawn.relines.sum(axis=(1, 2)).mean() - drawn.second.mean()
    grid = np.concatenate([[0.0], levels, [1.0]])
    padded = np.vstack([np.zeros(days.shape[1]), days, days[-1] + 200.0])
    closed = sum(np.interp(day, np.minimum(d, 1e9), grid) for d in padded.T)
    assert closed == pytest.approx(simulated, rel=0.05)


def test_what_relines_take_off_is_in_mm_as_the_workshop_read_it(run, known):
    """The coming year's relines are of linings as thick as those on record, by the same policy."""
    calendar = Calendar(np.array([365.0]), np.array([365.0]))
    (drawn,) = simulate_relines(known, calendar, draws=100, seed=5)
    left = drawn.scrapped_mm.sum() / drawn.relines.sum()
    read = warehouse.one_row(
        run.con,
        "select avg(greatest(above_mm, 0)) from reduce.reline_decisions where relined",
    )[0]
    assert left == pytest.approx(read, abs=0.15)


def test_a_scenario_s_minimum_is_in_mm_too(known):
    draw = draw_fleet(known.lines, known.usage, known.policy, Luck(np.random.default_rng(1), 2))
    parts = known.ends, known.lines, known.usage, known.cells, draw
    as_now, raised = (
        batch_layout(*parts, Scenario("raised", minimum_change_mm=change)) for change in (0.0, 1.5)
    )
    gauge, every = np.linspace(1.6, 9.0, len(as_now.minimum_mm)), slice(None)
    at = raised.left_of(gauge - 1.5)
    assert raised.found_mm(at, every) == pytest.approx(gauge - 1.5)
    assert at + raised.minimum_mm == pytest.approx(as_now.left_of(gauge) + as_now.minimum_mm)
    some = np.array([3, 8])
    assert raised.found_mm(at[some], some) == pytest.approx((gauge - 1.5)[some])
    h = 1e-5
    slope = (raised.left_of(gauge - 1.5 + h) - raised.left_of(gauge - 1.5 - h)) / (2 * h)
    assert raised.left_per_mm(at) == pytest.approx(slope, rel=1e-6)


def test_wear_since_a_setting_is_that_of_the_lining_there(run, fleet, fits):
    """Against true linings on both days, thick and thin. A new lining is drawn to wear at 0.55 of
    the mean and the exponential has it at 0.66: thick ones are up to a fifth off, where mean
    wear is half as much again off them, and a tenth off thin ones."""
    at_their_own = _wear_over_true(run, fleet, fits)
    assert at_their_own[1] == pytest.approx(1.0, abs=0.06)
    assert 1.0 < at_their_own[0] < 1.2
    by_the_mean = _wear_over_true(run, fleet, replace(fits, thinning=None))
    assert by_the_mean[1] < 0.92
    assert by_the_mean[0] > 1.4


def _wear_over_true(run, fleet, fits) -> np.ndarray:
    """Wear told since settings over what it was, of thick linings and of thin ones."""
    wear = wear_since_setting(run.con, fits).drop_nulls("wear_mm")
    episodes = warehouse.fetch(
        run.con, "select episode_id, wheel_end_id, set_on from stage.setting_episodes"
    ).drop_nulls("set_on")
    rows = wear.filter(~pl.col("as_left")).join(episodes, on="episode_id")
    days = sorted({*rows["set_on"], *rows["inspected_on"]})
    place = {name: i for i, name in enumerate(fleet.wheel_end_ids)}
    lining = {day: fleet.lining_mm(day) for day in days}
    minimum = fleet.ends.minimum_mm
    told, true = np.zeros(2), np.zeros(2)
    for row in rows.to_dicts():
        end = place[row["wheel_end_id"]]
        then, now = lining[row["set_on"]][end], lining[row["inspected_on"]][end]
        # No new lining since the setting, and no wear over a third of a life, which is mean wear.
        if 0.0 < then - now < 3.0:
            thin = int(now - minimum[end] < 5.0)
            told[thin] += row["wear_mm"]
            true[thin] += then - now
    assert true.min() > 100.0
    return told / true


def test_what_lies_ahead_of_a_thin_lining_is_its_own_wear(run, fleet, known, fits):
    linings = linings_now(run.con, known)
    ahead = drift_outlook(run.con, fits, AS_OF, linings).drop_nulls("lining_now_mm")
    even = drift_outlook(run.con, replace(fits, thinning=None), AS_OF, linings)
    both = ahead.join(even, on="wheel_end_id", suffix="_even").drop_nulls("wear_to_next_mm")
    left = (both["lining_now_mm"] - both["lining_min_mm"]).to_numpy()
    more = (both["wear_to_next_mm"] / both["wear_to_next_mm_even"]).to_numpy()
    thin, thick = more[(left < 3.0)], more[left > 9.0]
    assert 1.15 < np.median(thin) < 1.6
    assert 0.5 < np.median(thick) < 0.9


def test_a_block_of_units_is_told_what_all_are(run, known, fits):
    linings = linings_now(run.con, known)
    units = warehouse.fetch(run.con, "select distinct unit_id from judge.wheel_ends").head(9)
    every, block = (strokes_of(run.con, fits, linings, AS_OF, some) for some in (None, units))
    for name in ("readings", "ends"):
        own = getattr(every, name).join(units, on="unit_id", how="semi", maintain_order="left")
        assert 0 < own.height < getattr(every, name).height
        assert own.equals(getattr(block, name))


def test_earlier_days_ask_for_themselves(run):
    """A year back it is found from what was known then; the look back is on the same scale."""
    then = [
        o for o in origins(run.con, run.settings, AS_OF, (), range(1, 3)) if o.fleet is not None
    ]
    assert len(then) == 2
    for origin in then:
        assert origin.fleet.lines.scale is not None
        assert 0.6 < origin.fleet.lines.scale.log_ratio < 1.2


def test_km_to_a_reline_are_those_that_relined_linings_ran(run, fits):
    """What costs per km rest on: three quarters of a thickness is more than that of its km."""
    ran = warehouse.fetch(
        run.con,
        """select l.axle_type, avg(r.km) as km, count(*) as lives
        from stage.lining_lives l
        inner join (
            select life_id, max(km_since_reline) as km from stage.lining_readings group by life_id
        ) r on r.life_id = l.life_id
        where l.start_known and l.ended_on is not null group by l.axle_type""",
    )
    rates = {r.axle_type: r.mm_per_10000km for r in fits.wear.rates}
    even, by_gauge = (lining_worn(run.con, thinning) for thinning in (fits.thinning, None))
    for axle_type, km, lives in ran.iter_rows():
        assert lives > 40
        told = even[axle_type] / rates[axle_type] * 1e4
        assert told == pytest.approx(km, rel=0.025)
        assert by_gauge[axle_type] / rates[axle_type] * 1e4 < 0.97 * km
