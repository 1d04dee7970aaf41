"""What the records hold and what they lack: that nothing is wrong is said with what it stands on,
and what has no records is said to be unknown, with numbers."""

from collections.abc import Iterator
from dataclasses import dataclass

import polars as pl

from dashboards.sentences.words import capital, count, listed, number, share

MOST_NAMED = 6  # units named in a sentence
FEWEST_DATED, MOST_AT_ENDS = 100, 0.8
"""Inspections from which on their days are judged, and the share on the first or last of a month
that is told; of days evenly spread a fifteenth is."""
FEWEST_RELINES = 5  # not written down, of a depot in a year, that are told of
UNASSIGNED = "unassigned"  # the duty of a unit without any, as the contract calls it


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of record: its column in ``mart.on_record``, its name, and what its lack hides."""

    column: str
    name: str
    hides: str


KINDS = (
    Kind("linings", "lining reading", "how thick linings are and when they are due is not known"),
    Kind("strokes", "free stroke reading", "an adjuster that drifts would not be seen there"),
    Kind("return_tests", "return test", "an adjuster that fails it would not be known"),
    Kind("greasings", "greasing", "whether greasing is overdue cannot be judged"),
)


def lacking(records: pl.DataFrame | None) -> tuple[str, ...]:
    """A sentence for each kind of record that some or all wheel ends have none of."""
    if records is None or records.is_empty():
        return ()
    return tuple(_lacking(records))


def _lacking(records: pl.DataFrame) -> Iterator[str]:
    total = records.height
    unseen = records.filter(pl.col("inspections") == 0)
    if unseen.height:
        yield (
            f"{capital(count(unseen.height, 'wheel end'))} of {number(total)} "
            f"{_verb(unseen.height, 'has', 'have')} no usable inspection on record: nothing here "
            f"speaks of their state ({_units(unseen)})."
        )
    # Of what has no inspection all readings lack; that has been said.
    for kind in KINDS:
        asked = records if kind.column == "greasings" else records.filter(pl.col("inspections") > 0)
        without = asked.filter(pl.col(kind.column) == 0).height
        if without and without == asked.height:
            yield f"No {kind.name} is on record: {kind.hides}."
        elif without:
            yield (
                f"{capital(count(without, 'wheel end'))} of {number(asked.height)} "
                f"{_verb(without, 'has', 'have')} no {kind.name} on record: {kind.hides}."
            )
    yield from _as_left_alone(records)
    yield from _without_arm(records)
    yield from _dated_alike(records)
    if not records["jobs"].sum():
        yield (
            "No work is on record: settings, replacements and relines can only be guessed from "
            "readings, and no first service can be judged."
        )
    yield from _without_duty(records)


def _as_left_alone(records: pl.DataFrame) -> Iterator[str]:
    """Strokes of which none tells what a check found."""
    strokes, left = (int(records[name].sum()) for name in ("strokes", "strokes_left"))
    if strokes and left == strokes:
        yield (
            f"All {count(strokes, 'free stroke')} on record {_verb(strokes, 'was', 'were')} "
            "written down as left, after setting: what checks found is not on record, so which "
            "adjusters drift, and how many are out of adjustment now, is not known. Write down "
            "the stroke as it is found, before anything is set, too."
        )


def _dated_alike(records: pl.DataFrame) -> Iterator[str]:
    """Checks that were hardly made on the days they are dated on."""
    checks, ends = (int(records[name].sum()) for name in ("inspections", "month_ends"))
    if checks >= FEWEST_DATED and ends >= MOST_AT_ENDS * checks:
        yield (
            f"{share(ends / checks)} of inspections are dated on the first or last day of a month, "
            "on which they were hardly all made: a lining may have worn for up to a month longer, "
            "or less, than is counted here. Write down the day of the check."
        )


def _without_arm(records: pl.DataFrame) -> Iterator[str]:
    """Strokes that were read and mean nothing, for it is their share of the arm that is judged."""
    read = records.filter(pl.col("strokes") > 0)
    without = read.filter(pl.col("arm_length_mm").is_null()).height
    if without:
        yield (
            f"{capital(count(without, 'wheel end'))} of {number(read.height)} with a free stroke "
            f"on record {_verb(without, 'has', 'have')} no arm length on record: whether "
            f"{_verb(without, 'it is', 'they are')} in adjustment cannot be judged. Put "
            "arm_length_mm into the register or under [[wheel_ends]] in fleet.toml."
        )


def relines_unwritten(lately: pl.DataFrame | None) -> tuple[str, ...]:
    """Where most relines of the last year stand in no work record; ``lately``: ``depot``,
    ``relines`` and how many of them are ``unwritten``."""
    if lately is None:
        return ()
    often = lately.filter(
        pl.col("unwritten") >= FEWEST_RELINES, pl.col("unwritten") > 0.5 * pl.col("relines")
    )
    if often.is_empty():
        return ()
    n, of = int(often["unwritten"].sum()), int(often["relines"].sum())
    named = often["depot"].drop_nulls().sort().to_list()
    more = len(named) - MOST_NAMED
    shown = listed(named) if more <= 0 else f"{', '.join(named[:MOST_NAMED])} and {more} more"
    at = f" at {shown}" if named and often.height < lately.height else ""
    return (
        f"{number(n)} of {number(of)} relines of the last year{at} were not written down: they "
        "show as linings that grew. Until it is read again, such a lining is told as the old one.",
    )


def unestimated(status: pl.DataFrame) -> pl.DataFrame:
    """Wheel ends whose lining was read and yet is not estimated now, where others' are."""
    if not status["lining_mm"].drop_nulls().len():
        return status.clear()
    return status.filter(pl.col("lining_mm").is_null(), pl.col("lining_read_mm").is_not_null())


