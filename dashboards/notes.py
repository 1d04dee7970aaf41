"""What a run has to say of itself: forecasts that their own history contradicts, fits that failed,
and what each method worked from this month."""

import datetime as dt
from typing import Any

import polars as pl
from scipy import special

from dashboards.charts.trust import (
    FEWEST_TOTALS,
    QUARTERS,
    is_total,
    judged,
    verdict,
)
from dashboards.page_data import PageData
from dashboards.sentences.contradictions import (
    relines_said,
    reused_said,
    rising_said,
    thinner_said,
)
from dashboards.sentences.departures import starts_said
from dashboards.sentences.measures import Measures
from dashboards.sentences.missing import worst_alone_said
from dashboards.sentences.too_good import too_good_said
from dashboards.sentences.uneven_past import returning_said, silence_said
from dashboards.sentences.words import (
    NO_BREAK,
    NO_DEPOT,
    at_depot,
    count,
    day_name,
    figures,
    listed,
    month_name,
    number,
    share,
)

# One-sided doubt left before a forecast is said to contradict its own history.
DOUBT = 0.01
# So many readings without any change, at such a share of the wheel ends, are no luck of rounding.
READ_OFTEN = 6
COPIED_SHARE = 0.25
# So many successive readings, and such a share of them rising, are no error of reading.
PAIRS_READ = 40
RISING_SHARE = 0.6
# One stroke for nearly all readings of several wheel ends is no measurement.
ONE_VALUE_SHARE, FEWEST_ENDS = 0.9, 4
# Where no more than this share of units (or one) was checked in so many days, the as-of day, which
# is that of the newest check, lies far ahead of what is known of the others.
SEEN_LATELY = 0.1
FAR_AHEAD_DAYS = 182
MOST_NAMED = 4
# Faults that flag by themselves, and words for none.
KNOWN_FAULTS = ("stuck", "over_adjusting", "damaged")
NO_FAULT = ("", "-", "none", "no", "nil", "ok", "o.k.", "n/a", "na", "good", "nothing", "keine",
            "aucun", "ninguno", "brak", "geen", "nessuno")  # fmt: skip
# So large a share of readings at the thickest that was read, and that so far below a new lining:
# a gauge that shows no more, or a number written for "thick enough".
AT_THE_TOP, BELOW_NEW_MM = 0.15, 1.5
# Strokes on one side of the band at more than so large a share of so many wheel ends.
OUTSIDE_SHARE, MANY_ENDS = 0.5, 12
UNIT_GAP = 6.0  # from thick to thin: linings wear to a third of new, an inch is 25 mm
# Fewer jobs with a cost tell no price; costs nearer to the budget's than so are the same.
FEWEST_COSTED, COSTS_APART = 20, 1.25
# Relines of old linings that nobody read, so many and such a share, where checks read linings.
FEWEST_UNMEASURED, MOST_UNMEASURED, READ_AT_CHECKS = 10, 0.5, 0.7
# A depot of so many units is young with records of so many days, where others have twice as many.
FEWEST_YOUNG_UNITS, YOUNG_DAYS = 3, 270
ADVICE = "plan with more room than the bars say."


def run_notes(data: PageData) -> tuple[str, ...]:
    """Sentences for the top of the page; none when all is as it should be."""
    return (
        *_far_ahead(data.on_record, data.as_of),
        *silence_said(data.record_holes, data.as_of),
        *returning_said(data.use_changes),
        *worst_alone_said(data.checks_written),
        *_rising(data.histories),
        *rising_said(data.rising_units),
        *thinner_said(data.visits_apart, Measures(data.fleet)),
        *relines_said(data.relines_held),
        *reused_said(data.numbers_reused),
        *_other_unit(data.histories),
        *_one_stroke(data.histories),
        *_copied(data.histories),
        *_all_outside(data.strokes_read),
        *_faults_unknown(data.faults_told),
        *_gauge_ends(data.linings_highest, Measures(data.fleet)),
        *_standing(data.odometers_standing),
        *starts_said(data.first_readings, Measures(data.fleet)),
        *too_good_said(data.findings_by_depot, data.linings_lowest, Measures(data.fleet)),
        *_unmeasured(data.relines_lately),
        *_young(data.depots_since, data.as_of),
        *_minimum_by_default(data.default_minima, Measures(data.fleet)),
        *_contradicted(data.backtest),
        *_unfit(data),
        *_no_costs(data),
        *_costs_apart(data),
    )


