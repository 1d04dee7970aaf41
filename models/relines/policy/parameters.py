"""A policy's parameters in one vector, and what the likelihood knows them by."""

import numpy as np

from models.common.arrays import FloatArray
from models.relines.policy.ages import AGE_SHAPE
from models.relines.policy.likelihood import SHAPE


def parts_of(parameters: FloatArray, thresholds: int) -> list[FloatArray]:
    """What a vector says of thresholds, of ``SHAPE``, and of relines by age."""
    return np.split(parameters, [thresholds, thresholds + len(SHAPE)])


def by_group(
    parameters: FloatArray, design: FloatArray, age_design: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Thresholds of the groups, and what the likelihood calls its shape; by the designs of
    thresholds and of log A."""
    thresholds, own, aged = parts_of(parameters, design.shape[1])
    if len(aged) == 0:
        return design @ thresholds, own
    by_age, log_days = np.split(aged, [len(AGE_SHAPE)])
    return design @ thresholds, np.concatenate([own, by_age, age_design @ log_days])


def in_parameters(slope: FloatArray, age_design: FloatArray) -> FloatArray:
    """Slopes (…, shape) in the likelihood's shape as slopes in the parameters behind the
    thresholds'."""
    own, log_days = np.split(slope, [len(SHAPE) + len(AGE_SHAPE)], axis=-1)
    return np.concatenate([own, log_days @ age_design], axis=-1) if log_days.size else own
