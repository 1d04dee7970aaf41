"""Generations of linings: those of one axle type fitted before some day, and since.

In sums and fits a later generation stands as an axle type of its own, under a name that says so;
linings fitted before the records belong to the first.
"""

import datetime as dt
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import polars as pl

from models.wear.result import WearFit, WearRate
from models.wear.sums import LiningLifeSums

BETWEEN = "\u2063"  # Unicode's invisible separator: any text may hold it, no axle type's name does


def generation_name(axle_type: str, since: dt.date) -> str:
    """What linings of an axle type are called that were fitted since a day."""
    return f"{axle_type}{BETWEEN}, linings fitted since {since.isoformat()}"


def axle_type_of(name: str) -> str:
    """The axle type of a generation; of another name, itself.

    >>> axle_type_of(generation_name("drive", dt.date(2024, 3, 4)))
    'drive'
    """
    return name.partition(BETWEEN)[0]


def fitted_since(name: str) -> dt.date | None:
    """The day from which a generation's linings were fitted; None: it is its axle type's first.

    >>> fitted_since(generation_name("drive", dt.date(2024, 3, 4)))
    datetime.date(2024, 3, 4)
    """
    if BETWEEN not in name:
        return None
    return dt.date.fromisoformat(name[-len("YYYY-MM-DD") :])


def plain(name: str) -> str:
    """A name as people read it."""
    return name.replace(BETWEEN, "")


def newest(names: Iterable[str]) -> dict[str, str]:
    """The newest generation of every axle type: what is fitted now."""
    return {axle_type_of(name): name for name in sorted(names)}


def generation_of(axle_type: pl.Series, fitted_on: pl.Series, names: Iterable[str]) -> pl.Series:
    """The generation, of those ``names``, of linings on some axle type fitted on some day (null:
    before the records)."""
    found = axle_type.cast(pl.String)
    for name in sorted(names):
        since = fitted_since(name)
        if since is not None:
            later = (axle_type.cast(pl.String) == axle_type_of(name)) & (fitted_on >= since)
            found = pl.select(
                pl.when(later.fill_null(value=False)).then(pl.lit(name)).otherwise(found)
            ).to_series()
    return found.alias("generation")


def sums_by_generation(sums: LiningLifeSums, since: dict[str, dt.date]) -> LiningLifeSums:
    """The same lives, those fitted since a day as a generation of their own: of the axle types or
    generations named."""
    kind = pl.Series(np.array(sums.axle_types)[sums.axle], dtype=pl.String)
    label = kind
    for name, day in since.items():
        later = ((kind == name) & (sums.fitted_on >= day)).fill_null(value=False)
        label = label.set(later, generation_name(axle_type_of(name), day))
    return _with_axle_types(sums, label)


def without_generations(sums: LiningLifeSums) -> LiningLifeSums:
    """The same lives by axle type alone."""
    base = np.array([axle_type_of(name) for name in sums.axle_types])
    return _with_axle_types(sums, pl.Series(base[sums.axle], dtype=pl.String))


def _with_axle_types(sums: LiningLifeSums, label: pl.Series) -> LiningLifeSums:
    names = tuple(label.unique().sort())
    place = {name: number for number, name in enumerate(names)}
    return replace(
        sums, axle_types=names, axle=label.replace_strict(place, return_dtype=pl.Int64).to_numpy()
    )


def rates_now(fit: WearFit) -> tuple[WearRate, ...]:
    """The rates of the newest generation of every axle type, under its name."""
    now = newest(fit.axle_types)
    return tuple(
        replace(rate, axle_type=axle_type_of(rate.axle_type))
        for rate in fit.rates
        if now[axle_type_of(rate.axle_type)] == rate.axle_type
    )
