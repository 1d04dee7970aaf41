"""What the marts on adjusters' lives say: by hand, against truth, and with next to no records."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from models.common.multiple_tests import holm
from models.lives.decisions.fleet import undetected_interval
from models.lives.effects.regression import effects, fit_regression
from models.lives.effects.watched import FACTORS, SHARES, TERMS, WatchedLives
from models.lives.findings.risk_set import main_at_risk_interval, without_idle_pairs
from models.lives.fits.data import LifeCounts, counts_from_rows
from models.lives.fits.npmle import fit_npmle
from models.lives.fits.parametric import LifeFit, choose_life, fit_life
from models.relines.budget import budget_months
from models.usage.fit import fit_usage
from pipeline.lake import loading
from pipeline.marts import marts
from pipeline.marts.lives import chapter
from pipeline.marts.lives.causes import Ends, group_rows
from pipeline.marts.lives.cells import Cell, fleet_cells
from pipeline.marts.lives.comparisons import life_comparisons
from pipeline.marts.lives.decisions import (
    check_intervals,
    replacement_ages,
    weeks_between_checks,
)
from pipeline.marts.lives.effects import effect_frames
from pipeline.marts.lives.failures import (
    BY_COUNTS,
    PARTLY_BY_COUNTS,
    error_factor,
    failure_outlook,
    failures_ahead,
    failures_of,
    months_of_failures,
    write_failure_marts,
)
from pipeline.marts.lives.fits import GroupLife, GroupLives, write_life_marts
from pipeline.marts.lives.found import PartLife, parts_apart
from pipeline.marts.lives.replacements import Watches, replacement_frames
from pipeline.marts.lives.schemas import LIFE_SCHEMAS
from pipeline.marts.lives.watched import left_out_words, watched_lives
from pipeline.marts.results import FailuresAhead
from pipeline.run import settings_of
from pipeline.settings import Settings
from pipeline.stages.failures_judged import failure_rows
from pipeline.stages.fitting import fit_fleet, write_chapter
from pipeline.warehouse import judging, warehouse
from pipeline.warehouse.background import IN_PLACE
from sample_lake import FleetParameters, LakeOptions, simulate, write_lake
from tests.drawing import rows, warehouse_of
from tests.lakes import write_small_lake
from tests.oracles.undetected_draws import undetected_by_interval

NOW = dt.datetime(2026, 11, 1)


# --- what SQL makes of the records -----------------------------------------------------------

REGISTER = """
    unit_id | axle_no | side | axle_type | arm_length_mm | adjuster_fitted_on | adjuster_fitted_km
    K1      | 1       | L    | trailing  | 140           | 2024-01-01         | 90000
    K1      | 1       | R    | trailing  | 140           | -                  | -
"""
CHECKS = """
    unit_id | axle_no | side | inspected_on | odometer_km | free_stroke_mm | return_test | cap_state
    K1      | 1       | L    | 2024-02-01   | 100000      | 18             | pass        | seated
    K1      | 1       | L    | 2024-05-11   | 110000      | 18             | pass        | open
    K1      | 1       | L    | 2024-08-19   | 120000      | 18             | pass        | seated
    K1      | 1       | L    | 2024-11-27   | 130000      | 30             | fail        | -
    K1      | 1       | R    | 2024-02-01   | 100000      | 18             | pass        | seated
    K1      | 1       | R    | 2024-11-27   | 130000      | 18             | pass        | seated
"""
WORK = """
    unit_id | axle_no | side | done_on    | odometer_km | action            | reason
    K1      | 1       | L    | 2024-02-01 | 100000      | greased           | planned
    K1      | 1       | L    | 2024-05-11 | 110000      | greased           | planned
    K1      | 1       | L    | 2024-11-27 | 130000      | adjuster_replaced | failed
"""
DUTY = """
    unit_id | duty  | from_on    | to_on
    K1      | long  | 2024-01-01 | 2024-08-18
    K1      | short | 2024-08-19 | -
