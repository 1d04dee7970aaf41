"""Which odometer values of a unit belong to one story, and how far it ran by them.

A unit's values, in order of days, form a chain. A step of the chain goes forward, and no faster
than a unit can run; or the odometer was replaced, which costs the chain more than leaving out one
mistyped day, and less than leaving out two. So one odd day is set aside as mistyped, while a lower
odometer that the following checks confirm is a replacement. A replacement whose value the unit can
have run since the last check is believed at once, unless a later one goes on from the old odometer:
were it a typing error after all, the next check would show it, and until then only the bridged
distance is used. Across a replacement the distance
is bridged with the unit's own median km per day, since the two odometers say nothing about it.

Jobs are often written down later than they were done, with the odometer of then. So where a chain
leaves out what a check wrote, or finds an odometer replaced, it is sought again with what jobs
alone wrote as no evidence against checks; it counts where it leaves out fewer checks' values, or as
many with fewer replacements. What is dated a year off (``misdated``) belongs to no chain.

A clock of five digits, or six, starts again at 0 when it is full. Where most falls of a unit's
values are, with one round added, no more than what the unit runs otherwise, rounds are added before
anything else is judged.
"""

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.warehouse.misdated import candidates, line_of, moved, year_off

# In units of one day's evidence left out of the chain.
REPLACED_COST = 1.9
REPLACED_FRESH_COST = 0.9
# Between values that explain a day equally well, the one written more often wins.
SIGHTING_BONUS = 0.01
# What only jobs wrote, beside checks that it contradicts: it follows them.
JOB_EVIDENCE = 0.001
# Days the best chain may skip over; a stretch of errors longer than this is a replacement.
LOOKBACK = 60
# Two readings of one day, or a test drive between them.
SAME_DAY_KM = 50.0
# What clocks of five and six digits hold, how far up their values reach then, and at how many falls
# and how large a share of them a round added gives no more than so many times the unit's own pace.
ROUNDS_KM, NEARLY_FULL = (100_000.0, 1_000_000.0), 0.7
FEWEST_ROUNDS, ROUNDS_SHARE, OF_PACE = 2, 0.5, 1.75
# Units whose chains are sought together: enough to share the work, few enough for the memory.
UNITS_AT_ONCE = 2_000


@dataclass(frozen=True, slots=True)
class Chain:
    """One unit's judged values: which belong, and the distance run by each (NaN where not)."""

    belongs: NDArray[np.bool_]
    km: NDArray[np.float64]
    replaced: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Values:
    """Odometer values: day (whole days from any origin), km, how many rows wrote it, and how many
    of these were of checks; (n,)."""

    days: NDArray[np.float64]
    odometer_km: NDArray[np.float64]
    sightings: NDArray[np.int64]
    checks: NDArray[np.int64]

    def of_units(self, some: NDArray[np.bool_] | NDArray[np.int64]) -> "Values":
        """The values that are wanted."""
        return Values(
            self.days[some], self.odometer_km[some], self.sightings[some], self.checks[some]
        )

    def evidence(self, job: float) -> NDArray[np.float64]:
        """What each says for a chain that holds it; ``job``: what only jobs wrote."""
        written = 1.0 + SIGHTING_BONUS * np.minimum(self.sightings, 20).astype(np.float64)
        return np.where(self.checks > 0, written, written * job)


def odometer_verdicts(sightings: pl.DataFrame, max_km_per_day: float) -> pl.DataFrame:
    """Judge every odometer value of every unit.

    ``sightings``: ``unit_id``, ``on_date``, ``odometer_km``, ``sightings`` (rows that wrote it) and
    ``checks`` (those of them that are inspections).
    Returns the same rows with ``km`` (accumulated; null where the value does not belong),
    ``replaced`` (the first value of a replaced odometer), ``reason`` (null where it belongs) and
    ``year_off`` (its day belongs to another year).
    """
    ordered = sightings.sort("unit_id", "on_date", "odometer_km").with_columns(
        _suspicious(max_km_per_day).any().over("unit_id").alias("suspect")
    )
    plain = ordered.filter(~pl.col("suspect")).with_columns(km="odometer_km", **_UNDOUBTED)
    suspects = _judged(ordered.filter("suspect"), max_km_per_day)
    return pl.concat([plain, suspects]).drop("suspect").sort("unit_id", "on_date", "odometer_km")


