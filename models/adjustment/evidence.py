"""The judgement on a wheel end in one or two plain sentences a mechanic can act on.

The first says what was read and what follows from it, the second what to do. Nothing here tells
anybody to re-set an automatic adjuster that keeps going out: that would hide the fault.
"""

import polars as pl

from models.adjustment.flags import FlagRules
from models.adjustment.strokes.parameters import SOURCES, Band, Source

NEARLY_NOTHING = 0.2
UNCHANGED = 0.005
ODD_READING = 0.10
LIKELY = 0.5


def with_evidence(judged: pl.DataFrame, band: Band, rules: FlagRules) -> pl.DataFrame:
    """Add the column ``evidence`` to a frame of verdicts."""
    never = pl.coalesce(
        _text(
            "No stroke reading since it was set ", _number(pl.col("weeks_since_set")), " weeks ago"
        ),
        pl.lit("No stroke reading on record"),
    )
    read = pl.col("stroke_ratio").is_not_null()
    what = pl.concat_str(
        pl.when(read).then(_facts(band)).otherwise(never),
        pl.when(read).then(_meaning(band, rules)).otherwise(pl.lit("")),
        _also_found(),
        pl.lit("."),
    )
    action = _capital(_action(band))
    return judged.with_columns(
        evidence=pl.when(action == "")
        .then(what)
        .otherwise(pl.concat_str(what, pl.lit(" "), action))
    )


def _number(value: pl.Expr, digits: int = 0) -> pl.Expr:
    if digits == 0:
        return value.round(0).cast(pl.Int64).cast(pl.String)
    return value.round(digits).cast(pl.String)


def _percent(ratio: pl.Expr) -> pl.Expr:
    """A share in percent; tenths only where the state turns on them."""
    fine = pl.col("state").is_in(["slackening", "tightening", "uneven"])
    return pl.when(fine).then(_number(100 * ratio, 1)).otherwise(_number(100 * ratio))


def _text(*parts: pl.Expr | str) -> pl.Expr:
    """Text and expressions in a row; nothing where any of them is missing."""
    return pl.concat_str(pl.lit(p) if isinstance(p, str) else p for p in parts)


def _capital(text: pl.Expr) -> pl.Expr:
    return text.str.slice(0, 1).str.to_uppercase() + text.str.slice(1)


def _band_text(band: Band) -> str:
    return f"{100 * band.low:.3g}–{100 * band.high:.3g} %"


def _facts(band: Band) -> pl.Expr:
    arm = pl.col("arm_length_mm")
    stroke = _text(
        "Free stroke ",
        _number(pl.col("last_ratio") * arm),
        " mm on a ",
        _number(arm),
        " mm arm (",
        _percent(pl.col("last_ratio")),
        f" %; band {_band_text(band)})",
    )
    return stroke + pl.coalesce(_trend(), pl.lit(""))


def _trend() -> pl.Expr:
    change = pl.col("last_ratio") - pl.col("first_ratio")
    way = (
        pl.when(change.abs() < UNCHANGED)
        .then(pl.lit("as good as unchanged"))
        .when(change > 0)
        .then(pl.lit("up"))
        .otherwise(pl.lit("down"))
    )
    wear = _text(" while ", _number(pl.col("wear_mm"), 1), " mm of lining wore")
    several = _text(", ", way, " from ", _percent(pl.col("first_ratio")), " % ", _since(), wear)
    once = _text(", read once ", _since())
    return pl.when(pl.col("readings") > 1).then(several).otherwise(once)


def _since() -> pl.Expr:
    """When the first reading was taken, or the setting made."""
    weeks = _text(_number(pl.col("weeks") + pl.col("weeks_since_read")), " weeks ago")
    unset = pl.col("set_source") == SOURCES[Source.FIRST_READING]
    return (
        pl.when(unset & (pl.col("readings") == 1))
        .then(_text(weeks))
        .when(unset)
        .then(_text("when first read ", weeks))
        .when("first_was_left")
        .then(_text("at the setting ", weeks))
        .otherwise(_text("at the first check after the setting ", weeks))
    )


