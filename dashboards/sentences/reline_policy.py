"""At what readings the fleet relines, where that is not as it always was: what of it is told."""

from typing import Any

import polars as pl

from dashboards.sentences.measures import Measures
from dashboards.sentences.words import (
    NO_DEPOT,
    count,
    day_name,
    day_of_year,
    listed,
    month_name,
    number,
    share,
)

MONTH_DAYS = 30.4375
TOLD_KEPT = 0.7  # an age that fewer visits keep to is another habit that looks like one
MOST = 0.5
SURE = 0.95  # a chance from which on a forecast counts on nothing else
LIMITS_SD = 1.96  # of 95 % limits
ALIKE_AGES = 1.15  # ages within so much of each other are told as one


OFTEN = {
    "relined for another reason": "linings{where} are relined {more} often for other reasons than "
    "their reading, at {now} of a wheel end's checks",
    "due and left on": "linings{where} that are due are left on {more} often, at {now} of checks",
    "at the minimum and left on": "linings{where} read at or below their minimum are left on "
    "{more} often, at {now} of checks",
    "other end goes along": "an axle's other end{where} goes along {more} often, at {now} of "
    "relines",
    "other axles go along": "a unit's other axles{where} go along {more} often, at {now} of "
    "relines",
}
"""What has changed since, by habit."""
BRIEFLY = {
    "relined for another reason": "relined {more} often for other reasons than the reading",
    "due and left on": "due linings left on {more} often",
    "at the minimum and left on": "linings at their minimum left on {more} often",
    "other end goes along": "an axle's other end relined along {more} often",
    "other axles go along": "a unit's other axles relined along {more} often",
}


ALONG = {
    "other end goes along": "An axle's other end goes along at {few} of relines{there}, and at "
    "{many}{where}; the forecast follows each depot's own habit.",
    "other axles go along": "A unit's other axles go along at {few} of relines{there}, and at "
    "{many}{where}; the forecast follows each depot's own habit.",
}
"""What differs by depot, least and most often."""
RENEWED_AT_LAST = "all renewed when a unit leaves"
INTERVAL = ("share_ci_low", "share_ci_high")


def policy_told(
    policy: pl.DataFrame | None, habits: pl.DataFrame | None, measures: Measures
) -> tuple[str, ...]:
    """A sentence each for changed readings and habits, habits that differ by depot, readings that
    hang on how often a unit is checked, a time of the year at which more is relined, relines by age
    and the latest campaign; of what was not found, none."""
    once = _campaign(policy)
    policy_changes: tuple[str, ...] = ()
    if once is None or not _is_open(once):
        policy_changes = (policy_said(policy, measures), *habits_said(habits))
    others = (
        intervals_said(policy, measures),
        yearly_said(policy, measures),
        ages_said(policy),
        campaign_said(policy),
    )
    own = *along_said(habits), handed_said(habits)
    return tuple(filter(None, (*policy_changes, *own, *others)))


def policy_said(policy: pl.DataFrame | None, measures: Measures) -> str:
    """Since when linings are relined at other readings than before, in a sentence; empty where no
    change was found."""
    row = _policy_change(policy)
    if row is None:
        return ""
    raised, low, high = (row[f"raised_{name}"] for name in ("mm", "ci_low", "ci_high"))
    by = measures.length_interval(*((raised, low, high) if raised > 0 else (-raised, -high, -low)))
    return (
        f"Since about {month_name(row['changed_on'])} linings{_where_changed(policy)} are relined "
        f"at {_which(row)} readings than before, by {by}; the forecast follows what is done since."
    )


def habits_said(habits: pl.DataFrame | None) -> tuple[str, ...]:
    """Since when what is done more or less often than before, a sentence each."""
    said = []
    for row, where in _changed_habits(habits):
        now, was = (
            f"{share(row[name], 1)} ({share(row[f'{name}_ci_low'], 1)} to "
            f"{share(row[f'{name}_ci_high'], 1)})"
            for name in ("share", "share_before")
        )
        what = OFTEN[row["habit"]].format(where=where, more=_more(row), now=now)
        said.append(
            f"Since about {month_name(row['changed_on'])} {what}, where it was {was} before; the "
            "forecast follows what is done since."
        )
    return tuple(said)


def habits_changed(habits: pl.DataFrame | None) -> str:
    """The same in clauses behind a figure of the forecast."""
    return "".join(
        f"; {BRIEFLY[row['habit']].format(more=_more(row))} since about "
        f"{month_name(row['changed_on'])}{where}"
        for row, where in _changed_habits(habits)
    )


