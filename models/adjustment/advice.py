"""What a judgement means and what to do about it, as codes; sentences are made where it is shown.

Nothing here tells anybody to set an adjuster whose return test failed, nor to re-set one that keeps
going out: the first is to be replaced, the second hides a fault.
"""

import polars as pl

from models.adjustment.indicators import FOUND_DAMAGED
from models.adjustment.strokes.parameters import SOURCES, Band, Source

# What to do, and what the readings show; the words for both are the page's.
ADVICE = (
    *("reline", "reline_and_replace", "replace", "test", "find_cause", "check_drag"),
    *("failed_before", "set", "compare_sides", "check", "first_check", "nothing"),
)
MEANINGS = (
    *("finding", "nothing_taken_up", "as_if_nothing", "as_if_little", "as_if_too_much"),
    *("takes_up", "grows", "shrinks"),
    *("read_far_off", "before_setting", "not_by_strokes", "outside_unset", "outside_holding"),
    *("outside_once", "outside_together", "sides_apart", "read_long_ago", "not_read_since_set"),
    *("never_read", "in_band", "little_known"),
)
NEARLY_NOTHING = 0.2
UNCHANGED = 0.005
ODD_READING = 0.10
# A take-up whose 95 % interval is wider says nothing that a workshop can use.
WIDEST_KNOWN = 0.30
GOES_OUT_AGAIN = ("slackening", "set_wrong", "tightening")


def with_advice(judged: pl.DataFrame, band: Band) -> pl.DataFrame:
    """Add ``advice``, ``meaning``, ``changed_by`` (the check before which the stroke changed) and
    ``found_odd`` (the last reading may be a slip) to a frame of verdicts."""
    began = pl.col("read_on").list.get(pl.col("began"), null_on_oob=True)
    sudden = pl.col("changed") & (pl.col("state") == "stuck") & (pl.col("began") > 0)
    odd = (pl.col("p_misread") > ODD_READING).fill_null(value=False)
    judged = judged.with_columns(
        advice=_advice(), meaning=_meaning(band), changed_by=pl.when(sudden).then(began)
    )
    looked_at = pl.col("flagged") & ~pl.col("advice").str.contains("reline|replace")
    return judged.with_columns(found_odd=odd & looked_at)


def _advice() -> pl.Expr:
    state, flagged = pl.col("state"), pl.col("flagged")
    unread = pl.col("readings").fill_null(0) == 0
    again = pl.col("trouble_before").fill_null(value=False)
    to_replace = _failed_test() | (pl.col("found_fault") == FOUND_DAMAGED).fill_null(value=False)
    by_state = {
        "stuck": "test",
        "slackening": "find_cause",
        "tightening": "check_drag",
        "set_wrong": "set",
        "uneven": "compare_sides",
    }
    return (
        pl.when((state == "worn_out") & to_replace)
        .then(pl.lit("reline_and_replace"))
        .when(state == "worn_out")
        .then(pl.lit("reline"))
        .when(to_replace)
        .then(pl.lit("replace"))
        .when(flagged & unread & state.is_in(GOES_OUT_AGAIN))
        .then(pl.lit("find_cause"))
        .when(flagged & again & state.is_in(GOES_OUT_AGAIN))
        .then(pl.lit("failed_before"))
        .when(flagged)
        .then(state.replace_strict(by_state, default="nothing", return_dtype=pl.String))
        .when(state == "not_seen")
        .then(pl.lit("check"))
        .when(unread)
        .then(pl.lit("first_check"))
        .otherwise(pl.lit("nothing"))
    )


def _failed_test() -> pl.Expr:
    """The last return test failed, and no other adjuster was fitted since."""
    found = pl.col("found_return_test") == 1
    return pl.coalesce("test_failed", found).fill_null(value=False)


def _meaning(band: Band) -> pl.Expr:
    """What the readings since the setting show of what the state says."""
    state = pl.coalesce("fault", "state")
    unread = pl.col("readings").fill_null(0) == 0
    return (
        pl.when(unread & pl.col("set_on").is_not_null())
        .then(pl.lit("not_read_since_set"))
        .when(unread)
        .then(pl.lit("never_read"))
        .when((pl.col("flag_reason") == "finding").fill_null(value=False))
        .then(pl.lit("finding"))
        .when((pl.col("flag_reason") == "reading").fill_null(value=False))
        .then(pl.lit("read_far_off"))
        .when(pl.col("flagged") & (state == "stuck"))
        .then(_stuck(band))
        .when(pl.col("flagged") & (state == "slackening"))
        .then(_drifting(band, way=1))
        .when(pl.col("flagged") & (state == "tightening"))
        .then(_drifting(band, way=-1))
        .when(pl.col("flagged") & (state == "set_wrong"))
        .then(_set_wrong(band))
        .when(state == "uneven")
        .then(pl.lit("sides_apart"))
        .when("not_seen")
        .then(pl.lit("read_long_ago"))
        .otherwise(_quiet(band))
    )


def _quiet(band: Band) -> pl.Expr:
    """Not flagged: in band, or not sure enough of anything."""
    within = pl.col("last_ratio").is_between(band.low, band.high)
    held = pl.col("state").is_in(["in_band", "worn_out"]) & within
    return pl.when(held).then(pl.lit("in_band")).otherwise(pl.lit("little_known"))


def _moved() -> pl.Expr:
    return pl.col("last_ratio") - pl.col("first_ratio")


def _unseen() -> pl.Expr:
    """Trouble that the readings since the setting do not bear out: brought along, or found else."""
    again = pl.col("trouble_before").fill_null(value=False)
    return pl.when(again).then(pl.lit("before_setting")).otherwise(pl.lit("not_by_strokes"))


def _stuck(band: Band) -> pl.Expr:
    several = pl.col("readings") > 1
    little = pl.col("take_up_in_trouble") < NEARLY_NOTHING
    return (
        pl.when(several & (_moved() < UNCHANGED))
        .then(_unseen())
        .when(several & little)
        .then(pl.lit("nothing_taken_up"))
        .when(several)
        .then(_drifting(band, way=1))
        .otherwise(pl.lit("as_if_nothing"))
    )


def _drifting(band: Band, way: int) -> pl.Expr:
    """How much is taken up, where that is known; never against what was read.

    ``way``: 1 where too little is taken up and strokes grow, −1 where too much is.
    """
    known = pl.col("take_up_high") - pl.col("take_up_low") <= WIDEST_KNOWN
    once, unsure = ("as_if_little", "grows") if way > 0 else ("as_if_too_much", "shrinks")
    beyond = way * (pl.col("last_ratio") - band.target) > 0
    return (
        pl.when((pl.col("readings") == 1) & beyond)
        .then(pl.lit(once))
        .when((pl.col("readings") == 1) | (way * _moved() < UNCHANGED))
        .then(_unseen())
        .when(known)
        .then(pl.lit("takes_up"))
        .otherwise(pl.lit(unsure))
    )


def _set_wrong(band: Band) -> pl.Expr:
    outside = ~pl.col("last_ratio").is_between(band.low, band.high)
    unset = pl.col("set_source") == SOURCES[Source.FIRST_READING]
    return (
        pl.when(~outside)
        .then(pl.lit("outside_together"))
        .when(unset)
        .then(pl.lit("outside_unset"))
        .when(pl.col("readings") > 1)
        .then(pl.lit("outside_holding"))
        .otherwise(pl.lit("outside_once"))
    )
