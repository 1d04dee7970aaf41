"""What is told of records that contradict each other: jobs against readings, readings against what
linings can do."""

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl
from scipy import special

from dashboards.sentences.measures import Measures
from dashboards.sentences.words import at_depot, count, day_name, listed, number, share

# Of relines that readings tell of, so many are not found anyway: slips, a job dated wrongly. More
# than chance makes of that, in so many depots as any fleet has, and no handful of them.
USUAL_MISSED, MISSED_P, FEWEST_MISSED, MISSED_SHARE = 0.02, 1e-4, 5, 0.1
# A place explains them where so large a share of them grew there; that axles are counted from the
# rear, only where as large a share is missed at all: linings also move with their wheels.
EXPLAINED = 0.5
PLACES = {
    "other_side": (
        "it was the axle's other end that grew",
        "the sides may be written otherwise in jobs than in inspections",
    ),
    "from_rear": (
        "it was the same side of the axle that has the job's number counted from the other end of "
        "the unit",
        "the jobs' axles may be counted from the rear",
    ),
    "late": (
        "the same lining had grown in the half-year before",
        "jobs may be dated long after they were done",
    ),
}


def relines_said(held: pl.DataFrame | None) -> tuple[str, ...]:
    """A sentence for depots whose relines on record are not found in the readings.

    ``held``: ``depot``, ``alone`` (one end of an axle without the other), how many relines on
    record readings ``told`` of, how many were ``missed``: no thicker lining after them, where a new
    one would be; of these, where within the same time another lining grew without a job:
    ``other_side``, ``from_rear``, or the same one before, ``late``; and how many linings ``grown``
    without a job the depot has in all.
    """
    if held is None or held.is_empty():
        return ()
    by_depot = [_of_depot(part) for part in held.partition_by("depot", maintain_order=True)]
    found = [row for row in by_depot if row]
    causes = sorted({(row["cause"], row["of_one_end"]) for row in found})
    return tuple(
        _relines([r for r in found if (r["cause"], r["of_one_end"]) == cause]) for cause in causes
    )


def _of_depot(held: pl.DataFrame) -> dict[str, Any] | None:
    """Counts of a depot that misses more than by chance; of relines of one end, if only these."""
    for some, of_one_end in ((held, False), (held.filter("alone"), True)):
        told, missed = (int(some[name].sum()) for name in ("told", "missed"))
        if missed < max(FEWEST_MISSED, MISSED_SHARE * told):
            continue
        if special.bdtrc(missed - 1, told, USUAL_MISSED) > MISSED_P:
            continue
        explained = {place: int(some[place].sum()) for place in PLACES}
        best = max(PLACES, key=lambda place: explained[place])
        many = best != "from_rear" or missed >= EXPLAINED * told
        cause = best if many and explained[best] >= EXPLAINED * missed else ""
        counts = {"told": told, "missed": missed, "grown": int(held["grown"].max() or 0)}  # type: ignore[arg-type]
        named = {"depot": held["depot"][0], "cause": cause, "of_one_end": of_one_end}
        return named | counts | {"explained": explained.get(cause, 0)}
    return None


def _relines(rows: list[dict[str, Any]]) -> str:
    def total(name: str) -> int:
        return sum(row[name] for row in rows)

    of_one_end = " of one end of an axle alone" if rows[0]["of_one_end"] else ""
    said = (
        f"Of {count(total('told'), 'reline')} on record{of_one_end} {_where(rows)} that readings "
        f"tell of, {number(total('missed'))} show no thicker lining afterwards, and "
        f"{count(total('grown'), 'lining')} there grew without one"
    )
    cause = PLACES.get(rows[0]["cause"])
    if cause:
        said += f"; in {number(total('explained'))} of them {cause[0]}: {cause[1]}."
    else:
        said += (
            ": jobs may be written down for other wheel ends or not done, or linings moved from "
            "one wheel end to another."
        )
    return said + (
        " Relines that the readings contradict are not counted, and what was read holds. But one "
        "that nothing was read after is believed, and so are other jobs: settle with the workshop "
        "how it names a wheel end, and look at linings relined since their last reading."
    )


def _where(rows: Sequence[Mapping[str, Any]]) -> str:
    """At which depots: in the words of a sentence, those without a name last."""
    named = sorted(row["depot"] for row in rows if row["depot"])
    nowhere = [at_depot(None)] * (len(named) < len(rows))
    return listed([*([at_depot(listed(named))] if named else []), *nowhere])