def along_said(habits: pl.DataFrame | None) -> tuple[str, ...]:
    """How often what goes along does so at the depots with least and most of it, a sentence each;
    none where depots are alike, or may be for all that is known."""
    said = []
    known = pl.DataFrame() if habits is None else habits.drop_nulls(INTERVAL).sort("share")
    for habit, sentence in ALONG.items():
        told = known if known.is_empty() else known.filter(habit=habit)
        if told.is_empty():
            continue
        least, most = told.row(0, named=True), told.row(-1, named=True)
        if most["share_ci_low"] > least["share_ci_high"]:
            few, many = (share(row["share"], 1) for row in (least, most))
            there, where = (_at(told.filter(share=row["share"])) for row in (least, most))
            said.append(sentence.format(few=few, many=many, there=there, where=where))
    return tuple(said)


def handed_said(habits: pl.DataFrame | None) -> str:
    """How many units leave with new linings, in a sentence; empty where that is no habit."""
    told = pl.DataFrame() if habits is None else habits.filter(habit=RENEWED_AT_LAST)
    if told.is_empty():
        return ""
    row = told.row(0, named=True)
    low, high = (share(row[name]) for name in INTERVAL)
    return (
        f"Of units that leave, {share(row['share'])} ({low} to {high}) have all linings renewed at "
        "their last check, whatever is left of them; the forecast counts on that."
    )


def _changed_habits(habits: pl.DataFrame | None) -> list[tuple[dict[str, Any], str]]:
    """A row of each that has changed, and where, if not at all depots; where depots differ in it, a
    row of each."""
    found = list[tuple[dict[str, Any], str]]()
    for habit in OFTEN:
        rows = pl.DataFrame() if habits is None else habits.filter(habit=habit)
        if rows.is_empty():
            continue
        changed = rows.drop_nulls("changed_on")
        for _, alike in changed.group_by("share", "share_before", maintain_order=True):
            where = _at(alike) if alike.height < rows.height else ""
            found.append((alike.row(0, named=True), where))
    return found


def _more(row: dict[str, Any]) -> str:
    return "more" if row["share"] > row["share_before"] else "less"


def intervals_said(policy: pl.DataFrame | None, measures: Measures) -> str:
    """At what readings units are relined that are checked more and less often, in a sentence; empty
    where that does not tell. Means over axle types and depots by visits, whose errors are taken to
    be one: they are no larger."""
    told = pl.DataFrame() if policy is None else policy.drop_nulls("every_days")
    if told.is_empty():
        return ""
    means = told.group_by("every_days", maintain_order=True).agg(
        (pl.col("threshold_mm", "threshold_sd") * pl.col("visits")).sum() / pl.col("visits").sum()
    )
    said = []
    for days, mm, sd in means.sort("every_days").iter_rows():
        at = measures.length_interval(mm, mm - LIMITS_SD * sd, mm + LIMITS_SD * sd)
        said.append((count(round(days / 7), "week"), at))
    (sooner, at_first), (later, at_second) = said
    return (
        f"Units checked about every {sooner} are relined at {at_first} above the minimum, those "
        f"checked about every {later} at {at_second}; the forecast follows both."
    )


def yearly_said(policy: pl.DataFrame | None, measures: Measures) -> str:
    """At which time of every year linings are relined at higher readings, in a sentence; empty
    where no such time was found."""
    told = pl.DataFrame() if policy is None else policy.drop_nulls("yearly_from_on")
    if told.is_empty():
        return ""
    row = told.row(0, named=True)
    by = measures.length_interval(*(row[f"yearly_{name}"] for name in ("mm", "ci_low", "ci_high")))
    return (
        f"Every year, from about {day_of_year(row['yearly_from_on'])} to "
        f"{day_of_year(row['yearly_until_on'])}, linings are relined at thicker readings than in "
        f"the rest of it, by {by}; the forecast follows that."
    )


