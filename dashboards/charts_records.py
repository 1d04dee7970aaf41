"""What became of every row read."""

import altair as alt
import polars as pl

from dashboards import marks
from dashboards.figure import Chart, Figure, Said, Table, table
from dashboards.words import capital, count, number, share

FATES = ("accepted", "repeated", "set_aside")
FATE_WORDS = {"accepted": "accepted", "repeated": "repeated", "set_aside": "set aside"}


def fates_figure(loads: pl.DataFrame) -> Figure | None:
    if loads.is_empty() or marks.total(loads, "rows_read") == 0:
        return None
    tables = loads.group_by("table_name").agg(pl.col("rows_read", *FATES).sum()).sort("table_name")
    return Figure(
        key="row-fates",
        said=_fates_said(loads),
        chart=fates_chart(tables),
        table=_fates_table(tables),
        sql="select table_name, sum(rows_read), sum(accepted), sum(repeated), sum(set_aside) "
        "from mart.loads group by table_name",
    )


def fates_chart(tables: pl.DataFrame) -> Chart:
    """``table_name`` and a count for each fate."""
    long = tables.unpivot(list(FATES), index=["table_name", "rows_read"], variable_name="fate")
    named = long.with_columns(
        pl.col("fate").replace_strict(FATE_WORDS),
        (pl.col("value") / pl.col("rows_read")).alias("share"),
        pl.col("fate").replace_strict({f: i for i, f in enumerate(FATES)}).alias("rank"),
    )
    colours = alt.Scale(
        domain=list(FATE_WORDS.values()), range=[marks.DEEP, marks.PALE, marks.RUST]
    )
    chart: alt.Chart = (
        alt.Chart(named)
        .mark_bar(stroke="white")
        .encode(
            y=marks.group_axis(named, "table_name"),
            x=alt.X("share:Q", title="Share of the rows read", axis=alt.Axis(format="%")),
            color=alt.Color("fate:N", scale=colours),
            order="rank:Q",
            tooltip=[
                alt.Tooltip("table_name:N", title="Table"),
                alt.Tooltip("fate:N", title="Fate"),
                alt.Tooltip("value:Q", format=",d", title="Rows"),
            ],
        )
    )
    return chart.properties(height=alt.Step(30))


def _fates_said(loads: pl.DataFrame) -> Said:
    read, aside = marks.total(loads, "rows_read"), marks.total(loads, "set_aside")
    accepted, repeated = marks.total(loads, "accepted"), marks.total(loads, "repeated")
    note = (
        f"{count(read, 'row')} of {count(loads.height, 'file')}: {number(accepted)} accepted, "
        f"{number(repeated)} repeated, {number(aside)} set aside. The three add up."
    )
    if aside == 0:
        return Said("Every row read could be used or had been seen before", note)
    worst = loads.sort("set_aside", descending=True).row(0, named=True)
    part = share(worst["set_aside"] / aside)
    return Said(
        f"{share(aside / read, 1)} of the rows were set aside, {part} of them in one file", note
    )


def _fates_table(tables: pl.DataFrame) -> Table:
    rows = [
        (r["table_name"], *(number(r[c]) for c in ("rows_read", *FATES)))
        for r in tables.iter_rows(named=True)
    ]
    return table(rows, "Table", "Rows read", "Accepted", "Repeated", "Set aside")


def reasons_figure(set_aside: pl.DataFrame) -> Figure | None:
    if set_aside.is_empty():
        return None
    kinds = (
        set_aside.group_by("reason_kind")
        .agg(pl.len().alias("rows"), pl.col("reason").first().alias("example"))
        .sort("rows", "reason_kind", descending=[True, False])
    )
    return Figure(
        key="set-aside-reasons",
        said=_reasons_said(kinds),
        chart=reasons_chart(kinds.head(12)),
        table=table(
            [
                (r["reason_kind"], number(r["rows"]), r["example"])
                for r in kinds.iter_rows(named=True)
            ],
            "Reason",
            "Rows",
            "For example",
        ),
        sql="select reason_kind, count(*) from mart.set_aside group by all order by 2 desc",
    )


def reasons_chart(kinds: pl.DataFrame) -> Chart:
    """``reason_kind``, ``rows``."""
    chart: alt.Chart = (
        alt.Chart(kinds)
        .mark_bar(fill=marks.RUST, height=14)
        .encode(
            y=marks.group_axis(kinds, "reason_kind", limit=260),
            x=alt.X("rows:Q", title="Rows set aside", axis=alt.Axis(tickMinStep=1)),
            tooltip=[
                alt.Tooltip("reason_kind:N", title="Reason"),
                alt.Tooltip("rows:Q", format=",d", title="Rows"),
            ],
        )
    )
    return chart.properties(height=alt.Step(24))


def _reasons_said(kinds: pl.DataFrame) -> Said:
    top, total = kinds.row(0, named=True), marks.total(kinds, "rows")
    reason = str(top["reason_kind"]).replace("_", " ")
    part = share(top["rows"] / total)
    return Said(
        f"{capital(reason)} is why {part} of the rows set aside were set aside",
        f"{count(total, 'row')} set aside, by the first reason found.",
    )