"""


@pytest.fixture(scope="module")
def drawn():
    con = warehouse_of(register=REGISTER, inspections=CHECKS, work=WORK, duty=DUTY)
    warehouse.build(con, "30_reduce")
    return con


def test_life_cuts_are_where_watching_begins_and_ends_and_every_look_between(drawn):
    assert rows(
        drawn,
        """select on_date, km, cap_open from reduce.adjuster_life_cuts
        where adjuster_id = 'K1/1L~1' order by on_date""",
    ) == [
        (dt.date(2024, 2, 1), 10_000, 0),
        (dt.date(2024, 5, 11), 20_000, 1),
        (dt.date(2024, 8, 19), 30_000, 0),
        (dt.date(2024, 11, 27), 40_000, 0),
    ]


def test_greasings_kept_are_overdue_from_the_day_they_were_due(drawn):
    """Every 84 days: the second came 16 days late, and none came on 3 August."""
    assert rows(
        drawn,
        """select done_on, until_on, overdue_from, days_before, late_share
        from reduce.greasings_kept order by done_on""",
    ) == [
        (dt.date(2024, 2, 1), dt.date(2024, 5, 11), dt.date(2024, 4, 25), 0, None),
        (dt.date(2024, 5, 11), None, dt.date(2024, 8, 3), 16, 1.0),
    ]


def test_adjuster_spells_follow_duty_greasing_and_the_cap_found_at_the_end(drawn):
    """Greased every 84 days: late by 16 on 11 May, then due on 3 August and never done again.

    From 11 May to 19 August 16 of 100 days were overdue (none, to a third); from then on all 100.
    One of two greasings came late.
    """
    assert rows(
        drawn,
        """select duty, from_km, to_km, greasing_overdue, cap_open, greased_late_share
        from reduce.adjuster_spells where adjuster_id = 'K1/1L~1' order by from_km""",
    ) == [
        ("long", 10_000, 20_000, 0.0, 1.0, 0.0),
        ("long", 20_000, 30_000, 0.0, 0.0, 1.0),
        ("short", 30_000, 40_000, 1.0, 0.0, 1.0),
    ]


def test_adjuster_spells_join_where_nothing_changes(drawn):
    """The right-hand adjuster is of unknown age and has none; weeks follow days."""
    found = rows(
        drawn,
        """select count(*), min(from_weeks) * 7, max(to_weeks) * 7 from reduce.adjuster_spells
        where adjuster_id like 'K1/1L%'""",
    )
    assert found == [(3, pytest.approx(31), pytest.approx(331))]
    assert rows(drawn, "select count(*) from reduce.adjuster_spells") == [(3,)]


def test_wheel_end_watches_are_cut_by_duty_and_hold_their_replacements(drawn):
    assert rows(
        drawn,
        """select wheel_end_id, duty, from_km, to_km from reduce.wheel_end_watches
        order by wheel_end_id, from_km""",
    ) == [
        ("K1/1L", "long", 100_000, 120_000),
        ("K1/1L", "short", 120_000, 130_000),
        ("K1/1R", "long", 100_000, 120_000),
        ("K1/1R", "short", 120_000, 130_000),
    ]
    assert rows(drawn, "select * from reduce.wheel_end_replacements") == [
        ("K1/1L", "short", 120_000, 130_000)
    ]


def test_adjuster_end_counts_are_rounded_outwards_and_keep_a_length(drawn):
    assert rows(
        drawn,
        """select duty, says, cause, from_km, to_km, adjusters
        from reduce.adjuster_end_counts order by says""",
    ) == [
        ("long", "ended", "failed", 30_000, 40_000, 1),
        ("long", "entered", None, None, 10_000, 1),
    ]


def test_end_counts_round_a_failure_to_the_steps_around_it():
    """Good at 20,900 km of age and failed at 30,100: between 20,000 and 32,000."""
    checks = CHECKS.replace("120000", "110900").replace("130000", "120100")
    work = WORK.replace("130000", "120100")
    con = warehouse_of(register=REGISTER, inspections=checks, work=work)
    warehouse.build(con, "30_reduce")
    assert rows(
        con,
        "select from_km, to_km from reduce.adjuster_end_counts where says = 'ended'",
    ) == [(20_000, 32_000)]


def test_adjusters_now_say_how_old_each_one_is(drawn):
    """The left one was fitted on the last day; nobody knows when the right one was."""
    assert rows(
        drawn, "select wheel_end_id, duty, age_km from reduce.adjusters_now order by wheel_end_id"
    ) == [("K1/1L", "short", 0), ("K1/1R", "short", None)]


# --- ages watched without a break ------------------------------------------------------------


def lives_with_a_late_one() -> LifeCounts:
    """Thirty watched from 0 to at most 100; one more enters at 400 and is last seen there."""
    rng = np.random.default_rng(3)
    end = rng.uniform(20.0, 100.0, 30)
    failed = rng.random(30) < 0.6
    right = np.append(np.where(failed, end + 5.0, np.inf), np.inf)
    return counts_from_rows(np.append(np.zeros(30), 400.0), np.append(end, 400.0), right)


def test_one_old_adjuster_does_not_take_the_curve_away():
    counts = lives_with_a_late_one()
    assert fit_npmle(counts).from_age == 400.0
    curve = fit_npmle(main_at_risk_interval(counts))
    assert curve.from_age == 0.0
    assert curve.failures == counts.failures


def test_an_old_adjuster_that_fails_by_itself_is_another_stretch():
    counts = lives_with_a_late_one()
    late = replace(
        counts,
        left=np.append(counts.left, 420.0),
        right=np.append(counts.right, 440.0),
        failed=np.append(counts.failed, 1.0),
        entry=np.array([400.0]),
        entered=np.array([2.0]),
    )
    assert main_at_risk_interval(late).right.max() < 200.0
    assert main_at_risk_interval(late).entered.sum() == 0.0


def test_idle_pairs_change_no_likelihood():
    rng = np.random.default_rng(4)
    entry = np.round(rng.uniform(0.0, 80.0, 200))
    left = entry + np.round(rng.uniform(0.0, 60.0, 200))
    right = np.where(rng.random(200) < 0.5, left + 10.0, np.inf)
    counts = counts_from_rows(entry, left, right)
    fewer = without_idle_pairs(counts)
    assert fewer.adjusters < counts.adjusters
    for name in ("weibull", "lognormal"):
        whole, part = fit_life(counts, name), fit_life(fewer, name)
        assert isinstance(whole, LifeFit)
        assert isinstance(part, LifeFit)
        assert part.loglik == pytest.approx(whole.loglik, abs=1e-8)
        np.testing.assert_allclose(part.theta, whole.theta, atol=1e-6)


def test_ends_are_coarsened_outwards_and_count_every_adjuster():
    ends = Ends(
        pl.DataFrame(
            [
                ("a", "x", "ended", "stuck", 98_000.0, 102_000.0, 2),
                ("a", "x", "ended", "planned", 300_000.0, 300_000.0, 1),
                ("a", "x", "watched", None, None, 398_000.0, 3),
                ("a", "x", "entered", None, None, 22_000.0, 2),
            ],
            schema=["axle_type", "duty", "says", "cause", "from_km", "to_km", "adjusters"],
            orient="row",
        )
    )
    counts = ends.coarsened().competing()  # steps of 14,000 km
    ages = zip(counts.counts.left.tolist(), counts.counts.right.tolist(), strict=True)
    assert list(ages) == [(98_000.0, 112_000.0), (308_000.0, 308_000.0)]
    assert [counts.names[number - 1] for number in counts.cause] == ["stuck", "planned"]
    assert counts.counts.censored_at.tolist() == [392_000.0]
    assert counts.counts.entry.tolist() == [14_000.0]
    assert ends.adjusters == counts.counts.adjusters == 6


def test_incidence_by_cause_keeps_to_the_ages_watched_and_adds_up():
    """Forty watched from 0 and all ended by 80,000 km; one more is seen at 800,000 km alone."""
    steps = [(f, f + 8_000.0) for f in (16_000.0, 32_000.0, 48_000.0, 72_000.0)]
    ended = [
        ("a", "x", "ended", cause, low, high, 5)
        for low, high in steps
        for cause in ("stuck", "damaged")
    ]
    late = [("a", "x", says, None, None, 800_000.0, 1) for says in ("watched", "entered")]
    names = ["axle_type", "duty", "says", "cause", "from_km", "to_km", "adjusters"]
    ends = Ends(pl.DataFrame(ended + late, schema=names, orient="row"))
    found = pl.DataFrame(group_rows(("a", "x"), ends, 8), infer_schema_length=None)
    assert found["note"].null_count() == found.height
    assert found["from_km"].unique().to_list() == [0.0]
    last = found.filter(pl.col("km") == pl.col("km").max())
    assert last["km"][0] <= 112_000.0  # steps of 28,000 km, rounded outwards
    assert dict(last.select("cause", "incidence").iter_rows()) == {
        "stuck": pytest.approx(0.5, abs=1e-6),
        "damaged": pytest.approx(0.5, abs=1e-6),
    }


# --- which terms the records can say anything about ------------------------------------------


def watched(
    duty: list[str],
    depot: list[str],
    failed: list[bool],
    overdue: float = 0.0,
    part: list[str] | None = None,
) -> WatchedLives:
    """Adjusters that ran 30 to 110 km each in one duty and depot, on a unit each."""
    count = len(duty)
    ids = [f"a{i:04d}" for i in range(count)]
    lives = pl.DataFrame(
        {
            "adjuster_id": ids,
            "unit_id": ids,
            "axle_type": "drive",
            "entry_age": 0.0,
            "left_age": [30.0 + i * 37 % 70 for i in range(count)],
            "right_age": [40.0 + i * 37 % 70 if bad else None for i, bad in enumerate(failed)],
            "cause": ["stuck" if bad else "in_service" for bad in failed],
        }
    )
    spells = lives.select(
        "adjuster_id",
        from_age=pl.lit(0.0),
        to_age=pl.coalesce("right_age", "left_age"),
        axle_type="axle_type",
        duty=pl.Series(duty),
        depot=pl.Series(depot),
        part=pl.Series(part or ["P"] * len(duty)),
        greasing_overdue=pl.Series([overdue * (i % 2) for i in range(count)]),
        cap_open=pl.lit(0.0),
        greased_late_share=pl.lit(0.0),
    )
    return WatchedLives(lives, spells)


def test_a_term_is_left_out_in_words_when_the_records_cannot_tell():
    duty = ["long", "short"] * 60
    lives = watched(duty, duty, [i % 3 == 0 for i in range(120)], overdue=1.0)
    terms = lives.terms(fewest=8)
    assert terms.kept == ("duty",)
    words = {term: left_out_words(term, found) for term, found in terms.left_out.items()}
    assert words["axle_type"] == "there is one axle type"
    assert "goes with duty" in words["depot"]
    assert "goes with duty" in words["greasing_overdue"]
    assert "no grease cap" in words["cap_open"]
    assert "no greasing came late" in words["greased_late_share"]


def test_too_few_failures_leave_every_term_out_with_their_number():
    lives = watched(["long", "short"] * 20, ["A"] * 40, [i < 7 for i in range(40)])
    terms = lives.terms(fewest=8)
    assert terms.kept == ()
    words = {left_out_words(term, found) for term, found in terms.left_out.items()}
    assert words == {"7 failures are too few, 8 are asked for"}


def test_failures_limit_how_many_ratios_are_asked_for():
    """Twelve failures carry two ratios of five each: three duties, and no more."""
    duty = ["a", "b", "c"] * 40
    depot = ["A"] * 60 + ["B"] * 60
    lives = watched(duty, depot, [i % 10 == 0 for i in range(120)])
    assert lives.failures == 12
    assert lives.terms(("depot", "duty"), fewest=8).kept == ("depot",)


def test_a_level_too_thin_for_a_ratio_is_named_and_its_adjusters_left_out():
    duty = ["long", "short"] * 50 + ["rare"] * 3
    failed = [i % 3 == 0 for i in range(100)] + [True, False, False]
    kept, thin = watched(duty, ["A"] * 103, failed).well_filled(FACTORS)
    assert [(t.level, t.adjusters, t.failures) for t in thin] == [("rare", 3, 1)]
    assert kept.adjusters == 100
    assert set(kept.spells["duty"]) == {"long", "short"}


def test_a_duty_that_ran_much_and_never_failed_is_kept_with_an_upper_limit():
    duty = ["long", "short", "safe"] * 60
    lives = watched(duty, ["A"] * 180, [i % 3 != 2 and i % 4 == 0 for i in range(180)])
    kept, thin = lives.well_filled(FACTORS)
    assert thin == []
    [safe] = effects(fit_regression(kept.segments(("duty",))), names=["duty=safe"])
    assert safe.ratio == 0.0
    assert 0.0 < safe.high < 0.5


def test_what_a_part_does_is_not_told_as_the_dutys():
    """One of two parts fails often, and most of it runs in one of two duties."""
    part = (["weak"] * 9 + ["sound"]) * 20 + (["sound"] * 9 + ["weak"]) * 20
    duty = ["short"] * 200 + ["long"] * 200
    failed = [(i + i // 10) % 10 < (6 if p == "weak" else 1) for i, p in enumerate(part)]
    lives = watched(duty, ["A"] * 400, failed, part=part)
    kept, _ = lives.with_rare_parts_as_one().well_filled(FACTORS)
    assert kept.terms(TERMS, fewest=8).kept == ("duty", "part")
    (alone,) = effects(fit_regression(kept.segments(("duty",))))
    beside, own = effects(fit_regression(kept.segments(("duty", "part"))))
    assert (alone.reference, alone.high < 0.7) == ("short", True)
    assert beside.low < 1.0 < beside.high
    assert (own.reference, own.high < 0.4) == ("weak", True)
    together = watched(duty, ["A"] * 400, failed, part=[f"of {d}" for d in duty])
    assert "goes with duty" in left_out_words("part", together.terms(TERMS, 8).left_out["part"])


def test_rare_parts_are_compared_as_one():
    part = ["common"] * 150 + [f"rare {i % 25}" for i in range(50)]
    lives = watched(["long"] * 200, ["A"] * 200, [i % 4 == 0 for i in range(200)], part=part)
    kept, thin = lives.with_rare_parts_as_one().well_filled(FACTORS)
    assert thin == []
    assert set(kept.spells["part"]) == {"common", "other parts"}


# --- decisions -------------------------------------------------------------------------------


def fitted(scale_km: float, seed: int, count: int = 400) -> LifeCounts:
    rng = np.random.default_rng(seed)
    life = scale_km * rng.weibull(2.0, count)
    seen = np.ceil(life / 12_000.0) * 12_000.0
    until = rng.uniform(0.3, 1.2, count) * scale_km
    right = np.where(seen <= until, seen, np.inf)
    return counts_from_rows(
        np.zeros(count), np.where(np.isfinite(right), seen - 12_000.0, until), right
    )


def some_lives() -> GroupLives:
    """Two duties with lives of their own; a third takes its axle type's."""

    def group(counts: LifeCounts) -> GroupLife:
        return GroupLife(counts, fit_npmle(counts), choose_life(counts))

    nothing = counts_from_rows(np.zeros(3), np.full(3, 9_000.0), np.full(3, np.inf))
    return GroupLives(
        {
            ("drive", "long"): group(fitted(600_000.0, 1)),
            ("drive", "short"): group(fitted(200_000.0, 2)),
            ("drive", "rare"): GroupLife(nothing, None, None),
            ("drive", None): group(fitted(400_000.0, 3)),
        }
    )


