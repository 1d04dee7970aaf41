"""Sentences of the planning chapter: parts, changes, slow changes, and where the lists are."""

import datetime as dt
from collections.abc import Iterator

import polars as pl

from dashboards.page_data import PageData
from dashboards.sentences.words import capital, count, day_name, listed, share, with_interval

TOLD = {
    "set_wrong": "settings found out of band",
    "wear": "lining wear",
    "failures": "adjuster failures",
    "cost": "cost per distance",
}
RISEN = {"set_wrong": "have", "wear": "has", "failures": "have", "cost": "has"}
WERE = {"set_wrong": "were", "wear": "was", "failures": "were", "cost": "was"}
SURE = 0.05
TOLD_MONTHS = 12
"""A rise that has been over for longer is no news."""


def planning_remarks(data: PageData) -> Iterator[str]:
    """Everything the chapter says beside its charts."""
    yield from _visits(data)
    yield from _parts(data.part_comparisons)
    yield from _changes(data.change_effects)
    yield from _courses(data.monthly_rates)


def _visits(data: PageData) -> Iterator[str]:
    plan = data.plan
    if plan is None or plan.is_empty():
        return
    likely = plan.filter(pl.col("p_reline").fill_null(0.0) >= 0.5).height
    visits = plan.select("unit_id", "visit_on").unique().height
    last = day_name(plan["visit_on"].sort()[-1])
    relines = f"{count(likely, 'reline')} more likely than not"
    yield (
        f"At {count(visits, 'visit')} up to {last} something may have to be done: {relines}. Each "
        "stands in the budget workbook's sheet “Visits”, the parts to have in “Parts to have”."
    )
    stock = data.stock_needed
    if stock is not None and not stock.is_empty():
        level, weeks = stock["service_level"][0], stock["lead_weeks"][0]
        per = stock.group_by("item").agg(pl.col("stock").sum()).sort("item", descending=True)
        named = [_parts_named(item, n) for item, n in per.rows()]
        yield (
            f"To have enough for {weeks:.3g} weeks with a chance of {share(level)} at each depot: "
            f"{listed(named)} in all depots together.{_of_adjusters(data.expected_failures)}"
        )


def _of_adjusters(failures: pl.DataFrame | None) -> str:
    """Why none are among the parts, or what their number is told from."""
    if failures is None:
        return " No adjusters are among them: how many will fail cannot be told yet."
    basis = failures["basis"].drop_nulls()
    return f" The number of adjusters is told {basis[0]}." if len(basis) else ""


def _parts_named(item: str, n: int) -> str:
    return f"linings of {count(n, 'wheel end')}" if item == "linings" else count(n, item)


def _parts(compared: pl.DataFrame | None) -> Iterator[str]:
    if compared is None:
        return
    for row in compared.filter(pl.col("axle_type").is_null()).iter_rows(named=True):
        if row["ratio"] is None or row["ci_low"] is None or row["ci_high"] is None:
            continue
        does = "wears" if row["kind"] == "lining" else "fails"
        ratio = with_interval(row["ratio"], row["ci_low"], row["ci_high"])
        found = "" if row["p_adjusted"] < SURE else " No difference is shown."
        yield (
            f"{row['part_a']} {does} {ratio} times as fast as {row['part_b']} within axle type and "
            f"duty.{found} {row['note'] or ''}".strip()
        )


def _changes(effects: pl.DataFrame | None) -> Iterator[str]:
    if effects is None:
        return
    for (name,), rows in effects.group_by("name", maintain_order=True):
        known = rows.drop_nulls("ratio")
        if known.is_empty():
            yield f"“{name}” cannot be judged: {rows['note'][0]}"
            continue
        sure = known.filter(pl.col("p_adjusted") < SURE)
        each = [
            f"{TOLD[r['measure']]} {with_interval(r['ratio'], r['ci_low'], r['ci_high'])} times"
            for r in (sure if sure.height else known).iter_rows(named=True)
        ]
        beside = "" if known["units_unchanged"].max() else ", with nothing beside it that stayed"
        result = "" if sure.height else "no effect is shown: "
        day = day_name(known["changed_on"][0])
        # Young adjusters fail less, whatever they are greased with.
        also = " Whatever else changed there by then counts with it, renewed parts too."
        yield f"After “{name}” ({day}){beside}: {result}{listed(each)}.{also * bool(sure.height)}"
        off = known.filter(pl.col("apart_before_p") < SURE)
        if off.height:
            yield (
                f"Before “{name}” the two groups were not on one course in "
                f"{listed([TOLD[m] for m in off['measure']])}: do not read its effect there."
            )


def _courses(months: pl.DataFrame | None) -> Iterator[str]:
    if months is None:
        return
    newest = months.group_by("measure", maintain_order=True).agg(
        pl.col("month", "signal", "rise", "rise_limit", "began", "ended").sort_by("month").last()
    )
    # A rise that has been made up for since, or has become what is usual, is no news.
    for row in newest.filter("signal", pl.col("rise") > pl.col("rise_limit")).to_dicts():
        measure = row["measure"]
        yield (
            f"{capital(TOLD[measure])} {RISEN[measure]} risen since about {row['began']:%b %Y}, "
            f"more than chance makes any of {len(TOLD)} such figures rise once in 20 years of "
            "months: find out what changed."
        )
    lately = pl.col("ended") > pl.col("month").dt.offset_by(f"-{TOLD_MONTHS}mo")
    for row in newest.filter(lately).to_dicts():
        measure, last = row["measure"], row["ended"] - dt.timedelta(days=1)
        yield (
            f"{capital(TOLD[measure])} {WERE[measure]} high from about {row['began']:%b %Y} to "
            f"{last:%b %Y}, and {RISEN[measure]} come down since."
        )
