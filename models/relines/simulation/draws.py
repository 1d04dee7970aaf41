"""Whole fleets drawn from what is known of one: the same randomness for every scenario.

Draws come in batches. A batch is several copies of the fleet laid end to end, each with its own
fixed effects, policies, unit effects and linings. Random numbers are taken from streams keyed by
(seed, batch, step), in an order that no scenario changes, so that scenarios meet the same fate.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.common.arrays import FloatArray, IntArray
from models.common.distributions import square_root
from models.relines.forecast.lines import WheelEndLines
from models.relines.policy.fit import PolicyFit, ReplacementPolicy, drawn_policies
from models.usage.drawn.visits import DrawnIntervals, drawn_intervals
from models.usage.fit import UsageFit

Real = type[np.float64] | type[np.float32]
LIVES_AHEAD = 4
"""Linings drawn ahead per wheel end; one that needs more uses them again."""


@dataclass(frozen=True, slots=True)
class FleetDraw:
    """B copies of the fleet: arrays over B x L wheel ends, or B x U units.

    now_mm, rate : lining when last seen, and wear per 10,000 km in the unit's duty.
    start_mm, life_rate : (LIVES_AHEAD, B x L) linings to come: start, and rate over the mean.
    unit_rate : (B x L) mean rate of a new lining in the unit's duty.
    theta : (B, P) fixed effects. policies : one per copy.
    log_level : (B x U) log km per day. late : (B x U) by how much of a usual interval the last
        visit was late. pace : (B x U) log of the usual days over the group's.
        leaving : (B,) hazard of leaving the fleet per day. intervals : as each copy may have them.
        present, place : (B x U) uniform numbers that decide
        whether the unit is there, and whether it is among those that change duty.
    """

    copies: int
    now_mm: FloatArray
    rate: FloatArray
    start_mm: FloatArray
    life_rate: FloatArray
    unit_rate: FloatArray
    theta: FloatArray
    policies: tuple[ReplacementPolicy, ...]
    log_level: FloatArray
    pace: FloatArray
    late: FloatArray
    leaving: FloatArray
    intervals: DrawnIntervals
    present: FloatArray
    place: FloatArray


def stream(seed: int, batch: int, step: int) -> np.random.Generator:
    """The random numbers of one step of one batch."""
    return np.random.default_rng([seed, batch, step + 1])


@dataclass(frozen=True, slots=True)
class Luck:
    """Random numbers of what is met one by one (units, axles, wheel ends), for copies laid end to
    end on the last axis; ``same``: every copy meets the same."""

    rng: np.random.Generator
    copies: int
    same: bool = False

    def normal(self, *shape: int, dtype: Real = np.float64) -> FloatArray:
        return self._laid(self.rng.standard_normal(self._drawn(shape), dtype))

    def uniform(self, *shape: int, dtype: Real = np.float64) -> FloatArray:
        return self._laid(self.rng.random(self._drawn(shape), dtype))

    def exponential(self, *shape: int) -> FloatArray:
        return self._laid(self.rng.standard_exponential(self._drawn(shape)))

    def _drawn(self, shape: tuple[int, ...]) -> tuple[int, ...]:
        return (*shape[:-1], shape[-1] // self.copies) if self.same else shape

    def _laid(self, numbers: NDArray[Any]) -> FloatArray:
        if not self.same:
            return numbers
        *lead, each = numbers.shape
        copies = np.broadcast_to(numbers[..., None, :], (*lead, self.copies, each))
        return copies.reshape(*lead, self.copies * each)


def _pairs(
    normal: FloatArray, var_a: FloatArray, cov: FloatArray, var_b: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Two correlated numbers from two independent normal ones (2, ...)."""
    sd_a = np.sqrt(np.maximum(var_a, 0.0))
    load = np.divide(cov, sd_a, out=np.zeros_like(sd_a), where=sd_a > 0.0)
    rest = np.sqrt(np.maximum(var_b - load**2, 0.0))
    return normal[0] * sd_a, normal[0] * load + normal[1] * rest