def some_wheel_ends() -> pl.DataFrame:
    count = 300
    return pl.DataFrame(
        {
            "wheel_end_id": [f"K{i:03d}/1L" for i in range(count)],
            "unit_id": [f"K{i:03d}" for i in range(count)],
            "axle_type": "drive",
            "duty": ["long", "short", "rare"] * 100,
            "depot": ["East", "West", None, "East", "East"] * 60,
            "age_km": [None if i % 10 == 0 else 500.0 * i for i in range(count)],
            "watched_km": 20_000.0,
            "unit_km": 150_000.0,
            "km_per_day": [300.0 - 2.0 * (i % 50) for i in range(count)],
            "present": 1.0,
        }
    )


@pytest.mark.parametrize("name", ["weibull", "lognormal"])
def test_first_order_limits_agree_with_draws_of_the_parameters(name):
    fit = fit_life(fitted(400_000.0, 5), name)
    assert isinstance(fit, LifeFit)
    rng = np.random.default_rng(6)
    [by_draws] = undetected_by_interval(fit, 2_000.0, rng=rng, weeks=[12], draws=400)
    share = undetected_interval(fit, 12 * 2_000.0)
    assert share is not None
    assert share.estimate == pytest.approx(by_draws.share)
    # Limits from 400 draws err by some 5 % of the distance to the estimate.
    half = by_draws.high - by_draws.low
    assert abs(share.low - by_draws.low) < 0.1 * half
    assert abs(share.high - by_draws.high) < 0.1 * half


