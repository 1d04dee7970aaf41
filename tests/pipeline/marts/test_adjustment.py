"""What drift is judged by, as a run works it out of the sample lake, against the truth it drew."""

import datetime as dt

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline.marts.adjustment import wear_since_setting
from pipeline.run import settings_of
from pipeline.stages.fitting import fit_wear_and_use
from pipeline.warehouse import warehouse
from tests import ROOT

HOME = ROOT / "sample_lake"


@pytest.fixture(scope="module")
def episodes(sample_out):
    """One row per setting episode read twice or more: wear from its first to its last reading by
    the fit (``wear``, ``sd``, mm) and in truth (``true_wear``); linings worn 0.5 mm or more."""
    settings = settings_of(HOME / "lake")
    with duckdb.connect(str(sample_out / warehouse.DATABASE), read_only=True) as con:
        fits = fit_wear_and_use(con, settings, dt.date(2026, 6, 29))
        since = wear_since_setting(con, fits)
        of = warehouse.fetch(con, "from stage.stroke_readings where not as_left")
    truth = pl.read_parquet(HOME / "truth" / "readings.parquet").select(
        "wheel_end_id", "inspected_on", true_mm="lining_mm"
    )
    both = since.join(of, on=["episode_id", "inspected_on", "as_left"]).join(
        truth, on=["wheel_end_id", "inspected_on"]
    )
    first, last = pl.all().first(), pl.all().last()
    ordered = both.sort("inspected_on").group_by("episode_id", "life_id", maintain_order=True)
    ends = ordered.agg(first).join(ordered.agg(last), on=["episode_id", "life_id"], suffix="_last")
    wear, own = pl.col("wear_mm_last") - pl.col("wear_mm"), pl.col("wear_mm_last")
    # One rate carries the uncertainty, so the SD of a part of the wear is that part of its SD.
    return ends.select(
        wear=wear,
        sd=pl.col("wear_sd_mm_last") * wear / own,
        true_wear=pl.col("true_mm") - pl.col("true_mm_last"),
    ).filter(pl.col("true_wear") > 0.5)


def test_wear_between_checks_is_the_true_wear(episodes):
    """Over 2,000 episodes; what they share by unit leaves a percent to the total."""
    assert episodes.height > 1500
    total, true = episodes["wear"].sum(), episodes["true_wear"].sum()
    assert total == pytest.approx(true, rel=0.02)


def test_its_interval_holds_the_truth_as_often_as_it_says(episodes):
    """Some 150 units, whose wheel ends go together: a share of 0.95 has an error of 0.018."""
    z = ((episodes["wear"] - episodes["true_wear"]) / episodes["sd"]).to_numpy()
    assert np.mean(np.abs(z) < 1.96) == pytest.approx(0.95, abs=3 * 0.018)
    # Not because everything is called unsure: half of the intervals are within ±10 %.
    assert np.median(episodes["sd"] / episodes["wear"]) < 0.05
