"""Chance that can be turned: what has happened up to a day stays, and all after it is drawn anew.

So one fleet has many futures from one day on: what somebody who knew every lining, rate and habit
of that day could still not have known.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

Draw = Callable[[np.random.Generator], np.ndarray]


@dataclass(frozen=True)
class Turn:
    """All after ``day`` (days lived) comes from another seed."""

    day: int
    seed: int


@dataclass(frozen=True)
class Luck:
    """``once`` draws what never turns: what units and depots are."""

    seed: int
    turn: Turn | None = None
    once: np.random.Generator = field(init=False)
    _before: np.random.Generator = field(init=False)
    _after: np.random.Generator | None = field(init=False)

    def __post_init__(self) -> None:
        after = np.random.default_rng([self.seed, 3, self.turn.seed]) if self.turn else None
        object.__setattr__(self, "once", np.random.default_rng([self.seed, 1]))
        object.__setattr__(self, "_before", np.random.default_rng([self.seed, 2]))
        object.__setattr__(self, "_after", after)

    def of(self, day: np.ndarray, draw: Draw) -> np.ndarray:
        """What ``draw`` yields for events on days that broadcast with it.

        Draws are as many whatever happens, or what came before the turn would not stay.
        """
        before = draw(self._before)
        if self.turn is None or self._after is None:
            return before
        return np.where(day <= self.turn.day, before, draw(self._after))

    def both(self, draw: Draw) -> tuple[np.ndarray, np.ndarray | None]:
        """The same drawn for before and after the turn."""
        return draw(self._before), draw(self._after) if self._after is not None else None

    def anew(self, draw: Draw) -> np.ndarray | None:
        """What is drawn at the turn alone; None without one."""
        if self.turn is None:
            return None
        return draw(np.random.default_rng([self.seed, 4, self.turn.seed]))
