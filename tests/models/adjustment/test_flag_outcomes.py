"""This month against last month: changes, what cleared flags, and what flags were worth."""

import datetime as dt

import polars as pl
import pytest

from models.adjustment.flag_outcomes import changes, flag_ages, precision

BEFORE, NOW = dt.date(2026, 1, 31), dt.date(2026, 2, 28)
IN_MONTH = dt.date(2026, 2, 10)


def month(**flagged):
    """``wheel_end=state`` (flagged) or ``wheel_end=None`` (not)."""
    return pl.DataFrame(
        {
            "wheel_end_id": list(flagged),
            "flagged": [state is not None for state in flagged.values()],
            "state": [state or "in_band" for state in flagged.values()],
        },
        schema={"wheel_end_id": pl.String, "flagged": pl.Boolean, "state": pl.String},
    )


def jobs(*rows):
    schema = {
        "wheel_end_id": pl.String,
        "done_on": pl.Date,
        "action": pl.String,
        "reason": pl.String,
    }
    return pl.DataFrame(rows, schema=schema, orient="row")


def compared(previous, current, *rows):
    found = changes(previous, current, jobs(*rows), previous_as_of=BEFORE, as_of=NOW)
    return {row["wheel_end_id"]: row for row in found.rows(named=True)}


def test_new_still_cleared_and_quiet():
    found = compared(
        month(a=None, b="stuck", c="stuck", d=None), month(a="stuck", b="stuck", c=None, d=None)
    )
    assert [found[w]["change"] for w in "abcd"] == [
        *("newly_flagged", "still_flagged", "cleared", "not_flagged"),
    ]
    assert found["a"]["flagged_since"] == NOW
    assert found["b"]["flagged_since"] == BEFORE
    assert found["b"]["weeks_flagged"] == 4.0


def test_how_long_a_flag_has_stood_is_carried_on():
    previous = month(a="stuck").with_columns(flagged_since=pl.lit(dt.date(2025, 12, 6)))
    found = compared(previous, month(a="stuck"))
    assert found["a"]["weeks_flagged"] == 12.0
    assert found["a"]["outcome"] == "open"


@pytest.mark.parametrize(
    ("state", "job", "outcome"),
    [
        ("stuck", ("adjuster_replaced", "failed"), "confirmed"),
        ("slackening", ("adjuster_replaced", "planned"), "other_work"),
        ("set_wrong", ("adjuster_set", None), "confirmed"),
        ("slackening", ("adjuster_set", None), "other_work"),
        ("tightening", ("reline", "worn"), "other_work"),
        ("stuck", None, "false_alarm"),
        ("stuck", ("other", None), "false_alarm"),
        ("stuck", ("greased", None), "other_work"),
        ("worn_out", ("reline", "worn"), "confirmed"),
        ("worn_out", ("greased", None), "false_alarm"),
    ],
)
def test_what_a_cleared_flag_was_worth(state, job, outcome):
    rows = [] if job is None else [("a", IN_MONTH, *job)]
    found = compared(month(a=state), month(a=None), *rows)["a"]
    assert found["change"] == "cleared"
    assert found["outcome"] == outcome
    is_work = job and job[0] != "other" and (state, job[0]) != ("worn_out", "greased")
    cleared_by = job[0] if is_work else None
    assert found["cleared_by"] == cleared_by


def test_a_fault_found_at_an_inspection_confirms():
    current = month(a="stuck").with_columns(found_fault=pl.lit(value=True))
    assert compared(month(a="stuck"), current)["a"]["outcome"] == "confirmed"


def test_a_new_adjuster_flagged_in_its_turn_is_a_new_flag():
    job = ("a", IN_MONTH, "adjuster_replaced", "failed")
    found = compared(month(a="stuck"), month(a="set_wrong"), job)["a"]
    assert (found["change"], found["outcome"]) == ("newly_flagged", "confirmed")
    assert found["flagged_since"] == NOW
    reset = compared(month(a="stuck"), month(a="stuck"), ("a", IN_MONTH, "adjuster_set", None))["a"]
    assert (reset["change"], reset["outcome"]) == ("still_flagged", "open")