def linings_unknown(status: pl.DataFrame) -> tuple[str, ...]:
    """A sentence where some were read, and nothing is said of them now."""
    ends = unestimated(status)
    if ends.is_empty():
        return ()
    return (
        f"The lining now of {count(ends.height, 'wheel end')} is not estimated, though it was "
        "read: the unit has not been seen for so long that it has probably left, or the readings "
        f"fit no line. No date and no reline is told of {_verb(ends.height, 'it', 'them')} "
        f"({_units(ends)}).",
    )


def _without_duty(records: pl.DataFrame) -> Iterator[str]:
    units = records.unique("unit_id")
    without = units.filter(pl.col("duty").fill_null(UNASSIGNED) == UNASSIGNED).height
    if without == units.height:
        yield "No duty is on record: all units are taken together, as if they ran alike."
    elif without:
        yield (
            f"{capital(count(without, 'unit'))} of {number(units.height)} "
            f"{_verb(without, 'has', 'have')} no duty on record and count as a duty of their own."
        )


def _verb(n: int, one: str, many: str) -> str:
    return one if n == 1 else many


def _units(ends: pl.DataFrame) -> str:
    units = ends["unit_id"].unique().sort()
    more = units.len() - MOST_NAMED
    named = units.head(MOST_NAMED).to_list()
    return f"{', '.join(named)} and {number(more)} more units" if more > 0 else listed(named)


@dataclass(frozen=True, slots=True)
class Service:
    """A kind of service: how it is called in ``mart.overdue`` and in a sentence, and the column of
    ``mart.on_record`` without which it cannot be judged."""

    kind: str
    plural: str
    column: str
    unknown: str


SERVICES = (
    Service("adjuster check", "adjuster checks", "inspections", "without a usable inspection"),
    Service("greasing", "greasings", "greasings", "without a greasing on record"),
    Service("first service", "first services", "adjusters_replaced", ""),
)


def services_judged(
    records: pl.DataFrame, overdue: pl.DataFrame, if_there: pl.DataFrame | None = None
) -> tuple[str, ...]:
    """For each kind of service: how many wheel ends are overdue, of how many that can be judged;
    and a sentence on those of units that have probably left."""
    return (*(_judged(s, records, overdue) for s in SERVICES), *_overdue_if_there(if_there))


