"""Names of linings that wear otherwise since some day.

In sums and fits a later generation of linings, those of one axle type fitted since a day, stands as
an axle type of its own, under a name that says so; linings fitted before the records belong to the
first. So does a later era of a duty, the km run in it since a day, as a duty of its own.
Of a unit that wears its linings otherwise since a day of its own, what was before is another's.
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


def era_name(duty: str, since: dt.date) -> str:
    """What a duty is called in which km were run since a day.

    >>> base_of(era_name("trunk", dt.date(2024, 3, 4)))
    'trunk'
    """
    return f"{duty}{BETWEEN}, km run since {since.isoformat()}"


base_of = axle_type_of
"""The axle type of a generation, or the duty of an era; of another name, itself."""


def fitted_since(name: str) -> dt.date | None:
    """The day from which a generation's linings were fitted; None: it is its axle type's first.

    >>> fitted_since(generation_name("drive", dt.date(2024, 3, 4)))
    datetime.date(2024, 3, 4)
    """
    if BETWEEN not in name:
        return None
    return dt.date.fromisoformat(name[-len("YYYY-MM-DD") :])


def has_later(names: Iterable[str]) -> bool:
    """Whether a later generation or era is among some axle types or duties.

    >>> has_later(["trunk"]), has_later(["trunk", era_name("trunk", dt.date(2024, 3, 4))])
    (False, True)
    """
    return any(BETWEEN in name for name in names)


run_since = fitted_since
"""The day from which an era's km were run; None: it is its duty's first."""


def bounds_of(name: str, names: Iterable[str]) -> tuple[dt.date | None, dt.date | None]:
    """The days from which, and before which, an era's km were run, of those ``names``."""
    own = sorted(other for other in names if base_of(other) == base_of(name))
    later = own[own.index(name) + 1 :]
    return run_since(name), run_since(later[0]) if later else None


def plain(name: str) -> str:
    """A name as people read it."""
    return name.replace(BETWEEN, "")


def newest(names: Iterable[str]) -> dict[str, str]:
    """The newest generation of every axle type, which is what is fitted now; or era of a duty."""
    return {base_of(name): name for name in sorted(names)}


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
    """The rates of the newest generation of every axle type in the newest era of every duty, under
    their names."""
    kinds, duties = newest(fit.axle_types).values(), newest(fit.duties).values()
    return tuple(
        replace(rate, axle_type=base_of(rate.axle_type), duty=base_of(rate.duty))
        for rate in fit.rates
        if rate.axle_type in kinds and rate.duty in duties
    )
