"""What is told of records that are better than those of the rest of the fleet can be: somebody may
write down what ought to be, and what nobody finds, nothing here can flag."""

import polars as pl

from dashboards.sentences.measures import Measures
from dashboards.sentences.words import at_depot, count, number, share

# So many findings would be expected by what is found elsewhere, and a tenth or fewer are there.
EXPECTED, FOUND_OF_EXPECTED = 15.0, 0.1
# The thinnest that is read is read so often, and so many times as often as the next thicker.
AT_THE_BOTTOM, FEWEST_READ, OF_THE_NEXT = 0.05, 100, 2.0


def too_good_said(
    findings: pl.DataFrame | None, lowest: pl.DataFrame | None, measures: Measures
) -> tuple[str, ...]:
    """A sentence for each depot that finds too little, and each heap of the thinnest readings.

    ``findings``: ``depot``, ``tests`` of the return and those ``failed``, ``strokes`` as found and
    those ``outside`` the band; ``lowest``: ``depot``, ``axle_type``, ``lowest_mm`` (the thinnest
    lining that is read as found), ``min_mm``, ``readings``, those ``at_lowest`` and, of the next
    thicker value, ``near_lowest``.
    """
    return (
        *_few(findings, "tests", "failed", _NO_FAILURE),
        *_few(findings, "strokes", "outside", _NONE_OUTSIDE),
        *_heaps(lowest, measures),
    )


_NO_FAILURE = (
    "{found} of {looked} return tests failed {where}, against {other} elsewhere: tests that are "
    "ticked and not made look like that, and no failed adjuster there would be flagged by them. "
    "Have some of them tested by somebody else."
)
_NONE_OUTSIDE = (
    "{found} of {looked} strokes as found {where} were outside the band, against {other} "
    "elsewhere: strokes read after the setting, or not read, look like that, and nothing there "
    "would be flagged by them. Have some of them read by somebody else, before anything is set."
)


def _few(findings: pl.DataFrame | None, of: str, found: str, said: str) -> tuple[str, ...]:
    if findings is None or findings.height < 2:
        return ()
    looked, seen = pl.col(of), pl.col(found)
    other = (seen.sum() - seen) / (looked.sum() - looked).clip(1)
    rows = findings.with_columns(other=other).filter(
        looked * pl.col("other") >= EXPECTED,
        seen <= FOUND_OF_EXPECTED * looked * pl.col("other"),
    )
    return tuple(
        said.format(
            found="None" if not r[found] else number(r[found]),
            looked=number(r[of]),
            where=at_depot(r["depot"]),
            other=share(r["other"]),
        )
        for r in rows.sort("depot").iter_rows(named=True)
    )


def _heaps(lowest: pl.DataFrame | None, measures: Measures) -> tuple[str, ...]:
    if lowest is None:
        return ()
    heaps = lowest.filter(
        pl.col("readings") >= FEWEST_READ,
        # Where nearly all are alike, nothing was measured; that is told elsewhere.
        pl.col("at_lowest").is_between(
            AT_THE_BOTTOM * pl.col("readings"), 0.5 * pl.col("readings")
        ),
        pl.col("at_lowest") > OF_THE_NEXT * pl.col("near_lowest"),
        pl.col("lowest_mm") >= pl.col("min_mm"),
    )
    return tuple(
        f"Linings of {r['axle_type']} {at_depot(r['depot'])} are hardly ever read thinner "
        f"than {measures.length(r['lowest_mm'])}, which {share(r['at_lowest'] / r['readings'])} of "
        f"{count(r['readings'], 'reading')} are, where their minimum is "
        f"{measures.length(r['min_mm'])}: a number written for whatever is less looks like that. "
        "Linings may be thinner there than told, and dates at the minimum late: measure them again."
        for r in heaps.sort("depot", "axle_type").iter_rows(named=True)
    )
