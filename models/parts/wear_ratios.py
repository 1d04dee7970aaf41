r"""Wear under one lining part against another, within axle type and duty.

The wear fit is made once more with every part of an axle type as if it were an axle type of its
own, so that its rates have one covariance, in which units and lives differ as they do. The ratio
over all groups (axle type and duty) in which both parts stand on their own readings is
``models.wear.duty_ratios.joint_ratio``; Holm's method adjusts p over the pairs of parts of the
fleet, and over the groups' own ratios apart from them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import polars as pl

from models.common.arrays import IntArray
from models.common.multiple_tests import holm
from models.wear.duty_ratios import joint_ratio
from models.wear.result import WearFit
from models.wear.sums import LiningLifeSums, kept_lives

Label = tuple[str, str]
BETWEEN = "\x1f"  # ASCII's unit separator: no name of an axle type holds it


@dataclass(frozen=True, slots=True)
class PartRatio:
    """Wear with ``part_a`` over that with ``part_b``; axle type and duty None: over all groups."""

    axle_type: str | None
    duty: str | None
    part_a: str
    part_b: str
    ratio: float
    ci_low: float
    ci_high: float
    p: float
    p_adjusted: float


def sums_by_part(sums: LiningLifeSums, part: pl.Series) -> LiningLifeSums:
    """The lives whose ``part`` (N,) is known, each part of an axle type as an axle type."""
    known = kept_lives(sums, part.is_not_null().to_numpy())
    kind = [known.axle_types[axle] for axle in known.axle]
    labels = [f"{a}{BETWEEN}{p}" for a, p in zip(kind, part.drop_nulls(), strict=True)]
    names = tuple(sorted(set(labels)))
    place = {name: n for n, name in enumerate(names)}
    axle: IntArray = np.array([place[label] for label in labels], np.int64)
    return replace(known, axle_types=names, axle=axle)


def label(name: str) -> Label:
    """(axle type, part) of an axle type of :func:`sums_by_part`."""
    axle_type, _, part = name.partition(BETWEEN)
    return axle_type, part


def part_ratios(fit: WearFit, *, level: float = 0.95) -> tuple[PartRatio, ...]:
    """Every pair of parts that some group holds both of: in each group, and over all of them.

    ``fit`` is of :func:`sums_by_part`. A rate that leans on others is not compared.
    """
    if fit.mixed is None:
        return ()
    own = {(*label(rate.axle_type), rate.duty) for rate in fit.rates if not rate.shrunk}
    parts = sorted({part for _, part, _ in own})
    over_all, singly = [], []
    for a, b in combinations(parts, 2):
        groups = sorted((t, d) for t, p, d in own if p == a and (t, b, d) in own)
        if groups:
            over_all.append(_ratio(fit, (a, b), groups, level))
        singly += [
            replace(_ratio(fit, (a, b), [(axle_type, duty)], level), axle_type=axle_type, duty=duty)
            for axle_type, duty in groups
        ]
    return (*_adjusted(over_all), *_adjusted(singly))


def _adjusted(ratios: Sequence[PartRatio]) -> list[PartRatio]:
    p = holm([r.p for r in ratios])
    return [replace(r, p_adjusted=float(q)) for r, q in zip(ratios, p, strict=True)]


def _ratio(
    fit: WearFit, parts: tuple[str, str], groups: Sequence[tuple[str, str]], level: float
) -> PartRatio:
    a, b = ([(f"{t}{BETWEEN}{part}", duty) for t, duty in groups] for part in parts)
    found = joint_ratio(fit, list(zip(a, b, strict=True)), level=level)
    return PartRatio(None, None, *parts, found.ratio, found.ci_low, found.ci_high, found.p, found.p)
