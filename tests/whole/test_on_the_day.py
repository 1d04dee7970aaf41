"""What is said of the as-of day: against drawn truth, and never against itself.

Two fleets of other habits than the demo's; `python -m tests.bench today` prints more of them.
"""

import datetime as dt
import re
from pathlib import Path

import polars as pl
import pytest

from dashboards.drawing.theme import STATE_WORDS
from dashboards.flagged import lining_said
from dashboards.page_data import Fleet
from dashboards.sentences.measures import Measures
from pipeline.warehouse import warehouse
from sample_lake import FleetParameters
from tests.on_the_day import HABITS, on_the_day, out_of_band, status_and_truth, written_status

DRAWN = {"as the demo's": 8, "half-yearly": 7}
# A brake that drags wears its lining much faster for a while; the few that do widen the spread that
# all are taken to have. Where brakes are checked twice a year that shows: 81.3 and 84.2 % were in
# bands that should hold 80, and 82.2 % of those drawn with the spread of the others (seed 7). Too
# wide is what we bear, not too narrow.
LINING_HELD = {"as the demo's": (0.77, 0.83), "half-yearly": (0.77, 0.85)}
BAND = 10.0, 15.0


pytestmark = pytest.mark.proof


@pytest.fixture(scope="module", params=DRAWN)
def drawn(request, tmp_path_factory):
    """Status beside truth, and the folder of the lake."""
    folder = tmp_path_factory.mktemp("drawn")
    habit = HABITS[request.param](FleetParameters())
    seed = DRAWN[request.param]
    return status_and_truth(folder, habit, wheel_ends=3_000, seed=seed), folder, request.param


def test_linings_strokes_and_chances_are_those_of_the_day(drawn):
    """Bounds of 8-in-10 bands: three points, of which one is the luck of some 500 units."""
    found = on_the_day(drawn[0])
    assert abs(found.lining_bias_mm) < 0.05
    low, high = LINING_HELD[drawn[2]]
    assert low <= found.lining_held <= high
    assert abs(found.stroke_bias) < 0.001
    assert 0.77 <= found.stroke_held <= 0.83
    assert found.out.is_luck


def test_settings_nobody_has_read_are_out_as_often_as_said(drawn):
    unread = drawn[0].filter(pl.col("last_read_on").is_null() & (pl.col("state") == "in_band"))
    assert unread.height > 200
    assert out_of_band(unread).is_luck
    assert unread["evidence"].str.contains("not read since").all()
    assert unread["stroke_ratio"].null_count() == unread.height


def test_what_failed_its_return_test_is_to_be_replaced_and_never_set(drawn):
    """By the lake's own rows: the last test failed, and no adjuster was fitted since."""
    found, folder, _ = drawn
    tests = pl.scan_parquet(folder / "lake" / "inspections" / "**" / "*.parquet")
    keys = ["unit_id", "axle_no", "side"]
    last = (
        tests.filter(pl.col("return_test").is_not_null())
        .sort("inspected_on", pl.col("as_left").fill_null(value=False))
        .group_by(keys)
        .agg(pl.col("return_test", "inspected_on").last())
        .filter(pl.col("return_test") == "fail")
    )
    fitted = (
        pl.scan_parquet(folder / "lake" / "work" / "**" / "*.parquet")
        .filter(pl.col("action") == "adjuster_replaced")
        .group_by(keys)
        .agg(pl.col("done_on").max())
    )
    late = pl.col("done_on") >= pl.col("inspected_on")
    failed = last.join(fitted, on=keys, how="left").filter(~late.fill_null(value=False))
    ends = failed.collect().select(wheel_end_id=pl.format("{}/{}{}", "unit_id", "axle_no", "side"))
    told = found.join(ends, on="wheel_end_id")
    assert told.height > 5
    assert told["flagged"].all()
    assert told["advice"].is_in(["replace", "reline_and_replace"]).all()
    assert not told["evidence"].str.contains("(?i)set it").any()
    others = found.join(ends, on="wheel_end_id", how="anti")
    set_anew = others.filter(pl.col("evidence").str.contains("(?i)set it as"))
    assert set_anew["evidence"].str.contains("est its return; if it passes, set it").all()


def test_linings_read_or_estimated_at_their_minimum_come_first(drawn):
    found = drawn[0]
    thin = (pl.col("lining_read_mm") <= pl.col("lining_min_mm")) | (
        pl.col("lining_mm") <= pl.col("lining_min_mm")
    )
    worn = found.filter(thin.fill_null(value=False))
    assert worn.height > 0
    assert set(worn["state"]) == {"worn_out"}
    assert set(worn["wheel_end_id"]) == set(
        found.sort("priority", descending=True)["wheel_end_id"].head(worn.height)
    )
    assert worn["flagged"].all()
    # Besides, one that grew without a word may be the old one, and is read again; so may one that
    # the record says was renewed where the axle's other end was the thinner.
    doubted = found.filter(pl.col("state") == "worn_out").join(worn, on="wheel_end_id", how="anti")
    assert doubted["evidence"].str.contains(r"read it again|which one is new\?").all()
    assert doubted.height <= worn.height


