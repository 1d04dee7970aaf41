"""Units that stood off the road until they were checked, and go out again or stand on."""

import numpy as np
import polars as pl
import pytest

from models.usage.absences import absence_classes
from models.usage.ahead import away_now
from models.usage.fit import UsageFit
from tests.models.usage.test_closed import AS_OF, fitted


def hired(goes_out: float, units: int = 40, seed: int = 1) -> pl.DataFrame:
    """Three intervals of 84 days on the road, then some of 150 days standing, and so on; after each
    of these a unit goes out again by a chance. The last interval of all is one that stood."""
    rng, rows = np.random.default_rng(seed), []
    for u in range(units):
        kinds = ["stood"]
        while len(kinds) < 22:
            ran = kinds[0] == "stood" and rng.random() < goes_out
            kinds[:0] = ["ran"] * 3 if ran else ["stood"]
        day = 0.0
        for kind in reversed(kinds):
            days = 84 if kind == "ran" else 150
            day -= days
            km = 250.0 * days * np.exp(rng.normal(0.0, 0.05)) * (1.0 if kind == "ran" else 0.02)
            rows.append((f"U{u:02d}", "North", "line", day, days, km))
    names = ["unit_id", "depot", "duty", "first", "days", "km"]
    since = pl.lit(AS_OF, pl.Date) + pl.duration(days=pl.col("first").cast(pl.Int64))
    return pl.DataFrame(rows, names, orient="row").with_columns(
        from_on=since, to_visit=pl.lit(value=True), one_duty=pl.lit(value=True)
    )


def standing(goes_out: float) -> UsageFit:
    use = fitted(hired(goes_out))
    # Where half stand on, some are taken to be slow rather than to stand.
    assert use.off_now.mean() > 0.75
    return use


@pytest.mark.parametrize("goes_out", [1.0, 0.5])
def test_use_after_standing_is_that_of_units_that_had_stood(goes_out):
    use = standing(goes_out)
    away, off = away_now(use), use.off_now
    assert away.on_road[off].mean() == pytest.approx(goes_out, abs=0.12)
    assert away.use[off].mean() == pytest.approx(goes_out, abs=0.15)
    # Whether a unit runs is not known: so much its km may vary.
    spread = np.sqrt(away.variance[off].mean())
    assert spread == pytest.approx(np.sqrt(goes_out * (1.0 - goes_out)), abs=0.1)


def test_absences_of_units_seen_standing_are_over_by_the_chance_to_go_out():
    use = standing(0.5)
    classes = absence_classes(use)
    days, chance = classes.left[int(classes.number[np.flatnonzero(use.off_now)[0]])]
    assert chance.sum() == pytest.approx(1.0)
    assert chance[days == 0.0].sum() == pytest.approx(0.5, abs=0.12)
    assert (days @ chance) > 10.0