def test_jobs_outside_the_month_and_of_other_wheel_ends_do_not_count():
    late = ("a", dt.date(2026, 3, 1), "adjuster_replaced", "failed")
    early = ("a", BEFORE, "adjuster_replaced", "failed")
    other = ("b", IN_MONTH, "adjuster_replaced", "failed")
    found = compared(month(a="stuck"), month(a=None), late, early, other)
    assert found["a"]["outcome"] == "false_alarm"


def test_the_job_that_says_most_counts():
    rows = [("a", IN_MONTH, "greased", None), ("a", IN_MONTH, "adjuster_replaced", "failed")]
    found = compared(month(a="stuck"), month(a=None), *rows)["a"]
    assert found["cleared_by"] == "adjuster_replaced"


def test_wheel_ends_that_come_and_go():
    found = compared(month(gone="stuck"), month(new="stuck"))
    assert found["gone"]["change"] == "cleared"
    assert found["new"]["change"] == "newly_flagged"


def test_precision_counts_only_decided_flags():
    kinds = ["confirmed"] * 8 + ["false_alarm"] * 2 + ["other_work"] * 3 + ["open"] * 4 + [None]
    found = precision(pl.DataFrame({"outcome": kinds})).row(0, named=True)
    assert (found["precision"], found["undecided"]) == (0.8, 7)
    assert found["ci_low"] < 0.8 < found["ci_high"]
    none = precision(pl.DataFrame({"outcome": ["open"]})).row(0, named=True)
    assert none["precision"] is None


def test_a_flag_is_as_old_as_the_days_on_which_it_stood_without_a_break():
    """By hand: days 30, 90 and 180 before; what was not judged on a day leaves the most open.

    What was put right 60 days ago and is flagged now is another flag; a setting cures no failure.
    """
    today = dt.date(2026, 6, 30)
    days = [today - dt.timedelta(days=d) for d in (30, 90, 180)]
    stood = {
        "new": (False, True, True),
        "a month": (True, False, True),
        "a season": (True, True, False),
        "longest": (True, True, True),
        "renewed": (True, True, True),
        "not judged": (True, None, True),
        "relined": (True, True, True),
        "set": (True, True, True),
        "set in vain": (True, True, True),
    }
    states = {"relined": "worn_out", "set": "set_wrong"}
    now = pl.DataFrame({"wheel_end_id": list(stood)}).with_columns(flagged=pl.lit(value=True))
    earlier = [
        (
            day,
            pl.DataFrame(
                [(w, s[at], states.get(w, "stuck")) for w, s in stood.items() if s[at] is not None],
                schema=["wheel_end_id", "flagged", "state"],
                orient="row",
            ),
        )
        for at, day in enumerate(days)
    ]
    jobs = pl.DataFrame(
        {
            "wheel_end_id": ["renewed", "relined", "set", "set in vain"],
            "done_on": [today - dt.timedelta(days=60)] * 4,
            "action": ["adjuster_replaced", "reline", "adjuster_set", "adjuster_set"],
        }
    )
    found = flag_ages(now, earlier, jobs, today)
    ages = {w: (round(least * 7), most and round(most * 7)) for w, least, most in found.rows()}
    assert ages == {
        "new": (0, 30),
        "a month": (30, 90),
        "a season": (90, 180),
        "longest": (180, None),
        "renewed": (30, 90),
        "not judged": (30, None),
        "relined": (30, 90),
        "set": (30, 90),
        "set in vain": (180, None),
    }


def test_what_is_flagged_again_after_it_was_put_right_is_new():
    found = compared(
        month(a="worn_out", b="set_wrong", c="stuck"),
        month(a="stuck", b="set_wrong", c="stuck"),
        *((w, IN_MONTH, done, None) for w, done in zip("abc", DONE, strict=True)),
    )
    assert [found[w]["change"] for w in "abc"] == [
        "newly_flagged",
        "newly_flagged",
        "still_flagged",
    ]
    assert [found[w]["outcome"] for w in "abc"] == ["confirmed", "confirmed", "open"]


DONE = ("reline", "adjuster_set", "adjuster_set")
