"""What a month's figures leave out: rows set aside, and files that could not be read, where they
matter. Said before anything else, with the commonest reason and the way out."""

from collections.abc import Iterator

import polars as pl

from dashboards.sentences.words import count, number, share

# A table's share of rows set aside above which the month's figures may mislead; our own, no source.
MATTERS = 0.05
UNREAD = "not read"
CORRECTED = "corrected by a newer file"  # of which the newer reading is in the figures
MOST_FILES = 3  # unread files named
# Of a unit's wheel ends so few are on record at a check, of so many checks, and at so many of those
# something is wrong: of full records, a tenth to a third. Our own, no source.
FEW_OF_A_UNIT, FEWEST_CHECKS, MOSTLY_WRONG = 0.6, 50, 0.75

# The way out by how the reason is called: what ends so, or begins so, has its own.
WAYS_OUT = (
    (
        "unknown wheel end",
        "Put the wheel ends of these rows into the register, those of units that have left too: "
        "without them nobody seems to leave, and too much is forecast.",
    ),
    (
        "unknown unit",
        "Put these units into the register, those that have left too: without them nobody seems to "
        "leave, and too much is forecast.",
    ),
    (
        "odometer_km missing",
        "What was read and done there is not known of: totals are too low by it, and a lining that "
        "was relined then is told as the old one. Write the odometer down; if its heading has "
        "another name in your files, say so under [columns] in fleet.toml.",
    ),
    (
        " missing",
        "If a heading has another name in your files, say so under [columns] in fleet.toml.",
    ),
    ("not readable", "Say in fleet.toml how your files are written, or mend them at their source."),
    ("disc brake", "Only drum brakes are judged here: look after disc brakes elsewhere."),
    ("contradictory rows", "Keep one row of a wheel end and day, the right one."),
    ("odometer_km", "Mend the odometer readings, or check [units] in fleet.toml."),
    ("impossible", "Check [units] and [columns] in fleet.toml: it may be another unit or column."),
    ("lining_mm above new", "Check lining_new_mm of the axle type, or [units], in fleet.toml."),
)
OTHER_WAY = "Mend them at their source, and run again."


def reasons_counted(set_aside: pl.DataFrame) -> pl.DataFrame:
    """Rows set aside by ``table_name`` and ``reason_kind``: ``n``, and the first as an example."""
    return (
        set_aside.sort("path", "row_no")
        .group_by("table_name", "reason_kind", maintain_order=True)
        .agg(pl.len().alias("n"), pl.col("path", "row_no", "reason").first())
    )


def missing(loads: pl.DataFrame, reasons: pl.DataFrame) -> tuple[str, ...]:
    """A paragraph for each table of which a share that matters is in no figure, the worst first.

    ``loads`` has ``path``, ``table_name``, ``rows_read``, ``set_aside``, ``status``; ``reasons`` is
    as :func:`reasons_counted` gives it.
    """
    missed = reasons.filter(pl.col("reason_kind").fill_null("") != CORRECTED)
    tables = (
        loads.group_by("table_name")
        .agg(pl.col("rows_read", "set_aside").sum())
        .join(_shares_missed(reasons), on="table_name", how="left")
        .with_columns(pl.col("set_aside") * pl.col("missed").fill_null(1.0))
        .with_columns(part=pl.col("set_aside") / pl.col("rows_read"))
        .filter(pl.col("rows_read") > 0, pl.col("part") > MATTERS)
        .sort("part", "table_name", descending=[True, False])
    )
    said = [
        _set_aside_said(t, missed.filter(pl.col("table_name") == t["table_name"]))
        for t in tables.iter_rows(named=True)
    ]
    return (*_unread(loads), *said)


def worst_alone_said(written: pl.DataFrame | None) -> tuple[str, ...]:
    """Checks at which only what is wrong is written down.

    ``written``, one row: ``checks`` of units, the mean ``part`` of a unit's wheel ends on record at
    one, ``readings`` of wheel ends, and at how many of these anything is ``wrong``: stroke outside
    the band, lining in its last quarter, return test failed, a fault.
    """
    if written is None or written.is_empty():
        return ()
    r = written.row(0, named=True)
    wrong = r["wrong"] / max(r["readings"], 1)
    if r["checks"] < FEWEST_CHECKS or r["part"] > FEW_OF_A_UNIT or wrong < MOSTLY_WRONG:
        return ()
    return (
        f"At a check {share(r['part'])} of a unit's wheel ends are on record, and at "
        f"{share(wrong)} of those something is wrong: it seems that only what is wrong is written "
        "down. Then checks told here as overdue may have been made; and what is told of strokes, "
        "settings, tests and lives, and how many are out, is of the bad ones alone. Write down "
        "every wheel end that is looked at.",
    )


def _shares_missed(reasons: pl.DataFrame) -> pl.DataFrame:
    """Of a table's rows set aside, the share ``missed`` of which no newer file has the like."""
    is_missed = pl.col("reason_kind").fill_null("") != CORRECTED
    return reasons.group_by("table_name").agg(
        missed=pl.col("n").filter(is_missed).sum() / pl.col("n").sum()
    )


def _unread(loads: pl.DataFrame) -> Iterator[str]:
    failed = loads.filter(pl.col("status").str.starts_with(UNREAD)).sort("table_name", "path")
    for (table,), files in failed.group_by("table_name", maintain_order=True):
        of = f" of the table “{table}”" if table else ""
        fellows = loads.filter(pl.col("table_name") == table) if table else loads
        others = fellows.filter(~pl.col("status").str.starts_with(UNREAD)).height
        first = files.row(0, named=True)
        what = (
            f"Nothing{of} could be read"
            if not others
            else f"{count(files.height, 'file')}{of} could not be read, {number(others)} could"
        )
        more = f" (and {count(files.height - 1, 'more file')})" if files.height > 1 else ""
        yield (
            f"{what}: what stands there is in no figure. {first['path']}{more}: {first['status']}. "
            "Export it again, or save it as CSV, and run again."
        )


def _set_aside_said(table: dict[str, float], reasons: pl.DataFrame) -> str:
    read, aside = int(table["rows_read"]), round(table["set_aside"])
    first = f"{number(aside)} of {count(read, 'row')} of the table “{table['table_name']}” "
    left_out = f"{first}({share(aside / read)}) were set aside and are in no figure."
    if reasons.is_empty():
        return left_out
    top = reasons.sort("n", "reason_kind", descending=[True, False]).row(0, named=True)
    kind = top["reason_kind"] or "no reason on record"
    return (
        f"{left_out} The commonest reason is “{kind}” ({count(top['n'], 'row')}), as in "
        f"{top['path']}, row {top['row_no']}: {str(top['reason'] or '').rstrip('.')}. "
        f"{_way_out(kind)}"
    )


def _way_out(kind: str) -> str:
    return next((way for word, way in WAYS_OUT if word in kind), OTHER_WAY)
