r"""A large fleet's totals from a part of its units: another part for every batch of futures.

Units stand in line by depot, duty, axle types and about how many relines their year brings; a batch
takes every k-th from a start of its own (systematic sampling, Cochran 1977, *Sampling Techniques*,
chapter 8), so that each part mirrors the fleet and most units have their turn. Each is simulated
twice over, as twins that differ by luck alone and stand for w units together. The futures d of a
batch share that luck, but not fixed effects, policies and hazards. With :math:`X, X'` what happens
to the twins,

.. math::
    A_d = w \sum_u \frac{X_{ud} + X'_{ud}}{2},\qquad
    E_d = \sqrt w \sum_u \zeta_{ud} \frac{X_{ud} - X'_{ud}}{\sqrt 2},\qquad
    T_d = \bar A + c\,\rho\,(A_d - \bar A_{\text{batch}}) + E_d

Within a batch of B futures A moves with what all units share, and E (ζ standard normal) has the
variance of the luck of all of the fleet's units, not w times it. The mean :math:`\bar A` is over
every batch, each with units and luck of its own, and so estimates the whole fleet's without bias:
how the batches differ tells its error. :math:`c^2 = B / (B - 1)`; :math:`\rho^2` is the share of
A's variance that both twins agree on, for years and months of the fleet and of its cells in turn: a
date that crosses the end of a month in one future and not in the next is no doubt that they share.
What is added up over months, cells or futures stays added up.
"""

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from scipy import special

from models.common.arrays import FloatArray, IntArray
from models.common.units import KM_PER_UNIT
from models.relines.forecast.lines import WheelEndLines
from models.relines.forecast.wheel_ends import WheelEnds
from models.relines.policy.fit import ReplacementPolicy
from models.relines.simulation.counts import Agreed, EventCounts, whole_counts
from models.relines.simulation.draws import tiled
from models.relines.simulation.layout import BudgetCells
from models.usage.fit import UsageFit
from models.wear.shape.scale import some_scale

TWINS = 2
YEAR_MONTHS = 12
YEAR_DAYS = 365.25
GOLDEN = 0.618_033_988_749_895


def in_line(
    ends: WheelEnds, lines: WheelEndLines, usage: UsageFit, policy: ReplacementPolicy
) -> IntArray:
    """The units in line (U,): by depot and duty, axle types, and relines that a year may bring."""
    n_units, types = len(usage), sorted(set(ends.axle_type))
    axle_type = np.array([types.index(a) for a in ends.axle_type], np.int64)
    mix = np.zeros((n_units, len(types)), np.int64)
    np.add.at(mix, (ends.unit, axle_type), 1)
    _, kind = np.unique(mix, axis=0, return_inverse=True)
    above = lines.now_mm - ends.minimum_mm - policy.threshold_mm[ends.policy_group]
    a_day = np.maximum(lines.rate, 1e-3) / KM_PER_UNIT * np.exp(usage.log_level[ends.unit])
    days = np.where(lines.is_known, above / a_day, YEAR_DAYS) - usage.since_seen[ends.unit]
    if policy.by_age is not None:
        days = np.fmin(days, policy.by_age.days[ends.policy_group] - ends.age_days)
    due = special.expit((YEAR_DAYS - days) / (0.1 * np.abs(days) + 20.0))
    expected = np.bincount(ends.unit, due * usage.present[ends.unit], minlength=n_units)
    order = np.lexsort((np.nan_to_num(expected), kind.ravel(), lines.duty, usage.group))
    return np.asarray(order[np.isin(order, ends.unit)])


def every_kth(line: IntArray, units: int, batch: int) -> IntArray:
    """So many units of a line, evenly apart, in line; starts differ evenly between batches."""
    start = (0.5 + batch * GOLDEN) % 1.0
    return line[np.floor((np.arange(units) + start) * len(line) / units).astype(np.int64)]