def _standing(odometers: pl.DataFrame | None) -> tuple[str, ...]:
    """Units whose odometers stand still though they run: their km are a guess."""
    if odometers is None:
        return ()
    now = odometers.filter("still").sort("from_on", "unit_id")
    if now.is_empty():
        return ()
    told = [
        f"{unit} since {day_name(since)}"
        for unit, since in now.head(MOST_NAMED).select("unit_id", "from_on").iter_rows()
    ]
    odometer = "odometer of" if now.height == 1 else "odometers of"
    return (
        f"The {odometer} {count(now.height, 'unit')} read the same at every check while linings "
        f"wore: {listed(told)}{' and others' * (now.height > MOST_NAMED)}. The km since are taken "
        "to be what the unit ran before, and linings, dates and ages there are no surer than that: "
        "go by what is measured, and have the odometer mended, or read.",
    )


def _faults_unknown(faults: pl.DataFrame | None) -> tuple[str, ...]:
    """Faults of last inspections in words that no flag stands for: somebody has to read them."""
    if faults is None:
        return ()
    word = pl.col("fault").str.strip_chars().str.to_lowercase()
    unknown = faults.filter(~word.is_in([*KNOWN_FAULTS, *NO_FAULT]))
    if unknown.is_empty():
        return ()
    told = [
        f"{end} on {day_name(day)} (“{fault[:60]}”)"
        for end, day, fault in unknown.head(MOST_NAMED).iter_rows()
    ]
    more = unknown.height - len(told)
    last = f" and {number(more)} more in mart.histories" * (more > 0)
    ends = count(unknown.height, "wheel end")
    return (
        f"At {ends} the last check noted a fault in words of its own, for which no flag stands: "
        f"{', '.join(told)}{last}: look at {'it' if unknown.height == 1 else 'them'}.",
    )


def _gauge_ends(highest: pl.DataFrame | None, measures: Measures) -> tuple[str, ...]:
    """Linings that are never read thicker than so, though new ones are."""
    if highest is None:
        return ()
    share_at = pl.col("highest") / pl.col("readings")
    ends = highest.filter(
        share_at >= AT_THE_TOP,
        pl.col("highest_mm") <= pl.col("new_mm") - BELOW_NEW_MM,
        pl.col("wheel_ends") >= MANY_ENDS,
    )
    return tuple(
        f"Linings of {r['axle_type']} are never read thicker than "
        f"{measures.length(r['highest_mm'])}, which {share(r['highest'] / r['readings'])} of "
        f"{number(r['readings'])} readings are, though new ones have "
        f"{measures.length(r['new_mm'])}: a gauge that shows no more, or a number written for "
        "thick enough. Wear of thick linings, and dates of theirs, are not right."
        for r in ends.to_dicts()
    )


def _copied(histories: pl.DataFrame | None) -> tuple[str, ...]:
    """Lining readings that never change, where that is too often so to be luck or slow wear."""
    if histories is None or "lining_mm" not in histories.columns:
        return ()
    read = histories.drop_nulls("lining_mm").group_by("wheel_end_id")
    ends = read.agg(pl.len(), pl.col("lining_mm").n_unique().alias("values"))
    often = ends.filter(pl.col("len") >= READ_OFTEN)
    same = often.filter(pl.col("values") == 1).height
    if not same or same < COPIED_SHARE * often.height:
        return ()
    return (
        f"At {number(same)} of {count(often.height, 'wheel end')} looked at that were read "
        f"{READ_OFTEN} times or more, every lining reading is the same: such readings look copied, "
        "not taken. Wear, relines and linings now, as told here, rest on them: measure again.",
    )