AS_OF = dt.date(2026, 3, 31)


def months_found(ends: pl.DataFrame, as_of: dt.date, months: int) -> pl.DataFrame:
    ahead = ahead_by_life(ends, as_of, months)
    return months_of_failures(ahead, error_factor(ahead, None))


def ahead_by_life(ends: pl.DataFrame, as_of: dt.date, months: int) -> FailuresAhead:
    ahead = ahead_of(ends, as_of, months, some_lives())
    assert ahead is not None
    return ahead


def ahead_of(
    ends: pl.DataFrame,
    as_of: dt.date,
    months: int,
    lives: GroupLives,
    watched: pl.DataFrame | None = None,
    apart: Sequence[PartLife] = (),
) -> FailuresAhead | None:
    """Failures forecast for wheel ends whose units have been checked every 30 days, on the day as
    well."""
    units = ends.select("unit_id", "depot", "duty", seen_on=as_of, visit_on=as_of)
    began = [as_of - dt.timedelta(days=30 * n) for n in range(12, 0, -1)]
    intervals = ends.select(
        "unit_id",
        "depot",
        "duty",
        one_duty=True,
        from_on=pl.lit(began),
        days=30,
        km=30.0 * pl.col("km_per_day"),
        to_visit=True,
    ).explode("from_on")
    usage = fit_usage(units, intervals, as_of)
    cells, ahead = fleet_cells(ends, lives), budget_months(as_of, months)
    return failures_of(cells, ends, usage, ahead, watched=watched, apart=apart)


def test_an_adjuster_of_unknown_age_is_as_old_as_its_unit_may_have_made_it():
    """Hardly any fails in 150,000 km of lives as these: unknown ones are as old as their units,
    and fail as those do of which the register says so."""
    ends, day = some_wheel_ends(), dt.date(2026, 3, 31)

    def expected(wheel_ends: pl.DataFrame) -> float:
        found = months_found(wheel_ends, day, 6)
        return float(found.filter(pl.col("depot").is_null())["failures_mean"].sum())

    old = ends.with_columns(pl.col("age_km").fill_null(150_000.0))
    young = ends.with_columns(pl.col("age_km").fill_null(20_000.0))
    assert expected(ends) > expected(young)
    assert expected(ends) == pytest.approx(expected(old), rel=0.05)


LAST_DAYS = ((2024, 3, 31), (2024, 6, 30), (2024, 9, 30), (2024, 12, 31), (2025, 3, 31))


def _evenly(after: dt.date, until: dt.date, a_day: float) -> list[tuple[str, dt.date]]:
    """So many failures a day, on one wheel end after the other."""
    count = round(a_day * (until - after).days)
    days = [1 + int((n + 0.5) / a_day) for n in range(count)]
    return [(f"K{n % 300:03d}/1L", after + dt.timedelta(days=d)) for n, d in enumerate(days)]