def some_wheel_ends(ends: WheelEnds, rows: IntArray, units: IntArray) -> WheelEnds:
    """``rows`` (n,), all wheel ends of ``units``, and their twins; units are numbered anew."""
    number = np.zeros(int(ends.unit.max()) + 1, np.int64)
    number[units] = np.arange(len(units))
    place = np.zeros(len(ends), np.int64)
    place[rows] = np.arange(len(rows))
    _, axle = np.unique(ends.axle[rows], return_inverse=True)
    taken = {
        f.name: getattr(ends, f.name)[np.tile(rows, TWINS)]
        for f in fields(ends)
        if f.name not in ("unit", "axle", "partner")
    }
    return WheelEnds(
        **taken,
        unit=tiled(number[ends.unit[rows]], TWINS, len(units)),
        axle=tiled(axle, TWINS, int(axle.max()) + 1),
        partner=tiled(place[ends.partner[rows]], TWINS, len(rows)),
    )


PER_END = (
    *("now_mm", "rate", "var_now", "cov_now_rate", "var_rate", "now_on_unit", "rate_on_unit"),
    *("now_gradient", "rate_gradient", "duty_column", "new_mm", "start_column", "is_known"),
    *("life_scale", "unit_scale"),
)
LINES_PER_UNIT = ("unit_effect", "unit_var", "unit_gradient", "duty")


def some_lines(
    lines: WheelEndLines, rows: IntArray, units: IntArray, unit: IntArray
) -> WheelEndLines:
    """The lines of some wheel ends, of units numbered anew."""
    whole = {name: getattr(lines, name) for name in PER_END}
    taken: dict[str, Any] = {name: None if v is None else v[rows] for name, v in whole.items()}
    by_unit: dict[str, Any] = {name: getattr(lines, name)[units] for name in LINES_PER_UNIT}
    scale = some_scale(lines.scale, rows)
    return replace(lines, unit=unit, scale=scale, **taken, **by_unit)


USE_PER_UNIT = (
    *("group", "log_level", "level_variance", "off_now", "stands_still", "is_known", "intervals"),
    *("since_seen", "since_visit", "present", "thinnest_mm"),
)


def some_use(usage: UsageFit, units: IntArray) -> UsageFit:
    """The use of some units."""
    taken = {name: getattr(usage, name)[units] for name in USE_PER_UNIT}
    interval_distribution = usage.interval_distribution
    interval_distribution = replace(
        interval_distribution,
        pace=interval_distribution.pace[units],
        pace_variance=interval_distribution.pace_variance[units],
        calendar=interval_distribution.calendar.some(units),
    )
    return replace(
        usage,
        unit_ids=tuple(usage.unit_ids[u] for u in units),
        interval_distribution=interval_distribution,
        **taken,
    )


def twin_cells(cells: BudgetCells, rows: IntArray) -> BudgetCells:
    """Cells of wheel ends and, after those, of their twins."""
    base = np.concatenate([cells.base[rows] + twin * cells.n_cells for twin in range(TWINS)])
    return replace(cells, depots=cells.depots * TWINS, base=base)


def twin_luck(units: int, copies: int, rng: np.random.Generator) -> FloatArray:
    """ζ of units, and less ζ for their twins (copies, 2 units)."""
    luck = rng.standard_normal((copies, units))
    return np.concatenate([luck, -luck], axis=1)


SUMMED = ("second", "scrapped_mm", "scrapped_share")
COUNTED = tuple(
    f"{what}{by}" for what in ("relines", "visits", "crossings") for by in ("", "_by_span")
)


@dataclass(frozen=True, slots=True)
class _Parts:
    """Of a count or sum by batch: its mean, what shared doubt moves (D, …), and luck (D, …)."""

    mean: FloatArray
    shared: FloatArray
    luck: FloatArray