def draw_fleet(lines: WheelEndLines, usage: UsageFit, policy: PolicyFit, luck: Luck) -> FleetDraw:
    """Draw as many fleets as ``luck`` has copies; what they share, fixed effects and policies, is
    another in each whether or not their luck is the same."""
    size, units, rng, copies = len(lines), len(usage), luck.rng, luck.copies
    shift = rng.standard_normal((copies, len(lines.theta))) @ square_root(lines.theta_cov)
    policies = drawn_policies(policy, copies, rng)
    unit = luck.normal(copies * units).reshape(copies, units) * np.sqrt(lines.unit_var)
    level = usage.log_level + np.sqrt(usage.level_variance) * luck.normal(copies * units).reshape(
        copies, units
    )
    interval_distribution = usage.interval_distribution
    pace = interval_distribution.pace + np.sqrt(interval_distribution.pace_variance) * luck.normal(
        copies * units
    ).reshape(copies, units)
    leaving = rng.gamma(
        interval_distribution.leave.shape, 1.0 / interval_distribution.leave.days, copies
    )
    present, place = luck.uniform(2, copies * units)
    here = unit[:, lines.unit]
    own = _pairs(
        luck.normal(2, copies * size).reshape(2, copies, size),
        lines.var_now,
        lines.cov_now_rate,
        lines.var_rate,
    )
    now = lines.now_mm + shift @ lines.now_gradient.T + here * lines.now_on_unit + own[0]
    rate = lines.rate + shift @ lines.rate_gradient.T + here * lines.rate_on_unit + own[1]
    start, life_rate = _linings_to_come(lines, shift, luck)
    calendar, late = interval_distribution.calendar, np.zeros(copies * units)
    if calendar.keeps > 0.0:
        doubt = np.tile(np.sqrt(calendar.late_variance), copies)
        late = np.tile(calendar.late, copies) + doubt * luck.normal(copies * units)
    return FleetDraw(
        copies=copies,
        now_mm=now.ravel(),
        rate=rate.ravel(),
        start_mm=start.reshape(LIVES_AHEAD, -1),
        life_rate=life_rate.reshape(LIVES_AHEAD, -1),
        unit_rate=_unit_rates(lines, shift, unit).ravel(),
        theta=lines.theta + shift,
        policies=policies,
        log_level=level.ravel(),
        pace=pace.ravel(),
        late=late,
        leaving=leaving,
        intervals=drawn_intervals(usage, copies, rng),
        present=present,
        place=place,
    )


def _linings_to_come(
    lines: WheelEndLines, shift: FloatArray, luck: Luck
) -> tuple[FloatArray, FloatArray]:
    """Start and own rate of the next linings, (LIVES_AHEAD, copies, L)."""
    shape, cov = (2, LIVES_AHEAD, len(shift), len(lines)), lines.life_cov
    normal = luck.normal(2, LIVES_AHEAD, len(shift) * len(lines)).reshape(shape)
    own = _pairs(normal, cov[:1, 0], cov[:1, 1], cov[1:, 1])
    has_start = lines.start_column >= 0
    moved = shift[:, np.maximum(lines.start_column, 0)] * has_start
    return lines.new_mm + moved + own[0], own[1] * lines.life_weight


def _unit_rates(lines: WheelEndLines, shift: FloatArray, unit: FloatArray) -> FloatArray:
    """Mean rate of a new lining of each wheel end in its unit's duty, (copies, L)."""
    theta = (lines.theta + shift)[:, lines.rate_column]
    effect = lines.unit_effect + shift @ lines.unit_gradient.T + unit
    return np.asarray(theta + effect[:, lines.unit] * lines.unit_weight)


def tiled(index: IntArray, copies: int, size: int) -> IntArray:
    """An index into ``size`` things, repeated for copies laid end to end."""
    return np.asarray((np.arange(copies)[:, None] * size + index).ravel())