def _one_stroke(histories: pl.DataFrame | None) -> tuple[str, ...]:
    """Strokes of the whole fleet that are all one value: written down, not measured."""
    if histories is None or "stroke_ratio" not in histories.columns:
        return ()
    read = histories["stroke_ratio"].drop_nulls().round(4)
    ends = histories.drop_nulls("stroke_ratio")["wheel_end_id"].n_unique()
    if read.len() < PAIRS_READ or ends < FEWEST_ENDS:
        return ()
    usual = read.mode().sort()[0]
    same = int((read == usual).sum())
    if same < ONE_VALUE_SHARE * read.len():
        return ()
    value = "0" if not usual else f"{share(usual)} of the arm"
    return (
        f"{number(same)} of {count(read.len(), 'stroke reading')} of {number(ends)} wheel ends are "
        f"{value}: such readings look written down, not measured. What is told here of adjustment "
        "rests on them: measure again.",
    )


def _all_outside(strokes: pl.DataFrame | None) -> tuple[str, ...]:
    """Strokes of which most were last read on one side of the band, in all or at a depot: hardly
    all set wrong alike."""
    if strokes is None or strokes.is_empty():
        return ()
    sums = pl.col("wheel_ends", "above", "below").sum()
    whole = strokes.select(sums).row(0, named=True)
    parts = [("", whole)] if _side(whole) else []
    if not parts:
        rows = strokes.sort("depot").iter_rows(named=True)
        parts = [(f" {at_depot(r['depot'])}", r) for r in rows if _side(r)]
    return tuple(_outside_said(where, read) for where, read in parts[:MOST_NAMED])


def _side(read: dict[str, Any]) -> str | None:
    """The side of the band at which most of many strokes lie."""
    many = read["wheel_ends"] >= MANY_ENDS
    sides = [s for s in ("above", "below") if read[s] > OUTSIDE_SHARE * read["wheel_ends"]]
    return sides[0] if many and sides else None


def _outside_said(where: str, read: dict[str, Any]) -> str:
    side = _side(read) or ""
    own = "this fleet's own" if not where else "as they are there"
    return (
        f"At {number(read[side])} of {count(read['wheel_ends'], 'wheel end')}{where} the stroke "
        f"was last read {side} the band: so many are hardly all set wrong. Is it the free stroke "
        "that is written down, pulled by hand, and are the arms' lengths, the unit of measure and "
        f"the band under [adjustment] {own}? Settle that before anything is set."
    )


def _minimum_by_default(minima: pl.DataFrame | None, measures: Measures) -> tuple[str, ...]:
    """That linings are judged by a minimum that the fleet has not set."""
    if minima is None or minima.is_empty():
        return ()
    types = listed(minima["axle_type"].sort().to_list())
    ends = count(int(minima["wheel_ends"].sum()), "wheel end")
    return (
        f"No minimum lining is set for {types} ({ends}): {measures.length(minima['mm'][0])} is "
        "used, the US rule off the steering axle (49 CFR 393.47). Set your own under [axle_types] "
        "in fleet.toml or in the register; what is due, and what is safe, rests on it.",
    )


def _rising(histories: pl.DataFrame | None) -> tuple[str, ...]:
    """Linings that get thicker from check to check, where that is no error of reading."""
    if histories is None or "lining_mm" not in histories.columns:
        return ()
    steps = (
        histories.drop_nulls("lining_mm")
        .sort("wheel_end_id", "inspected_on")
        .select(pl.col("lining_mm").diff().over("wheel_end_id"))
        .to_series()
    )
    rose, fell = int((steps > 0).sum()), int((steps < 0).sum())
    if rose + fell < PAIRS_READ or rose < RISING_SHARE * (rose + fell):
        return ()
    return (
        f"{share(rose / (rose + fell))} of {count(rose + fell, 'lining reading')} that differ from "
        "the one before are thicker, and linings only wear: what is read as lining may be what is "
        "worn off it, or something else. Nothing told here of linings holds until that is settled.",
    )


