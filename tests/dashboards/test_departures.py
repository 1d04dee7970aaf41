"""Ways in which wear departs from a straight line, as the page says them."""

import polars as pl

from dashboards.page_data import Fleet
from dashboards.sentences.departures import departures_said, starts_said
from dashboards.sentences.measures import Measures
from dashboards.sentences.words import plain

METRIC = Measures(Fleet())


def said(kind: str, estimate: float, low: float, high: float, p: float) -> str:
    row = {"kind": kind, "estimate": estimate, "ci_low": low, "ci_high": high, "p_adjusted": p}
    (sentence,) = departures_said(pl.DataFrame([row | {"sentence": ""}]), METRIC)
    return sentence


def test_new_linings_that_lose_less_are_not_said_to_lose_less_than_nothing():
    shown = said("bedding-in", -0.42, -0.63, -0.21, 0.0006)
    assert shown.startswith("New linings wear less soon after a reline than later: they keep 0.42")
    assert "0.21–0.63" in shown
    assert "−" not in shown
    assert "lose 0.42" in said("bedding-in", 0.42, 0.21, 0.63, 0.0006)
    assert said("bedding-in", -0.06, -0.12, 0.0, 0.35).startswith("No bedding-in is shown")


def test_thinning_is_told_both_ways_and_without_a_p():
    faster = said("thinning", 2.4, 2.2, 2.6, 1e-9)
    assert "faster and faster as they thin: at their minimum 2.4" in faster
    assert "(2.2–2.6) as fast as when new" in faster
    assert "p <" not in faster
    assert "ever more slowly as they thin" in said("thinning", 0.5, 0.4, 0.6, 1e-9)


def test_thinning_is_no_test_that_others_allow_for():
    frame = pl.DataFrame(
        {
            "kind": ["bedding-in", "season", "thinning"],
            "estimate": [0.1, 0.1, 2.0],
            "ci_low": [0.0, 0.0, 1.8],
            "ci_high": [0.2, 0.2, 2.2],
            "p_adjusted": [0.4, 0.4, 1e-9],
            "sentence": [""] * 3,
        }
    )
    bedding, season, _ = departures_said(frame, METRIC)
    assert "allowing for 2 tests" in bedding
    assert "allowing for 2 tests" in season


def first_readings(by: float, *, n: int = 60, sd: float = 0.5) -> pl.DataFrame:
    before = {"n_before": 200, "mean_before": -0.1, "sd_before": 0.4}
    late = {"depot": "Birch", "n_late": n, "mean_late": by - 0.1, "sd_late": sd}
    return pl.DataFrame([late | before])


def test_new_linings_that_read_otherwise_than_before_are_told() -> None:
    (thin,) = map(plain, starts_said(first_readings(-5.4), METRIC))
    assert thin.startswith(
        "New linings at Birch were first read 5.4 mm thinner in the last 12 months than before (60 "
        "against 200 linings): thinner linings, or a gauge that reads otherwise?"
    )
    (thick,) = map(plain, starts_said(first_readings(0.9), METRIC))
    assert "0.90 mm thicker" in thick or "0.9 mm thicker" in thick
    for none in (first_readings(0.5), first_readings(-5.4, n=8), first_readings(-1.0, sd=2.0)):
        assert starts_said(none, METRIC) == ()
    assert starts_said(None, METRIC) == ()
