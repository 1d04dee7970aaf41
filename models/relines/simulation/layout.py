"""How the arrays of a batch hang together, and which units change duty in a scenario."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.relines.forecast.lines import WheelEndLines
from models.relines.forecast.wheel_ends import WheelEnds
from models.relines.simulation.counts import Events
from models.relines.simulation.draws import FleetDraw, tiled
from models.relines.simulation.scenario import Scenario, UnusableScenarioError
from models.usage.fit import UsageFit
from models.wear.shape.scale import WearScale


@dataclass(frozen=True, slots=True)
class BudgetCells:
    """The cells a budget is split into: depot × axle type × duty, numbered in that order."""

    depots: tuple[str | None, ...]
    axle_types: tuple[str, ...]
    duties: tuple[str, ...]
    base: IntArray

    @property
    def n_cells(self) -> int:
        return len(self.depots) * len(self.axle_types) * len(self.duties)

    def frame(self) -> pl.DataFrame:
        """One row per cell: cell, depot, axle_type, duty."""
        rows = [(d, a, u) for d in self.depots for a in self.axle_types for u in self.duties]
        schema = {"depot": pl.String, "axle_type": pl.String, "duty": pl.String}
        return pl.DataFrame(rows, schema=schema, orient="row").with_row_index("cell")


def budget_cells(ends: WheelEnds, lines: WheelEndLines) -> BudgetCells:
    """Cells of a fleet; ``base`` (L,) is each wheel end's number in the first duty."""
    depots, types = sorted(set(ends.depot), key=str), sorted(set(ends.axle_type))
    depot = np.array([depots.index(d) for d in ends.depot], np.int64)
    axle_type = np.array([types.index(a) for a in ends.axle_type], np.int64)
    base = (depot * len(types) + axle_type) * len(lines.duties)
    return BudgetCells(tuple(depots), tuple(types), lines.duties, base)


@dataclass(frozen=True, slots=True)
class Layout:
    """A batch under a scenario.

    Per wheel end: ``unit``, ``partner``, ``has_partner``, ``axle``, ``copy`` of the fleet, policy
    ``group``, budget ``cell``, ``usable_mm`` (new less minimum), ``minimum_mm``, ``rate_change``
    from a change of duty. Per unit: ``usual_days`` between visits, ``level_change``.
    Per axle: its ``axle_unit``, and at how many of the unit's visits until now it was ``passed_by``
    since a lining of it was last read. ``weight`` (per wheel end): counted beside
    its events (None: nothing is). ``scale``: on which linings wear evenly, and ``minimum_mm`` is
    that of the scenario (None: a gauge's).
    """

    unit: IntArray
    partner: IntArray
    has_partner: BoolArray
    axle: IntArray
    axle_unit: IntArray
    passed_by: IntArray
    copy: IntArray
    group: IntArray
    cell: IntArray
    usable_mm: FloatArray
    minimum_mm: FloatArray
    rate_change: FloatArray
    usual_days: FloatArray
    level_change: FloatArray
    weight: FloatArray | None = None
    scale: WearScale | None = None

    def found_mm(self, above_mm: FloatArray, ends: IntArray | slice) -> FloatArray:
        """What a gauge finds left above the minimum on wheel ends that have so much left."""
        if self.scale is None:
            return above_mm
        scale, raised = self.scale.some(ends), self._raised(ends)
        return scale.above_mm(above_mm + raised) - scale.above_mm(raised)

    def left_of(self, found_mm: FloatArray) -> FloatArray:
        """The reverse, of all wheel ends."""
        if self.scale is None:
            return found_mm
        raised = self._raised(slice(None))
        return self.scale.even_mm(found_mm + self.scale.above_mm(raised)) - raised

    def left_per_mm(self, above_mm: FloatArray) -> FloatArray | float:
        """How much that is left counts for a millimetre by a gauge, of all wheel ends."""
        if self.scale is None:
            return 1.0
        return self.scale.even_per_mm(self.scale.above_mm(above_mm + self._raised(slice(None))))

    def _raised(self, ends: IntArray | slice) -> FloatArray:
        """By how much the scenario's minima are above the register's, on the scale."""
        assert self.scale is not None
        return np.asarray(self.minimum_mm[ends] - self.scale.minimum_mm[ends])

    def events(self, ends: IntArray) -> Events:
        """What befalls wheel ends, as it is counted."""
        weight = None if self.weight is None else self.weight[ends]
        return Events(self.copy[ends], self.cell[ends], weight)


def batch_layout(
    ends: WheelEnds,
    lines: WheelEndLines,
    usage: UsageFit,
    cells: BudgetCells,
    draw: FleetDraw,
    scenario: Scenario,
) -> Layout:
    """Lay the copies of the fleet out.

    Raises
    ------
    ValueError
        If a scenario moves units to or from a duty that nobody runs.
    """
    copies, size, n_units = draw.copies, len(ends), len(usage)
    n_axles = int(ends.axle.max(initial=-1)) + 1
    axle_unit, passed_by = np.zeros((2, n_axles), np.int64)
    axle_unit[ends.axle], passed_by[ends.axle] = ends.unit, ends.unread_visits
    unit = tiled(ends.unit, copies, n_units)
    before = np.tile(lines.duty, copies)
    after = duties_after(draw, lines, scenario)
    usual, level = _use_after(usage, lines, after, draw)
    column = np.tile(lines.duty_column, (copies, 1))
    copy, every = np.repeat(np.arange(copies), size), np.arange(copies * size)
    theta = draw.theta
    return Layout(
        unit=unit,
        partner=tiled(ends.partner, copies, size),
        has_partner=np.tile(ends.has_partner, copies),
        axle=tiled(ends.axle, copies, n_axles),
        axle_unit=tiled(axle_unit, copies, n_units),
        passed_by=np.tile(passed_by, copies),
        copy=copy,
        group=np.tile(ends.policy_group, copies),
        cell=np.tile(cells.base, copies) + after[unit],
        **_minima(ends, lines, copies, scenario),
        rate_change=theta[copy, column[every, after[unit]]]
        - theta[copy, column[every, before[unit]]],
        usual_days=_days_between(usual, scenario),
        level_change=level + np.log(scenario.use_factor),
    )


