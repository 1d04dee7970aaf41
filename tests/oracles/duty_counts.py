"""Duties compared from grouped counts, each pair fitted on its own: a check of ratios by row."""

from collections.abc import Mapping
from itertools import combinations

import numpy as np

from models.lives.effects.proportional_hazards import HazardModel, hazard_data_from_counts
from models.lives.effects.regression import effects, fit_hazard_model
from models.lives.effects.segments import Design
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
        [effect] = effects(fit_hazard_model(model, np.append(fit.theta, 0.0)), 0.95)
        ratios.append(effect.ratio)
    return ratios