def _other_unit(histories: pl.DataFrame | None) -> tuple[str, ...]:
    """Units whose linings are read so much thinner than others' that no wear explains it."""
    if histories is None or "lining_mm" not in histories.columns:
        return ()
    unit = pl.col("wheel_end_id").str.replace(r"/\d+[LR]$", "").alias("unit")
    read = histories.filter(pl.col("lining_mm") > 0).group_by(unit)
    middle = read.agg(mm=pl.col("lining_mm").median()).sort("mm", "unit")
    gap = (pl.col("mm") / pl.col("mm").shift(1)).fill_null(1.0)
    at = middle.select(gap.arg_max()).item() if middle.height else 0
    thin, thick = middle[:at], middle[at:]
    if thin.is_empty() or thick["mm"][0] < UNIT_GAP * thin["mm"][-1]:
        return ()
    times = figures(float(thick["mm"].median()) / float(thin["mm"].median()))  # type: ignore[arg-type]
    named = ", ".join(thin["unit"].sort().head(MOST_NAMED))
    more = f" and {number(thin.height - MOST_NAMED)} more" if thin.height > MOST_NAMED else ""
    return (
        f"Linings of {count(thin.height, 'unit')} ({named}{more}) are read some {times} times "
        f"thinner than those of the {number(thick.height)} others: one of the two is probably in "
        "another unit of measure than [units] or [answers] in fleet.toml says. Until it is mended, "
        "nothing told here of their linings holds.",
    )


def _far_ahead(records: pl.DataFrame | None, as_of: dt.date) -> tuple[str, ...]:
    """A few checks dated long after all others: by them the whole fleet was not seen for long."""
    if records is None or "last_inspected_on" not in records.columns:
        return ()
    seen = records.group_by("unit_id").agg(on=pl.col("last_inspected_on").max()).drop_nulls()
    late = seen.filter(pl.col("on") > as_of - dt.timedelta(days=FAR_AHEAD_DAYS))
    others = seen.filter(pl.col("on") <= as_of - dt.timedelta(days=FAR_AHEAD_DAYS))
    few = max(1.0, SEEN_LATELY * seen.height)
    if others.is_empty() or not 0 < late.height <= few or late.height >= others.height:
        return ()
    last = others["on"].max()
    assert isinstance(last, dt.date)
    named = ", ".join(late["unit_id"].sort().head(MOST_NAMED))
    return (
        f"All is told as of {day_name(as_of)}, but only {count(late.height, 'unit')} of "
        f"{number(seen.height)} ({named}) {'was' if late.height == 1 else 'were'} checked in the "
        f"half-year before; the last check of any other is of {day_name(last)}. If a date is "
        f"mistyped, correct it; drumline run --as-of {last} tells of that day.",
    )


def _contradicted(backtest: pl.DataFrame) -> tuple[str, ...]:
    """Bands that held less than they promised by more than chance allows.

    The outcomes of one fleet are taken as independent, which they are not quite: a forecast is
    named only when it also held visibly less, not just significantly so.
    """
    return tuple(
        f"Earlier forecasts ({r['measure']}) were too sure of themselves: {share(r['held'])} of "
        f"{number(r['outcomes'])} came out within what was said, where {share(r['promised'])} "
        f"should{_unsafe_side(r)}; {ADVICE}"
        for r in judged(backtest).iter_rows(named=True)
        if verdict(r) == "too narrow" and _beyond_chance(r)
    )


def _unsafe_side(row: dict[str, Any]) -> str:
    """Where more of what missed lies on the side that can hurt somebody, how much."""
    words, promised = UNSAFE.get(row["key"]), (1.0 - row["promised"]) / 2.0
    if words is None or row["below"] <= max(row["above"], promised):
        return ""
    return f", and {share(row['below'])} {words}, where {share(promised)} should"


UNSAFE = {
    "min_on": "reached their minimum before the early date",
    "reline_on": "were relined before the early date",
    "lining_mm": "were thinner than the low end",
}


def _beyond_chance(row: dict[str, float]) -> bool:
    held, n = round(row["held"] * row["outcomes"]), round(row["outcomes"])
    return bool(special.bdtr(held, n, row["promised"]) < DOUBT)