def other_minimum(
    layout: Layout, ends: WheelEnds, lines: WheelEndLines, copies: int, scenario: Scenario
) -> Layout:
    """The layout of a scenario that differs in its minimum alone."""
    return replace(layout, **_minima(ends, lines, copies, scenario))


def _minima(
    ends: WheelEnds, lines: WheelEndLines, copies: int, scenario: Scenario
) -> dict[str, Any]:
    minimum = scenario_minimum(ends, scenario)
    usable = np.tile(np.maximum(ends.new_mm - minimum, 0.1), copies)
    scale = lines.scale
    if scale is None:
        return {"usable_mm": usable, "minimum_mm": np.tile(minimum, copies)}
    return {
        "usable_mm": usable,
        "minimum_mm": np.tile(scale.even_lining_mm(minimum), copies),
        "scale": scale.some(np.tile(np.arange(len(ends)), copies)),
    }


def _days_between(usual: FloatArray, scenario: Scenario) -> FloatArray:
    """Usual days between checks in a scenario."""
    weeks = scenario.check_weeks
    stated = usual if weeks is None else np.full_like(usual, 7.0 * weeks)
    return stated * scenario.check_interval_factor


def scenario_minimum(ends: WheelEnds, scenario: Scenario) -> FloatArray:
    """Minimum lining of each wheel end in a scenario [mm]."""
    if isinstance(scenario.minimum_mm, float | int):
        return np.full(len(ends), scenario.minimum_mm + scenario.minimum_change_mm)
    minimum = ends.minimum_mm
    if scenario.minimum_mm:
        own = ends.axle_type.replace_strict(
            dict(scenario.minimum_mm), default=None, return_dtype=pl.Float64
        )
        given = own.fill_null(np.nan).to_numpy()
        minimum = np.where(np.isfinite(given), given, minimum)
    return np.asarray(minimum + scenario.minimum_change_mm)


def require_lining(ends: WheelEnds, scenario: Scenario) -> None:
    """Raise UnusableScenarioError where a scenario's minimum is no less than a new lining."""
    if not (scenario.minimum_mm or scenario.minimum_change_mm):
        return
    minimum = scenario_minimum(ends, scenario)
    none = np.flatnonzero((minimum >= ends.new_mm) & (ends.minimum_mm < ends.new_mm))
    if len(none):
        worst = none[np.argmin(ends.new_mm[none])]
        raise UnusableScenarioError(
            f"{scenario.name}: found a minimum of {minimum[worst]:g} mm; accepted: below the new "
            f"lining, which is {ends.new_mm[worst]:g} mm on {ends.axle_type[int(worst)]}"
        )


def duties_after(draw: FleetDraw, lines: WheelEndLines, scenario: Scenario) -> IntArray:
    """Duty of every unit of the batch once the scenario's moves are made."""
    before = np.tile(lines.duty, draw.copies)
    after, taken = before.copy(), np.zeros(len(lines.duties))
    for move in scenario.duty_moves:
        source = lines.duties.index(move.from_duty)
        low, taken[source] = taken[source], taken[source] + move.share
        chosen = (before == source) & (draw.place >= low) & (draw.place < taken[source])
        after[chosen] = lines.duties.index(move.to_duty)
    return after


def _use_after(
    usage: UsageFit, lines: WheelEndLines, after: IntArray, draw: FleetDraw
) -> tuple[FloatArray, FloatArray]:
    """Usual days between visits and change of log km per day, per unit of the batch."""
    group = _groups_by_duty(usage, lines.duties)
    unit = np.tile(np.arange(len(usage)), draw.copies)
    then, now = group[unit, after], np.tile(usage.group, draw.copies)
    stays = after == np.tile(lines.duty, draw.copies)
    then = np.where(stays, now, then)
    rate = usage.rates.log_km_per_day
    return usage.interval_distribution.usual_days[then] * np.exp(draw.pace), rate[then] - rate[now]


def _groups_by_duty(usage: UsageFit, duties: tuple[str, ...]) -> IntArray:
    """Group of use of each unit in each duty, (U, D): at its depot, or anywhere it is run."""
    groups = usage.groups
    number = {key: g for g, key in enumerate(zip(groups.depot, groups.duty, strict=True))}
    anywhere = {duty: g for g, duty in reversed(list(enumerate(groups.duty)))}
    table = np.zeros((len(groups), len(duties)), np.int64)
    for g, depot in enumerate(groups.depot):
        table[g] = [number.get((depot, duty), anywhere.get(duty, g)) for duty in duties]
    return table[usage.group]
