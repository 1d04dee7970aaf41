"""How surely the thinner end of an axle is read, by how many of its ends are."""

import polars as pl
import pytest

from models.relines.fleet import thinner_read


def axles(neither: int, one: int, both: int) -> pl.DataFrame:
    return pl.DataFrame({"neither_read": neither, "one_read": one, "both_read": both})


@pytest.mark.parametrize("q", [0.0, 0.03, 0.5, 0.8])
def test_ends_that_are_read_by_chances_of_their_own_stay_so(q):
    """By hand: q² of the visits read neither, 2q(1 - q) one."""
    n = 1_000_000
    counts = axles(*(round(n * share) for share in (q**2, 2 * q * (1 - q), (1 - q) ** 2)))
    assert thinner_read(1.0 - q, counts) == pytest.approx(1.0 - q, abs=1e-4)


def test_who_writes_one_for_both_reads_the_thinner():
    """All but 3 % of the axles, each with one reading: ends alone would be read by 8 in 100."""
    assert thinner_read(0.08, axles(30, 970, 0)) == pytest.approx(0.97 - 0.1432, abs=1e-3)
    assert thinner_read(0.08, axles(0, 1000, 0)) == 1.0


def test_axles_read_whole_or_not_at_all_are_taken_as_before():
    assert thinner_read(1.0, axles(500, 0, 500)) == 1.0
    assert thinner_read(0.7, axles(0, 0, 0)) == 0.7
