"""What was found at a wheel end and what to do, in one to three sentences a mechanic can act on.

Made of the numbers and codes of a judgement, in the fleet's own units. Vectorised: a page tells of
some hundred wheel ends, the warehouse of all.
"""

import polars as pl

from dashboards.page_data import Fleet
from dashboards.sentences.measures import MM_PER_INCH

OCCASIONS = {
    "adjuster_set": "set",
    "adjuster_replaced": "set with its new adjuster",
    "reline": "set when it was relined",
    "as_left": "set",
}
UNCHANGED = 0.005
LIKELY = 0.5
# Ten times a reading in centimetres is so near to what its lining is estimated at.
CENTIMETRES_WITHIN_MM = 3.0
# The one sentence for an adjuster that failed its return test, and never one about setting it.
REPLACE = "replace the adjuster; one that failed is not re-set"
LITTLE_KNOWN = "too little to go by yet"


def with_evidence(judged: pl.DataFrame, fleet: Fleet, side_limit: float) -> pl.DataFrame:
    """Add the column ``evidence`` to judged wheel ends.

    Parameters
    ----------
    judged : columns as the judgement of adjustment gives them, numbers and codes; ``p_relined``,
        if known, the chance that it was relined at its last check and nobody wrote it down
    side_limit : difference of stroke ratio allowed between the ends of an axle
    """
    if "p_relined" not in judged.columns:
        judged = judged.with_columns(p_relined=pl.lit(0.0))
    words = _Words(fleet, side_limit)
    parts = [words.lining(), words.found(), words.todo()]
    spaced = [pl.when(part == "").then(None).otherwise(part) for part in parts]
    return judged.with_columns(evidence=pl.concat_str(spaced, separator=" ", ignore_nulls=True))


def state_words(words: dict[str, str]) -> pl.Expr:
    """What a wheel end's state is called, its grounds counted.

    ``words``: what each state is called where nothing else is to be said. A failed return test is
    called that; a setting that nobody has read yet is not called in band, nor is a stroke whose
    evidence says that too little is known.
    """
    state = pl.col("state").cast(pl.String)
    failed = pl.col("advice").cast(pl.String) == "replace"
    by_finding = (pl.col("flag_reason") == "finding").fill_null(value=False)
    unread = (state == "in_band") & pl.col("last_read_on").is_null()
    return (
        pl.when(failed & by_finding)
        .then(pl.lit("adjuster found failed"))
        .when(unread)
        .then(pl.lit("set, not read since"))
        .when((state == "in_band") & pl.col("evidence").str.contains(LITTLE_KNOWN, literal=True))
        .then(pl.lit("in doubt"))
        .otherwise(state.replace(words))
    )


def _number(value: pl.Expr, digits: int = 0) -> pl.Expr:
    if digits == 0:
        return value.round(0).cast(pl.Int64).cast(pl.String)
    # As a decimal, so that no zero is left off: 0.60 in beside 0.84 in.
    return value.round(digits).cast(pl.Decimal(scale=digits), strict=False).cast(pl.String)


def _text(*parts: pl.Expr | str) -> pl.Expr:
    """Text and expressions in a row; nothing where any of them is missing."""
    return pl.concat_str(pl.lit(p) if isinstance(p, str) else p for p in parts)


def _capital(text: pl.Expr) -> pl.Expr:
    return text.str.slice(0, 1).str.to_uppercase() + text.str.slice(1)


def _day(name: str) -> pl.Expr:
    return pl.col(name).dt.strftime("%-d %b %Y")


def _chosen(code: str, texts: dict[str, pl.Expr]) -> pl.Expr:
    """The text that belongs to a code; empty where none does."""
    chosen = [pl.when(pl.col(code) == name).then(text) for name, text in texts.items()]
    return pl.coalesce(*chosen, pl.lit(""))


def _chance(name: str) -> pl.Expr:
    """A chance in percent, never said to be none or certain."""
    percent = _number(100 * pl.col(name))
    return (
        pl.when(pl.col(name) < 0.005)
        .then(pl.lit("under 1 %"))
        .when(pl.col(name) > 0.995)
        .then(pl.lit("over 99 %"))
        .otherwise(percent + " %")
    )


def _aside(unused: str) -> pl.Expr:
    """What is said of a finding whose row is not used."""
    said = pl.lit(", in a row set aside (mart.set_aside says why)")
    return pl.when(unused).then(said).otherwise(pl.lit(""))


def _in_centimetres() -> pl.Expr:
    """Readings of rows that are not used, ten times of which is what the lining is estimated at."""
    off = (10.0 * pl.col("lining_read_mm") - pl.col("lining_now_mm")).abs()
    return (pl.col("lining_unused") & (off <= CENTIMETRES_WITHIN_MM)).fill_null(value=False)


