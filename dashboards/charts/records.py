"""What became of every row read."""

import altair as alt
import polars as pl

from dashboards.drawing import marks
from dashboards.drawing.figure import Chart, Figure, Said, Table, table
from dashboards.drawing.theme import SAND
from dashboards.sentences.words import capital, count, number, share

FATES = ("accepted", "repeated", "set_aside")
UNUSED = {"set_aside": "set aside", "repeated": "repeated"}
MOST_FILES = 12
CONCENTRATED = 0.25  # a file with so large a share of the rows set aside is named
MOST_REASONS = 14


def fates_figure(loads: pl.DataFrame) -> Figure | None:
    if loads.is_empty() or marks.total(loads, "rows_read") == 0:
        return None
    return Figure(
        key="row-fates",
        said=_fates_said(loads),
        chart=fates_chart(loads),
        table=_fates_table(loads),
        sql="select * from mart.loads order by path",
    )


def fates_chart(loads: pl.DataFrame) -> Chart:
    """Rows of each file that were not accepted, by fate; files with most of them first."""
    worst = loads.sort("set_aside", "repeated", "path", descending=[True, True, False])
    files = worst.head(MOST_FILES).select(
        pl.concat_str("path", pl.lit(" ("), pl.col("rows_read").cast(pl.String), pl.lit(")")).alias(
            "group"
        ),
        *UNUSED,
    )
    shown = files.unpivot(list(UNUSED), index="group", variable_name="fate", value_name="n")
    colours = alt.Scale(domain=list(UNUSED.values()), range=[marks.RUST, SAND])
    bars: alt.Chart = (
        alt.Chart(shown.with_columns(pl.col("fate").replace_strict(UNUSED)))
        .mark_bar(height=15)
        .encode(
            y=marks.group_axis(files),
            x=alt.X("n:Q", title="Rows not accepted", axis=alt.Axis(format=",d", tickMinStep=1)),
            color=alt.Color("fate:N", scale=colours),
            order=alt.Order("fate:N", sort="descending"),
            tooltip=marks.tips(
                ("group:N", "File (rows read)", ""), ("fate:N", "Fate", ""), ("n:Q", "Rows", ",d")
            ),
        )
    )
    return bars.properties(height=alt.Step(marks.STEP))


def _fates_said(loads: pl.DataFrame) -> Said:
    read, aside = marks.total(loads, "rows_read"), marks.total(loads, "set_aside")
    accepted, repeated = marks.total(loads, "accepted"), marks.total(loads, "repeated")
    note = (
        f"{count(read, 'row')} of {count(_files(loads), 'file')}: {number(accepted)} accepted, "
        f"{number(repeated)} repeated, {number(aside)} set aside. The three add up. "
        "Drawn: the files with most rows not accepted."
    )
    if aside == 0:
        return Said("Every row read could be used or had been seen before", note)
    worst = loads.sort("set_aside", descending=True).row(0, named=True)
    part = worst["set_aside"] / aside
    words = f"{share(aside / read, 1)} of the rows read were set aside"
    if part < CONCENTRATED:
        files = _files(loads.filter(pl.col("set_aside") > 0))
        return Said(f"{words}, spread over {count(files, 'file')}", note)
    return Said(f"{words}, {share(part)} of them from {worst['path']}", note)


def _files(loads: pl.DataFrame) -> int:
    """A workbook of several sheets, or a sheet of several tables, is one file."""
    return loads["path"].str.replace(r" \[[^\[\]]*\]$", "").n_unique()


def _fates_table(loads: pl.DataFrame) -> Table:
    rows = [
        (
            r["path"],
            r["table_name"] or "–",
            *(number(r[c]) for c in ("rows_read", *FATES)),
            r["status"],
        )
        for r in loads.sort("set_aside", "path", descending=[True, False]).iter_rows(named=True)
    ]
    return table(rows, "File", "Table", "Rows read", "Accepted", "Repeated", "Set aside", "Status")


def reasons_figure(set_aside: pl.DataFrame) -> Figure | None:
    if set_aside.is_empty():
        return None
    kinds = (
        set_aside.group_by(pl.col("reason_kind").fill_null("no reason on record"))
        .agg(pl.len().alias("n"), pl.col("reason").first(), pl.col("path", "row_no").first())
        .sort("n", "reason_kind", descending=[True, False])
    )
    return Figure(
        key="set-aside-reasons",
        said=_reasons_said(kinds),
        chart=reasons_chart(kinds.head(MOST_REASONS)),
        table=_reasons_table(kinds),
        sql="select reason_kind, count(*) from mart.set_aside group by all order by 2 desc",
    )


def reasons_chart(kinds: pl.DataFrame) -> Chart:
    """``reason_kind``, ``n``."""
    shown = kinds.select(pl.col("reason_kind").alias("group"), "n")
    bars: alt.Chart = (
        alt.Chart(shown)
        .mark_bar(fill=marks.RUST, height=15)
        .encode(
            y=marks.group_axis(shown),
            x=alt.X("n:Q", title="Rows set aside", axis=alt.Axis(tickMinStep=1, format=",d")),
            tooltip=marks.tips(("group:N", "Reason", ""), ("n:Q", "Rows", ",d")),
        )
    )
    return bars.properties(height=alt.Step(marks.STEP))


def _reasons_said(kinds: pl.DataFrame) -> Said:
    top, total = kinds.row(0, named=True), marks.total(kinds, "n")
    note = (
        f"{count(total, 'row')} set aside, each counted under the first reason found; none is lost."
    )
    part = share(top["n"] / total)
    return Said(
        f"The commonest reason is “{top['reason_kind']}”: {part} of the rows set aside", note
    )


def _reasons_table(kinds: pl.DataFrame) -> Table:
    rows = [
        (
            r["reason_kind"],
            number(r["n"]),
            capital(r["reason"] or ""),
            f"{r['path']}, row {r['row_no']}",
        )
        for r in kinds.iter_rows(named=True)
    ]
    return table(rows, "Reason", "Rows", "For example", "Found at")