def _unfit(data: PageData) -> tuple[str, ...]:
    said = []
    read = bool(data.wear_rates["readings"].sum())
    if read and data.wear_components.filter(~pl.col("converged")).height:
        said.append(
            "The wear fit did not settle on an optimum: take every date and cost with care."
        )
    if data.reline_outlook.is_empty():
        said.append(f"No relines could be forecast: {why_no_forecast(data)}.")
    if never_relined(data):
        said.append(
            "No reline was ever seen in these records: when this fleet relines is assumed, not "
            "learnt from its habit."
        )
    return tuple(said)


def why_no_forecast(data: PageData) -> str:
    """Whether there are no lining readings, or too few of them on one lining."""
    records = data.on_record
    if records is not None and not records["linings"].sum():
        return "no lining reading is on record"
    return (
        "the lining readings allow no wear fit yet, which takes two or more of one lining with km "
        "run between them"
    )


def never_relined(data: PageData) -> bool:
    """Whether relines are forecast for a fleet of which none is on record, nor seen as growth."""
    if data.on_record is None or data.reline_outlook.is_empty():
        return False
    return not data.on_record["relines"].sum()


def _no_costs(data: PageData) -> tuple[str, ...]:
    expected = data.reline_budget.filter(pl.col("relines_p90") > 0)
    if expected.is_empty() or expected.filter(pl.col("cost_p90") > 0).height:
        return ()
    return ("No cost is set under [costs] in fleet.toml: relines are counted, not priced.",)


def _young(depots: pl.DataFrame | None, as_of: dt.date) -> tuple[str, ...]:
    """Depots whose records are much younger than the fleet's, by which they are largely judged."""
    if depots is None or depots.is_empty():
        return ()
    oldest = depots["since_on"].min()
    rows = depots.filter(
        pl.col("units") >= FEWEST_YOUNG_UNITS,
        pl.col("since_on") > as_of - dt.timedelta(days=YOUNG_DAYS),
        pl.lit(oldest) < as_of - dt.timedelta(days=2 * YOUNG_DAYS),
    )
    return tuple(
        f"{r['depot'] or 'What has ' + NO_DEPOT} has records since {month_name(r['since_on'])} "
        f"only ({count(r['units'], 'unit')}): how fast its linings wear, and when they are "
        "renewed, is largely taken from the other depots. If work there is harder than theirs, "
        "dates there are late and relines too few: go by its readings until it has a year of them."
        for r in rows.sort("depot").iter_rows(named=True)
    )


def _unmeasured(relines: pl.DataFrame | None) -> tuple[str, ...]:
    """Depots that read linings at checks, but not those that they renew: what wears fastest is read
    least, so that wear seems a little slower than it is."""
    if relines is None:
        return ()
    rows = relines.filter(
        pl.col("unmeasured") >= FEWEST_UNMEASURED,
        pl.col("unmeasured") >= MOST_UNMEASURED * pl.col("written"),
        pl.col("read_share") >= READ_AT_CHECKS,
    )
    return tuple(
        f"{number(r['unmeasured'])} of {count(r['written'], 'reline')} of the last year "
        f"{at_depot(r['depot'])} have no reading of the old lining: at what thickness linings "
        "are renewed there is worked out from the readings before, and as those that wear fastest "
        "lack their last one, dates at the minimum come a little late. Have old linings measured "
        "too."
        for r in rows.sort("depot").iter_rows(named=True)
    )


def _costs_apart(data: PageData) -> tuple[str, ...]:
    """That relines cost otherwise by the records than linings and labour are reckoned at."""
    if data.relines_lately is None or data.relines_lately.is_empty():
        return ()
    costed, cost = data.relines_lately.select("costed", "cost").sum().row(0)
    reckoned = data.relines_lately["reckoned"][0]
    if costed < FEWEST_COSTED or reckoned <= 0.0:
        return ()
    each = cost / costed
    if max(each / reckoned, reckoned / each) < COSTS_APART:
        return ()
    measures = Measures(data.fleet)
    return (
        f"The last year's relines cost {measures.money(each)} each by the records "
        f"({count(costed, 'job')} with a cost), the budget reckons with "
        f"{measures.money(reckoned)} for linings and labour, by [costs] in fleet.toml: do they "
        "count the same things? If prices have changed, set them there; the budget follows.",
    )