def probably_relined() -> pl.Expr:
    return pl.col("p_relined").fill_null(0.0) >= LIKELY


def _share(ratio: pl.Expr) -> pl.Expr:
    """A stroke over its arm in percent; tenths only where the state turns on them."""
    fine = pl.col("state").cast(pl.String).is_in(["slackening", "tightening", "uneven"])
    fine = fine | (pl.col("meaning") == "outside_together")
    return pl.when(fine).then(_number(100 * ratio, 1)).otherwise(_number(100 * ratio))


class _Words:
    """Sentences in one fleet's units and by its band."""

    def __init__(self, fleet: Fleet, side_limit: float) -> None:
        self.fleet = fleet
        self.side_limit = side_limit

    def length(self, mm: pl.Expr, digits: int = 0) -> pl.Expr:
        """A length with its unit; ``digits`` in mm, two more in inches."""
        if self.fleet.length_unit == "mm":
            return _text(_number(mm, digits), " mm")
        return _text(_number(mm / MM_PER_INCH, 2), " in")

    @property
    def band(self) -> str:
        return f"{100 * self.fleet.band_low:.3g}–{100 * self.fleet.band_high:.3g} %"

    def lining(self) -> pl.Expr:
        """Said of linings at their minimum alone."""
        read = _text(self.length(pl.col("lining_read_mm"), 1), " on ", _day("lining_read_on"))
        read += (
            pl.when(_in_centimetres())
            .then(pl.lit(": written in centimetres? Look at it"))
            .otherwise(_aside("lining_unused"))
        )
        old = _text(self.length(pl.col("lining_before_mm"), 1), " on ", _day("lining_before_on"))
        doubt = " and no reline on record between: read it again."
        thicker = ", when the axle's other end, without a job, was the thinner: which one is new?"
        minimum = _text(", minimum ", self.length(pl.col("lining_min_mm"), 1))
        now = _text("Lining estimated at ", self.length(pl.col("lining_now_mm"), 1), " now")
        last = pl.coalesce(_text("; last read ", read), pl.lit("; not read since it was relined"))
        said = (
            pl.when(pl.col("worn_out_by") == "reading")
            .then(_text("Lining read ", read, minimum, "."))
            .when(pl.col("worn_out_by") == "estimate")
            .then(_text(now, minimum, last, "."))
            .when(pl.col("worn_out_by") == "before")
            .then(
                pl.coalesce(
                    _text("Lining read ", read, ", but ", old, minimum, doubt),
                    _text("Relined by the record and not read since, but ", old, minimum, thicker),
                )
            )
        )
        unwritten = " It was probably relined then, though nobody wrote that down: look first."
        perhaps = pl.when(probably_relined()).then(pl.lit(unwritten)).otherwise(pl.lit(""))
        return (said + perhaps).fill_null("")

    def found(self) -> pl.Expr:
        """What was read, what it shows, and what else was found."""
        text = pl.coalesce(self.facts(), self.unread()) + self.meaning() + self.also()
        # Of a lining that is at its minimum the stroke is told only where it adds something.
        worn_out = pl.col("worn_out_by").is_not_null()
        beside = pl.col("meaning").is_in(["never_read", "not_read_since_set", "read_long_ago"])
        silent = worn_out & beside & (self.also() == "")
        return pl.when(silent).then(pl.lit("")).otherwise(text + ".")

    def facts(self) -> pl.Expr:
        arm = pl.col("arm_length_mm")
        stroke = _text(
            "Free stroke ",
            self.length(pl.col("last_ratio") * arm),
            " on a ",
            self.length(arm),
            " arm (",
            _share(pl.col("last_ratio")),
            f" %; band {self.band})",
        )
        return stroke + pl.coalesce(self.trend(), pl.lit(""))

    def trend(self) -> pl.Expr:
        change = pl.col("last_ratio") - pl.col("first_ratio")
        way = (
            pl.when(change.abs() < UNCHANGED)
            .then(pl.lit("as good as unchanged"))
            .when(change > 0)
            .then(pl.lit("up"))
            .otherwise(pl.lit("down"))
        )
        worn = self.length(pl.col("wear_mm"), 1)
        wear = (
            pl.when(pl.col("lining_read_mm").is_null())
            .then(_text(" while, by usual wear, ", worn, " of lining wore, none of it read"))
            .otherwise(_text(" while ", worn, " of lining wore"))
        )
        several = _text(", ", way, " from ", _share(pl.col("first_ratio")), " % ", _since(), wear)
        return (
            pl.when(pl.col("readings") > 1).then(several).otherwise(_text(", read once ", _since()))
        )

    def unread(self) -> pl.Expr:
        """Nothing read since the setting, or ever."""
        how = pl.col("set_source").replace_strict(OCCASIONS, default="set", return_dtype=pl.String)
        made = _text(how.fill_null("set"), " on ", _day("set_on"))
        chance = _text(
            ": out of band now with a chance of ",
            _chance("p_out_now"),
            ", as settings of its depot and adjusters like it turn out; a stroke written down as "
            "left would tell at once",
        )
        again = pl.col("trouble_before").fill_null(value=False)
        read = _text(
            "; read at ",
            _share(pl.col("ratio_before")),
            f" % of the arm before that (band {self.band})",
            _text(
                ", ", _share(pl.col("ratio_before_that")), " % before the setting before"
            ).fill_null(""),
            ", and no other adjuster fitted since",
        )
        band = self.fleet.band_low, self.fleet.band_high
        outside = ~pl.col("ratio_before").is_between(*band).fill_null(value=True)
        before = (
            pl.when(pl.col("flagged") & outside)
            .then(read)
            .when(again)
            .then(pl.lit("; it went out before that"))
            .otherwise(pl.lit(""))
        )
        since = _text(_capital(made), ", not read since", before, chance.fill_null(""))
        none = (
            pl.when(pl.col("arm_length_mm").is_null())
            .then(pl.lit("No arm length on record, so that no stroke can be judged"))
            .otherwise(pl.lit("No stroke reading on record"))
        )
        return pl.coalesce(since, none)

    def meaning(self) -> pl.Expr:
        texts = {
            "nothing_taken_up": pl.lit(": almost nothing is being taken up"),
            "as_if_nothing": pl.lit(": as if almost nothing were taken up"),
            "as_if_little": pl.lit(
                ": as if part of the wear were not taken up; one reading cannot tell how much"
            ),
            "as_if_too_much": pl.lit(
                ": as if more than the wear were taken up; one reading cannot tell how much"
            )
            + self.too_tight(),
            "takes_up": _take_up() + self.ahead() + self.too_tight(),
            "grows": pl.lit(
                ": it grows with the wear, though how much is taken up is not known well yet"
            )
            + self.ahead(),
            "shrinks": pl.lit(
                ": it takes up more than wears, though how much is not known well yet"
            )
            + self.ahead()
            + self.too_tight(),
            "read_far_off": pl.lit(
                ": so far outside the band that somebody must look, were it a slip"
            ),
            "before_setting": pl.lit(
                ": the readings since the setting do not show it yet, those before it did"
            ),
            "not_by_strokes": pl.lit(": the strokes alone do not show it, what else was found does")
            + self.ahead(),
            "outside_unset": pl.lit(
                ": outside the band since it was first read, no setting on record"
            )
            + self.too_tight(),
            "outside_holding": pl.lit(": outside the band since the setting, and holding there")
            + self.too_tight(),
            "outside_once": pl.lit(": outside the band at its first check, so probably set there")
            + self.too_tight(),
            "outside_together": _text(
                ": all its readings together say ",
                _number(100 * pl.col("read_ratio"), 1),
                " %, outside the band since the setting",
            ),
            "sides_apart": self.apart(),
            "read_long_ago": _text(
                ": last read ",
                _number(pl.col("weeks_since_read")),
                " weeks ago, due every ",
                _number(pl.col("check_weeks")),
            ),
            "in_band": pl.lit(": in band"),
            "little_known": _text(
                f": {LITTLE_KNOWN}, something is wrong with a chance of ",
                _chance("p_trouble"),
            ),
        }
        return _chosen("meaning", texts)

    def ahead(self) -> pl.Expr:
        likely = _text(
            "; outside the band by the next check with a chance of ", _chance("p_out_next_check")
        )
        return pl.when(pl.col("p_out_now") < LIKELY).then(likely).otherwise(pl.lit(""))

    def too_tight(self) -> pl.Expr:
        """Below the band the brake may drag; faster wear than its group's bears that out."""
        low = pl.col("read_ratio") < self.fleet.band_low
        return (
            pl.when(low & (pl.col("found_wear") == 1))
            .then(pl.lit("; too tight, and its lining wears faster than its group's: it may drag"))
            .when(low)
            .then(pl.lit("; so tight that it may drag and run hot"))
            .otherwise(pl.lit(""))
        )

    def apart(self) -> pl.Expr:
        points = (pl.col("read_ratio") - pl.col("other_ratio")).abs()
        return _text(
            ": the other end of the axle is at ",
            _share(pl.col("other_ratio")),
            " %, ",
            _number(100 * points, 1),
            f" points apart (limit {100 * self.side_limit:.3g})",
        )

    def also(self) -> pl.Expr:
        """Findings other than strokes, for flagged wheel ends."""
        failed = pl.coalesce("test_failed", pl.col("found_return_test") == 1)
        tested = pl.coalesce(
            _text(
                "return test failed on ",
                _day("tested_on"),
                _aside("test_unused"),
                ", no replacement on record since",
            ),
            pl.lit("return test failed"),
        )
        applied = _text(
            "applied stroke ",
            self.length(pl.col("applied_stroke_mm")),
            ", readjustment limit ",
            self.length(pl.col("readjust_limit_mm"), 1),
        )
        found = [
            (failed, tested),
            (pl.col("found_fault") == 1, pl.lit("fault found: stuck")),
            (pl.col("found_fault") == 2, pl.lit("fault found: over-adjusting")),
            (pl.col("found_fault") == 3, pl.lit("fault found: damaged")),
            (pl.col("found_marks") == 1, pl.lit("marks no longer line up")),
            (pl.col("found_cap") == 1, pl.lit("grease cap open or missing")),
            (pl.col("found_greasing") == 1, pl.lit("greasing was overdue at the last check")),
            (pl.col("found_applied") == 1, applied),
            (
                pl.col("changed_by").is_not_null(),
                _text("changed by the check of ", _day("changed_by")),
            ),
        ]
        parts = [pl.when(there).then("; " + text).fill_null("") for there, text in found]
        said = pl.concat_str(parts)
        by_finding = (pl.col("meaning") == "finding") & (said != "")
        opened = pl.when(by_finding).then(pl.lit(":") + said.str.slice(1))
        return pl.when("flagged").then(pl.coalesce(opened, said)).otherwise(pl.lit(""))

    def todo(self) -> pl.Expr:
        aim = self.length(self.fleet.target * pl.col("arm_length_mm"))
        set_once = _text(
            "test its return; if it passes, set it as its maker says (aim ",
            aim,
            "); if it goes out again, find the cause.",
        )
        until = "take it out of service until it is relined"
        if_old = f"if the lining is still the old one, {until}"
        doubt = probably_relined() | (pl.col("worn_out_by") == "before").fill_null(value=False)
        reline = (
            pl.when(doubt)
            .then(pl.lit(if_old))
            .when(_in_centimetres())
            .then(pl.lit(f"if it is so thin, {until}"))
            .otherwise(pl.lit(until))
        )
        texts = {
            "reline": reline + ".",
            "reline_and_replace": reline + f"; {REPLACE}.",
            "replace": pl.lit(f"{REPLACE}."),
            "test": pl.lit("test its return; replace it if it fails."),
            "find_cause": pl.lit(
                "test its return and find the cause; re-setting it would hide the fault."
            ),
            "check_drag": pl.lit(
                "check for drag and heat; test the adjuster, replace it if it over-adjusts."
            ),
            "failed_before": pl.lit(
                "it went out before its last setting too: test its return, find the cause."
            ),
            "set": set_once,
            "compare_sides": pl.lit("compare both ends: setting, return test, drum and linings."),
            "check": pl.lit("check it at the next visit."),
            "first_check": self.first_check(),
        }
        todo = _chosen("advice", texts)
        perhaps = "if its unit, not seen for long, still runs, " + todo
        todo = pl.when(pl.col("flagged") & pl.col("seems_left")).then(perhaps).otherwise(todo)
        odd = pl.col("found_odd").fill_null(value=False)
        return _capital(pl.when(odd).then("read it again first, then " + todo).otherwise(todo))

    def first_check(self) -> pl.Expr:
        left = pl.col("check_weeks") - pl.col("weeks_since_set")
        due = _text("its first check is due in ", _number(left), " weeks.")
        return pl.when(left >= 0.5).then(due).otherwise(pl.lit("its first check is due now."))


def _since() -> pl.Expr:
    """When the first reading was taken, or the setting made."""
    weeks = _text(_number(pl.col("weeks") + pl.col("weeks_since_read")), " weeks ago")
    unset = pl.col("set_source") == "first_reading"
    return (
        pl.when(unset & (pl.col("readings") == 1))
        .then(_text(weeks))
        .when(unset)
        .then(_text("when first read ", weeks))
        .when("first_was_left")
        .then(_text("at the setting ", weeks))
        .otherwise(_text("at the first check after the setting ", weeks))
    )


def _take_up() -> pl.Expr:
    low, high = pl.col("take_up_low").clip(0.0), pl.col("take_up_high")
    more = (
        pl.when(pl.col("take_up") > 1)
        .then(pl.lit(": it takes up more than wears, about "))
        .otherwise(pl.lit(": it takes up about "))
    )
    return _text(
        more,
        _number(100 * pl.col("take_up").clip(0.0)),
        " % of the wear (19 chances in 20: ",
        _number(100 * low),
        "–",
        _number(100 * high),
        " %)",
    )