def rising_said(rising: pl.DataFrame | None) -> tuple[str, ...]:
    """A sentence for each depot with units whose lining readings rise from check to check.

    ``rising``: ``depot``, its ``units``, those ``rising``, and of successive readings of theirs
    that differ, the ``steps``, how many ``rose``.
    """
    if rising is None:
        return ()
    return tuple(
        f"Lining readings of {number(r['rising'])} of {count(r['units'], 'unit')} "
        f"{at_depot(r['depot'])} rise from check to check ({share(r['rose'] / r['steps'])} of "
        f"{count(r['steps'], 'reading')} that differ from the one before are thicker), and linings "
        "only wear: what is written may be what is worn off, not what is left. None of these "
        "readings is used: linings there are told from their relines on record and the usual wear "
        "alone, or not at all, and a thin one is not flagged. Measure what is left of them."
        for r in rising.filter(pl.col("rising") > 0).sort("depot").iter_rows(named=True)
    )


# Another way to measure is told from a gauge's error by visits that read so much thinner than those
# about them, at all linings; by as many as no chance brings; and by hardly any that read as much
# thicker, which a gauge that errs both ways has as many of.
THINNER_MM, FEWEST_THINNER, THINNER_SHARE, TIMES_THICKER = 0.75, 8, 0.02, 5


def thinner_said(visits: pl.DataFrame | None, measures: Measures) -> tuple[str, ...]:
    """A sentence for the depots some of whose visits read all linings thinner than those before and
    after: they may measure in two ways.

    ``visits``: ``depot``, ``apart_mm``, by how much they read off those about them, and how many
    ``visits`` did.
    """
    if visits is None:
        return ()
    parts = visits.partition_by("depot", maintain_order=True)
    rows = [row for part in parts if (row := _thinner(part))]
    if not rows:
        return ()
    found, every = (sum(row[name] for row in rows) for name in ("found", "every"))
    by = sum(row["by"] * row["found"] for row in rows) / found
    return (
        f"At {number(found)} of {count(every, 'visit')} {_where(rows)} all linings "
        f"were read thinner than at the visits before and after, by {measures.length(by)} on "
        "average. Linings may be measured in two ways there, with the drum off and through a hole "
        "beside it. Dates and linings here follow the other visits: where those thinner readings "
        "are the right ones, linings are thinner by as much, and reach their minimum sooner, than "
        "is told. Find out which is right, and measure in one way.",
    )


def _thinner(visits: pl.DataFrame) -> dict[str, Any] | None:
    """Of one depot: how many of every visit ``found`` linings thinner, and ``by`` how much."""
    low = visits.filter(pl.col("apart_mm") <= -THINNER_MM)
    found, every = (int(each["visits"].sum()) for each in (low, visits))
    if found < max(FEWEST_THINNER, THINNER_SHARE * every):
        return None
    by = -float((low["apart_mm"] * low["visits"]).sum()) / found
    # Beside a visit that reads thinner, its neighbours read half as much thicker.
    thicker = visits.filter(pl.col("apart_mm") >= max(THINNER_MM, 0.75 * by))
    if found < TIMES_THICKER * int(thicker["visits"].sum()):
        return None
    return {"depot": visits["depot"][0], "found": found, "every": every, "by": by}


MOST_NAMED = 4


def reused_said(reused: pl.DataFrame | None) -> tuple[str, ...]:
    """That numbers may have gone to other units.

    ``reused``: ``unit_id``, ``on_date``, its odometer ``before_km`` and then, ``odometer_km``, and
    how many ``linings`` were new at once without a job.
    """
    if reused is None or reused.is_empty():
        return ()
    told = [
        f"{r['unit_id']} on {day_name(r['on_date'])}"
        for r in reused.head(MOST_NAMED).iter_rows(named=True)
    ]
    more = f" and {number(reused.height - len(told))} more" if reused.height > len(told) else ""
    times = "once" if reused.height == 1 else f"{number(reused.height)} times"
    return (
        f"Units were {times} found with an odometer that had begun anew and with nearly all "
        f"linings new, without a job: {', '.join(told)}{more}. A number that went to another unit "
        "looks like that. Here both are one: its linings count as relined, and its adjusters and "
        "strokes as those of before. If it is another unit, give it a unit_id of its own in all "
        "files.",
    )