def _meaning(band: Band, rules: FlagRules) -> pl.Expr:
    state = pl.col("state")
    by_finding = pl.col("flag_reason").eq("finding").fill_null(value=False)
    return (
        pl.when(by_finding)
        .then(pl.lit(""))
        .when(state == "stuck")
        .then(_stuck())
        .when(state == "slackening")
        .then(_slackening())
        .when(state == "tightening")
        .then(_tightening(band))
        .when(state == "set_wrong")
        .then(_set_wrong(band))
        .when(state == "uneven")
        .then(_uneven(rules))
        .when(state == "not_seen")
        .then(_not_seen())
        .otherwise(_quiet(band))
    )


def _quiet(band: Band) -> pl.Expr:
    """Not flagged: in band, or not sure enough of anything."""
    within = pl.col("last_ratio").is_between(band.low, band.high)
    doubt = _text(
        ": too little to go by yet, something is wrong with probability ",
        _number(100 * pl.col("p_trouble")),
        " %",
    )
    return (
        pl.when((pl.col("state") == "in_band") & within).then(pl.lit(": in band")).otherwise(doubt)
    )


def _take_up_text() -> pl.Expr:
    low, high = pl.col("take_up_low").clip(0.0), pl.col("take_up_high")
    return _text(
        _number(100 * pl.col("take_up").clip(0.0)),
        " % of the wear (95 % interval ",
        _number(100 * low),
        "–",
        _number(100 * high),
        " %)",
    )


def _stuck() -> pl.Expr:
    once = pl.lit(": as if almost nothing were taken up")
    several = pl.lit(": almost nothing is being taken up")
    nothing = pl.when(pl.col("readings") > 1).then(several).otherwise(once)
    some = _text(": it takes up about ", _take_up_text())
    little = pl.col("take_up_in_trouble") < NEARLY_NOTHING
    return pl.when(little).then(nothing).otherwise(some)


def _next_text(where: str) -> pl.Expr:
    likely = _text(
        f"; {where} by the next check with probability ",
        _number(100 * pl.col("p_out_next_check")),
        " %",
    )
    return pl.when(pl.col("p_out_now") < LIKELY).then(likely).otherwise(pl.lit(""))


def _slackening() -> pl.Expr:
    return _text(": it takes up about ", _take_up_text(), _next_text("outside the band"))


def _tightening(band: Band) -> pl.Expr:
    text = _text(": it takes up more than wears, about ", _take_up_text())
    return text + _next_text("outside the band") + _too_tight(band)


def _too_tight(band: Band) -> pl.Expr:
    """Below the band the brake may drag; faster wear than its group's bears that out."""
    low = pl.col("stroke_ratio") < band.low
    return (
        pl.when(low & (pl.col("found_wear") == 1))
        .then(pl.lit("; too tight, and its lining wears faster than its group's: it may drag"))
        .when(low)
        .then(pl.lit("; so tight that it may drag and run hot"))
        .otherwise(pl.lit(""))
    )


def _set_wrong(band: Band) -> pl.Expr:
    unset = pl.col("set_source") == SOURCES[Source.FIRST_READING]
    held = (
        pl.when(unset)
        .then(pl.lit(": outside the band since it was first read, no setting on record"))
        .when(pl.col("readings") > 1)
        .then(pl.lit(": outside the band since the setting, and holding there"))
        .otherwise(pl.lit(": outside the band at its first check, so probably set there"))
    )
    return held + _too_tight(band)


def _uneven(rules: FlagRules) -> pl.Expr:
    apart = (pl.col("stroke_ratio") - pl.col("other_ratio")).abs()
    return _text(
        ": the other end of the axle is at ",
        _percent(pl.col("other_ratio")),
        " %, ",
        _number(100 * apart, 1),
        f" points apart (limit {100 * rules.side_limit:.3g})",
    )