def test_failures_missed_because_units_ran_less_are_no_bias_of_those_to_come():
    """From a year ago on all ran two thirds of what was forecast, and two thirds of the failures
    came: of what the forecast missed, use explains all but what it missed in the first quarter,
    whose failures half follow the use before."""
    ends, until = some_wheel_ends(), dt.date(2026, 3, 31)
    days = [dt.date(y, m, d) for y, m, d in LAST_DAYS]
    ahead = [ahead_by_life(ends, day, 12) for day in days]
    fell_on = days[-1]
    ran = ends.select(
        "unit_id",
        days=30,
        from_on=pl.lit([days[0] + dt.timedelta(days=30 * n) for n in range(25)]),
        km=30.0 * pl.col("km_per_day"),
    ).explode("from_on")
    fell = pl.when(pl.col("from_on") >= fell_on).then(2.0 / 3.0).otherwise(1.0)
    ran = ran.with_columns(km=pl.col("km") * fell)
    months = months_of_failures(ahead[0], error_factor(ahead[0], None))
    a_day = months.filter(pl.col("depot").is_null())["failures_mean"].sum() / 365
    came = pl.DataFrame(
        _evenly(days[0], fell_on, a_day) + _evenly(fell_on, until, a_day * 2.0 / 3.0),
        schema={"wheel_end_id": pl.String, "found_on": pl.Date},
        orient="row",
    )
    _, errors = failure_rows(ahead, came, ran, (), None, until)
    late = (errors.quarter - errors.ahead == -4) & (errors.ahead > 1)
    assert errors.use[late] == pytest.approx(np.log(2.0 / 3.0), abs=0.05)
    assert errors.error[late].mean() < -0.25
    assert np.abs(errors.beyond_use[late].mean()) < 0.12


def lives_of_part(seed: int, scale_km: float, cells: list[Cell], n: int = 300) -> pl.DataFrame:
    """Weibull lives of shape 2, looked at every 20,000 km up to 100,000, by cell in turn."""
    rng = np.random.default_rng(seed)
    life = scale_km * rng.weibull(2.0, n)
    look = np.ceil(life / 20_000.0) * 20_000.0
    failed = look <= 100_000.0
    return pl.DataFrame(
        {
            "part": "new make",
            "axle_type": [cells[i % len(cells)].axle_type for i in range(n)],
            "duty": [cells[i % len(cells)].duty for i in range(n)],
            "entry_km": 0.0,
            "left_km": np.where(failed, look - 20_000.0, 100_000.0),
            "right_km": [km if f else None for km, f in zip(look, failed, strict=True)],
        }
    )


def cell_of(duty: str, scale_km: float) -> Cell:
    rng = np.random.default_rng(3)
    age = scale_km * rng.weibull(2.0, 400)
    counts = counts_from_rows(np.zeros(400), age, np.nextafter(age, np.inf))
    fit = fit_life(counts, "weibull")
    assert isinstance(fit, LifeFit)
    return Cell("drive", duty, pl.DataFrame(), ("drive", duty), fit)


def test_a_part_that_lives_otherwise_has_a_life_of_its_own():
    cells = [cell_of("long", 400_000.0), cell_of("short", 300_000.0)]
    (found,) = parts_apart(cells, lives_of_part(1, 110_000.0, cells))
    assert found.part == "new make"
    assert sum(weight for _, weight in found.fits) == pytest.approx(1.0)
    weibull = next(fit for fit, _ in found.fits if fit.name == "weibull")
    assert np.exp(weibull.distribution.mu) == pytest.approx(110_000.0, rel=0.15)


def test_a_part_that_lives_as_others_do_has_theirs():
    cells = [cell_of("long", 300_000.0), cell_of("short", 300_000.0)]
    for seed in range(20):
        assert parts_apart(cells, lives_of_part(seed, 300_000.0, cells)) == ()
    assert parts_apart(cells, lives_of_part(1, 110_000.0, cells, n=12)) == ()
    assert parts_apart([], lives_of_part(1, 110_000.0, cells)) == ()


def test_adjusters_of_a_part_fail_by_its_own_life_and_others_by_theirs():
    ends = some_wheel_ends().with_columns(age_km=pl.lit(40_000.0))
    watched = watched_ends(ends, 10**9).with_columns(part=pl.lit(None, dtype=pl.String))
    short = fit_life(counts_from_rows(*_short_lives()), "weibull")
    assert isinstance(short, LifeFit)
    apart = PartLife("new make", ((short, 1.0),))
    half = pl.int_range(pl.len()) % 2 == 0

    def told(part: pl.Expr) -> float:
        own = ends.with_columns(part=part)
        ahead = ahead_of(own, AS_OF, 12, some_lives(), watched, [apart])
        return float(ahead.to_come.expected.sum())

    none, some = told(pl.lit(None, dtype=pl.String)), told(pl.when(half).then(pl.lit("new make")))
    every = told(pl.lit("new make"))
    assert none < some < every
    assert some == pytest.approx((none + every) / 2.0, rel=0.15)
    # 300 of a mean life of 53,000 km run 91,000 km a year.
    assert every == pytest.approx(300 * 91_000 / 53_000, rel=0.15)


def _short_lives() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    age = 60_000.0 * np.random.default_rng(5).weibull(2.0, 400)
    return np.zeros(400), age, np.nextafter(age, np.inf)


def watched_ends(ends: pl.DataFrame, every: int) -> pl.DataFrame:
    """Every wheel end looked at every quarter for two years, 5,000 km apart; at every so manieth
    look a failure is found."""
    rows = ends.select("axle_type", "duty", first_km=80_000.0, quarter=pl.lit(list(range(8))))
    rows = rows.explode("quarter").with_columns(to_km=120_000.0 - 5_000.0 * pl.col("quarter"))
    return rows.with_row_index().select(
        "axle_type",
        "duty",
        "first_km",
        "quarter",
        "to_km",
        fitted_km=pl.lit(None, dtype=pl.Float64),
        from_km=pl.col("to_km") - 5_000.0,
        failed=pl.col("index") % every == 0,
    )


def test_where_no_life_is_known_as_many_are_to_come_as_were_found():
    ends, day = some_wheel_ends().with_columns(age_km=pl.lit(None, dtype=pl.Float64)), AS_OF
    watched = watched_ends(ends, 60)
    none = ahead_of(ends, day, 12, GroupLives({}), watched.with_columns(failed=False))
    assert none is None
    told = ahead_of(ends, day, 12, GroupLives({}), watched)
    assert told is not None
    months = months_of_failures(told, error_factor(told, None)).filter(pl.col("depot").is_null())
    assert set(months["basis"]) == {BY_COUNTS}
    # 40 of 2,400 looks of 5,000 km; these units run 91,250 km a year, and grow older.
    expected, run = months["failures_mean"].sum(), 300 * 365 * 251.0
    assert 1.0 < expected / (40 * run / (2_400 * 5_000.0)) < 2.2
    # Of a duty without a life alone, where the other has one.
    lives = GroupLives({k: v for k, v in some_lives().groups.items() if k == ("drive", "long")})
    partly = ahead_of(ends, day, 12, lives, watched)
    assert partly is not None
    assert partly.by_counts == PARTLY_BY_COUNTS