_UNDOUBTED = {
    "replaced": pl.lit(False),
    "reason": pl.lit(None, dtype=pl.String),
    "year_off": pl.lit(False),
}


def _suspicious(max_km_per_day: float) -> pl.Expr:
    step = pl.col("odometer_km").diff().over("unit_id", order_by=["on_date", "odometer_km"])
    days = pl.col("on_date").diff().over("unit_id", order_by=["on_date", "odometer_km"])
    limit = max_km_per_day * days.dt.total_days() + SAME_DAY_KM
    return ((step < 0) | (step > limit)).fill_null(value=False)


def _judged(suspects: pl.DataFrame, max_km_per_day: float) -> pl.DataFrame:
    """Verdicts of units whose values do not simply go forward."""
    if suspects.is_empty():
        return suspects.with_columns(km="odometer_km", **_UNDOUBTED)
    values = Values(
        suspects["on_date"].to_physical().to_numpy().astype(np.float64),
        suspects["odometer_km"].to_numpy(),
        suspects["sightings"].to_numpy(),
        suspects["checks"].to_numpy(),
    )
    written = values.odometer_km
    sizes = suspects.group_by("unit_id", maintain_order=True).len()["len"]
    ends = np.cumsum(sizes.to_numpy(), dtype=np.int64)
    values = replace(values, odometer_km=written + rounds_km(values, ends))
    chains = best_chains(values, ends, max_km_per_day)
    on = suspects["on_date"].to_list()
    years: list[int] = []
    reasons: list[str | None] = []
    for u, (start, end) in enumerate(zip((0, *ends[:-1]), ends, strict=True)):
        own, dates = values.of_units(np.arange(start, end)), on[start:end]
        chains[u], off = _without_misdated(own, chains[u], max_km_per_day)
        years += off.tolist()
        reasons += [
            None
            if kept
            else _reason(i, written[start:end], dates, chains[u], off[i], max_km_per_day)
            for i, kept in enumerate(chains[u].belongs)
        ]
    return suspects.with_columns(
        km=pl.Series(np.concatenate([c.km for c in chains])).fill_nan(None),
        replaced=pl.Series(np.concatenate([c.replaced for c in chains])),
        reason=pl.Series(reasons, dtype=pl.String),
        year_off=pl.Series(years, dtype=pl.Int64) != 0,
    )


def rounds_km(values: Values, ends: NDArray[np.int64]) -> NDArray[np.float64]:
    """Km of the full rounds that clocks had made before each value; 0 of those that made none.

    ``values`` and ``ends`` as of :func:`best_chains`.
    """
    added = np.zeros(len(values.days))
    for start, end in zip((0, *ends[:-1]), ends, strict=True):
        days, km = values.days[start:end], values.odometer_km[start:end]
        gap, step = np.diff(days), np.diff(km)
        a_round = next((full for full in ROUNDS_KM if km.max() < full), np.inf)
        forward, falls = (gap > 0) & (step > 0), (gap > 0) & (step < 0)
        if km.max() < NEARLY_FULL * a_round or falls.sum() < FEWEST_ROUNDS or not forward.any():
            continue
        usual = np.median(step[forward] / gap[forward])
        full = falls & (step + a_round <= OF_PACE * usual * gap)
        if full.sum() >= max(FEWEST_ROUNDS, ROUNDS_SHARE * falls.sum()):
            added[start + 1 : end] = a_round * np.cumsum(full)
    return added


def best_chains(values: Values, ends: NDArray[np.int64], max_km_per_day: float) -> list[Chain]:
    """The best supported chain through each unit's values.

    ``values`` are sorted by unit, day and value; unit u's end before ``ends[u]``.
    """
    found = _chains(values, ends, max_km_per_day, job=1.0)
    starts = np.concatenate([[0], ends[:-1]]).astype(np.int64)
    parts = [slice(start, end) for start, end in zip(starts, ends, strict=True)]
    open_ = [
        u
        for u, part in enumerate(parts)
        if 0 < (values.checks[part] > 0).sum() < part.stop - part.start
        and _misses(found[u], values.checks[part]) > (0, 0)
    ]
    if not open_:
        return found
    wanted = np.repeat(np.isin(np.arange(len(ends)), open_), ends - starts)
    again_ends = np.cumsum((ends - starts)[open_])
    again = _chains(values.of_units(wanted), again_ends, max_km_per_day, job=JOB_EVIDENCE)
    for u, chain in zip(open_, again, strict=True):
        checks = values.checks[parts[u]]
        if _misses(chain, checks) < _misses(found[u], checks):
            found[u] = chain
    return found


