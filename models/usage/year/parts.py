"""Parts of a fleet that may go through the year in a way of their own: its duties, its depots."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from models.common.arrays import BoolArray
from models.usage.intervals import UsageGroups

LEAST_UNITS = 5
"""Of a duty or depot that may have a year of its own."""

Split = Literal["duty", "depot"]
SPLITS: tuple[Split, ...] = ("duty", "depot")


@dataclass(frozen=True, slots=True)
class Part:
    """The groups (G,) of one duty or depot: ``name`` of which ``of``."""

    groups: BoolArray
    of: Split
    name: str


def parts(groups: UsageGroups, of: Split) -> Iterator[Part]:
    """Every duty, or depot, where there are several."""
    names = np.array(groups.duty if of == "duty" else groups.depot, dtype=object)
    different = sorted(set(names))
    if len(different) > 1:
        yield from (Part(np.asarray(names == name), of, name) for name in different)
