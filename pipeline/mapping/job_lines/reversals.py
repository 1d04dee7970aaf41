"""Jobs that a later row takes back: booked, and booked again with a negative cost or quantity, or
as a credit note.

Neither counts. A row takes back the latest job no later than itself of the same unit, place,
wording and amounts; one that finds none such takes back nothing, and says so.

Nor does a job count of which a quantity of 0 says that nothing was done. One that was paid for all
the same waits, and so does one of a table that has no other quantity.
"""

from collections.abc import Sequence

import polars as pl

from pipeline.mapping.words import says_void, tokens

TAKES_NOTHING_BACK = "no job to take back"


def is_reversal(amounts: Sequence[float | None], quantity: float | None) -> bool:
    """Whether a row has a negative quantity, or negative amounts alone."""
    if quantity:
        return quantity < 0
    told = [amount for amount in amounts if amount]
    return bool(told) and max(told) < 0


def wording(cell: str | None) -> str:
    """A cell without what only says that it is taken back: Storno Reline is Reline."""
    return " ".join(word for word in tokens(cell or "") if not says_void(word))


def reversals(
    named: pl.DataFrame,
    days: pl.Series,
    amounts: pl.DataFrame,
    quantity: pl.Series,
    credited: pl.Series,
) -> tuple[list[tuple[int, int]], list[int]]:
    """Pairs of rows, a job and what takes it back; and rows that take back none of these.

    ``named`` says whose jobs they are and which, as written; ``days`` are dates, null where a cell
    is none; ``amounts`` and ``quantity`` numbers, of which there may be no columns or cells;
    ``credited`` whether a row says that it is a credit note.
    """
    values = [tuple(row) for row in amounts.iter_rows()] or [()] * len(days)
    counts = quantity.to_list()
    signs = [credit or is_reversal(row, n)
             for row, n, credit in zip(values, counts, credited, strict=True)]  # fmt: skip
    if not any(signs):
        return [], []
    keys = [
        (*map(wording, row), *(abs(v or 0) for v in value), abs(n or 0))
        for row, value, n in zip(named.iter_rows(), values, counts, strict=True)
    ]
    left: dict[tuple[object, ...], list[int]] = {}
    order = [i for i in days.arg_sort() if days[i] is not None]
    for i in order:
        left.setdefault(keys[i], []).extend([] if signs[i] else [i])
    pairs, alone = [], [i for i, sign in enumerate(signs) if sign and days[i] is None]
    for i in (i for i in order if signs[i]):
        before = [j for j in left[keys[i]] if days[j] <= days[i]]
        if before:
            left[keys[i]].remove(before[-1])
            pairs.append((before[-1], i))
        else:
            alone.append(i)
    return pairs, alone


def nothing_done(
    amounts: pl.DataFrame, quantity: pl.Series
) -> tuple[list[int], list[int], list[int]]:
    """Rows of a quantity of 0 of which nothing was done, those that cost something all the same,
    and those of a table that has no other quantity, so that nobody knows whether it says so.

    A table in which all of them are 0 and cost something has no quantities.
    """
    counts = quantity.to_list()
    costs = list(amounts.iter_rows()) or [()] * len(counts)
    none = [i for i, count in enumerate(counts) if count == 0]
    free = [i for i in none if not any(costs[i])]
    if not any(counts):
        return [], [], free
    return free, [i for i in none if any(costs[i])], []
