"""Wear by lining part: by hand, recovered from drawn fleets with intervals that cover, and nothing
found where nothing was drawn."""

import numpy as np
import polars as pl
import pytest

from models.common.multiple_tests import holm
from models.parts.sample_size import failures_needed, linings_needed
from models.parts.wear_ratios import part_ratios, sums_by_part
from models.wear.fit import fit_wear
from models.wear.sums import kept_lives
from tests.parts_drawn import drawn_linings


def ratios(seed, ratio, **how):
    sums, part = drawn_linings(seed, ratio, **how)
    return part_ratios(fit_wear(sums_by_part(sums, part)))


@pytest.fixture(scope="module")
def found():
    return ratios(1, 0.85)


def test_in_one_group_the_ratio_is_that_of_its_two_rates(found):
    sums, part = drawn_linings(1, 0.85)
    fit = fit_wear(sums_by_part(sums, part))
    for ratio in found[1:]:
        a, b = (
            fit.rate(f"{ratio.axle_type}\x1f{p}", ratio.duty).mm_per_10000km for p in ("A", "B")
        )
        assert ratio.ratio == pytest.approx(a / b, rel=1e-12)


def test_over_all_groups_the_ratio_lies_among_theirs_and_is_known_better(found):
    over_all, *groups = found
    assert (over_all.axle_type, over_all.duty) == (None, None)
    assert len(groups) == 2
    assert min(g.ratio for g in groups) <= over_all.ratio <= max(g.ratio for g in groups)
    width = [np.log(r.ci_high / r.ci_low) for r in found]
    assert width[0] < min(width[1:])
    assert over_all.p_adjusted == over_all.p
    assert [g.p_adjusted for g in groups] == pytest.approx(holm([g.p for g in groups]))


def test_linings_without_a_part_are_left_out():
    sums, part = drawn_linings(2, 1.0)
    some = pl.Series([None if n % 3 == 0 else p for n, p in enumerate(part)])
    by_part = sums_by_part(sums, some)
    alone = sums_by_part(kept_lives(sums, some.is_not_null().to_numpy()), some.drop_nulls())
    assert by_part.life_id.equals(alone.life_id)
    assert (by_part.axle == alone.axle).all()


@pytest.mark.proof
@pytest.mark.parametrize("by_unit", [False, True])
def test_intervals_cover_the_ratio_drawn(by_unit):
    """60 fleets, 95 % each: fewer than 51 covering would happen once in 3,000 tries of a right
    method (binomial). A unit with one part on all its wheel ends knows less than its four linings
    say, and the interval knows that."""
    drawn = [ratios(100 + seed, 0.9, by_unit=by_unit)[0] for seed in range(60)]
    covered = sum(r.ci_low <= 1 / 0.9 <= r.ci_high for r in drawn)
    assert covered >= 51
    logs = np.log([r.ratio for r in drawn])
    # Unbiased within three standard errors.
    assert abs(logs.mean() + np.log(0.9)) < 3 * logs.std() / np.sqrt(60)


@pytest.mark.proof
def test_nothing_is_found_where_nothing_was_drawn():
    """60 fleets of one wear: at 5 %, more than 9 finds happen once in 1,000 tries."""
    found = [ratios(300 + seed, 1.0, units=40)[0].p_adjusted < 0.05 for seed in range(60)]
    assert sum(found) <= 9


def test_the_linings_asked_for_tell_parts_apart_as_often_as_stated():
    """Truth 10 % apart: units with one lining each of either part, so that linings are independent.
    A lining's rate has SD sqrt(.05² + .05² + reading error .0324²) = .0778 around .45."""
    error = 0.3 / np.sqrt(((np.arange(8) - 3.5) ** 2).sum()) / 1.5
    variance = 0.05**2 + 0.05**2 + error**2
    needed = linings_needed(0.45, variance, 1.1)
    rng = np.random.default_rng(5)
    a, b = (0.45 * r + np.sqrt(variance) * rng.standard_normal((4_000, needed)) for r in (1, 1.1))
    z = (b.mean(1) - a.mean(1)) / np.sqrt(2 * variance / needed)
    # The normal approximation of a log ratio of 10 % is good to some points.
    assert (z > 1.96).mean() == pytest.approx(0.8, abs=0.05)


def test_failures_needed_are_those_of_the_published_formula():
    """Schoenfeld 1981, table in Collett, *Modelling Survival Data*, section 10.2: log hazard ratio
    .568 with power .9 at 5 % takes 4 (1.96 + 1.28)² / .568² = 130 deaths (from memory; the formula
    itself by hand here)."""
    assert failures_needed(np.exp(0.568), power=0.9) == 131
    with pytest.raises(ValueError, match="other than 1"):
        failures_needed(1.0)
