"""Hazard ratios from grouped counts, each pair fitted on its own: a check of ratios by row."""

from collections.abc import Mapping
from itertools import combinations
from typing import Any, cast

import numpy as np
from scipy import optimize

from models.common.arrays import FloatArray, IntArray
from models.lives.effects.proportional_hazards import HazardData, HazardModel
from models.lives.effects.segments import Design, Pieces
from models.lives.fits.data import LifeCounts, pooled_counts
from models.lives.fits.distributions import STANDARD_DISTRIBUTIONS
from models.lives.fits.parametric import LifeFit, fit_life


def hazard_ratios(groups: Mapping[str, LifeCounts]) -> list[float]:
    """Weibull hazard ratios of all pairs of duties, in the order of combinations.

    Adjusters count as independent: counts do not say which unit they ran on.
    """
    ratios = []
    for a, b in combinations(groups, 2):
        fit = fit_life(pooled_counts([groups[a], groups[b]]), "weibull")
        assert isinstance(fit, LifeFit)
        model = HazardModel(
            STANDARD_DISTRIBUTIONS["weibull"],
            hazard_data_from_counts([groups[a], groups[b]]),
            Design(np.array([[1.0], [0.0]]), (f"duty={a}",), ("duty",), {"duty": b}),
            np.zeros(1, bool),
        )
        found = optimize.minimize(
            lambda theta, model=model: -model.evaluate(theta).value,
            np.append(fit.theta, 0.0),
            jac=lambda theta, model=model: -model.evaluate(theta).gradient,
            hess=lambda theta, model=model: -model.evaluate(theta).hessian,
            method="trust-exact",
            options={"gtol": 1e-8},
        )
        ratios.append(float(np.exp(found.x[2])))
    return ratios


def hazard_data_from_counts(groups: list[LifeCounts]) -> HazardData:
    """The data of groups that each keep one design row (their place in the list) for life."""
    rows = np.arange(len(groups))

    def joined(name: str) -> FloatArray:
        return np.concatenate([getattr(group, name) for group in groups])

    def row_of(name: str) -> IntArray:
        return np.repeat(rows, [getattr(group, name).size for group in groups])

    interval = joined("left") < joined("right")
    row, left, right = row_of("left"), joined("left"), joined("right")
    failed = joined("failed")
    run_row = np.concatenate([row, row_of("censored_at"), row_of("entry")])
    run_age = np.concatenate([left, joined("censored_at"), joined("entry")])
    run_weight = np.concatenate([failed, joined("censored"), -joined("entered")])
    positive = run_age > 0.0
    number = np.arange(int(interval.sum()))
    return HazardData(
        run_row=run_row[positive],
        run_age=run_age[positive],
        run_weight=run_weight[positive],
        inside=Pieces(number, left[interval], right[interval], row[interval]),
        found=failed[interval],
        seen_row=row[~interval],
        seen_age=right[~interval],
        seen=failed[~interval],
        watched=Pieces(number[:0], left[:0], right[:0], row[:0]),
        segments=cast(Any, None),  # counts have none
    )