def test_findings_of_late_move_what_a_life_expects_and_narrow_it():
    ends, day, lives = some_wheel_ends(), AS_OF, some_lives()

    def outlook(every: int | None) -> dict[str, float]:
        watched = None if every is None else watched_ends(ends, every)
        ahead = ahead_of(ends, day, 12, lives, watched)
        assert ahead is not None
        return failure_outlook(ahead, error_factor(ahead, None)).filter(months=12).to_dicts()[0]

    alone, few, many = outlook(None), outlook(400), outlook(40)
    assert few["failures_mean"] < 0.5 * many["failures_mean"]
    for told in (few, many):
        assert told["failures_p10"] < told["failures_mean"] < told["failures_p90"]
    assert alone["failures_mean"] != many["failures_mean"]


def test_failures_of_depots_add_up_to_the_fleets_with_those_without_a_depot():
    ends, day = some_wheel_ends(), dt.date(2026, 3, 31)
    found = months_found(ends, day, 12)
    assert found["month"].unique().sort().to_list() == [
        dt.date(2026 + (m > 12), (m - 1) % 12 + 1, 1) for m in range(4, 16)
    ]
    fleet = found.filter(pl.col("depot").is_null()).sort("month")
    depots = found.filter(pl.col("depot").is_not_null()).group_by("month").agg(
        pl.col("failures_mean").sum()
    ).sort("month")  # fmt: skip
    assert fleet["adjusters"].unique().to_list() == [300.0]
    # A fifth of wheel ends, of all ages and duties, has no depot.
    parts = depots["failures_mean"].sum() / fleet["failures_mean"].sum()
    assert parts == pytest.approx(0.8, abs=0.04)
    assert (fleet["failures_p10"] <= fleet["failures_p50"]).all()
    assert (fleet["failures_p50"] <= fleet["failures_p90"]).all()


def test_a_month_begun_is_forecast_for_what_is_left_of_it():
    found = months_found(some_wheel_ends(), dt.date(2026, 3, 16), 3)
    fleet = found.filter(pl.col("depot").is_null()).sort("month")
    assert fleet["month"][0] == dt.date(2026, 3, 1)
    assert fleet["note"][0] == "what is left of it: 15 days"
    # Checked that day and 30 days later: nothing is found in what is left of the month.
    assert fleet["failures_mean"][0] < 0.05 * fleet["failures_mean"][1]


def as_set(cells, settings: Settings | None = None) -> dict[str, float]:
    """Weeks between checks by duty, as the settings have them."""
    service = (settings or Settings()).service
    return {cell.duty: service.weeks_between_checks(cell.duty) for cell in cells}


def test_a_group_without_a_life_of_its_own_takes_its_axle_types_and_says_so():
    found = check_intervals(
        cells := fleet_cells(some_wheel_ends(), some_lives()), Settings(), as_set(cells)
    )
    rare = found.filter(axle_type="drive", duty="rare", weeks=12.0)
    assert rare["note"].item().startswith("by the life of all adjusters of drive")
    assert found.filter(axle_type="drive", duty="long")["note"].null_count() == 5


def test_the_fleets_share_unseen_is_the_mean_over_its_wheel_ends_with_wider_limits_than_none():
    cells = fleet_cells(some_wheel_ends(), some_lives())
    found = check_intervals(cells, Settings(), as_set(cells)).filter(weeks=12.0)
    own = found.filter(pl.col("duty").is_not_null(), pl.col("axle_type").is_not_null())
    fleet = found.filter(pl.col("duty").is_null(), pl.col("axle_type").is_null())
    assert fleet["share_failed"].item() == pytest.approx(own["share_failed"].mean())
    # Square-and-add: errors of three independent fits, a third of each.
    above = (own["ci_high"] - own["share_failed"]).to_numpy()
    width = fleet["ci_high"].item() - fleet["share_failed"].item()
    assert width == pytest.approx(float(np.sqrt(np.sum(above**2))) / 3.0)


def test_a_failure_waits_half_an_interval_of_the_groups_own_running():
    cells = fleet_cells(some_wheel_ends(), some_lives())
    cell = next(cell for cell in cells if cell.duty == "short")
    share = check_intervals(cells, Settings(), as_set(cells)).filter(
        axle_type="drive", duty="short", weeks=12.0
    )["share_failed"]
    assert cell.km_per_week == pytest.approx(7 * cell.wheel_ends["km_per_day"].mean())
    wait = 0.5 * 12 * cell.km_per_week
    assert share.item() == pytest.approx(wait / (cell.life.distribution.mean() + wait), rel=0.01)


def test_the_interval_in_use_is_marked_by_duty_and_added_where_it_is_no_round_one():
    settings = Settings.model_validate(
        {"service": {"check_weeks": 10, "duties": {"short": {"check_weeks": 4}}}}
    )
    found = check_intervals(
        cells := fleet_cells(some_wheel_ends(), some_lives()), settings, as_set(cells, settings)
    )
    used = found.filter("current")
    assert set(used.filter(duty="short")["weeks"]) == {4.0}
    assert set(used.filter(duty="long")["weeks"]) == {10.0}
    assert (
        used.filter(pl.col("duty").is_null(), pl.col("axle_type").is_null())["weeks"].item() == 10
    )


COSTS = {"adjuster": 70.0, "adjuster_labour": 30.0, "failed_adjuster": 900.0}