def forecasts_judged(backtest: pl.DataFrame) -> tuple[str, ...]:
    """How each earlier forecast came out, a sentence each; the fleet's totals first."""
    rows = (
        judged(backtest).sort(pl.col("key").str.starts_with("relines"), descending=True).to_dicts()
    )
    held = [_held_said(r) for r in rows]
    return (*_totals_judged(backtest), *held) or ("There is no earlier forecast to judge yet.",)


def _held_said(row: dict[str, Any]) -> str:
    """Shares of dates are told with those beside the band: they fall on its ends."""
    beside = f" {share(row['below'])} before, {share(row['above'])} after,"
    return (
        f"{row['measure'].capitalize()}: {share(row['held'])} of {count(row['n'], 'forecast')} "
        f"({count(row['outcomes'], 'outcome')}) inside the bands,{'' if is_total(row) else beside} "
        f"{share(row['promised'])} promised ({verdict(row)})."
    )


def _totals_judged(backtest: pl.DataFrame) -> tuple[str, ...]:
    rows = backtest.filter(pl.col("measure") == QUARTERS, pl.col("bias").is_not_null())
    if rows.is_empty():
        return ()

    def mean(name: str) -> float | None:
        told = rows.drop_nulls(name)
        weighted = (pl.col(name) * pl.col("n")).sum() / pl.col("n").sum()
        return None if told.is_empty() else float(told.select(weighted).item())

    bias, quarters = mean("bias") or 0.0, rows.height
    side = "below" if bias < 0 else "above"
    few = quarters < FEWEST_TOTALS
    thin = f"; fewer than {FEWEST_TOTALS} quarters say little" if few else ""
    off = (
        f"The fleet's relines in a quarter came out {abs(bias):.0%} {side} the forecast on average "
        f"({count(quarters, 'quarter')}{thin}).".replace("%", f"{NO_BREAK}%")
    )
    ours, last, line = (mean(n) for n in ("crps", "crps_last_year", "crps_straight_line"))
    if ours is None or last is None or line is None:
        return (off,)
    return (
        off,
        f"Their score (CRPS, in relines; smaller is better) was {figures(ours)}; last year's "
        f"relines again would have had {figures(last)}, a straight line through each lining's "
        f"readings {figures(line)}.",
    )


def this_month(data: PageData) -> dict[str, str]:
    """What each method worked from, by its question."""
    return {
        "How fast linings wear": _wear(data.wear_rates),
        "Relines and money by month": _NO_HABIT if never_relined(data) else "",
        "How long adjusters last": _adjusters(data.adjuster_fits),
        "How well adjusters are set": _settings(data.setting_quality),
        "How far to trust it": " ".join(forecasts_judged(data.backtest)),
    }


_NO_HABIT = "no reline was ever seen, so that the habit is assumed."


def _wear(rates: pl.DataFrame) -> str:
    if rates.is_empty():
        return ""
    leaning = rates.filter("shrunk").height
    return (
        f"{count(int(rates['readings'].sum()), 'reading')} of "
        f"{count(int(rates['lives'].sum()), 'lining')} in {count(rates.height, 'group')}, "
        f"{number(leaning) if leaning else 'none'} of them drawn towards others."
    )


def _adjusters(fits: pl.DataFrame) -> str:
    pooled = fits.filter(pl.col("axle_type").is_null() & pl.col("duty").is_null())
    if pooled.is_empty():
        return ""
    row = pooled.row(0, named=True)
    failures, adjusters = count(row["failures"], "failure"), count(row["adjusters"], "adjuster")
    return f"{failures} among {adjusters}."


def _settings(quality: pl.DataFrame | None) -> str:
    if quality is None:
        return ""
    fleet = quality.filter(pl.col("depot").is_null() & pl.col("month").is_null())
    if fleet.is_empty():
        return ""
    row = fleet.row(0, named=True)
    return f"{number(row['out_of_band'])} of {count(row['settings'], 'setting')}."
