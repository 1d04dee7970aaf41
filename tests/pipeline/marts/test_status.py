"""Early dates where what was read last may be wrong."""

import datetime as dt

import polars as pl
import pytest

from pipeline.marts.status import _with_early_dates_of_the_doubted

TODAY, EARLY = dt.date(2025, 7, 1), dt.date(2026, 1, 17)  # 200 days ahead
SEEN_KM, EARLY_KM = 100_000.0, 160_000.0


def early(
    *,
    step_mm: float = 1.0,
    depot: str = "Ash",
    read_on: dt.date = dt.date(2025, 6, 1),
    before: tuple[float, dt.date] | None = None,
) -> tuple[dt.date, float]:
    """The early date of an end at Ash that wears 0.01 mm a day, and its km."""
    status = pl.DataFrame(
        {
            "wheel_end_id": ["K1/1L"],
            "depot": ["Ash"],
            "lining_read_on": [read_on],
            "lining_min_mm": [5.0],
            "lining_before_mm": [before[0] if before else None],
            "lining_before_on": [before[1] if before else None],
            "seen_km": [SEEN_KM],
            "min_km_p10": [EARLY_KM],
            "min_on_p10": [EARLY],
        },
        schema_overrides={"lining_before_mm": pl.Float64, "lining_before_on": pl.Date},
    )
    linings = pl.DataFrame({"wheel_end_id": ["K1/1L"], "wear_a_day_mm": [0.01]})
    gauges = pl.DataFrame(
        {"depot": [depot], "since_on": [dt.date(2025, 1, 1)], "step_mm": [step_mm]}
    )
    found = _with_early_dates_of_the_doubted(status, linings, gauges, TODAY)
    assert found.columns == status.columns
    return found["min_on_p10"].item(), found["min_km_p10"].item()


def test_a_gauge_that_reads_thicker_since_makes_dates_early_by_the_wear_it_may_hide():
    day, km = early()
    assert day == EARLY - dt.timedelta(days=100)
    assert km == pytest.approx((SEEN_KM + EARLY_KM) / 2.0)
    assert early(step_mm=5.0) == (TODAY, SEEN_KM)  # never before today


@pytest.mark.parametrize(
    "why",
    [{"step_mm": -1.0}, {"depot": "Birch"}, {"read_on": dt.date(2024, 12, 1)}],
    ids=["thinner since", "another depot's gauge", "read by the gauge before"],
)
def test_other_dates_stay(why):
    assert early(**why) == (EARLY, EARLY_KM)


def test_a_lining_that_grew_without_a_word_has_the_date_of_the_old_one():
    old = 6.0, dt.date(2025, 5, 2)
    assert early(before=old, step_mm=-1.0)[0] == old[1] + dt.timedelta(days=100)
    assert early(before=old, step_mm=1.95)[0] == EARLY - dt.timedelta(days=195)