def _misses(chain: Chain, checks: NDArray[np.int64]) -> tuple[int, int]:
    """How many values of checks a chain leaves out, and how many replacements it needs."""
    return int(((checks > 0) & ~chain.belongs).sum()), int(chain.replaced.sum())


def _chains(
    values: Values, ends: NDArray[np.int64], max_km_per_day: float, job: float
) -> list[Chain]:
    """Each unit's best chain, with what only jobs wrote as so much evidence."""
    starts = np.concatenate([[0], ends[:-1]])
    found: list[Chain] = []
    for first in range(0, len(ends), UNITS_AT_ONCE):
        some = slice(first, first + UNITS_AT_ONCE)
        last, previous = _best_paths(values, starts[some], ends[some], max_km_per_day, job)
        for u, (start, end) in enumerate(zip(starts[some], ends[some], strict=True)):
            members = _walk_back(int(last[u]), previous[u])
            days, odometer_km = values.days[start:end], values.odometer_km[start:end]
            found.append(_chain(members, days, odometer_km, max_km_per_day))
    return found


def _best_paths(
    values: Values,
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
    max_km_per_day: float,
    job: float,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The last value of each unit's best chain, and before each value the one it goes on from.

    One value after the other, for all units at once; -1: a chain begins there.
    """
    sizes = ends - starts
    width = int(sizes.max())
    at = np.minimum(starts[:, None] + np.arange(width), ends[:, None] - 1)
    beyond = np.arange(width) >= sizes[:, None]
    # What lies beyond a unit's last value compares false with everything.
    days = np.where(beyond, np.nan, values.days[at])
    odometer_km = np.where(beyond, np.nan, values.odometer_km[at])
    best = values.evidence(job)[at]
    previous = np.full(best.shape, -1)
    for j in range(1, width):
        first = max(0, j - LOOKBACK)
        costs = _step_costs(first, j, days, odometer_km, best, max_km_per_day)
        gained = best[:, first:j] - costs
        i = np.argmax(gained, axis=1)
        most = np.take_along_axis(gained, i[:, None], axis=1)[:, 0]
        goes_on = most > 0
        best[:, j] += np.where(goes_on, most, 0.0)
        previous[:, j] = np.where(goes_on, first + i, -1)
    best[beyond] = -np.inf
    return np.argmax(best, axis=1), previous


def _runs_on(
    days: NDArray[np.float64], step_km: NDArray[np.float64], max_km_per_day: float
) -> NDArray[np.bool_]:
    """Forward, and no further than a unit can run in that time."""
    return (step_km >= 0) & (step_km <= max_km_per_day * days + SAME_DAY_KM)


def _step_costs(
    first: int,
    j: int,
    days: NDArray[np.float64],
    odometer_km: NDArray[np.float64],
    best: NDArray[np.float64],
    max_km_per_day: float,
) -> NDArray[np.float64]:
    """What it costs each unit's chain to go on from the values first … j - 1 to value j."""
    gap = days[:, j, None] - days[:, first:j]
    step = odometer_km[:, j, None] - odometer_km[:, first:j]
    runs_on = _runs_on(gap, step, max_km_per_day)
    costs = np.where(runs_on, 0.0, REPLACED_COST)
    # Whether a replacement is believed at once matters only where it could be the best step.
    forward = np.where(runs_on, best[:, first:j], -np.inf).max(axis=1)
    replaced = np.where(runs_on, -np.inf, best[:, first:j]).max(axis=1) - REPLACED_FRESH_COST
    open_ = np.flatnonzero(replaced >= forward)
    later = slice(j + 1, j + 1 + LOOKBACK)
    gaps = days[open_, None, later] - days[open_, first:j, None]
    steps = odometer_km[open_, None, later] - odometer_km[open_, first:j, None]
    old_goes_on = _runs_on(gaps, steps, max_km_per_day).any(axis=2)
    can_have_run = odometer_km[open_, j, None] <= max_km_per_day * gap[open_] + SAME_DAY_KM
    fresh = (step[open_] < 0) & (gap[open_] > 0) & can_have_run & ~old_goes_on
    costs[open_] = np.where(fresh, REPLACED_FRESH_COST, costs[open_])
    return costs


def _walk_back(last: int, previous: NDArray[np.int64]) -> list[int]:
    members = []
    while last >= 0:
        members.append(last)
        last = int(previous[last])
    return members[::-1]


def _chain(
    members: list[int],
    days: NDArray[np.float64],
    odometer_km: NDArray[np.float64],
    max_km_per_day: float,
) -> Chain:
    at, values = days[members], odometer_km[members]
    gap, step = np.diff(at), np.diff(values)
    runs_on = _runs_on(gap, step, max_km_per_day)
    rates = step[runs_on & (gap > 0)] / gap[runs_on & (gap > 0)]
    bridged = np.where(runs_on, step, gap * (np.median(rates) if len(rates) else 0.0))
    belongs = np.zeros(len(days), dtype=bool)
    belongs[members] = True
    km = np.full(len(days), np.nan)
    km[members] = values[0] + np.concatenate([[0.0], np.cumsum(bridged)])
    replaced = np.zeros(len(days), dtype=bool)
    replaced[np.asarray(members)[1:][~runs_on]] = True
    return Chain(belongs, km, replaced)


def _without_misdated(
    values: Values, chain: Chain, max_km_per_day: float
) -> tuple[Chain, NDArray[np.int64]]:
    """One unit's chain without what is dated a year off, and by how many years each value is."""
    years = np.zeros(len(values.days), dtype=np.int64)
    searching = True
    while searching:
        searching = False
        for group, year in candidates(
            values.days, values.odometer_km, chain.belongs, chain.replaced
        ):
            trial = _chain_without(values, (years != 0) | np.isin(np.arange(len(years)), group),
                                   max_km_per_day)  # fmt: skip
            left_out, replaced = _misses(chain, values.checks)
            of_group = int((values.checks[group] > 0).sum())
            still_out, still_replaced = _misses(trial, values.checks)
            if still_replaced < replaced and still_out - of_group <= left_out:
                chain, years[group], searching = trial, year, True
                break
    line = line_of(values.days[chain.belongs], values.odometer_km[chain.belongs])
    for i in np.flatnonzero(~chain.belongs & (years == 0)):
        years[i] = year_off(line, values.days[i], values.odometer_km[i])
    return chain, years


def _chain_without(values: Values, out: NDArray[np.bool_], max_km_per_day: float) -> Chain:
    """The best chain of one unit's other values."""
    (other,) = best_chains(values.of_units(~out), np.array([(~out).sum()]), max_km_per_day)
    chain = Chain(np.zeros(len(out), bool), np.full(len(out), np.nan), np.zeros(len(out), bool))
    chain.belongs[~out], chain.km[~out], chain.replaced[~out] = (
        other.belongs, other.km, other.replaced,
    )  # fmt: skip
    return chain


def _reason(
    i: int,
    odometer_km: NDArray[np.float64],
    on: list[dt.date],
    chain: Chain,
    year: int,
    max_km_per_day: float,
) -> str:
    def near(day: dt.date) -> str:
        kept = [k for k in np.flatnonzero(chain.belongs) if k != i]
        before = [k for k in kept if on[k] <= day and (day != on[i] or k < i)]
        after = [k for k in kept if k not in before]
        told = [f"{odometer_km[k]:.0f} km on {on[k]}" for k in (*before[-1:], *after[:1])]
        return f"{'between' if len(told) > 1 else 'beside'} {' and '.join(told)}"

    if year:
        then = moved(on[i], year)
        return (
            f"found {on[i]} with {odometer_km[i]:.0f} km, {near(on[i])}; accepted: the day "
            f"of that odometer; it would fit {then}, {near(then)}"
        )
    return (
        f"odometer_km: found {odometer_km[i]:.0f} km {near(on[i])}; accepted: "
        f"forward by no more than {max_km_per_day:g} km a day, or a replaced odometer that "
        "later checks confirm"
    )