def ages_said(policy: pl.DataFrame | None) -> str:
    """At what age linings are relined whatever their thickness, in a sentence; empty where no such
    rule was found, or many visits do not keep it."""
    told = pl.DataFrame() if policy is None else policy.drop_nulls("age_days")
    if told.is_empty() or told["age_kept"][0] < TOLD_KEPT:
        return ""
    months, part = told["age_days"].to_numpy() / MONTH_DAYS, told["age_share"][0]
    first, last = float(months.min()), float(months.max())
    at = f"at about {number(float(months.mean()))} months"
    if last > first * ALIKE_AGES:
        at = f"for their age, from about {number(first)} months on by axle type and depot"
    if part >= MOST:
        return (
            f"Most linings are relined {at}, whatever their thickness; the forecast follows that."
        )
    return (
        f"Some linings, {share(part)} of all relined, are relined {at}, whatever their thickness; "
        "the forecast follows that too."
    )


def campaign_said(policy: pl.DataFrame | None) -> str:
    """In which months far more was relined than the readings explain, or far less, in a sentence or
    two; empty where no such time was found."""
    row = _campaign(policy)
    if row is None:
        return ""
    until = day_name(row["campaign_until_on"])
    since = row["campaign_from_on"]
    when = f"Between {day_name(since)} and {until}" if since else f"Before {until}"
    earlier = row["campaigns"] - 1
    others = f" Left out too: {count(earlier, 'earlier such time')}." * (earlier > 0)
    if _is_pause(row):
        return (
            f"{when} far fewer linings were relined than this fleet's habit explains, and due ones "
            "left on, at one depot or more: "
            f"{count(row['campaign_relines'], 'wheel end')}, where as many visits bring about "
            f"{number(row['campaign_usual'])} at other times. The forecast takes that to be "
            f"over, as a shortage is, and follows what was done before.{others}"
        )
    follows = "counts that as done once, and follows what was done before and since."
    if _is_open(row):
        follows = (
            "cannot tell yet whether that was done once or is the habit since, for too little was "
            f"checked after it: {share(row['campaign_chance'])} of its futures take it to be over, "
            "the others go on like it, and its range holds both."
        )
    return (
        f"{when} far more was relined than this fleet's habit explains: "
        f"{count(row['campaign_relines'], 'wheel end')}, where as many visits bring about "
        f"{number(row['campaign_usual'])} at other times. The forecast {follows}{others}"
    )


def policy_changed(policy: pl.DataFrame | None) -> str:
    """Changed readings and the latest campaign in clauses behind a figure of the forecast."""
    row, once, said = _policy_change(policy), _campaign(policy), ""
    if once is not None and _is_open(once):
        return (
            f"; far more was relined by {month_name(once['campaign_until_on'])}, once or for good"
        )
    if row is not None:
        said += f"; relined at {_which(row)} readings since about {month_name(row['changed_on'])}"
        said += _where_changed(policy)
    if once is not None:
        made = count(once["campaign_relines"], "reline")
        until = month_name(once["campaign_until_on"])
        left_on = f"; due linings left on until {until} are taken for a pause that is over"
        said += left_on if _is_pause(once) else f"; {made} by {until} count as done once"
    return said


def _campaign(policy: pl.DataFrame | None) -> dict[str, Any] | None:
    """The latest one; None: none was found."""
    told = pl.DataFrame() if policy is None else policy.drop_nulls("campaign_until_on")
    return None if told.is_empty() else told.row(0, named=True)


def _is_open(row: dict[str, Any]) -> bool:
    """Whether too little was decided since to tell it from a habit."""
    return bool(row["campaign_chance"] < SURE)


def _is_pause(row: dict[str, Any]) -> bool:
    """Whether it is a time in which far less was relined, and not far more."""
    return bool(row["campaign_relines"] < row["campaign_usual"])


def _policy_change(policy: pl.DataFrame | None) -> dict[str, Any] | None:
    """``changed_on`` and by how much readings at relines were raised; None: no change found."""
    changed = pl.DataFrame() if policy is None else policy.drop_nulls("changed_on")
    return None if changed.is_empty() else changed.row(0, named=True)


def _where_changed(policy: pl.DataFrame | None) -> str:
    """At which depots, where not at all of them."""
    if policy is None or not policy["changed_on"].has_nulls():
        return ""
    return _at(policy.drop_nulls("changed_on"))


def _at(rows: pl.DataFrame) -> str:
    """The depots of some rows."""
    depots = rows["depot"].unique().sort()
    named = depots.drop_nulls().to_list()
    places = [f"at {listed(named)}"] * bool(named)
    places += [f"where there is {NO_DEPOT}"] * depots.has_nulls()
    return " " + " and ".join(places)


def _which(change: dict[str, Any]) -> str:
    return "thicker" if change["raised_mm"] > 0 else "thinner"