def percents(text):
    return [float(p) for p in re.findall(r"\((\d+(?:\.\d)?) %; band", text)]


def contradiction(row):
    """What a card says against itself, or nothing."""
    said, state = row["evidence"], row["state"]
    up, down = "up from" in said, "down from" in said
    takes_up = re.search(r"about (\d+) % of the wear \(19 chances in 20: (\d+)–(\d+) %\)", said)
    read = percents(said)
    rules = {
        "sets what it calls a hidden fault": "set it as" in said and "hide the fault" in said,
        "sets what went out before": "set it as" in said and "went out before" in said,
        "sets what failed": "set it as" in said and "return test failed" in said,
        "take-up of one reading": "read once" in said and takes_up is not None,
        "take-up that is not known": takes_up is not None
        and int(takes_up[3]) - int(takes_up[2]) > 30,
        "too much and yet growing": state == "tightening" and takes_up is not None and up,
        "too little and yet shrinking": state == "slackening" and takes_up is not None and down,
        "nothing taken up, yet not growing": "almost nothing is" in said and not up,
        "outside, yet read inside": bool(
            re.search(r"outside the band (since|at its)", said)
            and "together" not in said
            and BAND[0] + 0.5 < read[0] < BAND[1] - 0.5
        ),
        "in band, yet flagged for its stroke": said.count(": in band") > 0
        and row["flag_reason"] not in (None, "lining"),
        "in band, yet read outside": ": in band" in said
        and not BAND[0] - 0.5 <= read[0] <= BAND[1] + 0.5,
        "a word left out": bool(re.search(r"None|null|NaN|nan %", said)),
        "lining of nobody": row["lining_mm"] is None and row["min_on_p10"] is not None,
        "better by the next check": (row["p_out_next_check"] or 0) < (row["p_out_now"] or 0),
    }
    return [name for name, broken in rules.items() if broken]


def test_no_card_contradicts_itself(drawn):
    found = drawn[0]
    flagged = found.filter("flagged")
    assert flagged.height > 100
    broken = [
        (row["wheel_end_id"], contradiction(row), row["evidence"])
        for row in found.iter_rows(named=True)
        if contradiction(row)
    ]
    assert broken == []
    assert flagged["advice"].is_in(["nothing", "first_check", "check"]).sum() == 0
    assert set(found["state"].cast(pl.String)) <= STATE_WORDS.keys()


LININGS_ONLY = {
    "register": """unit_id,axle_no,side,axle_type,arm_length_mm,lining_new_mm,lining_min_mm
K1,1,L,carrying,150,18,6.5
K1,1,R,carrying,150,18,6.5
K2,1,L,carrying,150,18,6.5
K2,1,R,carrying,150,18,6.5
""",
    "inspections": """unit_id,axle_no,side,inspected_on,odometer_km,lining_mm,return_test
K1,1,L,2026-03-02,100000,4.2,pass
K1,1,R,2026-03-02,100000,9.0,fail
K2,1,L,2026-03-02,50000,11.5,pass
K2,1,R,2026-03-02,50000,11.0,
""",
}


def test_without_strokes_and_without_a_wear_fit_the_worst_is_still_said(tmp_path: Path):
    for table, text in LININGS_ONLY.items():
        folder = tmp_path / "lake" / table
        folder.mkdir(parents=True)
        (folder / "all.csv").write_text(text, encoding="utf-8")
    (tmp_path / "lake" / "fleet.toml").write_text("", encoding="utf-8")
    con = warehouse.in_memory()
    found = written_status(con, tmp_path, dt.date(2026, 4, 1)).sort("wheel_end_id")
    rows = {r["wheel_end_id"]: r for r in found.iter_rows(named=True)}
    worn, failed, seen = rows["K1/1L"], rows["K1/1R"], rows["K2/1L"]
    assert (worn["state"], worn["advice"], worn["flagged"]) == ("worn_out", "reline", True)
    assert worn["evidence"].startswith("Lining read 4.2 mm on 2 Mar 2026, minimum 6.5 mm.")
    assert (failed["advice"], failed["flagged"]) == ("replace", True)
    assert "return test failed on 2 Mar 2026, no replacement on record since" in failed["evidence"]
    assert (seen["state"], seen["flagged"], seen["lining_mm"]) == ("not_seen", False, None)
    assert lining_said(seen, Measures(Fleet())) == "Lining read 11.5\u00a0mm on 2 Mar 2026"
    assert worn["priority"] > failed["priority"] > seen["priority"]