def _overdue_if_there(overdue: pl.DataFrame | None) -> Iterator[str]:
    if overdue is not None and not overdue.is_empty():
        ends = overdue.unique("wheel_end_id").with_columns(
            unit_id=pl.col("wheel_end_id").str.replace(r"/[^/]*$", "")
        )
        yield (
            f"Not counted: {count(ends.height, 'wheel end')} of units that have not been seen for "
            f"so long that they have probably left ({_units(ends)}). Should one still run, it runs "
            "unchecked: look for it. They stand in mart.overdue."
        )


def known_of(service: Service, records: pl.DataFrame) -> int:
    """Wheel ends of which it can be judged."""
    return records.filter(pl.col(service.column) > 0).height


def _judged(service: Service, records: pl.DataFrame, overdue: pl.DataFrame) -> str:
    known = known_of(service, records)
    unknown = records.height - known
    name = capital(service.plural)
    if not known:
        lack = {
            "inspections": "no inspection is on record",
            "greasings": "no greasing is on record",
            "adjusters_replaced": "no adjuster was fitted on record",
        }[service.column]
        return f"{name}: cannot be judged, {lack}."
    late = overdue.filter(pl.col("kind") == service.kind)["wheel_end_id"].n_unique()
    after = " that had a new adjuster" if service.column == "adjusters_replaced" else ""
    judged = (
        f"{name}: {number(late) if late else 'none'} overdue, of {count(known, 'wheel end')}{after}"
    )
    if not unknown or not service.unknown:
        return f"{judged}."
    return f"{judged}; {number(unknown)} {service.unknown} cannot be judged."


def anything_judged(records: pl.DataFrame | None) -> bool:
    """Whether a flag could be raised at all: from strokes, tests, faults, marks or linings."""
    if records is None:
        return True
    said = ("strokes", "return_tests", "faults", "marks", "linings")
    return bool(records.select(pl.sum_horizontal(pl.col(*said)).sum()).item())


def flags_judged(records: pl.DataFrame | None, status: pl.DataFrame) -> str:
    """What "flagged" and "not flagged" stand on."""
    if records is None:
        return ""
    if not anything_judged(records):
        return (
            "No stroke, return test, fault or lining is on record: whether anything is wrong at "
            "any wheel end cannot be judged."
        )
    total, now = status.height, status["last_read_on"].drop_nulls().len()
    parts = [
        f"{what} of {number(n)}"
        for what, n in (
            ("strokes since the last setting", now),
            ("return tests", _with(records, "return_tests")),
            ("linings", _with(records, "linings") - unestimated(status).height),
        )
        if n
    ]
    judged = f"Judged on {listed(parts)} of {count(total, 'wheel end')}." if parts else ""
    unknown = unjudged(status)
    others = "other wheel end" if status["flagged"].any() else "wheel end"
    rest = (
        f" {capital(count(unknown, others))} could not be judged by "
        f"{_verb(unknown, 'its', 'their')} stroke now{_why_unjudged(status)}: whether "
        f"{_verb(unknown, 'it is', 'they are')} in adjustment is not known."
        if unknown
        else ""
    )
    return judged + rest


_OVERDUE = pl.col("state") == "not_seen"
_UNREAD = pl.col("last_read_on").is_null() | _OVERDUE


def unjudged(status: pl.DataFrame) -> int:
    """Wheel ends without a flag that no stroke since their setting, or for too long, tells of."""
    return status.filter(_UNREAD, ~pl.col("flagged")).height


def _why_unjudged(status: pl.DataFrame) -> str:
    """How many of them were set since they were last read, and how many are read too seldom."""
    late = status.filter(_OVERDUE, ~pl.col("flagged")).height
    waiting = unjudged(status) - late
    if not (late and waiting):
        return ""
    return (
        f" ({number(waiting)} not read since {_verb(waiting, 'it was', 'they were')} set, "
        f"{number(late)} overdue or too seldom read)"
    )


def services_known(records: pl.DataFrame | None) -> list[str]:
    """The kinds of service that can be judged at any wheel end, in the plural."""
    if records is None:
        return [s.plural for s in SERVICES]
    return [s.plural for s in SERVICES if known_of(s, records)]


def _with(records: pl.DataFrame, column: str) -> int:
    return records.filter(pl.col(column) > 0).height