def test_replacement_ages_are_those_of_least_cost_and_pools_stand_only_for_groups_without():
    settings = Settings.model_validate({"costs": COSTS})
    lives = some_lives()
    found = replacement_ages(lives, settings)
    assert found.select("axle_type", "duty").rows() == [
        ("drive", "long"),
        ("drive", "short"),
        ("drive", None),
    ]
    for (axle_type, duty), age in zip(
        found.select("axle_type", "duty").rows(), found["best_km"], strict=True
    ):
        ages = np.linspace(0.9, 1.1, 201) * age
        laws = [(fit.distribution, w) for fit, w in lives.left_open((axle_type, duty))]
        cost = sum(
            w * (100.0 + 900.0 * standard.failed(ages)) / standard.mean_until(ages)
            for standard, w in laws
        )
        assert ages[np.argmin(cost)] == pytest.approx(age, rel=0.002)
    inside = (found["ci_low_km"] <= found["best_km"]) & (found["best_km"] <= found["ci_high_km"])
    assert inside.all()


@pytest.mark.parametrize(
    ("costs", "said"),
    [
        ({}, "is not set"),
        ({"adjuster": 70.0}, "a failure costs no more than a planned replacement"),
        ({"adjuster": 70.0, "failed_adjuster": 1.0}, "too cheap"),
    ],
)
def test_words_stand_where_costs_give_no_age(costs, said):
    found = replacement_ages(some_lives(), Settings.model_validate({"costs": costs}))
    assert found["best_km"].null_count() == found.height == 3
    assert all(said in words for words in found["verdict"])


def test_without_any_life_every_decision_is_words():
    lives = GroupLives({(None, None): GroupLife(fitted(5e5, 1, 4), None, None)})
    ends = some_wheel_ends()
    cells = fleet_cells(ends, lives)
    assert cells == []
    for found, figure in (
        (check_intervals(cells, Settings(), as_set(cells)), "share_failed"),
        (replacement_ages(lives, Settings()), "best_km"),
    ):
        assert found.height == 1
        assert found[figure].null_count() == 1
        words = found["verdict" if "verdict" in found.columns else "note"].item()
        assert "too few adjusters have failed" in words


# --- replacements per wheel end --------------------------------------------------------------


def test_well_watched_ages_are_the_longest_run_with_ten_wheel_ends():
    at_risk_intervals = pl.DataFrame(
        {
            "wheel_end_id": [str(i) for i in range(22)],
            "duty": "x",
            "from_km": [float(i) for i in range(12)] + [200.0] * 10,
            "to_km": [100.0] * 12 + [250.0] * 10,
        }
    )
    events = pl.DataFrame(schema={"duty": pl.String, "km": pl.Float64})
    assert Watches(at_risk_intervals, events).well_watched() == (9.0, 100.0)
    assert Watches(at_risk_intervals.head(9), events).well_watched() is None


# --- a whole fleet whose truth is known ------------------------------------------------------

TRUE_OVERDUE, TRUE_CAP = 1.8, 2.2


@pytest.fixture(scope="module")
def known_fleet(tmp_path_factory):
    """A fleet that fails by jamming alone, at one shape, with much careless maintenance."""
    parameters = FleetParameters().with_duties(adjuster_shape=2.0, damage_per_million_km=0.0)
    parameters = parameters.with_depots(
        planned_replacement_km=float("inf"),
        skipped_greasing_share=0.25,
        cap_left_open_share=0.05,
    )
    parameters = replace(
        parameters,
        over_adjusting_per_million_km=0.0,
        return_test_false_alarms=0.0,
        cap_missing_share=0.0,
        hazard_ratio_ungreased=TRUE_OVERDUE,
        hazard_ratio_cap_open=TRUE_CAP,
    )
    folder = tmp_path_factory.mktemp("known") / "fleet"
    write_lake(
        [simulate(parameters, wheel_ends=1_200, years=5.0, seed=3)],
        folder,
        LakeOptions(clean=True, file_format="parquet", true_readings=False),
    )
    return reduced(folder / "lake"), parameters


def reduced(lake):
    settings = settings_of(lake)
    con = warehouse.in_memory()
    loading.load(con, lake, settings, NOW)
    judging.judge(con, settings, NOW.date(), None)
    warehouse.build(con, "20_stage")
    warehouse.build(con, "30_reduce")
    return con


def test_neglected_greasing_and_open_caps_are_found_at_their_true_ratios(known_fleet):
    """95 % intervals hold the truth; late greasing as such has no effect and none is found.

    A failure that one check overlooked is dated an interval late, by when the cap was put right:
    ratios come out a few per cent nearer to 1 than the truth, well inside the intervals.
    """
    con, _ = known_fleet
    lives, _ = watched_lives(con, "km", 10_000).well_filled(FACTORS)
    fit = fit_regression(lives.segments(FACTORS, SHARES))
    found = {effect.name: effect for effect in effects(fit, names=SHARES)}
    assert found["greasing_overdue"].low < TRUE_OVERDUE < found["greasing_overdue"].high
    assert found["cap_open"].low < TRUE_CAP < found["cap_open"].high
    assert found["greased_late_share"].low < 1.0 < found["greased_late_share"].high
    assert found["greasing_overdue"].low > 1.0
    assert found["cap_open"].low > 1.0


def test_life_ratios_of_duties_hold_the_truth_though_units_changed_duty(known_fleet):
    """Six pairs over all: fewer than five of six 95 % intervals holding has probability 0.03."""
    con, parameters = known_fleet
    scale = {duty.name: duty.adjuster_scale_km for duty in parameters.duties}
    compared = life_comparisons(con, Settings())
    over_all = compared.filter(pl.col("axle_type").is_null(), measure="life_ratio")
    assert over_all.height == 6
    holding = [
        row["ci_low"] < scale[row["duty_a"]] / scale[row["duty_b"]] < row["ci_high"]
        for row in over_all.iter_rows(named=True)
    ]
    assert sum(holding) >= 5
    for (measure,), part in compared.group_by("measure"):
        np.testing.assert_allclose(part["p_adjusted"], holm(part["p"].to_list()), err_msg=measure)
        assert set(part["axle_type"]) == {None, "steer", "drive", "trailer"}


