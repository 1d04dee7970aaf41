"""The mixed model by its definition, in dense matrices: what the engine is held against."""

import numpy as np


def dense_deviance(theta, y, x, t, block, unit, unknown_intercept, weight, shared=0.0):
    """-2 REML by definition: one dense covariance, one indicator column per free start.

    ``shared`` is any further covariance of the rows, in units of the error variance.
    """
    indicators = block[:, None] == np.unique(block[unknown_intercept])
    design = np.column_stack(
        [np.where(unknown_intercept[:, None], 0.0, x[:, :1]), x[:, 1:], indicators]
    )
    z = np.column_stack([np.ones_like(t), t])
    gamma = np.array([[theta[0], theta[1]], [theta[1], theta[2]]])
    h = np.diag(1 / weight) + shared + (z @ gamma @ z.T) * (block[:, None] == block)
    h += theta[3] * np.outer(t, t) * (unit[:, None] == unit)
    inverse = np.linalg.inv(h)
    a = design.T @ inverse @ design
    beta = np.linalg.solve(a, design.T @ inverse @ y)
    residual, df = y - design @ beta, len(y) - design.shape[1]
    sigma2 = residual @ inverse @ residual / df
    log_dets = np.linalg.slogdet(h)[1] + np.linalg.slogdet(a)[1]
    return log_dets + df * (np.log(2 * np.pi * sigma2) + 1), beta[: x.shape[1]], sigma2
