"""How many parts to have, so that demand until the next delivery is met with a stated chance.

The newsvendor's quantile (Arrow, Harris & Marschak 1951, *Econometrica* 19:250): the least stock
that simulated demand over the lead time does not exceed in that share of futures.
"""

import numpy as np

from models.common.arrays import FloatArray


def stock_for(demand: FloatArray, service_level: float) -> int:
    """The least whole stock that is enough in ``service_level`` of futures; demand (D,).

    Raises
    ------
    ValueError
        If the level is not between 0 and 1.

    >>> stock_for(np.array([0.0, 1.0, 1.0, 2.0]), 0.75)
    1
    """
    if not 0.0 < service_level < 1.0:
        raise ValueError(f"a service level lies between 0 and 1, found {service_level}")
    return int(np.ceil(np.quantile(demand, service_level, method="inverted_cdf")))


def chance_short(demand: FloatArray, stock: int) -> float:
    """Share of futures whose demand is more than the stock."""
    return float(np.mean(demand > stock))