def test_shapes_and_scales_of_a_fleet_hold_the_truth(known_fleet):
    """Careless maintenance shortens life a little: scales lie below, shapes near 2."""
    con, _ = known_fleet
    lives = write_life_marts(con, Settings())
    cells = [(k, lives.chosen(k)) for k in lives.groups if k[0] and k[1]]
    weibull = [fit_life(lives.groups[key].counts, "weibull") for key, fit in cells if fit]
    shapes = np.array([fit.shape for fit in weibull])
    assert len(shapes) == 12
    assert np.median(shapes) == pytest.approx(2.0, abs=0.35)
    fits = con.sql("from mart.adjuster_fits where chosen").pl()
    assert fits["note"].null_count() == 0
    # Duties and axle types differ, so a pool over them is no law and has no fitted curve.
    curves = con.sql("from mart.adjuster_curves where method <> 'npmle' order by km").pl()
    assert curves["axle_type"].null_count() == 0
    for _, curve in curves.group_by("axle_type", "duty", "method"):
        assert {50_000.0, 100_000.0, 200_000.0} <= set(curve["km"])
        assert (curve["survival"].diff().drop_nulls() <= 0).all()
    scales = con.sql("from mart.adjuster_scales").pl()
    assert scales.select((pl.col("z_low") <= pl.col("z_high")).all()).item()


def test_mean_replacements_per_wheel_end_rise_and_differ_by_duty(known_fleet):
    con, _ = known_fleet
    made = replacement_frames(con)
    counts = made["replacement_counts"].sort("duty", "km")
    for _, part in counts.group_by("duty"):
        assert (part["replacements"].diff().drop_nulls() >= 0).all()
    pair = made["replacement_differences"].filter(duty_a="long_haul", duty_b="quarry")
    assert pair["ci_high"].item() < 0.0
    assert pair["p_adjusted"].item() >= pair["p"].item()


def test_the_chapter_needs_no_table_that_a_second_process_is_not_given(known_fleet):
    con, _ = known_fleet
    settings, lives = Settings(), write_life_marts(con, Settings())
    units = warehouse.fetch(con, "select distinct unit_id from judge.wheel_ends")
    pace = units.with_columns(km_per_day=pl.lit(250.0), present=pl.lit(1.0))
    here = chapter.life_chapter(con, settings, lives, pace)
    with warehouse.in_memory() as other:
        for table in chapter.READ:
            warehouse.put(other, table, warehouse.fetch(con, f"from {table}"))
        there = chapter.life_chapter(other, settings, lives, pace)
    assert here.keys() == there.keys()
    for mart in here:
        assert here[mart].equals(there[mart]), mart


# --- next to no records ----------------------------------------------------------------------


def every_life_mart(con) -> dict[str, pl.DataFrame]:
    return {table: con.sql(f"from mart.{table}").pl() for table in LIFE_SCHEMAS}


def test_a_lake_without_a_single_known_age_gets_words_in_every_mart(tmp_path):
    con = reduced(write_small_lake(tmp_path / "lake"))
    day = dt.date(2025, 11, 14)
    fits, lives, chapter = fit_fleet(con, Settings(), day, IN_PLACE)
    write_chapter(con, fits.wear, chapter.result())
    ahead = failures_ahead(con, lives, fits.usage, budget_months(day, 12))
    write_failure_marts(con, ahead, None, day)
    found = every_life_mart(con)
    assert "nothing can be said" in found["adjuster_fits"]["note"].item()
    assert set(found["adjuster_effects"]["note"]) == {"0 failures are too few, 8 are asked for"}
    assert found["adjuster_effects"]["ratio"].null_count() == found["adjuster_effects"].height
    assert "not estimated" in found["adjuster_effect_tests"]["sentence"].item()
    assert found["replacement_counts"]["note"].null_count() == 0
    assert (
        con.sql("from mart.duty_comparisons")
        .pl()
        .filter(pl.col("measure") != "wear_rate_ratio")
        .is_empty()
    )
    for table in ("expected_failures", "check_intervals"):
        assert "too few adjusters have failed" in found[table]["note"].item()


def test_adjusters_whose_fitting_is_known_in_km_only_count_by_km_alone():
    register = REGISTER.replace("2024-01-01 ", "-          ")
    con = warehouse_of(register=register, inspections=CHECKS, work=WORK, duty=DUTY)
    warehouse.build(con, "30_reduce")
    assert watched_lives(con, "km", 10).adjusters == 1
    assert watched_lives(con, "weeks", 10).adjusters == 0
    write_life_marts(con, Settings())
    effects_mart = effect_frames(con, Settings())["adjuster_effects"]
    assert set(effects_mart.filter(clock="km")["failures"]) == {1}
    assert set(effects_mart.filter(clock="weeks")["failures"]) == {0}


def test_every_life_mart_is_described_column_by_column():
    for table, schema in LIFE_SCHEMAS.items():
        assert schema.__doc__, table
        assert marts.SCHEMAS[table] is schema
        for name, column in schema.columns().items():
            assert column.description, (table, name)


def test_checks_are_said_to_be_made_as_they_are_made():
    """Twenty units are to be checked every twelve weeks; for a year they were every 22."""
    last = dt.date(2026, 1, 1)
    days = [-900, -816, -732, -648, -564, -480, -308, -154, 0]
    ends = [f"U{u:02d} | 1 | {side}" for u in range(20) for side in "LR"]
    checks = [
        f"{end} | {last + dt.timedelta(days=d)} | {200_000 + 100 * d} | 12"
        for end in ends
        for d in days
    ]
    kind = "axle_type | arm_length_mm | lining_new_mm | lining_min_mm"
    registered = [f"{end} | drive | 140 | 18 | 6" for end in ends]
    made = warehouse_of(
        register="\n".join([f"unit_id | axle_no | side | {kind}", *registered]),
        inspections="\n".join(
            ["unit_id | axle_no | side | inspected_on | odometer_km | lining_mm", *checks]
        ),
    )
    warehouse.build(made, "30_reduce")
    (duty,) = warehouse.fetch(made, "select distinct duty from reduce.units_now")["duty"]
    assert weeks_between_checks(made, Settings(), {duty, "other"}) == {duty: 22.0, "other": 12.0}
    meant = Settings.model_validate({"service": {"check_weeks": 20}})
    assert weeks_between_checks(made, meant, {duty}) == {duty: 20.0}