def put_together(
    parts: list[EventCounts], behind: float, wheel_ends: int, seed: int, agreed: Agreed
) -> EventCounts:
    """The futures of a whole fleet from those of units that each, with a twin, stand for
    ``behind``; ρ that is not in ``agreed`` yet is put there, so that the first scenario's serves
    all and differences stay such."""
    rng = np.random.default_rng([seed, 29])
    counts = {
        name: whole_counts(_counted(_parts(parts, name, behind), agreed.setdefault(name, {})), rng)
        for name in COUNTED
    }
    sums = {name: _summed(_parts(parts, name, behind)) for name in SUMMED}
    spans = [
        part.relines_by_span[: part.n_draws // 2].mean(axis=0) * (behind / TWINS) for part in parts
    ]
    return EventCounts(
        calendar=parts[0].calendar,
        wheel_ends=wheel_ends,
        **counts,
        second=np.rint(sums["second"]).astype(np.int64),
        scrapped_mm=sums["scrapped_mm"],
        scrapped_share=sums["scrapped_share"],
        batch_means=np.array([_twins_together(mean) for mean in spans]),
        agreed=agreed,
    )


def _parts(parts: list[EventCounts], name: str, behind: float) -> _Parts:
    found = [np.split(getattr(part, name), 2) for part in parts]
    plain = [counts * (behind / TWINS) for counts, _ in found]
    shared = [(p - p.mean(axis=0)) * np.sqrt(len(p) / max(len(p) - 1, 1)) for p in plain]
    luck = np.concatenate([lucky for _, lucky in found]) * np.sqrt(behind / TWINS)
    return _Parts(np.concatenate(plain).mean(axis=0), np.concatenate(shared), luck)


def _twins_together(values: FloatArray) -> FloatArray:
    return np.asarray(sum(np.split(values, TWINS, axis=-1)))


def _counted(parts: _Parts, agreed: dict[int, float]) -> FloatArray:
    """T (D, M, C)."""
    mean = _twins_together(parts.mean)
    one, other = np.split(parts.shared, TWINS, axis=2)
    shared = _agreed(one, other, mean, agreed)
    return _right_in_the_mean(mean, shared + _twins_together(parts.luck))


def _summed(parts: _Parts) -> FloatArray:
    """T (D,) of what is not told by twin."""
    return np.maximum(parts.mean + parts.shared + parts.luck, 0.0)


def _agreed(
    one: FloatArray, other: FloatArray, mean: FloatArray, agreed: dict[int, float]
) -> FloatArray:
    """What both twins' halves move by (D, M, C), less the part that they do not agree on: in years
    of the fleet, in its months, in years of its cells, and in what is left."""
    kept = np.zeros_like(one)
    for level, (months, whole) in enumerate(
        ((YEAR_MONTHS, True), (1, True), (YEAR_MONTHS, False), (1, False))
    ):
        a, b = (_along(twin, mean, months, whole) for twin in (one, other))
        one, other = one - a, other - b
        both, common = np.mean((a + b) ** 2), TWINS**2 * np.mean(a * b)
        if both > 0.0:
            share = float(np.sqrt(np.clip(common / both, 0.0, 1.0)))
            kept += agreed.setdefault(level, share) * (a + b)
    return kept


def _along(moves: FloatArray, mean: FloatArray, months: int, whole: bool) -> FloatArray:
    """Moves (D, M, C) summed over so many months, and all cells if ``whole``, then dealt out as
    the mean (M, C) is."""
    dealt, summed = mean, moves
    if whole:
        dealt, summed = dealt.sum(axis=1, keepdims=True), summed.sum(axis=2, keepdims=True)
    if months > 1:
        first, block = np.arange(0, len(mean), months), np.arange(len(mean)) // months
        dealt = np.add.reduceat(dealt, first, axis=0)[block]
        summed = np.add.reduceat(summed, first, axis=1)[:, block]
    share = np.divide(mean, dealt, out=np.zeros_like(mean), where=dealt > 0.0)
    return np.asarray(summed * share)


def _right_in_the_mean(mean: FloatArray, moves: FloatArray) -> FloatArray:
    """Mean and moves (D, …, C), none below nought, and right in the mean still.

    What would be below nought is taken off what comes next: the same cell's next months, so that
    totals of rare events keep their spread.
    """
    in_turn = (mean + moves).T.reshape(-1, len(moves))
    run_up = np.maximum.accumulate(np.maximum(in_turn.cumsum(axis=0), 0.0), axis=0)
    found = np.diff(run_up, axis=0, prepend=0.0).reshape(moves.T.shape).T
    drawn = found.mean(axis=0)
    return np.asarray(found * np.divide(mean, drawn, out=np.zeros_like(mean), where=drawn > 0.0))
