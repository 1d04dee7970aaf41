"""What a fleet might do differently: a scenario is a few overrides of how it does things now."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Literal

Rule = Literal["as_now", "threshold", "latest"]
Together = Literal["as_now", "wheel_end", "axle", "unit"]


@dataclass(frozen=True, slots=True)
class DutyMove:
    """``share`` (0 to 1) of the units in one duty run in another; wear and use follow."""

    from_duty: str
    to_duty: str
    share: float


@dataclass(frozen=True, slots=True)
class Scenario:
    """A way to run the fleet; every default is what it does now.

    name : shown beside its results.
    reline : ``as_now``, the fleet's own policy; ``threshold``, at the visit where a reading is at
        or below ``threshold_mm`` above the minimum; ``latest``, at the last visit that keeps the
        risk (implies ``guard``).
    threshold_mm : mm above the minimum, for ``threshold``.
    guard : also reline whatever would otherwise cross its minimum before the next visit with more
        than ``risk``.
    risk : accepted chance of crossing the minimum between two visits.
    wait_for_visit : false: what the guard finds is relined in a visit of its own, as late as the
        risk allows, at the price of the downtime.
    together : what else is relined at that visit: ``as_now``, nothing, the axle's other end, or
        every wheel end of the unit.
    minimum_change_mm : added to every minimum; minimum_mm : the minimum of every axle type, or of
        those that are named.
    use_factor : times the km per day.
    check_weeks : weeks between check visits, kept as punctually as now; None: as each unit's are.
    check_interval_factor : times the days between check visits.
    duty_moves : shares of units that change duty on the as-of day.
    """

    name: str
    reline: Rule = "as_now"
    threshold_mm: float = 1.0
    guard: bool = False
    risk: float = 0.05
    wait_for_visit: bool = True
    together: Together = "as_now"
    minimum_change_mm: float = 0.0
    minimum_mm: float | Mapping[str, float] = field(default_factory=dict)
    use_factor: float = 1.0
    check_weeks: float | None = None
    check_interval_factor: float = 1.0
    duty_moves: tuple[DutyMove, ...] = ()

    def __post_init__(self) -> None:
        """Raise ValueError where a number cannot be."""
        if not 0.0 < self.risk < 1.0:
            raise ValueError(f"{self.name}: risk must be between 0 and 1, got {self.risk}")
        for name in ("use_factor", "check_interval_factor"):
            if not getattr(self, name) > 0.0:
                raise ValueError(f"{self.name}: {name} must be above 0, got {getattr(self, name)}")
        if self.check_weeks is not None and not self.check_weeks > 0.0:
            raise ValueError(f"{self.name}: check_weeks must be above 0, got {self.check_weeks}")
        shares = [move.share for move in self.duty_moves]
        if any(not 0.0 <= share <= 1.0 for share in shares):
            raise ValueError(f"{self.name}: a share of units must be between 0 and 1, got {shares}")

    @property
    def uses_as_now(self) -> bool:
        """Whether km and check days are those of now."""
        changed = self.use_factor != 1.0 or self.check_interval_factor != 1.0
        return not (changed or self.check_weeks is not None or self.duty_moves)

    @property
    def guards(self) -> bool:
        return self.guard or self.reline == "latest"


AS_NOW = Scenario("as_now")


class UnusableScenarioError(ValueError):
    """A scenario names a duty or an axle type that the fleet has not, or leaves no lining to wear."""


def require_known(scenario: Scenario, duties: Collection[str], axle_types: Collection[str]) -> None:
    """Raise UnusableScenarioError where a scenario speaks of what is not there."""
    moved = [name for move in scenario.duty_moves for name in (move.from_duty, move.to_duty)]
    named = scenario.minimum_mm if isinstance(scenario.minimum_mm, Mapping) else {}
    for names, known, what in (
        (moved, duties, "nobody runs the duty"),
        (named, axle_types, "no wheel end is of the axle type"),
    ):
        for name in names:
            if name not in known:
                told = ", ".join(sorted(known))
                raise UnusableScenarioError(f"{scenario.name}: {what} {name!r}; known are {told}")


@dataclass(frozen=True, slots=True)
class RelineCosts:
    """Money per wheel end at the as-of day's prices; ``downtime`` per axle of a visit made for a
    reline alone; ``drum_share`` of relines that also take a drum."""

    lining_kit: float = 0.0
    reline_labour: float = 0.0
    drum: float = 0.0
    drum_share: float = 0.0
    downtime: float = 0.0
    inflation_per_year: float = 0.0