def _not_seen() -> pl.Expr:
    return _text(
        ": last read ",
        _number(pl.col("weeks_since_read")),
        " weeks ago, due every ",
        _number(pl.col("check_weeks")),
    )


def _also_found() -> pl.Expr:
    """Findings other than strokes, for flagged wheel ends."""
    applied = _text(
        "applied stroke ",
        _number(pl.col("applied_stroke_mm")),
        " mm, readjustment limit ",
        _number(pl.col("readjust_limit_mm"), 1),
        " mm",
    )
    began = pl.col("read_on").list.get(pl.col("began"), null_on_oob=True)
    changed = _text("changed by the check of ", began.dt.to_string("%Y-%m-%d"))
    found = {
        "return test failed": pl.col("found_return_test") == 1,
        "fault found: stuck": pl.col("found_fault") == 1,
        "fault found: over-adjusting": pl.col("found_fault") == 2,
        "fault found: damaged": pl.col("found_fault") == 3,
        "marks no longer line up": pl.col("found_marks") == 1,
        "grease cap open or missing": pl.col("found_cap") == 1,
        "greasing overdue": pl.col("found_greasing") == 1,
    }
    parts = [pl.when(there).then(pl.lit(f"; {text}")) for text, there in found.items()]
    parts.append(pl.when(pl.col("found_applied") == 1).then(_text("; ", applied)))
    sudden = pl.col("changed") & (pl.col("state") == "stuck")
    parts.append(pl.when(sudden & (pl.col("began") > 0)).then(_text("; ", changed)))
    said = pl.concat_str([part.fill_null(pl.lit("")) for part in parts])
    opened = pl.when(pl.col("flag_reason") == "finding").then(pl.lit(":") + said.str.slice(1))
    return pl.when("flagged").then(pl.coalesce(opened, said)).otherwise(pl.lit(""))


def _action(band: Band) -> pl.Expr:
    state = pl.col("state")
    aim = _number(band.target * pl.col("arm_length_mm"))
    again = pl.col("trouble_before").fill_null(value=False)
    test = pl.lit("test its return; replace if it fails.")
    cause = pl.lit("test its return and find the cause; re-setting it would hide the fault.")
    drag = pl.lit("check for drag and heat; test the adjuster, replace it if it over-adjusts.")
    before = pl.lit("it went out before its last setting too: test its return, find the cause.")
    set_once = _text(
        "set it as its maker says (aim ", aim, " mm); if it goes out again, find the cause."
    )
    sides = pl.lit("compare both ends: setting, return test, drum and linings.")
    todo = (
        pl.when(again & state.is_in(["slackening", "set_wrong", "tightening"]))
        .then(before)
        .when(state == "stuck")
        .then(test)
        .when(state == "slackening")
        .then(cause)
        .when(state == "tightening")
        .then(drag)
        .when(state == "set_wrong")
        .then(set_once)
        .when(state == "uneven")
        .then(sides)
        .when(state == "not_seen")
        .then(_check())
        .otherwise(pl.lit(""))
    )
    quiet = ~pl.col("flagged") & (state != "not_seen")
    odd = (pl.col("p_misread") > ODD_READING).fill_null(value=False)
    reread = pl.when(odd).then(pl.lit("read it again first, then ")).otherwise(pl.lit(""))
    return pl.when(quiet).then(pl.lit("")).otherwise(reread + todo)


def _check() -> pl.Expr:
    """Check now, or when the first check since the setting is due."""
    left = pl.col("check_weeks") - pl.col("weeks_since_set")
    first = pl.col("stroke_ratio").is_null() & (left > 0)
    due = _text("its first check is due in ", _number(left), " weeks.")
    return pl.when(first).then(due).otherwise(pl.lit("check it at the next visit."))
